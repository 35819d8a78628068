//! What a whole engine family meets together: season, weather, the change of the fuel grade.

use super::super::settings::Nuisances;
use super::random::{Rng, Wander, chance, normal, sign, uniform};

/// Days in a year.
const YEAR: f64 = 365.25;

/// One family's common mode and its weather.
#[derive(Debug, Clone)]
pub(super) struct Climate {
    /// Common mode of the trim by day, percent.
    pub(super) trim: Vec<f64>,
    /// Ambient temperature by day, °C.
    pub(super) ambient_c: Vec<f64>,
    /// Skewness of the noise of its vehicles' trims; see `Nuisances::noise_skew_max`.
    pub(super) noise_skew: f64,
}

impl Climate {
    /// `days` days from the first of January.
    pub(super) fn draw(days: i32, n: &Nuisances, rng: &mut Rng) -> Climate {
        let amplitude = uniform(0.5, 1.0, rng) * n.season_max_pct;
        let phase = uniform(-45.0, 45.0, rng);
        // The grade changes about the end of March and of October, and back.
        let grade = sign(rng) * uniform(0.0, n.grade_step_max_pct, rng);
        let (spring, autumn) = (uniform(75.0, 110.0, rng), uniform(265.0, 310.0, rng));
        let mut weather = Wander::new(0.9, n.weather_sd_pct, f64::INFINITY, rng);
        let mut heat = Wander::new(0.8, 4.0, f64::INFINITY, rng);
        let mean_c = 11.0 + 1.5 * normal(rng);
        let noise_skew = uniform(-1.0, 1.0, rng) * n.noise_skew_max;
        let reversed = chance(n.season_reversed_share, rng);
        let amplitude = if reversed { -amplitude } else { amplitude };
        let mut out = Climate { trim: Vec::new(), ambient_c: Vec::new(), noise_skew };
        for day in 0..days {
            let t = f64::from(day);
            let of_year = t.rem_euclid(YEAR);
            let season = amplitude * (std::f64::consts::TAU * (t - phase) / YEAR).cos();
            let step = if (spring..autumn).contains(&of_year) { grade } else { 0.0 };
            out.trim.push(season + step + weather.next(rng));
            // Coldest in the third week of January.
            let mean = mean_c - 9.0 * (std::f64::consts::TAU * (t - 20.0) / YEAR).cos();
            out.ambient_c.push(mean + heat.next(rng));
        }
        out
    }
}
