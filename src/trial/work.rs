//! What is said of workshop work against what it did: intervals that cover, verdicts that are right.
//!
//! Comes in: a simulated fleet and the evidence at its end. Goes out: one [`Work`] per recorded job that could be judged,
//! and what they come to. The change of the trim is held against what the work took away on its day; steps of fuel and
//! sensors are not the work's, so they count against the interval.

use super::TrialResult;
use super::figures::Coverage;
use super::generator::Fleet;
use super::settings::TrialSettings;
use crate::evidence::Evidence;
use crate::outcomes;
use crate::tables::findings::{Estimate, Outcome};
use std::ops::Range;

/// Days before the job, and from when to when after it, that are compared; as the outcomes state them.
const BEFORE: Range<i32> = -45..0;
const AFTER: Range<i32> = 7..52;

/// One job.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Work {
    /// Change of the trim as stated, and what the work truly did to it, log-percent; 0 of work in vain.
    pub(super) trim: (Estimate, f64),
    /// Change of fuel per km as stated, and the true one between the same days, percent; where logs share a sensor's
    /// error left out.
    pub(super) fuel: Option<(Estimate, f64)>,
    /// Misfires per 1,000 revolutions that it took away, of a vehicle that counts them.
    pub(super) misfires: f64,
    /// Share that it left.
    pub(super) left: f64,
    pub(super) verdict: &'static str,
    /// What the fault did to the trim before, log-percent.
    pub(super) stood: f64,
}

/// The jobs of each vehicle, in register order.
pub(super) fn judge(
    settings: &TrialSettings,
    fleet: &Fleet,
    evidence: &Evidence,
) -> Vec<Vec<Work>> {
    let end = fleet.period.1;
    let (adjusted, fuel) = (&evidence.adjusted, &evidence.adjusted_fuel);
    let said =
        outcomes::assess(&fleet.services, adjusted, fuel, &fleet.days, &settings.decide, end);
    let mut jobs: Vec<Vec<Work>> = fleet.register.iter().map(|_| Vec::new()).collect();
    for outcome in said.iter().filter(|o| o.trim_change_pct.is_known()) {
        if let Some(v) = fleet.register.iter().position(|x| x.vehicle == outcome.vehicle) {
            jobs[v].extend(held(fleet, v, outcome));
        }
    }
    jobs
}

/// One job beside the truth; `None` where another one falls into its days.
fn held(fleet: &Fleet, v: usize, outcome: &Outcome) -> Option<Work> {
    let truth = &fleet.truths[v];
    let days = &fleet.days[&outcome.vehicle];
    let job = outcome.day;
    let alone = fleet.services.iter().all(|s| {
        let apart = s.day < job + BEFORE.start || s.day >= job + AFTER.end;
        s.vehicle != outcome.vehicle || s.day == job || apart
    });
    if !alone {
        return None;
    }
    // The bank that stands further off, as the outcomes take it.
    let stood = |bank: &usize| truth.trim(job - 1, *bank, None).abs();
    let banks = 0..fleet.register[v].banks;
    let bank = banks.max_by(|a, b| stood(a).total_cmp(&stood(b)))?;
    let left = truth.repair.filter(|r| r.day == job).map_or(1.0, |r| r.left);
    let [was, is] = [job - 1, job].map(|day| truth.trim(day, bank, None));
    let counts = days.iter().any(|d| d.misfires.is_some());
    let misfiring = |day: i32| {
        let fault = truth.fault.as_ref().filter(|f| day >= f.onset);
        fault.map_or(0.0, |f| f.misfires(truth.severity(day)).0)
    };
    let misread = days.first().is_some_and(|d| d.fuel_from_airflow)
        && truth.fault.as_ref().is_some_and(|f| f.kind.misleads_airflow());
    let economy = outcome.economy_change_pct;
    let spans = [BEFORE, AFTER].map(|w| (job + w.start, job + w.end - 1));
    Some(Work {
        trim: (outcome.trim_change_pct, if left < 1.0 { is - was } else { 0.0 }),
        fuel: (economy.is_known() && !misread).then(|| (economy, truth.economy_change(spans))),
        misfires: if counts { misfiring(job - 1) - misfiring(job) } else { 0.0 },
        left,
        verdict: outcome.verdict,
        stood: was,
    })
}

/// Size of a change of the trim from which a job counts as one that had something to take away, log-percent.
const STOOD_PCT: f64 = 3.0;

/// Misfires per 1,000 revolutions from which the same holds.
const MISFIRES: f64 = 0.5;

/// A kind of job by what it truly did.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Did {
    /// Took at least three quarters of a raised (or fallen) trim away.
    Most,
    /// Took a part away.
    Part,
    /// Took nothing of it away.
    Nothing,
    /// Took misfires away, with little in the trim.
    Misfires,
    /// There was nothing that shows in the trim or as misfires.
    NothingThere,
}

impl Did {
    /// All of them, with their names in tables.
    pub(super) const ALL: [(Did, &'static str); 5] = [
        (Did::Most, "took most of it away"),
        (Did::Part, "took a part away"),
        (Did::Nothing, "took nothing away"),
        (Did::Misfires, "took misfires away"),
        (Did::NothingThere, "nothing there to be seen"),
    ];
}

impl Work {
    fn did(&self) -> Did {
        match self.left {
            _ if self.stood.abs() < STOOD_PCT => match self.misfires >= MISFIRES {
                true => Did::Misfires,
                false => Did::NothingThere,
            },
            left if left <= 0.25 => Did::Most,
            left if left < 1.0 => Did::Part,
            _ => Did::Nothing,
        }
    }
}

/// What the verdicts can be, in the columns of the table.
pub(super) const VERDICTS: [&str; 4] = ["worked", "no_effect", "worse", "unclear"];

/// Verdicts (columns as [`VERDICTS`]) by what the work did (rows as [`Did::ALL`]).
pub(super) fn verdicts(result: &TrialResult) -> Vec<[usize; VERDICTS.len()]> {
    let mut table = vec![[0; VERDICTS.len()]; Did::ALL.len()];
    for work in result.vehicles().flat_map(|v| &v.work) {
        let row = Did::ALL.iter().position(|(did, _)| *did == work.did());
        let column = VERDICTS.iter().position(|v| *v == work.verdict);
        if let (Some(row), Some(column)) = (row, column) {
            table[row][column] += 1;
        }
    }
    table
}

/// Coverage by name: what the work did to the trim, and to fuel.
pub(super) fn coverage(result: &TrialResult) -> Vec<(&'static str, Coverage)> {
    let all: Vec<&Work> = result.vehicles().flat_map(|v| &v.work).collect();
    let trim = |keep: &dyn Fn(&Work) -> bool| {
        let kept = all.iter().filter(|w| keep(w));
        let held = kept.map(|w| (w.trim.0.value, w.trim.0.lo, w.trim.0.hi, w.trim.1));
        Coverage::of(&held.collect::<Vec<_>>())
    };
    let there = |w: &Work| w.stood.abs() >= STOOD_PCT;
    let fuel = all.iter().filter_map(|w| w.fuel).map(|(e, t)| (e.value, e.lo, e.hi, t));
    vec![
        ("trim, work on a fault", trim(&there)),
        ("trim, nothing there", trim(&|w| !there(w))),
        ("fuel/km after work", Coverage::of(&fuel.collect::<Vec<_>>())),
    ]
}
