//! Exit codes and how a failure is told.

use crate::demo::DemoError;
use crate::lake::LakeError;
use crate::pipeline::Error;
use crate::report::ReportError;
use std::process::ExitCode;

/// Documented exit codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Code {
    /// Done.
    Done = 0,
    /// Wrong usage.
    Usage = 2,
    /// Done, but more rows were rejected than the set share.
    TooManyRejects = 3,
    /// An input cannot be read.
    InputUnreadable = 4,
    /// Settings refused.
    SettingsRefused = 5,
    /// The lake or the output folder cannot be used.
    LakeUnusable = 6,
    /// Another run holds the lake.
    LakeHeld = 7,
}

impl From<Code> for ExitCode {
    fn from(code: Code) -> ExitCode {
        ExitCode::from(code as u8)
    }
}

/// Why a command could not be carried out.
#[derive(Debug, thiserror::Error)]
pub(super) enum Failure {
    /// A stage failed.
    #[error(transparent)]
    Pipeline(Box<Error>),
    /// The demo could not be written.
    #[error(transparent)]
    Demo(#[from] DemoError),
    /// A file that was asked for cannot be written.
    #[error("cannot write {path}: {source}. Check that the folder exists and may be written")]
    Write {
        /// File.
        path: std::path::PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// stdout cannot be written.
    #[error("cannot write to stdout: {0}")]
    Stdout(std::io::Error),
}

impl From<Error> for Failure {
    fn from(e: Error) -> Failure {
        Failure::Pipeline(Box::new(e))
    }
}

impl From<ReportError> for Failure {
    fn from(e: ReportError) -> Failure {
        Error::Report(e).into()
    }
}

impl Failure {
    /// The exit code of the failure.
    pub(super) fn code(&self) -> Code {
        match self {
            Failure::Pipeline(e) => match e.as_ref() {
                Error::Settings(_) | Error::Profile(_) => Code::SettingsRefused,
                Error::FleetTable(_) | Error::Input(_) => Code::InputUnreadable,
                Error::Lake(LakeError::Held { .. }) => Code::LakeHeld,
                Error::Lake(_) | Error::Report(_) | Error::BenchFile { .. } => Code::LakeUnusable,
                Error::UnknownVehicle { .. } => Code::Usage,
            },
            Failure::Demo(_) | Failure::Write { .. } | Failure::Stdout(_) => Code::LakeUnusable,
        }
    }
}

/// One line on stderr.
pub(super) fn say(message: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "trimdrift: {message}");
}
