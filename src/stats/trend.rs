//! Monotone trend without assuming a straight line or normal noise.
//!
//! In: values in time order, or points. Out: Mann-Kendall test (also with Hamed and Rao's correction
//! for autocorrelation), Theil-Sen slope with limits.

use super::robust::median_of;
use super::special::{normal_quantile, normal_upper_tail};

/// Result of a Mann-Kendall test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Rising pairs less falling pairs.
    pub s: f64,
    /// Variance of `s` without trend, ties taken into account.
    pub variance: f64,
    /// Standard score with continuity correction.
    pub z: f64,
    /// Two-sided p value by the normal approximation.
    pub p: f64,
    /// `s` over the number of pairs (tau-a; tau-b would leave tied pairs out).
    pub tau: f64,
}

/// Mann-Kendall test of values in time order: Mann (1945), Kendall (1975); `None` below 3 values.
#[must_use]
pub fn mann_kendall(y: &[f64]) -> Option<MannKendall> {
    let times: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
    let variance = kendall_variance(&times, y);
    (y.len() > 2).then(|| judged(kendall_s(&times, y), variance, y.len()))
}

fn judged(s: f64, variance: f64, n: usize) -> MannKendall {
    let z = if s == 0.0 || variance <= 0.0 { 0.0 } else { (s - s.signum()) / variance.sqrt() };
    let tau = s / (n as f64 * (n as f64 - 1.0) / 2.0);
    MannKendall { s, variance, z, p: (2.0 * normal_upper_tail(z.abs())).min(1.0), tau }
}

fn kendall_s(x: &[f64], y: &[f64]) -> f64 {
    let sign = |d: f64| {
        if d > 0.0 {
            1.0
        } else if d < 0.0 {
            -1.0
        } else {
            0.0
        }
    };
    let against = |i: usize| (0..i).map(|j| sign(x[i] - x[j]) * sign(y[i] - y[j])).sum::<f64>();
    (0..y.len()).map(against).sum()
}

/// Variance of Kendall's S with ties in either coordinate: Kendall (1975), ch. 4.
fn kendall_variance(x: &[f64], y: &[f64]) -> f64 {
    let n = x.len() as f64;
    let (t, u) = (ties(x), ties(y));
    let sum = |sizes: &[f64], f: fn(f64) -> f64| sizes.iter().map(|&k| f(k)).sum::<f64>();
    let cubic: fn(f64) -> f64 = |k| k * (k - 1.0) * (2.0 * k + 5.0);
    let triples: fn(f64) -> f64 = |k| k * (k - 1.0) * (k - 2.0);
    let pairs: fn(f64) -> f64 = |k| k * (k - 1.0);
    (cubic(n) - sum(&t, cubic) - sum(&u, cubic)) / 18.0
        + sum(&t, triples) * sum(&u, triples) / (9.0 * triples(n))
        + sum(&t, pairs) * sum(&u, pairs) / (2.0 * pairs(n))
}

/// Sizes of the groups of equal values.
fn ties(values: &[f64]) -> Vec<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a == b).map(|group| group.len() as f64).filter(|n| *n > 1.0).collect()
}

/// Exact P(S >= `s`) for `n` values without ties and without trend (Mahonian numbers).
#[must_use]
pub fn kendall_exact_upper(s: i64, n: usize) -> f64 {
    // Shares of permutations by number of falling pairs, one value more at a time.
    let mut share = vec![1.0];
    for size in 2..=n {
        let mut next = vec![0.0; share.len() + size - 1];
        for (falling, p) in share.iter().enumerate() {
            for more in 0..size {
                next[falling + more] += p / size as f64;
            }
        }
        share = next;
    }
    let pairs = (n * n.saturating_sub(1) / 2) as i64;
    share.iter().enumerate().filter(|(f, _)| pairs - 2 * *f as i64 >= s).map(|(_, p)| p).sum()
}

/// Mann-Kendall test with its variance corrected for autocorrelation: Hamed & Rao (1998).
///
/// Autocorrelation of the ranks after removing the Sen slope; lags up to `most_lags` count when
/// outside the 95 % band `1.96 / sqrt(n)`. `None` below 4 values.
#[must_use]
pub fn hamed_rao(y: &[f64], most_lags: usize) -> Option<MannKendall> {
    let n = y.len();
    if n < 4 {
        return None;
    }
    let plain = mann_kendall(y)?;
    let times: Vec<f64> = (0..n).map(|i| i as f64).collect();
    let slope = theil_sen(&times, y, 0.95)?.slope;
    let rest: Vec<f64> = y.iter().zip(&times).map(|(y, t)| y - slope * t).collect();
    let ranks = mid_ranks(&rest);
    let band = normal_quantile(0.975) / (n as f64).sqrt();
    let size = n as f64;
    let mut inflation = 0.0;
    for lag in 1..=most_lags.min(n - 1) {
        let r = autocorrelation(&ranks, lag);
        if r.abs() > band {
            let left = size - lag as f64;
            inflation += left * (left - 1.0) * (left - 2.0) * r;
        }
    }
    let ratio = 1.0 + 2.0 / (size * (size - 1.0) * (size - 2.0)) * inflation;
    Some(judged(plain.s, plain.variance * ratio, n))
}

/// Autocorrelation at a lag; divisor the full sum of squares.
#[must_use]
pub fn autocorrelation(values: &[f64], lag: usize) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let square: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    let later = values.iter().skip(lag);
    values.iter().zip(later).map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / square
}

/// Ranks from 1; equal values share the mean of theirs.
#[must_use]
pub fn mid_ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0.0; values.len()];
    let mut before = 0;
    for group in order.chunk_by(|&a, &b| values[a] == values[b]) {
        let rank = before as f64 + (group.len() as f64 + 1.0) / 2.0;
        for &i in group {
            ranks[i] = rank;
        }
        before += group.len();
    }
    ranks
}

/// Slope as the median of the slopes of all pairs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes.
    pub slope: f64,
    /// Lower limit.
    pub lo: f64,
    /// Upper limit.
    pub hi: f64,
    /// Conover's intercept: median of `y` less slope times median of `x`.
    pub intercept: f64,
}

/// Theil-Sen slope with a central `level` interval; pairs of equal `x` are left out.
///
/// Limits: the slopes ranked `(N - C) / 2` and `(N + C) / 2 + 1`, `C = z sqrt(var S)` (Sen, 1968;
/// Gilbert, 1987), interpolated between neighbouring slopes as in the EPA's guidance (other
/// libraries round the ranks). `None` without two different `x`.
#[must_use]
pub fn theil_sen(x: &[f64], y: &[f64], level: f64) -> Option<TheilSen> {
    let mut slopes = Vec::with_capacity(x.len() * x.len() / 2);
    for i in 0..x.len() {
        for j in 0..i {
            if x[i] != x[j] {
                slopes.push((y[i] - y[j]) / (x[i] - x[j]));
            }
        }
    }
    slopes.sort_by(f64::total_cmp);
    let slope = median_of(&mut slopes.clone())?;
    let reach = normal_quantile(0.5 + 0.5 * level) * kendall_variance(x, y).max(0.0).sqrt();
    let count = slopes.len() as f64;
    let at = |rank: f64| {
        let rank = rank.clamp(1.0, count);
        let below = rank.floor();
        let low = slopes[below as usize - 1];
        let high = slopes[(below as usize).min(slopes.len() - 1)];
        low + (rank - below) * (high - low)
    };
    let intercept = median_of(&mut y.to_vec())? - slope * median_of(&mut x.to_vec())?;
    Some(TheilSen {
        slope,
        lo: at((count - reach) / 2.0),
        hi: at((count + reach) / 2.0 + 1.0),
        intercept,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_trend_and_too_few_values() {
        assert_eq!(mann_kendall(&[1.0, 1.0, 1.0, 1.0]).unwrap().p, 1.0);
        assert!(mann_kendall(&[1.0, 2.0]).is_none());
        assert!(theil_sen(&[1.0, 1.0], &[1.0, 2.0], 0.95).is_none());
        assert_eq!(mid_ranks(&[3.0, 1.0, 3.0]), vec![2.5, 1.0, 2.5]);
    }

    #[test]
    fn persistence_weakens_a_trend() {
        let mut level = 0.0;
        let walk: Vec<f64> = (0..120)
            .map(|i| {
                level = 0.9 * level + f64::from(i * 37 % 17) - 8.0 + 0.05 * f64::from(i);
                level
            })
            .collect();
        let plain = mann_kendall(&walk).unwrap();
        let corrected = hamed_rao(&walk, 119).unwrap();
        assert!((corrected.s - plain.s).abs() < 1e-12);
        assert!(corrected.variance > plain.variance);
    }
}
