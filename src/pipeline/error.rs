//! Why a run could not be carried out, one variant per stage.

use crate::ingest::IngestError;
use crate::lake::LakeError;
use crate::report::ReportError;
use crate::settings::SettingsError;

/// Why a run could not be carried out.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Error {
    /// Settings refused.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// A source profile refused.
    #[error("{0}")]
    Profile(IngestError),
    /// A fleet table that cannot be read.
    #[error("{0}")]
    FleetTable(IngestError),
    /// A log file that was asked for by name cannot be read.
    #[error("{0}")]
    Input(IngestError),
    /// The lake cannot be used.
    #[error(transparent)]
    Lake(#[from] LakeError),
    /// The outputs cannot be written.
    #[error(transparent)]
    Report(#[from] ReportError),
    /// The benchmark's folder cannot be written.
    #[error("cannot write to {path}: {source}. Give a folder that can be written")]
    BenchFile {
        /// Folder.
        path: std::path::PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// A vehicle that is not in the register.
    #[error("no vehicle `{vehicle}` in {register}{hint}")]
    UnknownVehicle {
        /// Name as asked for.
        vehicle: String,
        /// Register file.
        register: String,
        /// Nearest name, as a half sentence.
        hint: String,
    },
}
