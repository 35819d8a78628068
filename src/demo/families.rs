//! The engine families of the made-up fleet: sizes and layouts, chosen to cover every branch of the contract.
//!
//! Values are ordinary magnitudes for such vehicles (common practice, no source); none is a real type.

use crate::tables::fleet::{AirMetering, Injection};

/// One engine and body, shared by peers.
#[derive(Debug)]
pub(super) struct Family {
    pub(super) name: &'static str,
    pub(super) displacement_l: f64,
    pub(super) cylinders: usize,
    pub(super) banks: usize,
    pub(super) metering: AirMetering,
    pub(super) injection: Injection,
    pub(super) hybrid: bool,
    /// Sensor for the ethanol share: the engine computer then corrects for it.
    pub(super) ethanol_sensor: bool,
    pub(super) mass_kg: f64,
    /// Drag coefficient times frontal area, m².
    pub(super) drag_area_m2: f64,
    /// Speed at 1000 rpm in the highest gear, km/h.
    pub(super) top_gear_kmh: f64,
    pub(super) idle_rpm: f64,
    pub(super) tank_l: f64,
    /// What the mixture of this family does with ambient temperature, log-percent per 10 K: the part of
    /// the season that peers share.
    pub(super) season_pct_per_10k: f64,
}

/// Order matters: a small fleet uses the first few.
pub(super) const FAMILIES: [Family; 6] = [
    Family {
        name: "P16-inline4-port",
        displacement_l: 1.598,
        cylinders: 4,
        banks: 1,
        metering: AirMetering::Maf,
        injection: Injection::Port,
        hybrid: false,
        ethanol_sensor: false,
        mass_kg: 1450.0,
        drag_area_m2: 0.78,
        top_gear_kmh: 38.0,
        idle_rpm: 720.0,
        tank_l: 50.0,
        season_pct_per_10k: -0.6,
    },
    Family {
        name: "P30-vee6-port",
        displacement_l: 2.994,
        cylinders: 6,
        banks: 2,
        metering: AirMetering::Maf,
        injection: Injection::Port,
        hybrid: false,
        ethanol_sensor: true,
        mass_kg: 2250.0,
        drag_area_m2: 1.15,
        top_gear_kmh: 46.0,
        idle_rpm: 650.0,
        tank_l: 75.0,
        season_pct_per_10k: -0.4,
    },
    Family {
        name: "D20-inline4-direct",
        displacement_l: 1.995,
        cylinders: 4,
        banks: 1,
        metering: AirMetering::Maf,
        injection: Injection::Direct,
        hybrid: false,
        ethanol_sensor: false,
        mass_kg: 1750.0,
        drag_area_m2: 0.95,
        top_gear_kmh: 43.0,
        idle_rpm: 700.0,
        tank_l: 60.0,
        season_pct_per_10k: -0.3,
    },
    Family {
        name: "H18-inline4-hybrid-density",
        displacement_l: 1.797,
        cylinders: 4,
        banks: 1,
        metering: AirMetering::Map,
        injection: Injection::Port,
        hybrid: true,
        ethanol_sensor: false,
        mass_kg: 1500.0,
        drag_area_m2: 0.68,
        top_gear_kmh: 40.0,
        idle_rpm: 1000.0,
        tank_l: 43.0,
        season_pct_per_10k: -0.8,
    },
    Family {
        name: "S15-inline4-speed-density",
        displacement_l: 1.496,
        cylinders: 4,
        banks: 1,
        metering: AirMetering::Map,
        injection: Injection::Port,
        hybrid: false,
        ethanol_sensor: false,
        mass_kg: 1250.0,
        drag_area_m2: 0.72,
        top_gear_kmh: 36.0,
        idle_rpm: 750.0,
        tank_l: 42.0,
        // Charge temperature is estimated, not measured: a larger share of the season stays.
        season_pct_per_10k: -1.1,
    },
    Family {
        name: "P48-vee8-port",
        displacement_l: 4.788,
        cylinders: 8,
        banks: 2,
        metering: AirMetering::Maf,
        injection: Injection::Port,
        hybrid: false,
        ethanol_sensor: false,
        mass_kg: 2900.0,
        drag_area_m2: 1.45,
        top_gear_kmh: 55.0,
        idle_rpm: 620.0,
        tank_l: 95.0,
        season_pct_per_10k: -0.5,
    },
];

impl Family {
    /// Airflow of this engine at warm idle, g/s: friction of 138 kPa and 0.4 kW of accessories at an
    /// efficiency of 0.30, as the powertrain has it.
    pub(super) fn idle_air_gs(&self) -> f64 {
        let power_kw = 0.138 * self.displacement_l * self.idle_rpm / 120.0 + 0.4;
        power_kw / (0.30 * 43.0) * 14.2
    }

    /// Bank (0-based) of a cylinder (0-based): the first half of the cylinders sits on bank 1.
    pub(super) fn bank_of(&self, cylinder: usize) -> usize {
        cylinder * self.banks / self.cylinders
    }

    /// Cylinders per bank.
    pub(super) fn per_bank(&self) -> usize {
        self.cylinders / self.banks
    }
}
