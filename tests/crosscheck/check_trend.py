"""Trend tests and slopes against pymannkendall, scipy and statsmodels."""

import math

import numpy as np
import pymannkendall
from case import check
from scipy import stats
from statsmodels.tsa.stattools import acf


def series(rng, least=8):
    """A daily series with persistence, sometimes a trend, sometimes rounded so that there are ties."""
    n = int(rng.integers(least, 90))
    y = rng.normal(0.0, 1.0, n)
    persistence = rng.uniform(0.0, 0.8)
    for i in range(1, n):
        y[i] += persistence * y[i - 1]
    y += rng.choice([0.0, 0.02, -0.05]) * np.arange(n)
    return np.round(y, 1) if rng.random() < 0.4 else y


def judged(test):
    """The library's figures; where its corrected variance is negative it has no score, and ours is 'no trend'."""
    decided = test.var_s > 0.0 and not math.isnan(test.z)
    return {
        "s": test.s,
        "variance": test.var_s,
        "z": test.z if decided else 0.0,
        "p": test.p if decided else 1.0,
        "tau": test.Tau,
    }


@check("mann_kendall", "pymannkendall.original_test: tau is tau-a (scipy's is tau-b)", rel=1e-9, abs=4e-16, cases=150)
def mann_kendall(rng):
    y = series(rng, 3)
    return {"y": y}, judged(pymannkendall.original_test(y))


@check("hamed_rao", "pymannkendall.hamed_rao_modification_test, all lags or a few", rel=1e-8, abs=4e-16, cases=150)
def hamed_rao(rng):
    y = series(rng)
    # The pair whose slope is the median is level once the slope is removed, and rounding alone then decides which of
    # its ranks is higher. An even number of pairs (no pair is the median) or a slope of 0 leaves nothing to chance.
    y = np.round(rng.poisson(1.5, len(y))) if rng.random() < 0.3 else y + rng.normal(0.0, 1e-3, len(y))
    if pymannkendall.sens_slope(y).slope != 0.0:
        y = y[: len(y) // 4 * 4] + rng.normal(0.0, 1e-3, len(y) // 4 * 4)
    lags = int(rng.choice([len(y) - 1, rng.integers(1, 6)]))
    return {"y": y, "lags": lags}, judged(pymannkendall.hamed_rao_modification_test(y, lag=lags))


@check("kendall_exact_upper", "scipy.stats.kendalltau(method='exact', alternative='greater')", rel=1e-9, cases=60)
def kendall_exact_upper(rng):
    n = int(rng.integers(3, 40))
    # Partly sorted, so that the tails come up too.
    order = np.argsort(np.arange(n) * rng.choice([0.0, 0.3, 1.0, -1.0]) + rng.normal(0.0, n / 4, n))
    s = sum(np.sign(order[i + 1 :] - order[i]).sum() for i in range(n))
    exact = stats.kendalltau(np.arange(n), order, method="exact", alternative="greater")
    return {"s": int(s), "n": n}, exact.pvalue


@check("autocorrelation", "statsmodels acf(adjusted=False)", rel=1e-8, abs=1e-12, cases=60)
def autocorrelation(rng):
    values = series(rng)
    lags = int(rng.integers(1, len(values) - 1))
    return {"values": values, "lags": lags}, acf(values, nlags=lags, adjusted=False, fft=False)


@check("mid_ranks", "scipy.stats.rankdata", rel=1e-15, cases=60)
def mid_ranks(rng):
    values = series(rng, 1)
    return {"values": values}, stats.rankdata(values)


@check(
    "theil_sen",
    "scipy.stats.theilslopes(method='separate') for slope and intercept; limits by numpy.interp at Gilbert's ranks, "
    "which scipy rounds",
    rel=1e-9,
    abs=1e-12,
    cases=150,
)
def theil_sen(rng):
    y = series(rng, 5)
    x = np.cumsum(rng.exponential(1.0, len(y)))
    level = rng.choice([0.8, 0.9, 0.95])
    line = stats.theilslopes(y, x, level, method="separate")
    i, j = np.triu_indices(len(y), 1)
    slopes = np.sort((y[j] - y[i]) / (x[j] - x[i]))
    n = len(y)
    ties = np.unique(y, return_counts=True)[1]
    variance = (n * (n - 1) * (2 * n + 5) - np.sum(ties * (ties - 1) * (2 * ties + 5))) / 18.0
    reach = stats.norm.ppf(0.5 + 0.5 * level) * np.sqrt(variance)
    ranks = [(len(slopes) - reach) / 2, (len(slopes) + reach) / 2 + 1]
    lo, hi = np.interp(ranks, np.arange(1, len(slopes) + 1), slopes)
    args = {"x": x, "y": y, "level": level}
    return args, {"slope": line.slope, "intercept": line.intercept, "lo": lo, "hi": hi}
