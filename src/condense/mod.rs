//! Samples in, trips out: gated, banded, mergeable sums in one pass.
//!
//! ```text
//! Samples chunk ─► per vehicle: row ─► gate ─► airflow, band ─► sums of the open trip ─► Trip
//! ```
//!
//! One [`Condenser`] serves one source, chunk after chunk; it holds the open trip of each vehicle and
//! nothing else, so memory does not grow with the source. It never looks ahead, and a source that has
//! grown is run through from its start, so a trip is always whole: the end of a night never cuts one.

mod airflow;
mod gate;
mod open_trip;

use crate::settings::GateSettings;
use crate::tables::samples::{SIGNALS, Samples, Signal, Width};
use crate::tables::trips::Trip;
use open_trip::OpenTrip;
use std::collections::BTreeMap;

/// What condense must know of an engine.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Engine {
    /// Displacement, litres.
    pub displacement_l: f64,
    /// The air is measured by an airflow sensor; if not, a `maf_gs` column is not trusted before others.
    pub has_airflow_sensor: bool,
    /// The displacement is from the register, not the default.
    pub registered: bool,
}

/// Digest of everything that shapes a trip row: gate settings and the engine's register entry.
pub fn recipe(gate: &GateSettings, engine: &Engine) -> String {
    let mut hasher = blake3::Hasher::new();
    hasher.update(b"trips 1");
    for v in gate.values() {
        hasher.update(&v.to_le_bytes());
    }
    hasher.update(&engine.displacement_l.to_le_bytes());
    hasher.update(&[u8::from(engine.has_airflow_sensor)]);
    hasher.finalize().to_hex()[..16].to_owned()
}

/// Condenses the samples of one source.
#[derive(Debug)]
pub struct Condenser<'a> {
    gate: &'a GateSettings,
    engine_of: &'a dyn EngineOf,
    open: BTreeMap<String, OpenTrip>,
}

/// Gives the engine of a vehicle, registered or not.
pub trait EngineOf: Sync + std::fmt::Debug {
    /// The engine of `vehicle`.
    fn engine(&self, vehicle: &str) -> Engine;
}

/// A trip that ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Condensed {
    /// The trip, its source not yet written in.
    pub trip: Trip,
    /// The newest state of the source that has rows of it.
    pub state: u32,
    /// Rows of an older state are in it as well: it takes the place of what that state gave.
    pub continued: bool,
}

impl<'a> Condenser<'a> {
    /// A condenser for one source.
    pub fn new(gate: &'a GateSettings, engine_of: &'a dyn EngineOf) -> Condenser<'a> {
        Condenser { gate, engine_of, open: BTreeMap::new() }
    }

    /// Takes a chunk, sorted by vehicle and time. `state_of` tells by its number which state of a growing
    /// source brought a row; trips that have rows of state 0 only were given out long ago. The others are
    /// appended to `done` when they end.
    pub fn push(
        &mut self,
        samples: &Samples,
        state_of: impl Fn(u64) -> u32,
        done: &mut Vec<Condensed>,
    ) {
        let columns = Columns::of(samples);
        let mut i = 0;
        while i < samples.len() {
            let (vehicle, trip) = (samples.vehicle[i], samples.trip[i]);
            let mut end = i + 1;
            while end < samples.len()
                && samples.vehicle[end] == vehicle
                && samples.trip[end] == trip
            {
                end += 1;
            }
            let vehicle = &samples.vehicles[vehicle as usize];
            let trip = &samples.trips[trip as usize];
            let same = self.open.get(vehicle).is_some_and(|o| o.trip_name() == trip);
            if !same {
                let engine = self.engine_of.engine(vehicle);
                let opened = OpenTrip::new(vehicle, trip, engine, recipe(self.gate, &engine));
                if let Some(old) = self.open.insert(vehicle.clone(), opened) {
                    done.extend(old.finish());
                }
            }
            if let Some(open) = self.open.get_mut(vehicle) {
                for r in i..end {
                    let row = columns.row(samples, r);
                    open.push(self.gate, &row, state_of(samples.row[r]));
                }
            }
            i = end;
        }
    }

    /// Ends all open trips.
    pub fn finish(self, done: &mut Vec<Condensed>) {
        done.extend(self.open.into_values().filter_map(OpenTrip::finish));
    }
}

/// One sample, `NaN` where not available.
#[derive(Debug, Clone, Copy)]
struct Row {
    time_us: i64,
    values: [f64; Signal::ALL.len()],
}

impl Row {
    fn get(&self, signal: Signal) -> f64 {
        self.values[signal as usize]
    }
}

/// The columns that a chunk has, resolved once.
struct Columns<'s> {
    present: Vec<(usize, &'s [f64])>,
}

impl<'s> Columns<'s> {
    fn of(samples: &'s Samples) -> Columns<'s> {
        let present = Signal::ALL
            .iter()
            .filter_map(|s| samples.signal(*s).map(|v| (*s as usize, v)))
            .collect();
        Columns { present }
    }

    fn row(&self, samples: &Samples, r: usize) -> Row {
        let mut values = [f64::NAN; Signal::ALL.len()];
        for (signal, column) in &self.present {
            // As the lake keeps it, so that trips derived anew from the lake are the same to the last digit.
            values[*signal] = match SIGNALS[*signal].width {
                Width::Single => f64::from(column[r] as f32),
                Width::Double => column[r],
            };
        }
        Row { time_us: samples.time_us[r], values }
    }
}
