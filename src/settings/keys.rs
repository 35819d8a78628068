//! Every threshold: its key, unit (in the name), default, range and reason.
//!
//! One macro line per setting, so that the struct, the parser, the documentation and the range check
//! cannot drift apart.

/// One key as documented.
#[derive(Debug, Clone, Copy)]
pub struct KeySpec {
    /// Key, unit last.
    pub key: &'static str,
    /// Default.
    pub default: f64,
    /// Lowest value.
    pub min: f64,
    /// Highest value.
    pub max: f64,
    /// Meaning, reason and source.
    pub about: &'static str,
}

macro_rules! section {
    ($(#[$meta:meta])* $name:ident { $($key:ident = $default:literal, $min:literal .. $max:literal, $about:literal;)* }) => {
        $(#[$meta])*
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct $name { $(#[doc = $about] pub $key: f64),* }

        impl $name {
            /// All keys of the section.
            pub const KEYS: &'static [KeySpec] = &[$(KeySpec {
                key: stringify!($key), default: $default as f64, min: $min as f64, max: $max as f64, about: $about,
            }),*];

            /// The documented defaults.
            pub const DEFAULT: $name = $name { $($key: $default as f64),* };

            /// Sets `key`, which must be one of [`Self::KEYS`], to a value already checked.
            pub(super) fn set(&mut self, key: &str, value: f64) {
                $(if key == stringify!($key) { self.$key = value; })*
            }

            /// All values in the order of [`Self::KEYS`].
            pub fn values(&self) -> Vec<f64> {
                vec![$(self.$key),*]
            }
        }
    };
}

section! {
    /// Section `[ingest]`: what counts as too much bad input.
    IngestSettings {
        rejected_share_max_pct = 5, 0 .. 100, "Share of rejected rows, percent of rows read, above which the run ends with code 3; rows that a slow logger repeats do not count.";
        line_bytes_max = 1048576, 1024 .. 67108864, "Longest line that is read; a longer one is rejected without being held in memory.";
        unpacked_ratio_max = 200, 10 .. 10000, "Largest ratio of unpacked to packed size beyond the first 64 MB; a compressed file above it is refused.";
        future_days_max = 1, 0 .. 400, "How far after the time of the run a sample may lie, days; later times are rejected.";
    }
}

section! {
    /// Section `[gate]`: which samples may speak about mixture, and the airflow bands.
    GateSettings {
        warm_coolant_c = 70, 40 .. 110, "Coolant temperature from which trims are judged, °C (common practice, no source: 70 to 80).";
        after_start_s = 60, 0 .. 600, "Seconds after engine start that are left out (after-start enrichment; common practice, no source).";
        purge_max_pct = 10, 0 .. 100, "Highest commanded canister purge at which a sample counts, percent; purge vapour is unmetered fuel.";
        airflow_step_max_pct = 25, 1 .. 200, "Largest change of airflow from row to row, percent per second, that counts as steady (rows at most 3 s apart).";
        rpm_min = 400, 100 .. 1000, "Engine speed below which the engine does not count as turning, rpm.";
        idle_speed_max_kmh = 2, 0 .. 10, "Vehicle speed up to which the vehicle stands, km/h.";
        idle_rpm_max = 1300, 700 .. 2000, "Engine speed up to which a standing vehicle idles, rpm.";
        load_edge = 6, 2 .. 20, "Airflow from which the load band begins, in multiples of the nominal idle airflow.";
        idle_airflow_gs_per_l = 1.38, 0.5 .. 4, "Nominal warm idle airflow per litre of displacement, g/s: absolute load 20 % at 700 rpm = 0.20 x 1.184 g/L x 700/120.";
        displacement_default_l = 1.8, 0.5 .. 8, "Displacement taken for the bands of a vehicle whose register entry leaves it out, litres.";
        volumetric_efficiency_pct = 85, 40 .. 120, "Volumetric efficiency for speed-density airflow, percent (common practice, no source); it cancels in every change.";
        gap_s = 30, 2 .. 300, "Gap between rows, seconds, over which nothing is integrated.";
        breathing_rpm_min = 2000, 1000 .. 5000, "Engine speed from which full-load breathing is judged, rpm.";
        breathing_load_min_pct = 80, 50 .. 100, "Calculated load from which breathing is judged, percent of what the engine can take in.";
    }
}

section! {
    /// Section `[test]`: the sequential tests.
    TestSettings {
        false_flags_per_vehicle_year = 0.01, 0.0001 .. 1, "Designed upper bound of the mean number of false flags per vehicle and year, over all series of a vehicle; the limit A follows from it.";
        days_min = 90, 30 .. 400, "Days from first to last value before a series is judged.";
        rows_min = 60, 20 .. 400, "Days with a value before a series is judged.";
        samples_per_day_min = 5, 1 .. 1000, "Gated samples in a band and day from which its mean counts.";
        usual_drift_pct_per_10000km = 4.5, 0 .. 20, "Centre of the prior of drift, a normal cut at nought, log-percent per 10,000 km: faults worth finding grow by 2 to 8, and 3.1 is the edge of an acceptable fuel (40 CFR 80.165).";
        usual_drift_sd_pct_per_10000km = 3, 0.5 .. 20, "Sd of that prior before the cut, log-percent per 10,000 km.";
        step_prior_pct = 1, 0.2 .. 10, "Root-mean-square size of an ordinary step (fuel blend, sensor), log-percent; tuned on simulated fleets with steps of 0.5 to 4 %.";
        steps_per_year = 0.9, 0.01 .. 20, "Ordinary steps per vehicle and year, both edges of a temporary one counted; tuned with the step size.";
        large_step_prior_pct = 3, 1 .. 20, "Root-mean-square size of a large step (a sensor, work that nobody recorded), log-percent (own judgement: sensors of 1.5 to 4 %).";
        large_steps_per_year = 0.05, 0 .. 5, "Large steps per vehicle and year (own judgement, no source).";
        recorded_work_moves_share = 0.15, 0.01 .. 0.99, "Share of recorded workshop work after which a level is another (own judgement, no source: most work is on filters, tyres and brakes).";
        least_change_pct = 3, 0 .. 10, "Change that a drift must have added before it is flagged, log-percent: less is no reason to open an engine, and innocent steps hide there.";
        baseline_days = 60, 20 .. 200, "Days from its first trip that make a vehicle's own baseline (never longer than days_min).";
        recent_days = 45, 14 .. 120, "Days that count as now.";
    }
}

impl TestSettings {
    /// Days of a vehicle's own baseline, which closes before the first look.
    pub fn base_days(&self) -> i32 {
        self.baseline_days.min(self.days_min) as i32
    }
}

section! {
    /// Section `[decide]`: from evidence to a verdict.
    DecideSettings {
        correction_limit_pct = 25, 10 .. 50, "Total correction at which the engine computer gives up, percent (common practice, no source).";
        near_limit_pct = 20, 5 .. 50, "Total correction that is acted on whatever its history, percent.";
        level_change_pct = 8, 3 .. 30, "Lasting change of the level from the vehicle's own baseline that is acted on even if it came as a step, log-percent; idle or load against the other bands: three quarters of it.";
        watch_nats = 3, 0.5 .. 8, "Distance of the evidence to its limit, nats, from which a vehicle is watched.";
        misfire_per_1000_rev_min = 0.5, 0.01 .. 20, "Misfires per 1,000 revolutions below which a rise is not acted on.";
        misfire_severe_per_1000_rev = 20, 1 .. 200, "Misfires per 1,000 revolutions from which nobody waits to see whether they pass within a week or two: a catalyst is at stake (default and source as for catalyst_misfire_per_1000_rev).";
        plug_life_km = 60000, 10000 .. 200000, "Distance after which plugs are due, km (common practice, no source: 30,000 to 100,000 by material).";
        stale_days = 60, 7 .. 400, "Days without data after which nothing is said of a vehicle.";
    }
}

section! {
    /// Section `[cost]`: what waiting costs.
    CostSettings {
        fuel_price_per_l = 1.8, 0.1 .. 20, "Price of fuel, currency per litre.";
        breakdown = 900, 0 .. 100000, "Cost of a breakdown on the road, currency.";
        catalyst = 1200, 0 .. 100000, "Cost of a catalyst, currency.";
        horizon_weeks = 8, 1 .. 52, "Weeks within which reaching the correction limit counts.";
        catalyst_misfire_per_1000_rev = 20, 1 .. 200, "Misfires per 1,000 revolutions at which a catalyst is expected to be lost within the horizon (2 % of firings with two firings a revolution, the order of the regulatory catalyst-damage threshold; from memory).";
    }
}
