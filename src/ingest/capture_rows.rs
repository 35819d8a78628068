//! Lines of a CAN capture, `(1690000000.123456) can0 7E8#04410C1AF8`, to rows.
//!
//! Comes in: blocks of whole lines. Goes out: decoded values by way of [`Buses`], one sample an interval. Every
//! interface is a bus of its own. Frames that are no diagnostic response hold nothing that is asked for.
//! Never: decides trips.

use super::IngestError;
use super::buses::{Buses, text};
use super::line_rows::{Body, Found, LineRows, without_return};
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
    skip_left: usize,
    any: bool,
}

impl<'p> CaptureRows<'p> {
    pub(super) fn new(mut body: Body<'p>) -> CaptureRows<'p> {
        let buses = Buses::new(&mut body);
        // Frames that are not diagnostic may hold anything, positions too.
        body.rejects.hide_rows = true;
        let (skip_left, interfaces) = (body.profile.skip_lines, Default::default());
        CaptureRows { skip_left, buses, interfaces, any: false, body }
    }

    fn line(&mut self, line: &[u8]) {
        self.any = true;
        if line.len() > self.body.limits.line_bytes_max {
            return self.body.reject_line(RejectCode::LineTooLong, line);
        }
        self.body.rows += 1;
        if let Err((code, column)) = self.frame(line, false) {
            self.body.rejects.add(self.body.rows, column, code, line);
        }
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
    fn lines(&mut self, block: &[u8]) -> Result<(), IngestError> {
        self.body.assembly.reserve(64);
        let mut from = 0;
        for end in memchr::memchr_iter(b'\n', block) {
            let line = without_return(&block[from..end]);
            from = end + 1;
            if self.skip_left > 0 {
                self.skip_left -= 1;
            } else if !self.body.is_no_row(line) {
                self.line(line);
            }
        }
        Ok(())
    }

    fn tail(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        let line = without_return(line);
        if self.skip_left > 0 || self.body.is_no_row(line) {
            return Ok(true);
        }
        self.body.assembly.reserve(1);
        self.any = true;
        if self.frame(line, true).is_err() {
            return Ok(false);
        }
        self.line(line);
        Ok(true)
    }

    fn overlong(&mut self, start: &[u8]) -> Result<(), IngestError> {
        self.any = true;
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
        Ok(self.any.then(|| self.buses.found(&self.body, Vec::new())))
    }
}
