//! A lake of made-up trips for the benchmark of a night: many vehicles, two years, no samples.

use super::{Error, Progress};
use crate::lake::{BatchId, Lake, Mode, SourceRow, Table};
use crate::tables::trips::{BandSums, Trip};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::Path;

/// Vehicles per part file.
const VEHICLES_PER_PART: usize = 100;

/// First day of the benchmark, days since 1970-01-01 (2023-01-01).
const FIRST_DAY: i64 = 19_358;

/// Writes register, pipeline file and a lake of `vehicles` over `days` with about two trips a day into `dir`.
///
/// # Errors
/// [`Error::Lake`] if the folder cannot be written.
pub fn bench_lake(
    dir: &Path,
    vehicles: usize,
    days: usize,
    seed: u64,
    progress: &dyn Progress,
) -> Result<u64, Error> {
    let io = |e| Error::BenchFile { path: dir.to_owned(), source: e };
    std::fs::create_dir_all(dir).map_err(io)?;
    let mut register = String::from(
        "vehicle,engine_family,displacement_l,cylinders,banks,air_metering,injection,fuel,hybrid,depot\n",
    );
    for v in 0..vehicles {
        register += &format!("B-{v:05},F{:03},1.6,4,1,maf,port,petrol,no,yard\n", v / 50);
    }
    std::fs::write(dir.join("vehicles.csv"), register).map_err(io)?;
    let pipeline = "[fleet]\nregister = \"vehicles.csv\"\n[[source]]\nprofile = \"plain\"\n\
                    files = [\"logs/*.csv\"]\n[lake]\npath = \"lake\"\n[output]\npath = \"out\"\n";
    std::fs::write(dir.join("pipeline.toml"), pipeline).map_err(io)?;
    let lake = Lake::open(&dir.join("lake").to_string_lossy(), Mode::Write)?;
    let batch = lake.begin(BatchId::of(["bench"]))?;
    progress.stage("writing trips", Some(vehicles as u64));
    let mut parts = Vec::new();
    let mut rows = 0;
    for (n, first) in (0..vehicles).step_by(VEHICLES_PER_PART).enumerate() {
        let mut writer = batch.part(Table::Trips, n as u32);
        for v in first..vehicles.min(first + VEHICLES_PER_PART) {
            let trips = vehicle_trips(v, days, seed);
            rows += trips.len() as u64;
            writer.write_trips(&trips)?;
            progress.advance(v as u64 + 1);
        }
        parts.extend(writer.close()?);
    }
    let source = SourceRow {
        digest: "bench".to_owned(),
        file_digest: "bench".to_owned(),
        path: "bench".to_owned(),
        profile: "plain".to_owned(),
        outcome: "new".to_owned(),
        ..SourceRow::default()
    };
    batch.commit(parts, vec![source])?;
    Ok(rows)
}

/// Trips of one vehicle: own level, autocorrelated noise, a ramp on every tenth vehicle.
fn vehicle_trips(v: usize, days: usize, seed: u64) -> Vec<Trip> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(v as u64);
    let level = 5.0 * (rng.random::<f64>() - 0.5);
    let onset = rng.random_range(0.1..0.7) * days as f64;
    let rate = if v.is_multiple_of(10) { rng.random_range(2.0..8.0) } else { 0.0 };
    let (mut noise, mut km) = (0.0, rng.random_range(1e4..1e5));
    let (mut onset_km, mut trips) = (f64::INFINITY, Vec::new());
    for day in 0..days {
        for k in 0..2 {
            let distance = rng.random_range(5.0..50.0);
            km += distance;
            if day as f64 >= onset && onset_km.is_infinite() {
                onset_km = km;
            }
            noise = 0.7 * noise + 1.4 * (rng.random::<f64>() + rng.random::<f64>() - 1.0) * 2.4;
            let y = level + noise + rate * (km - onset_km).max(0.0) / 1e4;
            trips.push(trip(v, day, k, [distance, km, y], &mut rng));
        }
    }
    trips
}

fn trip(v: usize, day: usize, k: i64, [distance, km, y]: [f64; 3], rng: &mut ChaCha8Rng) -> Trip {
    let start_us = ((FIRST_DAY + day as i64) * 86_400 + 25_200 + k * 36_000) * 1_000_000;
    let seconds = distance * 90.0;
    let mut trip = Trip {
        vehicle: format!("B-{v:05}"),
        trip: format!("{day}-{k}"),
        source: "bench".to_owned(),
        recipe: "bench".to_owned(),
        start_us,
        end_us: start_us + (seconds * 1e6) as i64,
        rows: seconds as u64,
        gated: (seconds * 0.5) as u64,
        seconds,
        engine_s: seconds,
        idle_s: 0.2 * seconds,
        km: distance,
        fuel_l: distance * 0.06,
        stops: distance,
        start_coolant_c: 20.0,
        odometer_km: km,
        km_since_clear: [km - distance, km],
        warmups_since_clear: [f64::NAN; 2],
        min_since_clear: [f64::NAN; 2],
        revs_warm: seconds * 25.0,
        revs_cold: seconds * 5.0,
        has_misfire: true,
        ..Trip::default()
    };
    trip.ambient_c.push(12.0);
    trip.idle_throttle_pct.push(16.0 + 0.1 * rng.random::<f64>());
    for (band, (n, m)) in [(60.0, 1.0), (200.0, 3.0), (40.0, 9.0)].into_iter().enumerate() {
        let mean = y + 1.5 * (rng.random::<f64>() - 0.5);
        let s = &mut trip.bands[0][band];
        // Airflow within a band scatters by a third.
        let (u, spread) = (1.11 / m, 0.1 * rng.random::<f64>());
        *s = BandSums { n, y: n * mean, yy: n * (mean * mean + 9.0), m: n * m, ..*s };
        (s.mm, s.u, s.uu) = (n * m * m * (1.1 + spread), n * u, n * u * u * (1.1 + spread));
        (s.uy, s.my) = (n * u * (mean + spread), n * m * (mean + spread));
    }
    trip
}
