//! One look: how much better "rising steadily since some week" explains a history than "level, or
//! jumped once or twice".
//!
//! In: [`Blocks`]. Out: [`Look`], the log of the ratio upward and downward. One pass serves both,
//! because innocent steps are symmetric. Cost: O(blocks) per projected column.
//!
//! Method: study, step 5. Candidates are a ramp and a step per block; where the log book has an entry, a step is
//! likelier, and it may be larger. Base columns (constant, common mode, a season where no peers take it off, accepted
//! steps) are projected out one by one; each projection is one row of the Cholesky factor of the base's Gram matrix, applied
//! to all candidates at once.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};
use std::sync::LazyLock;

use super::params::Params;
use super::posterior::log_scaled_half_normal;
use super::series::{Block, Blocks, Sums};
use crate::stats::special::{ScaledTail, erfcx};

/// Logged events that may be taken for steps on top of [`Params::accepted_steps`]; more cost time and hardly occur.
const MOST_EVENTS: usize = 4;

/// Days of a mean Gregorian year.
const DAYS_OF_YEAR: f64 = 365.2425;

/// Result of one look at one series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// Log of alternatives over nulls, slope upward.
    pub log_r_up: f64,
    /// Log of alternatives over nulls, slope downward.
    pub log_r_down: f64,
    /// Log of the upward sum of the first round, against "level" only.
    pub log_unguarded_up: f64,
    /// Largest upward log Bayes factor of a ramp in the first round.
    pub max_log_ramp_up: f64,
    /// Largest log Bayes factor of an ordinary step in the first round.
    pub max_log_step: f64,
}

/// One candidate ramp as the posterior needs it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RampFit {
    pub(crate) block: usize,
    /// Log of the round's weight.
    pub(crate) log_round: f64,
    /// Information on the slope.
    pub(crate) g: f64,
    /// Score of the slope.
    pub(crate) z: f64,
}

/// Memory that is reused from look to look.
#[derive(Debug, Default)]
pub struct Workspace {
    suffix: Vec<Sums>,
    ramp: Candidates,
    step: Candidates,
    columns: Vec<Column>,
    used: usize,
    accepted: Vec<usize>,
    exponent: Vec<f64>,
    factor: Vec<f64>,
    /// Of each block's two kinds of step.
    step_terms: Vec<[StepTerm; 2]>,
}

/// Bayes factor of one step, `exp(exponent) factor`, and the prior odds of the step.
#[derive(Debug, Clone, Copy)]
struct StepTerm {
    exponent: f64,
    factor: f64,
    odds: f64,
}

/// Remaining information and score of one candidate per block after the projections so far.
#[derive(Debug, Default)]
struct Candidates {
    g: Vec<f64>,
    z: Vec<f64>,
}

/// One projected base column.
#[derive(Debug, Default)]
struct Column {
    ramp: Vec<f64>,
    step: Vec<f64>,
    score: f64,
    /// Its row of the Cholesky factor left of the diagonal, and one over the diagonal.
    on_base: Vec<f64>,
    scale: f64,
}

impl Workspace {
    /// Looks at a series; needs at least one block.
    pub fn look(&mut self, blocks: &Blocks, params: &Params) -> Look {
        self.rounds(blocks, params, |_, _, _| {})
    }

    /// All candidate ramps with their rounds' weights, for the posterior.
    pub(crate) fn ramp_fits(&mut self, blocks: &Blocks, params: &Params) -> Vec<RampFit> {
        let mut fits = Vec::new();
        self.rounds(blocks, params, |log_round, g, z| {
            let with_index = g.iter().zip(z).enumerate().skip(1);
            fits.extend(with_index.map(|(block, (&g, &z))| RampFit { block, log_round, g, z }));
        });
        fits
    }

    fn rounds(
        &mut self,
        blocks: &Blocks,
        params: &Params,
        mut record: impl FnMut(f64, &[f64], &[f64]),
    ) -> Look {
        self.start(blocks);
        self.project_constant(blocks);
        self.project_common_mode(blocks, params);
        if blocks.season_sd > 0.0 {
            self.project_season(blocks, |(sin, _)| sin);
            self.project_season(blocks, |(_, cos)| cos);
        }
        let events = blocks.list.iter().skip(1).filter(|b| b.break_share.is_some()).count();
        let most_steps = params.accepted_steps + events.min(MOST_EVENTS);
        let (mut up, mut down, mut null) = (LogSum::empty(), LogSum::empty(), LogSum::one());
        let mut log_round = 0.0;
        let mut first = None;
        for round in 0..=most_steps {
            record(log_round, &self.ramp.g, &self.ramp.z);
            let ramps = self.ramp_sums(params.slope_mean, params.slope_sd);
            up.add(log_round + ramps.log_up);
            down.add(log_round + ramps.log_down);
            let steps = self.step_sum(blocks, params);
            first.get_or_insert((ramps, steps.log_max_factor));
            log_round += steps.log_sum - ((round + 1) as f64).ln();
            null.add(log_round);
            if steps.log_max < params.accept_log_odds || round == most_steps {
                break;
            }
            self.project_step(blocks, steps.best, steps.accepted_sd);
            self.accepted.push(steps.best);
        }
        let (ramps, max_log_step) = first.unwrap_or_default();
        Look {
            log_r_up: up.value() - null.value(),
            log_r_down: down.value() - null.value(),
            log_unguarded_up: ramps.log_up,
            max_log_ramp_up: ramps.log_max_up,
            max_log_step,
        }
    }

    /// Suffix sums and the candidates before any projection.
    fn start(&mut self, blocks: &Blocks) {
        let n = blocks.list.len();
        self.used = 0;
        self.accepted.clear();
        self.suffix.clear();
        self.suffix.resize(n, Sums::default());
        for candidates in [&mut self.ramp, &mut self.step] {
            candidates.g.clear();
            candidates.g.resize(n, 0.0);
            candidates.z.clear();
            candidates.z.resize(n, 0.0);
        }
        let mut sums = Sums::default();
        for (k, block) in blocks.list.iter().enumerate().rev() {
            sums.add(&block.sums);
            self.suffix[k] = sums;
            let tau = block.tau;
            self.ramp.g[k] = sums.sxx - tau * (2.0 * sums.s1x - tau * sums.s11);
            self.ramp.z[k] = sums.sxr - tau * sums.s1r;
            self.step.g[k] = sums.s11 + 2.0 * block.first.one + block.first.square;
            self.step.z[k] = sums.s1r + block.first.r;
        }
    }

    /// Hands out the next column's memory.
    fn next_column(&mut self) -> Column {
        if self.columns.len() == self.used {
            self.columns.push(Column::default());
        }
        let mut column = std::mem::take(&mut self.columns[self.used]);
        let n = self.suffix.len();
        column.ramp.clear();
        column.ramp.resize(n, 0.0);
        column.step.clear();
        column.step.resize(n, 0.0);
        column
    }

    fn project_constant(&mut self, blocks: &Blocks) {
        let mut column = self.next_column();
        for (k, block) in blocks.list.iter().enumerate() {
            let s = &self.suffix[k];
            column.ramp[k] = s.s1x - block.tau * s.s11;
            column.step[k] = s.s11 + block.first.one;
        }
        let total = self.suffix[0];
        self.finish_base(column, &[], total.s11, total.s1r);
    }

    fn project_common_mode(&mut self, blocks: &Blocks, params: &Params) {
        let mut column = self.next_column();
        for (k, block) in blocks.list.iter().enumerate() {
            let s = &self.suffix[k];
            column.ramp[k] = s.sxm - block.tau * s.s1m;
            column.step[k] = s.s1m + block.first.m;
        }
        let total = self.suffix[0];
        let prior = (params.sensitivity_sd * params.sensitivity_sd).recip();
        self.finish_base(column, &[total.s1m], total.smm + prior, total.smr);
    }

    /// Puts one half of a wave of a year into the base, with a normal prior of sd [`Blocks::season_sd`]; it counts as
    /// the same within a block, and stays where it was when peers joined.
    fn project_season(&mut self, blocks: &Blocks, half: fn((f64, f64)) -> f64) {
        let until = blocks.season_until;
        let wave = |block: &Block| (TAU * f64::from(block.day.min(until)) / DAYS_OF_YEAR).sin_cos();
        let mut column = self.next_column();
        // Products with the columns of ones, of distance, of the common mode, with itself, and with the residual.
        let (mut one, mut x, mut m, mut square, mut score) = (0.0, 0.0, 0.0, 0.0, 0.0);
        let mut other_half = 0.0;
        for (k, block) in blocks.list.iter().enumerate().rev() {
            let (wave, sums) = (wave(block), &block.sums);
            let h = half(wave);
            one += h * sums.s11;
            x += h * sums.s1x;
            m += h * sums.s1m;
            square += h * h * sums.s11;
            other_half += h * wave.0 * sums.s11;
            score += h * sums.s1r;
            column.ramp[k] = x - block.tau * one;
            column.step[k] = one + h * block.first.one;
        }
        let with_base = [one, m, other_half];
        let prior = (blocks.season_sd * blocks.season_sd).recip();
        self.finish_base(column, &with_base[..self.used], square + prior, score);
    }

    /// Puts the step at block `at` into the base, with a normal prior of sd `prior_sd` on its size.
    fn project_step(&mut self, blocks: &Blocks, at: usize, prior_sd: f64) {
        let mut column = self.next_column();
        let (own, first) = (self.suffix[at], blocks.list[at].first);
        for (k, block) in blocks.list.iter().enumerate() {
            let s = &self.suffix[k];
            // A ramp that begins in the step's own block: its product with the step's first row, a
            // day's distance, is left out as the study's vector does (below 2e-4 in the log ratio).
            if k < at {
                let tau = block.tau;
                column.ramp[k] = own.s1x - tau * own.s11 + first.x - tau * first.one;
                column.step[k] = own.s11 + first.one;
            } else {
                column.ramp[k] = s.s1x - block.tau * s.s11;
                column.step[k] = s.s11 + block.first.one;
            }
        }
        column.step[at] = own.s11 + 2.0 * first.one + first.square;
        let on_base: Vec<f64> = self.columns[..self.used].iter().map(|c| c.step[at]).collect();
        let information = self.step.g[at] + (prior_sd * prior_sd).recip();
        self.finish_column(column, &on_base, information, self.step.z[at]);
    }

    /// The same for a column of which the products with the base columns before it and with itself are known.
    fn finish_base(&mut self, column: Column, with_base: &[f64], square: f64, score: f64) {
        let mut on_base: Vec<f64> = Vec::with_capacity(with_base.len());
        let (mut information, mut score) = (square, score);
        for (product, base) in with_base.iter().zip(&self.columns) {
            let shared: f64 = on_base.iter().zip(&base.on_base).map(|(a, b)| a * b).sum();
            let l = (product - shared) * base.scale;
            information -= l * l;
            score -= l * base.score;
            on_base.push(l);
        }
        self.finish_column(column, &on_base, information, score);
    }

    /// Turns cross products with a new column into its row of the Cholesky factor and projects it out.
    fn finish_column(&mut self, mut column: Column, on_base: &[f64], information: f64, score: f64) {
        for (base, &shared) in self.columns[..self.used].iter().zip(on_base) {
            subtract(&mut column.ramp, &base.ramp, shared);
            subtract(&mut column.step, &base.step, shared);
        }
        // A column that the base already explains carries no information; dividing would only add rounding.
        let scale = if information > 0.0 { information.sqrt().recip() } else { 0.0 };
        column.score = score * scale;
        column.scale = scale;
        column.on_base.clear();
        column.on_base.extend_from_slice(on_base);
        project_out(&mut self.ramp, &mut column.ramp, scale, column.score);
        project_out(&mut self.step, &mut column.step, scale, column.score);
        self.columns[self.used] = column;
        self.used += 1;
    }

    /// Sums over blocks of each ramp's Bayes factor under a normal prior on the slope, cut at nought.
    ///
    /// With prior mean `m`, sd `s` and `a = m / s`, and `u = (a ± s z) / sqrt(1 + s² G)` upward and downward, it is
    /// `Phi(u) / Phi(a) exp((u² - a²) / 2) / sqrt(1 + s² G)`, where `Phi(u) exp(u² / 2) = erfcx(-u / sqrt 2) / 2`.
    fn ramp_sums(&mut self, slope_mean: f64, slope_sd: f64) -> RampSums {
        let variance = slope_sd * slope_sd;
        let a = slope_mean / slope_sd;
        let n = self.ramp.g.len();
        self.exponent.resize(n, 0.0);
        self.factor.resize(n, 0.0);
        let mut peak = 0.0_f64;
        for k in 1..n {
            let shrink = (1.0 + variance * self.ramp.g[k].max(0.0)).sqrt().recip();
            self.factor[k] = shrink;
            self.exponent[k] = self.ramp.z[k] * slope_sd * shrink;
            peak = peak.max(self.exponent[k].abs() + a * shrink);
        }
        let shift = if peak < 30.0 { 0.0 } else { 0.5 * peak * peak };
        let unit = (-shift).exp();
        let near = &*SCALED_TAIL;
        // Twice Phi(u) exp(u² / 2 - shift).
        let doubled = |u: f64| {
            if let Some(value) = near.at(-u * FRAC_1_SQRT_2) {
                return value * unit;
            }
            let beyond = erfcx(u.abs() * FRAC_1_SQRT_2) * unit;
            if u > 0.0 { 2.0 * (0.5 * u * u - shift).exp() - beyond } else { beyond }
        };
        let (mut up, mut down, mut max_up) = (0.0, 0.0, 0.0_f64);
        for k in 1..n {
            let (centre, score, factor) = (a * self.factor[k], self.exponent[k], self.factor[k]);
            let one_up = doubled(centre + score) * factor;
            up += one_up;
            down += doubled(centre - score) * factor;
            max_up = max_up.max(one_up);
        }
        let scale = shift - log_scaled_half_normal(a);
        RampSums {
            log_up: up.ln() + scale,
            log_down: down.ln() + scale,
            log_max_up: max_up.ln() + scale,
        }
    }

    /// Sum over blocks of each step's prior odds times its Bayes factor,
    /// `exp(z² q² / (2 (1 + q² G))) / sqrt(1 + q² G)`, and the best of them.
    fn step_sum(&mut self, blocks: &Blocks, params: &Params) -> StepSum {
        let n = self.step.g.len();
        let priors = |k: usize| {
            let block = &blocks.list[k];
            params.steps_at(block.break_share, block.day - block.tau_day)
        };
        self.step_terms.clear();
        let mut peak = 0.0_f64;
        for k in 1..n {
            let (g, z2) = (self.step.g[k].max(0.0), self.step.z[k] * self.step.z[k]);
            let free = f64::from(u8::from(!self.accepted.contains(&k)));
            self.step_terms.push(priors(k).map(|prior| {
                let variance = prior.sd * prior.sd;
                let shrink = (1.0 + variance * g).recip();
                let exponent = 0.5 * z2 * variance * shrink;
                peak = peak.max(exponent);
                StepTerm { exponent, factor: free * shrink.sqrt(), odds: prior.odds }
            }));
        }
        let shift = if peak < 450.0 { 0.0 } else { peak };
        let (mut sum, mut max, mut best) = (0.0, 0.0, (0, 0));
        let mut ordinary = 0.0_f64;
        for (i, kinds) in self.step_terms.iter().enumerate() {
            let factors = kinds.map(|t| (t.exponent - shift).exp() * t.factor);
            let terms = [factors[0] * kinds[0].odds, factors[1] * kinds[1].odds];
            let both = terms[0] + terms[1];
            sum += both;
            ordinary = ordinary.max(factors[0]);
            if both > max {
                (max, best) = (both, (i + 1, usize::from(terms[1] > terms[0])));
            }
        }
        StepSum {
            log_sum: sum.ln() + shift,
            log_max: max.ln() + shift,
            log_max_factor: ordinary.ln() + shift,
            best: best.0,
            accepted_sd: priors(best.0)[best.1].accepted_sd,
        }
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct RampSums {
    log_up: f64,
    log_down: f64,
    log_max_up: f64,
}

struct StepSum {
    log_sum: f64,
    /// Log of the best step's prior odds times its Bayes factor.
    log_max: f64,
    /// Log of the largest Bayes factor of an ordinary step.
    log_max_factor: f64,
    best: usize,
    accepted_sd: f64,
}

fn subtract(target: &mut [f64], column: &[f64], factor: f64) {
    for (t, c) in target.iter_mut().zip(column) {
        *t -= factor * c;
    }
}

fn project_out(candidates: &mut Candidates, column: &mut [f64], scale: f64, score: f64) {
    let remaining = candidates.g.iter_mut().zip(candidates.z.iter_mut());
    for (v, (g, z)) in column.iter_mut().zip(remaining) {
        *v *= scale;
        *g -= *v * *v;
        *z -= *v * score;
    }
}

/// Shared by all looks.
static SCALED_TAIL: LazyLock<ScaledTail> = LazyLock::new(ScaledTail::new);

/// A sum kept as its logarithm.
#[derive(Debug, Clone, Copy)]
struct LogSum {
    log: f64,
}

impl LogSum {
    fn empty() -> Self {
        Self { log: f64::NEG_INFINITY }
    }

    fn one() -> Self {
        Self { log: 0.0 }
    }

    fn add(&mut self, log: f64) {
        let (low, high) = if log < self.log { (log, self.log) } else { (self.log, log) };
        if low > f64::NEG_INFINITY {
            self.log = high + (low - high).exp().ln_1p();
        } else {
            self.log = high;
        }
    }

    fn value(self) -> f64 {
        self.log
    }
}

#[cfg(test)]
mod tests {
    use super::super::series::{AdjustedRow, Noise};
    use super::*;

    /// Solution of `a x = b` for a small matrix, row-major, by elimination.
    fn solve(mut a: Vec<f64>, mut b: Vec<f64>) -> Vec<f64> {
        let n = b.len();
        for i in 0..n {
            for j in i + 1..n {
                let f = a[j * n + i] / a[i * n + i];
                (i..n).for_each(|k| a[j * n + k] -= f * a[i * n + k]);
                b[j] -= f * b[i];
            }
        }
        for i in (0..n).rev() {
            let known: f64 = (i + 1..n).map(|k| a[i * n + k] * b[k]).sum();
            b[i] = (b[i] - known) / a[i * n + i];
        }
        b
    }

    /// With a season in the base, information and score of every ramp are those of the normal equations with all base
    /// columns at once (ridge regression: Hoerl and Kennard, Technometrics 12, 1970; from memory).
    #[test]
    fn a_season_is_projected_out_as_the_normal_equations_have_it() {
        let params = Params { clip_sd: f64::INFINITY, ..Params::default() };
        let noise = Noise { sigma: 1.5, phi: 0.5, kappa: 1.2 };
        let row = |day: i32| {
            let d = f64::from(day);
            let (m, r) = ((d / 31.0).sin(), 0.02 * d + (d * 1.7).sin());
            AdjustedRow { day, x: 0.004 * d, m, r, weight: 1.0 }
        };
        let rows: Vec<AdjustedRow> = (0..260).filter(|d| d % 5 != 3).map(row).collect();
        let mut blocks = Blocks::from_rows(&rows, &[], &noise, &params);
        (blocks.season_sd, blocks.season_until) = (1.1, 200);
        let fits = Workspace::default().ramp_fits(&blocks, &params);
        let block_of = |day: i32| blocks.list.partition_point(|b| b.day <= day) - 1;
        for fit in fits.iter().filter(|f| f.log_round == 0.0) {
            let (mut gram, mut on_ramp, mut on_r) = (vec![0.0; 16], vec![0.0; 4], vec![0.0; 4]);
            let (mut g, mut z) = (0.0, 0.0);
            for (i, now) in rows.iter().enumerate() {
                let before = i.checked_sub(1).map(|p| rows[p]);
                let rho = before.map_or(0.0, |p| noise.phi.powi(now.day - p.day));
                let last = before.unwrap_or(AdjustedRow { m: 0.0, r: 0.0, x: 0.0, ..*now });
                let w = 1.0 / (noise.kappa * noise.sigma.powi(2) * (1.0 - rho * rho));
                let (block, o) = (block_of(now.day), 1.0 - rho);
                let year = TAU * f64::from(blocks.list[block].day.min(200)) / DAYS_OF_YEAR;
                let base = [o, now.m - rho * last.m, o * year.sin(), o * year.cos()];
                let begun = f64::from(u8::from(block >= fit.block));
                let ramp = begun * (now.x - rho * last.x - blocks.list[fit.block].tau * o);
                let r = now.r - rho * last.r;
                for a in 0..4 {
                    (0..4).for_each(|b| gram[a * 4 + b] += w * base[a] * base[b]);
                    on_ramp[a] += w * base[a] * ramp;
                    on_r[a] += w * base[a] * r;
                }
                g += w * ramp * ramp;
                z += w * ramp * r;
            }
            for (at, sd) in [(1, params.sensitivity_sd), (2, 1.1), (3, 1.1)] {
                gram[at * 5] += 1.0 / (sd * sd);
            }
            let shadow = solve(gram, on_ramp.clone());
            g -= shadow.iter().zip(&on_ramp).map(|(s, c)| s * c).sum::<f64>();
            z -= shadow.iter().zip(&on_r).map(|(s, c)| s * c).sum::<f64>();
            assert!((fit.g - g).abs() < 1e-9 * (1.0 + g), "{} {g}", fit.g);
            assert!((fit.z - z).abs() < 1e-8 * (1.0 + z.abs()), "{} {z}", fit.z);
        }
        assert!(fits.iter().filter(|f| f.log_round == 0.0).count() > 30);
    }
}
