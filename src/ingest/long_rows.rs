//! Delimited text with one value per line: time, vehicle, signal, value.
//!
//! Comes in: blocks of whole lines. Goes out: rows in the [`Body`], one for all values of a vehicle within one step of
//! time. Times are rounded down to the step, because a slow bus answers one parameter after the other. A signal that
//! comes twice within a step is a duplicate. Never: decides trips.

use std::collections::BTreeMap;

use super::IngestError;
use super::assembly::Use;
use super::header::{Header, fold};
use super::line_rows::{Body, Found, LineRows};
use super::number::any_decimal;
use super::profile::ColumnRef;
use super::rows::{Fault, Measure};
use crate::tables::samples::RejectCode;

/// Distinct names of signals remembered.
const UNREAD_MAX: usize = 1000;

/// The sample that is being gathered for one vehicle.
#[derive(Debug)]
struct Open {
    us: i64,
    trip: u32,
    row: u64,
    lines: u32,
    values: Vec<f64>,
}

/// The names of signals in the cells of a file.
#[derive(Debug, Default)]
struct SignalNames {
    /// Measures by the folded name of their signal.
    measures: BTreeMap<String, usize>,
    /// The same by the names as the file writes them.
    written: BTreeMap<Vec<u8>, Option<usize>>,
    /// Signals that the profile does not read, by their folded names.
    unread: BTreeMap<String, String>,
}

impl SignalNames {
    /// The measure of the signal named in a cell, if the profile reads it.
    fn measure(&mut self, cell: &[u8]) -> Option<usize> {
        if let Some(measure) = self.written.get(cell) {
            return *measure;
        }
        let name = String::from_utf8_lossy(cell);
        let measure = self.measures.get(&fold(&name)).copied();
        if measure.is_none() && self.unread.len() < UNREAD_MAX {
            self.unread.entry(fold(&name)).or_insert_with(|| name.into_owned());
        }
        if self.written.len() < UNREAD_MAX {
            self.written.insert(cell.to_vec(), measure);
        }
        measure
    }
}

/// Reads the rows of one file, one value per line.
pub(super) struct LongRows<'p> {
    body: Body<'p>,
    header: Option<Header>,
    step_us: i64,
    signals: SignalNames,
    seen: Vec<bool>,
    open: BTreeMap<u32, Open>,
}

impl<'p> LongRows<'p> {
    pub(super) fn new(mut body: Body<'p>) -> LongRows<'p> {
        let columns = &body.profile.columns;
        let named = columns.iter().enumerate().filter_map(|(index, spec)| match &spec.column {
            ColumnRef::Name(name) => Some((fold(name), index)),
            ColumnRef::Number(_) => None,
        });
        let measures = named.collect();
        body.assembly.measures = columns.iter().map(|c| Measure::new(c, body.profile)).collect();
        let header = (!body.profile.header).then(|| Header::by_number(body.profile));
        LongRows {
            header,
            step_us: body.profile.long.as_ref().map_or(1_000_000, |l| l.step_us),
            seen: vec![false; columns.len()],
            signals: SignalNames { measures, ..SignalNames::default() },
            open: BTreeMap::new(),
            body,
        }
    }

    fn row(&mut self, line: &[u8]) -> Result<(), Fault> {
        let Some(header) = &self.header else { return Ok(()) };
        let cells = header.cells(line, self.body.profile)?;
        let own = [Use::SignalName, Use::Reading, Use::Unit];
        let [name, reading, unit] = header.place(&cells, own, &mut self.body.assembly)?;
        let Some(index) = self.signals.measure(name) else { return Ok(()) };
        self.seen[index] = true;
        let (vehicle, us) = self.body.assembly.key().map_err(|f| header.fault(f))?;
        let value =
            value(&self.body, index, reading, unit).map_err(|c| header.fault((c, Use::Reading)))?;
        let us = us - us.rem_euclid(self.step_us);
        self.gather(vehicle, us, index, value).map_err(|code| Fault { code, column: None })
    }

    /// Puts one value into the open sample of its vehicle; a new step closes the one before.
    fn gather(
        &mut self,
        vehicle: u32,
        us: i64,
        index: usize,
        value: f64,
    ) -> Result<(), RejectCode> {
        let trip = self.body.assembly.trip();
        let same_step = self.open.get(&vehicle).is_some_and(|o| o.us == us && o.trip == trip);
        if !same_step && let Some(open) = self.open.remove(&vehicle) {
            self.close(vehicle, &open);
        }
        let row = self.body.rows;
        let count = self.body.assembly.measures.len();
        let open = self.open.entry(vehicle).or_insert_with(|| Open {
            us,
            trip,
            row,
            lines: 0,
            values: vec![f64::NAN; count],
        });
        if !open.values[index].is_nan() {
            return Err(RejectCode::DuplicateTime);
        }
        open.values[index] = value;
        open.lines += 1;
        Ok(())
    }

    fn close(&mut self, vehicle: u32, open: &Open) {
        self.body.assembly.gathered(
            (vehicle, open.trip, open.us),
            open.row,
            open.lines,
            &open.values,
        );
    }
}

/// The value of a cell that may bring its unit along or have it in a column of its own.
fn value(body: &Body<'_>, index: usize, cell: &[u8], unit: &[u8]) -> Result<f64, RejectCode> {
    let measure = &body.assembly.measures[index];
    let reading = body.assembly.reading();
    if !unit.is_empty()
        && !reading.is_null(cell)
        && let Some((number, used)) = any_decimal(cell, reading.numbers)
        && used == cell.len()
    {
        let unit = std::str::from_utf8(unit).map_err(|_| RejectCode::BadEncoding)?;
        return measure.with_unit(number, unit);
    }
    measure.any(cell, reading)
}

impl<'p> LineRows<'p> for LongRows<'p> {
    const GATHERS: bool = true;

    fn line(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if self.header.is_none() {
            let header = Header::read(line, &self.body)?;
            self.body.rejects.hide_rows = true; // a row may be about a signal that nobody asked for
            self.header = Some(header);
            return Ok(());
        }
        if line.len() > self.body.limits.line_bytes_max {
            self.body.reject_line(RejectCode::LineTooLong, line);
            return Ok(());
        }
        self.body.rows += 1;
        let fault = self.row(line);
        if let (Err(fault), Some(header)) = (fault, &self.header) {
            header.reject(line, fault, &mut self.body);
        }
        Ok(())
    }

    fn last(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        if self.header.is_none() {
            self.line(line)?;
            return Ok(true);
        }
        self.body.rows += 1;
        let usable = self.row(line).is_ok();
        if !usable {
            self.body.rows -= 1;
        }
        Ok(usable)
    }

    fn awaits_header(&self) -> bool {
        self.header.is_none()
    }

    fn settled(&mut self) -> u64 {
        let open = self.open.values().map(|o| o.row - 1).min();
        open.map_or(self.body.rows, |row| row.min(self.body.rows))
    }

    fn end(&mut self) {
        self.body.assembly.reserve(1);
        for (vehicle, open) in std::mem::take(&mut self.open) {
            self.close(vehicle, &open);
        }
    }

    fn body(&mut self) -> &mut Body<'p> {
        &mut self.body
    }

    fn found(&self) -> Result<Option<Found>, IngestError> {
        if self.header.is_none() {
            return Ok(None);
        }
        let columns = self.body.profile.columns.iter().zip(&self.seen);
        Ok(Some(Found {
            absent: columns
                .filter(|(_, seen)| !**seen)
                .map(|(c, _)| c.signal.spec().name)
                .collect(),
            unread: self.signals.unread.values().cloned().collect(),
        }))
    }
}
