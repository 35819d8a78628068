//! Vehicle-days in, findings out: what trims, misfires and economy say of each vehicle.
//!
//! ```text
//! days ─► history ─► daily series ─► drift test against peers ─► windows ─► shape ─► causes
//!                 └► misfires      └► lasting change of level
//!                 └► economy (with refuels)
//! ```
//!
//! In: the register, days, workshop records and refuels up to the chosen day. Out: one
//! [`VehicleFindings`] per registered vehicle, in register order. Nothing here decides or ranks.

mod cause;
mod economy;
mod fuel_use;
mod history;
mod level;
mod misfire;
mod series;
mod shape;
mod windows;
mod within;

use crate::settings::{DecideSettings, TestSettings};
use crate::stats::sequential::{
    self, DayRow, Params, SeriesInput, SeriesOutcome, SlopePosterior, log_limit,
};
use crate::tables::days::Day;
use crate::tables::findings::{
    AdjustedFuel, AdjustedSeries, Cause, CauseWeight, EconomyFinding, Estimate, GroupAlarm,
    GuaranteeFigures, MisfireFinding, SeriesFinding, SeriesKind, TracePoint, VehicleFindings,
};
use crate::tables::fleet::{AirMetering, Refuel, Service, ServiceRecord, Vehicle};
use crate::tables::trips::Band;
use cause::Witnesses;
use history::History;
use rayon::prelude::*;
use series::{MISFIRE_SHARE, daily, monitored};
use shape::{Change, Seen};
use std::collections::BTreeMap;
use windows::Windows;

/// Everything the evidence reads.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// Registered vehicles.
    pub register: &'a [Vehicle],
    /// Days of each vehicle, ascending.
    pub days: &'a BTreeMap<String, Vec<Day>>,
    /// Workshop records.
    pub services: &'a [ServiceRecord],
    /// Fuel purchases.
    pub refuels: &'a [Refuel],
    /// Tests.
    pub test: &'a TestSettings,
    /// Decision thresholds that a test needs.
    pub decide: &'a DecideSettings,
    /// Last day that counts, days since 1970-01-01.
    pub as_of: i32,
}

/// Everything the evidence says.
#[derive(Debug)]
pub struct Evidence {
    /// Findings in register order.
    pub vehicles: Vec<VehicleFindings>,
    /// All-band trims of vehicles with workshop records, for judging what the work achieved.
    pub adjusted: Vec<AdjustedSeries>,
    /// Fuel per km of the same vehicles, driving and weather taken out.
    pub adjusted_fuel: Vec<AdjustedFuel>,
    /// Families that drift as a whole.
    pub group_alarms: Vec<GroupAlarm>,
    /// Measured beside designed rate of false flags.
    pub guarantee: GuaranteeFigures,
}

/// One tested series of one vehicle.
#[derive(Debug)]
struct Followed {
    finding: SeriesFinding,
    windows: Windows,
    weekly: BTreeMap<i32, (f64, f64)>,
}

impl Followed {
    fn flagged(&self) -> bool {
        self.finding.flagged_up.or(self.finding.flagged_down).is_some()
    }
}

/// Assesses the fleet.
pub fn assess(input: &Input<'_>) -> Evidence {
    let none: Vec<Day> = Vec::new();
    let histories: Vec<History<'_>> = input
        .register
        .par_iter()
        .map(|v| {
            let days = input.days.get(&v.vehicle).unwrap_or(&none);
            History::new(v, days, input.services, input.as_of)
        })
        .collect();
    let families = families(input.register);
    let Series { mut followed, adjusted, group_alarms } =
        follow_series(&histories, &families, input);
    let (mut misfires, mut economy, adjusted_fuel) = by_family(&histories, &families, input);
    let guarantee = guarantee(&followed, input);
    let vehicles = histories
        .iter()
        .enumerate()
        .map(|(v, history)| {
            let own = std::mem::take(&mut followed[v]);
            let mut findings = assemble(history, &own, misfires[v].take(), input);
            findings.economy = economy[v].take();
            if let Some(economy) = &mut findings.economy {
                economy.notes.extend(economy::expectation(&findings.causes));
            }
            findings.peers = families[&history.vehicle.engine_family]
                .1
                .iter()
                .filter(|p| **p != v && histories[**p].days.len() >= input.test.rows_min as usize)
                .count();
            if findings.peers < FEW_PEERS {
                findings.notes.push(format!(
                    "Only {} vehicles share engine family {}; the season and the fuel can be told from drift less well.",
                    findings.peers, history.vehicle.engine_family
                ));
            }
            findings
        })
        .collect();
    Evidence { vehicles, adjusted, adjusted_fuel, group_alarms, guarantee }
}

/// Peers below which the report warns (the drift test then leans on the whole fleet).
const FEW_PEERS: usize = 5;

/// Family name to (index, members in register order).
type Families = BTreeMap<String, (usize, Vec<usize>)>;

fn families(register: &[Vehicle]) -> Families {
    let mut families = Families::new();
    for (v, vehicle) in register.iter().enumerate() {
        let next = families.len();
        let entry =
            families.entry(vehicle.engine_family.clone()).or_insert_with(|| (next, Vec::new()));
        entry.1.push(v);
    }
    families
}

/// What the drift test left behind.
#[derive(Debug)]
struct Series {
    followed: Vec<Vec<Followed>>,
    adjusted: Vec<AdjustedSeries>,
    group_alarms: Vec<GroupAlarm>,
}

/// Runs the drift test on every monitored series of every vehicle, one kind after another.
fn follow_series(histories: &[History<'_>], families: &Families, input: &Input<'_>) -> Series {
    let mut all = Series {
        followed: histories.iter().map(|_| Vec::new()).collect(),
        adjusted: Vec::new(),
        group_alarms: Vec::new(),
    };
    let years = 1.0 / input.test.false_flags_per_vehicle_year;
    let limit = |share: f64| if share > 0.0 { log_limit(years / share) } else { f64::INFINITY };
    let told_in_order: Vec<SeriesKind> = monitored(2).iter().map(|m| m.kind).collect();
    // A band's slope is told where load and idle drift apart, whatever its own evidence: they are parted first.
    let mut tested_in_order = told_in_order.clone();
    tested_in_order.sort_by_key(|kind| !matches!(kind, SeriesKind::Tilt(_)));
    for kind in tested_in_order {
        let asked = |v: usize| {
            let apart =
                |f: &Followed, bank| f.finding.kind == SeriesKind::Tilt(bank) && f.flagged();
            matches!(kind, SeriesKind::Trim(bank, _) if all.followed[v].iter().any(|f| apart(f, bank)))
        };
        let members: Vec<(usize, SeriesInput)> = histories
            .par_iter()
            .enumerate()
            .filter_map(|(v, history)| {
                let share = *monitored(history.vehicle.banks).iter().find(|m| m.kind == kind)?;
                let rows: Vec<DayRow> = daily(history, kind, input.test)
                    .iter()
                    .map(|d| DayRow { day: d.day, x: d.km / 10_000.0, y: d.y, weight: d.weight })
                    .collect();
                (!rows.is_empty()).then(|| {
                    let series = SeriesInput {
                        group: families[&history.vehicle.engine_family].0,
                        rows,
                        breaks: history.breaks(kind),
                        restarts: Vec::new(),
                        log_limit_up: limit(share.share_up),
                        log_limit_down: limit(share.share_down),
                        slope_margin: if asked(v) {
                            f64::INFINITY
                        } else {
                            input.decide.watch_nats
                        },
                        report_days: Vec::new(),
                    };
                    (v, series)
                })
            })
            .collect();
        let (owners, series): (Vec<usize>, Vec<SeriesInput>) = members.into_iter().unzip();
        let params = params(kind, input.test);
        let outcomes = sequential::run(&series, &params, input.as_of);
        if kind == SeriesKind::TrimAll(1) {
            all.group_alarms = group_alarms(families, &series, &outcomes, &params, input.as_of);
        }
        let told: Vec<(Option<AdjustedSeries>, Followed)> = owners
            .par_iter()
            .zip(&series)
            .zip(outcomes)
            .map(|((v, series), outcome)| {
                let history = &histories[*v];
                let adjusted = match kind {
                    SeriesKind::TrimAll(bank) if !history.services.is_empty() => {
                        Some(adjusted_series(history, bank, &outcome))
                    }
                    _ => None,
                };
                (adjusted, follow(history, kind, series, outcome, input))
            })
            .collect();
        for (v, (adjusted, followed)) in owners.into_iter().zip(told) {
            all.adjusted.extend(adjusted);
            all.followed[v].push(followed);
        }
    }
    for own in &mut all.followed {
        own.sort_by_key(|f| told_in_order.iter().position(|kind| *kind == f.finding.kind));
    }
    all
}

/// Vehicle-years per designed false alarm of a whole family: families are few, and an alarm is a question
/// to the fleet manager (fuel? season?), not an order to the workshop.
const GROUP_ALARM_YEARS: f64 = 100.0;

/// Families that drift together, upward: what no comparison with peers can see.
fn group_alarms(
    families: &Families,
    series: &[SeriesInput],
    outcomes: &[SeriesOutcome],
    params: &Params,
    as_of: i32,
) -> Vec<GroupAlarm> {
    let groups: Vec<usize> = series.iter().map(|s| s.group).collect();
    let limit = log_limit(GROUP_ALARM_YEARS);
    let drifts = sequential::common_drift(&groups, outcomes, params, limit, as_of);
    families
        .iter()
        .filter_map(|(name, (index, _))| {
            let flag = drifts.get(*index)?.flagged_up?;
            let half = 1.96 * flag.standard_error;
            Some(GroupAlarm {
                engine_family: name.clone(),
                since_day: flag.day,
                drift_per_10000km: Estimate {
                    value: flag.slope,
                    lo: flag.slope - half,
                    hi: flag.slope + half,
                },
            })
        })
        .collect()
}

fn adjusted_series(history: &History<'_>, bank: usize, outcome: &SeriesOutcome) -> AdjustedSeries {
    let flags = outcome.up.earlier_flags.iter().chain(&outcome.up.flag);
    AdjustedSeries {
        vehicle: history.vehicle.vehicle.clone(),
        bank,
        rows: outcome.residuals.iter().map(|r| (r.day, r.r)).collect(),
        phi: outcome.noise.phi,
        flags: flags.map(|f| f.day).collect(),
    }
}

/// Constants of the drift test for one kind of series.
///
/// Throttle angle moves by tenths where trims move by whole percents; breathing by several.
fn params(kind: SeriesKind, test: &TestSettings) -> Params {
    let params = Params {
        slope_sd: test.slope_prior_pct_per_10000km,
        step_sd: test.step_prior_pct,
        steps_per_year: test.steps_per_year,
        large_step_sd: test.large_step_prior_pct,
        large_steps_per_year: test.large_steps_per_year,
        break_share: test.recorded_work_moves_share,
        least_rise: test.least_change_pct,
        least_fall: FALL_LEAST * test.least_change_pct,
        unresolved_steps: UNRESOLVED_STEPS,
        min_rows: test.rows_min as usize,
        min_days: test.days_min as i32,
        ..Params::default()
    };
    match kind {
        SeriesKind::TrimAll(_) => params,
        SeriesKind::Trim(..) => Params { least_rise: BAND_LEAST * params.least_rise, ..params },
        SeriesKind::Tilt(_) => {
            let least = TILT_LEAST * params.least_rise;
            Params { least_rise: least, least_fall: least, ..with_rare_steps(params) }
        }
        SeriesKind::IdleThrottle => params.scaled(0.25),
        // A fall is what deposits do here.
        SeriesKind::Breathing => {
            with_rare_steps(Params { least_fall: params.least_rise, ..params }.scaled(1.5))
        }
        SeriesKind::WarmupGap => with_rare_steps(params),
    }
}

/// How much larger than in all bands a change must be from load to idle: what parts them for a reason (a leak,
/// droop) is large, and innocent steps differ a little by band.
const TILT_LEAST: f64 = 1.5;

/// The same for one band alone, which all innocent steps move as well: no blend moves it so far.
const BAND_LEAST: f64 = 2.5;

/// For what a new fuel blend does not move: differences of trims on the same day, in which it cancels, and the
/// air at full load. Sensors and relearning still move them, seldom and by more (own judgement, no source;
/// false flags measured on simulated fleets, tuning seeds 213, 215 and 216).
fn with_rare_steps(params: Params) -> Params {
    Params { steps_per_year: 0.3 * params.steps_per_year, step_sd: 1.5 * params.step_sd, ..params }
}

/// How much larger a fall of the trim must be than a rise: what makes it fall (a leaking injector, a sensor that
/// reads high) is large, and rare. Set on simulated healthy fleets (tuning seeds 77 to 90).
const FALL_LEAST: f64 = 2.0;

/// Share of the step variance that widens the slope's interval. The sequential test's own figure (1.1) holds
/// for one series alone; steps that differ by band ask for more (tuning seeds 501 and 502: 1.6 covered 92 to 93 %).
const UNRESOLVED_STEPS: f64 = 2.1;

fn follow(
    history: &History<'_>,
    kind: SeriesKind,
    series: &SeriesInput,
    outcome: SeriesOutcome,
    input: &Input<'_>,
) -> Followed {
    let test = input.test;
    let all = &outcome.residuals[..];
    let repaired = outcome.restarted_on.unwrap_or(i32::MIN);
    let rows = &all[all.partition_point(|r| r.day < repaired)..];
    let base_days = test.baseline_days.min(test.days_min) as i32;
    let windows_of = |rows| {
        let (phi, reference_sd) = (outcome.noise.phi, outcome.reference_sd);
        Windows::of(rows, base_days, test.recent_days as i32, phi, reference_sd)
    };
    let (windows, from_first) = (windows_of(rows), windows_of(all));
    let raw: Vec<(i32, f64)> =
        series.rows.iter().filter(|r| r.day <= input.as_of).map(|r| (r.day, r.y)).collect();
    let up = outcome.up.log_r.unwrap_or(f64::NEG_INFINITY);
    let down = outcome.down.log_r.unwrap_or(f64::NEG_INFINITY);
    // The slope is known only given that there is one, so it is told only where it was asked for or is likely.
    let nats = input.decide.watch_nats;
    let change = windows.change();
    let slope = if series.slope_margin.is_infinite() {
        if change.value < 0.0 { outcome.down.slope } else { outcome.up.slope }
    } else if outcome.up.flag.is_some() || up >= series.log_limit_up - nats {
        outcome.up.slope
    } else if outcome.down.flag.is_some() || down >= series.log_limit_down - nats {
        outcome.down.slope
    } else {
        None
    };
    let finding = SeriesFinding {
        kind,
        days: rows.len(),
        days_in_all: all.len(),
        baseline: mean_before(&raw, raw.first().map_or(0, |r| r.0) + base_days),
        change,
        change_from_first: from_first.change(),
        repaired_on: outcome.restarted_on,
        drift_per_10000km: slope.map_or(Estimate::NONE, drift),
        log_r_up: up,
        log_r_down: down,
        log_limit_up: series.log_limit_up,
        log_limit_down: series.log_limit_down,
        flagged_up: outcome.up.flag.map(|f| f.day),
        flagged_down: outcome.down.flag.map(|f| f.day),
        level_on: level_limit(kind, input.decide).and_then(|limit| {
            let since = |limit| {
                let phi = outcome.noise.phi;
                level::lasting_change(all, limit, base_days, phi, &history.visits())
            };
            since(limit).or_else(|| since(-LEVEL_FALL * limit))
        }),
        recent_raw: recent_raw(&raw, repaired),
        near_limit_on: matches!(kind, SeriesKind::Trim(..))
            .then(|| level::near_limit(&raw, log_percent(input.decide.near_limit_pct)))
            .flatten(),
        onset: slope.map(|s| (s.onset_lo, s.onset_hi)),
        sigma: outcome.noise.sigma,
    };
    let zero = mean(&from_first.base.iter().map(|r| r.1).collect::<Vec<_>>()).unwrap_or(0.0);
    let mut weekly: BTreeMap<i32, (f64, f64)> = BTreeMap::new();
    for r in all {
        let w = weekly.entry(r.day.div_euclid(7) * 7).or_default();
        w.0 += r.r - zero;
        w.1 += 1.0;
    }
    Followed { finding, windows, weekly }
}

fn drift(slope: SlopePosterior) -> Estimate {
    Estimate { value: slope.mid, lo: slope.lo.min(slope.hi), hi: slope.hi.max(slope.lo) }
}

/// A plain percentage in log-percent.
fn log_percent(pct: f64) -> f64 {
    100.0 * (1.0 + pct / 100.0).ln()
}

fn mean_before(rows: &[(i32, f64)], end: i32) -> f64 {
    let first: Vec<f64> = rows.iter().take_while(|r| r.0 < end).map(|r| r.1).collect();
    mean(&first).unwrap_or(f64::NAN)
}

/// Days and rows of the raw level that is held against the correction limit.
const RAW_DAYS: i32 = 28;
const RAW_ROWS_MIN: usize = 8;

fn recent_raw(rows: &[(i32, f64)], since: i32) -> f64 {
    let Some(last) = rows.last() else { return f64::NAN };
    let recent: Vec<f64> =
        rows.iter().filter(|r| r.0 > last.0 - RAW_DAYS && r.0 >= since).map(|r| r.1).collect();
    mean(&recent).filter(|_| recent.len() >= RAW_ROWS_MIN).unwrap_or(f64::NAN)
}

/// How much larger a lasting fall of the level must be than a rise, for the same reason as [`FALL_LEAST`]; a jump is
/// told from a step by its size alone, so less is added (own judgement, no source).
const LEVEL_FALL: f64 = 1.5;

/// Size of a lasting change that is acted on, by kind of series; `None` where a jump is innocent.
fn level_limit(kind: SeriesKind, decide: &DecideSettings) -> Option<f64> {
    match kind {
        SeriesKind::TrimAll(_) => Some(decide.level_change_pct),
        // One band is noisier than all: purge and accessories weigh on little air, and load is rare.
        SeriesKind::Trim(_, Band::Idle | Band::Load) => Some(1.25 * decide.level_change_pct),
        SeriesKind::Trim(_, Band::Cruise)
        | SeriesKind::Tilt(_)
        | SeriesKind::IdleThrottle
        | SeriesKind::Breathing
        | SeriesKind::WarmupGap => None,
    }
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

type ByVehicle<T> = Vec<Option<T>>;

fn by_family(
    histories: &[History<'_>],
    families: &Families,
    input: &Input<'_>,
) -> (ByVehicle<MisfireFinding>, ByVehicle<EconomyFinding>, Vec<AdjustedFuel>) {
    let mut refuels: BTreeMap<&str, Vec<&Refuel>> = BTreeMap::new();
    for r in input.refuels.iter().filter(|r| r.day <= input.as_of) {
        refuels.entry(&r.vehicle).or_default().push(r);
    }
    for list in refuels.values_mut() {
        list.sort_by_key(|r| r.day);
    }
    let limit = log_limit(1.0 / (input.test.false_flags_per_vehicle_year * MISFIRE_SHARE));
    let groups: Vec<Vec<&History<'_>>> = families
        .values()
        .map(|(_, members)| members.iter().map(|v| &histories[*v]).collect())
        .collect();
    let by_misfire: Vec<_> = groups
        .par_iter()
        .map(|family| misfire::assess(family, input.test, input.decide, limit))
        .collect();
    let fuel = economy::assess(&groups, &refuels, input.test);
    let mut misfires: ByVehicle<_> = histories.iter().map(|_| None).collect();
    let mut economies: ByVehicle<_> = histories.iter().map(|_| None).collect();
    for ((_, members), (m, e)) in families.values().zip(by_misfire.into_iter().zip(fuel.findings)) {
        for ((v, m), e) in members.iter().zip(m).zip(e) {
            misfires[*v] = m;
            economies[*v] = e;
        }
    }
    (misfires, economies, fuel.adjusted)
}

fn assemble(
    history: &History<'_>,
    followed: &[Followed],
    misfires: Option<MisfireFinding>,
    input: &Input<'_>,
) -> VehicleFindings {
    let (first, last) = (history.days.first(), history.days.last());
    let period = first.zip(last).map(|(a, b)| (a.day, b.day));
    let mut findings = VehicleFindings {
        vehicle: history.vehicle.vehicle.clone(),
        days_of_data: history.days.len(),
        span_days: period.map_or(0, |(a, b)| (b - a + 1) as usize),
        trips: history.days.iter().map(|d| d.trips as usize).sum(),
        gated: history.days.iter().map(|d| u64::from(d.gated)).sum(),
        period,
        km_per_week: history.km_per_week(),
        odometer_km: history
            .days
            .iter()
            .rev()
            .map(|d| d.odometer_km)
            .find(|o| o.is_finite())
            .unwrap_or(history.km.last().copied().unwrap_or(f64::NAN)),
        resets: history.resets.clone(),
        loop_inferred: history.days.iter().any(|d| d.loop_inferred),
        peers: 0,
        series: followed.iter().map(|f| f.finding.clone()).collect(),
        causes: Vec::new(),
        misfires,
        economy: None,
        trace: trace(history, followed),
        services: history.services.iter().map(|s| (s.day, s.service.as_str().to_owned())).collect(),
        notes: Vec::new(),
    };
    let flagged = findings.misfires.as_ref().is_some_and(|m| m.flagged_on.is_some())
        || findings.series.iter().any(|s| {
            s.flagged_up.is_some()
                || s.flagged_down.is_some()
                || s.level_on.is_some()
                || s.near_limit_on.is_some()
        });
    if flagged {
        findings.causes = causes(history, followed, &findings, input);
    }
    findings.notes = notes(history, &findings);
    findings
}

/// Posterior over causes from all witnesses.
fn causes(
    history: &History<'_>,
    followed: &[Followed],
    findings: &VehicleFindings,
    input: &Input<'_>,
) -> Vec<CauseWeight> {
    let bands: Vec<(&Followed, usize, Band)> = followed
        .iter()
        .filter_map(|f| match f.finding.kind {
            SeriesKind::Trim(bank, band) if f.windows.usable() => Some((f, bank - 1, band)),
            _ => None,
        })
        .collect();
    let mut changes: Vec<Change> = bands
        .iter()
        .map(|(f, bank, band)| Change {
            bank: *bank,
            seen: Seen::Level(recent_airflow(history, *bank, *band, input.test)),
            change: f.finding.change.value,
        })
        .collect();
    let mut covariance =
        windows::one_factor(&bands.iter().map(|(f, ..)| &f.windows).collect::<Vec<_>>());
    if let Some(f) = followed.iter().find(|f| f.finding.kind == SeriesKind::TrimAll(1)) {
        let banks = history.vehicle.banks;
        let judged: Vec<&Day> = history.judged_days().collect();
        within::join(&judged, banks, &f.windows, &mut changes, &mut covariance);
    }
    let change = |kind| {
        followed
            .iter()
            .find(|f| f.finding.kind == kind)
            .map_or(Estimate::NONE, |f| f.finding.change)
    };
    let last_day = findings.period.map_or(input.as_of, |p| p.1);
    cause::posterior(&Witnesses {
        vehicle: history.vehicle,
        changes: &changes,
        covariance: &covariance,
        idle_throttle: change(SeriesKind::IdleThrottle),
        breathing: change(SeriesKind::Breathing),
        breathing_from_sensor: history.vehicle.air_metering == AirMetering::Maf,
        warmup_gap: change(SeriesKind::WarmupGap),
        misfires: findings.misfires.as_ref(),
        plug_km: plug_km(history, findings.odometer_km),
        plug_life_km: input.decide.plug_life_km,
        cured_days_ago: &|cause| {
            history
                .services
                .iter()
                .rev()
                .find(|s| cures(s.service, cause))
                .map(|s| last_day - s.day)
        },
    })
}

/// Distance on the present spark plugs, km.
fn plug_km(history: &History<'_>, odometer_km: f64) -> Option<f64> {
    let changed = history
        .services
        .iter()
        .rev()
        .find(|s| s.service == Service::SparkPlugs)
        .and_then(|s| s.odometer_km)
        .or(history.vehicle.plugs_changed_km)?;
    let km = odometer_km - changed;
    (km >= 0.0).then_some(km)
}

/// Whether a piece of work cures a cause.
fn cures(service: Service, cause: Cause) -> bool {
    matches!(
        (service, cause),
        (Service::InjectorCleaning, Cause::RestrictedInjectors | Cause::LeakingInjector)
            | (Service::IntakeCleaning, Cause::IntakeDeposits | Cause::ThrottleDeposits)
            | (Service::ThrottleCleaning, Cause::ThrottleDeposits)
            | (Service::AirflowSensorCleaning, Cause::MeteringError)
            | (Service::SparkPlugs, Cause::WornIgnition)
            | (Service::FuelFilter, Cause::SupplyDroop)
    )
}

/// Mean airflow of a band in the recent days, multiples of nominal idle airflow.
fn recent_airflow(history: &History<'_>, bank: usize, band: Band, test: &TestSettings) -> f64 {
    let last = history.days.last().map_or(0, |d| d.day);
    let (mut m, mut n) = (0.0, 0.0);
    for d in history.days.iter().rev().take_while(|d| d.day > last - test.recent_days as i32) {
        let b = d.bands[bank][band as usize];
        m += b.m;
        n += b.n;
    }
    if n > 0.0 { m / n } else { [1.0, 3.0, 9.0][band as usize] }
}

/// Weekly history of the three bands, on the bank whose all-band level moved more.
fn trace(history: &History<'_>, followed: &[Followed]) -> Vec<TracePoint> {
    let moved = |bank: usize| {
        followed
            .iter()
            .find(|f| f.finding.kind == SeriesKind::TrimAll(bank))
            .map_or(0.0, |f| f.finding.change.value.abs())
    };
    let bank = if moved(2) > moved(1) { 2 } else { 1 };
    let mut points: BTreeMap<i32, [f64; 3]> = BTreeMap::new();
    for f in followed {
        if let SeriesKind::Trim(b, band) = f.finding.kind
            && b == bank
        {
            for (week, (sum, n)) in &f.weekly {
                points.entry(*week).or_insert([f64::NAN; 3])[band as usize] = sum / n;
            }
        }
    }
    points
        .into_iter()
        .map(|(day, bands)| {
            let i = history.days.partition_point(|d| d.day < day);
            let km = history.km.get(i).or(history.km.last()).copied().unwrap_or(f64::NAN);
            TracePoint { day, km, bands }
        })
        .collect()
}

/// What limits this vehicle's evidence.
fn notes(history: &History<'_>, findings: &VehicleFindings) -> Vec<String> {
    let mut notes = Vec::new();
    if findings.loop_inferred {
        notes.push(
            "The logs carry no fuel-system status: closed loop was inferred from the other signals."
                .to_owned(),
        );
    }
    if history.vehicle.air_metering == AirMetering::Map {
        notes.push(
            "This engine measures air by manifold pressure: unmetered air does not show in its trims."
                .to_owned(),
        );
    }
    if history.vehicle.displacement_l.is_none() {
        notes.push(
            "The register leaves out the displacement: airflow bands use a default and are rough."
                .to_owned(),
        );
    }
    if let Some(last) = history.resets.last()
        && history.days.last().is_some_and(|d| d.day - last <= 14)
    {
        notes.push(
            "Learning was reset within the last two weeks: trims near zero prove nothing yet."
                .to_owned(),
        );
    }
    if history.vehicle.hybrid {
        notes.push("This hybrid hardly idles: nothing is extrapolated to idle airflow.".to_owned());
    }
    if findings.misfires.is_none() && findings.days_of_data > 0 {
        notes.push("The logs carry no misfire counters.".to_owned());
    }
    notes
}

/// The mirrored test: falls of the all-band trim, where deposits only ever cause rises.
fn guarantee(followed: &[Vec<Followed>], input: &Input<'_>) -> GuaranteeFigures {
    let mut flags = 0;
    let mut years = 0.0;
    for own in followed {
        for f in own {
            if let SeriesKind::TrimAll(_) = f.finding.kind {
                flags += usize::from(f.finding.flagged_down.is_some());
                years += f.finding.days_in_all as f64 / 365.25;
            }
        }
    }
    GuaranteeFigures {
        designed_per_vehicle_year: input.test.false_flags_per_vehicle_year,
        mirror_flags: flags,
        mirror_vehicle_years: years,
    }
}
