//! The control units of a file: decoded replies of every vehicle and bus to rows.
//!
//! Comes in: one line of a raw log or capture, ready to be fed to the assembler of its bus. Goes out: rows in the
//! [`Body`], one for each interval in which something was read. A row carries the number of the line that opened its
//! interval, so a later line of the same interval, appended to a file that has grown, never makes a second row of it.
//! Never: reads cells.

use std::collections::BTreeMap;

use super::line_rows::{Body, Found};
use super::profile::Profile;
use super::raw::{RawAssembler, RawError, RawRow, Sampling};
use super::rows::Measure;
use crate::tables::samples::{RejectCode, SIGNALS};

/// One bus of one vehicle on one trip.
#[derive(Debug)]
struct Bus {
    assembler: RawAssembler,
    trip: u32,
    /// Line that opened the interval at hand.
    row: u64,
    /// Lines since then that were used.
    lines: u32,
}

/// All buses of a file.
#[derive(Debug)]
pub(super) struct Buses {
    sampling: Sampling,
    /// By vehicle, then by the name of the bus.
    open: BTreeMap<u32, BTreeMap<String, Bus>>,
    /// Position of each signal among the measures.
    place: Vec<Option<usize>>,
    seen: Vec<bool>,
    values: Vec<f64>,
}

impl Buses {
    /// No bus yet; gives the body its measures.
    pub(super) fn new(body: &mut Body<'_>) -> Buses {
        let profile: &Profile = body.profile;
        let measures: Vec<Measure> =
            profile.columns.iter().map(|c| Measure::new(c, profile)).collect();
        let mut place = vec![None; SIGNALS.len()];
        for (index, measure) in measures.iter().enumerate() {
            place[measure.spec.signal as usize] = Some(index);
        }
        let buses = Buses {
            sampling: profile.raw.as_ref().map_or_else(Sampling::default, |raw| raw.sampling),
            open: BTreeMap::new(),
            place,
            seen: vec![false; measures.len()],
            values: vec![f64::NAN; measures.len()],
        };
        body.assembly.measures = measures;
        buses
    }

    /// Whether the bus would take what `feed` gives; nothing changes.
    pub(super) fn would_take(
        &self,
        vehicle: u32,
        name: &str,
        feed: impl FnOnce(&mut RawAssembler) -> Result<(), RawError>,
    ) -> bool {
        let bus = self.open.get(&vehicle).and_then(|buses| buses.get(name));
        let mut trial = match bus {
            Some(bus) => bus.assembler.clone(),
            None => RawAssembler::new(self.sampling),
        };
        feed(&mut trial).is_ok()
    }

    /// Feeds the line that is row [`Body::rows`] to its bus; rows that it completes go to the body.
    pub(super) fn feed(
        &mut self,
        body: &mut Body<'_>,
        vehicle: u32,
        name: &str,
        feed: impl FnOnce(&mut RawAssembler) -> Result<(), RawError>,
    ) -> Result<(), RawError> {
        let (trip, row) = (body.assembly.trip(), body.rows);
        let sampling = self.sampling;
        let new = || Bus { assembler: RawAssembler::new(sampling), trip, row, lines: 0 };
        let buses = self.open.entry(vehicle).or_default();
        if !buses.contains_key(name) {
            buses.insert(name.to_owned(), new());
        }
        let Some(bus) = buses.get_mut(name) else { return Ok(()) };
        let mut complete: Vec<(RawRow, u32, u64, u32)> = Vec::new();
        if bus.trip != trip {
            // Nothing that was read on one trip stands on another.
            let old = std::mem::replace(bus, new());
            let rows = old.assembler.finish().0;
            complete.extend(rows.into_iter().map(|r| (r, old.trip, old.row, old.lines)));
        }
        let fed = feed(&mut bus.assembler);
        for done in bus.assembler.take_rows() {
            complete.push((done, trip, bus.row, bus.lines));
            (bus.row, bus.lines) = (row, 0);
        }
        if fed.is_ok() {
            if bus.lines == 0 {
                bus.row = row;
            }
            bus.lines += 1;
        }
        for (done, trip, row, lines) in complete {
            self.close(body, (vehicle, trip), row, lines, &done);
        }
        fed
    }

    /// The last of `rows` rows that stays what it is, whatever may follow.
    pub(super) fn settled(&self, rows: u64) -> u64 {
        let buses = self.open.values().flat_map(BTreeMap::values);
        buses.map(|bus| bus.row - 1).min().map_or(rows, |row| row.min(rows))
    }

    /// Closes every row that is still open.
    ///
    /// A message whose last frames are missing at the end of a file is no fault: the file may still grow.
    pub(super) fn end(&mut self, body: &mut Body<'_>) {
        body.assembly.reserve(1);
        for (vehicle, buses) in std::mem::take(&mut self.open) {
            for bus in buses.into_values() {
                for done in bus.assembler.finish().0 {
                    self.close(body, (vehicle, bus.trip), bus.row, bus.lines, &done);
                }
            }
        }
    }

    fn close(
        &mut self,
        body: &mut Body<'_>,
        (vehicle, trip): (u32, u32),
        row: u64,
        lines: u32,
        done: &RawRow,
    ) {
        self.values.fill(f64::NAN);
        for &(signal, value) in &done.values {
            let Some(index) = self.place[signal as usize] else { continue };
            self.seen[index] = true;
            match body.assembly.measures[index].value(value) {
                Ok(value) => self.values[index] = value,
                // As in every format, one value out of range costs the whole row: the unit cannot be trusted.
                Err(code) => {
                    let (name, text) = (signal.spec().name, value.to_string());
                    return body.rejects.add_rows(lines.into(), row, name, code, text.as_bytes());
                }
            }
        }
        body.assembly.gathered((vehicle, trip, done.time_us), row, lines, &self.values);
    }

    /// Signals that no response carried.
    pub(super) fn found(&self, body: &Body<'_>, unread: Vec<String>) -> Found {
        let measures = body.assembly.measures.iter().zip(&self.seen);
        let absent = measures.filter(|(_, seen)| !**seen).map(|(m, _)| m.spec.signal.spec().name);
        Found { absent: absent.collect(), unread }
    }
}

/// The reject code of a cell or line that is not text.
pub(super) fn text(bytes: &[u8]) -> Result<&str, RejectCode> {
    std::str::from_utf8(bytes).map_err(|_| RejectCode::BadEncoding)
}
