//! The trip: mergeable sums over the gated samples of one drive.
//!
//! Every field that ends in a sum or a count adds across trips, so any window of trips gives exact
//! means, variances and regressions without going back to the samples.

use super::samples::MAX_CYLINDERS;

/// Fuel banks kept per trip.
pub const BANKS: usize = 2;

/// Airflow band of a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(usize)]
pub enum Band {
    /// Standing with the engine idling.
    Idle,
    /// Moving, airflow below the load edge.
    Cruise,
    /// Airflow at or above the load edge.
    Load,
}

impl Band {
    /// All bands, low airflow first.
    pub const ALL: [Band; 3] = [Band::Idle, Band::Cruise, Band::Load];

    /// Name as written in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Band::Idle => "idle",
            Band::Cruise => "cruise",
            Band::Load => "load",
        }
    }
}

/// Where the airflow of a trip came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub enum AirSource {
    /// No airflow could be had.
    #[default]
    None,
    /// Airflow sensor.
    Sensor,
    /// Absolute load, displacement and engine speed.
    AbsoluteLoad,
    /// Speed-density from manifold pressure.
    SpeedDensity,
}

/// Sums over the gated samples of one bank in one band.
///
/// `y` is total trim in log-percent, `m` the airflow in multiples of the nominal idle airflow of the
/// engine's displacement, `u` is `1/m`. Together they are the Gram matrix of `(1, u, m, y)`.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BandSums {
    /// Number of samples.
    pub n: f64,
    /// Sum of `y`.
    pub y: f64,
    /// Sum of `y²`.
    pub yy: f64,
    /// Sum of short-term trim, percent.
    pub st: f64,
    /// Sum of its squares.
    pub stst: f64,
    /// Sum of long-term trim, percent.
    pub lt: f64,
    /// Sum of its squares.
    pub ltlt: f64,
    /// Sum of `m`.
    pub m: f64,
    /// Sum of `m²`.
    pub mm: f64,
    /// Sum of `u`.
    pub u: f64,
    /// Sum of `u²`.
    pub uu: f64,
    /// Sum of `u·y`.
    pub uy: f64,
    /// Sum of `m·y`.
    pub my: f64,
}

impl BandSums {
    /// Field names in storage order.
    pub const FIELDS: [&'static str; 13] =
        ["n", "y", "yy", "st", "stst", "lt", "ltlt", "m", "mm", "u", "uu", "uy", "my"];

    /// The fields in storage order.
    pub fn to_array(&self) -> [f64; 13] {
        [
            self.n, self.y, self.yy, self.st, self.stst, self.lt, self.ltlt, self.m, self.mm,
            self.u, self.uu, self.uy, self.my,
        ]
    }

    /// The inverse of [`BandSums::to_array`].
    pub fn from_array(a: [f64; 13]) -> BandSums {
        let [n, y, yy, st, stst, lt, ltlt, m, mm, u, uu, uy, my] = a;
        BandSums { n, y, yy, st, stst, lt, ltlt, m, mm, u, uu, uy, my }
    }

    /// Adds the sums of another set of samples.
    pub fn merge(&mut self, other: &BandSums) {
        let (mut a, b) = (self.to_array(), other.to_array());
        for (x, y) in a.iter_mut().zip(b) {
            *x += y;
        }
        *self = BandSums::from_array(a);
    }
}

/// Count, sum and sum of squares of one quantity.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Moments {
    /// Number of values.
    pub n: f64,
    /// Sum.
    pub sum: f64,
    /// Sum of squares.
    pub sq: f64,
}

impl Moments {
    /// Adds one value.
    pub fn push(&mut self, x: f64) {
        self.n += 1.0;
        self.sum += x;
        self.sq += x * x;
    }

    /// Mean, or `None` without a value.
    pub fn mean(&self) -> Option<f64> {
        (self.n > 0.0).then(|| self.sum / self.n)
    }
}

/// One trip of one vehicle from one source.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trip {
    /// Vehicle name.
    pub vehicle: String,
    /// Trip name.
    pub trip: String,
    /// Content digest of the source.
    pub source: String,
    /// Digest of the condense settings and register entries that made the row.
    pub recipe: String,
    /// First sample, UTC microseconds.
    pub start_us: i64,
    /// Last sample, UTC microseconds.
    pub end_us: i64,
    /// Samples read.
    pub rows: u64,
    /// Samples that passed the gate.
    pub gated: u64,
    /// Where the airflow came from.
    pub air_source: AirSource,
    /// Closed loop was inferred, because the source has no fuel-system status.
    pub loop_inferred: bool,
    /// Seconds covered by samples (gaps of over 30 s left out).
    pub seconds: f64,
    /// Seconds with the engine turning.
    pub engine_s: f64,
    /// Seconds standing with the engine turning.
    pub idle_s: f64,
    /// Distance, km.
    pub km: f64,
    /// Fuel used, litres; `NaN` if the log cannot tell.
    pub fuel_l: f64,
    /// The fuel figure was computed from airflow and so shares the error of its sensor.
    pub fuel_from_airflow: bool,
    /// Times the vehicle came to a stand.
    pub stops: f64,
    /// Coolant at the first engine-on sample, °C; `NaN` if not known.
    pub start_coolant_c: f64,
    /// Ambient temperature (intake air where there is no ambient sensor), °C.
    pub ambient_c: Moments,
    /// Ethanol content, percent.
    pub ethanol_pct: Moments,
    /// Odometer at the last sample, km; `NaN` if not known.
    pub odometer_km: f64,
    /// First and last distance since codes were cleared, km; `NaN` if not known.
    pub km_since_clear: [f64; 2],
    /// First and last warm-ups since codes were cleared; `NaN` if not known.
    pub warmups_since_clear: [f64; 2],
    /// First and last minutes since codes were cleared; `NaN` if not known.
    pub min_since_clear: [f64; 2],
    /// Engine revolutions with coolant at or above the warm limit.
    pub revs_warm: f64,
    /// Engine revolutions below it.
    pub revs_cold: f64,
    /// Misfires per cylinder, warm.
    pub misfire_warm: [f64; MAX_CYLINDERS],
    /// Misfires per cylinder, cold.
    pub misfire_cold: [f64; MAX_CYLINDERS],
    /// The source carries misfire counters.
    pub has_misfire: bool,
    /// Throttle angle at warm gated idle, percent.
    pub idle_throttle_pct: Moments,
    /// Absolute load (or manifold over barometric pressure, percent) near full throttle above the rpm floor.
    pub breathing_pct: Moments,
    /// Total trim in closed loop while warming up, log-percent.
    pub warmup_y: Moments,
    /// Sums by bank and band.
    pub bands: [[BandSums; 3]; BANKS],
}
