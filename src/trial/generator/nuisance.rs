//! What disturbs the trim of a healthy vehicle.

use super::super::settings::Nuisances;
use super::random::{
    Rng, SLOW_PHI, Wander, chance, event_days, exponential, heavy, normal, sign, uniform,
};
use crate::tables::trips::BANKS;

/// A step that is no fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Step {
    /// First day, from the start.
    pub(super) day: i32,
    /// Size at cruise, percent.
    pub(super) size: f64,
    /// Share of its size that it has more at load and less at idle.
    pub(super) tilt: f64,
    /// First day on which it is gone again.
    pub(super) end: Option<i32>,
}

/// Everything drawn once per vehicle, and its noises on their way.
#[derive(Debug)]
pub(super) struct Disturbance {
    level: f64,
    offsets: [[f64; 3]; BANKS],
    sensitivity: [f64; 3],
    white_sd: f64,
    df: f64,
    skew: f64,
    shared: Wander,
    by_band: [Wander; 3],
    by_bank: [Wander; BANKS],
    slow: Wander,
    slow_by_band: [Wander; 3],
    outliers: f64,
    pub(super) steps: Vec<Step>,
    /// Days of learning resets, from the start.
    pub(super) resets: Vec<i32>,
    relearnt: f64,
    relearns_per_day: f64,
}

/// Of the noise that is not a band's own, the share that a bank has for itself where there are two.
const BANK_SHARE: f64 = 0.15;

impl Disturbance {
    pub(super) fn draw(
        n: &Nuisances,
        banks: usize,
        single: bool,
        days: i32,
        skew: f64,
        rng: &mut Rng,
    ) -> Disturbance {
        let sd = uniform(0.32, 1.0, rng) * n.noise_sd_max_pct;
        let phi = uniform(0.375, 1.0, rng) * n.noise_phi_max;
        let white = uniform(0.0, 1.0, rng) * n.white_share_max;
        let own = uniform(0.5, 1.0, rng) * n.band_own_share_max;
        let bank = if banks == 2 { BANK_SHARE } else { 0.0 };
        let df = if n.tail_heaviness > 0.0 { 1.0 / n.tail_heaviness } else { f64::INFINITY };
        let share = |s: f64| sd * (s * (1.0 - white)).sqrt();
        let level = n.level_sd_pct * normal(rng);
        // Most of a vehicle's sensitivity is common to its bands.
        let common = n.sensitivity_sd * normal(rng);
        let by_band = if single { 0.0 } else { 0.5 * n.sensitivity_sd };
        let sensitivity = std::array::from_fn(|_| 1.0 + common + by_band * normal(rng));
        let wander = uniform(0.0, 1.0, rng) * n.wander_max_pct;
        let mut wanderer = |sd: f64| Wander::new(phi, sd, df, rng);
        let shared = wanderer(share((1.0 - own) * (1.0 - bank)));
        let by_band = std::array::from_fn(|_| wanderer(share(own)));
        let by_bank = std::array::from_fn(|_| wanderer(share((1.0 - own) * bank)));
        let offset = if single { 0.0 } else { 0.25 * n.level_sd_pct };
        Disturbance {
            level,
            offsets: std::array::from_fn(|_| std::array::from_fn(|_| offset * normal(rng))),
            sensitivity,
            white_sd: sd * white.sqrt(),
            df,
            skew,
            shared,
            by_band,
            by_bank,
            slow: Wander::new(SLOW_PHI, 0.8 * wander, f64::INFINITY, rng),
            slow_by_band: std::array::from_fn(|_| {
                Wander::new(SLOW_PHI, 0.6 * wander, f64::INFINITY, rng)
            }),
            outliers: n.outliers_per_100_days / 100.0,
            steps: steps(n, days, rng),
            resets: event_days(n.resets_per_year, days, rng),
            relearnt: 1.0,
            relearns_per_day: 1.0,
        }
    }

    /// Trims of `day` by bank and band without a fault, percent, and whether learning was reset on it.
    ///
    /// `extra` is what a fault adds: it is lost in a reset and learnt again with the rest. `driven` is
    /// whether the vehicle moves on that day.
    pub(super) fn trims(
        &mut self,
        day: i32,
        common: f64,
        driven: bool,
        extra: &dyn Fn(usize, usize) -> f64,
        rng: &mut Rng,
    ) -> [[f64; 3]; BANKS] {
        let skew = self.skew;
        let (shared, slow) = (self.shared.next_skewed(skew, rng), self.slow.next(rng));
        let by_band = [0, 1, 2].map(|b: usize| {
            self.by_band[b].next_skewed(skew, rng) + self.slow_by_band[b].next(rng)
        });
        let by_bank = [0, 1].map(|b: usize| self.by_bank[b].next(rng));
        let white = self.white_sd * heavy(self.df, rng);
        let outlier =
            if chance(self.outliers, rng) { sign(rng) * uniform(4.0, 10.0, rng) } else { 0.0 };
        if self.resets.binary_search(&day).is_ok() {
            self.relearnt = 0.0;
            self.relearns_per_day = 1.0 / uniform(3.0, 10.0, rng);
        }
        let mut stepped = [0.0; 3];
        let on = |s: &&Step| s.day <= day && s.end.is_none_or(|end| day < end);
        for step in self.steps.iter().filter(on) {
            for (band, sum) in stepped.iter_mut().enumerate() {
                *sum += step.size * (1.0 + step.tilt * (band as f64 - 1.0));
            }
        }
        let all =
            [0, 1, 2].map(|b: usize| self.level + self.sensitivity[b] * common + stepped[b] + slow);
        let noise = shared + white + outlier;
        let learnt = self.relearnt;
        if driven {
            self.relearnt = (self.relearnt + self.relearns_per_day).min(1.0);
        }
        std::array::from_fn(|bank| {
            std::array::from_fn(|band| {
                learnt * (all[band] + self.offsets[bank][band] + extra(bank, band))
                    + noise
                    + by_band[band]
                    + by_bank[bank]
            })
        })
    }

    /// Resets learning on `day`, which has not come yet.
    pub(super) fn reset(&mut self, day: i32) {
        let at = self.resets.partition_point(|d| *d < day);
        self.resets.insert(at, day);
    }

    /// Whether learning was reset on `day`.
    pub(super) fn reset_on(&self, day: i32) -> bool {
        self.resets.binary_search(&day).is_ok()
    }
}

fn steps(n: &Nuisances, days: i32, rng: &mut Rng) -> Vec<Step> {
    let mut steps: Vec<Step> = event_days(n.blend_steps_per_year, days, rng)
        .into_iter()
        .map(|day| {
            let size = sign(rng) * uniform(0.5, 2.0, rng);
            let stays = chance(0.3, rng);
            let length = exponential(60.0, rng) as i32 + 1;
            // A blend changes the air that all fuel needs alike.
            let tilt = uniform(-0.15, 0.15, rng);
            Step { day, size, tilt, end: (!stays).then_some(day + length) }
        })
        .collect();
    for day in event_days(n.sensor_steps_per_year, days, rng) {
        steps.push(Step {
            day,
            size: sign(rng) * uniform(1.5, 4.0, rng),
            tilt: uniform(-1.0, 1.0, rng),
            end: None,
        });
    }
    steps.sort_by_key(|s| s.day);
    steps
}

#[cfg(test)]
mod tests {
    use super::super::random::stream;
    use super::*;

    #[test]
    fn without_nuisances_a_healthy_trim_is_nought() {
        let mut none = Nuisances::ALL;
        for name in Nuisances::NAMES {
            none.set(name, 0.0);
        }
        let mut rng = stream(1, Some(0), 0);
        let mut d = Disturbance::draw(&none, 2, false, 400, 0.0, &mut rng);
        for day in 0..400 {
            let y = d.trims(day, 0.0, true, &|_, _| 0.0, &mut rng);
            assert!(y.iter().flatten().all(|y| y.abs() < 1e-12), "{y:?}");
        }
    }

    #[test]
    fn noise_has_the_stated_spread_in_every_band() {
        let only = Nuisances { level_sd_pct: 0.0, ..Nuisances::STUDY };
        let mut n = only;
        for name in ["resets_per_year", "blend_steps_per_year", "sensor_steps_per_year"] {
            n.set(name, 0.0);
        }
        let (mut sum, mut count) = (0.0, 0.0);
        for vehicle in 0..400 {
            let mut rng = stream(1, Some(vehicle), 0);
            let mut d = Disturbance::draw(&n, 1, false, 200, 0.16, &mut rng);
            for day in 0..200 {
                let y = d.trims(day, 0.0, true, &|_, _| 0.0, &mut rng);
                sum += y[0][1] * y[0][1];
                count += 1.0;
            }
        }
        // Mean square of a uniform sd between 0.8 and 2.5: (2.5³ - 0.8³) / (3 · 1.7).
        let expected = (15.625 - 0.512) / 5.1;
        assert!((sum / count - expected).abs() < 0.25, "{} {expected}", sum / count);
    }
}
