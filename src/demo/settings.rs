//! What a made-up fleet shall look like: size, length, logging, seed. No file is read here.

use super::DemoError;

/// How long a stretch of one vehicle's log goes into one file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileSpan {
    /// One file per vehicle and ISO-like week, counted from the first day.
    Week,
    /// One file per vehicle and calendar month.
    Month,
    /// One file per vehicle and calendar quarter.
    Quarter,
}

/// Which vehicles carry what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scenario {
    /// About three in ten vehicles carry a fault, a few more are traps; scaled to the fleet.
    Scaled,
    /// The twelve vehicles of the small fleet that ships with the project.
    Sample,
}

/// Settings of a made-up fleet; see [`DemoSettings::default`] and [`DemoSettings::sample`].
#[derive(Debug, Clone, PartialEq)]
pub struct DemoSettings {
    /// Number of vehicles, 1 to 5000. Default 24.
    pub vehicles: usize,
    /// Days from the first to the last, 1 to 3650. Default 300.
    pub days: usize,
    /// Seed of all random draws. Default 1.
    pub seed: u64,
    /// First day, days since 1970-01-01. Default 19786 (2024-03-04, a Monday).
    pub first_day: i32,
    /// Seconds between logged rows, 1 to 60; the simulation always steps at one second. Default 5.
    pub sample_period_s: u32,
    /// Compress the log files with gzip. Default false.
    pub gzip: bool,
    /// Logged trips per calendar day, mean, 0.05 to 8. Default 1.5.
    pub trips_per_day: f64,
    /// Shortest and longest logged trip, minutes, 2 to 120. Default 10 to 25.
    pub trip_minutes: (f64, f64),
    /// Mean distance on a day with driving, km, 5 to 600; what no logged trip covers is driven unlogged.
    /// Default 170.
    pub km_per_day: f64,
    /// Share of vehicles that carry a fault, 0 to 0.6. Default 0.29.
    pub faulty_share: f64,
    /// Plant nothing: no fault, no trap, only the ordinary nuisances. Default false.
    pub healthy: bool,
    /// Stretch of time per log file. Default one month.
    pub file_span: FileSpan,
    /// Which vehicles carry what. Default [`Scenario::Scaled`].
    pub scenario: Scenario,
    /// Write `pipeline.toml` beside the logs. Default true.
    pub pipeline_file: bool,
}

impl Default for DemoSettings {
    /// Twenty-four vehicles, 300 days, a row every five seconds, seed 1.
    fn default() -> Self {
        DemoSettings {
            vehicles: 24,
            days: 300,
            seed: 1,
            first_day: 19_786,
            sample_period_s: 5,
            gzip: false,
            trips_per_day: 1.5,
            trip_minutes: (10.0, 25.0),
            km_per_day: 170.0,
            faulty_share: 0.29,
            healthy: false,
            file_span: FileSpan::Month,
            scenario: Scenario::Scaled,
            pipeline_file: true,
        }
    }
}

impl DemoSettings {
    /// The small fleet in `sample-data/`: twelve vehicles in two engine families, 260 days, about five
    /// short trips a week, a row every ten seconds, compressed.
    pub fn sample() -> Self {
        DemoSettings {
            vehicles: 12,
            days: 260,
            seed: 7,
            sample_period_s: 10,
            gzip: true,
            trips_per_day: 0.7,
            trip_minutes: (9.0, 13.0),
            km_per_day: 210.0,
            file_span: FileSpan::Quarter,
            scenario: Scenario::Sample,
            pipeline_file: false,
            ..DemoSettings::default()
        }
    }

    /// Refuses a value outside its documented range.
    pub(super) fn check(&self) -> Result<(), DemoError> {
        let (lo, hi) = self.trip_minutes;
        let ranges = [
            ("vehicles", self.vehicles as f64, 1.0, 5000.0),
            ("days", self.days as f64, 1.0, 3650.0),
            // 2000-01-01 to 2100-01-01: what four-digit years and any reader cope with.
            ("first_day", f64::from(self.first_day), 10_957.0, 47_482.0),
            ("sample_period_s", f64::from(self.sample_period_s), 1.0, 60.0),
            ("trips_per_day", self.trips_per_day, 0.05, 8.0),
            ("trip_minutes.0", lo, 2.0, 120.0),
            ("trip_minutes.1", hi, lo.max(2.0), 120.0),
            ("km_per_day", self.km_per_day, 5.0, 600.0),
            ("faulty_share", self.faulty_share, 0.0, 0.6),
        ];
        for (name, value, min, max) in ranges {
            if !(min..=max).contains(&value) {
                return Err(DemoError::Setting { name, value, min, max });
            }
        }
        Ok(())
    }
}
