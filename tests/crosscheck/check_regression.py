"""Least squares and its covariances against statsmodels."""

import numpy as np
import statsmodels.api as sm
from case import check
from scipy import stats


def design(rng, columns):
    """Rows with a constant first, columns on quite different scales, and a response."""
    n = int(rng.integers(columns + 8, 90))
    rows = rng.normal(0.0, 1.0, (n, columns)) * 10 ** rng.uniform(-2, 2, columns) + rng.normal(0.0, 1.0, columns)
    rows[:, 0] = 1.0
    return rows, rows @ rng.normal(0.0, 1.0, columns) + rng.normal(0.0, rng.uniform(0.1, 3.0), n)


def clusters(rng, n):
    """A cluster number for every row, at least three clusters, not in order."""
    count = int(rng.integers(3, max(4, n // 3)))
    return rng.permutation(np.concatenate([np.arange(count), rng.integers(0, count, n - count)]))


@check("least_squares", "statsmodels OLS and WLS", rel=1e-8, abs=1e-10, cases=150)
def least_squares(rng):
    rows, y = design(rng, int(rng.integers(2, 7)))
    weights = rng.exponential(1.0, len(y)) + 0.1 if rng.random() < 0.5 else None
    fit = sm.WLS(y, rows, weights=np.ones(len(y)) if weights is None else weights).fit()
    return {"rows": rows, "y": y, "weights": weights}, {
        "beta": fit.params,
        "inverse": fit.normalized_cov_params,
        "residuals": y - rows @ fit.params,
        "residual_sd": np.sqrt(fit.scale),
        "standard_errors": fit.bse,
        "df": fit.df_resid,
        "r_squared": fit.rsquared,
    }


@check("least_squares", "nothing: dependent columns must be declined", rel=0.0, cases=50)
def dependent_columns(rng):
    rows, y = design(rng, 4)
    rows[:, 3] = rows[:, :3] @ rng.integers(1, 4, 3)
    return {"rows": rows, "y": y}, None


@check(
    "cluster_covariance",
    "statsmodels cov_type='cluster' without its correction, times G/(G-1): CR1 (its own also has (n-1)/(n-p))",
    rel=1e-6,
    abs=1e-12,
    cases=100,
)
def cluster_covariance(rng):
    rows, y = design(rng, int(rng.integers(2, 6)))
    cluster = clusters(rng, len(y))
    count = len(np.unique(cluster))
    fit = sm.OLS(y, rows).fit(cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False})
    return {"rows": rows, "y": y, "cluster": cluster}, fit.cov_params() * count / (count - 1)


@check(
    "newey_west",
    "statsmodels cov_type='HAC', use_correction=False: Bartlett weights, no prewhitening",
    rel=1e-6,
    abs=1e-12,
    cases=100,
)
def newey_west(rng):
    rows, y = design(rng, int(rng.integers(2, 6)))
    lag = int(rng.integers(0, 8))
    fit = sm.OLS(y, rows).fit(cov_type="HAC", cov_kwds={"maxlags": lag, "use_correction": False})
    return {"rows": rows, "y": y, "lag": lag}, fit.cov_params()


@check("gram_fit", "statsmodels OLS on rows repeated as often as their weight says", rel=1e-7, abs=1e-9, cases=100)
def gram_fit(rng):
    rows, y = scaled_design(rng)
    repeats = rng.integers(1, 6, len(y))
    at = rng.normal(0.0, 1.0, 3)
    fit = sm.OLS(np.repeat(y, repeats), np.repeat(rows, repeats, axis=0)).fit()
    args = {"rows": rows, "y": y, "weights": repeats.astype(float), "cluster": clusters(rng, len(y)), "at": at}
    return args, predicted(fit.params, fit.cov_params(), at) | {"df": fit.df_resid}


@check("gram_fit", "nothing: dependent columns must be declined", rel=0.0, cases=50)
def dependent_gram(rng):
    rows, y = scaled_design(rng)
    rows[:, 2] = rows[:, :2] @ rng.integers(1, 4, 2)
    return {"rows": rows, "y": y, "cluster": clusters(rng, len(y)), "at": np.zeros(3)}, None


@check("gram_clusters", "statsmodels WLS cov_type='cluster', use_correction=False (CR0), times G/(G-1) (CR1)", rel=1e-7, abs=1e-9)
def gram_clusters(rng):
    rows, y = scaled_design(rng)
    cluster, weights, at = clusters(rng, len(y)), rng.exponential(1.0, len(y)) + 0.1, rng.normal(0.0, 1.0, 3)
    count = len(np.unique(cluster))
    fit = sm.WLS(y, rows, weights=weights).fit(
        cov_type="cluster", cov_kwds={"groups": cluster, "use_correction": False}
    )
    cr1 = int(rng.integers(0, 2))
    covariance = fit.cov_params() * (count / (count - 1) if cr1 else 1.0)
    args = {"rows": rows, "y": y, "weights": weights, "cluster": cluster, "at": at, "correction": cr1}
    return args, predicted(fit.params, covariance, at) | {"df": count - 1}


def scaled_design(rng):
    """Three columns of like scale: sums of products lose digits on others, as their documentation says."""
    n = int(rng.integers(12, 120))
    rows = np.column_stack([np.ones(n), rng.uniform(0.1, 1.0, n), rng.uniform(1.0, 8.0, n)])
    return rows, rows @ rng.normal(0.0, 2.0, 3) + rng.normal(0.0, 1.5, n)


def predicted(beta, covariance, at):
    """Coefficients, covariance, and a linear combination with its standard error."""
    error = np.sqrt(at @ covariance @ at)
    return {"beta": beta, "covariance": covariance, "predicted": at @ beta, "predicted_error": error}


@check("inverse", "numpy.linalg.inv", rel=1e-7, abs=1e-10, cases=60)
def inverse(rng):
    root = rng.normal(0.0, 1.0, (12, 3)) * 10 ** rng.uniform(-3, 3, 3)
    matrix = root.T @ root
    return {"rows": matrix}, np.linalg.inv(matrix)


@check("t_interval", "scipy.stats.t.interval and .sf", rel=1e-9, abs=1e-12, cases=100)
def t_interval(rng):
    value, error = rng.normal(0.0, 3.0), rng.exponential(1.0) + 0.01
    df, level = float(rng.integers(1, 300)), rng.choice([0.8, 0.9, 0.95, 0.99])
    lo, hi = stats.t.interval(level, df, value, error)
    args = {"value": value, "error": error, "df": df, "level": level}
    return args, {"lo": lo, "hi": hi, "p": 2.0 * stats.t.sf(abs(value / error), df)}
