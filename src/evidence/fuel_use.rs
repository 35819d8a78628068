//! Fuel per km by day (from the logs) and by tank (from the refuels), with driving, weather and the family's
//! common course taken out.
//!
//! In: days and refuels of one engine family. Out: per vehicle, log fuel per km around a level of its own. Tanks
//! take nothing from the logs but the weather and the driving of their days.

use super::history::History;
use crate::stats::regression::Gram;
use crate::stats::robust::median_of;
use crate::stats::wander::{Block, by_period};
use crate::tables::days::Day;
use crate::tables::fleet::Refuel;
use std::collections::BTreeMap;

/// Shortest distance of a day that says anything of its economy, km.
const KM_MIN: f64 = 3.0;

/// Distance between fills that is believed, km: 50 say little, 2,000 mean a missing record.
const TANK_KM: std::ops::Range<f64> = 50.0..2_000.0;

/// Days of a tank that the logs must have seen to tell its driving and weather; many loggers see some trips only.
const LOGGED_DAYS_MIN: usize = 2;

/// Distance at which half of a day's scatter is the day's own (route, load, wind) whatever its length, km
/// (own judgement, no source): a longer day weighs little more.
const KM_HALF: f64 = 50.0;

const COVARIATES: usize = 6;

/// Slopes of log fuel per km on driving and weather.
pub(super) type Slopes = [f64; COVARIATES];

/// Fuel used over some distance, as logged or as bought.
#[derive(Debug, Clone, Copy)]
pub(super) struct FuelUse {
    /// First and last day.
    days: (i32, i32),
    weight: f64,
    log_fuel: f64,
    x: Slopes,
}

/// Log fuel per km beyond what driving, weather and the family explain.
#[derive(Debug, Clone, Copy)]
pub(super) struct Beyond {
    pub(super) days: (i32, i32),
    pub(super) weight: f64,
    pub(super) value: f64,
}

impl Beyond {
    pub(super) fn middle(&self) -> f64 {
        0.5 * f64::from(self.days.0 + self.days.1)
    }
}

/// Driving and weather of some days, as sums over them.
#[derive(Debug, Clone, Copy, Default)]
struct Driving {
    km: f64,
    hours: f64,
    stops: f64,
    /// Rise of coolant over all starts, in multiples of 60 °C.
    warm_ups: f64,
    ambient_km: f64,
    heat_km: f64,
}

impl Driving {
    fn add(&mut self, d: &Day) {
        let ambient = d.ambient_c.mean().unwrap_or(15.0);
        let coolant = d.start_coolant_c.mean().unwrap_or(60.0);
        self.km += d.km;
        self.hours += d.seconds / 3600.0;
        self.stops += d.stops;
        self.warm_ups += (80.0 - coolant).max(0.0) / 60.0 * f64::from(d.trips);
        self.ambient_km += ambient / 10.0 * d.km;
        // Cold air costs drag and friction all the way down; cooling the cabin begins at about 22 °C.
        self.heat_km += (ambient - 22.0).max(0.0) / 10.0 * d.km;
    }

    fn x(&self) -> Slopes {
        [
            // Hours per km carry the standing losses, speed the drag.
            self.hours / self.km,
            self.km / self.hours.max(1e-3) / 100.0,
            self.stops / self.km,
            // A cold start costs as much as the coolant has to rise, spread over the distance.
            self.warm_ups / self.km,
            self.ambient_km / self.km,
            self.heat_km / self.km,
        ]
    }
}

/// Fuel by day as logged.
pub(super) fn by_day(history: &History<'_>) -> Vec<FuelUse> {
    let told = |d: &&&Day| d.fuel_km >= KM_MIN && d.fuel_l > 0.0;
    history
        .days
        .iter()
        .filter(told)
        .map(|d| {
            let mut driving = Driving::default();
            driving.add(d);
            FuelUse {
                days: (d.day, d.day),
                weight: d.fuel_km / (d.fuel_km + KM_HALF),
                log_fuel: (d.fuel_l / d.fuel_km).ln(),
                x: driving.x(),
            }
        })
        .collect()
}

/// Fuel by tank, from one full fill to the next; fills between them that were not full are joined.
pub(super) fn by_tank(refuels: &[&Refuel], history: &History<'_>) -> Vec<FuelUse> {
    let mut tanks = Vec::new();
    let mut since: Option<(i32, f64)> = None;
    let mut litres = 0.0;
    for r in refuels {
        litres += r.litres;
        let Some(odometer) = r.odometer_km.filter(|_| r.full) else { continue };
        if let Some((day, start)) = since
            && TANK_KM.contains(&(odometer - start))
            && litres > 0.0
        {
            let km = odometer - start;
            let mut driving = Driving::default();
            let from = history.days.partition_point(|d| d.day < day);
            let to = history.days.partition_point(|d| d.day <= r.day).max(from);
            let logged = &history.days[from..to];
            logged.iter().for_each(|d| driving.add(d));
            if logged.len() >= LOGGED_DAYS_MIN && driving.km >= KM_MIN {
                let (days, log_fuel) = ((day, r.day), (litres / km).ln());
                tanks.push(FuelUse { days, weight: km / TANK_KM.end, log_fuel, x: driving.x() });
            }
        }
        since = Some((r.day, odometer));
        litres = 0.0;
    }
    tanks
}

/// Uses of a vehicle that make a level of its own.
const USES_MIN: usize = 10;

/// Slopes common to the family, each vehicle's own mean taken off first; nought where nothing tells them.
pub(super) fn slopes(family: &[Vec<FuelUse>]) -> Slopes {
    let mut gram = Gram::<COVARIATES>::default();
    for v in family.iter().filter(|v| v.len() > USES_MIN) {
        let weight: f64 = v.iter().map(|u| u.weight).sum();
        let mean: Slopes =
            std::array::from_fn(|i| v.iter().map(|u| u.weight * u.x[i]).sum::<f64>() / weight);
        let mean_y = v.iter().map(|u| u.weight * u.log_fuel).sum::<f64>() / weight;
        for u in v {
            gram.add(&std::array::from_fn(|i| u.x[i] - mean[i]), u.log_fuel - mean_y, u.weight);
        }
    }
    // A covariate that never varies (no cold start, say) must not take the others with it.
    for i in 0..COVARIATES {
        gram.xx[i][i] += 1e-6 * (gram.weight + 1.0);
    }
    gram.fit().map_or([0.0; COVARIATES], |fit| fit.beta)
}

/// Vehicles that make a common course.
const COMMON_MIN: usize = 4;

/// What each vehicle uses beyond driving, weather and the family's median by `period` days.
pub(super) fn beyond(family: &[Vec<FuelUse>], slopes: &Slopes, period: i32) -> Vec<Vec<Beyond>> {
    let mut rows: Vec<Vec<Beyond>> = family
        .iter()
        .map(|v| {
            v.iter()
                .map(|u| {
                    let fitted: f64 = u.x.iter().zip(slopes).map(|(x, b)| x * b).sum();
                    Beyond { days: u.days, weight: u.weight, value: u.log_fuel - fitted }
                })
                .collect()
        })
        .collect();
    let at = |b: &Beyond| (b.middle() as i32).div_euclid(period);
    let mut periods: BTreeMap<i32, Vec<f64>> = BTreeMap::new();
    for v in rows.iter().filter(|v| v.len() > USES_MIN) {
        let level = v.iter().map(|b| b.value).sum::<f64>() / v.len() as f64;
        for part in v.chunk_by(|a, b| at(a) == at(b)) {
            let mean = part.iter().map(|b| b.value).sum::<f64>() / part.len() as f64;
            periods.entry(at(&part[0])).or_default().push(mean - level);
        }
    }
    let medians: BTreeMap<i32, f64> = periods
        .into_iter()
        .filter(|(_, v)| v.len() >= COMMON_MIN)
        .filter_map(|(period, mut v)| Some((period, median_of(&mut v)?)))
        .collect();
    for b in rows.iter_mut().flatten() {
        b.value -= medians.get(&at(b)).copied().unwrap_or(0.0);
    }
    rows
}

/// Blocks of `days` days; `None` leaves each use a block of its own.
pub(super) fn blocks(rows: &[Beyond], days: Option<i32>) -> Vec<Block> {
    let single = |b: &Beyond| Block { day: b.middle(), weight: b.weight, mean: b.value };
    match days {
        None => rows.iter().map(single).collect(),
        Some(days) => {
            let values: Vec<_> = rows.iter().map(|b| (b.middle(), b.weight, b.value)).collect();
            by_period(&values, f64::from(days))
        }
    }
}
