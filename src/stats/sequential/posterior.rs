//! What a look says about the slope: interval, onset, accumulated change.
//!
//! In: [`Blocks`] and the reference's sd. Out: [`SlopePosterior`]. A mixture over onset weeks and
//! accepted steps, each component a normal cut at zero, widened for steps the scan leaves
//! unresolved and for the peers' own drift (study, step 6).

use super::params::Params;
use super::scan::{RampFit, Workspace};
use super::series::Blocks;
use crate::stats::special::{UpperPart, erfcx, normal_density_ratio};

/// Odometer below which a ramp's reach is not believed to shrink further, 10,000 km (study's vector).
const SHORTEST_REACH: f64 = 0.05;

/// Which way a drift goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Direction {
    /// The channel rises.
    Up,
    /// The channel falls.
    Down,
}

/// The slope given that there is a ramp in the stated direction.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SlopePosterior {
    /// 2.5 % point, channel units per 10,000 km (negative for a downward ramp).
    pub lo: f64,
    /// Median.
    pub mid: f64,
    /// 97.5 % point.
    pub hi: f64,
    /// 2.5 % point of the day on which the ramp began.
    pub onset_lo: i32,
    /// Median onset day.
    pub onset_mid: i32,
    /// 97.5 % point of the onset day.
    pub onset_hi: i32,
    /// Mean of what the ramp has added by the last row, channel units.
    pub change: f64,
    /// Its sd.
    pub change_sd: f64,
}

/// One onset's share of the posterior: a normal cut at zero.
struct Component {
    weight: f64,
    block: usize,
    mean: f64,
    sd: f64,
    /// Odometer since the onset, 10,000 km.
    reach: f64,
}

/// Posterior of the slope on `night` from the rows so far, or `None` while no ramp can have begun.
pub fn slope_posterior(
    blocks: &Blocks,
    direction: Direction,
    night: i32,
    reference_sd: f64,
    params: &Params,
    work: &mut Workspace,
) -> Option<SlopePosterior> {
    Ramps::of(blocks, direction, night, reference_sd, params, work).map(|ramps| ramps.posterior())
}

/// The ramps that may explain a history, at least one, with their shares of the posterior.
pub(crate) struct Ramps<'b> {
    blocks: &'b Blocks,
    direction: Direction,
    components: Vec<Component>,
}

impl<'b> Ramps<'b> {
    /// Those that may have begun by `night`; `None` while none can have.
    pub(crate) fn of(
        blocks: &'b Blocks,
        direction: Direction,
        night: i32,
        reference_sd: f64,
        params: &Params,
        work: &mut Workspace,
    ) -> Option<Self> {
        let fits = work.ramp_fits(blocks, params);
        let components = components(&fits, blocks, direction, night, reference_sd, params);
        (!components.is_empty()).then_some(Self { blocks, direction, components })
    }

    /// Size of the [`SlopePosterior::change`], without the quantiles, which cost far more.
    pub(crate) fn change_size(&self) -> f64 {
        change_moments(&self.components).0
    }

    /// The slope, given that there is a ramp.
    pub(crate) fn posterior(&self) -> SlopePosterior {
        let at = |p: f64| quantile(&self.components, p);
        let (near, mid, far) = (at(0.025), at(0.5), at(0.975));
        let mut onset = vec![0.0; self.blocks.list.len()];
        for c in &self.components {
            onset[c.block] += c.weight;
        }
        let (change, square) = change_moments(&self.components);
        let change_sd = (square - change * change).max(0.0).sqrt();
        let onset_day = |p: f64| {
            let mut sum = 0.0;
            let found = onset.iter().position(|w| {
                sum += w;
                sum >= p
            });
            self.blocks.list[found.unwrap_or(self.components[0].block)].tau_day
        };
        let (lo, mid, hi, change) = match self.direction {
            Direction::Up => (near, mid, far, change),
            Direction::Down => (-far, -mid, -near, -change),
        };
        SlopePosterior {
            lo,
            mid,
            hi,
            onset_lo: onset_day(0.025),
            onset_mid: onset_day(0.5),
            onset_hi: onset_day(0.975),
            change,
            change_sd,
        }
    }
}

/// Mean and mean square of what the ramp has added.
fn change_moments(components: &[Component]) -> (f64, f64) {
    let (mut change, mut square) = (0.0, 0.0);
    for c in components {
        let (mean, variance) = cut_normal_moments(c.mean, c.sd);
        change += c.weight * mean * c.reach;
        square += c.weight * (variance + mean * mean) * c.reach * c.reach;
    }
    (change, square)
}

fn components(
    fits: &[RampFit],
    blocks: &Blocks,
    direction: Direction,
    night: i32,
    reference_sd: f64,
    params: &Params,
) -> Vec<Component> {
    let sign = if direction == Direction::Up { 1.0 } else { -1.0 };
    let s2 = params.slope_sd * params.slope_sd;
    let log_weight = |fit: &RampFit| {
        let shrink = 1.0 + s2 * fit.g.max(0.0);
        let u =
            (params.slope_mean / params.slope_sd + sign * fit.z * params.slope_sd) / shrink.sqrt();
        fit.log_round + log_scaled_half_normal(u) - 0.5 * shrink.ln()
    };
    let logs: Vec<f64> = fits.iter().map(log_weight).collect();
    let peak = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let last_x = blocks.last_x();
    let weeks_per_x = weeks_per_odometer(blocks, night);
    let steps = 1.2 * params.unresolved_steps * params.step_variance_per_week();
    let mut components: Vec<Component> = fits
        .iter()
        .zip(&logs)
        // Shares below e^-16 of the largest cannot move a quantile by a printed digit.
        .filter(|(fit, log)| **log > peak - 16.0 && last_x > blocks.list[fit.block].tau)
        .map(|(fit, log)| {
            let reach = (last_x - blocks.list[fit.block].tau).max(SHORTEST_REACH);
            let shrink = 1.0 + s2 * fit.g.max(0.0);
            let reference = params.reference_variances * (reference_sd / reach).powi(2);
            let unresolved = (params.unresolved_reach / reach).min(1.0);
            let extra = unresolved * steps * weeks_per_x / reach + reference;
            Component {
                weight: (log - peak).exp(),
                block: fit.block,
                mean: (params.slope_mean + sign * fit.z * s2) / shrink,
                sd: (s2 / shrink + extra).sqrt(),
                reach,
            }
        })
        .collect();
    let total: f64 = components.iter().map(|c| c.weight).sum();
    for c in &mut components {
        c.weight /= total;
    }
    components
}

/// Log of `2 Phi(u) exp(u²/2)`.
pub(super) fn log_scaled_half_normal(u: f64) -> f64 {
    let t = u.abs() * std::f64::consts::FRAC_1_SQRT_2;
    if u > 0.0 { 0.5 * u * u + (2.0 - erfcx(t) * (-0.5 * u * u).exp()).ln() } else { erfcx(t).ln() }
}

/// Weeks per 10,000 km over the whole history.
fn weeks_per_odometer(blocks: &Blocks, night: i32) -> f64 {
    blocks.list.first().map_or(0.0, |first| {
        f64::from(night - first.day) / 7.0 / (blocks.last_x() - first.tau).max(1e-9)
    })
}

/// Mean and variance of a normal cut to positive values.
fn cut_normal_moments(mean: f64, sd: f64) -> (f64, f64) {
    let a = -mean / sd;
    let hazard = normal_density_ratio(a, a);
    (mean + sd * hazard, (sd * sd * (1.0 + a * hazard - hazard * hazard)).max(0.0))
}

/// Quantile of a mixture of cut normals: Newton's steps held inside a bracket.
fn quantile(components: &[Component], p: f64) -> f64 {
    let parts: Vec<UpperPart> =
        components.iter().map(|c| UpperPart::above(-c.mean / c.sd)).collect();
    let upper = |x: f64| -> (f64, f64) {
        components.iter().zip(&parts).fold((0.0, 0.0), |(tail, density), (c, part)| {
            let (above, at) = part.tail_and_density((x - c.mean) / c.sd);
            (tail + c.weight * above, density + c.weight * at / c.sd)
        })
    };
    let (mut low, mut high) = (0.0, 0.0);
    for c in components {
        high = f64::max(high, c.mean.max(0.0) + 8.0 * c.sd);
    }
    let mut x = components.iter().map(|c| c.weight * c.mean.max(c.sd)).sum::<f64>();
    for _ in 0..60 {
        let (tail, density) = upper(x);
        let excess = 1.0 - tail - p;
        if excess > 0.0 {
            high = x;
        } else {
            low = x;
        }
        let newton = x - excess / density;
        let next = if newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - x).abs() < 1e-9 * (1.0 + x) {
            return next;
        }
        x = next;
    }
    x
}
