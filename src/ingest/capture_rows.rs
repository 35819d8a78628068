//! Lines of a CAN capture, `(1690000000.123456) can0 7E8#04410C1AF8`, to rows.
//!
//! Comes in: blocks of whole lines. Goes out: decoded values by way of [`Buses`], one sample an interval. Every
//! interface is a bus of its own. Frames that are no diagnostic response hold nothing that is asked for.
//! Never: decides trips.

use super::IngestError;
use super::buses::{Buses, text};
use super::line_rows::{Body, Found, LineRows};
use super::raw::{RawAssembler, parse_capture_line};
use super::stamp::Stamp;
use crate::tables::samples::RejectCode;

/// Longest name of an interface: IFNAMSIZ of the Linux kernel is 16 with its end mark.
const INTERFACE_BYTES_MAX: usize = 15;

/// Most interfaces of one capture; common practice is 1 to 4, no source.
const INTERFACES_MAX: usize = 64;

/// What a reject of a diagnostic frame calls its column; faults of other lines have none, and keep no text.
const FRAME: &str = "frame";

/// Why a line cannot be used, and whether its text may be kept.
type LineFault = (RejectCode, &'static str);

/// Reads the frames of one capture.
pub(super) struct CaptureRows<'p> {
    body: Body<'p>,
    buses: Buses,
    interfaces: std::collections::BTreeSet<String>,
}

impl<'p> CaptureRows<'p> {
    pub(super) fn new(mut body: Body<'p>) -> CaptureRows<'p> {
        let buses = Buses::new(&mut body);
        // Frames that are not diagnostic may hold anything, positions too.
        body.rejects.hide_rows = true;
        CaptureRows { buses, interfaces: Default::default(), body }
    }

    /// Reads one line; on `trial`, only says whether it could be used.
    fn frame(&mut self, line: &[u8], trial: bool) -> Result<(), LineFault> {
        let parsed = parse_capture_line(text(line).map_err(|code| (code, ""))?);
        let Some(frame) = parsed.map_err(|error| (error.reject_code(), ""))? else {
            return Ok(());
        };
        let name = frame.interface;
        if !self.interfaces.contains(name) {
            if name.len() > INTERFACE_BYTES_MAX || self.interfaces.len() == INTERFACES_MAX {
                return Err((RejectCode::BadResponse, ""));
            }
            self.interfaces.insert(name.to_owned());
        }
        self.body.assembly.begin();
        self.body.assembly.stamp(Stamp::Utc(frame.time_us));
        let (vehicle, us) = self.body.assembly.key().map_err(|(code, _)| (code, ""))?;
        let feed = |bus: &mut RawAssembler| bus.push_frame(us, frame.id, frame.data());
        if trial {
            let taken = self.buses.would_take(vehicle, name, feed);
            return if taken { Ok(()) } else { Err((RejectCode::BadResponse, FRAME)) };
        }
        self.buses
            .feed(&mut self.body, vehicle, name, feed)
            .map_err(|error| (error.reject_code(), FRAME))
    }
}

impl<'p> LineRows<'p> for CaptureRows<'p> {
    const GATHERS: bool = true;

    fn line(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if line.len() > self.body.limits.line_bytes_max {
            self.body.reject_line(RejectCode::LineTooLong, line);
            return Ok(());
        }
        self.body.rows += 1;
        if let Err((code, column)) = self.frame(line, false) {
            self.body.rejects.add(self.body.rows, column, code, line);
        }
        Ok(())
    }

    fn last(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        if self.frame(line, true).is_err() {
            return Ok(false);
        }
        self.line(line)?;
        Ok(true)
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
        Ok(self.body.any.then(|| self.buses.found(&self.body, Vec::new())))
    }
}
