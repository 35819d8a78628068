//! Logs for measuring speed only: random walks in the plain profile, nothing physical, nothing planted.

use super::DemoError;
use super::DemoSummary;
use super::families::FAMILIES;
use super::logfile::write_bytes;
use super::logger::{Logger, Values};
use super::random::{Rng, stream, uniform};
use crate::tables::samples::{SIGNALS, Signal};
use rayon::prelude::*;
use std::fmt::Write;
use std::path::Path;

/// Start, end points and largest step per second of the walk of a signal.
const WALKS: [(Signal, f64, f64, f64); 17] = [
    (Signal::SpeedKmh, 0.0, 120.0, 4.0),
    (Signal::Rpm, 750.0, 3500.0, 120.0),
    (Signal::LoadPct, 15.0, 85.0, 5.0),
    (Signal::AbsLoadPct, 15.0, 85.0, 5.0),
    (Signal::MafGs, 2.0, 40.0, 2.0),
    (Signal::MapKpa, 28.0, 98.0, 5.0),
    (Signal::BaroKpa, 98.0, 102.0, 0.1),
    (Signal::ThrottlePct, 12.0, 60.0, 3.0),
    (Signal::CoolantC, 82.0, 95.0, 0.3),
    (Signal::IntakeC, 15.0, 40.0, 0.3),
    (Signal::AmbientC, 10.0, 20.0, 0.1),
    (Signal::Stft1Pct, -5.0, 5.0, 1.5),
    (Signal::Ltft1Pct, -4.0, 6.0, 0.2),
    (Signal::FuelRateLh, 0.6, 12.0, 0.8),
    (Signal::EthanolPct, 6.0, 10.0, 0.01),
    (Signal::ModuleV, 13.8, 14.4, 0.05),
    (Signal::PurgePct, 0.0, 40.0, 3.0),
];

/// Writes about `rows` rows in `files` plain CSV files of `vehicles` four-cylinder vehicles into `dir`,
/// with `vehicles.csv` and `pipeline.toml`; each file is one trip at one row a second.
///
/// # Errors
/// A folder that holds other files, a size of zero, or a file that can't be written.
pub fn write_bench(
    dir: &Path,
    rows: usize,
    files: usize,
    vehicles: usize,
    seed: u64,
) -> Result<DemoSummary, DemoError> {
    for (name, value, max) in [
        ("files", files, 1_000_000),
        ("vehicles", vehicles, files),
        ("rows", rows / files.max(1), 20_000_000),
    ] {
        if value == 0 || value > max {
            return Err(DemoError::Setting {
                name,
                value: value as f64,
                min: 1.0,
                max: max as f64,
            });
        }
    }
    super::prepare(dir)?;
    let mut register = String::from(
        "vehicle,engine_family,displacement_l,cylinders,banks,air_metering,injection,fuel,hybrid,depot\n",
    );
    for vehicle in 0..vehicles {
        let _ = writeln!(
            register,
            "{},{},1.598,4,1,maf,port,petrol,false,Mill Lane",
            name(vehicle),
            FAMILIES[0].name
        );
    }
    write_bytes(&dir.join("vehicles.csv"), register.as_bytes(), false)?;
    let pipeline = "[fleet]\nregister = \"vehicles.csv\"\n\n[[source]]\nprofile = \"plain\"\nfiles = [\"logs/*.csv\"]\n\n\
                    [lake]\npath = \"lake\"\n\n[output]\npath = \"out\"\n";
    write_bytes(&dir.join("pipeline.toml"), pipeline.as_bytes(), false)?;
    let logger = Logger::new(|s| {
        WALKS.iter().any(|w| w.0 == s)
            || matches!(
                s,
                Signal::FuelStatus
                    | Signal::CmdEquiv
                    | Signal::OdometerKm
                    | Signal::RunS
                    | Signal::KmSinceClear
                    | Signal::WarmupsSinceClear
                    | Signal::MinSinceClear
                    | Signal::MisfireC1
                    | Signal::MisfireC2
                    | Signal::MisfireC3
                    | Signal::MisfireC4
            )
    });
    let bytes: Result<Vec<u64>, DemoError> = (0..files)
        .into_par_iter()
        .map(|file| {
            let count = rows / files + usize::from(file < rows % files);
            let content = walk(file, file % vehicles, file / vehicles, count, seed, &logger);
            write_bytes(
                &dir.join(format!("logs/{}_{file:06}.csv", name(file % vehicles))),
                &content,
                false,
            )
        })
        .collect();
    Ok(DemoSummary {
        vehicles,
        faulty: 0,
        trips: files as u64,
        rows: rows as u64,
        files: files as u64,
        bytes: bytes?.iter().sum(),
    })
}

fn name(vehicle: usize) -> String {
    format!("B-{:04}", vehicle + 1)
}

fn walk(
    file: usize,
    vehicle: usize,
    turn: usize,
    rows: usize,
    seed: u64,
    logger: &Logger,
) -> Vec<u8> {
    let mut rng: Rng = stream(seed, file as u64);
    let mut out = Vec::with_capacity(rows * 180 + 400);
    out.extend_from_slice(logger.header.as_bytes());
    let names = format!("{0},{0}-{turn:05}", name(vehicle));
    let mut values: Values = [f64::NAN; SIGNALS.len()];
    for (signal, low, high, _) in WALKS {
        values[signal as usize] = uniform(low, high, &mut rng);
    }
    for misfire in [Signal::MisfireC1, Signal::MisfireC2, Signal::MisfireC3, Signal::MisfireC4] {
        values[misfire as usize] = 0.0;
    }
    values[Signal::FuelStatus as usize] = 2.0;
    values[Signal::CmdEquiv as usize] = 1.0;
    // Trips of a vehicle follow each other with half an hour between.
    let start_s = 1_709_532_000 + (turn * (rows + 1800)) as i64;
    let mut km = 50_000.0 + turn as f64 * rows as f64 / 60.0;
    for second in 0..rows {
        for (signal, low, high, step) in WALKS {
            let value = &mut values[signal as usize];
            *value = (*value + uniform(-step, step, &mut rng)).clamp(low, high);
        }
        km += values[Signal::SpeedKmh as usize] / 3600.0;
        values[Signal::OdometerKm as usize] = km;
        values[Signal::RunS as usize] = second as f64;
        values[Signal::KmSinceClear as usize] = (km - 49_000.0).min(65_535.0).floor();
        values[Signal::WarmupsSinceClear as usize] = (60 + turn).min(255) as f64;
        values[Signal::MinSinceClear as usize] = (6_000.0 + km - 50_000.0).min(65_535.0).floor();
        logger.row(&mut out, start_s + second as i64, &names, &values, None);
    }
    out
}
