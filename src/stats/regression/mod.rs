//! Least squares from sums, and by orthogonal reflections where the sums would lose digits.
//!
//! In: mergeable Gram sums per cluster, or rows. Out: coefficients, covariances, t intervals.
//! [`Gram`] serves trips and windows of trips (few columns, well scaled); [`least_squares`] serves
//! general models (economy) and ill-conditioned columns.

mod gram;
mod reflections;

pub use gram::{FewClusters, Fit, Gram, cluster_robust, inverse};
pub use reflections::{LeastSquares, least_squares};

use super::special::{t_reach, t_upper_tail};

/// Central `level` interval of a coefficient by Student's t.
#[must_use]
pub fn t_interval(value: f64, standard_error: f64, df: f64, level: f64) -> (f64, f64) {
    let reach = t_reach(level, df) * standard_error;
    (value - reach, value + reach)
}

/// Two-sided p value of `value = 0` by Student's t.
#[must_use]
pub fn t_p_value(value: f64, standard_error: f64, df: f64) -> f64 {
    2.0 * t_upper_tail((value / standard_error).abs(), df)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows() -> (Vec<Vec<f64>>, Vec<f64>) {
        let x: Vec<f64> = (0..40).map(|i| f64::from(i * 7 % 40) * 0.1).collect();
        let y = x.iter().enumerate().map(|(i, x)| 2.0 + 3.0 * x + ((i * i) as f64).sin()).collect();
        (x.into_iter().map(|x| vec![1.0, x]).collect(), y)
    }

    fn grams(rows: &[Vec<f64>], y: &[f64], per_cluster: usize) -> Vec<Gram<2>> {
        let mut clusters = vec![Gram::default(); rows.len() / per_cluster];
        for (i, (row, &y)) in rows.iter().zip(y).enumerate() {
            clusters[i / per_cluster].add(&[row[0], row[1]], y, 1.0);
        }
        clusters
    }

    #[test]
    fn sums_and_reflections_agree() {
        let (rows, y) = rows();
        let clusters = grams(&rows, &y, 4);
        let from_sums = Gram::total(&clusters).fit().unwrap();
        let by_rows = least_squares(&rows, &y, None).unwrap();
        for i in 0..2 {
            assert!((from_sums.beta[i] - by_rows.beta[i]).abs() < 1e-12);
            let error = from_sums.covariance[i][i].sqrt();
            assert!((error - by_rows.standard_errors()[i]).abs() < 1e-12);
        }
        let cluster: Vec<usize> = (0..rows.len()).map(|i| i / 4).collect();
        let robust = cluster_robust(&clusters, FewClusters::Cr1).unwrap();
        let by_rows = by_rows.cluster_covariance(&rows, &cluster);
        for (found, expected) in robust.covariance.iter().flatten().zip(by_rows.iter().flatten()) {
            assert!((found - expected).abs() < 1e-12);
        }
    }

    #[test]
    fn every_row_its_own_cluster_is_newey_west_without_lags() {
        let (rows, y) = rows();
        let robust = cluster_robust(&grams(&rows, &y, 1), FewClusters::Uncorrected).unwrap();
        let white = least_squares(&rows, &y, None).unwrap().newey_west(&rows, 0);
        assert!((robust.covariance[0][1] - white[0][1]).abs() < 1e-13);
        assert!((robust.covariance[1][1] - white[1][1]).abs() < 1e-13);
    }

    #[test]
    fn a_cluster_counted_twice_shrinks_nothing() {
        let (rows, y) = rows();
        let once = cluster_robust(&grams(&rows, &y, 4), FewClusters::Uncorrected).unwrap();
        let (mut twice_rows, mut twice_y) = (Vec::new(), Vec::new());
        for i in (0..40).step_by(4) {
            for _ in 0..2 {
                twice_rows.extend_from_slice(&rows[i..i + 4]);
                twice_y.extend_from_slice(&y[i..i + 4]);
            }
        }
        let twice = cluster_robust(&grams(&twice_rows, &twice_y, 8), FewClusters::Uncorrected);
        let twice = twice.unwrap();
        assert!((once.covariance[1][1] - twice.covariance[1][1]).abs() < 1e-12);
    }

    #[test]
    fn dependent_columns_are_refused() {
        let rows: Vec<Vec<f64>> =
            (0..9).map(|i| vec![1.0, f64::from(i), f64::from(2 * i)]).collect();
        assert!(least_squares(&rows, &[0.0; 9], None).is_none());
        assert!(inverse(&[[1.0, 2.0], [2.0, 4.0]]).is_none());
    }
}
