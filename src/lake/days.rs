//! Trips of the whole lake added up to vehicle-days, without ever holding the trips.
//!
//! Files are read side by side, only the columns that a [`Day`] needs, and added in whatever order they come: sums of
//! days do not depend on it.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use arrow::array::{Array, Float64Array};
use arrow::datatypes::{Float64Type, Int64Type, TimestampMicrosecondType};
use rayon::prelude::*;

use super::error::LakeError;
use super::read::{Block, Wanted, open};
use super::schema::Table;
use super::snapshot::{PartFile, Snapshot};
use super::trip_columns::{NUMBERS, blank, each_number, number_names, numbers};
use crate::tables::days::{Day, day_of};
use crate::tables::trips::Trip;

/// Days by vehicle, ascending.
type Days = BTreeMap<String, Vec<Day>>;

impl Snapshot {
    /// The days of every vehicle, ascending, up to and including `last_day` (days since 1970-01-01) if one is given.
    pub fn days(&self, last_day: Option<i32>) -> Result<BTreeMap<String, Vec<Day>>, LakeError> {
        let names: Vec<String> = number_names().into_iter().map(|(name, _)| name).collect();
        let all = Mutex::new(Days::new());
        let starts_in_time = |file: &&PartFile| match (last_day, file.not_before_us) {
            (Some(last), Some(start)) => day_of(start) <= last,
            _ => true,
        };
        let files: Vec<&PartFile> =
            self.files(Table::Trips).iter().filter(starts_in_time).collect();
        // One by one, so that no thread is left with the last few to itself.
        files.par_iter().with_max_len(1).try_for_each(|file| {
            let wanted = Wanted { columns: &needed, vehicles: None };
            let mut runs = Runs::default();
            for block in open(&self.store, Table::Trips, &file.path, wanted)? {
                let block = block?;
                runs.of_block(&block, &names, last_day)?;
                // A thread that panicked while it held the lock has already ended the run.
                let mut all = all.lock().unwrap_or_else(PoisonError::into_inner);
                runs.move_to(&mut all, &block)?;
            }
            Ok::<(), LakeError>(())
        })?;
        let mut all = all.into_inner().unwrap_or_else(PoisonError::into_inner);
        all.par_iter_mut().for_each(|(_, days)| put_in_order(days));
        Ok(all)
    }
}

/// Columns that a day is made of.
fn needed(column: &str) -> bool {
    let of_band = column.starts_with("b1_") || column.starts_with("b2_");
    match column {
        "trip" | "source" | "recipe" | "end" | "air_source" | "engine_s" | "idle_s" => false,
        _ if column.starts_with("ethanol_pct") || column.ends_with("_sq") => false,
        _ if of_band => {
            let fields = ["_n", "_y", "_m", "_mm", "_u", "_uu", "_uy", "_my"];
            fields.iter().any(|field| column.ends_with(field))
        }
        _ => true,
    }
}

/// Days of a block in its order, and in the same order which vehicle (its key in the block) has how many of them.
#[derive(Default)]
struct Runs {
    vehicles: Vec<(usize, usize)>,
    days: Vec<Day>,
}

impl Runs {
    /// Adds up the trips of a block.
    fn of_block(
        &mut self,
        block: &Block,
        names: &[String],
        last_day: Option<i32>,
    ) -> Result<(), LakeError> {
        let vehicle = block.texts("vehicle")?;
        let start = block.must::<TimestampMicrosecondType>("start")?;
        let rows = block.must::<Int64Type>("rows")?;
        let gated = block.must::<Int64Type>("gated")?;
        let fuel_from_airflow = block.flags("fuel_from_airflow")?;
        let loop_inferred = block.flags("loop_inferred")?;
        let has_misfire = block.flags("has_misfire")?;
        let columns = names.iter().map(|n| block.may::<Float64Type>(n));
        let columns = columns.collect::<Result<Vec<Option<&Float64Array>>, _>>()?;
        let mut trip = blank();
        let mut lines = Lines::of(&mut trip, columns);
        for i in 0..block.rows() {
            if i % Lines::AT_ONCE == 0 {
                lines.turn(i, block.rows());
            }
            let Some(key) = vehicle.key(i) else { continue };
            if last_day.is_some_and(|last| day_of(start.value(i)) > last) {
                continue;
            }
            trip.start_us = start.value(i);
            trip.rows = u64::try_from(rows.value(i)).unwrap_or(0);
            trip.gated = u64::try_from(gated.value(i)).unwrap_or(0);
            trip.fuel_from_airflow = fuel_from_airflow.is_some_and(|f| f.value(i));
            trip.loop_inferred = loop_inferred.is_some_and(|f| f.value(i));
            trip.has_misfire = has_misfire.is_some_and(|f| f.value(i));
            let mut line = lines.line(i).iter();
            each_number(&mut trip, |number| line.next().into_iter().for_each(|x| *number = *x));
            let day = Day::of(&trip);
            let run = self.vehicles.last_mut().filter(|(of, _)| *of == key);
            match (run, self.days.last_mut()) {
                (Some(_), Some(sum)) if sum.day == day.day => {
                    sum.merge(&day);
                    continue;
                }
                (Some((_, n)), _) => *n += 1,
                (None, _) => self.vehicles.push((key, 1)),
            }
            self.days.push(day);
        }
        Ok(())
    }

    /// Hands the days to their vehicles.
    fn move_to(&mut self, all: &mut Days, block: &Block) -> Result<(), LakeError> {
        let vehicle = block.texts("vehicle")?;
        // From the end, so that what is left need not move up.
        while let Some((key, n)) = self.vehicles.pop() {
            let name = vehicle.values.value(key);
            if !all.contains_key(name) {
                all.insert(name.to_owned(), Vec::new());
            }
            if let Some(of_vehicle) = all.get_mut(name) {
                make_room(of_vehicle, n);
                of_vehicle.extend(self.days.drain(self.days.len() - n..));
            }
        }
        Ok(())
    }
}

/// Columns turned into lines, some trips at a time: a column is read along itself, and a trip is filled in one go.
struct Lines<'b> {
    /// Columns that hold anything, with their position and what a null stands for.
    columns: Vec<(usize, f64, &'b Float64Array)>,
    /// What no column fills stays as it is.
    lines: Vec<[f64; NUMBERS]>,
}

impl<'b> Lines<'b> {
    const AT_ONCE: usize = 32;

    fn of(blank: &mut Trip, columns: Vec<Option<&'b Float64Array>>) -> Self {
        let mut line = [f64::NAN; NUMBERS];
        line.iter_mut().zip(numbers(blank)).for_each(|(x, unknown)| *x = *unknown);
        let columns = columns.into_iter().enumerate();
        let columns = columns.filter_map(|(k, column)| Some((k, line[k], column?)));
        let columns = columns.filter(|(.., column)| column.null_count() < column.len()).collect();
        Self { columns, lines: vec![line; Self::AT_ONCE] }
    }

    /// Takes the rows from `from` on.
    fn turn(&mut self, from: usize, rows: usize) {
        let until = rows.min(from + Self::AT_ONCE);
        for (k, unknown, column) in &self.columns {
            let values = &column.values()[from..until];
            match column.nulls().filter(|n| n.null_count() > 0) {
                None => self.lines.iter_mut().zip(values).for_each(|(line, x)| line[*k] = *x),
                Some(nulls) => {
                    for (i, (line, x)) in self.lines.iter_mut().zip(values).enumerate() {
                        line[*k] = if nulls.is_valid(from + i) { *x } else { *unknown };
                    }
                }
            }
        }
    }

    fn line(&self, row: usize) -> &[f64; NUMBERS] {
        &self.lines[row % Self::AT_ONCE]
    }
}

/// Makes room for so many days more; days are put in order when it runs out, and once more when all are there.
fn make_room(all: &mut Vec<Day>, coming: usize) {
    if all.len() + coming <= all.capacity() {
        return;
    }
    put_in_order(all);
    // Years of days: twice the room would be a lot, a little at a time would mean sorting and copying often.
    if all.len() + coming > all.capacity() / 2 {
        all.reserve_exact(coming.max(16 + all.len() / 2));
    }
}

/// Sorts days and adds up those that are the same.
fn put_in_order(all: &mut Vec<Day>) {
    all.sort_by_key(|day| day.day);
    all.dedup_by(|next, kept| {
        let same = next.day == kept.day;
        if same {
            kept.merge(next);
        }
        same
    });
}
