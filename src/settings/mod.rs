//! Checked settings: what a pipeline file says, with every number inside its range.
//!
//! In: the text of a pipeline TOML. Out: one struct per stage, or a refusal that names file, line and
//! the nearest valid key. Nothing here touches a stage, a log or the clock.

mod keys;
mod written;

pub use keys::{CostSettings, DecideSettings, GateSettings, IngestSettings, KeySpec, TestSettings};
pub use written::load;

use std::path::PathBuf;

/// A checked pipeline.
#[derive(Debug, Clone)]
pub struct Pipeline {
    /// The pipeline file.
    pub file: PathBuf,
    /// Fleet tables.
    pub fleet: FleetFiles,
    /// Log sources, in the order of the file.
    pub sources: Vec<Source>,
    /// Lake folder or object-store URL.
    pub lake: String,
    /// Output folder.
    pub output: PathBuf,
    /// Key for pseudonyms of vehicle names, if they are wanted.
    pub pseudonym_key: Option<[u8; 32]>,
    /// Reading of logs.
    pub ingest: IngestSettings,
    /// Gate and bands.
    pub gate: GateSettings,
    /// Statistical tests.
    pub test: TestSettings,
    /// Decision.
    pub decide: DecideSettings,
    /// Money.
    pub cost: CostSettings,
    /// Currency sign or code for reports.
    pub currency: String,
    /// Digest of everything above that can change a result.
    pub digest: String,
}

/// Paths of the fleet's own tables.
#[derive(Debug, Clone)]
pub struct FleetFiles {
    /// Register of vehicles.
    pub register: PathBuf,
    /// Workshop records.
    pub services: Option<PathBuf>,
    /// Fuel purchases.
    pub refuels: Option<PathBuf>,
}

/// One `[[source]]` of the pipeline.
#[derive(Debug, Clone)]
pub struct Source {
    /// Name of a built-in profile, or path of a profile file.
    pub profile: ProfileRef,
    /// Glob patterns, resolved against the pipeline's folder.
    pub files: Vec<PathBuf>,
}

/// Where a source profile comes from.
#[derive(Debug, Clone)]
pub enum ProfileRef {
    /// Compiled in.
    BuiltIn(String),
    /// A TOML file.
    File(PathBuf),
}

/// Why settings were refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SettingsError {
    /// The file cannot be read.
    #[error("cannot read the pipeline file {path}: {source}. Check the path and the permissions")]
    Unreadable {
        /// Pipeline file.
        path: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// The file is not TOML.
    #[error("{path}, line {line}: not valid TOML: {message}")]
    Syntax {
        /// Pipeline file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// What the parser says.
        message: String,
    },
    /// A key that does not exist.
    #[error("{path}, line {line}: unknown key `{key}`{hint}. Valid keys here: {valid}")]
    UnknownKey {
        /// Pipeline file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The key as written.
        key: String,
        /// Nearest valid key, as a half sentence.
        hint: String,
        /// All valid keys.
        valid: String,
    },
    /// A value of the wrong type.
    #[error("{path}, line {line}: `{key}` must be {expected}, not {found}")]
    WrongType {
        /// Pipeline file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The key.
        key: String,
        /// What is wanted.
        expected: String,
        /// What stands there.
        found: String,
    },
    /// A number outside its range.
    #[error(
        "{path}, line {line}: `{key}` = {value} is out of range: it must lie between {min} and {max} (default {default})"
    )]
    OutOfRange {
        /// Pipeline file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The key.
        key: String,
        /// The value.
        value: f64,
        /// Lowest value.
        min: f64,
        /// Highest value.
        max: f64,
        /// Default.
        default: f64,
    },
    /// A key that must be there and is not.
    #[error("{path}: `{key}` is missing. Add it, for example: {example}")]
    Missing {
        /// Pipeline file.
        path: PathBuf,
        /// The key.
        key: &'static str,
        /// How to write it.
        example: &'static str,
    },
    /// The file with the pseudonym key is of no use.
    #[error("{path}: the pseudonym key must be a file of at least 16 bytes: {reason}")]
    PseudonymKey {
        /// Key file.
        path: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
}
