//! One trip: driver, powertrain, mixture and combustion, a second at a time, with a row every so often.
//!
//! In: the vehicle's standing state and the trip's conditions. Out: the state afterwards, rows for the
//! logger. Signals are rounded as SAE J1979 scales them, where the logger would not do so anyway.

use super::combustion;
use super::drive::Driver;
use super::families::Family;
use super::logger::Values;
use super::mixture::{Control, Errors, Mixture, Moment};
use super::powertrain::{Mode, Operating, Powertrain, Surroundings};
use super::random::{Rng, chance, normal, uniform};
use crate::tables::fleet::AirMetering;
use crate::tables::samples::{MAX_CYLINDERS, SIGNALS, Signal};

/// Counters since the codes were cleared (SAE J1979 parameters 30, 31 and 4E).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct SinceClear {
    pub(super) km: f64,
    pub(super) warmups: f64,
    pub(super) minutes: f64,
}

/// What a vehicle carries from trip to trip.
#[derive(Debug)]
pub(super) struct Standing<'a> {
    pub(super) family: &'a Family,
    pub(super) control: Control<'a>,
    /// Distance driven since new, km.
    pub(super) km: f64,
    /// Shown odometer minus `km`.
    pub(super) shown_offset_km: f64,
    pub(super) since_clear: SinceClear,
    /// Load of the vapour canister, 0 to 1.
    pub(super) canister: f64,
    pub(super) soc_pct: f64,
    /// Ethanol in the tank, share of volume.
    pub(super) ethanol: f64,
}

/// What a trip is driven in.
#[derive(Debug)]
pub(super) struct Conditions {
    /// Start, seconds since 1970-01-01.
    pub(super) start_s: i64,
    pub(super) around: Surroundings,
    pub(super) coolant_c: f64,
    pub(super) errors: Errors,
    /// Scales the chance of misfires on this trip.
    pub(super) unrest: f64,
    pub(super) period_s: u32,
}

/// What a trip came to.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Outcome {
    pub(super) km: f64,
    pub(super) fuel_g: f64,
    pub(super) rows: u64,
}

/// Drives one trip and hands each row to `log`.
pub(super) fn drive(
    car: &mut Standing<'_>,
    driver: &mut Driver,
    at: &Conditions,
    rng: &mut Rng,
    log: &mut dyn FnMut(i64, &Values, &mut Rng),
) -> Outcome {
    let mut ride = Ride::start(car, at, rng);
    let mut out = Outcome::default();
    let mut since_row = [0_u32; MAX_CYLINDERS];
    let offset = (uniform(0.0, 1.0, rng) * f64::from(at.period_s)) as u32;
    for second in 0..driver.duration_s {
        let wanted = driver.step(ride.speed, rng);
        let tick = ride.second(car, at, second, wanted, rng);
        for (sum, new) in since_row.iter_mut().zip(tick.misfires) {
            *sum += new;
        }
        out.km += ride.speed / 3600.0;
        out.fuel_g += tick.mixture.fuel_gs;
        if second % at.period_s == offset {
            let frame = Frame { car, ride: &ride, at, tick: &tick };
            let values = frame.values(second, &since_row, rng);
            log(at.start_s + i64::from(second), &values, rng);
            since_row = [0; MAX_CYLINDERS];
            out.rows += 1;
        }
    }
    car.soc_pct = ride.engine.soc_pct;
    out
}

/// What runs on from second to second within a trip.
#[derive(Debug)]
struct Ride<'a> {
    engine: Powertrain<'a>,
    purge: Purge,
    /// km/h.
    speed: f64,
    air_before: f64,
    misfire_share: f64,
    wander: f64,
    /// Seconds after start at which the loop closes.
    closes_s: f64,
}

/// What one second gave.
#[derive(Debug)]
struct Tick {
    op: Operating,
    mixture: Mixture,
    misfires: [u32; MAX_CYLINDERS],
    /// Commanded lambda.
    command: f64,
    open_cold: bool,
}

impl<'a> Ride<'a> {
    fn start(car: &mut Standing<'a>, at: &Conditions, rng: &mut Rng) -> Ride<'a> {
        car.control.start();
        Ride {
            engine: Powertrain::new(car.family, at.coolant_c, car.soc_pct),
            purge: Purge::default(),
            speed: 0.0,
            air_before: 0.0,
            misfire_share: 0.0,
            wander: 0.015 * normal(rng),
            // The sensor heats up in some 15 s; a cold engine stays in open loop a little longer.
            closes_s: 15.0 + 1.2 * (30.0 - at.coolant_c).max(0.0),
        }
    }

    fn second(
        &mut self,
        car: &mut Standing<'_>,
        at: &Conditions,
        second: u32,
        wanted: (f64, f64),
        rng: &mut Rng,
    ) -> Tick {
        let effects = &at.errors.effects;
        let op = self.engine.step(self.speed, wanted, &at.around, effects, self.misfire_share);
        self.speed = (self.speed + 3.6 * op.accel).clamp(0.0, 180.0);
        let open_cold = f64::from(second) < self.closes_s;
        let closed = op.mode == Mode::Fired && !open_cold;
        let purges = closed && self.engine.coolant_c > 65.0 && second > 90;
        let vapour_gs = self.purge.step(car, &op, purges, rng);
        let command = match op.mode {
            Mode::FullLoad => 0.88,
            _ if open_cold => 0.94,
            _ => 1.0,
        };
        let moment = self.moment(&op, closed, command, vapour_gs, rng);
        let mixture = car.control.step(&moment, &at.errors);
        let cold = self.engine.coldness();
        let missed = combustion::draw(car.family, &op, &mixture, effects, cold, at.unrest, rng);
        self.misfire_share = missed.share;
        self.air_before = op.air_gs;
        let was_cold = self.engine.coolant_c < 70.0;
        self.engine.warm(mixture.fuel_gs, self.speed, &at.around);
        if was_cold && self.engine.coolant_c >= 70.0 && at.coolant_c < 48.0 {
            // A warm-up cycle: 22 K gained and 70 °C passed (SAE J1979).
            car.since_clear.warmups += 1.0;
        }
        car.advance(self.speed / 3600.0, if op.mode == Mode::Off { 0.0 } else { 1.0 / 60.0 });
        Tick { op, mixture, misfires: missed.count, command, open_cold }
    }

    fn moment(
        &mut self,
        op: &Operating,
        closed: bool,
        command: f64,
        vapour_gs: f64,
        rng: &mut Rng,
    ) -> Moment {
        // Fuel and air are never quite steady: sd 1.5 % over half a minute, so that trims within a trip
        // spread as the open logs of a healthy car do (2 to 4.5 %).
        self.wander = 0.967 * self.wander + 0.0038 * normal(rng);
        let steady = (op.air_gs - self.air_before).abs() < 0.12 * self.air_before;
        Moment {
            air_gs: op.air_gs,
            leak_gs: op.leak_gs,
            breathing_loss: op.breathing_loss,
            idle: op.idle,
            cut: matches!(op.mode, Mode::Off | Mode::FuelCut),
            closed,
            learns: steady && self.engine.coolant_c > 70.0 && self.purge.duty == 0.0,
            command,
            coolant_c: self.engine.coolant_c,
            vapour_gs,
            meter_noise: 0.005 * normal(rng),
            wander: self.wander,
            misfire_share: self.misfire_share,
        }
    }
}

impl Standing<'_> {
    /// Goes on by a distance and by minutes of engine running.
    pub(super) fn advance(&mut self, km: f64, minutes: f64) {
        self.km += km;
        self.since_clear.km += km;
        self.since_clear.minutes += minutes;
    }
}

/// Canister purge: on for a minute or two, off for two to five, once warm.
#[derive(Debug, Default)]
struct Purge {
    duty: f64,
    left_s: f64,
    peak: f64,
}

impl Purge {
    /// One second; returns the fuel vapour drawn in, g/s.
    fn step(
        &mut self,
        car: &mut Standing<'_>,
        op: &Operating,
        allowed: bool,
        rng: &mut Rng,
    ) -> f64 {
        if !allowed {
            self.duty = 0.0;
            return 0.0;
        }
        self.left_s -= 1.0;
        if self.left_s <= 0.0 {
            let turn_on = self.peak == 0.0 && chance(0.8, rng);
            self.peak = if turn_on { uniform(15.0, 60.0, rng) } else { 0.0 };
            self.left_s =
                if turn_on { uniform(40.0, 90.0, rng) } else { uniform(100.0, 260.0, rng) };
        }
        // The valve opens over some seconds, so that the loop can follow.
        self.duty += (self.peak - self.duty).clamp(-10.0, 6.0);
        if self.duty < 0.5 {
            self.duty = 0.0;
        }
        let pull = (1.0 - op.map_kpa / 101.0).clamp(0.05, 1.0);
        let share = self.duty / 100.0 * pull;
        car.canister *= 1.0 - share / 150.0;
        share * car.canister * 0.025 * car.family.displacement_l
    }
}

/// All that a row is read from.
struct Frame<'f> {
    car: &'f Standing<'f>,
    ride: &'f Ride<'f>,
    at: &'f Conditions,
    tick: &'f Tick,
}

impl Frame<'_> {
    fn values(&self, second: u32, misfires: &[u32; MAX_CYLINDERS], rng: &mut Rng) -> Values {
        let mut v = [f64::NAN; SIGNALS.len()];
        let (car, op, family) = (self.car, &self.tick.op, self.car.family);
        let off = op.mode == Mode::Off;
        v[Signal::SpeedKmh as usize] = self.ride.speed;
        v[Signal::Rpm as usize] =
            if off { 0.0 } else { ((op.rpm + 6.0 * normal(rng)) * 4.0).round() / 4.0 };
        self.air(&mut v, off);
        v[Signal::BaroKpa as usize] = self.at.around.baro_kpa;
        v[Signal::ThrottlePct as usize] = op.throttle_pct + 0.15 * normal(rng);
        v[Signal::CoolantC as usize] = self.ride.engine.coolant_c;
        v[Signal::IntakeC as usize] = op.charge_c - 5.0;
        v[Signal::AmbientC as usize] = self.at.around.ambient_c;
        let bank_signals =
            [(Signal::Stft1Pct, Signal::Ltft1Pct), (Signal::Stft2Pct, Signal::Ltft2Pct)];
        for (bank, (short, long)) in bank_signals.into_iter().enumerate().take(family.banks) {
            (v[short as usize], v[long as usize]) = car.control.trims_pct(bank);
        }
        // Parameter 03: 1 open loop cold, 2 closed loop, 4 open loop by load or fuel cut, 0 engine off.
        let (status, command) = match op.mode {
            Mode::Off => (0.0, f64::NAN),
            Mode::FuelCut => (4.0, 1.999),
            Mode::FullLoad => (4.0, self.tick.command),
            Mode::Fired if self.tick.open_cold => (1.0, self.tick.command),
            Mode::Fired => (2.0, self.tick.command),
        };
        v[Signal::FuelStatus as usize] = status;
        v[Signal::CmdEquiv as usize] = command;
        v[Signal::EthanolPct as usize] = 100.0 * car.ethanol;
        v[Signal::PurgePct as usize] = self.ride.purge.duty;
        v[Signal::OdometerKm as usize] = ((car.km + car.shown_offset_km) * 10.0).floor() / 10.0;
        v[Signal::RunS as usize] = f64::from(second);
        // Full scale of the parameters: 65,535 km, 255 warm-ups, 65,535 min.
        v[Signal::KmSinceClear as usize] = car.since_clear.km.floor().min(65_535.0);
        v[Signal::WarmupsSinceClear as usize] = car.since_clear.warmups.floor().min(255.0);
        v[Signal::MinSinceClear as usize] = car.since_clear.minutes.floor().min(65_535.0);
        v[Signal::ModuleV as usize] = if off { 13.9 } else { 14.1 } + 0.08 * normal(rng);
        v[Signal::SocPct as usize] = self.ride.engine.soc_pct;
        for (cylinder, count) in misfires.iter().enumerate().take(family.cylinders) {
            v[Signal::MisfireC1 as usize + cylinder] = f64::from(*count);
        }
        v
    }

    /// Everything that the engine computer derives from the air it believes it has.
    fn air(&self, v: &mut Values, off: bool) {
        let (op, family) = (&self.tick.op, self.car.family);
        let metered = if off { 0.0 } else { self.tick.mixture.metered_gs };
        if family.metering == AirMetering::Maf {
            v[Signal::MafGs as usize] = metered;
        }
        v[Signal::MapKpa as usize] = op.map_kpa;
        // Absolute load: air per stroke against 1.184 g/L times displacement (SAE J1979 parameter 43).
        v[Signal::AbsLoadPct as usize] = if off {
            0.0
        } else {
            100.0 * metered * 120.0 / (1.184 * family.displacement_l * op.rpm)
        };
        v[Signal::LoadPct as usize] =
            if off { 0.0 } else { (100.0 * metered / op.air_max_gs).min(100.0) };
        // The computer's own figure: metered air over its set air-fuel ratio, 0.745 kg/L.
        let burning = matches!(op.mode, Mode::Fired | Mode::FullLoad);
        v[Signal::FuelRateLh as usize] =
            if burning { metered / (14.2 * self.tick.command) / 745.0 * 3600.0 } else { 0.0 };
    }
}
