//! Simulated fleets of vehicle-days with everything that was planted in them.
//!
//! Shares nothing with the analysis beyond the row types. Trims, counts and readings are drawn straight as
//! day rows; the physics of a fault stands in `fault`, what disturbs a healthy vehicle in `nuisance` and
//! `climate`.

mod climate;
mod days;
mod driving;
mod engine;
mod fault;
mod misfiring;
mod nuisance;
mod random;
mod repair;
mod within_drives;
mod workshop;

pub(super) use fault::{Fault, FaultKind};

use super::settings::TrialSettings;
use crate::tables::days::Day;
use crate::tables::fleet::{Refuel, ServiceRecord, Vehicle};
use crate::tables::trips::{BANKS, Band};
use climate::Climate;
use engine::Engine;
use random::{chance, stream, uniform};
use rayon::prelude::*;
use repair::Repair;
use std::collections::BTreeMap;

/// First day of every simulation: 2021-01-01 as days since 1970-01-01.
pub(super) const FIRST_DAY: i32 = 18_628;

/// What an evidence run reads, and what is true of it.
#[derive(Debug)]
pub(super) struct Fleet {
    pub(super) register: Vec<Vehicle>,
    pub(super) days: BTreeMap<String, Vec<Day>>,
    pub(super) services: Vec<ServiceRecord>,
    pub(super) refuels: Vec<Refuel>,
    pub(super) truths: Vec<Truth>,
    /// First and last day.
    pub(super) period: (i32, i32),
    /// A day on which nothing in particular happens.
    pub(super) any_day: i32,
}

/// What is true of one vehicle, in register order.
#[derive(Debug, Clone)]
pub(super) struct Truth {
    pub(super) fault: Option<Fault>,
    /// What was done about it.
    pub(super) repair: Option<Repair>,
    /// Distance driven by the end of each day since [`FIRST_DAY`], km.
    pub(super) km: Vec<f64>,
    /// Usual airflow by band, multiples of idle airflow, and how much of the days each band is seen on.
    pub(super) bands: [(f64, f64); 3],
    /// Effect of the fault on fuel per km at a severity of 1 %, percent.
    pub(super) economy_per_severity: f64,
    /// First day from which it is logged.
    pub(super) joined: i32,
    /// Innocent steps: (day, size in percent, day on which it ended if it did).
    pub(super) steps: Vec<(i32, f64, Option<i32>)>,
}

impl Truth {
    /// Distance since the onset of the fault on `day`, km; 0 before it or without one.
    pub(super) fn km_since_onset(&self, day: i32) -> f64 {
        let Some(fault) = &self.fault else { return 0.0 };
        if day < fault.onset {
            return 0.0;
        }
        self.km_on(day) - self.km_on(fault.onset)
    }

    fn km_on(&self, day: i32) -> f64 {
        let i = (day - FIRST_DAY).clamp(0, self.km.len() as i32 - 1);
        self.km[i as usize]
    }

    /// Severity of the fault on `day`, percent of trim or its equivalent.
    pub(super) fn severity(&self, day: i32) -> f64 {
        let Some(fault) = self.fault.as_ref().filter(|f| day >= f.onset) else { return 0.0 };
        let cured = self.repair.filter(|r| day >= r.day);
        let gone = cured.map_or(0.0, |r| (1.0 - r.left) * self.km_since_onset(r.day - 1));
        fault.severity(self.km_since_onset(day) - gone)
    }

    /// What the fault adds to a trim on `day`, log-percent, of one band or of all that the vehicle shows.
    pub(super) fn trim(&self, day: i32, bank: usize, band: Option<Band>) -> f64 {
        let Some(fault) = &self.fault else { return 0.0 };
        let severity = self.severity(day);
        match band {
            Some(band) => fault.trim(severity, bank, self.bands[band as usize].0),
            None => {
                let total: f64 = self.bands.iter().map(|b| b.1).sum();
                let sum: f64 =
                    self.bands.iter().map(|(m, seen)| seen * fault.trim(severity, bank, *m)).sum();
                sum / total
            }
        }
    }

    /// What the fault adds to the total trim over all that the vehicle shows, or takes from it, log-percent, of the bank
    /// where it is more: the drift that the study of sequential tests counts by.
    pub(super) fn in_trim(&self, day: i32) -> f64 {
        [0, 1].map(|bank| self.trim(day, bank, None).abs()).into_iter().fold(0.0, f64::max)
    }

    /// Change of fuel per km that the fault makes from the first to the second span of days, percent; days weigh by
    /// their distance.
    pub(super) fn economy_change(&self, spans: [(i32, i32); 2]) -> f64 {
        let [before, after] = spans.map(|(first, last)| {
            let (mut sum, mut km) = (0.0, 0.0);
            for day in first..=last {
                let driven = self.km_on(day) - self.km_on(day - 1);
                let effect = self.economy_per_severity * self.severity(day) / 100.0;
                sum += driven * effect.ln_1p();
                km += driven;
            }
            sum / km
        });
        100.0 * (after - before).exp_m1()
    }

    /// Sum of the innocent steps in force on `day`, percent.
    pub(super) fn steps_on(&self, day: i32) -> f64 {
        let on = |s: &&(i32, f64, Option<i32>)| s.0 <= day && s.2.is_none_or(|end| day < end);
        self.steps.iter().filter(on).map(|s| s.1).sum()
    }
}

/// Simulates fleet number `fleet` of a trial.
pub(super) fn fleet(settings: &TrialSettings, fleet: usize, vehicles: usize) -> Fleet {
    let seed = settings.seed.wrapping_mul(1_000_003).wrapping_add(fleet as u64);
    let days = (settings.years * 365.25).round() as i32;
    let mut shared = stream(seed, None, 0);
    let engines: Vec<Engine> = (0..settings.families)
        .map(|f| Engine::draw(f, settings.single_series, &mut shared))
        .collect();
    let climates: Vec<Climate> = (0..settings.families)
        .map(|_| Climate::draw(days, &settings.nuisances, &mut shared))
        .collect();
    let lives: Vec<days::Life> = (0..vehicles)
        .into_par_iter()
        .map(|v| {
            let family = v % settings.families;
            days::live(settings, seed, v, &engines[family], &climates[family], days)
        })
        .collect();
    let mut out = Fleet {
        register: Vec::new(),
        days: BTreeMap::new(),
        services: Vec::new(),
        refuels: Vec::new(),
        truths: Vec::new(),
        period: (FIRST_DAY, FIRST_DAY + days - 1),
        any_day: FIRST_DAY
            + (uniform(0.2, 1.0, &mut stream(seed, None, 1)) * f64::from(days)) as i32,
    };
    for life in lives {
        out.days.insert(life.vehicle.vehicle.clone(), life.rows);
        out.register.push(life.vehicle);
        out.services.extend(life.services);
        out.refuels.extend(life.refuels);
        out.truths.push(life.truth);
    }
    out
}

/// Whether a vehicle becomes faulty; drawn apart so that every other draw is the same with and without.
fn becomes_faulty(settings: &TrialSettings, seed: u64, vehicle: usize) -> bool {
    chance(settings.share_faulty, &mut stream(seed, Some(vehicle), 1))
}

const _: () = assert!(BANKS == 2, "faults know two banks");
