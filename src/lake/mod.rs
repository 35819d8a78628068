//! The lake: four Delta tables that keep every sample, reject, trip and source exactly once.
//!
//! Rows go into part files that nobody sees. When all parts of a batch are on the disk, one intent record names them:
//! that record is the commit. It is then carried out table by table, `sources` last, and removed. A run that dies
//! before the record has changed nothing; one that dies after it is carried to its end by the next writer. Readers go
//! by `sources` and so never see half a batch. In: rows of [`crate::tables`]. Out: the same rows, pinned to one state.
//!
//! File names come from digests and counters, never from input text.

mod batch;
mod days;
mod error;
mod log;
mod overview;
mod part;
mod read;
mod replace;
mod rows;
mod schema;
mod snapshot;
mod store;
mod tidy;
mod trip_columns;

use std::path::Path;
use std::sync::Arc;

use deltalake::logstore::object_store::memory::InMemory;
use serde::Serialize;

pub use batch::{Batch, BatchId};
pub use deltalake::logstore::object_store::ObjectStore;
pub use error::LakeError;
pub use part::{Part, PartWriter};
pub use replace::{Replaced, TripSpan};
pub use schema::Table;
pub use snapshot::{PartFile, Snapshot};

use log::Log;
use store::{Place, Store};

/// What a lake is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mode {
    /// Only to read; nothing is created or changed.
    Read,
    /// To write, alone: a second writer gets [`LakeError::Held`].
    Write,
    /// To write without the lock, beside other such writers. Every source must belong to one writer only, nothing may
    /// be superseded, and what a dead writer left is cleared by the next [`Mode::Write`].
    WriteUnlocked,
}

/// Table versions that belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Versions {
    /// Version of `samples`.
    pub samples: u64,
    /// Version of `rejects`.
    pub rejects: u64,
    /// Version of `trips`.
    pub trips: u64,
    /// Version of `sources`.
    pub sources: u64,
}

/// One source that was read.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SourceRow {
    /// Batch that brought it; filled in by [`Batch::commit`].
    pub batch: String,
    /// Digest of the decoded content, lower-case hex.
    pub digest: String,
    /// Digest of the file as it lies on the disk.
    pub file_digest: String,
    /// Size of the file as it lies on the disk, bytes.
    pub file_bytes: u64,
    /// Path under which it was read.
    pub path: String,
    /// Source profile.
    pub profile: String,
    /// Rows read; kept and rejected add up to it.
    pub rows_read: u64,
    /// Rows kept.
    pub rows_kept: u64,
    /// Rows rejected.
    pub rows_rejected: u64,
    /// Size of the decoded content, bytes.
    pub decoded_bytes: u64,
    /// Digest of the source that this one is a longer version of.
    pub grown_from: Option<String>,
    /// Time of the first kept row, UTC microseconds.
    pub first_us: Option<i64>,
    /// Time of the last kept row, UTC microseconds.
    pub last_us: Option<i64>,
    /// What became of it.
    pub outcome: String,
    /// Rows up to this number stay what they are if the source grows.
    pub rows_settled: u64,
}

/// One rejected row with the source it stands in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RejectRow {
    /// Content digest of the source.
    pub source: String,
    /// Path under which the source was read.
    pub path: String,
    /// Row number in the source: 1 is the first data row.
    pub row: u64,
    /// Column as the source names it; empty if the whole row is at fault.
    pub column: String,
    /// Reason code, see [`crate::tables::samples::RejectCode`].
    pub code: String,
    /// The raw text, cut.
    pub raw: String,
}

/// An open lake.
#[derive(Debug)]
pub struct Lake {
    store: Store,
    mode: Mode,
    /// Held until the lake is dropped.
    _lock: Option<store::Lock>,
}

impl Lake {
    /// Opens the lake at `root`, a folder or a `file://` URL (`memory://` gives an empty lake that ends with this
    /// value). For writing, missing tables are created and a batch that was cut short is carried to its end.
    pub fn open(root: &str, mode: Mode) -> Result<Lake, LakeError> {
        let place =
            |reason: &str| LakeError::Place { place: root.to_owned(), reason: reason.to_owned() };
        let folder = match root.split_once("://") {
            None => Path::new(root).to_path_buf(),
            Some(("file", _)) => url::Url::parse(root)
                .ok()
                .and_then(|u| u.to_file_path().ok())
                .ok_or_else(|| place("the URL names no folder"))?,
            Some(("memory", _)) => return Lake::open_store(Arc::new(InMemory::new()), mode),
            Some((scheme, _)) => {
                return Err(place(&format!("this build has no storage for {scheme}://")));
            }
        };
        let fail = |action| {
            let path = folder.display().to_string();
            move |e| LakeError::io(action, path, e)
        };
        if mode == Mode::Read {
            if !folder.join(Table::Sources.as_str()).is_dir() {
                return Err(LakeError::Missing { path: folder.display().to_string() });
            }
        } else {
            std::fs::create_dir_all(&folder).map_err(fail("create"))?;
        }
        let folder = std::fs::canonicalize(&folder).map_err(fail("open"))?;
        Lake::start(Store::new(Place::Folder(folder))?, mode)
    }

    /// Opens the lake whose root is the root of `objects`. There is no lock: writers must agree on who reads which
    /// source, as for [`Mode::WriteUnlocked`].
    pub fn open_store(objects: Arc<dyn ObjectStore>, mode: Mode) -> Result<Lake, LakeError> {
        Lake::start(Store::new(Place::Objects(objects))?, mode)
    }

    /// As [`Lake::open`], but ends the run at its `n`-th write step, counted from 1, as a kill would: the step fails,
    /// and so does every later one. For tests of crash safety. 0 only counts.
    pub fn open_to_fail(root: &str, mode: Mode, n: u64) -> (Result<Lake, LakeError>, WriteSteps) {
        let made = std::fs::create_dir_all(root).and_then(|()| std::fs::canonicalize(root));
        let folder = match made {
            Ok(folder) => folder,
            Err(e) => {
                return (Err(LakeError::io("create", root, e)), WriteSteps(Arc::default()));
            }
        };
        match Store::new(Place::Folder(folder)) {
            Ok(store) => {
                store.faults.arm(n);
                let steps = WriteSteps(Arc::clone(&store.faults));
                (Lake::start(store, mode), steps)
            }
            Err(e) => (Err(e), WriteSteps(Arc::default())),
        }
    }

    fn start(store: Store, mode: Mode) -> Result<Lake, LakeError> {
        let lock = if mode == Mode::Write { store.lock()? } else { None };
        let lake = Lake { store, mode, _lock: lock };
        if mode == Mode::Read {
            return Ok(lake);
        }
        for table in Table::ALL {
            Log::new(&lake.store, table).prepare()?;
        }
        if mode == Mode::Write {
            batch::recover(&lake.store)?;
        }
        Ok(lake)
    }

    /// Begins a batch; nothing is visible before it is committed.
    pub fn begin(&self, id: BatchId) -> Result<Batch, LakeError> {
        Batch::begin(&self.store, self.mode, id)
    }

    /// Removes part files that left their table longer ago than its retention (Delta's, 7 days if the table does not set
    /// it); `now_us` is the time of the run, UTC microseconds. Does nothing without the lock.
    ///
    /// # Errors
    /// [`LakeError`] if the tables cannot be read or a file cannot be removed.
    pub fn tidy(&self, now_us: i64) -> Result<(), LakeError> {
        if self.mode == Mode::Write { tidy::tidy(&self.store, now_us) } else { Ok(()) }
    }

    /// The lake as it is now, for reading.
    pub fn snapshot(&self) -> Result<Snapshot, LakeError> {
        Snapshot::take(&self.store)
    }

    /// All sources that the lake has, sorted by digest.
    pub fn known_sources(&self) -> Result<Vec<SourceRow>, LakeError> {
        Ok(self.snapshot()?.sources().to_vec())
    }
}

/// The count of write steps of a lake opened by [`Lake::open_to_fail`].
#[derive(Debug, Clone)]
pub struct WriteSteps(Arc<store::Faults>);

impl WriteSteps {
    /// Steps taken so far.
    pub fn taken(&self) -> u64 {
        self.0.done()
    }
}
