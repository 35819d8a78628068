//! Lines of delimited text to rows.
//!
//! Comes in: blocks of whole lines. Goes out: rows in the [`Body`], and rejects. A row is a line: a
//! quoted cell may hold delimiters, not line ends, so that a stray quote costs one row and never the file.
//! Most of the time of ingest goes here: nothing is allocated per cell or row, and each number is read while its end
//! is found. Never: sorts, decides trips.

use std::borrow::Cow;

use super::IngestError;
use super::header::{Header, Step};
use super::line_rows::{Body, Found, LineRows};
use super::number::short_decimal;
use super::rows::Fault;
use crate::tables::samples::RejectCode;

/// Reads the rows of one file, one sample per line.
pub(super) struct CsvRows<'p> {
    body: Body<'p>,
    header: Option<Header>,
}

impl<'p> LineRows<'p> for CsvRows<'p> {
    #[inline]
    fn line(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if self.header.is_none() {
            return self.read_header(line);
        }
        if line.len() > self.body.limits.line_bytes_max {
            self.body.reject_line(RejectCode::LineTooLong, line);
            return Ok(());
        }
        self.body.rows += 1;
        if let Err(fault) = self.row(line) {
            self.body.assembly.undo();
            if let Some(header) = &self.header {
                header.reject(line, fault, &mut self.body);
            }
        }
        Ok(())
    }

    fn last(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        if self.header.is_none() {
            self.read_header(line)?;
            return Ok(true);
        }
        self.body.rows += 1;
        let usable = self.row(line).is_ok();
        if !usable {
            self.body.rows -= 1;
            self.body.assembly.undo();
        }
        Ok(usable)
    }

    fn awaits_header(&self) -> bool {
        self.header.is_none()
    }

    fn body(&mut self) -> &mut Body<'p> {
        &mut self.body
    }

    fn found(&self) -> Result<Option<Found>, IngestError> {
        let found = |h: &Header| Found { absent: h.absent.clone(), unread: h.unread.clone() };
        Ok(self.header.as_ref().map(found))
    }
}

impl<'p> CsvRows<'p> {
    pub(super) fn new(body: Body<'p>) -> CsvRows<'p> {
        let by_number = (!body.profile.header).then(|| Header::by_number(body.profile));
        let mut rows = CsvRows { body, header: None };
        if let Some(header) = by_number {
            rows.start(header);
        }
        rows
    }

    fn start(&mut self, header: Header) {
        self.body.rejects.hide_rows = !header.unread.is_empty() || header.open_ended;
        self.body.assembly.measures = header.measures.clone();
        self.header = Some(header.settled());
    }

    fn read_header(&mut self, line: &[u8]) -> Result<(), IngestError> {
        let header = Header::read(line, &self.body)?;
        self.start(header);
        self.body.assembly.make_columns();
        Ok(())
    }

    /// Reads one row into the assembly; after a fault it must be undone.
    #[inline]
    fn row(&mut self, line: &[u8]) -> Result<(), Fault> {
        const RAGGED: Fault = Fault { code: RejectCode::RaggedRow, column: None };
        let Some(header) = &self.header else {
            return Ok(());
        };
        let profile = self.body.profile;
        let (delimiter, decimal, quote) =
            (profile.delimiter, profile.numbers.decimal, profile.quote);
        let assembly = &mut self.body.assembly;
        assembly.begin();
        let mut at = 0;
        for (position, step) in header.steps.iter().enumerate() {
            let Some(rest) = line.get(at..) else {
                return Err(RAGGED);
            };
            let fault = |code| Fault { code, column: Some(position) };
            if let Step::Number(index) = *step {
                if rest.first().is_none_or(|b| *b == delimiter) {
                    assembly.nothing(index);
                    at += 1;
                    continue;
                }
                let blanks = usize::from(rest[0] == b' ');
                if let Some((number, used)) = short_decimal(&rest[blanks..], decimal)
                    && rest.get(blanks + used).is_none_or(|b| *b == delimiter)
                {
                    assembly.number(index, number).map_err(fault)?;
                    at += blanks + used + 1;
                    continue;
                }
            }
            let (cell, used) = cell_at(rest, delimiter, quote).ok_or(RAGGED)?;
            at += used + 1;
            if *step != Step::Skip {
                for purpose in &header.uses[position] {
                    assembly.cell(*purpose, &cell).map_err(fault)?;
                }
            }
        }
        // A delimiter at the end of every row makes one empty cell more.
        if !header.open_ended && line.get(at..).is_some_and(|more| !more.trim_ascii().is_empty()) {
            return Err(RAGGED);
        }
        assembly.finish(self.body.rows).map_err(|fault| header.fault(fault))
    }
}

/// The trimmed cell at the start of `rest` and its length without the delimiter; `None` if a quote stays open.
#[inline]
pub(super) fn cell_at(
    rest: &[u8],
    delimiter: u8,
    quote: Option<u8>,
) -> Option<(Cow<'_, [u8]>, usize)> {
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
        assert_eq!(texts("\"aaa\",\"b\"\"bb\",\"ccc\""), ["aaa", "b\"bb", "ccc"]);
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
