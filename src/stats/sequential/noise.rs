//! Noise of each series from its own residuals, shrunk to the fleet's.
//!
//! In: peer-adjusted rows so far, cut where a level change is known to be possible. Out: [`Noise`]
//! per series, refitted as its rows grow. Slow movement is removed by straight lines over short
//! segments, so that a drift does not count as noise (study, step 2).

use rayon::prelude::*;

use super::params::{Params, PhiRule};
use super::series::{AdjustedRow, Noise, correlation};
use crate::stats::robust::{MAD_TO_SD, median_of};

/// A residual after its segment's straight line was removed.
#[derive(Debug, Clone, Copy)]
struct Residual {
    day: i32,
    /// Scaled to the precision of a normal day.
    value: f64,
}

/// What one series' rows say about its noise by themselves.
#[derive(Debug, Clone, Default)]
pub(crate) struct Residuals {
    values: Vec<Residual>,
    /// End of each segment in `values`.
    ends: Vec<usize>,
    mean_square: f64,
    /// Correlation of neighbouring days and the number of pairs.
    lag_one: (f64, f64),
    /// Sum and number of the block values whose mean estimates kappa, once they are worked out.
    kappa_sum: Option<(f64, f64)>,
}

/// Shortest segment worth detrending: fewer rows leave too little after the line.
const SHORTEST_SEGMENT: usize = 15;
/// Correction for the shrinkage of a mean square's logarithm and the clipping (study, step 2).
const LOG_SIGMA_BIAS: f64 = 0.012;
/// Largest value that one block may give to kappa (study, step 2).
const KAPPA_BLOCK_CAP: f64 = 5.0;

impl Residuals {
    /// Detrends rows between `cuts` (days, ascending) and clips at 3 robust sd.
    pub(crate) fn refit(&mut self, rows: &[AdjustedRow], cuts: &[i32], params: &Params) {
        self.values.clear();
        self.values.reserve(rows.len());
        self.ends.clear();
        let mut start = 0;
        for end in cuts.iter().map(|&c| rows.partition_point(|r| r.day < c)).chain([rows.len()]) {
            if end > start {
                self.add_stretch(&rows[start..end], params.segment_rows);
                start = end;
            }
        }
        self.clip(params.clip_sd, params.sigma_floor);
        self.mean_square = self.values.iter().map(|r| r.value * r.value).sum::<f64>() / self.len();
        self.lag_one = match params.phi {
            PhiRule::Fixed(phi) => (phi, 0.0),
            PhiRule::Estimated { prior, .. } => self.lag_one(prior),
        };
        self.kappa_sum = None;
    }

    fn add_stretch(&mut self, rows: &[AdjustedRow], segment_rows: usize) {
        let pieces = ((rows.len() + segment_rows / 2) / segment_rows).max(1);
        for piece in 0..pieces {
            let segment = &rows[rows.len() * piece / pieces..rows.len() * (piece + 1) / pieces];
            if segment.len() >= SHORTEST_SEGMENT {
                self.add_segment(segment);
            }
        }
    }

    fn add_segment(&mut self, rows: &[AdjustedRow]) {
        let total: f64 = rows.iter().map(|r| r.weight).sum();
        let day = rows.iter().map(|r| r.weight * f64::from(r.day)).sum::<f64>() / total;
        let level = rows.iter().map(|r| r.weight * r.r).sum::<f64>() / total;
        let (mut sxx, mut sxy) = (0.0, 0.0);
        for row in rows {
            let x = f64::from(row.day) - day;
            sxx += row.weight * x * x;
            sxy += row.weight * x * (row.r - level);
        }
        let slope = sxy / sxx;
        self.values.extend(rows.iter().map(|row| {
            let fit = level + slope * (f64::from(row.day) - day);
            Residual { day: row.day, value: (row.r - fit) * row.weight.sqrt() }
        }));
        self.ends.push(self.values.len());
    }

    fn clip(&mut self, clip_sd: f64, floor: f64) {
        let mut sizes: Vec<f64> = self.values.iter().map(|r| r.value.abs()).collect();
        let Some(mad) = median_of(&mut sizes) else {
            return;
        };
        let reach = clip_sd * f64::max(MAD_TO_SD * mad, floor);
        for residual in &mut self.values {
            residual.value = residual.value.clamp(-reach, reach);
        }
    }

    fn len(&self) -> f64 {
        self.values.len() as f64
    }

    fn rows_per_segment(&self) -> f64 {
        self.len() / self.ends.len().max(1) as f64
    }

    /// Share of the variance that the segments' lines take with them.
    fn lost_share(&self, phi: f64) -> f64 {
        (2.0 * (1.0 + phi) / (1.0 - phi) / self.rows_per_segment()).min(0.6)
    }

    /// Log of the marginal sd, corrected for what the lines took and not below `floor`; `None` without variation.
    fn log_sigma(&self, phi: f64, floor: f64) -> Option<f64> {
        let variance = self.mean_square / (1.0 - self.lost_share(phi));
        let variance = if variance < floor * floor { floor * floor } else { variance };
        (variance > 0.0 && variance.is_finite()).then(|| 0.5 * variance.ln() + LOG_SIGMA_BIAS)
    }

    fn segments(&self) -> impl Iterator<Item = &[Residual]> {
        let starts = [0].into_iter().chain(self.ends.iter().copied());
        starts.zip(&self.ends).map(|(start, &end)| &self.values[start..end])
    }

    /// Correlation of neighbouring days and the number of pairs, corrected for what the lines took.
    fn lag_one(&self, phi_guess: f64) -> (f64, f64) {
        let (mut products, mut squares, mut pairs) = (0.0, 0.0, 0.0);
        for segment in self.segments() {
            for pair in segment.windows(2).filter(|pair| pair[1].day - pair[0].day == 1) {
                products += pair[0].value * pair[1].value;
                squares += 0.5 * (pair[0].value.powi(2) + pair[1].value.powi(2));
                pairs += 1.0;
            }
        }
        if squares <= 0.0 {
            return (phi_guess, 0.0);
        }
        let lost = self.lost_share(phi_guess);
        (products / squares * (1.0 - lost) + lost, pairs)
    }

    /// The sum and number for kappa under the noise at the last refit, whatever it is now: the fleet's part in it hardly
    /// moves until the next.
    fn kappa_since_refit(&mut self, sigma: f64, phi: f64, params: &Params) -> (f64, f64) {
        let sum = self.kappa_sum.unwrap_or_else(|| self.kappa_blocks(sigma, phi, params));
        *self.kappa_sum.insert(sum)
    }

    /// Sum and number of the block values whose mean estimates kappa.
    fn kappa_blocks(&self, sigma: f64, phi: f64, params: &Params) -> (f64, f64) {
        let size = params.kappa_block_rows;
        let correction = (1.0 - 2.0 * size as f64 / self.rows_per_segment()).max(0.3);
        let (mut total, mut count) = (0.0, 0.0);
        for segment in self.segments() {
            let whitened = |pair: &[Residual]| {
                let rho = correlation(pair[1].day - pair[0].day, phi, params);
                (pair[1].value - rho * pair[0].value) / (sigma * (1.0 - rho * rho).sqrt())
            };
            // Block by block of `size` pairs, which share their ends.
            let starts = (size..segment.len()).step_by(size).map(|end| end - size);
            for block in starts.map(|start| &segment[start..=start + size]) {
                let sum: f64 = block.windows(2).map(whitened).sum();
                total += (sum * sum / size as f64).min(KAPPA_BLOCK_CAP) / correction;
                count += 1.0;
            }
        }
        (total, count)
    }
}

/// Noise of every series, shrunk to the fleet; `groups` says which peers share a correlation.
pub(crate) fn shrunk_noise(
    residuals: &mut [&mut Residuals],
    groups: &[usize],
    params: &Params,
) -> Vec<Noise> {
    let phi = correlations(residuals, groups, params);
    let own: Vec<Option<f64>> = residuals
        .par_iter()
        .zip(&phi)
        .map(|(r, &phi)| r.log_sigma(phi, params.sigma_floor))
        .collect();
    let known = || own.iter().zip(&*residuals).filter_map(|(own, r)| own.map(|s| (s, r.len())));
    let rows: f64 = known().map(|(_, n)| n).sum();
    // Before any series has a segment: the size of a step, so that nothing looks certain.
    let fleet = if rows > 0.0 {
        known().map(|(s, n)| s * n).sum::<f64>() / rows
    } else {
        params.step_sd.ln()
    };
    let sigma: Vec<f64> = own
        .iter()
        .zip(&*residuals)
        .map(|(own, r)| {
            let share = r.len() / (r.len() + params.sigma_prior_rows);
            own.map_or(fleet, |own| share * own + (1.0 - share) * fleet).exp()
        })
        .collect();
    let blocks: Vec<(f64, f64)> = (residuals.par_iter_mut().zip(&sigma).zip(&phi))
        .map(|((r, &sigma), &phi)| r.kappa_since_refit(sigma, phi, params))
        .collect();
    let (total, count) = blocks.iter().fold((0.0, 0.0), |(t, c), b| (t + b.0, c + b.1));
    let mean = if count > 0.0 { total / count } else { 1.0 };
    let prior = params.kappa_prior_blocks;
    blocks
        .iter()
        .zip(sigma.iter().zip(&phi))
        .map(|(&(total, count), (&sigma, &phi))| {
            let kappa = ((total + prior * mean) / (count + prior)).max(1.0);
            Noise { sigma, phi, kappa }
        })
        .collect()
}

/// Day-to-day correlation of every series under the rule in force.
fn correlations(residuals: &[&mut Residuals], groups: &[usize], params: &Params) -> Vec<f64> {
    let (prior, prior_rows) = match params.phi {
        PhiRule::Fixed(phi) => return vec![phi; residuals.len()],
        PhiRule::Estimated { prior, prior_rows } => (prior, prior_rows),
    };
    let own: Vec<(f64, f64)> = residuals.iter().map(|r| r.lag_one).collect();
    let groups_len = groups.iter().max().map_or(0, |g| g + 1);
    let mut sums = vec![(prior * prior_rows, prior_rows); groups_len];
    for (&(phi, pairs), &group) in own.iter().zip(groups) {
        sums[group].0 += phi * pairs;
        sums[group].1 += pairs;
    }
    own.iter()
        .zip(groups)
        .map(|(&(phi, pairs), &group)| {
            let mean = sums[group].0 / sums[group].1;
            ((phi * pairs + mean * prior_rows) / (pairs + prior_rows)).clamp(0.0, 0.9)
        })
        .collect()
}
