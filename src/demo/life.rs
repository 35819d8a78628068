//! The life of one vehicle: its days, trips, tank, workshop visits, and the log files they leave.
//!
//! In: plan, settings, climate, the vehicle's own random stream. Out: log files in `logs/`, and what goes
//! into the fleet's tables. Only some trips are logged; the rest of a day's distance is driven unlogged,
//! so the odometer and the since-clear counters jump between logged trips, as with a logger that sends
//! a sample.

use super::DemoError;
use super::calendar::span_name;
use super::climate::{Climate, DEPOTS, Fuel};
use super::drive::Driver;
use super::logfile::LogFile;
use super::logger::Logger;
use super::mixture::{Control, Errors, demanded_log};
use super::plan::{Plan, Trap};
use super::powertrain::Surroundings;
use super::random::{Ar1, Rng, chance, normal, poisson, stream, uniform};
use super::settings::DemoSettings;
use super::trip::{Conditions, Outcome, SinceClear, Standing, drive};
use crate::tables::fleet::{Refuel, Service, ServiceRecord};
use std::path::Path;

/// What a vehicle's life came to.
#[derive(Debug, Default)]
pub(super) struct Life {
    pub(super) services: Vec<ServiceRecord>,
    pub(super) refuels: Vec<Refuel>,
    pub(super) trips: u64,
    pub(super) rows: u64,
    pub(super) files: u64,
    pub(super) bytes: u64,
    /// Shown odometer at the onset of the fault.
    pub(super) onset_km: Option<f64>,
    /// Size of the fault on the last day.
    pub(super) size: f64,
    /// What the fault alone asks of the trims on the last day: bank, then idle, cruise (4 times idle
    /// airflow) and load (10 times), log-percent.
    pub(super) shift_pct: [[f64; 3]; 2],
    pub(super) last_km: f64,
}

/// Share of days with driving: five days of seven and few of a weekend, less holidays.
const DRIVING_SHARE: f64 = 0.74;

struct Living<'a> {
    plan: &'a Plan,
    settings: &'a DemoSettings,
    climate: &'a Climate,
    rng: Rng,
    car: Standing<'a>,
    logger: Logger,
    file: LogFile<'a>,
    life: Life,
    tank: Fuel,
    litres: f64,
    /// Recent consumption, litres per km, for distance without a log.
    litres_per_km: f64,
    slow_noise: Ar1,
    bank_noise: [Ar1; 2],
    /// Sensor and repair steps so far, natural logarithm.
    step_log: f64,
    /// Day index of the trip before.
    last_trip: usize,
    onset_km: Option<f64>,
    cleaned_km: Option<f64>,
}

/// Simulates the vehicle with number `index` and writes its logs below `dir`.
pub(super) fn live(
    dir: &Path,
    index: usize,
    plan: &Plan,
    settings: &DemoSettings,
    climate: &Climate,
) -> Result<Life, DemoError> {
    let mut rng = stream(settings.seed, 1 + index as u64);
    let slow_noise = Ar1::new(0.6, 1.0, &mut rng);
    let bank_noise = [Ar1::new(0.6, 0.003, &mut rng), Ar1::new(0.6, 0.003, &mut rng)];
    let since_clear = SinceClear {
        km: uniform(3_000.0, 12_000.0, &mut rng),
        warmups: uniform(90.0, 250.0, &mut rng),
        minutes: uniform(6_000.0, 20_000.0, &mut rng),
    };
    let car = Standing {
        family: plan.family,
        control: Control::new(plan.family),
        km: plan.start_km,
        shown_offset_km: 0.0,
        since_clear,
        canister: 0.5,
        soc_pct: 60.0,
        ethanol: Fuel::REFERENCE.ethanol,
    };
    let logger = plan.logger();
    let mut living = Living {
        plan,
        settings,
        climate,
        rng,
        file: LogFile::new(dir, &plan.name, settings.gzip, logger.header.clone()),
        logger,
        car,
        life: Life::default(),
        tank: climate.pump(plan.joins, plan.depot),
        litres: 0.6 * plan.family.tank_l,
        litres_per_km: 0.05 + 0.012 * plan.family.displacement_l,
        slow_noise,
        bank_noise,
        step_log: 0.0,
        last_trip: plan.joins,
        onset_km: None,
        cleaned_km: None,
    };
    // Long since learned when the first log begins.
    let errors = living.errors(plan.joins, 0.0);
    living.car.control.settle(1_000.0, &errors);
    for day in plan.joins..settings.days {
        living.day(day)?;
    }
    living.finish()
}

impl Living<'_> {
    fn day(&mut self, index: usize) -> Result<(), DemoError> {
        if self.plan.planted.is_some_and(|p| p.onset == index) {
            self.onset_km = Some(self.car.km);
            self.life.onset_km = Some(self.shown_km());
        }
        self.workshop(index);
        let weekend = (self.settings.first_day + index as i32 + 3).rem_euclid(7) >= 5;
        // Sums to DRIVING_SHARE over a week: 5 x 0.94 + 2 x 0.24.
        if !chance(if weekend { 0.24 } else { 0.94 }, &mut self.rng) {
            self.car.canister = (self.car.canister + 0.25).min(1.0);
            return Ok(());
        }
        let span = span_name(
            self.settings.first_day + index as i32,
            self.settings.first_day,
            self.settings.file_span,
        );
        let bytes = self.file.turn_to(&span)?;
        self.life.bytes += bytes;
        let km_today = self.plan.km_per_day * (0.25 * normal(&mut self.rng)).exp();
        let trips = self.trips_today();
        let (shortest, longest) = self.settings.trip_minutes;
        let logged_km = trips as f64 * 0.5 * (shortest + longest) * 0.75;
        let gap_km = (km_today - logged_km).max(0.0) / (trips + 1) as f64;
        let mut hour = uniform(6.0, 7.5, &mut self.rng);
        // Out of the workshop with the battery just back on, the logged trip comes first.
        let relearns = self.car.since_clear.km == 0.0;
        self.unlogged(if relearns { 0.0 } else { gap_km }, index);
        for turn in 0..trips {
            hour += gap_km / 45.0 + uniform(0.1, 0.8, &mut self.rng);
            // Never into the next day, never over the trip before.
            let latest = 23.0 - (trips - turn) as f64 * longest / 60.0;
            let start = hour.min(latest);
            let minutes = uniform(shortest, longest, &mut self.rng);
            self.trip(index, start, minutes, turn == 0);
            hour = start + minutes / 60.0 + 0.02;
            self.unlogged(gap_km, index);
        }
        Ok(())
    }

    fn trips_today(&mut self) -> usize {
        let mean = self.settings.trips_per_day / DRIVING_SHARE;
        if mean < 1.0 {
            return usize::from(chance(mean, &mut self.rng));
        }
        (1 + poisson(mean - 1.0, &mut self.rng) as usize).min(12)
    }

    /// The errors of air meter and fuel path on a day, with `noise` in standard deviations of trip means.
    fn errors(&self, index: usize, noise: f64) -> Errors {
        let plan = self.plan;
        let season = plan.family.season_pct_per_10k / 100.0
            * (self.climate.weather(index).mean_c - 10.0)
            / 10.0;
        let common = self.step_log - season * plan.season_gain + noise * plan.trip_sd;
        let size = plan.size(index, self.car.km, self.onset_km, self.cleaned_km);
        let assumed = if plan.family.ethanol_sensor {
            Fuel { ethanol: self.tank.ethanol, ..Fuel::REFERENCE }
        } else {
            Fuel::REFERENCE
        };
        Errors {
            effects: plan.effects(size),
            bank_log: plan.level_log.map(|level| level + common),
            tilt_log: 0.0,
            afr_ratio: self.tank.afr() / assumed.afr(),
            density_factor: self.tank.injector_mass(),
        }
    }

    fn trip(&mut self, index: usize, hour: f64, minutes: f64, first: bool) {
        let gap = if index > self.last_trip { (index - self.last_trip) as f64 } else { 0.2 };
        self.last_trip = index;
        let noise = self.slow_noise.next(gap, &mut self.rng);
        let white = normal(&mut self.rng);
        // Four fifths of the variance lasts for days, one fifth is the trip's own.
        let mut errors = self.errors(index, 0.894 * noise + 0.447 * white);
        for (log, noise) in errors.bank_log.iter_mut().zip(&mut self.bank_noise) {
            *log += noise.next(gap, &mut self.rng);
        }
        errors.tilt_log = 0.004 * normal(&mut self.rng);
        let weather = self.climate.weather(index);
        let ambient_c = weather.ambient_c(hour);
        let baro_kpa = weather.baro_kpa(DEPOTS[self.plan.depot].altitude_m);
        let cold = chance(if first { 0.35 } else { 0.08 }, &mut self.rng);
        let coolant_c = if cold { ambient_c + 2.0 } else { uniform(55.0, 86.0, &mut self.rng) };
        let day_s = i64::from(self.settings.first_day + index as i32) * 86_400;
        let conditions = Conditions {
            start_s: day_s + (hour * 3600.0) as i64,
            around: Surroundings { ambient_c, baro_kpa },
            coolant_c,
            errors,
            unrest: (0.8 * normal(&mut self.rng)).exp(),
            period_s: self.settings.sample_period_s,
        };
        let mut driver = Driver::plan(minutes, self.plan.urban, &mut self.rng);
        self.life.trips += 1;
        let names = format!("{0},{0}-{1:05}", self.plan.name, self.life.trips);
        self.car.ethanol = self.tank.ethanol;
        let (logger, file) = (&self.logger, &mut self.file);
        let outcome = drive(
            &mut self.car,
            &mut driver,
            &conditions,
            &mut self.rng,
            &mut |time, values, rng| {
                // Now and then one response does not come.
                let lost =
                    chance(0.003, rng).then(|| uniform(0.0, logger.width() as f64, rng) as usize);
                logger.row(file.buffer(), time, &names, values, lost);
            },
        );
        self.life.rows += outcome.rows;
        self.burn(outcome, index);
    }

    fn burn(&mut self, trip: Outcome, index: usize) {
        let litres = trip.fuel_g / (1000.0 * self.tank.density);
        if trip.km > 1.0 {
            self.litres_per_km += 0.1 * (litres / trip.km - self.litres_per_km);
        }
        self.drink(litres, index);
    }

    /// Distance without a log.
    fn unlogged(&mut self, km: f64, index: usize) {
        if km <= 0.0 {
            return;
        }
        let minutes = km / 0.8 * if self.plan.family.hybrid { 0.6 } else { 1.0 };
        self.car.advance(km, minutes);
        // A warm-up about every 45 km.
        self.car.since_clear.warmups += km / 45.0;
        let errors = self.errors(index, 0.0);
        self.car.control.settle(km, &errors);
        self.drink(km * self.litres_per_km, index);
        self.car.canister = (self.car.canister + uniform(0.05, 0.3, &mut self.rng)).min(1.0);
    }

    fn drink(&mut self, litres: f64, index: usize) {
        self.litres = (self.litres - litres).max(0.0);
        let tank_l = self.plan.family.tank_l;
        if self.litres > 0.25 * tank_l {
            return;
        }
        let full = chance(0.85, &mut self.rng);
        let room = tank_l - self.litres;
        let bought = if full { room } else { room * uniform(0.3, 0.8, &mut self.rng) };
        let mut fuel = self.climate.pump(index, self.plan.depot);
        if self.plan.trap == Trap::WinterFuel && fuel.density < 0.74 {
            // A cheaper blend in the winter half-year: 8 % becomes 14 %.
            fuel.ethanol += 0.06;
        }
        self.tank = self.tank.mixed(self.litres, &fuel, bought);
        self.litres += bought;
        let shown = self.shown_km();
        self.life.refuels.push(Refuel {
            day: self.settings.first_day + index as i32,
            vehicle: self.plan.name.clone(),
            odometer_km: chance(0.95, &mut self.rng).then_some(shown.round()),
            litres: (bought * (1.0 + 0.004 * normal(&mut self.rng)) * 100.0).round() / 100.0,
            full,
        });
    }

    fn shown_km(&self) -> f64 {
        self.car.km + self.car.shown_offset_km
    }

    /// Visits to the workshop and other events at the start of a day.
    fn workshop(&mut self, index: usize) {
        let plan = self.plan;
        let half = self.settings.days / 2;
        if plan.planted.is_some_and(|p| p.cleaned == Some(index)) {
            self.cleaned_km = Some(self.car.km);
            self.record(index, Service::InjectorCleaning, 320.0);
            self.clear();
        }
        match plan.trap {
            Trap::BatteryReset if index == half => {
                self.record(index, Service::BatteryDisconnect, 0.0);
                self.clear();
            }
            Trap::FutileCleaning if index == half => {
                self.record(index, Service::InjectorCleaning, 320.0)
            }
            Trap::OdometerRollback if index == half => self.car.shown_offset_km = -25_000.0,
            _ => {}
        }
        let sample = plan.lean;
        // Twice a year some repair; one in ten moves a sensor by a percent or two. Half as often the
        // battery comes off, and not everyone writes it down (common practice, no source).
        if chance(2.0 / 365.0, &mut self.rng) {
            let kinds =
                [(Service::Other, 180.0), (Service::AirFilter, 45.0), (Service::FuelFilter, 90.0)];
            let (service, cost) = kinds[uniform(0.0, 3.0, &mut self.rng) as usize];
            self.record(index, service, cost);
            if chance(0.1, &mut self.rng) && !sample {
                let sign = if chance(0.5, &mut self.rng) { 1.0 } else { -1.0 };
                self.step_log += sign * uniform(0.008, 0.022, &mut self.rng);
            }
        }
        if chance(0.4 / 365.0, &mut self.rng) && !sample {
            if chance(0.6, &mut self.rng) {
                self.record(index, Service::BatteryDisconnect, 0.0);
            }
            self.clear();
        }
    }

    fn clear(&mut self) {
        self.car.control.forget();
        self.car.since_clear = SinceClear::default();
    }

    fn record(&mut self, index: usize, service: Service, cost: f64) {
        let cost = cost * uniform(0.85, 1.2, &mut self.rng);
        let record = ServiceRecord {
            day: self.settings.first_day + index as i32,
            vehicle: self.plan.name.clone(),
            odometer_km: Some(self.shown_km().round()),
            service,
            cost: Some(cost.round()),
        };
        self.life.services.push(record);
    }

    fn finish(mut self) -> Result<Life, DemoError> {
        self.life.bytes += self.file.close()?;
        self.life.files = self.file.files;
        let last = self.settings.days - 1;
        let mut errors = self.errors(last, 0.0);
        self.life.size = self.plan.size(last, self.car.km, self.onset_km, self.cleaned_km);
        self.life.last_km = self.shown_km();
        let faulty = errors.effects.clone();
        for bank in 0..self.plan.family.banks {
            for (slot, multiple) in [1.0, 4.0, 10.0].into_iter().enumerate() {
                let mut demand = |effects| {
                    errors.effects = effects;
                    demanded_log(self.plan.family, &errors, bank, multiple)
                };
                let shift = demand(faulty.clone()) - demand(Default::default());
                self.life.shift_pct[bank][slot] = 100.0 * shift;
            }
        }
        Ok(self.life)
    }
}
