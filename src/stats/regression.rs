//! Least squares from sums, and by orthogonal reflections where the sums would lose digits.
//!
//! In: mergeable Gram sums per cluster, or rows. Out: coefficients, covariances, t intervals.
//! [`Gram`] serves trips and windows of trips (few columns, well scaled); [`least_squares`] serves
//! general models (economy) and ill-conditioned columns.

use std::ops::AddAssign;

use super::special::{t_reach, t_upper_tail};

/// Weighted sums of products of `P` regressors and one response; sums of parts are the sum of the whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gram<const P: usize> {
    /// Sum of weights.
    pub weight: f64,
    /// Regressors with regressors.
    pub xx: [[f64; P]; P],
    /// Regressors with the response.
    pub xy: [f64; P],
    /// Response with itself.
    pub yy: f64,
}

impl<const P: usize> Default for Gram<P> {
    fn default() -> Self {
        Self {
            weight: 0.0,
            xx: [[0.0; P]; P],
            xy: [0.0; P],
            yy: 0.0,
        }
    }
}

impl<const P: usize> AddAssign<&Gram<P>> for Gram<P> {
    fn add_assign(&mut self, other: &Gram<P>) {
        self.weight += other.weight;
        self.yy += other.yy;
        for i in 0..P {
            self.xy[i] += other.xy[i];
            for j in 0..P {
                self.xx[i][j] += other.xx[i][j];
            }
        }
    }
}

/// Coefficients and their covariance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit<const P: usize> {
    /// Coefficients in the order of the regressors.
    pub beta: [f64; P],
    /// Covariance of the coefficients.
    pub covariance: [[f64; P]; P],
    /// Degrees of freedom of a t interval.
    pub df: f64,
}

impl<const P: usize> Fit<P> {
    /// Value, and its standard error, of a linear combination of the coefficients.
    #[must_use]
    pub fn predict(&self, at: &[f64; P]) -> (f64, f64) {
        let value = (0..P).map(|i| at[i] * self.beta[i]).sum();
        let variance: f64 = (0..P)
            .map(|i| {
                (0..P)
                    .map(|j| at[i] * self.covariance[i][j] * at[j])
                    .sum::<f64>()
            })
            .sum();
        (value, variance.max(0.0).sqrt())
    }
}

/// Correction of a cluster-robust covariance for few clusters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FewClusters {
    /// None (CR0).
    Uncorrected,
    /// Times `G / (G - 1)` for `G` clusters (CR1; packages that also multiply by
    /// `(n - 1) / (n - p)` call theirs CR1S: with thousands of samples per cluster that is 1).
    Cr1,
}

impl<const P: usize> Gram<P> {
    /// Adds one observation.
    pub fn add(&mut self, x: &[f64; P], y: f64, weight: f64) {
        self.weight += weight;
        self.yy += weight * y * y;
        for i in 0..P {
            self.xy[i] += weight * x[i] * y;
            for j in 0..P {
                self.xx[i][j] += weight * x[i] * x[j];
            }
        }
    }

    /// Sum of parts.
    #[must_use]
    pub fn total(parts: &[Gram<P>]) -> Gram<P> {
        let mut total = Self::default();
        for part in parts {
            total += part;
        }
        total
    }

    /// Residual sum of squares at `beta`.
    #[must_use]
    pub fn residual_square(&self, beta: &[f64; P]) -> f64 {
        let fitted: f64 = (0..P)
            .map(|i| beta[i] * (self.xy[i] + self.score(beta)[i]))
            .sum();
        (self.yy - fitted).max(0.0)
    }

    /// What remains of the cross products at `beta`: `xy - xx beta`.
    #[must_use]
    pub fn score(&self, beta: &[f64; P]) -> [f64; P] {
        std::array::from_fn(|i| self.xy[i] - (0..P).map(|j| self.xx[i][j] * beta[j]).sum::<f64>())
    }

    /// Weighted least squares with the usual covariance; `None` if the columns are dependent.
    ///
    /// Weights count as numbers of observations: `df = weight - P`.
    #[must_use]
    pub fn fit(&self) -> Option<Fit<P>> {
        let inverse = inverse(&self.xx)?;
        let beta = times_vector(&inverse, &self.xy);
        let df = self.weight - P as f64;
        let variance = self.residual_square(&beta) / df;
        let covariance = inverse.map(|row| row.map(|v| v * variance));
        (df > 0.0).then_some(Fit {
            beta,
            covariance,
            df,
        })
    }
}

/// Least squares over clusters (trips) whose rows may depend on each other in any way.
///
/// Covariance `A^-1 (sum u u') A^-1`, `u = xy - xx beta` per cluster: Liang & Zeger (1986); from sums
/// alone. Degrees of freedom: clusters less one. `None` with dependent columns or one cluster.
#[must_use]
pub fn cluster_robust<const P: usize>(clusters: &[Gram<P>], few: FewClusters) -> Option<Fit<P>> {
    let total = Gram::total(clusters);
    let inverse = inverse(&total.xx)?;
    let beta = times_vector(&inverse, &total.xy);
    let mut meat = [[0.0; P]; P];
    let mut count = 0.0;
    for cluster in clusters.iter().filter(|c| c.weight > 0.0) {
        let u = cluster.score(&beta);
        for i in 0..P {
            for j in 0..P {
                meat[i][j] += u[i] * u[j];
            }
        }
        count += 1.0;
    }
    let factor = match few {
        FewClusters::Uncorrected => 1.0,
        FewClusters::Cr1 => count / (count - 1.0),
    };
    let half = times(&inverse, &meat);
    let covariance = times(&half, &inverse).map(|row| row.map(|v| v * factor));
    (count > 1.0).then_some(Fit {
        beta,
        covariance,
        df: count - 1.0,
    })
}

fn times<const P: usize>(a: &[[f64; P]; P], b: &[[f64; P]; P]) -> [[f64; P]; P] {
    std::array::from_fn(|i| std::array::from_fn(|j| (0..P).map(|k| a[i][k] * b[k][j]).sum()))
}

fn times_vector<const P: usize>(a: &[[f64; P]; P], b: &[f64; P]) -> [f64; P] {
    std::array::from_fn(|i| (0..P).map(|j| a[i][j] * b[j]).sum())
}

/// Share of a column that must be new against the columns before it.
const DEPENDENT: f64 = 1e-11;

/// Inverse of a symmetric positive definite matrix by Cholesky on unit diagonal scale.
#[must_use]
pub fn inverse<const P: usize>(matrix: &[[f64; P]; P]) -> Option<[[f64; P]; P]> {
    let scale: [f64; P] = std::array::from_fn(|i| matrix[i][i].sqrt());
    let mut lower = [[0.0; P]; P];
    for i in 0..P {
        for j in 0..=i {
            let known: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
            let left = matrix[i][j] / (scale[i] * scale[j]) - known;
            if i > j {
                lower[i][j] = left / lower[j][j];
            } else if left > DEPENDENT {
                lower[i][i] = left.sqrt();
            } else {
                return None; // dependent, or not a number
            }
        }
    }
    let mut inverse = [[0.0; P]; P];
    for column in 0..P {
        let mut v = [0.0; P];
        for i in 0..P {
            let unit = if i == column { 1.0 } else { 0.0 };
            v[i] = (unit - (0..i).map(|k| lower[i][k] * v[k]).sum::<f64>()) / lower[i][i];
        }
        for i in (0..P).rev() {
            let later: f64 = (i + 1..P).map(|k| lower[k][i] * v[k]).sum();
            v[i] = (v[i] - later) / lower[i][i];
            inverse[i][column] = v[i];
        }
    }
    Some(std::array::from_fn(|i| {
        std::array::from_fn(|j| inverse[i][j] / (scale[i] * scale[j]))
    }))
}

/// Least squares of any width, with what is needed for robust covariances.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    /// Coefficients.
    pub beta: Vec<f64>,
    /// `(X'WX)^-1`, row by row.
    pub inverse: Vec<Vec<f64>>,
    /// Response less fit, unweighted scale.
    pub residuals: Vec<f64>,
    /// Weighted residual sum of squares.
    pub residual_square: f64,
    /// Observations less coefficients.
    pub df: f64,
    /// `1 - rss / tss` with `tss` around the weighted mean (meant for models with a constant).
    pub r_squared: f64,
}

impl LeastSquares {
    /// Sd of the residuals.
    #[must_use]
    pub fn residual_sd(&self) -> f64 {
        (self.residual_square / self.df).sqrt()
    }

    /// Standard errors under equal independent errors.
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        let sd = self.residual_sd();
        (0..self.beta.len())
            .map(|i| sd * self.inverse[i][i].sqrt())
            .collect()
    }

    /// Covariance robust to dependence within clusters (CR1); `cluster[i]` numbers row `i`'s cluster.
    #[must_use]
    pub fn cluster_covariance(&self, rows: &[Vec<f64>], cluster: &[usize]) -> Vec<Vec<f64>> {
        let p = self.beta.len();
        let count = cluster.iter().max().map_or(0, |c| c + 1);
        let mut scores = vec![vec![0.0; p]; count];
        for ((row, residual), &c) in rows.iter().zip(&self.residuals).zip(cluster) {
            for (score, x) in scores[c].iter_mut().zip(row) {
                *score += x * residual;
            }
        }
        let used = scores
            .iter()
            .filter(|s| s.iter().any(|v| *v != 0.0))
            .count() as f64;
        let mut meat = vec![vec![0.0; p]; p];
        for score in &scores {
            add_outer(&mut meat, score, score, used / (used - 1.0));
        }
        self.sandwich(&meat)
    }

    /// Newey-West covariance with Bartlett weights `1 - j / (lag + 1)`, no prewhitening, no small-sample
    /// factor (R's `NeweyWest` prewhitens by default: a different estimator). Rows in time order.
    #[must_use]
    pub fn newey_west(&self, rows: &[Vec<f64>], lag: usize) -> Vec<Vec<f64>> {
        let p = self.beta.len();
        let scored =
            |i: usize| -> Vec<f64> { rows[i].iter().map(|x| x * self.residuals[i]).collect() };
        let scores: Vec<Vec<f64>> = (0..rows.len()).map(scored).collect();
        let mut meat = vec![vec![0.0; p]; p];
        for i in 0..scores.len() {
            add_outer(&mut meat, &scores[i], &scores[i], 1.0);
            for j in 1..=lag.min(i) {
                let weight = 1.0 - j as f64 / (lag + 1) as f64;
                add_outer(&mut meat, &scores[i], &scores[i - j], weight);
                add_outer(&mut meat, &scores[i - j], &scores[i], weight);
            }
        }
        self.sandwich(&meat)
    }

    fn sandwich(&self, meat: &[Vec<f64>]) -> Vec<Vec<f64>> {
        let product = |a: &[Vec<f64>], b: &[Vec<f64>]| -> Vec<Vec<f64>> {
            let p = b.len();
            let cell = |row: &Vec<f64>, j: usize| (0..p).map(|k| row[k] * b[k][j]).sum();
            a.iter()
                .map(|row| (0..p).map(|j| cell(row, j)).collect())
                .collect()
        };
        product(&product(&self.inverse, meat), &self.inverse)
    }
}

fn add_outer(matrix: &mut [Vec<f64>], a: &[f64], b: &[f64], weight: f64) {
    for (row, x) in matrix.iter_mut().zip(a) {
        for (cell, y) in row.iter_mut().zip(b) {
            *cell += weight * x * y;
        }
    }
}

/// Least squares of `y` on `rows` by Householder reflections of columns scaled to unit length.
///
/// `None` with fewer rows than columns, or when a column depends on those before it.
/// Method: Golub (1965); digits held against the NIST reference data sets.
#[must_use]
pub fn least_squares(
    rows: &[Vec<f64>],
    y: &[f64],
    weights: Option<&[f64]>,
) -> Option<LeastSquares> {
    let (n, p) = (rows.len(), rows.first()?.len());
    if n <= p || y.len() != n {
        return None;
    }
    let root_weight = |i: usize| weights.map_or(1.0, |w| w[i].sqrt());
    let mut columns: Vec<Vec<f64>> = (0..p)
        .map(|j| (0..n).map(|i| rows[i][j] * root_weight(i)).collect())
        .collect();
    let scale: Vec<f64> = columns.iter().map(|c| norm(c)).collect();
    for (column, length) in columns.iter_mut().zip(&scale) {
        column.iter_mut().for_each(|v| *v /= length);
    }
    let mut response: Vec<f64> = (0..n).map(|i| y[i] * root_weight(i)).collect();
    let diagonal = reflect(&mut columns, &mut response)?;
    let upper = |i: usize, j: usize| if i == j { diagonal[i] } else { columns[j][i] };
    let solve = |right: &dyn Fn(usize) -> f64| {
        let mut v = vec![0.0; p];
        for i in (0..p).rev() {
            let later: f64 = (i + 1..p).map(|j| upper(i, j) * v[j]).sum();
            v[i] = (right(i) - later) / upper(i, i);
        }
        v
    };
    let scaled = solve(&|i| response[i]);
    let beta: Vec<f64> = scaled.iter().zip(&scale).map(|(b, s)| b / s).collect();
    let unit_columns: Vec<Vec<f64>> = (0..p)
        .map(|c| solve(&|i| if i == c { 1.0 } else { 0.0 }))
        .collect();
    // (R'R)^-1 = R^-1 R^-T: products of rows of R^-1.
    let cell = |i: usize, j: usize| -> f64 {
        unit_columns.iter().map(|c| c[i] * c[j]).sum::<f64>() / (scale[i] * scale[j])
    };
    let inverse = (0..p)
        .map(|i| (0..p).map(|j| cell(i, j)).collect())
        .collect();
    let fitted = |row: &Vec<f64>| row.iter().zip(&beta).map(|(x, b)| x * b).sum::<f64>();
    let residuals: Vec<f64> = rows.iter().zip(y).map(|(row, y)| y - fitted(row)).collect();
    let residual_square = response[p..].iter().map(|v| v * v).sum::<f64>();
    let weight = |i: usize| weights.map_or(1.0, |w| w[i]);
    let total_weight: f64 = (0..n).map(weight).sum();
    let mean = (0..n).map(|i| weight(i) * y[i]).sum::<f64>() / total_weight;
    let total_square: f64 = (0..n).map(|i| weight(i) * (y[i] - mean).powi(2)).sum();
    let r_squared = 1.0 - residual_square / total_square;
    let df = (n - p) as f64;
    Some(LeastSquares {
        beta,
        inverse,
        residuals,
        residual_square,
        df,
        r_squared,
    })
}

/// Share of a unit column that must be new against the columns before it.
const DEPENDENT_COLUMN: f64 = 1e-14;

/// Triangulates the columns in place; returns the triangle's diagonal, the rest stays in the columns.
fn reflect(columns: &mut [Vec<f64>], response: &mut [f64]) -> Option<Vec<f64>> {
    let mut diagonal = Vec::with_capacity(columns.len());
    for j in 0..columns.len() {
        let length = norm(&columns[j][j..]);
        if length.is_nan() || length < DEPENDENT_COLUMN {
            return None;
        }
        let head = if columns[j][j] > 0.0 { -length } else { length };
        columns[j][j] -= head;
        let mirror = columns[j][j..].to_vec();
        let square: f64 = mirror.iter().map(|v| v * v).sum();
        let later = columns[j + 1..].iter_mut().map(|c| &mut c[j..]);
        for target in later.chain([&mut response[j..]]) {
            let along: f64 = mirror.iter().zip(target.iter()).map(|(m, t)| m * t).sum();
            let factor = 2.0 * along / square;
            target
                .iter_mut()
                .zip(&mirror)
                .for_each(|(t, m)| *t -= factor * m);
        }
        diagonal.push(head);
    }
    Some(diagonal)
}

fn norm(values: &[f64]) -> f64 {
    values.iter().map(|v| v * v).sum::<f64>().sqrt()
}

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
        let y = x
            .iter()
            .enumerate()
            .map(|(i, x)| 2.0 + 3.0 * x + ((i * i) as f64).sin())
            .collect();
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
        for i in 0..2 {
            for j in 0..2 {
                assert!((robust.covariance[i][j] - by_rows[i][j]).abs() < 1e-12);
            }
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
        let rows: Vec<Vec<f64>> = (0..9)
            .map(|i| vec![1.0, f64::from(i), f64::from(2 * i)])
            .collect();
        assert!(least_squares(&rows, &[0.0; 9], None).is_none());
        assert!(inverse(&[[1.0, 2.0], [2.0, 4.0]]).is_none());
    }
}
