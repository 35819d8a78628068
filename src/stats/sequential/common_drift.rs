//! Drift that a whole peer group shares, and that taking the peers off would hide.
//!
//! In: peer-adjusted rows of one channel. Out: per group the week in which the evidence crossed its
//! limit. What gives a shared drift away is unequal mileage: who drives more has drifted further from
//! the common mode. Per onset month a regression over the group's vehicles of the peer-adjusted value
//! on own distance less mean distance, each vehicle's level free, covariance robust by vehicle
//! (study, section 5, "All-fleet drift" 1). It says nothing when all vehicles drive alike.
//!
//! With few vehicles a robust variance is too small. Scores are divided by `sqrt(1 - leverage)`
//! (CR2 for one regressor: Bell & McCaffrey, 2002), degrees of freedom are the effective number of
//! vehicles less one (Carter, Schnepel & Steigerwald, 2017), and t is turned into z by Wallace (1959).

use std::f64::consts::FRAC_1_SQRT_2;

use rayon::prelude::*;

use super::fleet::{ResidualRow, SeriesOutcome};
use super::params::Params;
use crate::stats::special::erfcx;

/// Shared drift of one peer group.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct CommonDrift {
    /// Vehicles with rows.
    pub vehicles: usize,
    /// First look beyond the limit, upward.
    pub flagged_up: Option<CommonFlag>,
    /// First look beyond the limit, downward.
    pub flagged_down: Option<CommonFlag>,
    /// Log ratio at the last look, upward; `None` before the first look.
    pub log_r_up: Option<f64>,
    /// Log ratio at the last look, downward.
    pub log_r_down: Option<f64>,
}

/// The night on which a group's evidence crossed its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CommonFlag {
    /// Day of the look.
    pub day: i32,
    /// Most credible slope, channel units per 10,000 km (over-estimated at the flag: study).
    pub slope: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// Days between possible onsets (study).
const ONSET_DAYS: i32 = 28;
/// Fewest vehicles for a group's test.
const FEWEST_VEHICLES: usize = 4;
/// Correlation of neighbouring days for weighing rows (study); the robust variance needs no truth here.
const PHI: f64 = 0.5;
/// Rows that the prior innovation variance weighs.
const PRIOR_ROWS: f64 = 10.0;

/// Looks weekly at every group up to `last_day`; `groups[i]` and `outcomes[i]` belong together.
///
/// Causal: a look uses rows up to its day.
#[must_use]
pub fn common_drift(
    groups: &[usize],
    outcomes: &[SeriesOutcome],
    params: &Params,
    log_limit: f64,
    last_day: i32,
) -> Vec<CommonDrift> {
    let count = groups.iter().map(|g| g + 1).max().unwrap_or(0);
    let mut members: Vec<Vec<&[ResidualRow]>> = vec![Vec::new(); count];
    for (group, outcome) in groups.iter().zip(outcomes) {
        if !outcome.residuals.is_empty() {
            members[*group].push(&outcome.residuals);
        }
    }
    let one = |rows: &Vec<&[ResidualRow]>| Panel::new(rows, params).run(rows, log_limit, last_day);
    members.par_iter().map(one).collect()
}

/// One vehicle's sums, free of any onset.
struct Vehicle {
    next: usize,
    previous: Option<ResidualRow>,
    level: f64,
    rows: f64,
    /// Running variance of a day's innovation.
    innovation: f64,
    oo: f64,
    oy: f64,
}

/// One vehicle's sums for one onset.
#[derive(Clone, Copy, Default)]
struct Regressor {
    /// Odometer at the onset.
    tau: f64,
    /// Regressor at the vehicle's previous row.
    previous: f64,
    oh: f64,
    hh: f64,
    hy: f64,
}

/// A possible onset.
struct Onset {
    /// Mean distance driven up to the onset by the vehicles under way.
    driven: f64,
    of_vehicle: Vec<Regressor>,
}

struct Panel<'a> {
    params: &'a Params,
    vehicles: Vec<Vehicle>,
    onsets: Vec<Onset>,
    started: f64,
    driven: f64,
    out: CommonDrift,
}

impl<'a> Panel<'a> {
    fn new(rows: &[&[ResidualRow]], params: &'a Params) -> Self {
        let innovation = params.step_sd * params.step_sd;
        let vehicle = |_: &&[ResidualRow]| Vehicle {
            next: 0,
            previous: None,
            level: 0.0,
            rows: 0.0,
            innovation,
            oo: 0.0,
            oy: 0.0,
        };
        Self {
            params,
            vehicles: rows.iter().map(vehicle).collect(),
            onsets: Vec::new(),
            started: 0.0,
            driven: 0.0,
            out: CommonDrift { vehicles: rows.len(), ..CommonDrift::default() },
        }
    }

    fn run(mut self, rows: &[&[ResidualRow]], log_limit: f64, last_day: i32) -> CommonDrift {
        let Some(first) = rows.iter().filter_map(|r| r.first()).map(|r| r.day).min() else {
            return self.out;
        };
        if rows.len() < FEWEST_VEHICLES {
            return self.out;
        }
        for day in first..=last_day {
            if (day - first) % ONSET_DAYS == 0 {
                self.add_onset();
            }
            for (i, rows) in rows.iter().enumerate() {
                if let Some(row) = rows.get(self.vehicles[i].next).filter(|r| r.day == day) {
                    self.add_row(i, row);
                }
            }
            let closes = (day - first + 1) % self.params.block_days == 0;
            if closes && day - first >= self.params.min_days {
                self.look(day, log_limit);
            }
        }
        self.out
    }

    fn add_onset(&mut self) {
        let regressor = |v: &Vehicle| Regressor {
            tau: v.previous.map_or(f64::NAN, |row| row.x),
            ..Regressor::default()
        };
        let of_vehicle = self.vehicles.iter().map(regressor).collect();
        self.onsets.push(Onset { driven: self.driven, of_vehicle });
    }

    fn add_row(&mut self, i: usize, row: &ResidualRow) {
        let vehicle = &mut self.vehicles[i];
        let before = vehicle.previous;
        match before {
            // The mean of those that are under way, so that newcomers do not turn it back.
            Some(before) => self.driven += (row.x - before.x) / self.started,
            None => self.started += 1.0,
        }
        let gap = before.map_or(i32::MAX, |b| row.day - b.day);
        let rho = if gap > self.params.longest_gap { 0.0 } else { PHI.powi(gap) };
        let share = 1.0 - rho * rho;
        let previous_r = before.map_or(0.0, |b| b.r);
        let predicted = vehicle.level + rho * (previous_r - vehicle.level);
        let r = if vehicle.rows >= f64::from(self.params.clip_after_rows) {
            let reach = self.params.clip_sd * (vehicle.innovation * share / row.weight).sqrt();
            row.r.clamp(predicted - reach, predicted + reach)
        } else {
            row.r
        };
        let w = row.weight / (vehicle.innovation * share);
        let (o, y) = (1.0 - rho, r - rho * previous_r);
        vehicle.oo += w * o * o;
        vehicle.oy += w * o * y;
        for onset in &mut self.onsets {
            let regressor = &mut onset.of_vehicle[i];
            if regressor.tau.is_nan() {
                regressor.tau = row.x; // joined after the onset: drifts from its first row
            }
            let h = row.x - regressor.tau - (self.driven - onset.driven);
            let white = h - rho * regressor.previous;
            regressor.previous = h;
            regressor.oh += w * o * white;
            regressor.hh += w * white * white;
            regressor.hy += w * white * y;
        }
        if before.is_some() {
            let square = (r - predicted).powi(2) / share * row.weight;
            vehicle.innovation += (square - vehicle.innovation) / (vehicle.rows + PRIOR_ROWS);
        }
        vehicle.rows += 1.0;
        let memory = vehicle.rows.min(f64::from(self.params.clip_after_rows));
        vehicle.level += (r - vehicle.level) / memory;
        vehicle.previous = Some(ResidualRow { r, ..*row });
        vehicle.next += 1;
    }

    fn look(&mut self, day: i32, log_limit: f64) {
        let fits: Vec<Pooled> = self.onsets.iter().filter_map(|o| self.pooled(o)).collect();
        // Onsets are months, the sum counts weeks.
        let weeks = f64::from(ONSET_DAYS) / f64::from(self.params.block_days);
        // A group may drift either way and by less: a half-normal prior of the same mean square.
        let slope_sd = self.params.slope_mean.hypot(self.params.slope_sd);
        let sum = |sign: f64| -> f64 {
            fits.iter().map(|f| f.factor(sign, slope_sd)).sum::<f64>() * weeks
        };
        let (up, down) = (sum(1.0).ln(), sum(-1.0).ln());
        self.out.log_r_up = Some(up);
        self.out.log_r_down = Some(down);
        let flag = |sign: f64| {
            let by_factor = |a: &&Pooled, b: &&Pooled| {
                a.factor(sign, slope_sd).total_cmp(&b.factor(sign, slope_sd))
            };
            fits.iter().max_by(by_factor).map(|best| CommonFlag {
                day,
                slope: best.slope,
                standard_error: best.standard_error,
            })
        };
        if up > log_limit && self.out.flagged_up.is_none() {
            self.out.flagged_up = flag(1.0);
        }
        if down > log_limit && self.out.flagged_down.is_none() {
            self.out.flagged_down = flag(-1.0);
        }
    }

    /// Regression over the vehicles for one onset.
    fn pooled(&self, onset: &Onset) -> Option<Pooled> {
        let projected: Vec<(f64, f64)> = self
            .vehicles
            .iter()
            .zip(&onset.of_vehicle)
            .filter(|(v, r)| v.oo > 0.0 && r.hh > 0.0)
            .map(|(v, r)| (r.hh - r.oh * r.oh / v.oo, r.hy - r.oh * v.oy / v.oo))
            .collect();
        let information: f64 = projected.iter().map(|p| p.0).sum();
        let slope = projected.iter().map(|p| p.1).sum::<f64>() / information;
        let (mut square, mut leverages) = (0.0, 0.0);
        for (h, u) in &projected {
            let leverage = (h / information).min(0.99);
            square += (u - slope * h).powi(2) / (1.0 - leverage);
            leverages += leverage * leverage;
        }
        let standard_error = square.sqrt() / information;
        let df = 1.0 / leverages - 1.0;
        (df >= 2.0 && standard_error > 0.0).then_some(Pooled { slope, standard_error, df })
    }
}

/// Slope over the group for one onset.
#[derive(Debug, Clone, Copy)]
struct Pooled {
    slope: f64,
    standard_error: f64,
    df: f64,
}

impl Pooled {
    /// Bayes factor of a slope in the direction of `sign` against none, half-normal prior.
    fn factor(&self, sign: f64, slope_sd: f64) -> f64 {
        let t = self.slope / self.standard_error;
        let df = self.df;
        let size = (8.0 * df + 1.0) / (8.0 * df + 3.0) * (df * (t * t / df).ln_1p()).sqrt();
        let z = sign * size.copysign(t);
        let ratio = slope_sd / self.standard_error;
        let u = (z * ratio / (1.0 + ratio * ratio).sqrt()).min(37.0);
        erfcx(-u * FRAC_1_SQRT_2) / (1.0 + ratio * ratio).sqrt()
    }
}
