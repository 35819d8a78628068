//! What the readers of line formats share.
//!
//! Comes in: blocks of lines from `source`. Goes out: the [`Body`] of rows and rejects. Never: knows one format.

use std::path::Path;

use super::assembly::Assembly;
use super::profile::{Format, Profile};
use super::rows::Rejects;
use super::{IngestError, Limits};
use crate::tables::samples::RejectCode;

/// The rows of one file while they are read.
pub(super) struct Body<'p> {
    pub(super) path: &'p Path,
    pub(super) profile: &'p Profile,
    pub(super) limits: &'p Limits,
    pub(super) assembly: Assembly<'p>,
    pub(super) rejects: Rejects,
    /// Rows read, which is also the number of the last row.
    pub(super) rows: u64,
    /// Lines at the head of the file that are still to be passed over.
    skip_left: usize,
    /// Whether any line was more than a blank or a comment.
    pub(super) any: bool,
}

/// What a file has beside or short of what the profile asks for.
#[derive(Debug, Default)]
pub(super) struct Found {
    /// Signals that the profile maps and the file does not carry.
    pub(super) absent: Vec<&'static str>,
    /// Columns that the profile does not read.
    pub(super) unread: Vec<String>,
}

/// A reader of one line format.
pub(super) trait LineRows<'p> {
    /// Whether several lines are gathered into a row, so that a block makes few rows.
    const GATHERS: bool = false;

    /// Reads one line that is neither blank nor a comment.
    fn line(&mut self, line: &[u8]) -> Result<(), IngestError>;

    /// Reads such a line at the end of the file if it is a whole row (or header); says whether it was.
    fn last(&mut self, line: &[u8]) -> Result<bool, IngestError>;

    /// Whether the next line must be a header.
    fn awaits_header(&self) -> bool {
        false
    }

    /// Reads whole lines, each with its line feed.
    #[inline]
    fn lines(&mut self, block: &[u8]) -> Result<(), IngestError> {
        if Self::GATHERS {
            self.body().assembly.reserve(ROWS_GATHERED);
        } else {
            self.body().reserve(block);
        }
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', block) {
            let line = without_return(&block[from..end]);
            from = end + 1;
            if !self.body().passes_over(line) {
                self.line(line)?;
            }
        }
        self.body().check_names()
    }

    /// Reads the last line, which has no line feed; says whether it counts as read.
    ///
    /// A file may still be growing, so a last line that is no whole row is left for the next time; one that is may
    /// still be cut in its last cell, so it is never settled.
    fn tail(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        let line = without_return(line);
        if self.body().passes_over(line) {
            return Ok(true);
        }
        self.body().assembly.reserve(1);
        self.last(line)
    }

    /// Notes a line that was too long to be read, given its start.
    fn overlong(&mut self, start: &[u8]) -> Result<(), IngestError> {
        if self.awaits_header() {
            return Err(self.body().long_header());
        }
        self.body().any = true;
        self.body().reject_line(RejectCode::LineTooLong, start);
        Ok(())
    }

    /// The last row that stays what it is, whatever may follow; asked for before [`LineRows::end`].
    fn settled(&mut self) -> u64 {
        self.body().rows
    }

    /// Notes that nothing follows.
    fn end(&mut self) {}

    fn body(&mut self) -> &mut Body<'p>;

    /// What was found of columns, or `None` if there was not even a header; an error if what every row needs is nowhere.
    fn found(&self) -> Result<Option<Found>, IngestError>;
}

/// Bytes of the shortest row that room is made for ahead of time; shorter rows get theirs as they come.
const BYTES_PER_ROW_LEAST: usize = 40;

/// Rows that room is made for ahead of time where lines are gathered.
const ROWS_GATHERED: usize = 64;

impl<'p> Body<'p> {
    pub(super) fn new(
        path: &'p Path,
        profile: &'p Profile,
        limits: &'p Limits,
        assembly: Assembly<'p>,
    ) -> Body<'p> {
        // Lines of JSON have no head.
        let skip_left = if profile.format == Format::JsonLines { 0 } else { profile.skip_lines };
        let rejects = Rejects::new(limits);
        Body { path, profile, limits, assembly, rejects, rows: 0, skip_left, any: false }
    }

    /// Makes room for as many rows as the block has lines.
    pub(super) fn reserve(&mut self, block: &[u8]) {
        // Blank lines are no rows: room for as many as rows of a few bytes a column could fill the block.
        let lines = memchr::memchr_iter(b'\n', block).count();
        self.assembly.reserve(lines.min(block.len() / BYTES_PER_ROW_LEAST));
    }

    /// Whether a line is of the head that is skipped, blank, or a comment; asked once for each line.
    #[inline]
    pub(super) fn passes_over(&mut self, line: &[u8]) -> bool {
        if self.skip_left > 0 {
            self.skip_left -= 1;
            return true;
        }
        let is_no_row = self.is_no_row(line);
        self.any |= !is_no_row;
        is_no_row
    }

    /// Whether a line is blank or a comment.
    #[inline]
    fn is_no_row(&self, line: &[u8]) -> bool {
        match line.first() {
            None => true,
            Some(b) if b.is_ascii_alphanumeric() && self.profile.comment.is_none() => false,
            Some(_) => {
                let mark = self.profile.comment.as_ref();
                line.trim_ascii().is_empty() || mark.is_some_and(|m| line.starts_with(m.as_bytes()))
            }
        }
    }

    /// Counts a line as a row and rejects it as a whole.
    pub(super) fn reject_line(&mut self, code: RejectCode, line: &[u8]) {
        self.rows += 1;
        self.rejects.add(self.rows, "", code, line);
    }

    pub(super) fn long_header(&self) -> IngestError {
        IngestError::LongHeader { path: self.path.to_path_buf(), limit: self.limits.line_bytes_max }
    }

    /// The error that the file has more names than a log can have, if it has.
    pub(super) fn check_names(&self) -> Result<(), IngestError> {
        if self.assembly.vehicles.len() + self.assembly.trips.len() <= self.limits.names_max {
            return Ok(());
        }
        Err(IngestError::TooManyNames {
            path: self.path.to_path_buf(),
            row: self.rows,
            limit: self.limits.names_max,
            profile: self.profile.name().to_owned(),
        })
    }
}

pub(super) fn without_return(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}
