//! What a trial simulates: size, seed, share of faulty vehicles, and every nuisance with its size.
//!
//! A nuisance of nought is switched off. The sizes follow the study of sequential tests that the drift
//! test was designed on (its simulator's distributions), and go beyond them where it had none.

use crate::settings::{DecideSettings, TestSettings};

/// Settings of one trial.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialSettings {
    /// Name of the preset that the settings started from.
    pub preset: &'static str,
    /// Vehicles, spread over independent fleets of two engine families each.
    pub vehicles: usize,
    /// Length of the simulated period, years.
    pub years: f64,
    /// Seed of every draw.
    pub seed: u64,
    /// Vehicles per engine family.
    pub group_size: usize,
    /// Engine families in a fleet.
    pub families: usize,
    /// Share of vehicles that get a fault, 0 to 1.
    pub share_faulty: f64,
    /// Share of these whose fault is worked on in the workshop, well or badly, and grows again from what is left, 0 to 1.
    pub share_repaired: f64,
    /// Slowest and fastest growth of a fault, percent of trim (or its equivalent) per 10,000 km.
    pub rate_pct_per_10000km: (f64, f64),
    /// Only one all-band trim per vehicle and faults of all injectors alone, as in the study.
    pub single_series: bool,
    /// What disturbs healthy vehicles.
    pub nuisances: Nuisances,
    /// Thresholds of the tests under trial.
    pub test: TestSettings,
    /// Thresholds of the decision under trial.
    pub decide: DecideSettings,
}

impl Default for TrialSettings {
    /// 1,200 vehicles over three years, 15 % of them faulty at 2 to 8 % per 10,000 km, all nuisances on.
    fn default() -> TrialSettings {
        TrialSettings {
            preset: "default",
            vehicles: 1200,
            years: 3.0,
            seed: 1,
            group_size: 50,
            families: 2,
            share_faulty: 0.15,
            share_repaired: 0.0,
            rate_pct_per_10000km: (2.0, 8.0),
            single_series: false,
            nuisances: Nuisances::ALL,
            test: TestSettings::DEFAULT,
            decide: DecideSettings::DEFAULT,
        }
    }
}

impl TrialSettings {
    /// Names of the presets.
    pub const PRESETS: [&'static str; 8] = [
        "default",
        "healthy",
        "faults",
        "seldom",
        "workshop",
        "steps_known",
        "steps_rare",
        "study",
    ];

    /// The settings of a preset; `None` for an unknown name.
    ///
    /// * `default`: see [`TrialSettings::default`].
    /// * `healthy`: nothing planted, all nuisances on, 1,600 vehicles.
    /// * `faults`: 30 % faulty, for causes and actions.
    /// * `seldom`: vehicles that join at any time of the first nine months and are logged on a third of their days.
    /// * `workshop`: half of the vehicles faulty, most of them worked on: for what is said of the work.
    /// * `steps_known`: every step of fuel or sensor stands in the workshop records, and the test is told
    ///   that unrecorded ones are rare.
    /// * `steps_rare`: steps hardly happen, and the test is told so.
    /// * `study`: one series per vehicle, the all-band trim with the share of the budget that it has in the whole
    ///   job, and the study's nuisances only.
    pub fn preset(name: &str) -> Option<TrialSettings> {
        let base = TrialSettings::default();
        let rare = TestSettings { steps_per_year: 0.05, large_steps_per_year: 0.02, ..base.test };
        Some(match name {
            "default" => base,
            "healthy" => {
                TrialSettings { preset: "healthy", vehicles: 1600, share_faulty: 0.0, ..base }
            }
            "faults" => TrialSettings { preset: "faults", share_faulty: 0.3, ..base },
            "seldom" => TrialSettings {
                preset: "seldom",
                nuisances: Nuisances {
                    unlogged_days_share: 0.67,
                    joins_within_days: 270.0,
                    ..Nuisances::ALL
                },
                ..base
            },
            "workshop" => TrialSettings {
                preset: "workshop",
                share_faulty: 0.5,
                share_repaired: 0.85,
                ..base
            },
            "steps_known" => TrialSettings {
                preset: "steps_known",
                nuisances: Nuisances { steps_recorded_share: 1.0, ..Nuisances::ALL },
                test: rare,
                ..base
            },
            "steps_rare" => TrialSettings {
                preset: "steps_rare",
                nuisances: Nuisances {
                    blend_steps_per_year: 0.02,
                    sensor_steps_per_year: 0.01,
                    ..Nuisances::ALL
                },
                test: rare,
                ..base
            },
            "study" => TrialSettings {
                preset: "study",
                single_series: true,
                nuisances: Nuisances::STUDY,
                ..base
            },
            _ => return None,
        })
    }
}

macro_rules! nuisances {
    ($($(#[$meta:meta])* $key:ident: $all:literal, $study:literal;)*) => {
        /// Sizes of what disturbs a healthy vehicle's series; nought switches one off.
        #[derive(Debug, Clone, Copy, PartialEq)]
        pub struct Nuisances { $($(#[$meta])* pub $key: f64),* }

        impl Nuisances {
            /// All on: the trial's default.
            pub const ALL: Nuisances = Nuisances { $($key: $all),* };
            /// Those of the study, at its sizes.
            pub const STUDY: Nuisances = Nuisances { $($key: $study),* };
            /// Names of all nuisances.
            pub const NAMES: &'static [&'static str] = &[$(stringify!($key)),*];

            /// Sets the nuisance `name` to `size` (0 switches it off); false if there is none of that name.
            pub fn set(&mut self, name: &str, size: f64) -> bool {
                match name {
                    $(stringify!($key) => self.$key = size,)*
                    _ => return false,
                }
                true
            }

            /// Names and sizes.
            pub fn values(&self) -> Vec<(&'static str, f64)> {
                vec![$((stringify!($key), self.$key)),*]
            }
        }
    };
}

nuisances! {
    /// Sd of the level between vehicles, percent.
    level_sd_pct: 2.5, 2.5;
    /// Largest day-to-day sd of a band's trim, percent; drawn from 0.32 times it up to it.
    noise_sd_max_pct: 2.5, 2.5;
    /// Largest correlation from day to day; drawn from 0.375 times it up to it.
    noise_phi_max: 0.8, 0.8;
    /// Largest share of the noise variance that a single band has for itself; drawn from half of it up.
    band_own_share_max: 0.5, 0.0;
    /// Largest share of the noise variance that has no memory; drawn from nought up.
    white_share_max: 0.4, 0.0;
    /// Heaviness of tails: 1 over the degrees of freedom of Student's t.
    tail_heaviness: 0.2, 0.0;
    /// Largest skewness of the noise as the share `a` of the square in `x + a (x² - 1)`; one for a family, either way. 0.16
    /// is what the day means of one real car have.
    noise_skew_max: 0.16, 0.0;
    /// Days of 100 with a trim that is off by 4 to 10 %.
    outliers_per_100_days: 0.5, 0.0;
    /// Largest seasonal amplitude of a family, percent; drawn from half of it up.
    season_max_pct: 2.0, 2.0;
    /// Share of the families whose season runs the other way: the cold weighs on them otherwise.
    season_reversed_share: 0.25, 0.0;
    /// Sd of the weather that a family shares, percent.
    weather_sd_pct: 0.4, 0.4;
    /// Largest step at the change of the fuel grade in spring and autumn, percent.
    grade_step_max_pct: 1.0, 1.0;
    /// Sd of a vehicle's sensitivity to season, weather and grade around 1.
    sensitivity_sd: 0.2, 0.2;
    /// Learning resets per year: the trim falls to nought and comes back within 3 to 10 trips.
    resets_per_year: 0.8, 0.8;
    /// Steps of 0.5 to 2 % by a fuel blend per vehicle and year; 30 % stay, the rest lasts 60 days on average.
    blend_steps_per_year: 0.7, 0.7;
    /// Steps of 1.5 to 4 % by a sensor per vehicle and year; they stay.
    sensor_steps_per_year: 0.08, 0.08;
    /// Share of all those steps whose day stands in the workshop records.
    steps_recorded_share: 0.0, 0.0;
    /// Largest sd of a slow wander (60 days) of a vehicle's own, percent; drawn from nought up.
    wander_max_pct: 0.3, 0.0;
    /// Gaps without data of up to four weeks per year.
    data_gaps_per_year: 1.5, 0.0;
    /// Share of the days driven that are not logged, at random. Not part of the default: preset `seldom` has it.
    unlogged_days_share: 0.0, 0.0;
    /// Days within which vehicles begin to be logged, evenly. Not part of the default: preset `seldom` has it.
    joins_within_days: 0.0, 0.0;
    /// Share of vehicles without an odometer, and of days without one on the others.
    odometer_missing_share: 0.1, 0.0;
    /// Workshop records of work that changes nothing, per vehicle and year.
    idle_records_per_year: 0.8, 0.0;
    /// Records of cleaning work that changes nothing, per vehicle and year.
    vain_cleanings_per_year: 0.03, 0.0;
    /// Days of 1,000 on which misfires come at twenty times their rate.
    misfire_bursts_per_1000_days: 2.0, 0.0;
    /// Sd of the slow wander (60 days) of fuel per km, percent: tyres, roof boxes, drivers.
    economy_wander_pct: 1.0, 0.0;
    /// Sd of the slow wander (60 days) of the slope of the trim on one over airflow within drives, percent.
    slope_wander_pct: 0.5, 0.0;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_preset_exists_and_bears_its_name() {
        for name in TrialSettings::PRESETS {
            assert_eq!(TrialSettings::preset(name).map(|s| s.preset), Some(name));
        }
        assert_eq!(TrialSettings::preset("nothing"), None);
    }

    #[test]
    fn every_nuisance_can_be_switched_off() {
        let mut n = Nuisances::ALL;
        for name in Nuisances::NAMES {
            assert!(n.set(name, 0.0), "{name}");
        }
        assert!(n.values().iter().all(|(_, size)| *size == 0.0));
        assert!(!n.set("gravity", 0.0));
    }
}
