//! The posterior over causes: priors, and what each witness adds.
//!
//! Every witness is a log-likelihood per cause, so the contributions that the report shows add up to
//! the posterior. Priors and tables are the trade's common practice, no source, unless one is named;
//! `trimdrift trial` measures how well the stated probabilities are calibrated.

use super::shape::{Banks, Change, Fault, Seen, Shape, Sizes, log_likelihood, log_sum_exp};
use crate::tables::findings::{Cause, CauseWeight, Estimate, MisfireFinding};
use crate::tables::fleet::{AirMetering, Injection, Vehicle};

/// What the witnesses saw of one vehicle.
pub(super) struct Witnesses<'a> {
    pub(super) vehicle: &'a Vehicle,
    /// Changes by bank, of bands and of slopes within drives, with covariance (row-major).
    pub(super) changes: &'a [Change],
    pub(super) covariance: &'a [f64],
    /// Change of the idle throttle angle, percent.
    pub(super) idle_throttle: Estimate,
    /// Change of breathing, percent of displacement.
    pub(super) breathing: Estimate,
    /// Breathing was computed from the airflow sensor, and so shares its error.
    pub(super) breathing_from_sensor: bool,
    /// Change of the trim gap between warm-up and hot running, log-percent.
    pub(super) warmup_gap: Estimate,
    pub(super) misfires: Option<&'a MisfireFinding>,
    /// A test of the warm mixture has found a change, or it stands near its limit.
    pub(super) mixture_changed: bool,
    /// The test of the throttle at idle has found it to open further.
    pub(super) throttle_opens: bool,
    /// The test of the air at full load has found it to fall.
    pub(super) breathing_falls: bool,
    /// Distance since the plugs were changed, km, if known.
    pub(super) plug_km: Option<f64>,
    pub(super) plug_life_km: f64,
    /// Days since each cause's own cure was last carried out, if it was.
    pub(super) cured_days_ago: &'a dyn Fn(Cause) -> Option<i32>,
}

/// Days over which a carried-out cure makes its cause less likely.
const CURE_DAYS: i32 = 120;

/// The posterior over causes, most likely first.
pub(super) fn posterior(w: &Witnesses<'_>) -> Vec<CauseWeight> {
    let mut weights: Vec<CauseWeight> = Cause::ALL
        .into_iter()
        .map(|cause| {
            let contributions = vec![
                ("how common it is in this kind of engine", prior(cause, w.vehicle).ln()),
                ("change of trim over airflow and banks", held_shape(cause, w)),
                ("what the tests have found", found(cause, w).ln()),
                ("pattern of misfires", misfire_pattern(cause, w).ln()),
                ("throttle angle at idle", idle_throttle(cause, w)),
                ("air taken in at full load", breathing(cause, w)),
                ("extra fuel while warming up", warmup_gap(cause, w)),
                ("distance on the spark plugs", plugs(cause, w).ln()),
                ("work done before", history(cause, w).ln()),
            ];
            CauseWeight { cause, probability: 0.0, contributions }
        })
        .collect();
    let scores: Vec<f64> =
        weights.iter().map(|c| c.contributions.iter().map(|x| x.1).sum()).collect();
    let total = log_sum_exp(&scores);
    for (weight, score) in weights.iter_mut().zip(scores) {
        weight.probability = (score - total).exp();
    }
    weights.sort_by(|a, b| b.probability.total_cmp(&a.probability).then(a.cause.cmp(&b.cause)));
    weights
}

/// Prior by kind of engine: the spray of port injectors washes the valves, that of direct ones does not;
/// a speed-density engine measures any air that enters the manifold.
fn prior(cause: Cause, vehicle: &Vehicle) -> f64 {
    let direct = vehicle.injection == Injection::Direct;
    let sensor = vehicle.air_metering == AirMetering::Maf;
    match cause {
        Cause::RestrictedInjectors => {
            if direct {
                0.25
            } else {
                0.35
            }
        }
        Cause::UnmeteredAir => {
            if sensor {
                0.15
            } else {
                0.03
            }
        }
        Cause::SupplyDroop => 0.10,
        Cause::MeteringError => {
            if sensor {
                0.12
            } else {
                0.04
            }
        }
        Cause::IntakeDeposits => {
            if direct {
                0.20
            } else {
                0.08
            }
        }
        Cause::ThrottleDeposits => 0.06,
        Cause::WornIgnition => 0.12,
        Cause::LeakingInjector => 0.04,
        Cause::Unexplained => 0.02,
    }
}

/// Share of restricted injectors with misfires on one cylinder where that injector alone is restricted (own judgement,
/// no source).
const ONE_MISFIRES: f64 = 0.8;

/// Share of the flags of the mixture's tests that the causes which leave the mixture alone are taken to have raised, by
/// chance (own judgement, no source).
const FLAT_FOUND: f64 = 0.2;

/// The same for the throttle and for breathing, whose share of the budget is a tenth of that of the mixture.
const SIDE_FOUND: f64 = 0.05;

/// A change that was found speaks against causes that do not make one.
fn found(cause: Cause, w: &Witnesses<'_>) -> f64 {
    let sensor = w.vehicle.air_metering == AirMetering::Maf && cause == Cause::MeteringError;
    let throttle = matches!(cause, Cause::ThrottleDeposits | Cause::IntakeDeposits) || sensor;
    let breathing = cause == Cause::IntakeDeposits || sensor;
    let against = |found: bool, makes: bool, share: f64| if found && !makes { share } else { 1.0 };
    against(w.mixture_changed, !is_flat(cause, w.vehicle), FLAT_FOUND)
        * against(w.throttle_opens, throttle, SIDE_FOUND)
        * against(w.breathing_falls, breathing, SIDE_FOUND)
}

/// Whether a cause leaves the warm mixture about as it was.
fn is_flat(cause: Cause, vehicle: &Vehicle) -> bool {
    matches!(
        (cause, vehicle.air_metering),
        (Cause::ThrottleDeposits | Cause::WornIgnition, _)
            | (Cause::IntakeDeposits, AirMetering::Maf)
            | (Cause::UnmeteredAir, AirMetering::Map)
    )
}

/// Most that the shape may speak for a cause, nats, where no test of the mixture has found a change: as much as the
/// evidence from which a vehicle is watched (own judgement, no source).
const UNFOUND_NATS: f64 = 3.0;

/// What the shape says of a cause.
fn held_shape(cause: Cause, w: &Witnesses<'_>) -> f64 {
    let shape = trim_shape(cause, w);
    if w.mixture_changed {
        return shape;
    }
    let flat = trim_shape(Cause::WornIgnition, w);
    if shape < flat + UNFOUND_NATS { shape } else { flat + UNFOUND_NATS }
}

/// Likelihood of the changes by band under the mixture that a cause makes.
fn trim_shape(cause: Cause, w: &Witnesses<'_>) -> f64 {
    if w.changes.is_empty() {
        return 0.0;
    }
    let two_banks = w.changes.iter().any(|c| c.bank == 1);
    let of = |fault| log_likelihood(w.changes, w.covariance, fault);
    let at = |shape, banks, sign| of(Fault::new(shape, banks, sign));
    let one_bank = |fault: Fault| {
        if !two_banks {
            return of(fault);
        }
        let banks = [0, 1].map(|bank| of(Fault { banks: Banks::One(bank), ..fault }));
        log_sum_exp(&banks) - 2.0f64.ln()
    };
    // A fault of one cylinder or gasket is on one bank; one upstream of the fork is on both.
    let one_or_both = |shape, sign, both: f64| {
        let fault = Fault::new(shape, Banks::All, sign);
        let all = of(fault);
        if !two_banks {
            return all;
        }
        log_sum_exp(&[both.ln() + all, (1.0 - both).ln() + one_bank(fault)])
    };
    match cause {
        Cause::RestrictedInjectors => {
            let any = one_or_both(Shape::Restriction, 1.0, 0.6);
            if w.misfires.is_none_or(|m| !m.stands || m.cylinder.is_none()) {
                return any;
            }
            let in_bank = w.vehicle.cylinders.div_ceil(w.vehicle.banks.max(1)).max(1);
            let sizes = Sizes::OneInjectorOf(in_bank);
            let one = one_bank(Fault { sizes, ..Fault::new(Shape::Restriction, Banks::All, 1.0) });
            log_sum_exp(&[ONE_MISFIRES.ln() + one, (1.0 - ONE_MISFIRES).ln() + any])
        }
        // A sensor of manifold pressure measures what leaks in: the mixture stays.
        Cause::UnmeteredAir if w.vehicle.air_metering == AirMetering::Map => {
            at(Shape::Flat0, Banks::All, 1.0)
        }
        Cause::UnmeteredAir => one_or_both(Shape::UnmeteredAir, 1.0, 0.7),
        Cause::SupplyDroop => log_sum_exp(&[
            0.5f64.ln() + at(Shape::SupplyDroop, Banks::All, 1.0),
            0.5f64.ln() + at(Shape::SteepDroop, Banks::All, 1.0),
        ]),
        Cause::MeteringError => log_sum_exp(&[
            0.4f64.ln() + at(Shape::MeteringError, Banks::All, 1.0),
            0.4f64.ln() + at(Shape::OffsetMeteringError, Banks::All, 1.0),
            0.1f64.ln() + at(Shape::MeteringError, Banks::All, -1.0),
            0.1f64.ln() + at(Shape::OffsetMeteringError, Banks::All, -1.0),
        ]),
        Cause::LeakingInjector => log_sum_exp(&[
            0.5f64.ln() + one_or_both(Shape::Restriction, -1.0, 0.3),
            0.5f64.ln() + one_or_both(Shape::UnmeteredAir, -1.0, 0.3),
        ]),
        // Pressure in the manifold promises air that deposits in the ports do not let through: the engine gets too much
        // fuel, at all airflows or most of it at load. Behind a sensor that measures what gets through, the mixture stays.
        Cause::IntakeDeposits if w.vehicle.air_metering == AirMetering::Map => {
            let shapes = [Shape::Flat0, Shape::Restriction, Shape::SupplyDroop];
            log_sum_exp(&shapes.map(|shape| at(shape, Banks::All, -1.0))) - 3.0f64.ln()
        }
        // Deposits and weak ignition leave the hot mixture about as it was.
        Cause::IntakeDeposits | Cause::ThrottleDeposits | Cause::WornIgnition => {
            at(Shape::Flat0, Banks::All, 1.0)
        }
        // Anything at all: each band free with the prior size of a fault, so it wins only where no shape fits.
        Cause::Unexplained => {
            let n = w.changes.len();
            let mut v = w.covariance.to_vec();
            for (i, c) in w.changes.iter().enumerate() {
                v[i * n + i] += 64.0 * c.scale().unwrap_or(1.0).powi(2);
            }
            log_likelihood(w.changes, &v, Fault::new(Shape::Flat0, Banks::All, 1.0))
        }
    }
}

/// Probability of the misfire pattern under a cause: none; spread over cylinders, mostly warm or mostly
/// cold; on one cylinder, mostly warm or mostly cold.
///
/// A restricted injector makes its cylinder lean, which misfires cold first; plugs wear together and fail
/// under load, warm; of ignition faults a third are one coil, lead or cracked plug.
fn misfire_pattern(cause: Cause, w: &Witnesses<'_>) -> f64 {
    let Some(m) = w.misfires else { return 1.0 };
    let cold = m.mostly_cold;
    let column = match (m.stands, m.cylinder) {
        (false, _) => 0,
        (true, None) => 1 + usize::from(cold),
        (true, Some(_)) => 3 + usize::from(cold),
    };
    let row: [f64; 5] = match cause {
        Cause::RestrictedInjectors => [0.72, 0.03, 0.03, 0.10, 0.12],
        Cause::UnmeteredAir => [0.80, 0.08, 0.08, 0.02, 0.02],
        Cause::SupplyDroop => [0.82, 0.13, 0.03, 0.01, 0.01],
        Cause::MeteringError => [0.93, 0.04, 0.02, 0.005, 0.005],
        Cause::IntakeDeposits => [0.45, 0.07, 0.42, 0.02, 0.04],
        Cause::ThrottleDeposits => [0.94, 0.02, 0.02, 0.01, 0.01],
        Cause::WornIgnition => [0.04, 0.56, 0.09, 0.21, 0.10],
        Cause::LeakingInjector => [0.75, 0.05, 0.06, 0.07, 0.07],
        Cause::Unexplained => [0.85, 0.05, 0.05, 0.025, 0.025],
    };
    row[column]
}

/// Deposits on the throttle hold air back, so it must open further to idle; unmetered air lets it close.
fn idle_throttle(cause: Cause, w: &Witnesses<'_>) -> f64 {
    let (mean, sd) = match cause {
        Cause::ThrottleDeposits => (2.5, 1.2),
        Cause::IntakeDeposits => (0.5, 0.6),
        Cause::UnmeteredAir => (-0.4, 0.6),
        // It is held against the airflow, and so against the sensor.
        Cause::MeteringError => (0.0, 0.45),
        _ => (0.0, 0.35),
    };
    gaussian(w.idle_throttle, mean, sd)
}

/// Deposits in the ports take breathing at full load, which only a sensor is sure to see: worked out from manifold
/// pressure it may stay. A sensor that reads low takes its reading.
fn breathing(cause: Cause, w: &Witnesses<'_>) -> f64 {
    let is_load = |c: &&Change| matches!(c.seen, Seen::Level(m) if m > 6.0);
    let at_load = w.changes.iter().rfind(is_load).map(|c| c.change);
    let unmoved = gaussian(w.breathing, 0.0, 2.0);
    let taken = gaussian(w.breathing, -6.0, 4.0);
    match (cause, w.breathing_from_sensor, at_load) {
        (Cause::IntakeDeposits, true, _) => taken,
        (Cause::IntakeDeposits, false, _) => log_sum_exp(&[taken, unmoved]) - 2.0f64.ln(),
        // Full load is told by the calculated load, which has the sensor's error too and may hide it.
        (Cause::MeteringError, true, Some(change)) => {
            log_sum_exp(&[gaussian(w.breathing, -change, 4.0), unmoved]) - 2.0f64.ln()
        }
        _ => unmoved,
    }
}

/// Deposits on the valves soak up fuel while they are cold, where fuel comes by them at all.
fn warmup_gap(cause: Cause, w: &Witnesses<'_>) -> f64 {
    let (mean, sd) = match cause {
        Cause::IntakeDeposits if w.vehicle.injection == Injection::Port => (4.0, 3.0),
        _ => (0.0, 0.9),
    };
    gaussian(w.warmup_gap, mean, sd)
}

fn gaussian(seen: Estimate, mean: f64, sd: f64) -> f64 {
    if !seen.is_known() || !seen.hi.is_finite() || !seen.lo.is_finite() {
        return 0.0;
    }
    let noise = (seen.hi - seen.lo) / (2.0 * 1.96);
    let var = sd * sd + noise * noise;
    -0.5 * ((seen.value - mean).powi(2) / var + var.ln())
}

/// Worn plugs grow likely as their distance nears their life.
fn plugs(cause: Cause, w: &Witnesses<'_>) -> f64 {
    match (cause, w.plug_km) {
        (Cause::WornIgnition, Some(km)) => {
            of_plugs((km / w.plug_life_km).powi(2).clamp(0.15, 4.0), w)
        }
        _ => 1.0,
    }
}

/// What new or old plugs say of the ignition: where one cylinder misfires it is a coil as often as a plug, and a coil does not
/// care how old the plugs are (own judgement, no source).
fn of_plugs(said: f64, w: &Witnesses<'_>) -> f64 {
    let one = w.misfires.is_some_and(|m| m.stands && m.cylinder.is_some());
    if one { 0.5 * (1.0 + said) } else { said }
}

/// A cure carried out lately makes its cause less likely.
fn history(cause: Cause, w: &Witnesses<'_>) -> f64 {
    match (w.cured_days_ago)(cause) {
        Some(days) if days < CURE_DAYS && cause == Cause::WornIgnition => of_plugs(0.3, w),
        Some(days) if days < CURE_DAYS => 0.3,
        _ => 1.0,
    }
}
