//! Runs the stages in order; the only place where they meet.
//!
//! ```text
//! settings ─► ingest + condense ─► lake ─► days ─► evidence ─► decide ─► rank ─► report
//!                                                     └► outcomes
//! ```
//!
//! The clock is an argument. Nothing here parses, computes a statistic or formats a page.

mod bench_lake;
mod check;
mod error;
mod explain;
mod fleet;
mod inputs;
mod judge;
mod new_files;
mod nightly;
mod record;
mod rederive;
mod side_by_side;

pub use bench_lake::bench_lake;
pub use check::{Checked, check};
pub use error::Error;
pub use explain::explain;
pub use fleet::Fleet;
pub use inputs::{Ingested, InputFile, InputOutcome};
pub use judge::{Judged, judge};
pub use nightly::ingest;

use crate::ingest::BUILT_IN;
use crate::lake::{Lake, Mode};
use crate::report;
use crate::settings::{self, Pipeline};
use std::path::Path;
use std::time::Instant;

/// What the caller hears while a run goes on.
pub trait Progress: Sync {
    /// A stage begins; `total` steps if known.
    fn stage(&self, name: &str, total: Option<u64>);
    /// `done` steps of the stage are over.
    fn advance(&self, done: u64);
    /// Something the user must know, which does not stop the run.
    fn warn(&self, message: &str);
}

/// How a run is asked for.
#[derive(Debug, Clone, Copy)]
pub struct RunOptions {
    /// Last day that counts, days since 1970-01-01; the last day in the lake if `None`.
    pub as_of: Option<i32>,
    /// Time of the run, UTC microseconds: samples later than it (and the set grace) are rejected.
    pub clock_us: i64,
}

/// How a run ended, for the exit code.
#[derive(Debug)]
pub struct RunEnd {
    /// The ranked fleet and its evidence.
    pub judged: Judged,
    /// What was ingested.
    pub ingested: Ingested,
    /// More rows were rejected than the set share.
    pub too_many_rejects: bool,
    /// Some input could not be read.
    pub unreadable_inputs: bool,
    /// Vehicles whose trips were derived anew, because settings or their register entry changed.
    pub rederived_vehicles: usize,
}

/// Loads and checks a pipeline file.
///
/// # Errors
/// [`Error::Settings`].
pub fn load(path: &Path) -> Result<Pipeline, Error> {
    Ok(settings::load(path, BUILT_IN)?)
}

/// The whole job: read what is new, judge the fleet, write every output.
///
/// # Errors
/// [`Error`] if the settings, the register, the lake or the output folder cannot be used. A log file that
/// cannot be read is not an error: the others go on and [`RunEnd::unreadable_inputs`] says so.
pub fn run(
    pipeline: &Pipeline,
    options: RunOptions,
    progress: &dyn Progress,
) -> Result<RunEnd, Error> {
    let mut stages = record::Stages::default();
    let fleet = stages.time("fleet tables", || Fleet::read(pipeline, progress))?;
    let mut lake = Lake::open(&pipeline.lake, Mode::Write)?;
    let ingested = stages
        .time("ingest", || ingest(pipeline, &fleet, &mut lake, options.clock_us, progress))?;
    let rederived = stages.time("trips derived anew", || {
        rederive::rederive(pipeline, &fleet, &lake, options.clock_us, progress)
    })?;
    let snapshot = lake.snapshot()?;
    let judged =
        stages.time("evidence", || judge(pipeline, &fleet, &snapshot, options.as_of, progress))?;
    let end = RunEnd {
        too_many_rejects: ingested.unusable_share_pct() > pipeline.ingest.rejected_share_max_pct,
        unreadable_inputs: ingested.unreadable() > 0 || fleet.unusable_rows > 0,
        rederived_vehicles: rederived,
        judged,
        ingested,
    };
    progress.stage("report", None);
    let started = Instant::now();
    let input = end.judged.report_input(pipeline);
    report::write(&input, &pipeline.output)?;
    stages.add("report", started.elapsed());
    let record = record::run_record(pipeline, &fleet, &end, &snapshot, &stages)?;
    report::write_run_record(&record, &pipeline.output)?;
    tidy(&lake, options.clock_us, progress);
    Ok(end)
}

/// Reads, condenses and commits what is new, and nothing else.
///
/// # Errors
/// As [`run`].
pub fn ingest_only(
    pipeline: &Pipeline,
    clock_us: i64,
    progress: &dyn Progress,
) -> Result<Ingested, Error> {
    let fleet = Fleet::read(pipeline, progress)?;
    let mut lake = Lake::open(&pipeline.lake, Mode::Write)?;
    let ingested = ingest(pipeline, &fleet, &mut lake, clock_us, progress)?;
    rederive::rederive(pipeline, &fleet, &lake, clock_us, progress)?;
    tidy(&lake, clock_us, progress);
    Ok(ingested)
}

/// Comes last and never makes a night fail: what could not be removed is only in the way, and tried again next time.
fn tidy(lake: &Lake, clock_us: i64, progress: &dyn Progress) {
    if let Err(error) = lake.tidy(clock_us) {
        progress.warn(&format!("old files of the lake were not removed: {error}"));
    }
}

/// Judges the fleet from what is in the lake.
///
/// # Errors
/// As [`run`]; the lake is only read.
pub fn rank_only(
    pipeline: &Pipeline,
    as_of: Option<i32>,
    progress: &dyn Progress,
) -> Result<Judged, Error> {
    let fleet = Fleet::read(pipeline, progress)?;
    let snapshot = Lake::open(&pipeline.lake, Mode::Read)?.snapshot()?;
    judge(pipeline, &fleet, &snapshot, as_of, progress)
}
