"""Special functions against scipy."""

import numpy as np
from case import check
from scipy import optimize, special, stats


@check("special", "scipy.special.erfcx, stats.norm, stats.t", rel=2e-12, cases=300, t_upper_tail=1e-10)
def tails(rng):
    x = rng.uniform(-6.0, 30.0)
    above = x + rng.exponential(2.0)
    df = rng.choice([rng.uniform(1.0, 30.0), float(rng.integers(1, 500))])
    return {"x": x, "above": above, "df": df}, {
        "erfcx": special.erfcx(x),
        "normal_upper_tail": special.ndtr(-x),
        "t_upper_tail": stats.t.sf(x, df),
        # Each area as scipy's scaled function gives it: a difference of logarithms would lose digits far out.
        "normal_tail_ratio": tail_ratio(above, x),
        "normal_density_ratio": stats.norm.pdf(above) / special.ndtr(-x) if x < 5.0 else density_ratio(above, x),
    }


def tail_ratio(above, x):
    """Area above `above` over the area above `x`."""
    if x < 5.0:
        return special.ndtr(-above) / special.ndtr(-x)
    return np.exp(0.5 * (x - above) * (x + above)) * special.erfcx(above / np.sqrt(2)) / special.erfcx(x / np.sqrt(2))


def density_ratio(above, x):
    """Density at `above` over the area above `x`, far out."""
    return np.sqrt(2 / np.pi) * np.exp(0.5 * (x - above) * (x + above)) / special.erfcx(x / np.sqrt(2))


@check("quantiles", "scipy.stats.norm.ppf, stats.t.ppf", rel=1e-9, abs=1e-12, cases=300)
def quantiles(rng):
    p = rng.choice([rng.uniform(0.001, 0.999), 10 ** rng.uniform(-9, -3), 1.0 - 10 ** rng.uniform(-9, -3)])
    # Levels of intervals; far below a half the tail is a half to all digits and holds no reach any more.
    level = rng.choice([rng.uniform(0.3, 0.999), 0.95, 0.99, 1.0 - 10 ** rng.uniform(-9, -3)])
    df = rng.choice([rng.uniform(1.0, 30.0), float(rng.integers(1, 500))])
    expected = {"normal": stats.norm.ppf(p), "t_reach": stats.t.isf(0.5 * (1.0 - level), df)}
    return {"p": p, "level": level, "df": df}, expected


@check("root", "scipy.optimize.brentq", rel=1e-12, abs=1e-14, cases=60)
def root(rng):
    slope, level = rng.uniform(0.1, 5.0), rng.normal(0.0, 20.0)
    found = optimize.brentq(lambda x: x**3 + slope * x - level, -50.0, 50.0, xtol=1e-15, rtol=1e-15)
    return {"slope": slope, "level": level, "low": -50.0, "high": 50.0}, found
