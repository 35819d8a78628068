//! Faults: how they grow with distance and what they do to trims, air, spark and fuel.
//!
//! Severity is in percent: for a fault of the mixture, what it adds to the trim in the band and bank where
//! it is strongest; for the others an equivalent (see [`FaultKind`]). Shapes vary from vehicle to vehicle,
//! so that no ideal shape is ever exactly true.

use super::engine::Engine;
use super::random::{Rng, chance, uniform};
use crate::tables::findings::{Action, Cause};
use crate::tables::fleet::{AirMetering, Injection, Service};

/// Critical pressure ratio of air, (2 / (g + 1))^(g / (g - 1)) with g = 1.4: below it a leak is choked.
const CRITICAL_RATIO: f64 = 0.528_282;

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum FaultKind {
    /// All injectors pass less fuel.
    InjectorsAll,
    /// Those of one bank do.
    InjectorsBank,
    /// One injector does: severity 1 is 2 % of its flow, and its cylinder misfires beyond 8 %.
    InjectorOne,
    /// A leak behind the airflow sensor that grows.
    AirLeak,
    /// A hose that comes off: all at once.
    HoseOff,
    /// Fuel pressure that falls as fuel is drawn.
    SupplyDroop,
    /// An airflow sensor that reads wrong.
    MeteringError,
    /// Deposits on valves and ports: severity 1 is 1 % of the air at full load.
    IntakeDeposits,
    /// Deposits on the throttle: severity 1 is 0.25 % of idle opening.
    ThrottleDeposits,
    /// Worn plugs or a weak coil: severity 6 is 3 misfires per 1,000 revolutions.
    WornIgnition,
    /// An injector that drips or does not close.
    LeakingInjector,
}

impl FaultKind {
    /// All kinds.
    pub(crate) const ALL: [FaultKind; 11] = [
        FaultKind::InjectorsAll,
        FaultKind::InjectorsBank,
        FaultKind::InjectorOne,
        FaultKind::AirLeak,
        FaultKind::HoseOff,
        FaultKind::SupplyDroop,
        FaultKind::MeteringError,
        FaultKind::IntakeDeposits,
        FaultKind::ThrottleDeposits,
        FaultKind::WornIgnition,
        FaultKind::LeakingInjector,
    ];

    /// Name in tables.
    pub(crate) fn name(self) -> &'static str {
        match self {
            FaultKind::InjectorsAll => "injectors, all",
            FaultKind::InjectorsBank => "injectors, one bank",
            FaultKind::InjectorOne => "one injector",
            FaultKind::AirLeak => "air leak, growing",
            FaultKind::HoseOff => "hose off, sudden",
            FaultKind::SupplyDroop => "supply droop",
            FaultKind::MeteringError => "metering error",
            FaultKind::IntakeDeposits => "intake deposits",
            FaultKind::ThrottleDeposits => "throttle deposits",
            FaultKind::WornIgnition => "worn ignition",
            FaultKind::LeakingInjector => "leaking injector",
        }
    }

    /// The work that is right for it.
    pub(crate) fn action(self) -> Action {
        match self {
            FaultKind::InjectorsAll
            | FaultKind::InjectorsBank
            | FaultKind::InjectorOne
            | FaultKind::LeakingInjector => Action::InjectorCleaning,
            FaultKind::AirLeak | FaultKind::HoseOff => Action::CheckAirLeak,
            FaultKind::SupplyDroop => Action::CheckFuelSupply,
            FaultKind::MeteringError => Action::CheckAirflowSensor,
            FaultKind::IntakeDeposits | FaultKind::ThrottleDeposits => Action::IntakeCleaning,
            FaultKind::WornIgnition => Action::CheckIgnition,
        }
    }

    /// The cause that the analysis should name.
    pub(crate) fn cause(self) -> Cause {
        match self {
            FaultKind::InjectorsAll | FaultKind::InjectorsBank | FaultKind::InjectorOne => {
                Cause::RestrictedInjectors
            }
            FaultKind::AirLeak | FaultKind::HoseOff => Cause::UnmeteredAir,
            FaultKind::SupplyDroop => Cause::SupplyDroop,
            FaultKind::MeteringError => Cause::MeteringError,
            FaultKind::IntakeDeposits => Cause::IntakeDeposits,
            FaultKind::ThrottleDeposits => Cause::ThrottleDeposits,
            FaultKind::WornIgnition => Cause::WornIgnition,
            FaultKind::LeakingInjector => Cause::LeakingInjector,
        }
    }

    /// The kind of recorded work that takes it away; `None` where none does, or where it is all or nothing.
    pub(super) fn cure(self) -> Option<Service> {
        match self {
            FaultKind::InjectorsAll
            | FaultKind::InjectorsBank
            | FaultKind::InjectorOne
            | FaultKind::LeakingInjector => Some(Service::InjectorCleaning),
            FaultKind::SupplyDroop => Some(Service::FuelFilter),
            FaultKind::MeteringError => Some(Service::AirflowSensorCleaning),
            FaultKind::IntakeDeposits => Some(Service::IntakeCleaning),
            FaultKind::ThrottleDeposits => Some(Service::ThrottleCleaning),
            FaultKind::WornIgnition => Some(Service::SparkPlugs),
            FaultKind::AirLeak | FaultKind::HoseOff => None,
        }
    }

    /// Whether the airflow that the logs tell, and a fuel figure worked out from it, hide what it costs.
    pub(crate) fn misleads_airflow(self) -> bool {
        matches!(self, FaultKind::MeteringError | FaultKind::AirLeak | FaultKind::HoseOff)
    }

    /// Whether it shows as a growing change of the trim.
    pub(crate) fn drifts_in_trim(self) -> bool {
        !matches!(
            self,
            FaultKind::HoseOff
                | FaultKind::IntakeDeposits
                | FaultKind::ThrottleDeposits
                | FaultKind::WornIgnition
        )
    }

    /// How often a vehicle of this make gets it, against the other kinds; nought where it cannot show.
    fn frequency(self, engine: &Engine) -> f64 {
        let metered = engine.air == AirMetering::Maf;
        let direct = engine.injection == Injection::Direct;
        if engine.single_series {
            return if self == FaultKind::InjectorsAll { 1.0 } else { 0.0 };
        }
        match self {
            FaultKind::InjectorsAll => 0.20,
            FaultKind::InjectorsBank if engine.banks == 2 => 0.10,
            FaultKind::InjectorOne => 0.12,
            // A speed-density engine measures any air that enters the manifold.
            FaultKind::AirLeak if metered => 0.11,
            FaultKind::HoseOff if metered => 0.05,
            FaultKind::SupplyDroop => 0.11,
            FaultKind::MeteringError if metered => 0.11,
            FaultKind::IntakeDeposits if direct => 0.14,
            FaultKind::IntakeDeposits => 0.06,
            FaultKind::ThrottleDeposits if !engine.hybrid => 0.06,
            FaultKind::WornIgnition if engine.counts_misfires => 0.11,
            FaultKind::LeakingInjector => 0.05,
            _ => 0.0,
        }
    }
}

/// A fault of one vehicle.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Fault {
    pub(crate) kind: FaultKind,
    /// First day.
    pub(crate) onset: i32,
    /// Growth, percent of severity per 10,000 km; the whole severity of a sudden fault.
    pub(crate) rate: f64,
    /// Bank (0 or 1) if it is on one bank only.
    pub(crate) bank: Option<usize>,
    /// Cylinder (from 0) that it is on or that suffers most.
    pub(crate) cylinder: usize,
    /// 1 if the trim must rise, -1 if it must fall.
    pub(crate) sign: f64,
    /// How far the shape departs from its ideal; meaning by kind.
    bend: f64,
    /// Airflow at idle and at load where severity is defined, multiples of nominal idle airflow.
    reference_m: (f64, f64),
    cylinders_per_bank: usize,
    /// Air is measured by a sensor before the throttle.
    metered: bool,
}

impl Fault {
    /// Draws a fault for a vehicle with the given usual airflow at idle and load.
    pub(super) fn draw(
        engine: &Engine,
        rate: (f64, f64),
        onset: i32,
        reference_m: (f64, f64),
        rng: &mut Rng,
    ) -> Fault {
        let total: f64 = FaultKind::ALL.iter().map(|k| k.frequency(engine)).sum();
        let mut at = uniform(0.0, total, rng);
        let mut kind = FaultKind::InjectorsAll;
        for k in FaultKind::ALL {
            if k.frequency(engine) > 0.0 {
                kind = k;
            }
            at -= k.frequency(engine);
            if at < 0.0 {
                break;
            }
        }
        let cylinder = uniform(0.0, engine.cylinders as f64, rng) as usize % engine.cylinders;
        let own_bank = cylinder % engine.banks;
        let one_bank = match kind {
            FaultKind::InjectorsBank | FaultKind::InjectorOne | FaultKind::LeakingInjector => true,
            FaultKind::AirLeak | FaultKind::HoseOff => chance(0.3, rng),
            _ => false,
        };
        let bend = uniform(0.0, 1.0, rng);
        let growing = uniform(rate.0, rate.1, rng);
        let sudden = uniform(9.0, 20.0, rng);
        let reads_high = chance(0.2, rng);
        Fault {
            kind,
            onset,
            rate: if kind == FaultKind::HoseOff { sudden } else { growing },
            bank: (one_bank && engine.banks == 2).then_some(own_bank),
            cylinder,
            sign: match kind {
                FaultKind::LeakingInjector => -1.0,
                FaultKind::MeteringError if reads_high => -1.0,
                _ => 1.0,
            },
            bend,
            reference_m,
            cylinders_per_bank: engine.cylinders_per_bank(),
            metered: engine.air == AirMetering::Maf,
        }
    }

    /// Severity after `km` since the onset, percent.
    pub(super) fn severity(&self, km: f64) -> f64 {
        if self.kind == FaultKind::HoseOff { self.rate } else { self.rate * km / 10_000.0 }
    }

    /// What it adds to the total trim of `bank` at airflow `m`, log-percent.
    pub(super) fn trim(&self, severity: f64, bank: usize, m: f64) -> f64 {
        if self.bank.is_some_and(|b| b != bank) || severity <= 0.0 {
            return 0.0;
        }
        let (idle, load) = self.reference_m;
        match self.kind {
            // Short pulses at low flow suffer a little more, or less.
            FaultKind::InjectorsAll | FaultKind::InjectorsBank => {
                let tilt = 1.0 + 0.16 * (self.bend - 0.5) * (m / 3.0).ln();
                severity * tilt
            }
            // A correction of r / (1 - r) on one of n cylinders is seen as its mean.
            FaultKind::InjectorOne => {
                let r = (severity * 0.02).min(0.9);
                100.0 * (1.0 + r / (1.0 - r) / self.cylinders_per_bank as f64).ln()
            }
            FaultKind::AirLeak | FaultKind::HoseOff => {
                let leak = idle * ((severity / 100.0).exp() - 1.0) / choking(idle, self.bend);
                100.0 * (1.0 + leak * choking(m, self.bend) / m).ln()
            }
            // Flow goes with the root of pressure; pressure falls with the 1.5th to 2nd power of what is drawn.
            FaultKind::SupplyDroop => {
                let lost = 1.0 - (-severity / 50.0).exp();
                let here = (lost * (m / load).powf(1.5 + 0.5 * self.bend)).min(0.9);
                -50.0 * (1.0 - here).ln()
            }
            FaultKind::MeteringError => {
                let floor = 0.5 * (self.bend - 0.2);
                let slope = (m.max(0.5) / idle).ln() / (load / idle).ln();
                self.sign * severity * (floor + (1.0 - floor) * slope)
            }
            FaultKind::IntakeDeposits if self.metered => 0.15 * (self.bend - 0.5) * severity,
            // Pressure in the manifold promises air that the ports do not let through, most of it at load.
            FaultKind::IntakeDeposits => -(0.2 + 0.6 * self.bend) * severity * m / load,
            FaultKind::ThrottleDeposits => 0.0,
            // Oxygen of a missed firing passes for a lean mixture.
            FaultKind::WornIgnition => 0.05 * ignition_misfires(severity) * self.bend,
            // Either a drip, the same whatever the engine draws, or a needle that stays open.
            FaultKind::LeakingInjector if self.bend < 0.6 => {
                let drip = idle * (1.0 - (-severity / 100.0).exp());
                100.0 * (1.0 - (drip / m).min(0.6)).ln()
            }
            FaultKind::LeakingInjector => -severity,
        }
    }

    /// Change of throttle angle at idle, percent of opening.
    pub(super) fn idle_throttle(&self, severity: f64) -> f64 {
        match self.kind {
            FaultKind::ThrottleDeposits => 0.25 * severity,
            FaultKind::IntakeDeposits => 0.05 * self.bend * severity,
            // The engine gets the rest of its idle air elsewhere.
            FaultKind::AirLeak | FaultKind::HoseOff => -0.04 * severity * (0.3 + self.bend),
            _ => 0.0,
        }
    }

    /// Change of the reading of air near full throttle, percent of its level.
    pub(super) fn breathing(&self, severity: f64, from_sensor: bool) -> f64 {
        match self.kind {
            // Without a sensor the air is worked out from the pressure before the deposits.
            FaultKind::IntakeDeposits if from_sensor => -severity,
            FaultKind::MeteringError if from_sensor => -self.sign * severity,
            _ => 0.0,
        }
    }

    /// Change of the trim gap between warm-up and hot running, log-percent.
    pub(super) fn warmup_gap(&self, severity: f64) -> f64 {
        match self.kind {
            FaultKind::IntakeDeposits => severity * (0.4 + 0.6 * self.bend),
            _ => 0.0,
        }
    }

    /// Added misfires per 1,000 revolutions: warm, cold, and how much of them is on [`Fault::cylinder`].
    pub(crate) fn misfires(&self, severity: f64) -> (f64, f64, f64) {
        match self.kind {
            FaultKind::WornIgnition => {
                let rate = ignition_misfires(severity);
                // One coil in a third of the cases, all plugs alike in the rest.
                (rate, 0.7 * rate, if self.bend > 0.67 { 0.95 } else { 0.3 })
            }
            FaultKind::InjectorOne => {
                // Common practice, no source: 8 to 10 % in one injector can be enough for a misfire.
                let beyond = (2.0 * severity - 8.0).max(0.0);
                (0.15 * beyond, 0.3 * beyond, 1.0)
            }
            FaultKind::IntakeDeposits => (0.0, 0.25 * self.bend * severity, 0.25),
            FaultKind::LeakingInjector => (0.0, 0.08 * severity, 1.0),
            _ => (0.0, 0.0, 0.0),
        }
    }

    /// Effect on the fuel really burnt per km at a severity of 1 %, percent: closed loop corrects the mixture,
    /// so only lost firings and lost breath cost fuel.
    pub(super) fn economy_per_severity(&self) -> f64 {
        match self.kind {
            FaultKind::WornIgnition => 0.15,
            FaultKind::IntakeDeposits => 0.12,
            _ => 0.0,
        }
    }

    /// Factor on a fuel figure computed from airflow: a leak and a sensor that reads low hide fuel.
    pub(super) fn fuel_reading(&self, trim: f64) -> f64 {
        match self.kind {
            FaultKind::MeteringError | FaultKind::AirLeak | FaultKind::HoseOff => {
                (-trim / 100.0).exp()
            }
            _ => 1.0,
        }
    }
}

fn ignition_misfires(severity: f64) -> f64 {
    3.0 * (severity / 6.0).powf(1.5)
}

/// Share of its choked flow that a leak into the manifold passes at airflow `m`.
///
/// Manifold pressure over ambient rises from about 0.33 at idle to about 0.95 near full load; above the
/// critical ratio the flow falls as the isentropic flow function does (mass balance and gas dynamics,
/// ISO 5167's expansibility left out).
fn choking(m: f64, bend: f64) -> f64 {
    let ratio = (0.28 + 0.1 * bend + 0.62 * (m / 12.0)).clamp(0.28, 0.97);
    if ratio <= CRITICAL_RATIO {
        return 1.0;
    }
    let flow = |r: f64| (r.powf(2.0 / 1.4) - r.powf(2.4 / 1.4)).sqrt();
    flow(ratio) / flow(CRITICAL_RATIO)
}

#[cfg(test)]
mod tests {
    use super::super::random::stream;
    use super::*;

    fn fault(kind: FaultKind, bend: f64) -> Fault {
        Fault {
            kind,
            onset: 0,
            rate: 4.0,
            bank: None,
            cylinder: 0,
            sign: 1.0,
            bend,
            reference_m: (1.0, 9.0),
            cylinders_per_bank: 4,
            metered: true,
        }
    }

    #[test]
    fn severity_is_the_trim_where_the_fault_is_strongest() {
        for (kind, m) in [
            (FaultKind::AirLeak, 1.0),
            (FaultKind::SupplyDroop, 9.0),
            (FaultKind::MeteringError, 9.0),
            (FaultKind::InjectorsAll, 3.0),
        ] {
            for bend in [0.0, 0.5, 1.0] {
                assert!((fault(kind, bend).trim(8.0, 0, m) - 8.0).abs() < 1e-9, "{kind:?}");
            }
        }
    }

    #[test]
    fn a_choked_leak_adds_what_mass_balance_says() {
        // checks `air-unmetered-pattern`: 1 g/s behind the sensor, 33.33 % at 3 g/s and 10 % at 10 g/s while choked.
        let leak = fault(FaultKind::AirLeak, 0.0);
        let severity = 100.0 * (1.0f64 + 1.0 / 3.0).ln();
        let percent = |y: f64| 100.0 * ((y / 100.0).exp() - 1.0);
        assert!((percent(leak.trim(severity, 0, 1.0)) - 33.333_333).abs() < 1e-5);
        assert!((percent(leak.trim(severity, 0, 10.0 / 3.0)) - 10.0).abs() < 1e-5);
        assert!(percent(leak.trim(severity, 0, 12.0)) < 33.3 / 12.0);
    }

    #[test]
    fn a_fall_of_pressure_takes_the_root_of_the_flow() {
        // checks `fuel-orifice`: flow 91.287093 at 2.5 bar against 100 at 3 bar.
        let severity = -100.0 * (0.912_870_93f64).ln();
        let droop = fault(FaultKind::SupplyDroop, 1.0);
        assert!((droop.trim(severity, 0, 9.0) - severity).abs() < 1e-9);
        // Twice the pressure loss law: at 9 / sqrt(2) a square law loses half the pressure, 2.75 bar.
        let half = -100.0 * (2.75f64 / 3.0).sqrt().ln();
        assert!((droop.trim(severity, 0, 9.0 / 2f64.sqrt()) - half).abs() < 1e-6);
    }

    #[test]
    fn one_injector_of_four_is_seen_as_its_mean() {
        // checks `fuel-trim-composition`: a flow loss of 10 % needs 11.111 %; one of four shows a quarter.
        let y = fault(FaultKind::InjectorOne, 0.5).trim(5.0, 0, 3.0);
        assert!((100.0 * ((y / 100.0).exp() - 1.0) - 11.111_111 / 4.0).abs() < 1e-5);
    }

    #[test]
    fn a_fault_is_never_drawn_where_it_cannot_show() {
        let mut rng = stream(3, None, 0);
        for i in 0..300 {
            let engine = Engine::draw(i, false, &mut rng);
            let f = Fault::draw(&engine, (2.0, 8.0), 0, (1.0, 9.0), &mut rng);
            assert!(f.kind.frequency(&engine) > 0.0, "{:?} {engine:?}", f.kind);
            assert!(f.bank.is_none() || engine.banks == 2);
        }
    }
}
