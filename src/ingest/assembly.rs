//! One row at a time from cells of any format into columns.
//!
//! Comes in: trimmed cells, each with what it is for. Goes out: [`Columns`] in the order of the file. Knows what a
//! whole row needs: a believable time and a vehicle. Never: finds cells, sorts rows.

use super::Limits;
use super::clock::{LastRow, LocalClock};
use super::profile::Profile;
use super::rows::{Columns, Measure, NO_TRIP, Names, Reading, believable};
use super::stamp::{Stamp, StampReader};
use crate::tables::samples::RejectCode;

/// What a cell is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Use {
    Time,
    /// The date that belongs to a time of day in another column.
    Date,
    Vehicle,
    Trip,
    /// The measure with this position.
    Value(usize),
    /// In long form: which signal the row is about.
    SignalName,
    /// In long form: the value.
    Reading,
    /// In long form: the unit of the value.
    Unit,
    /// In raw logs: the request.
    Request,
    /// In raw logs: the responses to it.
    Response,
}

/// What the row at hand has told so far.
#[derive(Debug, Clone, Copy, Default)]
struct Row {
    stamp: Option<Stamp>,
    has_time_text: bool,
    vehicle: Option<u32>,
    trip: Option<u32>,
}

/// Builds the columns of one file.
#[derive(Debug)]
pub(super) struct Assembly<'p> {
    limits: &'p Limits,
    reading: Reading,
    stamps: StampReader,
    clock: Option<LocalClock>,
    /// By vehicle; only kept for local times.
    last_rows: Vec<Option<LastRow>>,
    /// Date and time of day stand in two columns.
    two_columns: bool,
    date_text: Vec<u8>,
    time_text: Vec<u8>,
    file_vehicle: Option<u32>,
    file_trip: Option<u32>,
    row: Row,
    pub(super) measures: Vec<Measure>,
    pub(super) vehicles: Names,
    pub(super) trips: Names,
    pub(super) columns: Columns,
}

impl<'p> Assembly<'p> {
    /// `vehicle` and `trip`: what the file name or the profile says for all rows.
    pub(super) fn new(
        profile: &Profile,
        limits: &'p Limits,
        vehicle: Option<&str>,
        trip: Option<&str>,
    ) -> Result<Assembly<'p>, RejectCode> {
        let (mut vehicles, mut trips) = (Names::default(), Names::default());
        Ok(Assembly {
            limits,
            reading: Reading::new(profile),
            stamps: StampReader::new(
                profile.time.form.clone(),
                profile.time.zone.is_some(),
                profile.numbers,
            ),
            clock: profile.time.zone.clone().map(LocalClock::new),
            last_rows: Vec::new(),
            two_columns: profile.time.date_column.is_some(),
            date_text: Vec::new(),
            time_text: Vec::new(),
            file_vehicle: vehicle.map(|v| vehicles.id(v.as_bytes(), limits)).transpose()?,
            file_trip: trip.map(|t| trips.id(t.as_bytes(), limits)).transpose()?,
            row: Row::default(),
            measures: Vec::new(),
            vehicles,
            trips,
            columns: Columns::default(),
        })
    }

    /// Makes room for `rows` rows of the measures at hand.
    pub(super) fn reserve(&mut self, rows: usize) {
        if self.columns.len() == 0 {
            self.columns = Columns::new(self.measures.len(), rows);
        }
    }

    /// Makes columns for the measures, which have become known after room was made.
    pub(super) fn make_columns(&mut self) {
        let room = self.columns.time.capacity();
        self.reserve(room);
    }

    /// The rows since the last call.
    pub(super) fn take(&mut self) -> Columns {
        std::mem::replace(&mut self.columns, Columns::new(self.measures.len(), 0))
    }

    /// Starts a row.
    #[inline]
    pub(super) fn begin(&mut self) {
        self.row = Row { vehicle: self.file_vehicle, trip: self.file_trip, ..Row::default() };
    }

    /// The vehicle of the row at hand, and its UTC or elapsed time; asked for once per row.
    #[inline]
    pub(super) fn key(&mut self) -> Result<(u32, i64), (RejectCode, Use)> {
        if self.row.has_time_text {
            self.date_text.push(b' ');
            self.date_text.extend_from_slice(&self.time_text);
            self.row.stamp =
                Some(self.stamps.read(&self.date_text).map_err(|code| (code, Use::Time))?);
        }
        let vehicle = self.row.vehicle.ok_or((RejectCode::NoVehicle, Use::Vehicle))?;
        let stamp = self.row.stamp.ok_or((RejectCode::BadTime, Use::Time))?;
        let us = self.utc(stamp, vehicle).map_err(|code| (code, Use::Time))?;
        Ok((vehicle, us))
    }

    /// Takes one trimmed cell.
    #[inline]
    pub(super) fn cell(&mut self, purpose: Use, cell: &[u8]) -> Result<(), RejectCode> {
        match purpose {
            Use::Time if self.two_columns => {
                self.time_text.clear();
                self.time_text.extend_from_slice(cell);
                self.row.has_time_text = true;
            }
            Use::Time => self.row.stamp = Some(self.stamps.read(cell)?),
            Use::Date => {
                self.date_text.clear();
                self.date_text.extend_from_slice(cell);
            }
            Use::Vehicle => {
                if let Some(id) = self.vehicles.again(cell) {
                    self.row.vehicle = Some(id);
                    return Ok(());
                }
                if self.reading.is_null(cell) {
                    return Err(RejectCode::NoVehicle);
                }
                self.row.vehicle = Some(self.vehicles.id(cell, self.limits)?);
            }
            Use::Trip => {
                if let Some(id) = self.trips.again(cell) {
                    self.row.trip = Some(id);
                } else if !self.reading.is_null(cell) {
                    self.row.trip = Some(self.trips.id(cell, self.limits)?);
                }
            }
            Use::Value(index) => {
                let value = self.measures[index].any(cell, &self.reading)?;
                self.columns.values[index].push(value);
            }
            // Read together by the reader of their form.
            Use::SignalName | Use::Reading | Use::Unit | Use::Request | Use::Response => {}
        }
        Ok(())
    }

    /// Takes the values of a whole row, `NaN` where not available.
    pub(super) fn values(&mut self, values: &[f64]) {
        for (column, value) in self.columns.values.iter_mut().zip(values) {
            column.push(*value);
        }
    }

    /// Takes the values of one measure for rows that were read without it, but for the rows `unused` (ascending).
    pub(super) fn column(&mut self, index: usize, mut values: Vec<f64>, unused: &[usize]) {
        let (mut row, mut unused) = (0, unused.iter().copied().peekable());
        values.retain(|_| {
            row += 1;
            unused.next_if_eq(&(row - 1)).is_none()
        });
        let column = &mut self.columns.values[index];
        if column.is_empty() {
            *column = values;
        } else {
            column.append(&mut values);
        }
    }

    /// Takes a whole row that was gathered from several rows of the source.
    pub(super) fn gathered(&mut self, key: (u32, u32, i64), row: u64, lines: u32, values: &[f64]) {
        let (vehicle, trip, us) = key;
        self.columns.vehicle.push(vehicle);
        self.columns.trip.push(trip);
        self.columns.time.push(us);
        self.columns.row.push(row);
        self.columns.lines.push(lines);
        self.values(values);
    }

    /// How cells are written.
    pub(super) fn reading(&self) -> &Reading {
        &self.reading
    }

    /// Takes a number of a plain measure.
    #[inline(always)]
    pub(super) fn number(&mut self, index: usize, number: f64) -> Result<(), RejectCode> {
        let value = self.measures[index].value(number)?;
        self.columns.values[index].push(value);
        Ok(())
    }

    /// Takes a number of any measure.
    pub(super) fn any_number(&mut self, index: usize, number: f64) -> Result<(), RejectCode> {
        let value = self.measures[index].number(number, &self.reading)?;
        self.columns.values[index].push(value);
        Ok(())
    }

    /// Notes that a measure is not available in this row.
    #[inline(always)]
    pub(super) fn nothing(&mut self, index: usize) {
        self.columns.values[index].push(f64::NAN);
    }

    /// Takes a time that needs no reading.
    pub(super) fn stamp(&mut self, stamp: Stamp) {
        self.row.stamp = Some(stamp);
    }

    /// Ends a row; on a fault says which cell is to blame, and [`Self::undo`] must follow.
    #[inline]
    pub(super) fn finish(&mut self, row: u64) -> Result<(), (RejectCode, Use)> {
        let (vehicle, us) = self.key()?;
        self.columns.time.push(us);
        self.columns.vehicle.push(vehicle);
        self.columns.trip.push(self.row.trip.unwrap_or(NO_TRIP));
        self.columns.row.push(row);
        Ok(())
    }

    /// The trip of the row at hand, or [`NO_TRIP`].
    pub(super) fn trip(&self) -> u32 {
        self.row.trip.unwrap_or(NO_TRIP)
    }

    /// Takes back the values of a row that ended in a fault.
    #[cold]
    pub(super) fn undo(&mut self) {
        let whole = self.columns.len();
        for values in &mut self.columns.values {
            values.truncate(whole);
        }
    }

    #[inline]
    fn utc(&mut self, stamp: Stamp, vehicle: u32) -> Result<i64, RejectCode> {
        let us = match stamp {
            Stamp::Utc(us) => us,
            Stamp::Local(us) => self.resolve(us, vehicle as usize)?,
            // Becomes UTC when the rows that share a reading are known; see `order`.
            Stamp::Elapsed(us) => return Ok(us),
        };
        if believable(us, self.limits) { Ok(us) } else { Err(RejectCode::TimeOutOfRange) }
    }

    fn resolve(&mut self, local_us: i64, vehicle: usize) -> Result<i64, RejectCode> {
        if self.last_rows.len() <= vehicle {
            self.last_rows.resize(vehicle + 1, None);
        }
        let last = self.last_rows[vehicle];
        let clock = self.clock.as_mut().ok_or(RejectCode::BadTime)?;
        let utc = clock.resolve(local_us, last);
        let before = last.map_or(i64::MIN / 2, |l| l.utc_us);
        self.last_rows[vehicle] =
            Some(LastRow { utc_us: utc.unwrap_or(before), local_us, decided: utc.is_ok() });
        utc
    }
}
