//! The life of one vehicle, day by day, as the analysis gets to see it.

use super::super::settings::{Nuisances, TrialSettings};
use super::climate::Climate;
use super::driving::{Drive, Habits};
use super::engine::Engine;
use super::fault::Fault;
use super::misfiring::Misfiring;
use super::nuisance::Disturbance;
use super::random::{Rng, Wander, chance, event_days, lognormal, normal, poisson, stream, uniform};
use super::repair::Plan;
use super::within_drives::Slopes;
use super::workshop::{Tank, records};
use super::{FIRST_DAY, Truth, becomes_faulty};
use crate::tables::days::{Day, DayBand, Reading, Sum};
use crate::tables::fleet::{AirMetering, Refuel, ServiceRecord, Vehicle};

/// All that is left of a vehicle's life.
#[derive(Debug)]
pub(super) struct Life {
    pub(super) vehicle: Vehicle,
    pub(super) rows: Vec<Day>,
    pub(super) services: Vec<ServiceRecord>,
    pub(super) refuels: Vec<Refuel>,
    pub(super) truth: Truth,
}

/// How much of each band a vehicle shows: share of days, samples on such a day, usual airflow.
#[derive(Debug, Clone, Copy)]
struct BandHabit {
    seen: f64,
    samples: f64,
    m: f64,
}

/// Spread of single samples around the day's trim, percent, and how many samples in a row say the same.
const WITHIN_DAY_SD: f64 = 3.0;
const ALIKE_SAMPLES: f64 = 15.0;

/// Lives through `days` days.
pub(super) fn live(
    settings: &TrialSettings,
    seed: u64,
    index: usize,
    engine: &Engine,
    climate: &Climate,
    days: i32,
) -> Life {
    let n = &settings.nuisances;
    let mut rng = stream(seed, Some(index), 0);
    let bands = band_habits(engine, &mut rng);
    let mut logging = stream(seed, Some(index), 10);
    let joined = FIRST_DAY + uniform(0.0, n.joins_within_days, &mut logging) as i32;
    let fault = becomes_faulty(settings, seed, index).then(|| {
        let mut rng = stream(seed, Some(index), 2);
        let onset = FIRST_DAY + (uniform(0.1, 0.7, &mut rng) * f64::from(days)) as i32;
        // What was wrong before the logs began cannot be seen to grow.
        let onset = if joined > FIRST_DAY { onset.max(joined + 90) } else { onset };
        Fault::draw(
            engine,
            settings.rate_pct_per_10000km,
            onset,
            (bands[0].m, bands[2].m),
            &mut rng,
        )
    });
    let plan = fault.as_ref().and_then(|f| {
        let mut rng = stream(seed, Some(index), 9);
        let goes = chance(settings.share_repaired, &mut rng);
        Plan::draw(f.kind, &mut rng).filter(|_| goes)
    });
    let name = format!("v{index:04}");
    let odometer_km = uniform(5_000.0, 120_000.0, &mut rng);
    let vehicle = Vehicle {
        vehicle: name.clone(),
        engine_family: engine.name.clone(),
        displacement_l: Some(engine.displacement_l),
        cylinders: engine.cylinders,
        banks: engine.banks,
        air_metering: engine.air,
        injection: engine.injection,
        fuel: "E10".to_owned(),
        hybrid: engine.hybrid,
        depot: format!("depot-{}", index % 3),
        plugs_changed_km: chance(0.6, &mut rng)
            .then(|| odometer_km - uniform(0.0, 40_000.0, &mut rng).min(odometer_km)),
    };
    let mut body = Body::draw(n, engine, bands, days, climate.noise_skew, seed, index);
    let mut truth = Truth {
        economy_per_severity: fault.as_ref().map_or(0.0, Fault::economy_per_severity),
        fault,
        repair: None,
        joined,
        km: Vec::with_capacity(days as usize),
        bands: bands.map(|b| (b.m, b.seen)),
        steps: body
            .trims
            .steps
            .iter()
            .map(|s| (FIRST_DAY + s.day, s.size, s.end.map(|d| FIRST_DAY + d)))
            .collect(),
    };
    let mut rows = Vec::new();
    let mut refuels = Vec::new();
    let mut tank = Tank::draw(&mut rng);
    let mut odometer = odometer_km;
    let mut severity_km = 0.0;
    for day in 0..days {
        let date = FIRST_DAY + day;
        let grown = |km: f64| {
            let fault = truth.fault.as_ref().filter(|f| date >= f.onset);
            fault.map_or(0.0, |f| f.severity(km))
        };
        let mut severity = grown(severity_km);
        if let Some(plan) = plan.filter(|_| truth.repair.is_none())
            && let Some(repair) = plan.carried_out(severity, date)
        {
            severity_km *= repair.left;
            severity = grown(severity_km);
            truth.repair = Some(repair);
            if plan.resets {
                body.trims.reset(day);
            }
        }
        let economy = 1.0 + truth.economy_per_severity * severity / 100.0;
        let drive =
            body.habits.day(engine, climate.ambient_c[day as usize], economy, &mut body.driving);
        if let Some(drive) = drive {
            odometer += drive.km;
            if truth.fault.as_ref().is_some_and(|f| date > f.onset) {
                severity_km += drive.km;
            }
            refuels.extend(tank.burn(drive.litres, &name, date, odometer, &mut rng));
        }
        truth.km.push(odometer - odometer_km);
        let row = body.row(engine, climate, truth.fault.as_ref(), severity, day, drive, odometer);
        rows.extend(row.filter(|_| date >= joined && !chance(n.unlogged_days_share, &mut logging)));
    }
    let absolute: Vec<f64> = truth.km.iter().map(|k| k + odometer_km).collect();
    let mut services =
        records(n, &name, &body.trims.steps, &body.trims.resets, &absolute, &mut rng);
    if let Some((plan, repair)) = plan.zip(truth.repair) {
        let odometer_km = Some(absolute[(repair.day - FIRST_DAY) as usize]);
        let (vehicle, service) = (name, plan.service);
        services.push(ServiceRecord { day: repair.day, vehicle, odometer_km, service, cost: None });
    }
    Life { vehicle, rows, services, refuels, truth }
}

fn band_habits(engine: &Engine, rng: &mut Rng) -> [BandHabit; 3] {
    let m = [uniform(0.85, 1.25, rng), uniform(2.3, 4.0, rng), uniform(7.0, 11.0, rng)];
    let busy = lognormal(1.0, 0.3, rng);
    let habit = |seen, samples: f64, m| BandHabit { seen, samples: samples * busy, m };
    if engine.single_series {
        return [habit(0.0, 0.0, m[0]), habit(1.0, 900.0, m[1]), habit(0.0, 0.0, m[2])];
    }
    let idle = if engine.hybrid { habit(0.12, 12.0, m[0]) } else { habit(0.97, 260.0, m[0]) };
    [idle, habit(0.995, 900.0, m[1]), habit(uniform(0.55, 0.95, rng), 45.0, m[2])]
}

/// Everything of a vehicle that moves from day to day; each part draws from its own stream.
#[derive(Debug)]
struct Body {
    bands: [BandHabit; 3],
    habits: Habits,
    driving: Rng,
    trims: Disturbance,
    trim_draws: Rng,
    misfiring: Misfiring,
    misfire_draws: Rng,
    slopes: Slopes,
    throttle: Wander,
    breathing: Wander,
    warmup: Wander,
    warmup_level: f64,
    others: Rng,
    relearn_shift: f64,
    gaps: Vec<(i32, i32)>,
    odometer_seen: f64,
    counters: bool,
    km_since_clear: f64,
    warmups_since_clear: f64,
}

impl Body {
    fn draw(
        n: &Nuisances,
        engine: &Engine,
        bands: [BandHabit; 3],
        days: i32,
        noise_skew: f64,
        seed: u64,
        index: usize,
    ) -> Body {
        let mut own = stream(seed, Some(index), 3);
        let mut driving = stream(seed, Some(index), 4);
        let mut trim_draws = stream(seed, Some(index), 5);
        let mut misfire_draws = stream(seed, Some(index), 6);
        let mut others = stream(seed, Some(index), 7);
        let gaps = event_days(n.data_gaps_per_year, days, &mut own)
            .into_iter()
            .map(|day| (day, day + uniform(7.0, 28.0, &mut own) as i32))
            .collect();
        let missing = n.odometer_missing_share;
        Body {
            bands,
            habits: Habits::draw(n.economy_wander_pct, &mut driving),
            trims: Disturbance::draw(
                n,
                engine.banks,
                engine.single_series,
                days,
                noise_skew,
                &mut trim_draws,
            ),
            misfiring: Misfiring::draw(engine, n.misfire_bursts_per_1000_days, &mut misfire_draws),
            driving,
            trim_draws,
            misfire_draws,
            slopes: Slopes::draw(
                n,
                WITHIN_DAY_SD * ALIKE_SAMPLES.sqrt(),
                stream(seed, Some(index), 8),
            ),
            throttle: Wander::new(
                0.5,
                uniform(0.08, 0.25, &mut others),
                f64::INFINITY,
                &mut others,
            ),
            breathing: Wander::new(0.5, uniform(0.8, 2.0, &mut others), f64::INFINITY, &mut others),
            warmup: Wander::new(0.5, uniform(0.8, 2.2, &mut others), f64::INFINITY, &mut others),
            warmup_level: uniform(-1.0, 4.0, &mut others),
            others,
            relearn_shift: 0.0,
            gaps,
            odometer_seen: if chance(missing, &mut own) { 0.0 } else { 1.0 - missing },
            counters: chance(0.7, &mut own),
            km_since_clear: uniform(0.0, 30_000.0, &mut own),
            warmups_since_clear: 255.0,
        }
    }

    /// The day's row; `None` without a trip or without data of it. Noises go on either way.
    #[expect(clippy::too_many_arguments, reason = "one day of one vehicle is all of these")]
    fn row(
        &mut self,
        engine: &Engine,
        climate: &Climate,
        fault: Option<&Fault>,
        severity: f64,
        day: i32,
        drive: Option<Drive>,
        odometer: f64,
    ) -> Option<Day> {
        let m = self.bands.map(|b| b.m * (1.0 + 0.06 * normal(&mut self.others)));
        let of_fault =
            |bank: usize, band: usize| fault.map_or(0.0, |f| f.trim(severity, bank, m[band]));
        let common = climate.trim[day as usize];
        let y = self.trims.trims(day, common, drive.is_some(), &of_fault, &mut self.trim_draws);
        let moves = [&mut self.throttle, &mut self.breathing, &mut self.warmup]
            .map(|w| w.next(&mut self.others));
        if self.trims.reset_on(day) {
            self.km_since_clear = 0.0;
            self.warmups_since_clear = 0.0;
            self.relearn_shift = 0.15 * normal(&mut self.others);
        }
        let drive = drive?;
        let cleared_at = (self.km_since_clear, self.warmups_since_clear);
        self.km_since_clear = (self.km_since_clear + drive.km).min(65_535.0);
        self.warmups_since_clear = (self.warmups_since_clear + f64::from(drive.trips)).min(255.0);
        let trim_now = y[0][1];
        let bands = self.bands(engine, &y, &m, drive);
        let ambient = climate.ambient_c[day as usize];
        let added = fault.map_or((0.0, 0.0, 0.0), |f| f.misfires(severity));
        let cylinder = fault.map_or(0, |f| f.cylinder);
        let revs = (drive.revs_warm, drive.revs_cold);
        let misfires = self.misfiring.day(revs, added, cylinder, &mut self.misfire_draws);
        let odometer_logged = chance(self.odometer_seen, &mut self.others);
        let [throttle, breathing, warmup] =
            self.side_readings(engine, fault, severity, moves, ambient, trim_now);
        if self.gaps.iter().any(|g| (g.0..g.1).contains(&day)) {
            return None;
        }
        let mut row = Day::default();
        row.day = FIRST_DAY + day;
        row.trips = drive.trips;
        row.rows = drive.seconds as u32;
        row.gated = bands[0].iter().map(|b| b.n as u32).sum();
        row.km = drive.km;
        row.seconds = drive.seconds;
        row.stops = drive.stops;
        row.fuel_l = drive.litres
            * if engine.fuel_from_airflow {
                fault.map_or(1.0, |f| f.fuel_reading(of_fault(0, 1)))
            } else {
                1.0
            };
        row.fuel_km = drive.km;
        row.fuel_from_airflow = engine.fuel_from_airflow;
        row.odometer_km = if odometer_logged { odometer.floor() } else { f64::NAN };
        row.ambient_c.n = 1;
        row.ambient_c.sum = ambient;
        row.start_coolant_c.n = drive.trips;
        row.start_coolant_c.sum = drive.start_coolant_c * f64::from(drive.trips);
        if self.counters {
            row.km_since_clear = reading(cleared_at.0, self.km_since_clear);
            row.warmups_since_clear = reading(cleared_at.1, self.warmups_since_clear);
        }
        if engine.counts_misfires {
            (row.counted_revs_warm, row.counted_revs_cold) = revs;
            row.misfires = misfires;
        }
        for (bank, bands) in bands.into_iter().enumerate().take(engine.banks) {
            row.bank_mut(bank).bands = bands;
        }
        if !engine.single_series {
            let trim = |bank: usize, m: f64| fault.map_or(0.0, |f| f.trim(severity, bank, m));
            let slopes = self.slopes.day(&bands, &trim);
            for (bank, within) in slopes.into_iter().enumerate().take(engine.banks) {
                row.bank_mut(bank).within = within;
            }
            row.idle_throttle_pct = throttle;
            row.breathing_pct = breathing;
            row.warmup_y = warmup;
        }
        Some(row)
    }

    fn bands(
        &mut self,
        engine: &Engine,
        y: &[[f64; 3]; 2],
        m: &[f64; 3],
        drive: Drive,
    ) -> [[DayBand; 3]; 2] {
        let mut out = [[DayBand::default(); 3]; 2];
        let length = (drive.km / 58.0).powf(0.7);
        for band in 0..3 {
            let habit = self.bands[band];
            let seen = chance(habit.seen, &mut self.others);
            let samples =
                poisson(lognormal(habit.samples * length, 0.6, &mut self.others), &mut self.others);
            for bank in 0..2 {
                let error = WITHIN_DAY_SD
                    * (ALIKE_SAMPLES / samples.max(ALIKE_SAMPLES)).sqrt()
                    * normal(&mut self.others);
                if seen && samples > 0.0 && bank < engine.banks {
                    let error = if engine.single_series { 0.0 } else { error };
                    out[bank][band] = DayBand {
                        n: samples,
                        y: samples * (y[bank][band] + error),
                        m: samples * m[band],
                    };
                }
            }
        }
        out
    }

    /// Throttle angle at idle, breathing at full load, trim while warming up.
    fn side_readings(
        &mut self,
        engine: &Engine,
        fault: Option<&Fault>,
        severity: f64,
        moves: [f64; 3],
        ambient: f64,
        hot_trim: f64,
    ) -> [Sum; 3] {
        let rng = &mut self.others;
        let angle = engine.idle_throttle_pct
            + moves[0]
            + self.relearn_shift
            + 0.004 * (ambient - 11.0)
            + fault.map_or(0.0, |f| f.idle_throttle(severity));
        let idles = if engine.hybrid { poisson(0.5, rng) } else { poisson(120.0, rng) };
        let from_sensor = engine.air == AirMetering::Maf;
        let air = (engine.breathing_pct + moves[1] - 0.08 * (ambient - 11.0))
            * (1.0 + fault.map_or(0.0, |f| f.breathing(severity, from_sensor)) / 100.0)
            + 1.5 * normal(rng);
        let full_loads = poisson(2.0, rng);
        let gap = self.warmup_level
            + moves[2]
            + 0.06 * (11.0 - ambient).max(-10.0)
            + fault.map_or(0.0, |f| f.warmup_gap(severity))
            + 0.8 * normal(rng);
        let warms_up = poisson(60.0, rng);
        [(idles, angle), (full_loads, air), (warms_up, hot_trim + gap)]
            .map(|(n, mean)| Sum { n: n as u32, sum: n * mean })
    }
}

fn reading(first: f64, last: f64) -> Reading {
    let mut r = Reading::default();
    (r.first, r.last) = (first as f32, last as f32);
    (r.min, r.max) = (first as f32, last as f32);
    r
}
