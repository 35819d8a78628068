//! What airflow does to the trim within drives, as the day's sums of products around each band's mean.
//!
//! In: the day's bands and the fault's trim over airflow. Out: [`Within`] per bank. Three points per band stand for
//! its samples (Gauss-Hermite nodes of a lognormal airflow), so the sums are exact up to the noise that is added.

use super::super::settings::Nuisances;
use super::random::{Rng, SLOW_PHI, Wander, normal};
use crate::tables::days::{DayBand, Within};
use crate::tables::trips::BANKS;

/// Log-sd of airflow within a band: idling is steady, cruising is not (own judgement, no source).
const SPREAD: [f64; 3] = [0.06, 0.35, 0.15];

/// Nodes and weights of the three-point Gauss-Hermite rule, scaled to a standard normal (Abramowitz and Stegun, table
/// 25.10, from memory; the moments up to the fourth are tested).
const NODES: [(f64, f64); 3] =
    [(-1.732_050_807_568_877_2, 1.0 / 6.0), (0.0, 2.0 / 3.0), (1.732_050_807_568_877_2, 1.0 / 6.0)];

/// Slow change of a vehicle's own slope on `m` for one of 1 on `1/m`: purge and leakage weigh on little air, and the
/// sensor's drift on much (own judgement, no source).
const ON_AIRFLOW: f64 = 0.036;

/// A vehicle's own slopes on their way from one logged day to the next, by bank, on `1/m` and on `m`.
#[derive(Debug)]
pub(super) struct Slopes {
    own: [[Wander; 2]; BANKS],
    /// Sd of what stays together within a day, percent times the root of the samples that say the same.
    noise: f64,
    draws: Rng,
}

impl Slopes {
    pub(super) fn draw(n: &Nuisances, noise: f64, mut draws: Rng) -> Slopes {
        let own = std::array::from_fn(|_| {
            [1.0, ON_AIRFLOW].map(|size| {
                let sd = size * n.slope_wander_pct;
                Wander::new(SLOW_PHI, sd, f64::INFINITY, &mut draws)
            })
        });
        Slopes { own, noise, draws }
    }

    /// The sums of one day; `trim` is what a fault adds on a bank at an airflow, percent.
    pub(super) fn day(
        &mut self,
        bands: &[[DayBand; 3]; BANKS],
        trim: &dyn Fn(usize, f64) -> f64,
    ) -> [Within; BANKS] {
        let mut out = [Within::default(); BANKS];
        for (bank, sums) in out.iter_mut().enumerate() {
            let [on_inverse, on_airflow] =
                [0, 1].map(|i: usize| self.own[bank][i].next(&mut self.draws));
            for (band, spread) in bands[bank].iter().zip(SPREAD).filter(|(b, _)| b.n >= 3.0) {
                let y = |m: f64| trim(bank, m) + on_inverse / m + on_airflow * m;
                add(band.n, band.m / band.n, spread, &y, sums);
            }
            // Noise with the covariance that independent errors give to sums of products.
            let [first, second] = [normal(&mut self.draws), normal(&mut self.draws)];
            let along = sums.uu.sqrt();
            if along > 0.0 {
                let across = (sums.mm - (sums.um / along).powi(2)).max(0.0).sqrt();
                sums.uy += self.noise * along * first;
                sums.my += self.noise * (sums.um / along * first + across * second);
            }
        }
        out
    }
}

/// Adds `n` samples of a band with mean airflow `mean` whose trim over airflow is `y`.
fn add(n: f64, mean: f64, spread: f64, y: &dyn Fn(f64) -> f64, sums: &mut Within) {
    let points = NODES.map(|(z, weight)| {
        let m = mean * (spread * z - 0.5 * spread * spread).exp();
        (weight, 1.0 / m, m, y(m))
    });
    let of = |f: &dyn Fn(f64, f64, f64) -> f64| {
        points.iter().map(|&(weight, u, m, y)| weight * f(u, m, y)).sum::<f64>()
    };
    let (u0, m0, y0) = (of(&|u, _, _| u), of(&|_, m, _| m), of(&|_, _, y| y));
    sums.uu += n * of(&|u, _, _| (u - u0) * (u - u0));
    sums.um += n * of(&|u, m, _| (u - u0) * (m - m0));
    sums.mm += n * of(&|_, m, _| (m - m0) * (m - m0));
    sums.uy += n * of(&|u, _, y| (u - u0) * (y - y0));
    sums.my += n * of(&|_, m, y| (m - m0) * (y - y0));
}

#[cfg(test)]
mod tests {
    use super::super::random::stream;
    use super::*;

    #[test]
    fn three_nodes_have_the_moments_of_a_standard_normal() {
        // Moments 0 to 4 of a standard normal: 1, 0, 1, 0, 3.
        for (power, expected) in [(0, 1.0), (1, 0.0), (2, 1.0), (3, 0.0), (4, 3.0)] {
            let moment: f64 = NODES.iter().map(|(z, weight)| weight * z.powi(power)).sum();
            assert!((moment - expected).abs() < 1e-12, "{power}: {moment}");
        }
    }

    #[test]
    fn without_noise_the_slopes_of_the_fault_come_back() {
        let mut none = Nuisances::ALL;
        none.set("slope_wander_pct", 0.0);
        let mut slopes = Slopes::draw(&none, 0.0, stream(1, Some(0), 8));
        let band = |n: f64, m: f64| DayBand { n, y: 0.0, m: n * m };
        let bands = [[band(200.0, 1.0), band(900.0, 3.0), band(40.0, 9.0)]; BANKS];
        for w in slopes.day(&bands, &|_, m| 5.0 / m + 0.5 * m) {
            // Solves the two normal equations.
            let det = w.uu * w.mm - w.um * w.um;
            let on_inverse = (w.uy * w.mm - w.my * w.um) / det;
            let on_airflow = (w.my * w.uu - w.uy * w.um) / det;
            assert!((on_inverse - 5.0).abs() < 1e-9 && (on_airflow - 0.5).abs() < 1e-9, "{w:?}");
        }
    }
}
