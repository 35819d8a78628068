//! The plan: which vehicle is which, what is planted in it, which signals its logger records.
//!
//! In: settings, the fleet's random stream. Out: one [`Plan`] per vehicle; nothing is simulated here.

use super::climate::DEPOTS;
use super::families::{FAMILIES, Family};
use super::faults::{Effects, Fault};
use super::logger::Logger;
use super::random::{Rng, chance, normal, uniform};
use super::settings::{DemoSettings, Scenario};
use crate::tables::fleet::{AirMetering, Injection};
use crate::tables::samples::Signal;

/// A fault with its course.
#[derive(Debug, Clone, Copy)]
pub(super) struct Planted {
    pub(super) fault: Fault,
    /// Day index of the onset.
    pub(super) onset: usize,
    /// Growth of size per 10,000 km.
    pub(super) rate: f64,
    /// Size at the onset.
    pub(super) jump: f64,
    /// Day index of a cleaning that takes away nine tenths of the size; later growth is half as fast.
    pub(super) cleaned: Option<usize>,
}

/// What makes a vehicle special without being a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Trap {
    None,
    /// Joins so late that nothing can be said.
    TooLittleData,
    /// The battery is taken off half-way: everything learned is gone.
    BatteryReset,
    /// A large trim from the first day that never changes.
    OffsetFromNew,
    /// Buys fuel with more ethanol in the winter half-year.
    WinterFuel,
    /// Sound injectors are cleaned.
    FutileCleaning,
    /// The shown odometer falls back half-way: a new instrument.
    OdometerRollback,
}

impl Trap {
    pub(super) fn name(self) -> &'static str {
        match self {
            Trap::None => "none",
            Trap::TooLittleData => "too_little_data",
            Trap::BatteryReset => "battery_reset",
            Trap::OffsetFromNew => "offset_from_new",
            Trap::WinterFuel => "winter_fuel",
            Trap::FutileCleaning => "futile_cleaning",
            Trap::OdometerRollback => "odometer_rollback",
        }
    }
}

/// Signals that a logger lacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lacks {
    Nothing,
    FuelStatus,
    Odometer,
    /// Absolute load and manifold pressure only.
    Airflow,
    /// Manifold pressure only.
    AirflowAndLoad,
    PurgeAndMisfires,
}

/// All that is decided about a vehicle before it drives.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) name: String,
    pub(super) family: &'static Family,
    pub(super) depot: usize,
    pub(super) planted: Option<Planted>,
    pub(super) trap: Trap,
    pub(super) lacks: Lacks,
    /// Few columns, for a small file.
    pub(super) lean: bool,
    /// First day index with data.
    pub(super) joins: usize,
    pub(super) start_km: f64,
    pub(super) plugs_changed_km: f64,
    pub(super) km_per_day: f64,
    pub(super) urban: f64,
    /// Constant error of the vehicle, natural logarithm: level, and difference between banks.
    pub(super) level_log: [f64; 2],
    /// Standard deviation of trip means, natural logarithm.
    pub(super) trip_sd: f64,
    /// How strongly it follows the family's season, about 1.
    pub(super) season_gain: f64,
}

impl Plan {
    /// Effects on day `index` at `km` driven since new, when the onset was at `onset_km`.
    pub(super) fn size(
        &self,
        index: usize,
        km: f64,
        onset_km: Option<f64>,
        cleaned_km: Option<f64>,
    ) -> f64 {
        let (Some(planted), Some(onset)) = (self.planted, onset_km) else {
            return 0.0;
        };
        if index < planted.onset {
            return 0.0;
        }
        match cleaned_km {
            None => planted.jump + planted.rate * (km - onset) / 10_000.0,
            Some(cleaned) => {
                let before = planted.jump + planted.rate * (cleaned - onset) / 10_000.0;
                0.1 * before + 0.5 * planted.rate * (km - cleaned) / 10_000.0
            }
        }
    }

    pub(super) fn effects(&self, size: f64) -> Effects {
        let mut effects = Effects::default();
        if let Some(planted) = self.planted {
            planted.fault.apply(self.family, size, &mut effects);
        }
        effects
    }

    /// The logger this vehicle carries.
    pub(super) fn logger(&self) -> Logger {
        let family = self.family;
        Logger::new(|signal| {
            let misfire = (Signal::MisfireC1 as usize..).contains(&(signal as usize));
            let lean_too = matches!(
                signal,
                Signal::LoadPct
                    | Signal::BaroKpa
                    | Signal::IntakeC
                    | Signal::CmdEquiv
                    | Signal::FuelRateLh
                    | Signal::MinSinceClear
                    | Signal::ModuleV
                    | Signal::MapKpa
                    | Signal::EthanolPct
            );
            let fits = match signal {
                Signal::EgrPct => false,
                Signal::MafGs => family.metering == AirMetering::Maf,
                Signal::FuelRateLh => family.metering == AirMetering::Maf,
                Signal::Stft2Pct | Signal::Ltft2Pct => family.banks == 2,
                Signal::EthanolPct => family.ethanol_sensor,
                Signal::SocPct => family.hybrid,
                _ if misfire => (signal as usize - Signal::MisfireC1 as usize) < family.cylinders,
                _ => true,
            };
            let lacking = match self.lacks {
                Lacks::Nothing => false,
                Lacks::FuelStatus => matches!(signal, Signal::FuelStatus | Signal::CmdEquiv),
                Lacks::Odometer => signal == Signal::OdometerKm,
                Lacks::Airflow => matches!(signal, Signal::MafGs | Signal::FuelRateLh),
                Lacks::AirflowAndLoad => {
                    matches!(signal, Signal::MafGs | Signal::FuelRateLh | Signal::AbsLoadPct)
                }
                Lacks::PurgeAndMisfires => misfire || signal == Signal::PurgePct,
            };
            fits && !lacking && !(self.lean && lean_too)
        })
    }
}

/// Draws the plans of the fleet.
pub(super) fn draw(settings: &DemoSettings, rng: &mut Rng) -> Vec<Plan> {
    let families = match settings.scenario {
        Scenario::Sample => 2,
        // Six peers each, if there are enough vehicles.
        Scenario::Scaled => (settings.vehicles / 6).clamp(1, FAMILIES.len()),
    };
    let mut plans: Vec<Plan> = (0..settings.vehicles)
        .map(|index| ordinary(index, &FAMILIES[index % families], settings, rng))
        .collect();
    if !settings.healthy {
        match settings.scenario {
            Scenario::Scaled => plant_scaled(&mut plans, settings, rng),
            Scenario::Sample => plant_sample(&mut plans, settings, rng),
        }
    }
    plans
}

fn ordinary(index: usize, family: &'static Family, settings: &DemoSettings, rng: &mut Rng) -> Plan {
    // Spread between vehicles: sd about 2.5 %; trip means within one: 1 to 2.3 % (one healthy car's open
    // logs show 2.2 %).
    let level = 0.025 * normal(rng);
    let start_km = uniform(15_000.0, 140_000.0, rng).round();
    let lacks = match (index * 7 + 3) % 12 {
        1 => Lacks::FuelStatus,
        4 => Lacks::Odometer,
        6 => Lacks::Airflow,
        9 => Lacks::AirflowAndLoad,
        11 => Lacks::PurgeAndMisfires,
        _ => Lacks::Nothing,
    };
    let sample = settings.scenario == Scenario::Sample;
    Plan {
        name: format!("V-{:03}", index + 1),
        family,
        depot: index % DEPOTS.len(),
        planted: None,
        trap: Trap::None,
        lacks: if sample || settings.vehicles < 6 { Lacks::Nothing } else { lacks },
        lean: sample,
        joins: 0,
        start_km,
        plugs_changed_km: (start_km - uniform(2_000.0, 35_000.0, rng)).max(0.0).round(),
        km_per_day: settings.km_per_day * (0.22 * normal(rng)).clamp(-0.35, 0.35).exp(),
        urban: uniform(0.35, 0.7, rng),
        level_log: std::array::from_fn(|_| level + 0.006 * normal(rng)),
        trip_sd: uniform(0.010, 0.023, rng),
        season_gain: 1.0 + 0.2 * normal(rng),
    }
}

/// The order in which faults are handed out as a fleet grows.
fn menu(position: usize, rng: &mut Rng) -> Fault {
    match position % 10 {
        0 => Fault::InjectorsAll,
        1 => Fault::UnmeteredAir,
        2 => Fault::InjectorOne(rng_cylinder(rng)),
        3 => Fault::IntakeDeposits,
        4 => Fault::MeteringError,
        5 => Fault::WornPlugs,
        6 => Fault::SupplyDroop,
        7 => Fault::InjectorsBank(usize::from(chance(0.5, rng))),
        8 => Fault::ThrottleDeposits,
        _ => Fault::InjectorLeak(rng_cylinder(rng)),
    }
}

fn rng_cylinder(rng: &mut Rng) -> usize {
    uniform(0.0, 4.0, rng) as usize
}

fn suits(fault: Fault, family: &Family) -> bool {
    match fault {
        Fault::UnmeteredAir | Fault::HoseOff | Fault::MeteringError => {
            family.metering == AirMetering::Maf && !family.hybrid
        }
        Fault::InjectorsBank(_) => family.banks == 2,
        Fault::InjectorOne(_) => family.cylinders == 4 && family.injection == Injection::Port,
        Fault::IntakeDeposits => family.injection == Injection::Direct,
        // Hybrids hardly idle: neither an idle throttle nor an idle trim shows.
        Fault::ThrottleDeposits | Fault::InjectorLeak(_) => !family.hybrid,
        Fault::InjectorsAll | Fault::SupplyDroop | Fault::WornPlugs => true,
    }
}

/// The vehicle to plant in: of the families that suit, the one with the smallest planted share so far.
fn choose(plans: &[Plan], suits: impl Fn(&Family) -> bool, rng: &mut Rng) -> Option<usize> {
    let taken = |p: &Plan| p.planted.is_some() || p.trap != Trap::None;
    let burden = |family: &Family| {
        let peers: Vec<&Plan> = plans.iter().filter(|p| p.family.name == family.name).collect();
        // A fault takes a peer away from the family, a trap hardly does.
        let weight = |p: &&Plan| {
            if p.planted.is_some() {
                1.0
            } else if taken(p) {
                0.3
            } else {
                0.0
            }
        };
        peers.iter().map(weight).sum::<f64>() / peers.len() as f64
    };
    let free: Vec<usize> =
        (0..plans.len()).filter(|i| !taken(&plans[*i]) && suits(plans[*i].family)).collect();
    let least = free.iter().map(|i| burden(plans[*i].family)).fold(f64::INFINITY, f64::min);
    let best: Vec<usize> = free.into_iter().filter(|i| burden(plans[*i].family) <= least).collect();
    (!best.is_empty()).then(|| best[uniform(0.0, best.len() as f64, rng) as usize])
}

fn plant(plan: &mut Plan, fault: Fault, settings: &DemoSettings, rng: &mut Rng) {
    let (low, high) = fault.spec().rate;
    let onset = (uniform(0.22, 0.38, rng) * settings.days as f64) as usize;
    let jump = if fault == Fault::HoseOff { uniform(0.12, 0.17, rng) } else { 0.0 };
    plan.planted =
        Some(Planted { fault, onset, rate: uniform(low, high, rng), jump, cleaned: None });
    // Needs the signals in which it shows.
    plan.lacks = Lacks::Nothing;
    plan.km_per_day = plan.km_per_day.max(0.9 * settings.km_per_day);
    if fault == Fault::WornPlugs {
        // Past the 100,000 km of the longest-lived plugs (common practice, no source).
        plan.start_km = uniform(115_000.0, 150_000.0, rng).round();
        plan.plugs_changed_km = (plan.start_km - uniform(92_000.0, 105_000.0, rng)).round();
    }
}

fn trap(plan: &mut Plan, kind: Trap, settings: &DemoSettings) {
    plan.trap = kind;
    match kind {
        Trap::TooLittleData => plan.joins = settings.days.saturating_sub(24),
        Trap::OffsetFromNew => plan.level_log = plan.level_log.map(|l| -0.085 - 0.5 * l.abs()),
        _ => {}
    }
    if matches!(kind, Trap::OdometerRollback) {
        plan.lacks = Lacks::Nothing;
        plan.start_km = plan.start_km.max(60_000.0);
    }
}

fn plant_scaled(plans: &mut [Plan], settings: &DemoSettings, rng: &mut Rng) {
    let faulty = (settings.faulty_share * plans.len() as f64).round() as usize;
    let mut position = 0;
    let mut planted = 0;
    while planted < faulty && position < 20 * faulty {
        let fault = menu(position, rng);
        position += 1;
        if let Some(chosen) = choose(plans, |f| suits(fault, f), rng) {
            plant(&mut plans[chosen], fault, settings, rng);
            planted += 1;
        }
    }
    // Traps and workshop stories: one round for every 24 vehicles, cut short in small fleets.
    for turn in 0..plans.len() / 3 {
        let everywhere = |_: &Family| true;
        let chosen = match turn % 8 {
            0 | 4 => choose(plans, |f| turn % 8 == 0 || suits(Fault::HoseOff, f), rng),
            _ => choose(plans, everywhere, rng),
        };
        let Some(chosen) = chosen else { break };
        let plan = &mut plans[chosen];
        match turn % 8 {
            0 => trap(plan, Trap::TooLittleData, settings),
            1 => trap(plan, Trap::BatteryReset, settings),
            2 => clean_midway(plan, settings, rng),
            3 => trap(plan, Trap::OffsetFromNew, settings),
            4 => plant(plan, Fault::HoseOff, settings, rng),
            5 => trap(plan, Trap::FutileCleaning, settings),
            6 => trap(plan, Trap::WinterFuel, settings),
            _ => trap(plan, Trap::OdometerRollback, settings),
        }
    }
}

/// Restricted injectors from early on, cleaned after 55 % of the time.
fn clean_midway(plan: &mut Plan, settings: &DemoSettings, rng: &mut Rng) {
    plant(plan, Fault::InjectorsAll, settings, rng);
    if let Some(planted) = &mut plan.planted {
        planted.onset = settings.days / 12;
        planted.cleaned = Some(settings.days * 55 / 100);
    }
}

/// Even vehicles are four-cylinder, odd ones six-cylinder; three of six stay sound in each family.
fn plant_sample(plans: &mut [Plan], settings: &DemoSettings, rng: &mut Rng) {
    let faults = [
        (2, Fault::InjectorsAll),
        (5, Fault::UnmeteredAir),
        (6, Fault::InjectorOne(2)),
        (7, Fault::WornPlugs),
        (11, Fault::MeteringError),
    ];
    for (index, fault) in faults {
        if let Some(plan) = plans.get_mut(index) {
            plant(plan, fault, settings, rng);
        }
    }
    for (index, kind) in [(8, Trap::TooLittleData), (1, Trap::BatteryReset)] {
        if let Some(plan) = plans.get_mut(index) {
            trap(plan, kind, settings);
        }
    }
}
