//! The powertrain: what acceleration and slope ask of the engine, in air, speed, pressure and throttle.
//!
//! In: speed, wanted acceleration, slope, weather, effects of faults. Out: [`Operating`], one per second.
//! Road load to power to fuel by friction mean effective pressure and indicated efficiency (Heywood,
//! Internal Combustion Engine Fundamentals, 1988, chapters 2 and 13; magnitudes common practice), fuel
//! to air by stoichiometry, air to manifold pressure by speed-density, air to throttle by nozzle flow.

use super::families::Family;
use super::faults::Effects;

/// Air and pressure around the vehicle.
#[derive(Debug, Clone, Copy)]
pub(super) struct Surroundings {
    pub(super) ambient_c: f64,
    pub(super) baro_kpa: f64,
}

/// What the engine is doing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mode {
    /// Standing still: a hybrid on its battery.
    Off,
    /// Turning under its own power.
    Fired,
    /// Turned by the wheels, no fuel.
    FuelCut,
    /// As above 90 % of what air it can get: enriched, open loop.
    FullLoad,
}

/// One second of the engine.
#[derive(Debug, Clone, Copy)]
pub(super) struct Operating {
    pub(super) mode: Mode,
    /// Vehicle at rest, accelerator released.
    pub(super) idle: bool,
    pub(super) rpm: f64,
    /// Air into the cylinders, g/s.
    pub(super) air_gs: f64,
    /// The part of it that came in behind the airflow sensor, g/s.
    pub(super) leak_gs: f64,
    /// The most air the engine could take in at this speed when new, g/s.
    pub(super) air_max_gs: f64,
    /// Share of air lost to deposits at this speed.
    pub(super) breathing_loss: f64,
    pub(super) map_kpa: f64,
    pub(super) charge_c: f64,
    pub(super) throttle_pct: f64,
    /// Acceleration that results, m/s².
    pub(super) accel: f64,
}

/// Lower heating value of petrol, kJ/g (about 43 MJ/kg, Heywood Table D.4).
const HEAT_KJ_G: f64 = 43.0;
/// Air per fuel used to turn power into air; the small error against the blend in the tank is a matter
/// of mixture, which is simulated elsewhere.
const AFR: f64 = 14.2;
/// Gas constant of dry air, kJ/(kg K) (ISO 2533: 287.05287 J/(kg K)).
const GAS: f64 = 0.287_052_87;
/// Gear ratios against the highest gear (common practice).
const GEARS: [f64; 6] = [1.0, 0.82, 0.65, 0.48, 0.33, 0.19];
/// Engine speeds below which the driver changes down, by how hard the engine must pull.
const SHIFT_RPM: [f64; 4] = [1350.0, 2000.0, 2800.0, 3700.0];
/// Battery of the hybrid, kWh.
const BATTERY_KWH: f64 = 1.3;

/// The engine, gearbox and battery of one vehicle on one trip.
#[derive(Debug)]
pub(super) struct Powertrain<'a> {
    family: &'a Family,
    pub(super) coolant_c: f64,
    /// Battery charge of a hybrid, percent.
    pub(super) soc_pct: f64,
    load: f64,
    fired: bool,
    fired_s: f64,
}

/// What the wheels and the engine are asked for.
struct Task {
    rpm: f64,
    /// Power at the engine's output, kW, accessories included.
    power_kw: f64,
    idle: bool,
    cut: bool,
}

impl<'a> Powertrain<'a> {
    pub(super) fn new(family: &'a Family, coolant_c: f64, soc_pct: f64) -> Powertrain<'a> {
        Powertrain { family, coolant_c, soc_pct, load: 0.2, fired: !family.hybrid, fired_s: 0.0 }
    }

    /// How cold the engine is: 1 at 0 °C, 0 when warm.
    pub(super) fn coldness(&self) -> f64 {
        ((85.0 - self.coolant_c) / 85.0).clamp(0.0, 1.3)
    }

    /// One second at `speed_kmh`; `misfire_share` of the firings gave no torque in the second before.
    pub(super) fn step(
        &mut self,
        speed_kmh: f64,
        wanted: (f64, f64),
        around: &Surroundings,
        effects: &Effects,
        misfire_share: f64,
    ) -> Operating {
        let (accel, slope) = wanted;
        let wheel_kw = self.wheel_kw(speed_kmh, accel, slope);
        let accessories_kw = 0.4 + 0.08 * (around.ambient_c - 18.0).clamp(0.0, 12.0);
        let shaft_kw = if wheel_kw > 0.0 { wheel_kw / 0.91 } else { wheel_kw * 0.91 };
        if self.family.hybrid && !self.hybrid_fires(shaft_kw) {
            self.charge(shaft_kw + accessories_kw);
            return self.stopped(accel, around);
        }
        let charge_c = around.ambient_c + 12.0 + 10.0 * (1.0 - self.load);
        let task = if self.family.hybrid {
            self.hybrid_task(shaft_kw, accessories_kw, speed_kmh)
        } else {
            self.geared_task(speed_kmh, accel, shaft_kw, accessories_kw, charge_c, around)
        };
        self.fired_s += 1.0;
        self.breathe(task, (speed_kmh, accel, wheel_kw), charge_c, around, effects, misfire_share)
    }

    /// Warms or cools the coolant by one second, for `fuel_gs` burned.
    pub(super) fn warm(&mut self, fuel_gs: f64, speed_kmh: f64, around: &Surroundings) {
        // A third of the heat goes to the coolant; 22 kJ/K per litre of displacement; a thermostat that
        // opens at 86 °C; losses that grow with speed (common practice, no source).
        let capacity = 22.0 * self.family.displacement_l + 12.0;
        let loss = (0.025 + 0.0004 * speed_kmh) * (self.coolant_c - around.ambient_c);
        let thermostat =
            (1.0 + 2.2 * self.family.displacement_l) * (self.coolant_c - 86.0).max(0.0);
        self.coolant_c += (0.33 * fuel_gs * HEAT_KJ_G - loss - thermostat) / capacity;
    }

    fn wheel_kw(&self, speed_kmh: f64, accel: f64, slope: f64) -> f64 {
        let v = speed_kmh / 3.6;
        let rolling = self.family.mass_kg * 9.81 * (0.011 + slope);
        let drag = 0.5 * 1.2 * self.family.drag_area_m2 * v * v;
        // 5 % for what turns.
        (rolling + drag + 1.05 * self.family.mass_kg * accel) * v / 1000.0
    }

    /// Friction, pumping: 90 kPa, 70 % more when cold, and up to 60 kPa of throttling.
    fn friction_kw(&self, rpm: f64) -> f64 {
        let mean_kpa = 90.0 * (1.0 + 0.7 * self.coldness()) + 60.0 * (1.0 - self.load);
        mean_kpa * self.family.displacement_l * rpm / 120.0 / 1000.0
    }

    fn air_for(&self, power_kw: f64, rpm: f64, idle: bool) -> f64 {
        // Ignition is retarded at idle to keep torque in reserve.
        let efficiency = if idle { 0.30 } else { 0.37 };
        (power_kw + self.friction_kw(rpm)) / (efficiency * HEAT_KJ_G) * AFR
    }

    /// Volumetric efficiency of the engine when new.
    pub(super) fn filling(rpm: f64) -> f64 {
        let x = (rpm - 3800.0) / 2200.0;
        0.76 + 0.16 / (1.0 + x * x)
    }

    /// Air at a manifold pressure, g/s: p V VE N / (120 R T).
    fn air_at(&self, map_kpa: f64, rpm: f64, charge_c: f64) -> f64 {
        map_kpa * self.family.displacement_l * Self::filling(rpm) * rpm
            / (120.0 * GAS * (charge_c + 273.15))
    }

    fn geared_task(
        &self,
        speed_kmh: f64,
        accel: f64,
        shaft_kw: f64,
        accessories_kw: f64,
        charge_c: f64,
        around: &Surroundings,
    ) -> Task {
        let idle_rpm = self.family.idle_rpm * (1.0 + 0.45 * self.coldness());
        if speed_kmh < 1.5 && accel <= 0.0 {
            return Task { rpm: idle_rpm, power_kw: accessories_kw, idle: true, cut: false };
        }
        let mut rpm = idle_rpm;
        for floor in SHIFT_RPM {
            rpm = self.rpm_in_gear(speed_kmh, floor).max(idle_rpm);
            if accel > 0.0 && speed_kmh < 12.0 {
                rpm = rpm.max(1350.0); // the clutch or converter slips
            }
            let most = 0.97 * self.air_at(around.baro_kpa, rpm, charge_c);
            if self.air_for(shaft_kw.max(0.0), rpm, false) < 0.72 * most {
                break;
            }
        }
        let cut = shaft_kw < -0.8 && rpm > 1200.0 && self.coolant_c > 45.0;
        let power_kw =
            if shaft_kw > 0.0 { shaft_kw } else { 0.4 * shaft_kw.max(-1.0) } + accessories_kw;
        Task { rpm, power_kw, idle: false, cut }
    }

    /// The highest gear that keeps the engine at or above `floor`, else first gear.
    fn rpm_in_gear(&self, speed_kmh: f64, floor: f64) -> f64 {
        let per_gear = |ratio: f64| speed_kmh * 1000.0 / (self.family.top_gear_kmh * ratio);
        GEARS
            .iter()
            .map(|ratio| per_gear(*ratio))
            .find(|rpm| *rpm >= floor)
            .unwrap_or(per_gear(GEARS[5]))
            .min(5800.0)
    }

    fn hybrid_fires(&mut self, shaft_kw: f64) -> bool {
        let wants = shaft_kw > 13.0 || self.soc_pct < 46.0 || self.coolant_c < 45.0;
        let may_stop =
            shaft_kw < 7.0 && self.soc_pct > 52.0 && self.coolant_c > 58.0 && self.fired_s > 15.0;
        let fires = if self.fired { !may_stop } else { wants };
        if fires != self.fired {
            self.fired_s = 0.0;
        }
        self.fired = fires;
        fires
    }

    fn hybrid_task(&mut self, shaft_kw: f64, accessories_kw: f64, speed_kmh: f64) -> Task {
        let resting = speed_kmh < 1.5 && shaft_kw <= 0.1;
        if resting {
            let warm_up_kw = if self.soc_pct < 70.0 { 1.5 } else { 0.5 };
            self.charge(accessories_kw - warm_up_kw);
            let rpm = self.family.idle_rpm * (1.0 + 0.3 * self.coldness());
            return Task { rpm, power_kw: warm_up_kw, idle: true, cut: false };
        }
        let engine_kw = (shaft_kw + 0.3 * (62.0 - self.soc_pct)).clamp(4.0, 70.0);
        self.charge(shaft_kw + accessories_kw - engine_kw);
        Task { rpm: 1150.0 + 55.0 * engine_kw, power_kw: engine_kw, idle: false, cut: false }
    }

    /// Draws `kw` from the battery for one second; braking charges at 20 kW at most.
    fn charge(&mut self, kw: f64) {
        let drawn = kw.max(-20.0) / if kw > 0.0 { 0.9 } else { 1.1 };
        self.soc_pct = (self.soc_pct - drawn / 36.0 / BATTERY_KWH).clamp(20.0, 80.0);
    }

    fn stopped(&mut self, accel: f64, around: &Surroundings) -> Operating {
        self.load = 0.0;
        Operating {
            mode: Mode::Off,
            idle: false,
            rpm: 0.0,
            air_gs: 0.0,
            leak_gs: 0.0,
            air_max_gs: 1.0,
            breathing_loss: 0.0,
            map_kpa: around.baro_kpa,
            charge_c: around.ambient_c + 18.0,
            throttle_pct: 10.0,
            accel,
        }
    }

    fn breathe(
        &mut self,
        mut task: Task,
        (speed_kmh, mut accel, wheel_kw): (f64, f64, f64),
        charge_c: f64,
        around: &Surroundings,
        effects: &Effects,
        misfire_share: f64,
    ) -> Operating {
        let mut air =
            self.air_for(task.power_kw, task.rpm, task.idle) / (1.0 - misfire_share).max(0.5);
        if task.idle && effects.leak_gs > 0.8 * air {
            // More air than idling needs comes in past the throttle: the engine runs fast.
            task.rpm *= (effects.leak_gs / (0.8 * air)).min(2.0);
            air = effects.leak_gs / 0.8;
        }
        if task.cut {
            air = self.air_at(27.0, task.rpm, charge_c);
        }
        air = air.max(self.air_at(20.0, task.rpm, charge_c));
        let new_max = 0.97 * self.air_at(around.baro_kpa, task.rpm, charge_c);
        let breathing_loss = (effects.breathing * task.rpm / 3500.0).min(0.4);
        let most = new_max * (1.0 - breathing_loss);
        if air > most && wheel_kw > 0.0 && speed_kmh > 2.0 {
            // Not enough air: power, and with it acceleration, falls short.
            let short_kw = (air - most) / AFR * 0.37 * HEAT_KJ_G * 0.91;
            accel -= short_kw * 1000.0 / (1.05 * self.family.mass_kg * speed_kmh / 3.6);
        }
        air = air.min(most);
        let mode = match (task.cut, air > 0.9 * most) {
            (true, _) => Mode::FuelCut,
            (false, true) => Mode::FullLoad,
            (false, false) => Mode::Fired,
        };
        let map_kpa = around.baro_kpa * 0.97 * air / most;
        let choke = choking(map_kpa / around.baro_kpa);
        let leak_gs = (effects.leak_gs * choke).min(0.95 * air);
        self.load = air / new_max;
        let throttle_pct = self.throttle(air - leak_gs, choke, around, effects);
        Operating {
            mode,
            idle: task.idle,
            rpm: task.rpm,
            air_gs: air,
            leak_gs,
            air_max_gs: new_max,
            breathing_loss,
            map_kpa,
            charge_c,
            throttle_pct,
            accel,
        }
    }

    /// Throttle position for a flow past the plate: open area goes with 1 - cos(angle) (Heywood, section
    /// 7.6); the sensor reads some 9 % at the stop (common practice).
    fn throttle(&self, flow_gs: f64, choke: f64, around: &Surroundings, effects: &Effects) -> f64 {
        let full_gs = 120.0 * self.family.displacement_l * around.baro_kpa / 101.325;
        let blocked = effects.throttle_blocked * self.family.idle_air_gs() / full_gs;
        let area = (flow_gs.max(0.02) / (full_gs * choke.max(0.12)) + blocked).min(1.0);
        let angle = (1.0 - area).acos() / std::f64::consts::FRAC_PI_2;
        9.0 + 82.0 * angle
    }
}

/// Flow through an opening against choked flow, for a pressure ratio: 1 below the critical ratio 0.528,
/// an ellipse above it (a common approximation of the isentropic nozzle).
fn choking(ratio: f64) -> f64 {
    const CRITICAL: f64 = 0.528_282;
    if ratio <= CRITICAL {
        return 1.0;
    }
    let x = ((ratio - CRITICAL) / (1.0 - CRITICAL)).min(1.0);
    (1.0 - x * x).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::families::FAMILIES;

    /// The isentropic nozzle itself, gamma 1.4 (Heywood, appendix C).
    #[test]
    fn ellipse_follows_the_isentropic_nozzle() {
        let exact = |r: f64| (r.powf(2.0 / 1.4) - r.powf(2.4 / 1.4)).sqrt();
        for ratio in [0.55, 0.7, 0.8, 0.9, 0.95] {
            let isentropic = exact(ratio) / exact(0.528_282);
            assert!((choking(ratio) - isentropic).abs() < 0.02, "{ratio}: {isentropic}");
        }
        assert_eq!(choking(0.3), 1.0);
    }

    /// Absolute load of a two-litre engine with filling 1 at 101.325 kPa and 25 °C is 59.196 g/s at
    /// 3000 rpm (speed-density, R 287.05).
    #[test]
    fn speed_density_gives_the_textbook_flow() {
        let engine = Powertrain::new(&FAMILIES[2], 90.0, 50.0);
        let air = engine.air_at(101.325, 3000.0, 25.0) / Powertrain::filling(3000.0);
        assert!((air - 59.196_258 * 1.995 / 2.0).abs() < 2e-3, "{air}");
    }

    #[test]
    fn idle_takes_about_the_air_of_its_family() {
        let calm = Surroundings { ambient_c: 15.0, baro_kpa: 101.0 };
        for family in FAMILIES.iter().filter(|f| !f.hybrid) {
            let mut engine = Powertrain::new(family, 88.0, 50.0);
            let mut air = 0.0;
            for _ in 0..20 {
                air = engine.step(0.0, (-1.0, 0.0), &calm, &Effects::default(), 0.0).air_gs;
            }
            let ratio = air / family.idle_air_gs();
            assert!((0.8..1.2).contains(&ratio), "{}: {ratio}", family.name);
        }
    }
}
