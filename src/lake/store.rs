//! Storage below the lake root: whole small files, part files, the lock, injected faults.
//!
//! A folder is written through `std::fs`, so that every file can be synced; any other store through
//! `object_store`. Every step that changes something counts as one write step, in the order in which it happens,
//! so that a test can end the run at any of them. In: paths relative to the root. Out: bytes, names, [`Sink`]s.

use std::fs::{self, File, TryLockError};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::UNIX_EPOCH;

use deltalake::logstore::object_store::path::Path as ObjectPath;
use deltalake::logstore::object_store::{ObjectStore, ObjectStoreExt};
use parquet::file::reader::ChunkReader;
use tokio::runtime::Runtime;

use super::error::LakeError;

/// Bytes gathered before a part file is written to.
const WRITE_BLOCK: usize = 1 << 20;

/// Counts write steps and ends the run at a chosen one.
#[derive(Debug, Default)]
pub(super) struct Faults {
    done: AtomicU64,
    fail_at: AtomicU64,
    dead: AtomicBool,
}

impl Faults {
    /// Ends the run at write step `n`, counted from 1 and from now on; 0 never does.
    pub(super) fn arm(&self, n: u64) {
        self.done.store(0, Ordering::SeqCst);
        self.fail_at.store(n, Ordering::SeqCst);
    }

    /// Write steps since the count began.
    pub(super) fn done(&self) -> u64 {
        self.done.load(Ordering::SeqCst)
    }

    /// Takes one step; an error means that the run is over and nothing may be written any more.
    pub(super) fn step(&self) -> io::Result<()> {
        let n = self.done.fetch_add(1, Ordering::SeqCst) + 1;
        if self.fail_at.load(Ordering::SeqCst) == n {
            self.dead.store(true, Ordering::SeqCst);
        }
        if self.dead.load(Ordering::SeqCst) {
            return Err(io::Error::other(format!("fault injected at write step {n}")));
        }
        Ok(())
    }
}

/// Where the bytes of the lake are.
#[derive(Debug, Clone)]
pub(super) enum Place {
    /// A folder of this machine.
    Folder(PathBuf),
    /// An object store whose root is the lake root.
    Objects(Arc<dyn ObjectStore>),
}

/// The storage of one lake.
#[derive(Debug, Clone)]
pub(super) struct Store {
    pub(super) place: Place,
    pub(super) runtime: Arc<Runtime>,
    pub(super) faults: Arc<Faults>,
}

impl Store {
    pub(super) fn new(place: Place) -> Result<Store, LakeError> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .build()
            .map_err(|source| LakeError::io("start the storage runtime", "lake", source))?;
        Ok(Store { place, runtime: Arc::new(runtime), faults: Arc::default() })
    }

    /// How `path` is called in messages.
    pub(super) fn name(&self, path: &str) -> String {
        match &self.place {
            Place::Folder(root) => root.join(path).display().to_string(),
            Place::Objects(store) => format!("{store}/{path}"),
        }
    }

    /// Takes one write step at `path`.
    pub(super) fn step(&self, action: &'static str, path: &str) -> Result<(), LakeError> {
        self.faults.step().map_err(|e| LakeError::io(action, self.name(path), e))
    }

    /// Writes a whole file so that after a crash it is there completely or not at all.
    pub(super) fn put(&self, path: &str, bytes: Vec<u8>) -> Result<(), LakeError> {
        let fail = |source| LakeError::io("write", self.name(path), source);
        match &self.place {
            Place::Folder(root) => {
                let to = root.join(path);
                let draft = root.join(format!("{path}.tmp"));
                self.make_folder(&to).map_err(fail)?;
                self.faults.step().map_err(fail)?;
                let mut file = File::create(&draft).map_err(fail)?;
                file.write_all(&bytes).and_then(|()| file.sync_all()).map_err(fail)?;
                self.faults.step().map_err(fail)?;
                fs::rename(&draft, &to).and_then(|()| sync_folder_of(&to)).map_err(fail)
            }
            Place::Objects(store) => {
                self.faults.step().map_err(fail)?;
                self.runtime
                    .block_on(store.put(&ObjectPath::from(path), bytes.into()))
                    .map(|_| ())
                    .map_err(|e| fail(io::Error::other(e)))
            }
        }
    }

    /// An object for the Parquet reader.
    pub(super) fn object(
        &self,
        objects: &Arc<dyn ObjectStore>,
        path: &str,
    ) -> Result<impl ChunkReader + 'static, LakeError> {
        let read = self
            .runtime
            .block_on(async { objects.get(&ObjectPath::from(path)).await?.bytes().await });
        read.map_err(|e| LakeError::io("read", self.name(path), io::Error::other(e)))
    }

    /// The bytes of a file, or `None` if there is no such file.
    pub(super) fn get(&self, path: &str) -> Result<Option<Vec<u8>>, LakeError> {
        use deltalake::logstore::object_store::Error::NotFound;
        let fail = |source| LakeError::io("read", self.name(path), source);
        match &self.place {
            Place::Folder(root) => match fs::read(root.join(path)) {
                Ok(bytes) => Ok(Some(bytes)),
                Err(e) if e.kind() == io::ErrorKind::NotFound => Ok(None),
                Err(e) => Err(fail(e)),
            },
            Place::Objects(store) => self.runtime.block_on(async {
                match store.get(&ObjectPath::from(path)).await {
                    Ok(found) => match found.bytes().await {
                        Ok(bytes) => Ok(Some(bytes.to_vec())),
                        Err(e) => Err(fail(io::Error::other(e))),
                    },
                    Err(NotFound { .. }) => Ok(None),
                    Err(e) => Err(fail(io::Error::other(e))),
                }
            }),
        }
    }

    /// Names of the files directly in `folder`, sorted; none if there is no such folder.
    pub(super) fn list(&self, folder: &str) -> Result<Vec<String>, LakeError> {
        let fail = |source| LakeError::io("list", self.name(folder), source);
        let mut names = Vec::new();
        match &self.place {
            Place::Folder(root) => {
                let entries = match fs::read_dir(root.join(folder)) {
                    Ok(entries) => entries,
                    Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(names),
                    Err(e) => return Err(fail(e)),
                };
                for entry in entries {
                    let entry = entry.map_err(fail)?;
                    if entry.file_type().map_err(fail)?.is_file() {
                        names.extend(entry.file_name().to_str().map(str::to_owned));
                    }
                }
            }
            Place::Objects(store) => {
                let prefix = ObjectPath::from(folder);
                let found = self
                    .runtime
                    .block_on(store.list_with_delimiter(Some(&prefix)))
                    .map_err(|e| fail(io::Error::other(e)))?;
                let objects = found.objects.iter();
                names.extend(objects.filter_map(|o| o.location.filename().map(str::to_owned)));
            }
        }
        names.sort();
        Ok(names)
    }

    /// Removes a file; one that is gone already counts as removed.
    pub(super) fn delete(&self, path: &str) -> Result<(), LakeError> {
        use deltalake::logstore::object_store::Error::NotFound;
        let fail = |source| LakeError::io("remove", self.name(path), source);
        self.faults.step().map_err(fail)?;
        match &self.place {
            Place::Folder(root) => match fs::remove_file(root.join(path)) {
                Err(e) if e.kind() != io::ErrorKind::NotFound => Err(fail(e)),
                _ => Ok(()),
            },
            Place::Objects(store) => {
                match self.runtime.block_on(store.delete(&ObjectPath::from(path))) {
                    Err(NotFound { .. }) | Ok(()) => Ok(()),
                    Err(e) => Err(fail(io::Error::other(e))),
                }
            }
        }
    }

    /// Begins a file that must not exist yet.
    pub(super) fn create(&self, path: &str) -> Result<Sink, LakeError> {
        let fail = |source| LakeError::io("create", self.name(path), source);
        self.faults.step().map_err(fail)?;
        match &self.place {
            Place::Folder(root) => {
                let full = root.join(path);
                let file = File::create_new(&full).map_err(fail)?;
                let raw = RawFile { file, written: 0, faults: Arc::clone(&self.faults) };
                Ok(Sink::File(BufWriter::with_capacity(WRITE_BLOCK, raw)))
            }
            Place::Objects(_) => Ok(Sink::Buffer(Vec::new())),
        }
    }

    /// Ends a file that [`Store::create`] began: its bytes are on the disk when this returns. Gives its size and, where
    /// the file system tells, when it was written (milliseconds since 1970-01-01).
    pub(super) fn finish(&self, path: &str, sink: Sink) -> Result<(u64, i64), LakeError> {
        let fail = |source| LakeError::io("write", self.name(path), source);
        match sink {
            Sink::File(buffered) => {
                let raw = buffered.into_inner().map_err(|e| fail(e.into_error()))?;
                self.faults.step().map_err(fail)?;
                raw.file.sync_all().map_err(fail)?;
                let modified = raw.file.metadata().and_then(|m| m.modified()).map_err(fail)?;
                let since = modified.duration_since(UNIX_EPOCH).unwrap_or_default();
                Ok((raw.written, i64::try_from(since.as_millis()).unwrap_or(0)))
            }
            Sink::Buffer(bytes) => {
                let size = bytes.len() as u64;
                self.put(path, bytes)?;
                Ok((size, 0))
            }
        }
    }

    /// Makes what happened to the files of `folder` last through a power cut: names, and the files in `names`.
    pub(super) fn sync(&self, folder: &str, names: &[String]) -> Result<(), LakeError> {
        let Place::Folder(root) = &self.place else {
            return Ok(());
        };
        for name in names {
            let path = root.join(folder).join(name);
            let done = File::open(&path).and_then(|f| f.sync_all());
            done.map_err(|e| LakeError::io("sync", path.display().to_string(), e))?;
        }
        let path = root.join(folder);
        let done = File::open(&path).and_then(|f| f.sync_all());
        done.map_err(|e| LakeError::io("sync", path.display().to_string(), e))
    }

    /// Takes the lock of a folder; the kernel gives it back when the process ends, however it ends.
    pub(super) fn lock(&self) -> Result<Option<Lock>, LakeError> {
        let Place::Folder(root) = &self.place else {
            return Ok(None);
        };
        let path = root.join("_lock");
        let fail = |source| LakeError::io("lock", path.display().to_string(), source);
        let file = File::options().create(true).truncate(false).write(true).open(&path);
        let file = file.map_err(fail)?;
        match file.try_lock() {
            Ok(()) => Ok(Some(Lock(file))),
            Err(TryLockError::WouldBlock) => {
                Err(LakeError::Held { path: path.display().to_string() })
            }
            Err(TryLockError::Error(source)) => Err(fail(source)),
        }
    }

    fn make_folder(&self, file: &Path) -> io::Result<()> {
        match file.parent() {
            Some(folder) if !folder.is_dir() => {
                fs::create_dir_all(folder)?;
                sync_folder_of(folder)
            }
            _ => Ok(()),
        }
    }
}

fn sync_folder_of(path: &Path) -> io::Result<()> {
    path.parent().map_or(Ok(()), |folder| File::open(folder)?.sync_all())
}

/// The lock of a folder.
#[derive(Debug)]
pub(super) struct Lock(File);

impl Drop for Lock {
    fn drop(&mut self) {
        // Closing the file would do, were it not for a child that is just being started and still shares it.
        let _ = self.0.unlock();
    }
}

/// A part file being written.
#[derive(Debug)]
pub(super) enum Sink {
    /// Straight to the disk.
    File(BufWriter<RawFile>),
    /// In memory until it is put into the object store.
    Buffer(Vec<u8>),
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Sink::File(file) => file.write(bytes),
            Sink::Buffer(buffer) => buffer.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A file that counts its bytes; an injected fault leaves half a block behind, as a kill would.
#[derive(Debug)]
pub(super) struct RawFile {
    file: File,
    written: u64,
    faults: Arc<Faults>,
}

impl Write for RawFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if let Err(fault) = self.faults.step() {
            self.file.write_all(&bytes[..bytes.len() / 2])?;
            return Err(fault);
        }
        let n = self.file.write(bytes)?;
        self.written += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.file.flush()
    }
}
