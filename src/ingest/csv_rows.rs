//! Lines of delimited text to rows.
//!
//! Comes in: blocks of whole lines and a profile. Goes out: rows in an [`Assembly`], and rejects. A row is a line: a
//! quoted cell may hold delimiters, not line ends, so that a stray quote costs one row and never the file.
//! Most of the time of ingest goes here: nothing is allocated per cell or row, and each number is read while its end
//! is found. Never: sorts, decides trips.

use std::borrow::Cow;
use std::path::{Path, PathBuf};

use super::assembly::{Assembly, Use};
use super::header::Header;
use super::number::short_decimal;
use super::profile::Profile;
use super::rows::{Fault, Rejects, check_names};
use super::{IngestError, Limits};
use crate::tables::samples::RejectCode;

/// Reads the rows of one file.
pub(super) struct CsvRows<'p> {
    path: PathBuf,
    profile: &'p Profile,
    limits: &'p Limits,
    header: Option<Header>,
    skip_left: usize,
    pub(super) assembly: Assembly<'p>,
    pub(super) rejects: Rejects,
    pub(super) rows: u64,
}

impl<'p> CsvRows<'p> {
    pub(super) fn new(
        path: &Path,
        profile: &'p Profile,
        limits: &'p Limits,
        assembly: Assembly<'p>,
    ) -> CsvRows<'p> {
        let mut rows = CsvRows {
            path: path.to_path_buf(),
            profile,
            limits,
            header: None,
            skip_left: profile.skip_lines,
            assembly,
            rejects: Rejects::new(limits),
            rows: 0,
        };
        if !profile.header {
            rows.start(Header::by_number(profile));
        }
        rows
    }

    /// The header, once it was read.
    pub(super) fn header(&self) -> Option<&Header> {
        self.header.as_ref()
    }

    fn start(&mut self, header: Header) {
        self.rejects.hide_rows = !header.unread.is_empty() || header.open_ended;
        self.assembly.measures = header.measures.clone();
        self.header = Some(header);
    }

    /// Reads whole lines, each with its line feed.
    pub(super) fn lines(&mut self, block: &[u8]) -> Result<(), IngestError> {
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', block) {
            let line = without_return(&block[from..end]);
            from = end + 1;
            if self.skip_left > 0 {
                self.skip_left -= 1;
            } else if !self.is_no_row(line) {
                if self.header.is_none() {
                    self.read_header(line)?;
                    self.assembly
                        .reserve(memchr::memchr_iter(b'\n', &block[from..]).count());
                } else {
                    self.line(line);
                }
            }
        }
        check_names(
            &self.assembly,
            self.rows,
            &self.path,
            self.profile,
            self.limits,
        )
    }

    /// Makes room for the rows of a block.
    pub(super) fn reserve(&mut self, block: &[u8]) {
        if self.header.is_some() {
            self.assembly
                .reserve(memchr::memchr_iter(b'\n', block).count());
        }
    }

    /// Reads the last line, which has no line feed; says whether it counts as read.
    ///
    /// A file may still be growing, so a last line that is no whole row is left for the next time.
    pub(super) fn tail(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        let line = without_return(line);
        if self.skip_left > 0 || self.is_no_row(line) {
            return Ok(true);
        }
        if self.header.is_none() {
            self.read_header(line)?;
            return Ok(true);
        }
        self.assembly.reserve(1);
        self.rows += 1;
        let usable = self.row(line).is_ok();
        if !usable {
            self.rows -= 1;
            self.assembly.undo();
        }
        Ok(usable)
    }

    /// Notes a line that was too long to be read.
    pub(super) fn overlong(&mut self, start: &[u8]) -> Result<(), IngestError> {
        if self.header.is_none() {
            return Err(IngestError::LongHeader {
                path: self.path.clone(),
                limit: self.limits.line_bytes_max,
            });
        }
        self.rows += 1;
        self.rejects
            .add(self.rows, "", RejectCode::LineTooLong, start);
        Ok(())
    }

    fn read_header(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if line.len() > self.limits.line_bytes_max {
            return Err(IngestError::LongHeader {
                path: self.path.clone(),
                limit: self.limits.line_bytes_max,
            });
        }
        let names = cells(line, self.profile.delimiter, self.profile.quote);
        let names: Vec<String> = names
            .iter()
            .map(|c| String::from_utf8_lossy(c).into_owned())
            .collect();
        self.start(Header::match_names(names, self.profile, &self.path)?.with_line(line));
        Ok(())
    }

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

    #[inline]
    fn line(&mut self, line: &[u8]) {
        self.rows += 1;
        if line.len() > self.limits.line_bytes_max {
            self.rejects
                .add(self.rows, "", RejectCode::LineTooLong, line);
        } else if let Err(fault) = self.row(line) {
            self.assembly.undo();
            self.reject(line, fault);
        }
    }

    #[cold]
    fn reject(&mut self, line: &[u8], fault: Fault) {
        let Some(header) = &self.header else { return };
        if header.is_line(line) {
            // It holds names and no values, so its text may be kept.
            let column = header.names.first().map_or("", String::as_str);
            return self
                .rejects
                .add(self.rows, column, RejectCode::RepeatedHeader, line);
        }
        let cells = cells(line, self.profile.delimiter, self.profile.quote);
        let (column, raw) = match fault.column {
            Some(at) => (
                header.names.get(at).map_or("", String::as_str),
                cells.get(at).map_or(line, |c| c.as_ref()),
            ),
            None => ("", line),
        };
        self.rejects.add(self.rows, column, fault.code, raw);
    }

    /// Reads one row into the assembly; after a fault it must be undone.
    #[inline]
    fn row(&mut self, line: &[u8]) -> Result<(), Fault> {
        const RAGGED: Fault = Fault {
            code: RejectCode::RaggedRow,
            column: None,
        };
        let Some(header) = &self.header else {
            return Ok(());
        };
        let (delimiter, decimal) = (self.profile.delimiter, self.profile.numbers.decimal);
        let quote = self.profile.quote;
        let assembly = &mut self.assembly;
        assembly.begin();
        let mut at = 0;
        for (position, uses) in header.uses.iter().enumerate() {
            let Some(rest) = line.get(at..) else {
                return Err(RAGGED);
            };
            let fault = |code| Fault {
                code,
                column: Some(position),
            };
            if let [Use::Value(index)] = uses.as_slice() {
                if rest.first().is_none_or(|b| *b == delimiter) {
                    assembly.nothing(*index);
                    at += 1;
                    continue;
                }
                let blanks = usize::from(rest[0] == b' ');
                if let Some((number, used)) = short_decimal(&rest[blanks..], decimal)
                    && rest.get(blanks + used).is_none_or(|b| *b == delimiter)
                {
                    assembly.number(*index, number).map_err(fault)?;
                    at += blanks + used + 1;
                    continue;
                }
            }
            let (cell, used) = cell_at(rest, delimiter, quote).ok_or(RAGGED)?;
            at += used + 1;
            for purpose in uses {
                assembly.cell(*purpose, &cell).map_err(fault)?;
            }
        }
        // A delimiter at the end of every row makes one empty cell more.
        if !header.open_ended
            && line
                .get(at..)
                .is_some_and(|more| !more.trim_ascii().is_empty())
        {
            return Err(RAGGED);
        }
        let position = |purpose| header.uses.iter().position(|u| u.contains(&purpose));
        assembly.finish(self.rows).map_err(|(code, purpose)| Fault {
            code,
            column: position(purpose),
        })
    }
}

fn without_return(line: &[u8]) -> &[u8] {
    line.strip_suffix(b"\r").unwrap_or(line)
}

/// The trimmed cell at the start of `rest` and its length without the delimiter; `None` if a quote stays open.
#[inline]
fn cell_at(rest: &[u8], delimiter: u8, quote: Option<u8>) -> Option<(Cow<'_, [u8]>, usize)> {
    if quote.is_some() && rest.trim_ascii_start().first() == quote.as_ref() {
        return quoted_cell(rest, delimiter, quote.unwrap_or(b'"'));
    }
    let used = memchr::memchr(delimiter, rest).unwrap_or(rest.len());
    Some((Cow::Borrowed(rest[..used].trim_ascii()), used))
}

/// RFC 4180 section 2: a quoted cell may hold the delimiter, and a quote written twice.
fn quoted_cell(rest: &[u8], delimiter: u8, quote: u8) -> Option<(Cow<'_, [u8]>, usize)> {
    let open = memchr::memchr(quote, rest)? + 1;
    let mut doubled = false;
    let mut close = open;
    loop {
        close += memchr::memchr(quote, &rest[close..])?;
        if rest.get(close + 1) != Some(&quote) {
            break;
        }
        doubled = true;
        close += 2;
    }
    let after = memchr::memchr(delimiter, &rest[close..]).map_or(rest.len(), |n| close + n);
    if !rest[close + 1..after].trim_ascii().is_empty() {
        return None;
    }
    let inner = rest[open..close].trim_ascii();
    if !doubled {
        return Some((Cow::Borrowed(inner), after));
    }
    let mut plain = Vec::with_capacity(inner.len());
    let mut last_was_quote = false;
    for &byte in inner {
        last_was_quote = byte == quote && !last_was_quote;
        if !last_was_quote || byte != quote {
            plain.push(byte);
        }
    }
    Some((Cow::Owned(plain), after))
}

/// All cells of a line; an open quote ends the list.
pub(super) fn cells(line: &[u8], delimiter: u8, quote: Option<u8>) -> Vec<Cow<'_, [u8]>> {
    let mut cells = Vec::new();
    let mut at = 0;
    while let Some(rest) = line.get(at..) {
        let Some((cell, used)) = cell_at(rest, delimiter, quote) else {
            break;
        };
        cells.push(cell);
        at += used + 1;
    }
    cells
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn texts(line: &str) -> Vec<String> {
        cells(line.as_bytes(), b',', Some(b'"'))
            .iter()
            .map(|c| String::from_utf8_lossy(c).into_owned())
            .collect()
    }

    #[test]
    fn cells_of_a_line() {
        assert_eq!(texts("a, b ,,c"), ["a", "b", "", "c"]);
        assert_eq!(texts("\"a,b\",c"), ["a,b", "c"]);
        // RFC 4180 section 2, rule 7
        assert_eq!(
            texts("\"aaa\",\"b\"\"bb\",\"ccc\""),
            ["aaa", "b\"bb", "ccc"]
        );
        assert_eq!(texts("\"\"\"\""), ["\""]);
        assert_eq!(texts("\"a"), Vec::<String>::new());
        assert_eq!(texts("\"a\"b,c"), Vec::<String>::new());
        assert_eq!(texts("a,"), ["a", ""]);
    }

    proptest! {
        #[test]
        fn cells_agree_with_the_reference_reader(fields in proptest::collection::vec("[a-z,\"]{0,6}", 1..6)) {
            prop_assume!(!(fields.len() == 1 && fields[0].is_empty()));
            let mut writer = csv::Writer::from_writer(Vec::new());
            writer.write_record(&fields).unwrap();
            let line = String::from_utf8(writer.into_inner().unwrap()).unwrap();
            prop_assert_eq!(texts(line.trim_end()), fields);
        }

        #[test]
        fn arbitrary_bytes_never_crash_the_splitter(line in proptest::collection::vec(any::<u8>(), 0..60)) {
            let _ = cells(&line, b',', Some(b'"'));
        }
    }
}
