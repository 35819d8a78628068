//! Every monitored series of every vehicle through the drift test, and what it says of each.
//!
//! Comes in: the histories by family. Goes out: a finding per series with its windows, the adjusted trims of vehicles with
//! workshop records, alarms of whole families. Never: asks why a series changed.

use super::declared::{level_limits, params};
use super::history::{CURE_ROWS, History};
use super::level;
use super::series::{Monitored, daily, monitored};
use super::windows::{self, Windows};
use super::{FEW_PEERS, Families, Input};
use crate::quantity::log_percent;
use crate::settings::TestSettings;
use crate::stats::robust;
use crate::stats::sequential::{
    self, DayRow, Mirror, Params, SeriesInput, SeriesOutcome, SlopePosterior, log_limit,
};
use crate::tables::findings::{
    AdjustedSeries, Estimate, GroupAlarm, SeriesFinding, SeriesKind, TrimFlag,
};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// One tested series of one vehicle.
#[derive(Debug)]
pub(super) struct Followed {
    pub(super) finding: SeriesFinding,
    pub(super) windows: Windows,
    /// Its values' mean on the first days of all, whatever was mended since.
    start: f64,
    /// Sum and number of the values of each week above the baseline, by its first day.
    pub(super) weekly: BTreeMap<i32, (f64, f64)>,
    /// All crossings of the drift test's limits, also those before a repair.
    pub(super) flags: Vec<TrimFlag>,
    /// The test of its rises upside down.
    pub(super) mirror: Mirror,
}

impl Followed {
    /// The series of `kind` among a vehicle's `own`, if there is one.
    pub(super) fn of(own: &[Followed], kind: SeriesKind) -> Option<&Followed> {
        own.iter().find(|f| f.finding.kind == kind)
    }

    pub(super) fn flagged(&self) -> bool {
        self.finding.flagged_up.or(self.finding.flagged_down).is_some()
    }
}

/// What the drift test left behind.
#[derive(Debug)]
pub(super) struct Series {
    pub(super) followed: Vec<Vec<Followed>>,
    pub(super) adjusted: Vec<AdjustedSeries>,
    pub(super) group_alarms: Vec<GroupAlarm>,
}

/// Runs the drift test on every monitored series of every vehicle.
///
/// What is flagged is told by the bank and the band that moved, so the tested kinds come first. Two kinds run side by side,
/// since much of the peers' reference of one is made day by day by a single thread; more of them would only take memory.
pub(super) fn follow_series(
    histories: &[History<'_>],
    families: &Families,
    input: &Input<'_>,
) -> Series {
    let mut all = Series {
        followed: histories.iter().map(|_| Vec::new()).collect(),
        adjusted: Vec::new(),
        group_alarms: Vec::new(),
    };
    let told_in_order = monitored(2);
    let kinds = told_in_order.iter();
    let (tested, others): (Vec<&Monitored>, Vec<&Monitored>) = kinds.partition(|m| m.is_tested());
    let mut adjusted: Vec<(usize, AdjustedSeries)> = Vec::new();
    for pair in tested.chunks(2).chain(others.chunks(2)) {
        let so_far = &all.followed;
        let done: Vec<Kind> = pair
            .par_iter()
            .map(|m| Kind::follow(m.kind, histories, families, so_far, input))
            .collect();
        for Kind { told, group_alarms } in done {
            all.group_alarms.extend(group_alarms);
            for (v, own, followed) in told {
                adjusted.extend(own.map(|own| (v, own)));
                all.followed[v].push(followed);
            }
        }
    }
    for (v, mut own) in adjusted {
        own.flags = all.followed[v].iter().flat_map(|f| f.flags.iter().copied()).collect();
        if matches!(own.kind, SeriesKind::TrimBank(_)) {
            let start = |v: usize| start_of(&all.followed[v], own.kind);
            let members = &families[&histories[v].vehicle.engine_family].1;
            let known: Vec<f64> = members.iter().filter_map(|v| start(*v)).collect();
            // Some engines stand off when they are sound; of few it is not known which do.
            let enough = known.len() > FEW_PEERS;
            let sound = robust::median(&known).filter(|_| enough).unwrap_or(0.0);
            own.start = start(v).map_or(f64::NAN, |s| s - sound);
        }
        all.adjusted.push(own);
    }
    for own in &mut all.followed {
        own.sort_by_key(|f| told_in_order.iter().position(|m| m.kind == f.finding.kind));
    }
    all
}

/// Where the trim `kind` stood on a vehicle's first days, the mean over what it is made of, log-percent.
fn start_of(own: &[Followed], kind: SeriesKind) -> Option<f64> {
    let parts = own.iter().filter(|f| f.finding.kind.is_part_of(kind));
    let known: Vec<f64> = parts.map(|f| f.start).filter(|s| s.is_finite()).collect();
    mean(&known)
}

/// What one kind of series says of the vehicles that have it.
struct Kind {
    /// The vehicle's place in the register, its values if it has workshop records, and its finding.
    told: Vec<(usize, Option<AdjustedSeries>, Followed)>,
    group_alarms: Vec<GroupAlarm>,
}

impl Kind {
    /// Runs the drift test on one kind; `so_far` is what the kinds before it said.
    fn follow(
        kind: SeriesKind,
        histories: &[History<'_>],
        families: &Families,
        so_far: &[Vec<Followed>],
        input: &Input<'_>,
    ) -> Kind {
        let years = 1.0 / input.test.false_flags_per_vehicle_year;
        let limit = |share: f64| if share > 0.0 { log_limit(years / share) } else { f64::INFINITY };
        let members: Vec<(usize, SeriesInput)> = histories
            .par_iter()
            .enumerate()
            .filter_map(|(v, history)| {
                let share = Monitored::of(history.vehicle.banks, kind)?;
                let rows: Vec<DayRow> = daily(history, kind, input.test)
                    .iter()
                    .map(|d| DayRow { day: d.day, x: d.km / 10_000.0, y: d.y, weight: d.weight })
                    .collect();
                let before = || so_far[v].iter().filter(|f| f.finding.kind.is_mixture());
                let is_part = kind.is_mixture() && !share.is_tested();
                let asked = is_part && before().any(Followed::flagged);
                let repairs = before().filter_map(|f| f.finding.repaired_on.filter(|_| is_part));
                let restarts = repairs.chain(history.restarts(kind));
                (!rows.is_empty()).then(|| {
                    let series = SeriesInput {
                        group: families[&history.vehicle.engine_family].0,
                        rows,
                        breaks: history.breaks(kind, input.test.recorded_work_moves_share),
                        restarts: BTreeSet::from_iter(restarts).into_iter().collect(),
                        log_limit_up: limit(share.share_up),
                        log_limit_down: limit(share.share_down),
                        slope_margin: if asked { f64::INFINITY } else { input.decide.watch_nats },
                        report_days: Vec::new(),
                    };
                    (v, series)
                })
            })
            .collect();
        let (owners, series): (Vec<usize>, Vec<SeriesInput>) = members.into_iter().unzip();
        let params = params(kind, input.test, input.decide.watch_nats);
        let outcomes = sequential::run(&series, &params, input.as_of);
        let group_alarms = match kind {
            SeriesKind::TrimAll => group_alarms(families, &series, &outcomes, &params, input),
            _ => Vec::new(),
        };
        let told = owners
            .par_iter()
            .zip(&series)
            .zip(outcomes)
            .map(|((&v, series), outcome)| {
                let history = &histories[v];
                let kept = match kind {
                    SeriesKind::TrimAll if history.vehicle.banks <= 1 => {
                        Some(SeriesKind::TrimBank(1))
                    }
                    SeriesKind::TrimBank(_)
                    | SeriesKind::IdleGap
                    | SeriesKind::LoadGap
                    | SeriesKind::IdleThrottle
                    | SeriesKind::Breathing
                    | SeriesKind::WarmupGap => Some(kind),
                    _ => None,
                };
                let adjusted = kept
                    .filter(|_| !history.services.is_empty())
                    .map(|kind| adjusted_series(history, kind, &outcome, &params, input.test));
                (v, adjusted, follow(history, kind, series, outcome, &params, input))
            })
            .collect();
        Kind { told, group_alarms }
    }
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
    input: &Input<'_>,
) -> Vec<GroupAlarm> {
    let groups: Vec<usize> = series.iter().map(|s| s.group).collect();
    let limit = log_limit(GROUP_ALARM_YEARS);
    let drifts = sequential::common_drift(&groups, outcomes, params, limit, input.as_of);
    families
        .iter()
        .filter_map(|(name, (index, _))| {
            let drift = drifts.get(*index)?;
            // It lasts as long as its evidence.
            let flag = drift.flagged_up.filter(|_| {
                drift.log_r_up.is_some_and(|log_r| log_r >= limit - input.decide.watch_nats)
            })?;
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

fn adjusted_series(
    history: &History<'_>,
    kind: SeriesKind,
    outcome: &SeriesOutcome,
    params: &Params,
    test: &TestSettings,
) -> AdjustedSeries {
    let rows: Vec<(i32, f64)> = outcome.residuals.iter().map(|r| (r.day, r.r)).collect();
    // A vehicle that joined late stands where its peers' season stood then.
    let zero = baseline(&rows, test.base_days());
    let per_day = history.km_per_week() / 7.0 / 10_000.0;
    AdjustedSeries {
        vehicle: history.vehicle.vehicle.clone(),
        kind,
        least_change: params.least_rise,
        start: f64::NAN,
        rows: outcome.residuals.iter().map(|r| (r.day, r.weight, r.r - zero)).collect(),
        long_run_variance: outcome.noise.long_run_variance(),
        reference_sd: outcome.reference_sd,
        steps_per_day: params.step_variance_per_week() / 7.0,
        slope_per_day: (params.slope_mean * per_day, params.slope_sd * per_day),
        flags: Vec::new(),
    }
}

fn follow(
    history: &History<'_>,
    kind: SeriesKind,
    series: &SeriesInput,
    outcome: SeriesOutcome,
    params: &Params,
    input: &Input<'_>,
) -> Followed {
    let test = input.test;
    let all = &outcome.residuals[..];
    let repaired = outcome.restarted_on.unwrap_or(i32::MIN);
    let of_vehicle = all.partition_point(|r| r.day < history.same_vehicle_since());
    let days_in_all = all.len() - of_vehicle;
    let told_since = history.told_since(kind);
    let all = &all[all.partition_point(|r| r.day < told_since)..];
    let rows = &all[all.partition_point(|r| r.day < repaired)..];
    let base_days = test.base_days();
    let windows_of = |rows| {
        let (phi, reference_sd) = (outcome.noise.phi, outcome.reference_sd);
        Windows::of(rows, base_days, test.recent_days as i32, phi, reference_sd)
    };
    let (windows, from_first) = (windows_of(rows), windows_of(all));
    let counts = |day: i32| told_since <= day && day <= input.as_of;
    let raw: Vec<(i32, f64)> =
        series.rows.iter().filter(|r| counts(r.day)).map(|r| (r.day, r.y)).collect();
    let up = outcome.up.log_r.unwrap_or(f64::NEG_INFINITY);
    let down = outcome.down.log_r.unwrap_or(f64::NEG_INFINITY);
    // The slope is known only given that there is one, so it is told only where it was asked for or is likely; what
    // was flagged goes before what is likely, since a fall that comes back looks like a rise.
    let nats = input.decide.watch_nats;
    let change = windows.change();
    let flagged = (outcome.up.flag.is_some(), outcome.down.flag.is_some());
    let near = (up >= series.log_limit_up - nats, down >= series.log_limit_down - nats);
    let fell = change.value < 0.0;
    let asked = series.slope_margin.is_infinite();
    let slope = if asked || flagged == (true, true) {
        if fell { outcome.down.slope } else { outcome.up.slope }
    } else if flagged.0 || (near.0 && !flagged.1) {
        outcome.up.slope
    } else if flagged.1 || near.1 {
        outcome.down.slope
    } else {
        None
    };
    let (limits, visits) = (level_limits(kind, input.decide), history.visits());
    let finding = SeriesFinding {
        kind,
        days: rows.len(),
        days_in_all,
        tenth_last: all.len().checked_sub(CURE_ROWS).map(|at| all[at].day),
        baseline: baseline(&raw, base_days),
        least_change: params.least_rise,
        least_fall: params.least_fall,
        change,
        change_from_first: from_first.change(),
        repaired_on: outcome.restarted_on.filter(|day| !history.odometer_jumps.contains(day)),
        drift_per_10000km: slope.map_or(Estimate::NONE, drift),
        log_r_up: up,
        log_r_down: down,
        log_limit_up: series.log_limit_up,
        log_limit_down: series.log_limit_down,
        flagged_up: outcome.up.flag.map(|f| f.day),
        flagged_down: outcome.down.flag.map(|f| f.day),
        level_limits: limits,
        level_on: limits.and_then(|(rise, fall)| {
            let mut repairs = series.restarts.clone();
            repairs.extend(outcome.restarted_on);
            let since = |limit| level::lasting_change(all, limit, base_days, &visits, &repairs);
            since(rise).into_iter().chain(since(-fall)).min()
        }),
        recent_raw: recent_raw(&raw, repaired),
        near_limit_on: matches!(kind, SeriesKind::Trim(..))
            .then(|| {
                let near = input.decide.near_limit_pct;
                let limits = (log_percent(-near), log_percent(near));
                level::near_limit(&raw, limits, &visits)
            })
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
    let flags = [(true, &outcome.up), (false, &outcome.down)].into_iter().flat_map(|(rose, d)| {
        let days = d.earlier_flags.iter().chain(&d.flag).map(|f| f.day);
        days.map(move |day| TrimFlag { day, kind, rose })
    });
    let flags = flags.collect();
    let first = &series.rows[..windows::base_len(&series.rows, base_days, |r| r.day)];
    let start = mean(&first.iter().map(|r| r.y).collect::<Vec<_>>()).unwrap_or(f64::NAN);
    Followed { finding, windows, start, weekly, flags, mirror: outcome.mirror }
}

fn drift(slope: SlopePosterior) -> Estimate {
    Estimate { value: slope.mid, lo: slope.lo.min(slope.hi), hi: slope.hi.max(slope.lo) }
}

/// Mean of the first days.
fn baseline(rows: &[(i32, f64)], base_days: i32) -> f64 {
    let base = &rows[..windows::base_len(rows, base_days, |r| r.0)];
    mean(&base.iter().map(|r| r.1).collect::<Vec<_>>()).unwrap_or(f64::NAN)
}

/// Days of the raw level that is held against the correction limit, and the rows that it must have.
const RAW_DAYS: i32 = 28;
const RAW_ROWS_MIN: usize = 8;

fn recent_raw(rows: &[(i32, f64)], since: i32) -> f64 {
    let rows = windows::recent(
        &rows[rows.partition_point(|r| r.0 < since)..],
        RAW_DAYS,
        RAW_ROWS_MIN,
        |r| r.0,
    );
    let values: Vec<f64> = rows.iter().map(|r| r.1).collect();
    mean(&values).filter(|_| values.len() >= RAW_ROWS_MIN).unwrap_or(f64::NAN)
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}
