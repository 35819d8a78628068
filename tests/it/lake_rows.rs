//! Made-up rows for the tests of the lake, and comparisons of whole lakes.

use std::path::Path;

use trimdrift::lake::{Batch, BatchId, Lake, LakeError, Part, SourceRow, Table, Versions};
use trimdrift::tables::samples::{Reject, RejectCode, SIGNALS, Samples};
use trimdrift::tables::trips::{AirSource, BandSums, Moments, Trip};

/// Day on which the made-up nights begin, days since 1970-01-01.
pub(crate) const FIRST_DAY: i32 = 20_000;

const DAY_US: i64 = 86_400_000_000;

/// A number in 0..1 that depends on both arguments (splitmix64).
pub(crate) fn noise(a: u64, b: u64) -> f64 {
    let mut z =
        a.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(b.wrapping_mul(0xbf58_476d_1ce4_e5b9));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
}

/// Samples of one night: 25 signals filled, some with gaps, values stepped like a sensor's.
pub(crate) fn samples(night: u64, vehicles: usize, rows_each: usize) -> Samples {
    let mut s = Samples {
        vehicles: (0..vehicles).map(|v| format!("V{v:03}")).collect(),
        trips: (0..vehicles).map(|v| format!("n{night} t{v}")).collect(),
        signals: vec![None; SIGNALS.len()],
        ..Samples::default()
    };
    for v in 0..vehicles {
        for i in 0..rows_each {
            s.vehicle.push(v as u32);
            s.trip.push(v as u32);
            let day = i64::from(FIRST_DAY) + night as i64;
            s.time_us.push(day * DAY_US + (i as i64) * 1_000_000 + v as i64);
            s.row.push((v * rows_each + i + 1) as u64);
        }
    }
    for (k, spec) in SIGNALS.iter().enumerate().filter(|(k, _)| *k < 25) {
        let span = (spec.max - spec.min).min(200.0);
        let column = (0..s.len()).map(|i| {
            if k % 5 == 0 && i % 11 == k {
                return f64::NAN;
            }
            let drift = ((i / 7) as f64 * 0.1 + k as f64).sin() * 0.4 + 0.5;
            let x = spec.min + span * (0.9 * drift + 0.1 * noise(i as u64, k as u64));
            ((x * 4.0).round() / 4.0) as f32 as f64
        });
        s.signals[k] = Some(column.collect());
    }
    s
}

/// Trips of one night over a few vehicles, with every field set and unknowns here and there.
pub(crate) fn trips(night: u64, n: u64) -> Vec<Trip> {
    (0..n).map(|i| trip(night, i)).collect()
}

fn trip(night: u64, i: u64) -> Trip {
    let seed = night * 1_000_003 + i;
    let x = |k: u64| noise(seed, k) * 100.0;
    let moments = |k| Moments { n: x(k).floor(), sum: x(k + 1), sq: x(k + 2) };
    let or_nan = |value: f64| if i % 4 == 3 { f64::NAN } else { value };
    let start_us = (i64::from(FIRST_DAY) + night as i64) * DAY_US + i as i64 * 601_000_000;
    let two_banks = i.is_multiple_of(2);
    let band = |bank: usize, b: u64| {
        if bank == 1 && !two_banks {
            return BandSums::default();
        }
        BandSums::from_array(std::array::from_fn(|f| {
            x(100 + b * 20 + f as u64 + 300 * bank as u64)
        }))
    };
    let has_misfire = !i.is_multiple_of(3);
    let count = |k: u64| {
        if has_misfire { (x(k) / 30.0).floor() } else { 0.0 }
    };
    Trip {
        vehicle: format!("V{:03}", (i * 7) % 5),
        trip: format!("n{night} t{i}"),
        source: format!("a{night}"),
        recipe: "recipe".to_owned(),
        start_us,
        end_us: start_us + 600_000_000,
        rows: 600 + i,
        gated: 300 + i,
        air_source: [
            AirSource::Sensor,
            AirSource::AbsoluteLoad,
            AirSource::SpeedDensity,
            AirSource::None,
        ][(i % 4) as usize],
        loop_inferred: i % 2 == 1,
        seconds: 600.0,
        engine_s: x(1),
        idle_s: x(2),
        km: x(3),
        fuel_l: or_nan(x(4)),
        fuel_from_airflow: i.is_multiple_of(5),
        stops: x(5).floor(),
        start_coolant_c: or_nan(x(6)),
        ambient_c: moments(7),
        ethanol_pct: moments(10),
        odometer_km: or_nan(1e5 + x(13)),
        km_since_clear: [x(14), x(15)],
        warmups_since_clear: [or_nan(3.0), or_nan(4.0)],
        min_since_clear: [x(16), x(17)],
        revs_warm: x(18),
        revs_cold: x(19),
        misfire_warm: std::array::from_fn(|c| count(40 + c as u64)),
        misfire_cold: std::array::from_fn(|c| count(60 + c as u64)),
        has_misfire,
        idle_throttle_pct: moments(20),
        breathing_pct: moments(23),
        warmup_y: moments(26),
        bands: std::array::from_fn(|bank| std::array::from_fn(|b| band(bank, b as u64))),
    }
}

/// Rejected rows.
pub(crate) fn rejects(n: u64) -> Vec<Reject> {
    let reject = |row| Reject {
        row,
        column: "rpm".to_owned(),
        code: if row % 2 == 0 { RejectCode::OutOfRange } else { RejectCode::NotANumber },
        raw: format!("=x{row}\u{0}\u{202e}"),
    };
    (1..=n).map(reject).collect()
}

/// What is kept of a source.
pub(crate) fn source(digest: &str) -> SourceRow {
    SourceRow {
        digest: digest.to_owned(),
        file_digest: format!("file {digest}"),
        file_bytes: 1234,
        path: format!("logs/{digest}.csv"),
        profile: "plain".to_owned(),
        rows_read: 12,
        rows_kept: 10,
        rows_rejected: 2,
        decoded_bytes: 9999,
        grown_from: (digest.len() % 2 == 1).then(|| "before".to_owned()),
        first_us: Some(5),
        last_us: None,
        outcome: "read".to_owned(),
        ..SourceRow::default()
    }
}

/// A night of two sources whose parts are written: samples in two parts, trips, rejects.
pub(crate) struct Ready {
    batch: Batch,
    parts: Vec<Part>,
    digests: [String; 2],
}

impl Ready {
    /// Commits the night.
    pub(crate) fn commit(self) -> Result<Versions, LakeError> {
        self.batch.commit(self.parts, self.digests.iter().map(|d| source(d)).collect())
    }
}

/// Writes the parts of a night.
pub(crate) fn prepare(lake: &Lake, night: u64) -> Result<Ready, LakeError> {
    let digests = [format!("a{night}"), format!("b{night}")];
    let batch = lake.begin(BatchId::of(digests.iter().map(String::as_str)))?;
    let mut parts = Vec::new();
    for (n, digest) in digests.iter().enumerate() {
        let mut part = batch.part(Table::Samples, n as u32);
        part.write_samples(&samples(night * 2 + n as u64, 3, 50), digest, 0)?;
        parts.extend(part.close()?);
        let mut part = batch.part(Table::Trips, n as u32);
        part.write_trips(&trips(night * 2 + n as u64, 12))?;
        parts.extend(part.close()?);
    }
    let mut part = batch.part(Table::Rejects, 0);
    part.write_rejects(&rejects(night % 3), &digests[0], "logs/a.csv")?;
    parts.extend(part.close()?);
    Ok(Ready { batch, parts, digests })
}

/// Ingests a night.
pub(crate) fn ingest(lake: &Lake, night: u64) -> Result<Versions, LakeError> {
    prepare(lake, night)?.commit()
}

/// Every row of the lake as text, in an order that does not depend on how it came there.
pub(crate) fn contents(lake: &Lake) -> Vec<String> {
    let snapshot = lake.snapshot().unwrap();
    let mut rows: Vec<String> = Vec::new();
    rows.extend(snapshot.sources().iter().map(|s| format!("{s:?}")));
    rows.extend(snapshot.rejects().unwrap().iter().map(|r| format!("{r:?}")));
    rows.extend(snapshot.trips(None).unwrap().iter().map(|t| format!("{t:?}")));
    for v in 0..5 {
        let vehicle = format!("V{v:03}");
        for (source, s) in snapshot.samples(&vehicle).unwrap() {
            for i in 0..s.len() {
                let values: Vec<Option<f64>> =
                    s.signals.iter().map(|c| c.as_ref().map(|c| c[i])).collect();
                let trip = &s.trips[s.trip[i] as usize];
                rows.push(format!(
                    "{vehicle} {source} {trip} {} {} {values:?}",
                    s.time_us[i], s.row[i]
                ));
            }
        }
    }
    rows.sort();
    rows
}

/// Trips equal, unknowns included.
pub(crate) fn assert_same_trips(got: &[Trip], expected: &[Trip]) {
    assert_eq!(got.len(), expected.len());
    for (g, e) in got.iter().zip(expected) {
        assert_eq!(format!("{g:?}"), format!("{e:?}"));
    }
}

/// Samples of one vehicle equal those of vehicle `v` of `all`, to the width that is stored.
pub(crate) fn assert_same_samples(got: &Samples, all: &Samples, v: u32) {
    let rows: Vec<usize> = (0..all.len()).filter(|i| all.vehicle[*i] == v).collect();
    assert_eq!(got.len(), rows.len());
    for (i, j) in rows.iter().enumerate() {
        assert_eq!((got.time_us[i], got.row[i]), (all.time_us[*j], all.row[*j]));
        assert_eq!(got.trips[got.trip[i] as usize], all.trips[all.trip[*j] as usize]);
        for (k, spec) in SIGNALS.iter().enumerate() {
            let value = |s: &Samples, i: usize| s.signals[k].as_ref().map_or(f64::NAN, |c| c[i]);
            let (g, e) = (value(got, i), value(all, *j));
            assert!(g == e || (g.is_nan() && e.is_nan()), "{} {g} {e}", spec.name);
        }
    }
}

/// All files below `folder`, relative to it.
pub(crate) fn walk(folder: &Path, files: &mut Vec<String>) {
    fn below(root: &Path, folder: &Path, files: &mut Vec<String>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                below(root, &path, files);
            } else {
                files.push(path.strip_prefix(root).unwrap().to_str().unwrap().to_owned());
            }
        }
    }
    below(folder, folder, files);
    files.sort();
}
