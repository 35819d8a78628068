//! The mixture: metered air, delivered fuel, and the closed loop that corrects one for the other.
//!
//! In: one second of the engine and how its air meter and fuel path err. Out: trims, lambda, fuel.
//! Trims are results of the loop; nothing sets them. The loop is a narrow-band switching controller:
//! dead time and sensor lag, a proportional jump and an integral ramp (the short-term trim), and cells
//! over airflow that learn what the short-term trim keeps asking for (the long-term trim).

use super::families::Family;
use super::faults::Effects;
use crate::tables::fleet::{AirMetering, Injection};

/// Learning cells: one for idle, the others at these airflows in multiples of idle airflow.
const NODES: [f64; 4] = [1.6, 4.0, 8.0, 16.0];
const CELLS: usize = NODES.len() + 1;
/// Either trim ends at ±25 % (common practice, no source; makers differ).
pub(super) const TRIM_LIMIT: f64 = 0.25;
/// Proportional jump and integral ramp per second of the short-term trim: with the dead time they give
/// the cycle of about ±2 % that healthy logs show.
const JUMP: f64 = 0.014;
const RAMP: f64 = 0.007;
/// Seconds in one cell to learn 63 % of what is left.
const LEARN_S: f64 = 260.0;
/// Kilometres to do so on the trips that nobody logged: 'some tens to a few hundred km' (common practice, no source).
const LEARN_KM: f64 = 50.0;

/// How far a vehicle's air meter and fuel path are off, for the length of a trip.
#[derive(Debug, Clone)]
pub(super) struct Errors {
    pub(super) effects: Effects,
    /// Logarithm of delivered over commanded fuel by bank: spread between vehicles, trip noise, season.
    pub(super) bank_log: [f64; 2],
    /// The same per unit of ln(airflow in multiples of idle / 4).
    pub(super) tilt_log: f64,
    /// Stoichiometric ratio of the fuel over the one that the engine computer assumes.
    pub(super) afr_ratio: f64,
    /// Mass an injector passes against the reference fuel.
    pub(super) density_factor: f64,
}

/// One bank's loop.
#[derive(Debug, Clone, Default)]
struct Bank {
    cells: [f64; CELLS],
    integral: f64,
    short: f64,
    long: f64,
    /// Lambda at the sensor, after dead time and lag.
    delayed: f64,
    sensed: f64,
    rich: bool,
    since_switch_s: f64,
    /// Fuel on the port walls and soaked into deposits, g.
    film_g: f64,
    soaked_g: f64,
}

/// What the loop is told each second.
#[derive(Debug, Clone, Copy)]
pub(super) struct Moment {
    pub(super) air_gs: f64,
    pub(super) leak_gs: f64,
    pub(super) breathing_loss: f64,
    pub(super) idle: bool,
    pub(super) cut: bool,
    pub(super) closed: bool,
    pub(super) learns: bool,
    /// Commanded lambda.
    pub(super) command: f64,
    pub(super) coolant_c: f64,
    /// Fuel vapour from the canister, g/s.
    pub(super) vapour_gs: f64,
    /// Relative noise of the air meter.
    pub(super) meter_noise: f64,
    /// Relative wander of the fuel delivered.
    pub(super) wander: f64,
    /// Share of firings that misfired.
    pub(super) misfire_share: f64,
}

/// What a second gave.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Mixture {
    /// Air as the engine computer sees it, g/s.
    pub(super) metered_gs: f64,
    /// Fuel into the engine, g/s.
    pub(super) fuel_gs: f64,
    /// Lambda in the cylinders by bank.
    pub(super) lambda: [f64; 2],
}

/// The mixture control of one vehicle; what it learned outlives the trip.
#[derive(Debug)]
pub(super) struct Control<'a> {
    family: &'a Family,
    banks: Vec<Bank>,
}

impl<'a> Control<'a> {
    pub(super) fn new(family: &'a Family) -> Control<'a> {
        Control { family, banks: vec![Bank::default(); family.banks] }
    }

    /// Battery off or codes cleared: everything learned is gone.
    pub(super) fn forget(&mut self) {
        for bank in &mut self.banks {
            bank.cells = [0.0; CELLS];
        }
    }

    /// Engine start: the loop begins afresh, what was learned stays.
    pub(super) fn start(&mut self) {
        for bank in &mut self.banks {
            *bank = Bank { cells: bank.cells, delayed: 1.0, sensed: 1.0, ..Bank::default() };
        }
    }

    /// Distance driven without a logger: the cells move towards what they would settle at.
    pub(super) fn settle(&mut self, km: f64, errors: &Errors) {
        let share = 1.0 - (-km / LEARN_KM).exp();
        for index in 0..self.banks.len() {
            for cell in 0..CELLS {
                let multiple = if cell == 0 { 1.0 } else { NODES[cell - 1] };
                let needed = demanded_log(self.family, errors, index, multiple).exp() - 1.0;
                let kept = &mut self.banks[index].cells[cell];
                *kept += share * (needed.clamp(-TRIM_LIMIT, TRIM_LIMIT) - *kept);
            }
        }
    }

    /// Short- and long-term trim of a bank as logged, percent, in steps of 100/128 (SAE J1979).
    pub(super) fn trims_pct(&self, bank: usize) -> (f64, f64) {
        let quantise = |x: f64| (x * 128.0).round() * 100.0 / 128.0;
        (quantise(self.banks[bank].short), quantise(self.banks[bank].long))
    }

    /// One second.
    pub(super) fn step(&mut self, at: &Moment, errors: &Errors) -> Mixture {
        let idle_air = self.family.idle_air_gs();
        let multiple = at.air_gs / idle_air;
        let metered_gs = metered(self.family, errors, at, multiple) * (1.0 + at.meter_noise);
        let mut out = Mixture { metered_gs, ..Mixture::default() };
        let banks = self.banks.len() as f64;
        for (index, bank) in self.banks.iter_mut().enumerate() {
            bank.recall(at.idle, metered_gs / idle_air);
            if at.cut {
                bank.pause();
                out.lambda[index] = 9.0;
                continue;
            }
            let command = metered_gs / banks / (AFR_SET * at.command)
                * (1.0 + bank.short)
                * (1.0 + bank.long);
            let injected = command
                * (1.0 + at.wander)
                * delivery(self.family, errors, index, multiple, command * banks);
            let reached =
                bank.wet(injected, at.coolant_c, self.family.injection, errors.effects.soak);
            let fuel = reached + errors.effects.drip_gs[index] + at.vapour_gs / banks;
            let lambda = at.air_gs / banks / (fuel * AFR_SET * errors.afr_ratio);
            out.fuel_gs += fuel;
            out.lambda[index] = lambda;
            // Air of a misfire reaches the sensor unburned and reads as lean.
            bank.sense(lambda + at.misfire_share);
            if at.closed {
                bank.correct();
                if at.learns {
                    bank.learn(at.idle, metered_gs / idle_air);
                }
            } else {
                bank.pause();
            }
        }
        out
    }
}

/// Air per fuel that the engine computer is set up for; the fuel in the tank is told as a ratio to it.
const AFR_SET: f64 = 14.2;

/// Air as the engine computer sees it, without noise.
fn metered(family: &Family, errors: &Errors, at: &Moment, multiple: f64) -> f64 {
    match family.metering {
        AirMetering::Maf => {
            (at.air_gs - at.leak_gs) * (1.0 - under_reading(errors.effects.meter_low, multiple))
        }
        // Speed-density sees all air that raises the pressure, and takes the engine to fill as when new.
        AirMetering::Map => at.air_gs / (1.0 - at.breathing_loss),
    }
}

/// Share that a fouled airflow sensor misses: a quarter at idle, growing with the logarithm of airflow.
fn under_reading(low: f64, multiple: f64) -> f64 {
    low * (0.25 + 0.75 * multiple.max(0.5).ln() / std::f64::consts::LN_10).clamp(0.0, 1.3)
}

/// Fuel delivered over fuel commanded of one bank.
fn delivery(family: &Family, errors: &Errors, bank: usize, multiple: f64, fuel_gs: f64) -> f64 {
    let flow: f64 = (0..family.cylinders)
        .filter(|c| family.bank_of(*c) == bank)
        .map(|c| errors.effects.flow[c])
        .sum::<f64>()
        / family.per_bank() as f64;
    // Rated flow: what ten times idle airflow takes. Flow goes with the root of pressure (Bernoulli).
    let rated = 10.0 * family.idle_air_gs() / AFR_SET;
    let pressure = (1.0 - errors.effects.droop * fuel_gs / rated).max(0.2).sqrt();
    let level = errors.bank_log[bank] + errors.tilt_log * (multiple / 4.0).max(0.1).ln();
    flow * pressure * errors.density_factor * level.exp()
}

/// Total trim that brings a bank to lambda 1 at a steady airflow, in natural logarithm.
pub(super) fn demanded_log(family: &Family, errors: &Errors, bank: usize, multiple: f64) -> f64 {
    let air_gs = multiple * family.idle_air_gs();
    // Manifold pressure over barometric: about 0.3 at idle, near 1 at sixteen times idle.
    let choke = if multiple < 5.0 {
        1.0
    } else {
        (1.0 - ((multiple - 5.0) / 12.0).min(1.0).powi(2)).sqrt()
    };
    let at = Moment {
        air_gs,
        leak_gs: (errors.effects.leak_gs * choke).min(0.9 * air_gs),
        breathing_loss: errors.effects.breathing * 0.5,
        idle: multiple < 1.5,
        cut: false,
        closed: true,
        learns: true,
        command: 1.0,
        coolant_c: 88.0,
        vapour_gs: 0.0,
        meter_noise: 0.0,
        wander: 0.0,
        misfire_share: 0.0,
    };
    let banks = family.banks as f64;
    let needed_gs = air_gs / (AFR_SET * errors.afr_ratio);
    let asked = metered(family, errors, &at, multiple) / AFR_SET;
    let injected = (needed_gs - errors.effects.drip_gs[bank] * banks).max(0.3 * needed_gs);
    let passed = delivery(family, errors, bank, multiple, injected);
    (injected / (asked * passed)).ln()
}

impl Bank {
    /// Long-term trim for this airflow: the idle cell, or a line between the cells around ln(airflow).
    fn recall(&mut self, idle: bool, multiple: f64) {
        self.long = if idle {
            self.cells[0]
        } else {
            let (low, share) = between(multiple);
            self.cells[low] * (1.0 - share) + self.cells[low + 1] * share
        };
    }

    fn learn(&mut self, idle: bool, multiple: f64) {
        let step = self.integral / LEARN_S;
        let bounded =
            |cell: &mut f64, step: f64| *cell = (*cell + step).clamp(-TRIM_LIMIT, TRIM_LIMIT);
        if idle {
            bounded(&mut self.cells[0], step);
        } else {
            let (low, share) = between(multiple);
            bounded(&mut self.cells[low], step * (1.0 - share));
            bounded(&mut self.cells[low + 1], step * share);
        }
    }

    /// Wall film: a share of what is injected stays on the wall and evaporates within a second or so, more
    /// and longer when cold (Hires & Overington, SAE 810494: the tau-x model). The computer makes up for
    /// two thirds of it. Deposits soak up fuel while cold and give it back when hot.
    fn wet(&mut self, injected: f64, coolant_c: f64, injection: Injection, soak: f64) -> f64 {
        let cold = ((80.0 - coolant_c) / 80.0).clamp(0.0, 1.0);
        let (share, tau_s) = match injection {
            Injection::Port => (0.12 + 0.25 * cold, 0.7 + 2.5 * cold),
            Injection::Direct => (0.02 + 0.05 * cold, 0.5 + cold),
        };
        let leaves = self.film_g * (1.0 - 1.0 / (1.0 + tau_s));
        let evaporated = self.film_g - leaves;
        self.film_g = leaves + share * injected;
        let short = injected * share - evaporated;
        let mut reached = injected - 0.33 * short;
        if soak > 0.0 {
            let taken = soak * ((75.0 - coolant_c) / 45.0).clamp(0.0, 1.0) * injected;
            let returned = if coolant_c > 80.0 { self.soaked_g / 400.0 } else { 0.0 };
            // Half of it never comes back in time: it leaves with blow-by or after the trip.
            self.soaked_g += 0.5 * taken - returned;
            reached += returned - taken;
        }
        reached.max(0.2 * injected)
    }

    /// Dead time of a second, then a first-order lag of 0.7 s.
    fn sense(&mut self, lambda: f64) {
        self.sensed += (self.delayed - self.sensed) * 0.76;
        self.delayed = lambda;
        let rich = self.sensed < 1.0;
        self.since_switch_s = if rich == self.rich { self.since_switch_s + 1.0 } else { 0.0 };
        self.rich = rich;
    }

    fn correct(&mut self) {
        let lean = if self.rich { -1.0 } else { 1.0 };
        // A sensor that does not switch for seconds on end means a large error: ramp faster.
        let haste = 1.0 + (self.since_switch_s - 3.0).clamp(0.0, 6.0) * 0.5;
        self.integral = (self.integral + lean * RAMP * haste).clamp(-TRIM_LIMIT, TRIM_LIMIT);
        self.short = (self.integral + lean * JUMP).clamp(-TRIM_LIMIT, TRIM_LIMIT);
    }

    /// Open loop or fuel cut: the correction rests at zero.
    fn pause(&mut self) {
        self.short = 0.0;
        self.integral *= 0.9;
        self.since_switch_s = 0.0;
    }
}

/// The cell below an airflow and the share of the cell above it.
fn between(multiple: f64) -> (usize, f64) {
    let upper = NODES.iter().position(|n| multiple < *n).unwrap_or(NODES.len() - 1).max(1);
    let (low, high) = (NODES[upper - 1], NODES[upper]);
    (upper, ((multiple.max(0.1) / low).ln() / (high / low).ln()).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::demo::families::FAMILIES;

    fn errors(effects: Effects) -> Errors {
        Errors { effects, bank_log: [0.0; 2], tilt_log: 0.0, afr_ratio: 1.0, density_factor: 1.0 }
    }

    fn steady(air_gs: f64, leak_gs: f64) -> Moment {
        Moment {
            air_gs,
            leak_gs,
            breathing_loss: 0.0,
            idle: false,
            cut: false,
            closed: true,
            learns: true,
            command: 1.0,
            coolant_c: 88.0,
            vapour_gs: 0.0,
            meter_noise: 0.0,
            wander: 0.0,
            misfire_share: 0.0,
        }
    }

    /// Mean total trim of bank 1 after the loop has settled, percent.
    fn settled_pct(at: &Moment, errors: &Errors, seconds: usize) -> f64 {
        let mut control = Control::new(&FAMILIES[0]);
        control.start();
        let mut sum = 0.0;
        for second in 0..seconds + 400 {
            control.step(at, errors);
            if second >= seconds {
                let (short, long) = control.trims_pct(0);
                sum += (1.0 + short / 100.0) * (1.0 + long / 100.0) - 1.0;
            }
        }
        100.0 * sum / 400.0
    }

    /// Trim for a flow loss f is 1/(1-f) - 1: 5.263, 11.111, 25.0 % for 5, 10, 20 % (mass balance).
    #[test]
    fn the_loop_finds_the_trim_that_a_flow_loss_needs() {
        for (loss, trim) in [(0.05, 5.263_158), (0.10, 11.111_111), (0.20, 25.0)] {
            let mut effects = Effects::default();
            effects.flow = effects.flow.map(|f| f * (1.0 - loss));
            let found = settled_pct(&steady(12.0, 0.0), &errors(effects), 600);
            assert!((found - trim).abs() < 0.5, "{loss}: {found}");
        }
    }

    /// 1 g/s of unmetered air at 10 g/s metered asks for 10 %, at 50 g/s for 2 % (mass balance).
    #[test]
    fn the_loop_finds_the_trim_that_unmetered_air_needs() {
        for (metered_gs, trim) in [(10.0, 10.0), (15.0, 6.666_667), (50.0, 2.0)] {
            let found =
                settled_pct(&steady(metered_gs + 1.0, 1.0), &errors(Effects::default()), 600);
            assert!((found - trim).abs() < 0.5, "{metered_gs}: {found}");
        }
    }

    /// One injector in four 16 % short asks for about r/n: 1/(1 - 0.04) - 1 = 4.17 %.
    #[test]
    fn one_injector_moves_the_bank_by_its_share() {
        let mut effects = Effects::default();
        effects.flow[2] = 0.84;
        let found = settled_pct(&steady(12.0, 0.0), &errors(effects), 600);
        assert!((found - 4.166_667).abs() < 0.5, "{found}");
    }

    #[test]
    fn trims_move_from_short_to_long_term() {
        let flow = [0.9; crate::tables::samples::MAX_CYLINDERS];
        let effects = Effects { flow, ..Effects::default() };
        let errors = errors(effects);
        let mut control = Control::new(&FAMILIES[0]);
        control.start();
        let run = |control: &mut Control<'_>, seconds: usize| {
            let mut long = 0.0;
            for _ in 0..seconds {
                control.step(&steady(12.0, 0.0), &errors);
                long = control.trims_pct(0).1;
            }
            long
        };
        assert!(run(&mut control, 40) < 4.0);
        assert!((run(&mut control, 3_000) - 11.1).abs() < 1.2);
        control.forget();
        assert!(run(&mut control, 1) < 1.0);
    }
}
