//! A lake row by row: as text to compare whole lakes, and as sums merged by vehicle and trip.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use trimdrift::lake::{Lake, Mode, Table};
use trimdrift::tables::samples::Samples;
use trimdrift::tables::trips::{Moments, Trip};

/// All rows of a lake, each table in an order of its own that does not depend on how the rows came there.
#[derive(Debug, PartialEq)]
pub(crate) struct Contents {
    /// Vehicle, trip, time, row in the source, values.
    pub(crate) samples: Vec<String>,
    /// The same with the digest of the source in front.
    pub(crate) samples_by_source: Vec<String>,
    pub(crate) trips: Vec<String>,
    pub(crate) rejects: Vec<String>,
    /// Trips and rejects without their source.
    pub(crate) trips_alone: Vec<String>,
    pub(crate) rejects_alone: Vec<String>,
    /// Without the batch, which says in which night a source came.
    pub(crate) sources: Vec<String>,
    /// Sums of every trip over all sources.
    pub(crate) sums: BTreeMap<(String, String), Vec<f64>>,
    /// Samples by digest of the source file.
    pub(crate) kept: BTreeMap<String, u64>,
    /// Rejects by digest of the source file.
    pub(crate) rejected: BTreeMap<String, u64>,
}

impl Contents {
    pub(crate) fn of(lake: &Path) -> Contents {
        let lake = Lake::open(lake.to_str().unwrap(), Mode::Read).unwrap();
        let snapshot = lake.snapshot().unwrap();
        let trips = snapshot.trips(None).unwrap();
        let vehicles: BTreeSet<&str> = trips.iter().map(|t| t.vehicle.as_str()).collect();
        let (mut samples, mut by_source, mut kept) = (Vec::new(), Vec::new(), BTreeMap::new());
        for vehicle in vehicles {
            for (source, s) in snapshot.samples(vehicle).unwrap() {
                *kept.entry(source.clone()).or_default() += s.len() as u64;
                for i in 0..s.len() {
                    let row = sample(vehicle, &s, i);
                    by_source.push(format!("{source} {row}"));
                    samples.push(row);
                }
            }
        }
        let stored: u64 = snapshot.files(Table::Samples).iter().filter_map(|f| f.rows).sum();
        assert_eq!(samples.len() as u64, stored, "a sample without a trip");
        let rejects = snapshot.rejects().unwrap();
        let mut rejected = BTreeMap::new();
        for reject in &rejects {
            *rejected.entry(reject.source.clone()).or_default() += 1;
        }
        let mut sums: BTreeMap<(String, String), Vec<f64>> = BTreeMap::new();
        for trip in &trips {
            let add = figures(trip);
            let sum = sums
                .entry((trip.vehicle.clone(), trip.trip.clone()))
                .or_insert_with(|| vec![0.0; add.len()]);
            for (sum, add) in sum.iter_mut().zip(add) {
                *sum += add;
            }
        }
        let sources = snapshot.sources().iter().map(|s| {
            let mut s = s.clone();
            s.batch.clear();
            format!("{s:?}")
        });
        Contents {
            samples: sorted(samples.into_iter()),
            samples_by_source: sorted(by_source.into_iter()),
            trips: sorted(trips.iter().map(|t| format!("{t:?}"))),
            rejects: sorted(rejects.iter().map(|r| format!("{r:?}"))),
            trips_alone: sorted(trips.iter().map(|t| {
                let mut t = t.clone();
                t.source.clear();
                format!("{t:?}")
            })),
            rejects_alone: sorted(rejects.iter().map(|r| {
                let mut r = r.clone();
                r.source.clear();
                format!("{r:?}")
            })),
            sources: sorted(sources),
            sums,
            kept,
            rejected,
        }
    }

    /// Every row of every table is the same.
    #[track_caller]
    pub(crate) fn assert_same(&self, expected: &Contents, when: &str) {
        if let Some(difference) = self.difference(expected) {
            panic!("{when}: {difference}");
        }
    }

    /// The first difference between two lakes, table by table.
    pub(crate) fn difference(&self, expected: &Contents) -> Option<String> {
        let tables = [
            ("sources", &self.sources, &expected.sources),
            ("rejects", &self.rejects, &expected.rejects),
            ("samples", &self.samples_by_source, &expected.samples_by_source),
            ("trips", &self.trips, &expected.trips),
        ];
        tables.into_iter().find_map(|(name, got, expected)| rows_differ(name, got, expected))
    }

    /// The same rows in whatever nights they came: `sources` has a row for each state of a file, and the other tables
    /// say of every row with which state it came.
    pub(crate) fn difference_but_for_nights(&self, expected: &Contents) -> Option<String> {
        let tables = [
            ("rejects", &self.rejects_alone, &expected.rejects_alone),
            ("samples", &self.samples, &expected.samples),
            ("trips", &self.trips_alone, &expected.trips_alone),
        ];
        tables.into_iter().find_map(|(name, got, expected)| rows_differ(name, got, expected))
    }
}

fn sorted(rows: impl Iterator<Item = String>) -> Vec<String> {
    let mut rows: Vec<String> = rows.collect();
    rows.sort();
    rows
}

fn sample(vehicle: &str, s: &Samples, i: usize) -> String {
    use std::fmt::Write;
    let mut row =
        format!("{vehicle:?} {:?} {} row {}", s.trips[s.trip[i] as usize], s.time_us[i], s.row[i]);
    for (k, column) in s.signals.iter().enumerate() {
        // A column that is not there and a value that is not there are the same to a reader.
        if let Some(value) = column.as_ref().map(|c| c[i]).filter(|v| !v.is_nan()) {
            let _ = write!(row, " {k}={value}");
        }
    }
    row
}

fn rows_differ(table: &str, got: &[String], expected: &[String]) -> Option<String> {
    if got == expected {
        return None;
    }
    let more = got.iter().filter(|r| expected.binary_search(r).is_err());
    let less = expected.iter().filter(|r| got.binary_search(r).is_err());
    Some(format!(
        "{table}: {} rows, expected {}; {} unexpected, {} missing; first unexpected {:?}, first missing {:?}",
        got.len(),
        expected.len(),
        more.clone().count(),
        less.clone().count(),
        more.clone().next(),
        less.clone().next()
    ))
}

/// Everything of a trip that adds up over its pieces.
fn figures(t: &Trip) -> Vec<f64> {
    let known = |x: f64| if x.is_nan() { 0.0 } else { x };
    let moments = |m: &Moments| [m.n, m.sum, m.sq];
    let mut all = vec![
        t.rows as f64,
        t.gated as f64,
        t.seconds,
        t.engine_s,
        t.idle_s,
        t.km,
        known(t.fuel_l),
        t.stops,
        t.revs_warm,
        t.revs_cold,
    ];
    all.extend(t.misfire_warm.iter().chain(&t.misfire_cold));
    for m in [&t.ambient_c, &t.ethanol_pct, &t.idle_throttle_pct, &t.breathing_pct, &t.warmup_y] {
        all.extend(moments(m));
    }
    for bank in &t.bands {
        for band in bank {
            all.extend(band.to_array());
        }
    }
    all
}
