//! The log files of one vehicle: one per stretch of time, plain or gzip.

use super::DemoError;
use flate2::{Compression, GzBuilder};
use std::io::Write;
use std::path::{Path, PathBuf};

/// Writes one stretch of time after the other.
#[derive(Debug)]
pub(super) struct LogFile<'a> {
    dir: &'a Path,
    vehicle: &'a str,
    gzip: bool,
    header: String,
    span: String,
    buffer: Vec<u8>,
    /// Files written.
    pub(super) files: u64,
}

impl<'a> LogFile<'a> {
    pub(super) fn new(dir: &'a Path, vehicle: &'a str, gzip: bool, header: String) -> LogFile<'a> {
        LogFile { dir, vehicle, gzip, header, span: String::new(), buffer: Vec::new(), files: 0 }
    }

    /// Where rows are appended.
    pub(super) fn buffer(&mut self) -> &mut Vec<u8> {
        if self.buffer.is_empty() {
            self.buffer.extend_from_slice(self.header.as_bytes());
        }
        &mut self.buffer
    }

    /// Goes on with the file of `span`; returns the bytes written of the one before.
    pub(super) fn turn_to(&mut self, span: &str) -> Result<u64, DemoError> {
        if self.span == span {
            return Ok(0);
        }
        let written = self.close()?;
        span.clone_into(&mut self.span);
        Ok(written)
    }

    /// Writes what is open; returns its size in bytes.
    pub(super) fn close(&mut self) -> Result<u64, DemoError> {
        if self.buffer.is_empty() {
            return Ok(0);
        }
        let ending = if self.gzip { "csv.gz" } else { "csv" };
        let path = self.dir.join(format!("logs/{}_{}.{ending}", self.vehicle, self.span));
        let size = write_bytes(&path, &self.buffer, self.gzip)?;
        self.buffer.clear();
        self.files += 1;
        Ok(size)
    }
}

/// Writes a whole file; returns its size in bytes. The gzip header carries no name and no time.
pub(super) fn write_bytes(path: &Path, bytes: &[u8], gzip: bool) -> Result<u64, DemoError> {
    let fail = |source| DemoError::Write { path: PathBuf::from(path), source };
    if !gzip {
        std::fs::write(path, bytes).map_err(fail)?;
        return Ok(bytes.len() as u64);
    }
    let mut encoder = GzBuilder::new().write(Vec::new(), Compression::best());
    encoder.write_all(bytes).map_err(fail)?;
    let packed = encoder.finish().map_err(fail)?;
    std::fs::write(path, &packed).map_err(fail)?;
    Ok(packed.len() as u64)
}
