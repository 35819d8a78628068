//! Baseline and recent window of a series, and the change between them.

use crate::stats::sequential::ResidualRow;
use crate::tables::findings::Estimate;

/// Peer-adjusted values of a series in its two windows: (day, value).
#[derive(Debug, Clone, Default)]
pub(super) struct Windows {
    pub(super) base: Vec<(i32, f64)>,
    pub(super) now: Vec<(i32, f64)>,
    /// Correlation from one day to the next.
    pub(super) phi: f64,
    /// Standard deviation of the peers' reference.
    pub(super) reference_sd: f64,
}

/// Rows that either window must have.
const ROWS_MIN: usize = 8;

/// Rows until which a baseline goes on where few days are logged, and days that a recent window may reach back for its
/// own (common practice, no source).
pub(super) const BASE_ROWS: usize = 15;
const REACH_DAYS: i32 = 120;

impl Windows {
    /// The first `base_days` of `rows` and the last `now_days`, longer where few days are logged; the second begins after
    /// the first has ended.
    pub(super) fn of(
        rows: &[ResidualRow],
        base_days: i32,
        now_days: i32,
        phi: f64,
        reference_sd: f64,
    ) -> Windows {
        let mut windows = Windows { phi, reference_sd, ..Windows::default() };
        let (base, rest) = rows.split_at(base_len(rows, base_days, |r| r.day));
        let pairs = |rows: &[ResidualRow]| rows.iter().map(|r| (r.day, r.r)).collect();
        windows.base = pairs(base);
        windows.now = pairs(recent(rest, now_days, ROWS_MIN, |r| r.day));
        windows
    }

    /// Whether both windows have enough rows.
    pub(super) fn usable(&self) -> bool {
        self.base.len() >= ROWS_MIN && self.now.len() >= ROWS_MIN
    }

    /// Mean change with a 95 % interval; rows correlated by `phi` from day to day count less.
    pub(super) fn change(&self) -> Estimate {
        if !self.usable() {
            return Estimate::NONE;
        }
        let value = mean(&self.now) - mean(&self.base);
        let half = 1.96 * self.variance_with(self).sqrt();
        Estimate { value, lo: value - half, hi: value + half }
    }

    /// Covariance of this series' change with another's, from the rows of days that both have.
    pub(super) fn variance_with(&self, other: &Windows) -> f64 {
        let phi = 0.5 * (self.phi + other.phi);
        let inflation = (1.0 + phi) / (1.0 - phi);
        let mut total = self.reference_sd * other.reference_sd * 2.0;
        for (a, b) in [(&self.base, &other.base), (&self.now, &other.now)] {
            if let Some(covariance) = daily_covariance(a, b) {
                total += inflation * covariance / (a.len().min(b.len()) as f64);
            }
        }
        total
    }
}

/// Covariance (row-major) of the changes of several series: each one's own variance, and one covariance
/// common to all pairs, the mean of what the pairs show.
///
/// One common factor (the day's noise moves all bands together) keeps the matrix positive definite,
/// which pairwise estimates from different days would not.
pub(super) fn one_factor(series: &[&Windows]) -> Vec<f64> {
    let n = series.len();
    let variance: Vec<f64> = series.iter().map(|w| w.variance_with(w)).collect();
    let mut pairs: Vec<f64> = Vec::new();
    for i in 0..n {
        for j in 0..i {
            pairs.push(series[i].variance_with(series[j]));
        }
    }
    let smallest = variance.iter().copied().min_by(f64::total_cmp).unwrap_or(0.0);
    let common = (pairs.iter().sum::<f64>() / pairs.len().max(1) as f64).clamp(0.0, 0.9 * smallest);
    let mut matrix = vec![common; n * n];
    for (i, v) in variance.into_iter().enumerate() {
        matrix[i * n + i] = v;
    }
    matrix
}

/// Number of rows of the first `days` days, or [`BASE_ROWS`] where these are fewer.
pub(super) fn base_len<R>(rows: &[R], days: i32, day: impl Fn(&R) -> i32) -> usize {
    let first = rows.first().map_or(0, &day);
    rows.partition_point(|r| day(r) < first + days).max(BASE_ROWS).min(rows.len())
}

/// Rows of the last `days` days, or the last `fewest` within [`REACH_DAYS`] where these are fewer.
pub(super) fn recent<R>(rows: &[R], days: i32, fewest: usize, day: impl Fn(&R) -> i32) -> &[R] {
    let Some(last) = rows.last().map(&day) else { return rows };
    let enough = rows.len().saturating_sub(fewest);
    let from = rows.partition_point(|r| day(r) <= last - days).min(enough);
    let from = from.max(rows.partition_point(|r| day(r) <= last - REACH_DAYS));
    &rows[from..]
}

/// Mean of the values; `NaN` of none.
pub(super) fn mean(rows: &[(i32, f64)]) -> f64 {
    rows.iter().map(|r| r.1).sum::<f64>() / rows.len() as f64
}

/// Covariance of values on the days that both have, around each one's own mean.
fn daily_covariance(a: &[(i32, f64)], b: &[(i32, f64)]) -> Option<f64> {
    let (mean_a, mean_b) = (mean(a), mean(b));
    let (mut sum, mut n, mut j) = (0.0, 0.0, 0);
    for (day, value) in a {
        while j < b.len() && b[j].0 < *day {
            j += 1;
        }
        if j < b.len() && b[j].0 == *day {
            sum += (value - mean_a) * (b[j].1 - mean_b);
            n += 1.0;
        }
    }
    (n > 2.0).then(|| sum / (n - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_vehicle_that_logs_one_day_a_week_has_both_windows() {
        let weekly = |rows: i32| -> Vec<ResidualRow> {
            let r = |i: i32| if i < 40 { 0.0 } else { 4.0 };
            (0..rows).map(|i| ResidualRow { day: 7 * i, x: 0.0, r: r(i), weight: 1.0 }).collect()
        };
        let of = |rows: i32| Windows::of(&weekly(rows), 60, 45, 0.5, 0.0);
        assert_eq!((of(60).base.len(), of(60).now.len()), (15, 8));
        assert!((of(60).change().value - 4.0).abs() < 1e-12);
        assert!(!of(20).usable(), "the second window may not reach into the first");
        // A logger that fell silent for half a year says nothing of now.
        let mut silent = weekly(60);
        silent.iter_mut().skip(57).for_each(|r| r.day += 180);
        assert!(!Windows::of(&silent, 60, 45, 0.5, 0.0).usable());
    }

    #[test]
    fn the_change_of_white_noise_has_the_textbook_variance() {
        // Difference of two means of n independent values each: variance s2/n + s2/n.
        let rows: Vec<ResidualRow> = (0..100)
            .map(|day| ResidualRow {
                day,
                x: 0.0,
                r: if day % 2 == 0 { 1.0 } else { -1.0 } + if day >= 50 { 3.0 } else { 0.0 },
                weight: 1.0,
            })
            .collect();
        let w = Windows::of(&rows, 50, 50, 0.0, 0.0);
        let s2 = 50.0 / 49.0;
        assert!((w.variance_with(&w) - 2.0 * s2 / 50.0).abs() < 1e-12);
        assert!((w.change().value - 3.0).abs() < 1e-12);
    }
}
