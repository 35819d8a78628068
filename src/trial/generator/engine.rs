//! The engine family: what its vehicles have in common by construction.

use super::random::{Rng, chance, uniform};
use crate::tables::fleet::{AirMetering, Injection};

/// One engine family.
#[derive(Debug, Clone)]
pub(super) struct Engine {
    pub(super) name: String,
    pub(super) displacement_l: f64,
    pub(super) cylinders: usize,
    pub(super) banks: usize,
    pub(super) air: AirMetering,
    pub(super) injection: Injection,
    pub(super) hybrid: bool,
    /// Only one band of one bank is logged.
    pub(super) single_series: bool,
    /// The logs carry misfire counters.
    pub(super) counts_misfires: bool,
    /// Fuel is computed from the airflow sensor.
    pub(super) fuel_from_airflow: bool,
    /// Misfires per 1,000 revolutions of a sound engine.
    pub(super) misfires_per_1000_rev: f64,
    /// Throttle angle at idle, percent.
    pub(super) idle_throttle_pct: f64,
    /// Air taken in near full throttle, percent.
    pub(super) breathing_pct: f64,
    /// Fuel per km when cruising warm, litres.
    pub(super) litres_per_km: f64,
}

impl Engine {
    /// Family number `index` of a fleet.
    pub(super) fn draw(index: usize, single_series: bool, rng: &mut Rng) -> Engine {
        let banks = if !single_series && chance(0.25, rng) { 2 } else { 1 };
        let cylinders = match (banks, chance(0.3, rng)) {
            (2, true) => 8,
            (2, false) => 6,
            (_, true) => 3,
            (_, false) => 4,
        };
        let air = if chance(0.7, rng) { AirMetering::Maf } else { AirMetering::Map };
        Engine {
            name: format!("family-{index}"),
            displacement_l: cylinders as f64 * uniform(0.33, 0.55, rng),
            cylinders,
            banks,
            injection: if chance(0.45, rng) { Injection::Direct } else { Injection::Port },
            hybrid: !single_series && chance(0.15, rng),
            single_series,
            counts_misfires: !single_series && chance(0.8, rng),
            fuel_from_airflow: air == AirMetering::Maf && chance(0.6, rng),
            air,
            misfires_per_1000_rev: 0.02 * 10f64.powf(uniform(0.0, 1.0, rng)),
            idle_throttle_pct: uniform(2.5, 6.0, rng),
            breathing_pct: uniform(75.0, 95.0, rng),
            litres_per_km: uniform(0.045, 0.085, rng),
        }
    }

    /// Cylinders that one bank feeds.
    pub(super) fn cylinders_per_bank(&self) -> usize {
        self.cylinders / self.banks
    }
}
