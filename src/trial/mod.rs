//! How well the evidence and the decision work: simulated fleets in, operating characteristics out.
//!
//! ```text
//! settings ─► generator ─► fleet (days, records, refuels, truth)
//!                 │            ├► evidence + decide, as of many nights ─► what was said of each vehicle
//!                 │            └► three plain rules on the same data
//!                 └─ truth ────► figures: false flags, delay, actions, coverage, calibration ─► text, CSV
//! ```
//!
//! The generator shares nothing with the analysis beyond the row types. A trial of the same settings gives
//! the same CSV bytes whatever the thread count; the text also states times, which differ.

mod csv;
mod figures;
mod generator;
mod nights;
mod plain_rules;
mod settings;
mod text;
mod work;

pub use settings::{Nuisances, TrialSettings};

use nights::{FleetRun, VehicleRun};
use rayon::prelude::*;
use std::sync::atomic::{AtomicU64, Ordering};

/// Everything a trial found.
#[derive(Debug)]
pub struct TrialResult {
    settings: TrialSettings,
    fleets: Vec<FleetRun>,
    timing: Timing,
}

/// Time of one evidence run on one thread.
#[derive(Debug, Clone, Copy)]
struct Timing {
    seconds: f64,
    /// Nights times monitored series, over all vehicles of the run.
    series_nights: f64,
    threads: usize,
}

impl TrialResult {
    /// The figures as plain text, at most `width` columns wide where tables allow it.
    pub fn text(&self, width: usize) -> String {
        text::text(self, width)
    }

    /// One line per simulated vehicle as CSV with a header.
    pub fn csv(&self) -> Vec<u8> {
        csv::table(self)
    }

    fn vehicles(&self) -> impl Iterator<Item = &VehicleRun> {
        self.fleets.iter().flat_map(|f| &f.vehicles)
    }
}

/// Runs a trial; `progress` is told how many of how many vehicles are done.
///
/// Uses the threads of the current rayon pool; they change the time and nothing else.
pub fn run(settings: &TrialSettings, progress: &(dyn Fn(u64, u64) + Sync)) -> TrialResult {
    let size = (settings.families * settings.group_size).max(1);
    let total = settings.vehicles as u64;
    let count = settings.vehicles.div_ceil(size);
    let done = AtomicU64::new(0);
    progress(0, total);
    let fleets: Vec<FleetRun> = (0..count)
        .into_par_iter()
        .map(|f| {
            let vehicles = size.min(settings.vehicles - f * size);
            let run = nights::run(settings, f, vehicles);
            let so_far = done.fetch_add(vehicles as u64, Ordering::Relaxed) + vehicles as u64;
            progress(so_far, total);
            run
        })
        .collect();
    let timing = nights::time(settings, size.min(settings.vehicles));
    TrialResult { settings: settings.clone(), fleets, timing }
}
