//! A made-up fleet with planted faults: trip logs, register, workshop records, refuels, and the truth.
//!
//! In: [`DemoSettings`]. Out: a folder that `trimdrift run` can read, plus `truth.csv` to judge the run by.
//!
//! It is a simulation, not a curve generator. Each logged trip is driven a second at a time:
//!
//! ```text
//! drive ─► powertrain ─► mixture ─► combustion ─► trip ─► logger ─► logfile
//!            ▲              ▲            ▲
//!          climate        faults (plan, life)                 ledgers (tables, truth)
//! ```
//!
//! A fault changes the fuel that is delivered, the air that is measured or the spark; trims, misfires,
//! throttle angle and consumption result from it. Nothing here is shared with the analysis but the
//! names of columns and services, so that it can stand on the other side of a test. Same settings, same
//! bytes: each vehicle draws from its own stream of one seed, whatever the thread count.

mod bench;
mod calendar;
mod climate;
mod combustion;
mod drive;
mod families;
mod faults;
mod ledgers;
mod life;
mod logfile;
mod logger;
mod mixture;
mod plan;
mod powertrain;
mod random;
mod settings;
mod trip;

pub use bench::write_bench;
pub use settings::{DemoSettings, FileSpan, Scenario};

use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

/// What was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DemoSummary {
    /// Vehicles.
    pub vehicles: usize,
    /// Vehicles with a fault.
    pub faulty: usize,
    /// Logged trips.
    pub trips: u64,
    /// Logged rows.
    pub rows: u64,
    /// Log files.
    pub files: u64,
    /// Bytes of the log files as stored.
    pub bytes: u64,
}

/// Why a made-up fleet could not be written.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// A setting outside its range.
    #[error("{name} is {value}; expected {min} to {max}")]
    Setting {
        /// Which setting.
        name: &'static str,
        /// What it was.
        value: f64,
        /// Lowest value.
        min: f64,
        /// Highest value.
        max: f64,
    },
    /// The folder is not empty.
    #[error(
        "{}: holds other files ({found:?} among them); a made-up fleet goes into a new or empty folder, so choose \
         another one or empty it first",
        dir.display()
    )]
    NotEmpty {
        /// The folder.
        dir: PathBuf,
        /// The first name found in it.
        found: String,
    },
    /// A folder can't be made or read.
    #[error("{}: can't make or read this folder: {source}; check the path and its permissions", dir.display())]
    Folder {
        /// The folder.
        dir: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
    /// A file can't be written.
    #[error("{}: can't write this file: {source}; check free space and permissions", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// The system's reason.
        source: std::io::Error,
    },
}

/// Writes a made-up fleet into `dir`, a new or empty folder; `progress` is told how many vehicles of how
/// many are done, from any thread.
///
/// # Errors
/// A setting out of range, a folder that holds other files, or a file that can't be written.
pub fn write_fleet(
    dir: &Path,
    settings: &DemoSettings,
    progress: &(dyn Fn(usize, usize) + Sync),
) -> Result<DemoSummary, DemoError> {
    settings.check()?;
    prepare(dir)?;
    let mut fleet = random::stream(settings.seed, 0);
    let climate = climate::Climate::draw(settings.first_day, settings.days, &mut fleet);
    let plans = plan::draw(settings, &mut fleet);
    let done = AtomicUsize::new(0);
    let lives: Result<Vec<life::Life>, DemoError> = plans
        .par_iter()
        .enumerate()
        .map(|(index, plan)| {
            let life = life::live(dir, index, plan, settings, &climate)?;
            progress(1 + done.fetch_add(1, Ordering::Relaxed), plans.len());
            Ok(life)
        })
        .collect();
    let lives = lives?;
    ledgers::write_all(dir, settings, &plans, &lives)?;
    let total = |of: fn(&life::Life) -> u64| lives.iter().map(of).sum();
    Ok(DemoSummary {
        vehicles: plans.len(),
        faulty: plans.iter().filter(|p| p.planted.is_some()).count(),
        trips: total(|l| l.trips),
        rows: total(|l| l.rows),
        files: total(|l| l.files),
        bytes: total(|l| l.bytes),
    })
}

/// Makes `dir` and `dir/logs`; refuses a folder that holds anything.
fn prepare(dir: &Path) -> Result<(), DemoError> {
    let fail = |source| DemoError::Folder { dir: dir.to_path_buf(), source };
    std::fs::create_dir_all(dir).map_err(fail)?;
    let mut names = Vec::new();
    for entry in std::fs::read_dir(dir).map_err(fail)? {
        names.push(entry.map_err(fail)?.file_name().to_string_lossy().into_owned());
    }
    names.sort();
    if let Some(found) = names.into_iter().next() {
        return Err(DemoError::NotEmpty { dir: dir.to_path_buf(), found });
    }
    std::fs::create_dir(dir.join("logs")).map_err(fail)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    fn small() -> DemoSettings {
        DemoSettings { vehicles: 4, days: 40, sample_period_s: 10, ..DemoSettings::default() }
    }

    fn read_all(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut found = BTreeMap::new();
        for folder in [dir.to_path_buf(), dir.join("logs")] {
            for entry in std::fs::read_dir(folder).into_iter().flatten() {
                let path = entry.unwrap().path();
                if path.is_file() {
                    let bytes = std::fs::read(&path).unwrap();
                    found.insert(path.strip_prefix(dir).unwrap().to_path_buf(), bytes);
                }
            }
        }
        found
    }

    fn written(settings: &DemoSettings, threads: usize) -> BTreeMap<PathBuf, Vec<u8>> {
        let dir = tempfile::tempdir().unwrap();
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| write_fleet(dir.path(), settings, &|_, _| {})).unwrap();
        read_all(dir.path())
    }

    #[test]
    fn the_thread_count_changes_no_byte() {
        for gzip in [false, true] {
            let settings = DemoSettings { gzip, ..small() };
            let one = written(&settings, 1);
            assert!(one.len() > 9, "{:?}", one.keys());
            assert!(one == written(&settings, 4));
        }
    }

    #[test]
    fn another_seed_is_another_fleet() {
        let other = DemoSettings { seed: 2, ..small() };
        assert!(written(&small(), 2) != written(&other, 2));
    }

    #[test]
    fn a_folder_with_other_files_is_refused_and_left_alone() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("letter.txt"), "mine").unwrap();
        let refused = write_fleet(dir.path(), &small(), &|_, _| {}).unwrap_err();
        assert!(refused.to_string().contains("letter.txt"), "{refused}");
        assert_eq!(read_all(dir.path()).len(), 1);
    }

    #[test]
    fn a_setting_out_of_range_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let settings = DemoSettings { trip_minutes: (20.0, 10.0), ..small() };
        let refused = write_fleet(&dir.path().join("new"), &settings, &|_, _| {}).unwrap_err();
        assert!(refused.to_string().contains("trip_minutes.1"), "{refused}");
        assert!(!dir.path().join("new").exists());
    }

    #[test]
    fn a_healthy_fleet_has_nothing_planted() {
        let settings = DemoSettings { vehicles: 30, days: 3, healthy: true, ..small() };
        let files = written(&settings, 2);
        let truth = String::from_utf8(files[Path::new("truth.csv")].clone()).unwrap();
        assert_eq!(truth.lines().skip(1).filter(|l| l.contains(",none,,,")).count(), 30, "{truth}");
    }

    #[test]
    fn bench_logs_have_the_asked_shape() {
        let dir = tempfile::tempdir().unwrap();
        let summary = write_bench(dir.path(), 1003, 10, 3, 1).unwrap();
        assert_eq!((summary.rows, summary.files), (1003, 10));
        let rows: usize = read_all(dir.path())
            .iter()
            .filter(|(path, _)| path.starts_with("logs"))
            .map(|(_, bytes)| bytes.iter().filter(|b| **b == b'\n').count() - 1)
            .sum();
        assert_eq!(rows, 1003);
    }
}
