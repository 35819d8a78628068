//! What became of each input file: as the run record shows it, and as it may be told.
//!
//! Comes in: paths, profiles, counts and errors of the reading. Goes out: [`Ingested`]. Never: opens a file.

use crate::ingest::{IngestError, Profile, pseudonym};
use crate::settings::Pipeline;
use crate::tables::samples::RejectCode;
use std::collections::BTreeMap;
use std::path::Path;

/// What became of one input file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InputOutcome {
    /// Read for the first time.
    New,
    /// A known file that has grown; its new rows were read.
    Grown,
    /// Known content, under this name or another.
    Unchanged,
    /// It cannot be read.
    Unreadable,
}

impl InputOutcome {
    /// Name in files.
    pub fn as_str(self) -> &'static str {
        match self {
            InputOutcome::New => "new",
            InputOutcome::Grown => "grown",
            InputOutcome::Unchanged => "unchanged",
            InputOutcome::Unreadable => "unreadable",
        }
    }
}

/// One input file as the run record shows it.
#[derive(Debug, Clone)]
pub struct InputFile {
    /// Path.
    pub path: String,
    /// Profile.
    pub profile: String,
    /// What became of it.
    pub outcome: InputOutcome,
    /// Why it cannot be read.
    pub problem: Option<String>,
    /// Rows read this time.
    pub rows_read: u64,
    /// Rows kept.
    pub rows_kept: u64,
    /// Rows rejected.
    pub rows_rejected: u64,
    /// Rejected rows by reason.
    pub rejected_by_reason: BTreeMap<String, u64>,
    /// Signals with values out of range that were taken as not available, each with the first of them; the rows were kept.
    pub left_out: Vec<String>,
    /// Digest of the file.
    pub digest: String,
}

impl InputFile {
    fn repeated(&self) -> u64 {
        let code = RejectCode::DuplicateTime.as_str();
        self.rejected_by_reason.get(code).copied().unwrap_or(0)
    }

    pub(super) fn unusable(&self) -> u64 {
        self.rows_rejected.saturating_sub(self.repeated())
    }
}

/// One night's reading.
#[derive(Debug, Default)]
pub struct Ingested {
    /// Every input file, by path.
    pub files: Vec<InputFile>,
}

impl Ingested {
    /// Rows read.
    pub fn rows_read(&self) -> u64 {
        self.files.iter().map(|f| f.rows_read).sum()
    }

    /// Rows kept.
    pub fn rows_kept(&self) -> u64 {
        self.files.iter().map(|f| f.rows_kept).sum()
    }

    /// Rows rejected.
    pub fn rows_rejected(&self) -> u64 {
        self.files.iter().map(|f| f.rows_rejected).sum()
    }

    /// Share of rows that could not be used, percent; 0 if nothing was read.
    ///
    /// Rows that a slow logger wrote twice are rejected, but nothing is wrong with them: they do not count.
    pub fn unusable_share_pct(&self) -> f64 {
        let read = self.rows_read();
        let unusable: u64 = self.files.iter().map(InputFile::unusable).sum();
        if read == 0 { 0.0 } else { 100.0 * unusable as f64 / read as f64 }
    }

    /// Rows that repeat the vehicle and time of another.
    pub fn rows_repeated(&self) -> u64 {
        self.files.iter().map(InputFile::repeated).sum()
    }

    /// Files that cannot be read.
    pub fn unreadable(&self) -> usize {
        self.files.iter().filter(|f| f.outcome == InputOutcome::Unreadable).count()
    }
}

pub(super) fn reject_message(f: &InputFile) -> String {
    let repeated = RejectCode::DuplicateTime.as_str();
    let reasons: Vec<String> = f
        .rejected_by_reason
        .iter()
        .filter(|(code, _)| *code != repeated)
        .map(|(code, n)| format!("{n} {code}"))
        .collect();
    format!(
        "{}: {} of {} rows rejected ({}); see the rejects table of the lake for row, column and text",
        f.path,
        f.unusable(),
        f.rows_read,
        reasons.join(", ")
    )
}

pub(super) fn left_out_message(f: &InputFile) -> String {
    format!(
        "{}: values out of range were taken as not available ({}); where they are no measurement, name them under `null` in the profile",
        f.path,
        f.left_out.join("; ")
    )
}

pub(super) fn unreadable(
    pipeline: &Pipeline,
    path: &Path,
    profile: &Profile,
    error: &IngestError,
) -> InputFile {
    InputFile {
        outcome: InputOutcome::Unreadable,
        problem: Some(told(pipeline, path, error)),
        ..input_file(pipeline, path, profile, "")
    }
}

/// The error, with the path as it may be shown.
fn told(pipeline: &Pipeline, path: &Path, error: &IngestError) -> String {
    error.to_string().replace(&path.display().to_string(), &shown_path(pipeline, path))
}

/// The path of an input as it is kept and shown: from the folder of the pipeline file, so that it does not
/// matter where the program was started. File names often hold the vehicle's name, so with pseudonyms the
/// file name is one as well.
pub(super) fn shown_path(pipeline: &Pipeline, path: &Path) -> String {
    let path = pipeline.file.parent().and_then(|home| path.strip_prefix(home).ok()).unwrap_or(path);
    match (&pipeline.pseudonym_key, path.file_name()) {
        (Some(key), Some(name)) => {
            let name = pseudonym(key, &name.to_string_lossy());
            path.with_file_name(name).display().to_string()
        }
        _ => path.display().to_string(),
    }
}

pub(super) fn input_file(
    pipeline: &Pipeline,
    path: &Path,
    profile: &Profile,
    digest: &str,
) -> InputFile {
    InputFile {
        path: shown_path(pipeline, path),
        profile: profile.name().to_owned(),
        outcome: InputOutcome::Unchanged,
        problem: None,
        rows_read: 0,
        rows_kept: 0,
        rows_rejected: 0,
        rejected_by_reason: BTreeMap::new(),
        left_out: Vec::new(),
        digest: digest.to_owned(),
    }
}
