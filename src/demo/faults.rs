//! Faults: what fouls, how it grows with distance, and what it does to fuel, air and spark.
//!
//! In: a fault, the distance since its onset. Out: [`Effects`], which the simulation applies to the fuel
//! that is delivered and the air that is measured. Trims are never touched here: they result.
//!
//! Scale: 40 CFR 80.165 lets a fuel pass if after 10,000 miles no injector is restricted by more than 5 %
//! (ASTM D5598), that is 3.1 % per 10,000 km; the planted rates are one to two times that.

use super::families::Family;
use crate::tables::samples::MAX_CYLINDERS;

/// What is wrong; banks and cylinders count from 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Fault {
    /// All injectors pass less fuel: size is the share of flow lost.
    InjectorsAll,
    /// The injectors of one bank do.
    InjectorsBank(usize),
    /// One injector does.
    InjectorOne(usize),
    /// One injector drips: size is fuel in g/s, whatever the engine does.
    InjectorLeak(usize),
    /// Air enters behind the airflow sensor: size is g/s while the flow is choked.
    UnmeteredAir,
    /// The same, but all at once: a hose that came off.
    HoseOff,
    /// Fuel pressure falls as fuel flows: size is the share of pressure lost at rated flow.
    SupplyDroop,
    /// The airflow sensor reads low: size is the share missing at ten times idle airflow.
    MeteringError,
    /// Intake ports and valves carry deposits: size 1 costs a tenth of the air at high load.
    IntakeDeposits,
    /// The throttle plate carries deposits: size is the share of the idle opening that is blocked.
    ThrottleDeposits,
    /// Spark plugs are worn: size is misfires per 1000 firings at full load.
    WornPlugs,
}

/// How a fault shows to the simulation; the neutral value does nothing.
#[derive(Debug, Clone)]
pub(super) struct Effects {
    /// Flow of each injector against new.
    pub(super) flow: [f64; MAX_CYLINDERS],
    /// Dripping fuel, g/s, per bank.
    pub(super) drip_gs: [f64; 2],
    /// Unmetered air while choked, g/s.
    pub(super) leak_gs: f64,
    /// Share of fuel pressure lost at rated flow.
    pub(super) droop: f64,
    /// Share of airflow the sensor misses at ten times idle airflow.
    pub(super) meter_low: f64,
    /// Share of air lost at high load.
    pub(super) breathing: f64,
    /// Share of fuel that cold deposits soak up.
    pub(super) soak: f64,
    /// Misfires per firing of a cold engine from deposits.
    pub(super) cold_misfire: f64,
    /// Share of the idle throttle opening that is blocked.
    pub(super) throttle_blocked: f64,
    /// Misfires per firing at full load from worn plugs.
    pub(super) plug_misfire: f64,
}

impl Default for Effects {
    fn default() -> Self {
        Effects {
            flow: [1.0; MAX_CYLINDERS],
            drip_gs: [0.0; 2],
            leak_gs: 0.0,
            droop: 0.0,
            meter_low: 0.0,
            breathing: 0.0,
            soak: 0.0,
            cold_misfire: 0.0,
            throttle_blocked: 0.0,
            plug_misfire: 0.0,
        }
    }
}

/// The words and numbers with which a fault stands in the truth table.
#[derive(Debug)]
pub(super) struct FaultSpec {
    pub(super) name: &'static str,
    /// Unit of size.
    pub(super) unit: &'static str,
    /// Lowest and highest growth of size per 10,000 km.
    pub(super) rate: (f64, f64),
    pub(super) action: &'static str,
    /// What to see in the logs, one phrase.
    pub(super) sign: &'static str,
}

impl Fault {
    /// Name, unit, growth and expected work.
    pub(super) fn spec(self) -> FaultSpec {
        let spec = |name, unit, rate, action, sign| FaultSpec { name, unit, rate, action, sign };
        match self {
            Fault::InjectorsAll => spec(
                "injectors_all",
                "share of flow lost",
                (0.042, 0.060),
                "injector_cleaning",
                "trims rise alike at idle, cruise and load on every bank",
            ),
            Fault::InjectorsBank(_) => spec(
                "injectors_bank",
                "share of flow lost",
                (0.042, 0.060),
                "injector_cleaning",
                "trims rise alike at idle, cruise and load on one bank only",
            ),
            Fault::InjectorOne(_) => spec(
                "injector_one",
                "share of flow lost",
                (0.050, 0.065),
                "injector_cleaning",
                "trims rise a little; one cylinder misfires, cold more than warm",
            ),
            Fault::InjectorLeak(_) => spec(
                "injector_leak",
                "g/s of fuel",
                (0.0030, 0.0045),
                "injector_cleaning",
                "trims fall below zero, most at idle",
            ),
            Fault::UnmeteredAir => spec(
                "unmetered_air",
                "g/s of choked air per litre",
                (0.045, 0.065),
                "check_air_leak",
                "trims rise at idle and fade as airflow rises",
            ),
            Fault::HoseOff => spec(
                "hose_off",
                "g/s of choked air per litre",
                (0.0, 0.0),
                "check_air_leak",
                "trims jump at idle within one day and stay",
            ),
            Fault::SupplyDroop => spec(
                "supply_droop",
                "share of pressure lost at rated flow",
                (0.075, 0.10),
                "check_fuel_supply",
                "trims rise with airflow, little at idle",
            ),
            Fault::MeteringError => spec(
                "metering_error",
                "share of airflow missed at ten times idle",
                (0.040, 0.058),
                "check_airflow_sensor",
                "trims rise with the logarithm of airflow, banks alike; logged airflow and fuel rate read low",
            ),
            Fault::IntakeDeposits => spec(
                "intake_deposits",
                "tenths of air lost at high load",
                (0.33, 0.45),
                "intake_cleaning",
                "less air at full throttle, lean while warming up, cold misfires, idle throttle opens a little",
            ),
            Fault::ThrottleDeposits => spec(
                "throttle_deposits",
                "share of idle opening blocked",
                (0.12, 0.18),
                "intake_cleaning",
                "idle throttle angle creeps up, trims stay",
            ),
            Fault::WornPlugs => spec(
                "worn_plugs",
                "misfires per 1000 firings at full load",
                (2.5, 4.0),
                "check_ignition",
                "misfires on all cylinders under load when warm, plugs past their distance",
            ),
        }
    }

    /// Adds a fault of the given size to `effects`.
    pub(super) fn apply(self, family: &Family, size: f64, effects: &mut Effects) {
        let size = size.max(0.0);
        let mut restrict = |cylinder: usize| {
            // Half the flow is left at worst: a spray that poor stops the cylinder anyway.
            effects.flow[cylinder] *= (1.0 - size).max(0.5);
        };
        match self {
            Fault::InjectorsAll => (0..family.cylinders).for_each(&mut restrict),
            Fault::InjectorsBank(bank) => {
                (0..family.cylinders)
                    .filter(|c| family.bank_of(*c) == bank)
                    .for_each(&mut restrict);
            }
            Fault::InjectorOne(cylinder) => restrict(cylinder),
            Fault::InjectorLeak(cylinder) => effects.drip_gs[family.bank_of(cylinder)] += size,
            Fault::UnmeteredAir | Fault::HoseOff => effects.leak_gs += size * family.displacement_l,
            Fault::SupplyDroop => effects.droop += size.min(0.6),
            Fault::MeteringError => effects.meter_low += size.min(0.4),
            Fault::IntakeDeposits => {
                let size = size.min(2.5);
                effects.breathing += 0.10 * size;
                effects.soak += 0.09 * size;
                effects.cold_misfire += 6e-4 * size;
                effects.throttle_blocked += 0.08 * size;
            }
            Fault::ThrottleDeposits => effects.throttle_blocked += size.min(0.8),
            Fault::WornPlugs => effects.plug_misfire += size / 1000.0,
        }
    }
}
