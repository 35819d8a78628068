//! From part files back to rows: sources, rejects, trips and samples of a [`Snapshot`].

use std::collections::{BTreeMap, BTreeSet};

use arrow::array::Array;
use arrow::datatypes::{Float32Type, Float64Type, Int64Type, TimestampMicrosecondType};
use rayon::prelude::*;

use super::error::LakeError;
use super::read::{Block, Wanted, open};
use super::schema::Table;
use super::snapshot::{PartFile, Snapshot};
use super::store::Store;
use super::trip_columns::{air_source_by_name, blank, number_names, numbers};
use super::{RejectRow, SourceRow};
use crate::tables::samples::{SIGNALS, Samples, Width};
use crate::tables::trips::Trip;

const EVERY: &(dyn Fn(&str) -> bool + Sync) = &|_| true;

impl Snapshot {
    /// Trips of the given vehicles (of all, if `None`), sorted by vehicle, start, trip and source.
    pub fn trips(&self, vehicles: Option<&BTreeSet<String>>) -> Result<Vec<Trip>, LakeError> {
        self.read_trips(self.files(Table::Trips), vehicles)
    }

    /// Trips in some of this snapshot's files, sorted by vehicle, start, trip and source.
    pub fn trips_in(&self, files: &[PartFile]) -> Result<Vec<Trip>, LakeError> {
        self.read_trips(files, None)
    }

    /// Samples of one vehicle by source (content digest), each sorted by time and row.
    pub fn samples(&self, vehicle: &str) -> Result<BTreeMap<String, Samples>, LakeError> {
        let vehicles = BTreeSet::from([vehicle.to_owned()]);
        let wanted = Wanted { columns: EVERY, vehicles: Some(&vehicles) };
        let mut sources = BTreeMap::new();
        for file in self.files(Table::Samples).iter().filter(|f| f.may_hold(&vehicles)) {
            for block in open(&self.store, Table::Samples, &file.path, wanted)? {
                add_samples(&mut sources, vehicle, &block?)?;
            }
        }
        Ok(sources.into_iter().map(|(source, samples)| (source, sorted(samples))).collect())
    }

    /// Rejected rows, sorted by source, row and column.
    pub fn rejects(&self) -> Result<Vec<RejectRow>, LakeError> {
        let wanted = Wanted { columns: EVERY, vehicles: None };
        let mut rows = Vec::new();
        for file in self.files(Table::Rejects) {
            for block in open(&self.store, Table::Rejects, &file.path, wanted)? {
                add_rejects(&mut rows, &block?)?;
            }
        }
        let key = |r: &RejectRow| (r.source.clone(), r.row, r.column.clone(), r.code.clone());
        rows.sort_by_cached_key(key);
        Ok(rows)
    }

    fn read_trips(
        &self,
        files: &[PartFile],
        vehicles: Option<&BTreeSet<String>>,
    ) -> Result<Vec<Trip>, LakeError> {
        let names: Vec<String> = number_names().into_iter().map(|(name, _)| name).collect();
        let read = |file: &PartFile| -> Result<Vec<Trip>, LakeError> {
            let mut trips = Vec::new();
            if vehicles.is_some_and(|v| !file.may_hold(v)) {
                return Ok(trips);
            }
            let wanted = Wanted { columns: EVERY, vehicles };
            for block in open(&self.store, Table::Trips, &file.path, wanted)? {
                add_trips(&mut trips, &names, &block?)?;
            }
            Ok(trips)
        };
        let read: Result<Vec<Vec<Trip>>, LakeError> = files.par_iter().map(read).collect();
        let mut trips: Vec<Trip> = read?.into_iter().flatten().collect();
        trips.sort_by(|a, b| {
            let key = |t: &Trip| (t.start_us, t.end_us);
            a.vehicle
                .cmp(&b.vehicle)
                .then(a.start_us.cmp(&b.start_us))
                .then_with(|| (&a.trip, &a.source, key(a)).cmp(&(&b.trip, &b.source, key(b))))
        });
        Ok(trips)
    }
}

impl PartFile {
    /// Whether the bounds of the file allow rows of one of the vehicles.
    fn may_hold(&self, vehicles: &BTreeSet<String>) -> bool {
        let Some((low, high)) = &self.vehicles else {
            return true;
        };
        vehicles.range(low.clone()..).next().is_some_and(|v| v <= high)
    }
}

/// The rows of one file of `sources`.
pub(super) fn sources(store: &Store, file: &str) -> Result<Vec<SourceRow>, LakeError> {
    let mut rows = Vec::new();
    let wanted = Wanted { columns: EVERY, vehicles: None };
    for block in open(store, Table::Sources, file, wanted)? {
        let block = block?;
        let [batch, digest, file_digest, path, profile, outcome] =
            ["batch", "digest", "file_digest", "path", "profile", "outcome"]
                .map(|n| block.texts(n));
        let (batch, digest, file_digest) = (batch?, digest?, file_digest?);
        let (path, profile, outcome) = (path?, profile?, outcome?);
        let grown = block.texts("grown_from")?;
        let counts = ["file_bytes", "rows_read", "rows_kept", "rows_rejected", "decoded_bytes"]
            .map(|n| block.must::<Int64Type>(n));
        let counts = counts.into_iter().collect::<Result<Vec<_>, _>>()?;
        let first = block.must::<TimestampMicrosecondType>("first_time")?;
        let last = block.must::<TimestampMicrosecondType>("last_time")?;
        let settled = block.may::<Int64Type>("rows_settled")?;
        let count = |k: usize, i| u64::try_from(counts[k].value(i)).unwrap_or(0);
        for i in 0..block.rows() {
            rows.push(SourceRow {
                batch: batch.get(i).to_owned(),
                digest: digest.get(i).to_owned(),
                file_digest: file_digest.get(i).to_owned(),
                file_bytes: count(0, i),
                path: path.get(i).to_owned(),
                profile: profile.get(i).to_owned(),
                rows_read: count(1, i),
                rows_kept: count(2, i),
                rows_rejected: count(3, i),
                decoded_bytes: count(4, i),
                grown_from: grown.key(i).map(|_| grown.get(i).to_owned()),
                first_us: first.is_valid(i).then(|| first.value(i)),
                last_us: last.is_valid(i).then(|| last.value(i)),
                outcome: outcome.get(i).to_owned(),
                // A lake of an earlier version does not tell.
                rows_settled: settled
                    .filter(|s| s.is_valid(i))
                    .map_or(count(1, i), |s| u64::try_from(s.value(i)).unwrap_or(0)),
            });
        }
    }
    Ok(rows)
}

fn add_rejects(rows: &mut Vec<RejectRow>, block: &Block) -> Result<(), LakeError> {
    let (source, path) = (block.texts("source")?, block.texts("path")?);
    let (column, code, raw) = (block.texts("column")?, block.texts("code")?, block.texts("raw")?);
    let row = block.must::<Int64Type>("row")?;
    for i in 0..block.rows() {
        rows.push(RejectRow {
            source: source.get(i).to_owned(),
            path: path.get(i).to_owned(),
            row: u64::try_from(row.value(i)).unwrap_or(0),
            column: column.get(i).to_owned(),
            code: code.get(i).to_owned(),
            raw: raw.get(i).to_owned(),
        });
    }
    Ok(())
}

/// Adds the trips of a block; `names` are the columns of [`numbers`].
fn add_trips(trips: &mut Vec<Trip>, names: &[String], block: &Block) -> Result<(), LakeError> {
    let (vehicle, trip) = (block.texts("vehicle")?, block.texts("trip")?);
    let (source, recipe) = (block.texts("source")?, block.texts("recipe")?);
    let air_source = block.texts("air_source")?;
    let start = block.must::<TimestampMicrosecondType>("start")?;
    let end = block.must::<TimestampMicrosecondType>("end")?;
    let rows = block.must::<Int64Type>("rows")?;
    let gated = block.must::<Int64Type>("gated")?;
    let loop_inferred = block.flags("loop_inferred")?;
    let fuel_from_airflow = block.flags("fuel_from_airflow")?;
    let has_misfire = block.flags("has_misfire")?;
    let columns = names.iter().map(|n| block.may::<Float64Type>(n));
    let columns = columns.collect::<Result<Vec<_>, _>>()?;
    for i in 0..block.rows() {
        let mut row = Trip {
            vehicle: vehicle.get(i).to_owned(),
            trip: trip.get(i).to_owned(),
            source: source.get(i).to_owned(),
            recipe: recipe.get(i).to_owned(),
            start_us: start.value(i),
            end_us: end.value(i),
            rows: u64::try_from(rows.value(i)).unwrap_or(0),
            gated: u64::try_from(gated.value(i)).unwrap_or(0),
            air_source: air_source_by_name(air_source.get(i)),
            loop_inferred: loop_inferred.is_some_and(|f| f.value(i)),
            fuel_from_airflow: fuel_from_airflow.is_some_and(|f| f.value(i)),
            has_misfire: has_misfire.is_some_and(|f| f.value(i)),
            ..blank()
        };
        for (number, column) in numbers(&mut row).into_iter().zip(&columns) {
            if let Some(column) = column.filter(|c| c.is_valid(i)) {
                *number = column.value(i);
            }
        }
        trips.push(row);
    }
    Ok(())
}

fn add_samples(
    sources: &mut BTreeMap<String, Samples>,
    vehicle: &str,
    block: &Block,
) -> Result<(), LakeError> {
    let (source, trip) = (block.texts("source")?, block.texts("trip")?);
    let time = block.must::<TimestampMicrosecondType>("time")?;
    let row = block.must::<Int64Type>("row")?;
    let columns = SIGNALS.iter().map(|s| signal(block, s.name, s.width));
    let columns = columns.collect::<Result<Vec<_>, _>>()?;
    let mut i = 0;
    while i < block.rows() {
        // Rows of one source lie together.
        let key = source.key(i);
        let end = (i..block.rows()).find(|j| source.key(*j) != key).unwrap_or(block.rows());
        let samples = sources.entry(source.get(i).to_owned()).or_insert_with(|| Samples {
            vehicles: vec![vehicle.to_owned()],
            signals: vec![None; SIGNALS.len()],
            ..Samples::default()
        });
        let before = samples.len();
        for j in i..end {
            let name = trip.get(j);
            if samples.trips.last().is_none_or(|t| t != name) {
                samples.trips.push(name.to_owned());
            }
            samples.trip.push((samples.trips.len() - 1) as u32);
            samples.time_us.push(time.value(j));
            samples.row.push(u64::try_from(row.value(j)).unwrap_or(0));
        }
        samples.vehicle.resize(samples.len(), 0);
        for (kept, column) in samples.signals.iter_mut().zip(&columns) {
            let values = column.as_ref().map(|c| &c[i..end]);
            let some = values.is_some_and(|v| v.iter().any(|x| !x.is_nan()));
            if some && kept.is_none() {
                *kept = Some(vec![f64::NAN; before]);
            }
            if let Some(kept) = kept {
                match values {
                    Some(values) => kept.extend_from_slice(values),
                    None => kept.resize(before + end - i, f64::NAN),
                }
            }
        }
        i = end;
    }
    Ok(())
}

/// The values of a signal column with `NaN` for null; `None` if the file lacks it.
fn signal(block: &Block, name: &str, width: Width) -> Result<Option<Vec<f64>>, LakeError> {
    Ok(match width {
        Width::Single => block
            .may::<Float32Type>(name)?
            .map(|c| c.iter().map(|x| x.map_or(f64::NAN, f64::from)).collect()),
        Width::Double => block
            .may::<Float64Type>(name)?
            .map(|c| c.iter().map(|x| x.unwrap_or(f64::NAN)).collect()),
    })
}

/// The samples by time and row, with each trip name once.
fn sorted(samples: Samples) -> Samples {
    let mut order: Vec<usize> = (0..samples.len()).collect();
    order.sort_by_key(|i| (samples.time_us[*i], samples.row[*i]));
    let mut names: BTreeMap<&str, u32> = BTreeMap::new();
    let mut trips = Vec::new();
    let mut trip = Vec::with_capacity(order.len());
    for i in &order {
        let name = samples.trips[samples.trip[*i] as usize].as_str();
        trip.push(*names.entry(name).or_insert_with(|| {
            trips.push(name.to_owned());
            (trips.len() - 1) as u32
        }));
    }
    let signals = samples
        .signals
        .iter()
        .map(|column| column.as_ref().map(|values| order.iter().map(|i| values[*i]).collect()));
    Samples {
        signals: signals.collect(),
        time_us: order.iter().map(|i| samples.time_us[*i]).collect(),
        row: order.iter().map(|i| samples.row[*i]).collect(),
        vehicle: vec![0; order.len()],
        vehicles: samples.vehicles.clone(),
        trips,
        trip,
    }
}
