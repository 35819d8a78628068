//! Delimited text with one request and its responses per line, both hexadecimal.
//!
//! Comes in: blocks of whole lines. Goes out: decoded values by way of [`Buses`], one sample an interval. Several
//! responses in a cell stand for several control units; a marker of 'not available' is no answer, which is no fault.
//! Never: decides trips.

use super::IngestError;
use super::assembly::Use;
use super::buses::{Buses, text};
use super::header::Header;
use super::line_rows::{Body, Found, LineRows};
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
}

impl<'p> RawRows<'p> {
    pub(super) fn new(mut body: Body<'p>) -> RawRows<'p> {
        let buses = Buses::new(&mut body);
        let by_number = (!body.profile.header).then(|| Header::by_number(body.profile));
        let mut rows = RawRows { buses, header: None, body };
        if let Some(header) = by_number {
            rows.start(header);
        }
        rows
    }

    fn start(&mut self, header: Header) {
        self.body.rejects.hide_rows = !header.unread.is_empty() || header.open_ended;
        self.header = Some(header);
    }

    /// Reads one row; on `trial`, only says whether it could be used.
    fn row(&mut self, line: &[u8], trial: bool) -> Result<(), Fault> {
        let Some(header) = &self.header else { return Ok(()) };
        let cells = header.cells(line, self.body.profile)?;
        let own = [Use::Request, Use::Response];
        let [request, response] = header.place(&cells, own, &mut self.body.assembly)?;
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
    const GATHERS: bool = true;

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

    fn last(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        if self.header.is_some() && self.row(line, true).is_err() {
            return Ok(false);
        }
        self.line(line)?;
        Ok(true)
    }

    fn awaits_header(&self) -> bool {
        self.header.is_none()
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
