//! What can go wrong with a lake, and what to do about it.

use std::error::Error;
use std::io;

use deltalake::DeltaTableError;

/// A lake that cannot be opened, read or written. Nothing that was committed is lost by any of them.
#[derive(Debug, thiserror::Error)]
pub enum LakeError {
    /// Another run writes to this lake.
    #[error("another run holds the lake: {path} is locked; wait for it to end, then run again")]
    Held {
        /// The lock file.
        path: String,
    },
    /// The operating system refused.
    #[error("cannot {action} {path}: {source}; {remedy}")]
    Io {
        /// What was tried.
        action: &'static str,
        /// On which file or folder.
        path: String,
        /// What to do.
        remedy: &'static str,
        /// Its reason.
        source: io::Error,
    },
    /// The lake was written by a newer version of this program.
    #[error(
        "the lake at {path} has format {found}, this version knows formats up to {known}: use a newer version"
    )]
    Newer {
        /// Table.
        path: String,
        /// Format number in the lake.
        found: u32,
        /// Highest format number that this version knows.
        known: u32,
    },
    /// A table is not one of this program's.
    #[error("{path} is not a table of this program: {reason}; point the lake at another folder")]
    Foreign {
        /// Table.
        path: String,
        /// What differs.
        reason: String,
    },
    /// There is no lake to read.
    #[error("there is no lake at {path} yet; ingest something first")]
    Missing {
        /// Lake root.
        path: String,
    },
    /// The place cannot hold a lake.
    #[error("cannot keep a lake at {place}: {reason}; give a folder or a file:// URL")]
    Place {
        /// As given.
        place: String,
        /// Why not.
        reason: String,
    },
    /// A file of the lake does not read as it must.
    #[error(
        "{path} is damaged: {reason}; restore it from a backup, or move the lake away and ingest the logs again"
    )]
    Damaged {
        /// The file.
        path: String,
        /// What is wrong.
        reason: String,
    },
    /// The transaction log of a table refused.
    #[error("cannot {action} table {table}: {source}")]
    Delta {
        /// What was tried.
        action: &'static str,
        /// Table.
        table: String,
        /// Its reason.
        source: Box<DeltaTableError>,
    },
    /// A batch was put together wrongly by the caller.
    #[error("batch {batch}: {reason}")]
    Misuse {
        /// Batch.
        batch: String,
        /// What was wrong.
        reason: String,
    },
}

impl LakeError {
    pub(super) fn io(
        action: &'static str,
        path: impl Into<String>,
        source: io::Error,
    ) -> LakeError {
        LakeError::Io { action, path: path.into(), remedy: remedy(source.kind()), source }
    }

    pub(super) fn damaged(path: impl Into<String>, reason: impl ToString) -> LakeError {
        LakeError::Damaged { path: path.into(), reason: reason.to_string() }
    }

    /// An error of the transaction log; one that the operating system caused becomes [`LakeError::Io`].
    pub(super) fn delta(action: &'static str, table: String, source: DeltaTableError) -> LakeError {
        match io_cause(&source) {
            Some((kind, text)) => LakeError::io(action, table, io::Error::new(kind, text)),
            None => LakeError::Delta { action, table, source: Box::new(source) },
        }
    }

    /// An error while writing or reading a Parquet file, which may be the operating system's.
    pub(super) fn parquet(
        action: &'static str,
        path: String,
        source: parquet::errors::ParquetError,
    ) -> LakeError {
        match io_cause(&source) {
            Some((kind, text)) => LakeError::io(action, path, io::Error::new(kind, text)),
            None => LakeError::damaged(path, source),
        }
    }
}

/// The operating system's error at the bottom of `error`, if one is.
fn io_cause(error: &(dyn Error + 'static)) -> Option<(io::ErrorKind, String)> {
    let mut next = Some(error);
    while let Some(error) = next {
        if let Some(io) = error.downcast_ref::<io::Error>() {
            // An `io::Error` may wrap another that knows the kind.
            let inner = io.get_ref().and_then(|e| io_cause(e));
            return Some(inner.unwrap_or_else(|| (io.kind(), io.to_string())));
        }
        next = error.source();
    }
    None
}

fn remedy(kind: io::ErrorKind) -> &'static str {
    use io::ErrorKind as K;
    match kind {
        K::StorageFull | K::QuotaExceeded | K::FileTooLarge => {
            "free some space and run again: the lake keeps what was committed and the next run completes the rest"
        }
        K::PermissionDenied | K::ReadOnlyFilesystem => {
            "give the user who runs this the right to read and write the lake folder"
        }
        K::NotFound => "check that the folder exists and is mounted",
        K::AlreadyExists => {
            "another writer works on the same sources; wait for it to end, then run again"
        }
        K::NotADirectory | K::IsADirectory => "give a folder that nothing else uses",
        _ => "check the disk and run again: the lake keeps what was committed",
    }
}
