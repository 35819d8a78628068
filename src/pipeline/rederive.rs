//! Trips that were made by another recipe are made anew from the samples.
//!
//! A changed gate, or a displacement corrected in the register, must act on the past as on the present:
//! the lake then equals one that was built with the new settings from the start. The samples are kept
//! for this. Rare, so simple: one vehicle after another, and a source with all the states it has grown through.

use super::{Error, Fleet, Progress};
use crate::condense::{Condenser, EngineOf, recipe};
use crate::lake::{BatchId, Lake, PartFile, Snapshot, SourceRow, Table};
use crate::settings::Pipeline;
use crate::tables::trips::Trip;
use std::collections::{BTreeMap, BTreeSet};

/// Vehicles whose trips are looked up at a time: those of two years take some 2 MB a vehicle.
const VEHICLES_AT_ONCE: usize = 32;

/// Makes stale trips anew; returns the number of vehicles that had any.
///
/// # Errors
/// [`Error::Lake`] if the lake cannot be read or written.
pub(super) fn rederive(
    pipeline: &Pipeline,
    fleet: &Fleet,
    lake: &Lake,
    clock_us: i64,
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
    batch.supersede(Table::Trips, &files, clock_us)?;
    let mut writer = batch.part(Table::Trips, 0);
    let (stale, good): (Vec<Trip>, Vec<Trip>) =
        snapshot.trips_in(&files)?.into_iter().partition(|t| t.recipe != current(&t.vehicle));
    writer.write_trips(&good)?;
    let mut wanted: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for t in stale {
        wanted.entry(t.vehicle).or_default().insert(t.source);
    }
    let growth = Growth::of(snapshot.sources());
    let mut done = 0;
    let wanted: Vec<(&String, &BTreeSet<String>)> = wanted.iter().collect();
    for some in wanted.chunks(VEHICLES_AT_ONCE) {
        // Trips of a grown source that ended in this night are there already.
        let there: BTreeSet<(String, String, String, i64)> = snapshot
            .trips(Some(&some.iter().map(|(vehicle, _)| (*vehicle).clone()).collect()))?
            .into_iter()
            .filter(|t| t.recipe == current(&t.vehicle))
            .map(|t| (t.vehicle, t.source, t.trip, t.start_us))
            .collect();
        for (vehicle, sources) in some {
            let trips = vehicle_trips(pipeline, fleet, &snapshot, &growth, vehicle, sources)?;
            let missing = |(chain, t): &(Vec<&SourceRow>, Trip)| {
                let (of, trip, start) = (&t.vehicle, &t.trip, t.start_us);
                let key = |s: &&SourceRow| (of.clone(), s.file_digest.clone(), trip.clone(), start);
                !chain.iter().any(|s| there.contains(&key(s)))
            };
            let trips: Vec<Trip> = trips.into_iter().filter(missing).map(|(_, t)| t).collect();
            writer.write_trips(&trips)?;
            done += 1;
            progress.advance(done);
        }
    }
    let parts = writer.close()?.into_iter().collect();
    batch.commit(parts, Vec::new())?;
    Ok(vehicles.len())
}

/// All trips of one vehicle in the sources, each with the states of its source.
fn vehicle_trips<'s>(
    pipeline: &Pipeline,
    fleet: &Fleet,
    snapshot: &Snapshot,
    growth: &Growth<'s>,
    vehicle: &str,
    sources: &BTreeSet<String>,
) -> Result<Vec<(Vec<&'s SourceRow>, Trip)>, Error> {
    let samples = snapshot.samples(vehicle)?;
    let mut trips = Vec::new();
    for chain in growth.chains(sources) {
        let mut condenser = Condenser::new(&pipeline.gate, fleet);
        let mut done = Vec::new();
        for (state, s) in (1..).zip(&chain) {
            if let Some(part) = samples.get(&s.file_digest) {
                condenser.push(part, |_| state, &mut done);
            }
        }
        condenser.finish(&mut done);
        for d in done {
            let source = chain[d.state as usize - 1].file_digest.clone();
            trips.push((chain.clone(), Trip { source, ..d.trip }));
        }
    }
    Ok(trips)
}

/// Which source is a longer version of which.
struct Growth<'s> {
    by_file: BTreeMap<&'s str, &'s SourceRow>,
    by_digest: BTreeMap<&'s str, &'s SourceRow>,
    /// The longer version by the digest of the shorter.
    longer: BTreeMap<&'s str, &'s SourceRow>,
}

impl<'s> Growth<'s> {
    fn of(sources: &'s [SourceRow]) -> Growth<'s> {
        let from = |s: &'s SourceRow| s.grown_from.as_deref().map(|d| (d, s));
        Growth {
            by_file: sources.iter().map(|s| (s.file_digest.as_str(), s)).collect(),
            by_digest: sources.iter().map(|s| (s.digest.as_str(), s)).collect(),
            longer: sources.iter().filter_map(from).collect(),
        }
    }

    /// The states of each source that has one of the wanted files among them, shortest first.
    fn chains(&self, wanted: &BTreeSet<String>) -> Vec<Vec<&'s SourceRow>> {
        let mut chains: BTreeMap<&str, Vec<&SourceRow>> = BTreeMap::new();
        for s in wanted.iter().filter_map(|file| self.by_file.get(file.as_str())) {
            let mut longest = *s;
            while let Some(next) = self.longer.get(longest.digest.as_str()) {
                longest = next;
            }
            let mut chain = vec![longest];
            let before = |s: &SourceRow| self.by_digest.get(s.grown_from.as_deref()?).copied();
            while let Some(shorter) = chain.last().and_then(|s| before(s)) {
                chain.push(shorter);
            }
            chain.reverse();
            chains.insert(&longest.digest, chain);
        }
        chains.into_values().collect()
    }
}
