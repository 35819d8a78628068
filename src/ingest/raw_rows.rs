//! Delimited text with one request and its responses per line, both hexadecimal.
//!
//! Comes in: blocks of whole lines. Goes out: decoded values by way of [`Buses`], one sample an interval. Several
//! responses in a cell stand for several control units; a marker of 'not available' is no answer, which is no fault.
//! Never: decides trips.

use super::IngestError;
use super::assembly::Use;
use super::buses::{Buses, text};
use super::csv_rows::cells;
use super::header::Header;
use super::line_rows::{Body, Found, LineRows, without_return};
use super::raw::RawAssembler;
use super::rows::Fault;
use crate::tables::samples::RejectCode;

/// The one bus of a raw log. (Empty names would do, but comparing them costs a third of the reading time.)
const BUS: &str = "log";

/// Reads the rows of one raw log.
pub(super) struct RawRows<'p> {
    body: Body<'p>,
    buses: Buses,
    header: Option<Header>,
    skip_left: usize,
}

impl<'p> RawRows<'p> {
    pub(super) fn new(mut body: Body<'p>) -> RawRows<'p> {
        let buses = Buses::new(&mut body);
        let by_number = (!body.profile.header).then(|| Header::by_number(body.profile));
        let mut rows = RawRows { skip_left: body.profile.skip_lines, buses, header: None, body };
        if let Some(header) = by_number {
            rows.start(header);
        }
        rows
    }

    fn start(&mut self, header: Header) {
        self.body.rejects.hide_rows = !header.unread.is_empty() || header.open_ended;
        self.header = Some(header);
    }

    fn line(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if self.header.is_none() {
            let header = Header::read(line, &self.body)?;
            self.start(header);
            return Ok(());
        }
        if line.len() > self.body.limits.line_bytes_max {
            self.body.reject_line(RejectCode::LineTooLong, line);
            return Ok(());
        }
        self.body.rows += 1;
        let fault = self.row(line, false);
        if let (Err(fault), Some(header)) = (fault, &self.header) {
            header.reject(line, fault, &mut self.body);
        }
        Ok(())
    }

    /// Reads one row; on `trial`, only says whether it could be used.
    fn row(&mut self, line: &[u8], trial: bool) -> Result<(), Fault> {
        let Some(header) = &self.header else { return Ok(()) };
        let profile = self.body.profile;
        let cells = cells(line, profile.delimiter, profile.quote);
        let more = cells.get(header.uses.len()..).unwrap_or(&[]);
        let ragged = cells.len() < header.uses.len() || more.iter().any(|c| !c.is_empty());
        if ragged && !header.open_ended {
            return Err(Fault { code: RejectCode::RaggedRow, column: None });
        }
        let (mut request, mut response) = (&[][..], &[][..]);
        self.body.assembly.begin();
        for (position, (uses, cell)) in header.uses.iter().zip(&cells).enumerate() {
            for purpose in uses {
                match purpose {
                    Use::Request => request = cell,
                    Use::Response => response = cell,
                    _ => {
                        let fault = |code| Fault { code, column: Some(position) };
                        self.body.assembly.cell(*purpose, cell).map_err(fault)?;
                    }
                }
            }
        }
        let (vehicle, us) = self.body.assembly.key().map_err(|fault| header.fault(fault))?;
        let cell = |cell, purpose| {
            let given = if self.body.assembly.reading().is_null(cell) { &[][..] } else { cell };
            text(given).map_err(|code| header.fault((code, purpose)))
        };
        let (request, response) = (cell(request, Use::Request)?, cell(response, Use::Response)?);
        let feed = |bus: &mut RawAssembler| bus.push_cells(us, request, response);
        if trial {
            let taken = self.buses.would_take(vehicle, BUS, feed);
            return if taken {
                Ok(())
            } else {
                Err(header.fault((RejectCode::BadResponse, Use::Response)))
            };
        }
        self.buses
            .feed(&mut self.body, vehicle, BUS, feed)
            .map_err(|error| header.fault((error.reject_code(), Use::Response)))
    }
}

impl<'p> LineRows<'p> for RawRows<'p> {
    fn lines(&mut self, block: &[u8]) -> Result<(), IngestError> {
        self.body.assembly.reserve(64);
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', block) {
            let line = without_return(&block[from..end]);
            from = end + 1;
            if self.skip_left > 0 {
                self.skip_left -= 1;
            } else if !self.body.is_no_row(line) {
                self.line(line)?;
            }
        }
        self.body.check_names()
    }

    fn tail(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        let line = without_return(line);
        if self.skip_left > 0 || self.body.is_no_row(line) {
            return Ok(true);
        }
        self.body.assembly.reserve(1);
        if self.header.is_some() && self.row(line, true).is_err() {
            return Ok(false);
        }
        self.line(line)?;
        Ok(true)
    }

    fn overlong(&mut self, start: &[u8]) -> Result<(), IngestError> {
        if self.header.is_none() {
            return Err(self.body.long_header());
        }
        self.body.reject_line(RejectCode::LineTooLong, start);
        Ok(())
    }

    fn settled(&mut self) -> u64 {
        self.buses.settled(self.body.rows)
    }

    fn end(&mut self) {
        self.buses.end(&mut self.body);
    }

    fn body(&mut self) -> &mut Body<'p> {
        &mut self.body
    }

    fn found(&self) -> Result<Option<Found>, IngestError> {
        let found = |header: &Header| self.buses.found(&self.body, header.unread.clone());
        Ok(self.header.as_ref().map(found))
    }
}
