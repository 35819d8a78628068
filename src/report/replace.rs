//! Replacing a file or a folder as a whole, so that a reader sees the old one or the new one.
//!
//! A file is written beside its place, flushed to the disk and renamed over it. A folder is written
//! beside its place and swapped in by two renames: between them it is missing for a moment, since no
//! portable call exchanges two folders. A run killed there leaves the old folder under its hidden name,
//! and the next run clears it away.

use super::ReportError;
use rayon::prelude::*;
use std::fs;
use std::io::{self, Write};
use std::panic::resume_unwind;
use std::path::{Path, PathBuf};
use std::sync::mpsc;
use std::thread;

/// Makes `path` and the folders above it.
pub(super) fn make_folder(path: &Path) -> Result<(), ReportError> {
    fs::create_dir_all(path).map_err(|e| failed(path, e))
}

/// Replaces the file at `path`.
pub(super) fn file(path: &Path, bytes: &[u8]) -> Result<(), ReportError> {
    let fresh = sibling(path, "new");
    let written = write_through(&fresh, bytes)
        .and_then(|()| fs::rename(&fresh, path))
        .map_err(|e| failed(path, e));
    if written.is_err() {
        // Half a file is of no use, and on a full disk its space is wanted; the first error counts.
        let _ = fs::remove_file(&fresh);
    }
    written
}

/// Replaces the folder at `path` by one with these files: (name, content).
pub(super) fn folder(
    path: &Path,
    files: impl ParallelIterator<Item = (String, String)>,
) -> Result<(), ReportError> {
    refuse_foreign(path)?;
    let (fresh, old) = (sibling(path, "new"), sibling(path, "old"));
    clear(&fresh)?;
    clear(&old)?;
    let filled = fill(&fresh, files).and_then(|()| {
        if path.exists() {
            fs::rename(path, &old).map_err(|e| failed(path, e))?;
        }
        fs::rename(&fresh, path).map_err(|e| failed(path, e))
    });
    if let Err(error) = filled {
        if !path.exists() && old.exists() {
            let _ = fs::rename(&old, path);
        }
        let _ = fs::remove_dir_all(&fresh);
        return Err(error);
    }
    clear(&old)
}

/// Files made but not yet written.
const FILES_AHEAD: usize = 64;

/// Writes files while others are made: all threads make them, and one writes, as a folder takes in one new file at a time.
fn fill(
    folder: &Path,
    files: impl ParallelIterator<Item = (String, String)>,
) -> Result<(), ReportError> {
    fs::create_dir(folder).map_err(|e| failed(folder, e))?;
    let (made, to_write) = mpsc::sync_channel(FILES_AHEAD);
    let write = |(name, content): (String, String)| {
        // Pages are rebuilt every night, so they are not worth a flush each.
        let path = folder.join(name);
        fs::write(&path, content).map_err(|e| failed(&path, e))
    };
    thread::scope(|scope| {
        let writer = scope.spawn(move || to_write.iter().try_for_each(write));
        // After a failure nothing more is taken in, so nothing more is made; the writer tells what failed.
        let _ = files.try_for_each_with(made, |made, file| made.send(file));
        writer.join().unwrap_or_else(|panic| resume_unwind(panic))
    })
}

fn write_through(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut file = fs::File::create(path)?;
    file.write_all(bytes)?;
    file.sync_all()
}

/// Refuses to replace a folder that holds anything but pages of a report.
fn refuse_foreign(folder: &Path) -> Result<(), ReportError> {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(e) => return Err(failed(folder, e)),
    };
    for entry in entries {
        let entry = entry.map_err(|e| failed(folder, e))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let is_page =
            name == "index.html" || (name.starts_with("vehicle-") && name.ends_with(".html"));
        if !is_page {
            return Err(ReportError::ForeignContent { folder: folder.to_owned(), found: name });
        }
    }
    Ok(())
}

/// Removes a folder if it is there, its files side by side: thousands of them take a second or two one by one.
fn clear(folder: &Path) -> Result<(), ReportError> {
    // Where it is a link, only the link goes.
    if fs::symlink_metadata(folder).is_ok_and(|found| found.is_dir()) {
        let entries = fs::read_dir(folder).into_iter().flatten().flatten();
        let files: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
        // What cannot be removed so is told of below.
        files.par_iter().for_each(|file| drop(fs::remove_file(file)));
    }
    match fs::remove_dir_all(folder) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(failed(folder, e)),
        _ => Ok(()),
    }
}

/// The hidden neighbour of `path` that takes part in its replacement.
fn sibling(path: &Path, role: &str) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}.{role}"))
}

/// The error a reader can act on.
fn failed(path: &Path, source: io::Error) -> ReportError {
    let path = path.to_owned();
    match source.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => ReportError::DiskFull { path },
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            ReportError::NotWritable { path, reason: source.to_string() }
        }
        _ => ReportError::Write { path, source },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[cfg(unix)]
    #[test]
    fn a_report_that_is_a_link_loses_the_link_and_no_file() {
        let home = tempfile::tempdir().unwrap();
        let (kept, report) = (home.path().join("kept"), home.path().join("report"));
        fs::create_dir(&kept).unwrap();
        fs::write(kept.join("index.html"), "old").unwrap();
        std::os::unix::fs::symlink(&kept, &report).unwrap();
        let page = || rayon::iter::once(("index.html".to_owned(), "new".to_owned()));
        folder(&report, page()).unwrap();
        folder(&report, page()).unwrap();
        assert_eq!(fs::read_to_string(report.join("index.html")).unwrap(), "new");
        assert_eq!(fs::read_to_string(kept.join("index.html")).unwrap(), "old");
        let mut left: Vec<_> =
            fs::read_dir(home.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
        left.sort();
        assert_eq!(left, ["kept", "report"]);
    }
}
