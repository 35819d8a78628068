//! The run record: what was read, what it cost, which settings and lake versions it rests on.

use super::{Error, Fleet, RunEnd};
use crate::lake::Snapshot;
use crate::settings::Pipeline;
use crate::tables::findings::State;
use serde_json::{Value, json};
use std::time::{Duration, Instant};

/// Wall-clock time by stage. The only part of the outputs that differs between two equal runs.
#[derive(Debug, Default)]
pub(super) struct Stages {
    times: Vec<(&'static str, Duration)>,
}

impl Stages {
    /// Runs `work` and keeps its time under `name`.
    pub(super) fn time<T>(&mut self, name: &'static str, work: impl FnOnce() -> T) -> T {
        let started = Instant::now();
        let result = work();
        self.add(name, started.elapsed());
        result
    }

    /// Keeps a time measured elsewhere.
    pub(super) fn add(&mut self, name: &'static str, time: Duration) {
        self.times.push((name, time));
    }
}

/// The record of a run as JSON.
///
/// # Errors
/// [`Error::Lake`] if the rejects cannot be counted.
pub(super) fn run_record(
    pipeline: &Pipeline,
    fleet: &Fleet,
    end: &RunEnd,
    snapshot: &Snapshot,
    stages: &Stages,
) -> Result<Value, Error> {
    let inputs: Vec<Value> = end
        .ingested
        .files
        .iter()
        .map(|f| {
            json!({
                "path": f.path,
                "profile": f.profile,
                "outcome": f.outcome.as_str(),
                "problem": f.problem,
                "rows_read": f.rows_read,
                "rows_kept": f.rows_kept,
                "rows_rejected": f.rows_rejected,
                "rejected_by_reason": f.rejected_by_reason,
                "left_out": f.left_out,
                "digest": f.digest,
            })
        })
        .collect();
    let count = |state| end.judged.ranked.iter().filter(|r| r.verdict.state == state).count();
    Ok(json!({
        "tool": "trimdrift",
        "tool_version": env!("CARGO_PKG_VERSION"),
        "settings_digest": pipeline.digest,
        "as_of": crate::report::words::iso_day(end.judged.as_of),
        "inputs": inputs,
        "totals": {
            "files": end.ingested.files.len(),
            "rows_read": end.ingested.rows_read(),
            "rows_kept": end.ingested.rows_kept(),
            "rows_rejected": end.ingested.rows_rejected(),
            "rows_repeated": end.ingested.rows_repeated(),
            "unusable_share_pct": end.ingested.unusable_share_pct(),
            "unreadable": end.ingested.unreadable(),
        },
        "fleet": {
            "registered": fleet.register.len(),
            "unregistered_vehicles_in_lake": end.judged.unregistered,
            "problems": fleet.problems,
        },
        "lake_versions": snapshot.versions(),
        "rejects_in_lake_by_reason": snapshot.rejects_by_reason()?,
        "vehicles_with_trips_derived_anew": end.rederived_vehicles,
        "states": {
            "act": count(State::Act),
            "watch": count(State::Watch),
            "sound": count(State::Sound),
            "too_little_data": count(State::TooLittleData),
        },
        "false_flags": {
            "designed_per_vehicle_year": end.judged.guarantee.designed_per_vehicle_year,
            "mirror_designed_per_vehicle_year": end.judged.guarantee.mirror_designed_per_vehicle_year,
            "mirror_flags": end.judged.guarantee.mirror_flags,
            "mirror_vehicle_years": end.judged.guarantee.mirror_vehicle_years,
        },
        "stage_seconds": stages
            .times
            .iter()
            .map(|(name, time)| ((*name).to_owned(), json!(time.as_secs_f64())))
            .collect::<serde_json::Map<_, _>>(),
    }))
}
