"""The sequential test's Bayes factors against dense matrices and numerical integration.

The program gets them from sums over whitened weekly blocks. Here the whole covariance matrix is written down, the flat
level is projected out, and the size of a ramp or step is integrated out by quadrature: nothing is shared but the model.
"""

import math

import numpy as np
from case import check
from ruptures.costs import CostL2
from scipy import integrate, stats


def priors(rng):
    """Priors: slope (percent per 10,000 km; a normal cut at nought), step (percent), sensitivity to the common mode."""
    return {
        "slope_mean": rng.choice([0.0, rng.uniform(1.0, 6.0)]),
        "slope_sd": rng.uniform(2.0, 8.0),
        "step_sd": rng.uniform(0.5, 2.5),
        "sensitivity_sd": rng.uniform(0.1, 0.4),
    }


def series(rng):
    """Days, odometer, common mode and value of one vehicle, some with a ramp, a step, or a long gap."""
    days = np.flatnonzero(rng.random(int(rng.integers(120, 400))) < 0.7)
    if rng.random() < 0.3:
        days[len(days) // 2 :] += 25
    x = np.cumsum(rng.lognormal(-5.5, 0.6, len(days)) * np.diff(days, prepend=days[0] - 1))
    m = 1.2 * np.sin(days / 58.0) + rng.normal(0.0, 0.2, len(days))
    r = rng.normal(0.0, 1.6, len(days)) + rng.normal(0.0, 0.2) * m + rng.normal(0.0, 3.0)
    onset = int(rng.integers(10, len(days) - 10))
    r += rng.choice([0.0, 3.0, 8.0]) * np.maximum(0.0, x - x[onset])
    r[onset:] += rng.choice([0.0, 0.0, 2.0, -2.0])
    return days, x, m, r


def precision(days, m, sensitivity_sd, sigma, phi, kappa):
    """Inverse covariance with the level projected out and the sensitivity's prior added."""
    gap = np.abs(days[:, None] - days[None, :]).astype(float)
    run = np.cumsum(np.diff(days, prepend=days[0]) > 10)
    covariance = kappa * sigma**2 * phi**gap * (run[:, None] == run[None, :])
    inverse = np.linalg.inv(covariance + sensitivity_sd**2 * np.outer(m, m))
    level = inverse.sum(axis=1)
    return inverse - np.outer(level, level) / level.sum()


def log_bayes_factor(column, r, weight, prior_sd, prior_mean=None):
    """Log of the likelihood with `column` times an unknown size, over the likelihood without.

    The size's prior is a normal around 0 or, with a mean, around that and cut at nought.
    """
    g, z = column @ weight @ column, column @ weight @ r
    only_up, mean = prior_mean is not None, prior_mean or 0.0
    width = 1.0 / np.sqrt(g + 1.0 / prior_sd**2)
    mode = (z + mean / prior_sd**2) * width**2
    low, high = (0.0, max(mode, 0.0) + 12.0 * width) if only_up else (mode - 12.0 * width, mode + 12.0 * width)
    above = stats.norm.cdf(mean / prior_sd) if only_up else 1.0
    scale = 1.0 / (above * prior_sd * np.sqrt(2.0 * np.pi))

    def exponent(b):
        return b * z - 0.5 * b * b * g - 0.5 * ((b - mean) / prior_sd) ** 2

    peak = exponent(max(mode, low))
    near = [p for p in (mode - 2 * width, mode, mode + 2 * width) if low < p < high]
    area, _ = integrate.quad(
        lambda b: math.exp(exponent(b) - peak), low, high, points=near or None, epsabs=0.0, epsrel=1e-11, limit=200
    )
    return peak + math.log(scale * area)


def block_starts(days):
    """Where each block of seven days begins."""
    starts = [0]
    for i, day in enumerate(days):
        if day - days[starts[-1]] >= 7:
            starts.append(i)
    return starts


@check("ramp_and_step", "dense Gaussian likelihood (numpy) integrated by scipy.integrate.quad", rel=1e-7, abs=1e-7, cases=50)
def ramp_and_step(rng):
    days, x, m, r = series(rng)
    sigma, phi, kappa = rng.uniform(0.8, 2.5), rng.uniform(0.2, 0.8), rng.uniform(1.0, 2.0)
    prior = priors(rng)
    weight = precision(days, m, prior["sensitivity_sd"], sigma, phi, kappa)
    later = np.arange(len(days))
    starts = block_starts(days)[1:]
    ramps = [log_bayes_factor((later >= k) * (x - x[k - 1]), r, weight, prior["slope_sd"], prior["slope_mean"]) for k in starts]
    steps = [log_bayes_factor((later >= k) * 1.0, r, weight, prior["step_sd"]) for k in starts]
    rows = np.column_stack([days, x, m, r, np.ones(len(days))])
    return prior | {"sigma": sigma, "phi": phi, "kappa": kappa, "rows": rows}, {
        "max_log_ramp_up": max(ramps),
        "max_log_step": max(steps),
        "log_unguarded_up": np.logaddexp.reduce(ramps),
    }


@check("ramp_and_step", "ruptures.costs.CostL2: the best step in white noise is the best single break", rel=1e-8, abs=1e-8, cases=100)
def step_in_white_noise(rng):
    n, sigma = int(rng.integers(35, 300)), rng.uniform(0.8, 2.5)
    r = rng.normal(0.0, sigma, n) + rng.choice([0.0, 1.5, -4.0]) * (np.arange(n) >= rng.integers(5, n - 5))
    cost = CostL2().fit(r)
    breaks = np.arange(7, n, 7)
    gain = np.array([cost.error(0, n) - cost.error(0, k) - cost.error(k, n) for k in breaks]) / sigma**2
    # What a break saves in squares is z squared over G; a normal prior on its size turns that into a Bayes factor.
    prior = priors(rng)
    information = prior["step_sd"] ** 2 * breaks * (n - breaks) / n / sigma**2
    log_step = 0.5 * gain * information / (1.0 + information) - 0.5 * np.log1p(information)
    days = np.arange(n)
    rows = np.column_stack([days, days * 0.005, np.zeros(n), r, np.ones(n)])
    return prior | {"sigma": sigma, "phi": 0.0, "kappa": 1.0, "rows": rows}, {"max_log_step": log_step.max()}
