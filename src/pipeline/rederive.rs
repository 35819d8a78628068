//! Trips that were made by another recipe are made anew from the samples.
//!
//! A changed gate, or a displacement corrected in the register, must act on the past as on the present:
//! the lake then equals one that was built with the new settings from the start. The samples are kept
//! for this. Rare, so simple: one vehicle after another.

use super::{Error, Fleet, Progress};
use crate::condense::{Condenser, EngineOf, recipe};
use crate::lake::{BatchId, Lake, PartFile, Snapshot, SourceRow, Table};
use crate::settings::Pipeline;
use crate::tables::samples::Samples;
use crate::tables::trips::Trip;
use std::collections::{BTreeMap, BTreeSet};

/// Makes stale trips anew; returns the number of vehicles that had any.
///
/// # Errors
/// [`Error::Lake`] if the lake cannot be read or written.
pub(super) fn rederive(
    pipeline: &Pipeline,
    fleet: &Fleet,
    lake: &Lake,
    progress: &dyn Progress,
) -> Result<usize, Error> {
    let snapshot = lake.snapshot()?;
    let current = |vehicle: &str| recipe(&pipeline.gate, &fleet.engine(vehicle));
    let mut files: Vec<PartFile> = Vec::new();
    let mut vehicles: BTreeSet<String> = BTreeSet::new();
    for (file, made) in snapshot.recipes()? {
        let stale: Vec<String> =
            made.into_iter().filter(|(v, r)| *r != current(v)).map(|(v, _)| v).collect();
        if !stale.is_empty() {
            files.push(file);
            vehicles.extend(stale);
        }
    }
    if files.is_empty() {
        return Ok(0);
    }
    progress.stage("deriving trips anew", Some(vehicles.len() as u64));
    let mut batch = lake.begin(BatchId::of(files.iter().map(|f| f.path.as_str())))?;
    batch.supersede(Table::Trips, &files)?;
    let mut writer = batch.part(Table::Trips, 0);
    let (stale, good): (Vec<Trip>, Vec<Trip>) =
        snapshot.trips_in(&files)?.into_iter().partition(|t| t.recipe != current(&t.vehicle));
    writer.write_trips(&good)?;
    let mut wanted: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for t in stale {
        wanted.entry(t.vehicle).or_default().insert(t.source);
    }
    for (done, (vehicle, sources)) in wanted.iter().enumerate() {
        writer.write_trips(&vehicle_trips(pipeline, fleet, &snapshot, vehicle, sources)?)?;
        progress.advance(done as u64 + 1);
    }
    let parts = writer.close()?.into_iter().collect();
    batch.commit(parts, Vec::new())?;
    Ok(vehicles.len())
}

fn vehicle_trips(
    pipeline: &Pipeline,
    fleet: &Fleet,
    snapshot: &Snapshot,
    vehicle: &str,
    sources: &BTreeSet<String>,
) -> Result<Vec<Trip>, Error> {
    let samples = snapshot.samples(vehicle)?;
    let mut trips = Vec::new();
    for source in sources {
        let mut condenser = Condenser::new(&pipeline.gate, fleet);
        let mut done = Vec::new();
        for (part, first_new_row) in history(source, snapshot.sources(), &samples) {
            condenser.push(part, first_new_row, &mut done);
        }
        condenser.finish(&mut done);
        for t in &mut done {
            t.source.clone_from(source);
        }
        trips.extend(done);
    }
    Ok(trips)
}

/// The samples of a source, after those of the shorter states that it has grown from; these only give the
/// gate its history and are not counted.
fn history<'s>(
    source: &str,
    sources: &[SourceRow],
    samples: &'s BTreeMap<String, Samples>,
) -> Vec<(&'s Samples, u64)> {
    let mut parts: Vec<(&Samples, u64)> = Vec::new();
    let mut next = sources.iter().find(|s| s.file_digest == source);
    let mut first_new_row = 0;
    while let Some(s) = next {
        if let Some(part) = samples.get(&s.file_digest) {
            parts.push((part, first_new_row));
        }
        // Everything before the source itself is history only.
        first_new_row = u64::MAX;
        next = s.grown_from.as_ref().and_then(|d| sources.iter().find(|k| k.digest == *d));
    }
    parts.reverse();
    parts
}
