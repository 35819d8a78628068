"""Robust location and scale against numpy, scipy and statsmodels."""

import numpy as np
import statsmodels.api as sm
from case import check
from scipy import stats
from statsmodels.robust.norms import HuberT, estimate_location


def values(rng):
    """A sample with some wild values, sometimes rounded so that there are ties."""
    drawn = rng.standard_t(2, rng.integers(1, 80)) * 10 ** rng.uniform(-2, 2) + rng.normal(0.0, 5.0)
    return np.round(drawn, 1) if rng.random() < 0.3 else drawn


@check(
    "robust",
    "numpy.median, scipy median_abs_deviation(scale='normal'), statsmodels estimate_location(HuberT 1.345, MAD held)",
    rel=1e-9,
    abs=1e-12,
    cases=200,
)
def robust(rng):
    sample = values(rng)
    scale = stats.median_abs_deviation(sample, scale="normal")
    centre = np.median(sample)
    if scale > 0.0:
        centre = estimate_location(sample, scale, norm=HuberT(1.345), maxiter=100_000, tol=1e-12)
    # With a MAD of 0 the library divides by 0; here the median stands, which is the limit.
    return {"values": sample}, {"median": np.median(sample), "mad": scale, "huber": centre}


@check("weighted_mean", "numpy.average", rel=1e-12, abs=1e-12, cases=60)
def weighted_mean(rng):
    sample = rng.normal(0.0, 3.0, rng.integers(1, 40))
    if rng.random() < 0.1:
        return {"values": sample, "weights": np.zeros(len(sample))}, None
    weights = rng.exponential(1.0, len(sample))
    return {"values": sample, "weights": weights}, np.average(sample, weights=weights)
