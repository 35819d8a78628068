//! The trip being built: one row at a time into sums.

use super::airflow::{airflow_gs, breathing_pct};
use super::gate::{GateMemory, Loop, purge_closed};
use super::{Condensed, Engine, Row};
use crate::settings::GateSettings;
use crate::tables::samples::{MAX_CYLINDERS, Signal};
use crate::tables::trips::{AirSource, BANKS, Band, BandSums, Trip};

/// Stoichiometric air-fuel mass ratio of petrol with 10 % ethanol (US DOE alternative fuels table, 14.1).
const AIR_FUEL_RATIO: f64 = 14.1;

/// Density of petrol, g/L (US DOE: specific gravity 0.72 to 0.78).
const PETROL_GL: f64 = 745.0;

/// Coolant range in which the warm-up trim is judged, °C: closed loop has begun, the port is cold
/// (common practice, no source).
const WARM_UP_C: std::ops::Range<f64> = 15.0..60.0;

/// Trims and the signal pairs of the two banks.
const TRIMS: [(Signal, Signal); BANKS] =
    [(Signal::Stft1Pct, Signal::Ltft1Pct), (Signal::Stft2Pct, Signal::Ltft2Pct)];

#[derive(Debug)]
pub(super) struct OpenTrip {
    trip: Trip,
    engine: Engine,
    gate_memory: GateMemory,
    last_us: i64,
    was_moving: bool,
    /// Oldest and newest state of the source that has rows of it.
    states: Option<(u32, u32)>,
    fuel_known: bool,
}

impl OpenTrip {
    pub(super) fn new(vehicle: &str, trip: &str, engine: Engine, recipe: String) -> OpenTrip {
        let trip = Trip {
            vehicle: vehicle.to_owned(),
            trip: trip.to_owned(),
            recipe,
            start_coolant_c: f64::NAN,
            odometer_km: f64::NAN,
            km_since_clear: [f64::NAN; 2],
            warmups_since_clear: [f64::NAN; 2],
            min_since_clear: [f64::NAN; 2],
            ..Trip::default()
        };
        OpenTrip {
            trip,
            engine,
            gate_memory: GateMemory::new(),
            last_us: i64::MIN,
            was_moving: false,
            states: None,
            fuel_known: false,
        }
    }

    pub(super) fn trip_name(&self) -> &str {
        &self.trip.trip
    }

    /// The trip, or `None` if nothing about it is new.
    pub(super) fn finish(mut self) -> Option<Condensed> {
        if !self.fuel_known {
            self.trip.fuel_l = f64::NAN;
        }
        let (oldest, state) = self.states.filter(|(_, newest)| *newest > 0)?;
        Some(Condensed { trip: self.trip, state, continued: oldest < state })
    }

    /// Takes the next row, which came with that state of the source.
    pub(super) fn push(&mut self, gate: &GateSettings, row: &Row, state: u32) {
        let since_last = (row.time_us.saturating_sub(self.last_us)) as f64 / 1e6;
        let dt = if since_last > 0.0 && since_last <= gate.gap_s { since_last } else { 0.0 };
        self.last_us = row.time_us;

        let turns = self.gate_memory.engine_turns(row, gate);
        let (airflow, air_source) = airflow_gs(row, &self.engine, gate);
        let loop_state = self.gate_memory.loop_state(row);
        let steady = self.gate_memory.steady(row, airflow, gate);
        let speed = row.get(Signal::SpeedKmh);
        let moving = speed > gate.idle_speed_max_kmh;
        let came_to_stand = self.was_moving && speed <= gate.idle_speed_max_kmh;
        if speed.is_finite() {
            self.was_moving = moving;
        }
        let (oldest, newest) = self.states.unwrap_or_else(|| {
            (self.trip.start_us, self.trip.end_us) = (row.time_us, row.time_us);
            (state, state)
        });
        self.states = Some((oldest.min(state), newest.max(state)));
        // A clock may have been set back.
        self.trip.start_us = self.trip.start_us.min(row.time_us);
        self.trip.end_us = self.trip.end_us.max(row.time_us);
        self.trip.rows += 1;
        if air_source != AirSource::None {
            self.trip.air_source = air_source;
        }
        self.add_driving(row, dt, turns, moving, came_to_stand);
        self.add_counters(row);
        if turns {
            self.add_engine(gate, row, dt, airflow);
        }

        let closed = loop_state != Loop::Open;
        let coolant = row.get(Signal::CoolantC);
        let warm = coolant >= gate.warm_coolant_c;
        if turns
            && closed
            && !warm
            && WARM_UP_C.contains(&coolant)
            && let Some(y) = total_trim(row, TRIMS[0])
        {
            self.trip.warmup_y.push(y);
        }
        let passes = turns
            && closed
            && warm
            && steady
            && purge_closed(row, gate)
            && self.gate_memory.past_start(row, gate);
        if passes {
            self.add_gated(gate, row, airflow, loop_state);
        }
    }

    fn add_driving(&mut self, row: &Row, dt: f64, turns: bool, moving: bool, stand: bool) {
        let t = &mut self.trip;
        t.seconds += dt;
        let speed = row.get(Signal::SpeedKmh);
        if speed.is_finite() {
            t.km += speed * dt / 3600.0;
        }
        if turns {
            t.engine_s += dt;
            if !moving {
                t.idle_s += dt;
            }
        }
        if stand {
            t.stops += 1.0;
        }
        for signal in [Signal::AmbientC, Signal::IntakeC] {
            let c = row.get(signal);
            if c.is_finite() {
                t.ambient_c.push(c);
                break;
            }
        }
        let ethanol = row.get(Signal::EthanolPct);
        if ethanol.is_finite() {
            t.ethanol_pct.push(ethanol);
        }
    }

    fn add_counters(&mut self, row: &Row) {
        let t = &mut self.trip;
        let odometer = row.get(Signal::OdometerKm);
        if odometer.is_finite() {
            t.odometer_km = odometer;
        }
        for (signal, ends) in [
            (Signal::KmSinceClear, &mut t.km_since_clear),
            (Signal::WarmupsSinceClear, &mut t.warmups_since_clear),
            (Signal::MinSinceClear, &mut t.min_since_clear),
        ] {
            let value = row.get(signal);
            if value.is_finite() {
                if ends[0].is_nan() {
                    ends[0] = value;
                }
                ends[1] = value;
            }
        }
    }

    fn add_engine(&mut self, gate: &GateSettings, row: &Row, dt: f64, airflow: f64) {
        let t = &mut self.trip;
        let coolant = row.get(Signal::CoolantC);
        if t.start_coolant_c.is_nan() && coolant.is_finite() {
            t.start_coolant_c = coolant;
        }
        let warm = coolant >= gate.warm_coolant_c;
        let revs = row.get(Signal::Rpm) / 60.0 * dt;
        *(if warm { &mut t.revs_warm } else { &mut t.revs_cold }) += revs;
        let counts = if warm { &mut t.misfire_warm } else { &mut t.misfire_cold };
        let first = Signal::MisfireC1 as usize;
        for (total, n) in counts.iter_mut().zip(&row.values[first..first + MAX_CYLINDERS]) {
            if n.is_finite() {
                *total += n;
                t.has_misfire = true;
            }
        }
        let rate = row.get(Signal::FuelRateLh);
        if rate.is_finite() {
            t.fuel_l += rate * dt / 3600.0;
            self.fuel_known = true;
        } else if airflow.is_finite() {
            let cut = row.get(Signal::FuelStatus) == 4.0 && row.get(Signal::LoadPct) < 20.0;
            t.fuel_l += if cut { 0.0 } else { airflow / AIR_FUEL_RATIO / PETROL_GL * dt };
            t.fuel_from_airflow = true;
            self.fuel_known = true;
        }
        if row.get(Signal::Rpm) >= gate.breathing_rpm_min
            && row.get(Signal::LoadPct) >= gate.breathing_load_min_pct
            && warm
        {
            let b = breathing_pct(row, airflow, &self.engine);
            if b.is_finite() {
                t.breathing_pct.push(b);
            }
        }
    }

    fn add_gated(&mut self, gate: &GateSettings, row: &Row, airflow: f64, loop_state: Loop) {
        let m = airflow / (gate.idle_airflow_gs_per_l * self.engine.displacement_l);
        let Some(band) = band(row, m, gate) else { return };
        let mut used = false;
        for (bank, signals) in TRIMS.iter().enumerate() {
            let Some(y) = total_trim(row, *signals) else { continue };
            add_to_band(&mut self.trip.bands[bank][band as usize], row, *signals, y, m);
            used = true;
        }
        if !used {
            return;
        }
        let t = &mut self.trip;
        t.gated += 1;
        t.loop_inferred |= loop_state == Loop::Inferred;
        let throttle = row.get(Signal::ThrottlePct);
        if band == Band::Idle && throttle.is_finite() {
            t.idle_throttle_pct.push(throttle);
        }
    }
}

/// Total trim `100 ln((1 + STFT/100)(1 + LTFT/100))`, log-percent.
fn total_trim(row: &Row, (short, long): (Signal, Signal)) -> Option<f64> {
    let (st, lt) = (row.get(short), row.get(long));
    // A log with one of the two only: the other is taken as nought, since their sum is what is corrected.
    let (st, lt) = match (st.is_finite(), lt.is_finite()) {
        (true, true) => (st, lt),
        (true, false) => (st, 0.0),
        _ => return None,
    };
    let y = 100.0 * ((1.0 + st / 100.0) * (1.0 + lt / 100.0)).ln();
    y.is_finite().then_some(y)
}

/// Band by airflow; an unknown airflow can still be told to be idle.
fn band(row: &Row, m: f64, gate: &GateSettings) -> Option<Band> {
    let speed = row.get(Signal::SpeedKmh);
    let rpm = row.get(Signal::Rpm);
    let stands = if speed.is_finite() { speed <= gate.idle_speed_max_kmh } else { m < 2.0 };
    if stands {
        // A standing engine that is revved is neither idle nor driving.
        return (rpm <= gate.idle_rpm_max).then_some(Band::Idle);
    }
    if !m.is_finite() {
        return None;
    }
    Some(if m >= gate.load_edge { Band::Load } else { Band::Cruise })
}

fn add_to_band(s: &mut BandSums, row: &Row, (short, long): (Signal, Signal), y: f64, m: f64) {
    let (st, lt) = (row.get(short), row.get(long));
    let lt = if lt.is_finite() { lt } else { 0.0 };
    s.n += 1.0;
    s.y += y;
    s.yy += y * y;
    s.st += st;
    s.stst += st * st;
    s.lt += lt;
    s.ltlt += lt * lt;
    // Without an airflow an idling engine counts as at its nominal idle airflow.
    let m = if m.is_finite() { m.max(0.05) } else { 1.0 };
    let u = 1.0 / m;
    s.m += m;
    s.mm += m * m;
    s.u += u;
    s.uu += u * u;
    s.uy += u * y;
    s.my += m * y;
}
