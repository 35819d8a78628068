//! When and how far a vehicle drives, how it drives, and what that costs in fuel.

use super::engine::Engine;
use super::random::{Rng, SLOW_PHI, Wander, chance, lognormal, normal, poisson, uniform};

/// Longest distance of a day, km (the study's cap).
const KM_PER_DAY_MAX: f64 = 400.0;

/// One vehicle's habits.
#[derive(Debug, Clone)]
pub(super) struct Habits {
    drives: f64,
    km_per_day: f64,
    speed_kmh: f64,
    trips_mean: f64,
    route: Wander,
    slow: Wander,
}

/// One day of driving.
#[derive(Debug, Clone, Copy)]
pub(super) struct Drive {
    pub(super) km: f64,
    pub(super) seconds: f64,
    pub(super) stops: f64,
    pub(super) trips: u32,
    pub(super) start_coolant_c: f64,
    pub(super) revs_warm: f64,
    pub(super) revs_cold: f64,
    /// Fuel really burnt, litres.
    pub(super) litres: f64,
}

impl Habits {
    pub(super) fn draw(economy_wander_pct: f64, rng: &mut Rng) -> Habits {
        // 74 % of days and about 19,400 km a year, as in the study.
        Habits {
            drives: uniform(0.62, 0.86, rng),
            km_per_day: lognormal(58.0, 0.3, rng),
            speed_kmh: uniform(28.0, 62.0, rng),
            trips_mean: uniform(0.5, 3.0, rng),
            route: Wander::new(0.3, 0.04, f64::INFINITY, rng),
            slow: Wander::new(SLOW_PHI, economy_wander_pct / 100.0, f64::INFINITY, rng),
        }
    }

    /// The day's driving, `None` on a day of rest. `economy` is the fault's factor on fuel.
    pub(super) fn day(
        &mut self,
        engine: &Engine,
        ambient_c: f64,
        economy: f64,
        rng: &mut Rng,
    ) -> Option<Drive> {
        let (route, slow) = (self.route.next(rng), self.slow.next(rng));
        let drives = chance(self.drives, rng);
        let km = lognormal(self.km_per_day, 0.65, rng).min(KM_PER_DAY_MAX);
        let speed = (self.speed_kmh * (1.0 + 0.15 * normal(rng)) * (km / 60.0).powf(0.1))
            .clamp(12.0, 110.0);
        let trips = 1.0 + poisson(self.trips_mean, rng);
        let soaked = uniform(0.0, 1.0, rng);
        if !drives {
            return None;
        }
        let seconds = km / speed * 3600.0;
        let idle_s = seconds * (0.28 - 0.0035 * speed).clamp(0.03, 0.3);
        let stops = km * (70.0 / speed - 0.8).clamp(0.1, 4.0);
        // Between two trips the engine cools, in winter further.
        let start_coolant_c = ambient_c + (85.0 - ambient_c) * 0.6 * soaked;
        let turning = if engine.hybrid { 0.45 } else { 1.0 };
        let minutes = seconds / 60.0 * turning;
        let cold_minutes = (trips * (80.0 - start_coolant_c) / 15.0).clamp(0.0, minutes);
        let air = 1.0 + 0.003 * (15.0 - ambient_c);
        let drag = 1.0 + 0.00012 * (speed - 50.0).powi(2);
        let litres = (km * engine.litres_per_km * drag * air
            + 0.7 * idle_s * turning / 3600.0
            + 0.012 * stops
            + 0.05 * trips * (80.0 - start_coolant_c) / 60.0)
            * (route + slow).exp()
            * economy;
        Some(Drive {
            km,
            seconds,
            stops,
            trips: trips as u32,
            start_coolant_c,
            revs_warm: 1800.0 * (minutes - cold_minutes),
            revs_cold: 1500.0 * cold_minutes,
            litres,
        })
    }
}
