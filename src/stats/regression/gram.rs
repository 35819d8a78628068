//! Least squares from mergeable sums, with covariances robust to dependence within clusters.
//!
//! In: Gram sums per cluster (trip). Out: coefficients and covariance over any set of clusters. For
//! few, well scaled columns; sums of badly scaled ones lose digits that reflections keep.

use std::ops::AddAssign;

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
        Self { weight: 0.0, xx: [[0.0; P]; P], xy: [0.0; P], yy: 0.0 }
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
            .map(|i| (0..P).map(|j| at[i] * self.covariance[i][j] * at[j]).sum::<f64>())
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
        let fitted: f64 = (0..P).map(|i| beta[i] * (self.xy[i] + self.score(beta)[i])).sum();
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
        (df > 0.0).then_some(Fit { beta, covariance, df })
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
    (count > 1.0).then_some(Fit { beta, covariance, df: count - 1.0 })
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
    // Columns of the inverse; it is symmetric, so they serve as rows.
    let inverse: [[f64; P]; P] = std::array::from_fn(|column| {
        let mut v = [0.0; P];
        for i in 0..P {
            let unit = if i == column { 1.0 } else { 0.0 };
            v[i] = (unit - (0..i).map(|k| lower[i][k] * v[k]).sum::<f64>()) / lower[i][i];
        }
        for i in (0..P).rev() {
            let later: f64 = (i + 1..P).map(|k| lower[k][i] * v[k]).sum();
            v[i] = (v[i] - later) / lower[i][i];
        }
        v
    });
    Some(std::array::from_fn(|i| std::array::from_fn(|j| inverse[i][j] / (scale[i] * scale[j]))))
}
