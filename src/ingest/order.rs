//! Rows in the order of the file to samples in the order of time.
//!
//! Comes in: [`Columns`] of one file, part by part. Goes out: [`Samples`] sorted by vehicle, time and row. Turns elapsed
//! time into UTC, names trips that the log does not name, drops rows of a vehicle and time that it has had, and turns
//! counters that restart with each driving cycle into differences. What it decides does not depend on where the parts
//! are cut, except where the clock of a vehicle was set back: rows further apart than one part do not meet.
//! Never: reads cells.

use std::ops::Range;

use super::Limits;
use super::clock::{ElapsedClock, GAP_US};
use super::late::LateRows;
use super::profile::{Counting, NameSource, Profile, TimeForm};
use super::rows::{Columns, Measure, NO_TRIP, Names, Rejects, believable};
use super::stamp::rfc3339;
use crate::tables::samples::{RejectCode, SIGNALS, Samples};

/// Rows that share one elapsed reading are held back at most up to this number.
const HELD_MAX: usize = 100_000;

/// What is known of one vehicle of the file.
#[derive(Debug, Clone)]
struct VehicleState {
    clock: ElapsedClock,
    /// Time of the row before, in the order of the file.
    last_us: Option<i64>,
    /// The trip that the gaps made.
    trip: u32,
    /// Latest time kept.
    latest_us: i64,
    /// Values of the last row kept, by measure; only with `drop_repeats`.
    last_values: Vec<f64>,
    /// Last readings of the counters, by measure.
    last_counts: Vec<f64>,
}

/// Puts the rows of one file in order.
pub(super) struct Order<'p> {
    limits: &'p Limits,
    time_column: String,
    elapsed: Option<ElapsedClock>,
    drop_repeats: bool,
    file_is_trip: bool,
    /// Rows carry a part of the signals each.
    merge: bool,
    held: Option<Columns>,
    states: Vec<VehicleState>,
    /// The last row that stays what it is if the file grows; set before the last part, which may lower it.
    pub(super) rows_settled: u64,
    /// The last row that an earlier run had read for good.
    pub(super) rows_known: u64,
    /// The last of these rows that no later one changes, if that is not all of them.
    pub(super) known_unchanged: Option<u64>,
    late: LateRows,
    pub(super) samples: u64,
    pub(super) first_us: Option<i64>,
    pub(super) last_us: Option<i64>,
}

/// The parts of a file reader that the order needs.
pub(super) struct Tables<'a> {
    pub(super) measures: &'a [Measure],
    pub(super) vehicles: &'a Names,
    pub(super) trips: &'a mut Names,
    pub(super) rejects: &'a mut Rejects,
}

impl<'p> Order<'p> {
    /// `start_us`: what elapsed time counts from, if the profile's time is elapsed.
    pub(super) fn new(profile: &Profile, limits: &'p Limits, start_us: Option<i64>) -> Order<'p> {
        let elapsed = match &profile.time.form {
            TimeForm::Elapsed { refresh_us, .. } => {
                Some(ElapsedClock::new(start_us.unwrap_or(0), *refresh_us))
            }
            TimeForm::Rfc3339 | TimeForm::Epoch { .. } | TimeForm::Pattern(_) => None,
        };
        Order {
            limits,
            time_column: match &profile.time.column {
                super::profile::ColumnRef::Name(name) => name.clone(),
                super::profile::ColumnRef::Number(number) => number.to_string(),
            },
            elapsed,
            drop_repeats: profile.drop_repeats,
            file_is_trip: profile.trip == NameSource::File,
            merge: !profile.has_value_columns(),
            held: None,
            states: Vec::new(),
            rows_settled: u64::MAX,
            rows_known: 0,
            known_unchanged: None,
            late: LateRows::default(),
            samples: 0,
            first_us: None,
            last_us: None,
        }
    }

    /// Orders the next part; `last` says that nothing follows.
    pub(super) fn part(
        &mut self,
        mut rows: Columns,
        last: bool,
        tables: &mut Tables<'_>,
    ) -> Samples {
        if self.elapsed.is_some() {
            rows = self.with_held(rows, last);
            if last {
                self.unsettle_last_reading(&rows);
            }
        }
        self.make_states(tables);
        let mut keep = vec![true; rows.len()];
        if self.elapsed.is_some() {
            self.elapsed_to_utc(&mut rows, &mut keep, tables);
        }
        self.name_trips(&mut rows, &keep, tables);
        let (vehicle_names, rank) = ranks(&rows, tables.vehicles);
        let order = sorted_order(&rows, &rank);
        let mut late = LateRows::of_part(&rows, order.as_deref(), &keep);
        if self.merge {
            late.add_joined(&merge_partial(&mut rows, order.as_deref(), &mut keep));
        }
        self.note_late(late, last);
        self.drop_duplicates(&rows, order.as_deref(), &mut keep, tables.rejects);
        let mut rows = arranged(rows, order, &keep);
        self.count_differences(&mut rows, tables.measures);
        self.samples += rows.len() as u64;
        self.note_times(&rows);
        into_samples(rows, vehicle_names, &rank, tables)
    }

    /// Rows held back come first; rows whose next reading is not known yet are held back.
    fn with_held(&mut self, rows: Columns, last: bool) -> Columns {
        let mut rows = match self.held.take() {
            Some(mut held) => {
                held.append(rows);
                held
            }
            None => rows,
        };
        if !last && rows.len() > 0 {
            let group = group_from_end(&rows);
            if group.len() <= HELD_MAX {
                self.held = Some(rows.split_off(group.start));
            }
        }
        rows
    }

    /// Where rows of one reading lie depends on the reading that follows, if any, and this one may still be cut.
    fn unsettle_last_reading(&mut self, rows: &Columns) {
        let settled = rows.row.partition_point(|row| *row <= self.rows_settled);
        if let Some(last) = settled.checked_sub(1) {
            let alike = |at: &usize| {
                rows.time[*at] == rows.time[last] && rows.vehicle[*at] == rows.vehicle[last]
            };
            let open = (0..settled).rev().take_while(alike).count();
            self.rows_settled = rows.row[settled - open] - 1;
        }
    }

    /// Rows that one changes that is not settled are not settled either; and a row of a grown file may change even one
    /// that an earlier run had read for good.
    fn note_late(&mut self, part: LateRows, last: bool) {
        let unchanged = part.end_at(self.rows_known);
        if unchanged < self.rows_known {
            self.known_unchanged = self.known_unchanged.into_iter().chain([unchanged]).min();
        }
        self.late.add(part);
        if last {
            self.rows_settled = self.late.end_at(self.rows_settled);
        }
    }

    fn make_states(&mut self, tables: &Tables<'_>) {
        let state = VehicleState {
            clock: self.elapsed.unwrap_or(ElapsedClock::new(0, 0)),
            last_us: None,
            trip: NO_TRIP,
            latest_us: i64::MIN,
            last_values: vec![f64::NAN; tables.measures.len()],
            last_counts: vec![f64::NAN; tables.measures.len()],
        };
        self.states.resize(tables.vehicles.len().max(self.states.len()), state);
    }

    /// Spreads rows that share a reading; rows of one reading with the same values all through are duplicates.
    fn elapsed_to_utc(&mut self, rows: &mut Columns, keep: &mut [bool], tables: &mut Tables<'_>) {
        let mut from = 0;
        while from < rows.len() {
            let group = group_from(rows, from);
            let vehicle = rows.vehicle[from];
            let following = group.end;
            let next = if following < rows.len() {
                (rows.vehicle[following] == vehicle).then(|| rows.time[following])
            } else {
                let held = self.held.as_ref().filter(|h| h.vehicle.first() == Some(&vehicle));
                held.and_then(|h| h.time.first().copied())
            };
            let reading = rows.time[from];
            let state = &mut self.states[vehicle as usize];
            let times = state.clock.spread(reading, next, group.len());
            for (row, us) in group.clone().zip(times) {
                let repeats = row > from && rows.values.iter().all(|v| same(v[row], v[row - 1]));
                if repeats || !believable(us, self.limits) {
                    let code = if repeats {
                        RejectCode::DuplicateTime
                    } else {
                        RejectCode::TimeOutOfRange
                    };
                    tables.rejects.add_rows(
                        rows.weight(row),
                        rows.row[row],
                        &self.time_column,
                        code,
                        format!("{}", reading as f64 / 1e6).as_bytes(),
                    );
                    keep[row] = false;
                }
                rows.time[row] = us;
            }
            from = following;
        }
    }

    /// A trip that the log does not name starts at a gap, and is named by its vehicle and its first time.
    fn name_trips(&mut self, rows: &mut Columns, keep: &[bool], tables: &mut Tables<'_>) {
        for (row, &kept) in keep.iter().enumerate() {
            if rows.trip[row] != NO_TRIP || !kept {
                continue;
            }
            let vehicle = rows.vehicle[row];
            let us = rows.time[row];
            let state = &mut self.states[vehicle as usize];
            let gap = state.last_us.is_none_or(|last| (us - last).abs() > GAP_US);
            if state.trip == NO_TRIP || (gap && !self.file_is_trip) {
                state.trip =
                    tables.trips.add(format!("{} {}", tables.vehicles.name(vehicle), rfc3339(us)));
            }
            state.last_us = Some(us);
            rows.trip[row] = state.trip;
        }
    }

    fn drop_duplicates(
        &mut self,
        rows: &Columns,
        order: Option<&[u32]>,
        keep: &mut [bool],
        rejects: &mut Rejects,
    ) {
        for at in 0..rows.len() {
            let row = order.map_or(at, |o| o[at] as usize);
            if !keep[row] {
                continue;
            }
            let state = &mut self.states[rows.vehicle[row] as usize];
            let us = rows.time[row];
            let mut drop = us == state.latest_us;
            if self.drop_repeats && !drop && state.latest_us != i64::MIN {
                drop =
                    rows.values.iter().zip(&state.last_values).all(|(v, last)| same(v[row], *last));
            }
            if drop {
                keep[row] = false;
                rejects.add_rows(
                    rows.weight(row),
                    rows.row[row],
                    &self.time_column,
                    RejectCode::DuplicateTime,
                    rfc3339(us).as_bytes(),
                );
                continue;
            }
            // Rows are in order, so only a clock set back makes this smaller; then the duplicates of the part still
            // meet each other, since they are neighbours.
            state.latest_us = us;
            if self.drop_repeats {
                for (last, values) in state.last_values.iter_mut().zip(&rows.values) {
                    *last = values[row];
                }
            }
        }
    }

    fn count_differences(&mut self, rows: &mut Columns, measures: &[Measure]) {
        for (index, measure) in measures.iter().enumerate() {
            if measure.spec.counting != Counting::SinceStart {
                continue;
            }
            for row in 0..rows.len() {
                let last = &mut self.states[rows.vehicle[row] as usize].last_counts[index];
                let count = rows.values[index][row];
                if count.is_nan() {
                    continue;
                }
                // A count below the one before has restarted, so all of it is new. The first one of a file may be of
                // any age, so it says nothing.
                rows.values[index][row] = if *last <= count {
                    count - *last
                } else if last.is_nan() {
                    f64::NAN
                } else {
                    count
                };
                *last = count;
            }
        }
    }

    fn note_times(&mut self, rows: &Columns) {
        for &us in &rows.time {
            self.first_us = Some(self.first_us.map_or(us, |first| first.min(us)));
            self.last_us = Some(self.last_us.map_or(us, |last| last.max(us)));
        }
    }
}

/// Equal, or both not available.
fn same(a: f64, b: f64) -> bool {
    a.to_bits() == b.to_bits() || (a.is_nan() && b.is_nan())
}

/// The rows from `from` on that share vehicle and reading.
fn group_from(rows: &Columns, from: usize) -> Range<usize> {
    let alike = |row: &usize| {
        rows.time[*row] == rows.time[from] && rows.vehicle[*row] == rows.vehicle[from]
    };
    from..from + (from..rows.len()).take_while(alike).count()
}

fn group_from_end(rows: &Columns) -> Range<usize> {
    let end = rows.len();
    let last = end - 1;
    let alike = |row: &usize| {
        rows.time[*row] == rows.time[last] && rows.vehicle[*row] == rows.vehicle[last]
    };
    end - (0..end).rev().take_while(alike).count()..end
}

/// The vehicles of these rows sorted by name, and the position of each vehicle number among them.
fn ranks(rows: &Columns, vehicles: &Names) -> (Vec<String>, Vec<u32>) {
    let mut used = vec![false; vehicles.len()];
    for vehicle in &rows.vehicle {
        used[*vehicle as usize] = true;
    }
    let mut ids: Vec<u32> = (0..vehicles.len() as u32).filter(|id| used[*id as usize]).collect();
    ids.sort_by_key(|id| vehicles.name(*id));
    let mut rank = vec![0; vehicles.len()];
    for (position, id) in ids.iter().enumerate() {
        rank[*id as usize] = position as u32;
    }
    (ids.iter().map(|id| vehicles.name(*id).to_owned()).collect(), rank)
}

/// The order by vehicle, time and row; `None` if the rows are in it already.
fn sorted_order(rows: &Columns, rank: &[u32]) -> Option<Vec<u32>> {
    let key = |row: usize| (rank[rows.vehicle[row] as usize], rows.time[row]);
    if (1..rows.len()).all(|row| key(row - 1) <= key(row)) {
        return None;
    }
    let mut order: Vec<u32> = (0..rows.len() as u32).collect();
    order.sort_by_key(|row| key(*row as usize)); // stable, and rows come in the order of the file
    Some(order)
}

/// Joins rows of one vehicle and time that carry different signals into the first of them; gives the numbers of each row
/// that was joined and of the one that it joined.
fn merge_partial(rows: &mut Columns, order: Option<&[u32]>, keep: &mut [bool]) -> Vec<(u64, u64)> {
    let mut first: Option<usize> = None;
    let mut joined: Vec<(u64, u64)> = Vec::new();
    for at in 0..rows.len() {
        let row = order.map_or(at, |o| o[at] as usize);
        if !keep[row] {
            continue;
        }
        let joins = first.filter(|f| {
            let same_key = rows.vehicle[*f] == rows.vehicle[row] && rows.time[*f] == rows.time[row];
            same_key && rows.values.iter().all(|v| v[*f].is_nan() || v[row].is_nan())
        });
        let Some(into) = joins else {
            first = Some(row);
            continue;
        };
        for values in &mut rows.values {
            if values[into].is_nan() {
                values[into] = values[row];
            }
        }
        rows.lines[into] += rows.lines[row];
        keep[row] = false;
        joined.push((rows.row[row], rows.row[into]));
    }
    joined
}

/// The rows to keep, in order.
fn arranged(rows: Columns, order: Option<Vec<u32>>, keep: &[bool]) -> Columns {
    if order.is_none() && keep.iter().all(|k| *k) {
        return rows;
    }
    let order = order.unwrap_or_else(|| (0..rows.len() as u32).collect());
    let order: Vec<usize> =
        order.into_iter().map(|row| row as usize).filter(|row| keep[*row]).collect();
    Columns {
        time: order.iter().map(|row| rows.time[*row]).collect(),
        vehicle: order.iter().map(|row| rows.vehicle[*row]).collect(),
        trip: order.iter().map(|row| rows.trip[*row]).collect(),
        row: order.iter().map(|row| rows.row[*row]).collect(),
        lines: Vec::new(),
        values: rows.values.iter().map(|v| order.iter().map(|row| v[*row]).collect()).collect(),
    }
}

/// Numbers vehicles by name and trips by first appearance, and puts each value column in its place.
fn into_samples(
    rows: Columns,
    vehicles: Vec<String>,
    rank: &[u32],
    tables: &Tables<'_>,
) -> Samples {
    let mut samples = Samples {
        vehicles,
        time_us: rows.time,
        vehicle: rows.vehicle,
        trip: rows.trip,
        row: rows.row,
        signals: vec![None; SIGNALS.len()],
        ..Samples::default()
    };
    for vehicle in &mut samples.vehicle {
        *vehicle = rank[*vehicle as usize];
    }
    let mut place = std::collections::BTreeMap::new();
    let mut last = (NO_TRIP, NO_TRIP);
    for trip in &mut samples.trip {
        if *trip != last.0 {
            let position = *place.entry(*trip).or_insert_with(|| {
                samples.trips.push(tables.trips.name(*trip).to_owned());
                samples.trips.len() as u32 - 1
            });
            last = (*trip, position);
        }
        *trip = last.1;
    }
    for (measure, values) in tables.measures.iter().zip(rows.values) {
        samples.signals[measure.spec.signal as usize] = Some(values);
    }
    samples
}
