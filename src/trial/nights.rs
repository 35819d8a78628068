//! One fleet through all its nights: what was flagged when, and what was said of it at that time.
//!
//! `flagged_on` is causal, so a run at the end of the period gives every vehicle's flag, but for those that
//! recorded work is taken to have cured; one more look a year and the flags kept for judging that work give
//! these. Actions, causes and intervals are those of the first look (every 28 days) at or after the night
//! in question.

use super::Timing;
use super::generator::{self, FIRST_DAY, Fault, FaultKind, Fleet, Truth};
use super::plain_rules;
use super::settings::TrialSettings;
use super::work::{self, Work};
use crate::decide::decide;
use crate::evidence::{self, Evidence, Input};
use crate::tables::findings::{
    Action, Cause, EconomyFinding, Estimate, SeriesKind, State, TrimFlag, VehicleFindings, Verdict,
};
use crate::tables::fleet::Vehicle;
use std::collections::{BTreeMap, BTreeSet};
use std::time::Instant;

/// Days from one look at the fleet to the next.
const LOOK_DAYS: i32 = 28;

/// What a flag rested on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Ground {
    /// The drift test: series, and whether it rose.
    Drift(SeriesKind, bool),
    /// A lasting change of level.
    Level(SeriesKind),
    /// The correction stood near its limit.
    NearLimit(SeriesKind),
    /// Misfires.
    Misfire,
}

impl Ground {
    /// Name in tables.
    pub(super) fn name(self) -> String {
        match self {
            Ground::Drift(kind, up) => {
                format!("drift {} {}", kind.name(), if up { "up" } else { "down" })
            }
            Ground::Level(kind) => format!("level {}", kind.name()),
            Ground::NearLimit(kind) => format!("near limit {}", kind.name()),
            Ground::Misfire => "misfire".to_owned(),
        }
    }
}

/// What was said at a look.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Said {
    pub(super) day: i32,
    pub(super) acted: bool,
    pub(super) action: Action,
    pub(super) cause: Option<(Cause, f64)>,
    /// Log-likelihood of each witness for the named cause and for the true one.
    pub(super) witnesses: Vec<(&'static str, f64, f64)>,
    /// Series whose drift was stated, the drift and the true one, percent per 10,000 km.
    pub(super) drift: Option<(SeriesKind, Estimate, f64)>,
    /// Severity of the fault at that look.
    pub(super) severity: f64,
    /// Changes of the trims by bank and band, for looking into wrong actions.
    pub(super) changes: Vec<(SeriesKind, Estimate)>,
}

/// One vehicle's trial.
#[derive(Debug, Clone)]
pub(super) struct VehicleRun {
    pub(super) fleet: usize,
    pub(super) vehicle: Vehicle,
    pub(super) fault: Option<Fault>,
    /// First day from which it was logged.
    pub(super) joined: i32,
    /// Last day simulated.
    pub(super) end: i32,
    pub(super) flag: Option<(i32, Ground)>,
    /// Further grounds that had crossed their limit by the end.
    pub(super) grounds: Vec<(i32, Ground)>,
    /// Distance since the onset at the flag.
    pub(super) km_at_flag: f64,
    /// Severity of the fault.
    pub(super) severity: Grown,
    /// What it adds to the trim over all bands, [`Truth::in_trim`].
    pub(super) in_trim: Grown,
    pub(super) at_flag: Option<Said>,
    pub(super) at_six: Option<Said>,
    pub(super) later: [Option<Said>; 2],
    /// The first look after the flag did not give the same day for it.
    pub(super) flag_moved: bool,
    /// Innocent steps in force at the flag less those 60 days after the start, percent.
    pub(super) steps_at_flag: f64,
    /// First false alarm and first alarm at or after the onset of each plain rule, with the severity then.
    pub(super) plain_false: [Option<i32>; 3],
    pub(super) plain_found: [Option<(i32, f64)>; 3],
    /// Change of fuel per km at the end, at the first look after the flag, and on a day of no meaning.
    pub(super) economy: [Economy; 3],
    /// Workshop work that could be judged at the end.
    pub(super) work: Vec<Work>,
}

/// How large a fault was, percent.
#[derive(Debug, Clone, Copy)]
pub(super) struct Grown {
    pub(super) at_flag: f64,
    /// On the last day.
    pub(super) at_end: f64,
    /// First day on which it had reached 10 %.
    pub(super) day_of_ten: Option<i32>,
}

impl Grown {
    fn of(fleet: &Fleet, flag: i32, size: impl Fn(i32) -> f64) -> Grown {
        let day_of_ten = reaches(fleet, 10.0, &size);
        Grown { at_flag: size(flag), at_end: size(fleet.period.1), day_of_ten }
    }
}

/// Change of fuel per km as stated and as it is, from logs and from refuels; logs that share a sensor's error
/// left out.
pub(super) type Economy = [Option<(Estimate, f64)>; 2];

impl VehicleRun {
    /// Whether the flag came before anything was wrong.
    pub(super) fn is_false_flag(&self) -> bool {
        match (self.flag, &self.fault) {
            (Some((day, _)), Some(fault)) => day < fault.onset,
            (Some(_), None) => true,
            (None, _) => false,
        }
    }

    /// Whether the flag came after the onset of a fault.
    pub(super) fn is_found(&self) -> bool {
        self.flag.is_some() && !self.is_false_flag()
    }

    /// Years from night 90 during which nothing was wrong and nothing was flagged by `flagged`.
    pub(super) fn sound_years(&self, flagged: Option<i32>) -> f64 {
        let until = self.fault.as_ref().map_or(self.end + 1, |f| f.onset);
        let until = flagged.map_or(until, |day| until.min(day));
        f64::from((until - self.joined - plain_rules::SILENT_NIGHTS).max(0)) / 365.25
    }
}

/// One fleet's trial.
#[derive(Debug)]
pub(super) struct FleetRun {
    pub(super) vehicles: Vec<VehicleRun>,
    pub(super) mirror_flags: usize,
    pub(super) mirror_years: f64,
}

/// Simulates fleet number `number` and takes it through its nights.
pub(super) fn run(settings: &TrialSettings, number: usize, vehicles: usize) -> FleetRun {
    let fleet = generator::fleet(settings, number, vehicles);
    let flags = flags(settings, &fleet);
    let wanted: Vec<[Option<i32>; 4]> =
        fleet.truths.iter().zip(&flags.first).map(|(t, f)| looks(&fleet, t, *f)).collect();
    let mut runs: Vec<VehicleRun> =
        (0..vehicles).map(|v| blank(number, &fleet, v, &flags)).collect();
    let mut days: BTreeSet<i32> = wanted.iter().flatten().flatten().copied().collect();
    days.insert(fleet.any_day);
    for day in days {
        let evidence = assess(settings, &fleet, day);
        for (v, run) in runs.iter_mut().enumerate() {
            let stated = evidence.vehicles[v].economy.as_ref();
            if day == fleet.any_day {
                run.economy[2] = economy(&fleet, v, stated);
            }
            for (slot, look) in wanted[v].iter().enumerate() {
                if *look != Some(day) {
                    continue;
                }
                let findings = &evidence.vehicles[v];
                let said = said(settings, &fleet, v, findings, day);
                match slot {
                    0 => {
                        run.economy[1] = economy(&fleet, v, stated);
                        let seen = crossings(findings).first().map(|g| g.0);
                        run.flag_moved = seen != run.flag.map(|f| f.0);
                        run.at_flag = Some(said);
                    }
                    1 => run.at_six = Some(said),
                    _ => run.later[slot - 2] = Some(said),
                }
            }
        }
    }
    FleetRun { vehicles: runs, mirror_flags: flags.mirror.0, mirror_years: flags.mirror.1 }
}

/// Times one evidence run over the whole period on one thread.
pub(super) fn time(settings: &TrialSettings, vehicles: usize) -> Timing {
    let fleet = generator::fleet(settings, 0, vehicles);
    let threads = rayon::current_num_threads();
    let measure = || {
        let start = Instant::now();
        let evidence = assess(settings, &fleet, fleet.period.1);
        (start.elapsed().as_secs_f64(), evidence)
    };
    let (seconds, evidence) = match rayon::ThreadPoolBuilder::new().num_threads(1).build() {
        Ok(pool) => pool.install(measure),
        Err(_) => measure(),
    };
    let nights = f64::from(fleet.period.1 - fleet.period.0 + 1);
    let series: usize = evidence.vehicles.iter().map(|v| v.series.len()).sum();
    Timing { seconds, series_nights: nights * series as f64, threads }
}

/// First flags and what comes out of the run at the end.
struct Flags {
    first: Vec<Option<(i32, Ground)>>,
    grounds: Vec<Vec<(i32, Ground)>>,
    mirror: (usize, f64),
    economy: Vec<Economy>,
    work: Vec<Vec<Work>>,
}

fn flags(settings: &TrialSettings, fleet: &Fleet) -> Flags {
    let mut first: Vec<Option<(i32, Ground)>> = vec![None; fleet.truths.len()];
    let mut out = Flags {
        first: Vec::new(),
        grounds: Vec::new(),
        mirror: (0, 0.0),
        economy: Vec::new(),
        work: Vec::new(),
    };
    let yearly = (fleet.period.0..fleet.period.1).skip(13 * LOOK_DAYS as usize - 1);
    for day in yearly.step_by(13 * LOOK_DAYS as usize).chain([fleet.period.1]) {
        let last = day == fleet.period.1;
        let evidence = assess(settings, fleet, day);
        let mut kept: BTreeMap<&str, Vec<(i32, Ground)>> = BTreeMap::new();
        for a in &evidence.adjusted {
            let drift = |f: &TrimFlag| (f.day, Ground::Drift(f.kind, f.rose));
            kept.entry(&a.vehicle).or_default().extend(a.flags.iter().map(drift));
        }
        for (v, findings) in evidence.vehicles.iter().enumerate() {
            let seen = crossings(findings);
            let earlier = kept.get(findings.vehicle.as_str()).into_iter().flatten();
            first[v] = seen.iter().chain(earlier).chain(&first[v]).min().copied();
            if last {
                out.grounds.push(seen);
                out.economy.push(economy(fleet, v, findings.economy.as_ref()));
            }
        }
        if last {
            out.work = work::judge(settings, fleet, &evidence);
            let g = evidence.guarantee;
            out.mirror = (g.mirror_flags, g.mirror_vehicle_years);
        }
    }
    out.first = first;
    out
}

fn assess(settings: &TrialSettings, fleet: &Fleet, as_of: i32) -> Evidence {
    evidence::assess(&Input {
        register: &fleet.register,
        days: &fleet.days,
        services: &fleet.services,
        refuels: &fleet.refuels,
        test: &settings.test,
        decide: &settings.decide,
        as_of,
    })
}

/// Limits crossed, earliest first.
fn crossings(findings: &VehicleFindings) -> Vec<(i32, Ground)> {
    let mut seen = Vec::new();
    for s in &findings.series {
        seen.extend(s.flagged_up.map(|day| (day, Ground::Drift(s.kind, true))));
        seen.extend(s.flagged_down.map(|day| (day, Ground::Drift(s.kind, false))));
        seen.extend(s.level_on.map(|day| (day, Ground::Level(s.kind))));
        seen.extend(s.near_limit_on.map(|day| (day, Ground::NearLimit(s.kind))));
    }
    let misfires = findings.misfires.as_ref().and_then(|m| m.flagged_on);
    seen.extend(misfires.map(|day| (day, Ground::Misfire)));
    seen.sort_unstable();
    seen
}

/// First look at or after `day`, within the period.
fn look_after(fleet: &Fleet, day: i32) -> Option<i32> {
    let k = (day - FIRST_DAY + 1).div_euclid(LOOK_DAYS)
        + i32::from((day - FIRST_DAY + 1).rem_euclid(LOOK_DAYS) > 0);
    let look = FIRST_DAY + k * LOOK_DAYS - 1;
    (look <= fleet.period.1).then_some(look)
}

/// Looks wanted of a vehicle: at the flag, at 6 % of a flagged fault, and 60 and 120 days after the flag.
fn looks(fleet: &Fleet, truth: &Truth, flag: Option<(i32, Ground)>) -> [Option<i32>; 4] {
    let Some((flag, _)) = flag else { return [None; 4] };
    let at = |day: i32| look_after(fleet, day);
    let six = reaches(fleet, 6.0, |day| truth.severity(day));
    [at(flag), six.and_then(|day| at(day.max(flag))), at(flag + 60), at(flag + 120)]
}

/// First day on which the fault is of a `size` of so many percent.
fn reaches(fleet: &Fleet, percent: f64, size: impl Fn(i32) -> f64) -> Option<i32> {
    (fleet.period.0..=fleet.period.1).find(|day| size(*day) >= percent)
}

fn blank(number: usize, fleet: &Fleet, v: usize, flags: &Flags) -> VehicleRun {
    let truth = &fleet.truths[v];
    let vehicle = fleet.register[v].clone();
    let flag = flags.first[v];
    let alarms = plain_rules::alarms(&fleet.days[&vehicle.vehicle], vehicle.banks);
    let onset = truth.fault.as_ref().map_or(i32::MAX, |f| f.onset);
    let day = flag.map_or(fleet.period.0, |f| f.0);
    VehicleRun {
        fleet: number,
        fault: truth.fault.clone(),
        joined: truth.joined,
        end: fleet.period.1,
        flag,
        grounds: flags.grounds[v].clone(),
        km_at_flag: truth.km_since_onset(day),
        severity: Grown::of(fleet, day, |day| truth.severity(day)),
        in_trim: Grown::of(fleet, day, |day| truth.in_trim(day)),
        at_flag: None,
        at_six: None,
        later: [None, None],
        flag_moved: false,
        steps_at_flag: truth.steps_on(day) - truth.steps_on(fleet.period.0 + 60),
        plain_false: [0, 1, 2].map(|r: usize| alarms[r].first().copied().filter(|d| *d < onset)),
        plain_found: [0, 1, 2].map(|r: usize| {
            let day = alarms[r].iter().copied().find(|d| *d >= onset)?;
            Some((day, truth.severity(day)))
        }),
        economy: [flags.economy[v], [None; 2], [None; 2]],
        work: flags.work[v].clone(),
        vehicle,
    }
}

/// What is stated of the fuel per km, beside what the fault makes of it between the same days.
fn economy(fleet: &Fleet, v: usize, stated: Option<&EconomyFinding>) -> Economy {
    let truth = &fleet.truths[v];
    let misread =
        fleet.days[&fleet.register[v].vehicle].first().is_some_and(|d| d.fuel_from_airflow)
            && truth.fault.as_ref().is_some_and(|f| f.kind.misleads_airflow());
    let Some(e) = stated else { return [None; 2] };
    [
        e.change_days.filter(|_| !misread).map(|days| (e.change_pct, truth.economy_change(days))),
        e.refuel_days.map(|days| (e.refuel_change_pct, truth.economy_change(days))),
    ]
}

fn said(
    settings: &TrialSettings,
    fleet: &Fleet,
    v: usize,
    findings: &VehicleFindings,
    day: i32,
) -> Said {
    let truth = &fleet.truths[v];
    let verdict: Verdict =
        decide(&fleet.register[v], findings, &settings.test, &settings.decide, day);
    let stated = verdict.drift_per_10000km;
    let series =
        findings.series.iter().find(|s| stated.is_known() && s.drift_per_10000km == stated);
    let driven = truth.km_since_onset(day) / 10_000.0;
    // What came off at once has no rate per distance that an interval could cover.
    let sudden = truth.fault.as_ref().is_some_and(|f| f.kind == FaultKind::HoseOff);
    let worked_on = truth.repair.is_some_and(|r| day >= r.day);
    let drift = series.filter(|_| driven > 0.0 && !sudden && !worked_on).and_then(|s| {
        let accumulated = match s.kind {
            SeriesKind::TrimAll => {
                let banks = fleet.register[v].banks;
                (0..banks).map(|b| truth.trim(day, b, None)).sum::<f64>() / banks as f64
            }
            SeriesKind::TrimBank(bank) => truth.trim(day, bank - 1, None),
            SeriesKind::Trim(bank, band) => truth.trim(day, bank - 1, Some(band)),
            SeriesKind::BankGap
            | SeriesKind::LoadGap
            | SeriesKind::IdleGap
            | SeriesKind::IdleThrottle
            | SeriesKind::Breathing
            | SeriesKind::WarmupGap => return None,
        };
        Some((s.kind, stated, accumulated / driven))
    });
    let named = findings.causes.first();
    let right = truth.fault.as_ref().map(|f| f.kind.cause());
    let of_right = findings.causes.iter().find(|c| Some(c.cause) == right);
    let witnesses: BTreeMap<&'static str, (f64, f64)> = named
        .zip(of_right)
        .map(|(a, b)| {
            a.contributions.iter().zip(&b.contributions).map(|(x, y)| (x.0, (x.1, y.1))).collect()
        })
        .unwrap_or_default();
    Said {
        day,
        acted: verdict.state == State::Act,
        action: verdict.action,
        cause: verdict.cause,
        witnesses: witnesses.into_iter().map(|(name, (a, b))| (name, a, b)).collect(),
        drift,
        severity: truth.severity(day),
        changes: findings.series.iter().map(|s| (s.kind, s.change_from_first)).collect(),
    }
}
