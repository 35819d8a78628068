//! Results to files: the door of the report stage.
//!
//! Comes in: the ranked fleet, outcomes, row counts and the figures that say how far to trust them
//! ([`ReportInput`]). Goes out: `ranking.csv`, `findings.parquet`, `outcomes.csv`,
//! `outcome_summary.csv`, the folder `report/` and `run.json`, each replaced as a whole. Nothing is
//! computed here but rounding; each format has one file that returns bytes and touches no disk.

pub mod cautions;
mod cells;
pub mod explain;
pub mod findings_file;
pub mod outcomes_file;
pub mod pages;
pub mod ranking_file;
mod replace;
pub mod run_file;
pub mod terminal;
pub mod words;

use crate::tables::findings::{
    GroupAlarm, GuaranteeFigures, Outcome, OutcomeSummary, RankedVehicle, State,
};
use std::path::{Path, PathBuf};

/// Rows of one input file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileCounts {
    /// File as the pipeline names it.
    pub file: String,
    /// Rows kept.
    pub kept: u64,
    /// Rows rejected.
    pub rejected: u64,
}

/// Everything that the report shows.
#[derive(Debug, Clone, Copy)]
pub struct ReportInput<'a> {
    /// Day of the report, days since 1970-01-01: nothing recorded later was used.
    pub as_of_day: i32,
    /// Currency as written before amounts.
    pub currency: &'a str,
    /// Total correction at which the engine computer gives up, percent.
    pub correction_limit_pct: f64,
    /// Registered vehicles, most urgent first.
    pub ranked: &'a [RankedVehicle],
    /// Judged workshop jobs.
    pub outcomes: &'a [Outcome],
    /// The same summed up by kind of work.
    pub summaries: &'a [OutcomeSummary],
    /// Rows kept and rejected by file.
    pub files: &'a [FileCounts],
    /// Engine families that drift as a whole.
    pub group_alarms: &'a [GroupAlarm],
    /// Designed and measured rate of false flags.
    pub guarantee: GuaranteeFigures,
    /// Version of the tool.
    pub tool_version: &'a str,
    /// What the reader must know about this run.
    pub notes: &'a [String],
}

impl<'a> ReportInput<'a> {
    /// The vehicles in `state`, most urgent first.
    pub fn in_state(&self, state: State) -> impl Iterator<Item = &'a RankedVehicle> + use<'a> {
        self.ranked.iter().filter(move |v| v.verdict.state == state)
    }

    /// Number of vehicles in `state`.
    pub fn count(&self, state: State) -> usize {
        self.in_state(state).count()
    }
}

/// What can go wrong while results are written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// No space is left.
    #[error(
        "no space left on the disk while writing {path}: free some space or set `path` under [output] to another disk, then run again; the earlier results are untouched"
    )]
    DiskFull {
        /// File or folder.
        path: PathBuf,
    },
    /// The place may not be written to.
    #[error(
        "{path} can't be written ({reason}): give this user write permission there or set `path` under [output] to another folder"
    )]
    NotWritable {
        /// File or folder.
        path: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// The report folder holds something that no report contains, so replacing it would destroy it.
    #[error(
        "{folder} holds {found}, which is no part of a report: the folder is replaced as a whole at every run, so move that away or set `path` under [output] to another folder"
    )]
    ForeignContent {
        /// Report folder.
        folder: PathBuf,
        /// First thing found that is not ours.
        found: String,
    },
    /// Any other failure of the file system.
    #[error(
        "{path} could not be written: {source}; check that the folder exists and the disk is sound, then run again"
    )]
    Write {
        /// File or folder.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// A format refused its rows: a fault of this program.
    #[error(
        "{file} could not be encoded ({reason}): this is a fault of trimdrift, please report it"
    )]
    Encode {
        /// File name.
        file: &'static str,
        /// What the encoder said.
        reason: String,
    },
}

/// Writes every output but the run record into `folder` (made if missing), each replaced at once.
///
/// # Errors
/// A full disk, a folder that can't be written, foreign files inside `report/`; each names the path.
pub fn write(input: &ReportInput<'_>, folder: &Path) -> Result<(), ReportError> {
    let files = [
        ("ranking.csv", ranking_file::bytes(input)?),
        ("findings.parquet", findings_file::bytes(input)?),
        ("outcomes.csv", outcomes_file::jobs(input)?),
        ("outcome_summary.csv", outcomes_file::summary(input)?),
    ];
    replace::make_folder(folder)?;
    for (name, bytes) in &files {
        replace::file(&folder.join(name), bytes)?;
    }
    replace::folder(&folder.join("report"), pages::all(input))
}

/// Writes the run record to `run.json` in `folder`; meant to come last, so that it vouches for the rest.
///
/// # Errors
/// As [`write`].
pub fn write_run_record(record: &serde_json::Value, folder: &Path) -> Result<(), ReportError> {
    replace::make_folder(folder)?;
    replace::file(&folder.join("run.json"), run_file::text(record)?.as_bytes())
}

/// Writes the two outcome files alone.
///
/// # Errors
/// As [`write`].
pub fn write_outcomes(input: &ReportInput<'_>, folder: &Path) -> Result<(), ReportError> {
    replace::make_folder(folder)?;
    replace::file(&folder.join("outcomes.csv"), &outcomes_file::jobs(input)?)?;
    replace::file(&folder.join("outcome_summary.csv"), &outcomes_file::summary(input)?)
}
