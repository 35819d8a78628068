//! Trips of the whole lake added up to vehicle-days, without ever holding the trips.
//!
//! Files are read side by side, only the columns that a [`Day`] needs, and added in whatever order they come: sums of
//! days do not depend on it.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::sync::Mutex;

use arrow::array::{Array, Float64Array};
use arrow::datatypes::{Float64Type, Int64Type, TimestampMicrosecondType};
use rayon::prelude::*;

use super::error::LakeError;
use super::read::{Block, Wanted, open};
use super::schema::Table;
use super::snapshot::{PartFile, Snapshot};
use super::trip_columns::{blank, number_names, numbers};
use crate::tables::days::{Day, day_of};
use crate::tables::trips::Trip;

/// Days by vehicle, ascending.
type Days = BTreeMap<String, Vec<Day>>;

impl Snapshot {
    /// The days of every vehicle, up to and including `last_day` (days since 1970-01-01) if one is given.
    pub fn days(&self, last_day: Option<i32>) -> Result<BTreeMap<String, Vec<Day>>, LakeError> {
        let names: Vec<String> = number_names().into_iter().map(|(name, _)| name).collect();
        let all = Mutex::new(Days::new());
        let starts_in_time = |file: &&PartFile| match (last_day, file.not_before_us) {
            (Some(last), Some(start)) => day_of(start) <= last,
            _ => true,
        };
        let files: Vec<&PartFile> = self
            .files(Table::Trips)
            .iter()
            .filter(starts_in_time)
            .collect();
        files.par_iter().try_for_each(|file| {
            let wanted = Wanted {
                columns: &needed,
                vehicles: None,
            };
            for block in open(&self.store, Table::Trips, &file.path, wanted)? {
                let days = block_days(&block?, &names, last_day)?;
                // A thread that panicked while it held the lock has already ended the run.
                let mut all = all
                    .lock()
                    .unwrap_or_else(std::sync::PoisonError::into_inner);
                for (vehicle, days) in days {
                    match all.entry(vehicle) {
                        Entry::Vacant(slot) => {
                            slot.insert(days);
                        }
                        Entry::Occupied(mut slot) => add_days(slot.get_mut(), days),
                    }
                }
            }
            Ok::<(), LakeError>(())
        })?;
        Ok(all
            .into_inner()
            .unwrap_or_else(std::sync::PoisonError::into_inner))
    }
}

/// Columns that a day is made of.
fn needed(column: &str) -> bool {
    let band_square = column.starts_with("b1_") || column.starts_with("b2_");
    let field = column.rsplit('_').next().unwrap_or(column);
    match column {
        "trip" | "source" | "recipe" | "end" | "air_source" | "loop_inferred" => false,
        "ambient_c_sq" => false,
        _ if column.starts_with("ethanol_pct") => false,
        _ if band_square => matches!(field, "n" | "y" | "m"),
        _ => true,
    }
}

/// The days of the trips in a block, by vehicle, ascending.
fn block_days(block: &Block, names: &[String], last_day: Option<i32>) -> Result<Days, LakeError> {
    let vehicle = block.texts("vehicle")?;
    let start = block.must::<TimestampMicrosecondType>("start")?;
    let rows = block.must::<Int64Type>("rows")?;
    let gated = block.must::<Int64Type>("gated")?;
    let fuel_from_airflow = block.flags("fuel_from_airflow")?;
    let has_misfire = block.flags("has_misfire")?;
    let columns = names.iter().map(|n| block.may::<Float64Type>(n));
    let columns = columns.collect::<Result<Vec<Option<&Float64Array>>, _>>()?;
    // Positions of columns that hold anything at all.
    let filled: Vec<(usize, &Float64Array)> = columns
        .iter()
        .enumerate()
        .filter_map(|(k, c)| c.filter(|c| c.null_count() < c.len()).map(|c| (k, c)))
        .collect();
    let mut days = Days::new();
    let mut current: Option<(usize, Day)> = None;
    for i in 0..block.rows() {
        let start_us = start.value(i);
        let Some(key) = vehicle.key(i) else { continue };
        if last_day.is_some_and(|last| day_of(start_us) > last) {
            continue;
        }
        let mut trip = Trip {
            start_us,
            rows: u64::try_from(rows.value(i)).unwrap_or(0),
            gated: u64::try_from(gated.value(i)).unwrap_or(0),
            fuel_from_airflow: fuel_from_airflow.is_some_and(|f| f.value(i)),
            has_misfire: has_misfire.is_some_and(|f| f.value(i)),
            ..blank()
        };
        let mut fields = numbers(&mut trip);
        for (k, column) in &filled {
            if column.is_valid(i) {
                *fields[*k] = column.value(i);
            }
        }
        let day = Day::of(&trip);
        match &mut current {
            Some((of, sum)) if *of == key && sum.day == day.day => sum.merge(&day),
            _ => {
                if let Some((of, sum)) = current.replace((key, day)) {
                    add_day(
                        days.entry(vehicle.values.value(of).to_owned()).or_default(),
                        sum,
                    );
                }
            }
        }
    }
    if let Some((of, sum)) = current {
        add_day(
            days.entry(vehicle.values.value(of).to_owned()).or_default(),
            sum,
        );
    }
    Ok(days)
}

/// Adds days to others of the same vehicle.
fn add_days(all: &mut Vec<Day>, more: Vec<Day>) {
    let grown = all.len() + more.len();
    if grown > all.capacity() {
        // Years of days: twice the room would be a lot.
        all.reserve_exact(more.len() + all.len() / 8);
    }
    for day in more {
        add_day(all, day);
    }
}

fn add_day(all: &mut Vec<Day>, day: Day) {
    // Days mostly come in order.
    if all.last().is_none_or(|last| last.day < day.day) {
        all.push(day);
        return;
    }
    match all.binary_search_by_key(&day.day, |d| d.day) {
        Ok(at) => all[at].merge(&day),
        Err(at) => all.insert(at, day),
    }
}
