"""Counts and rates against scipy and statsmodels."""

import numpy as np
import statsmodels.api as sm
from case import check
from scipy import optimize, special, stats
from statsmodels.stats.rates import test_poisson_2indep

LEVELS = [0.8, 0.9, 0.95, 0.99]


def counted(rng, most=3.0):
    """A count, often 0 or small, and its exposure."""
    exposure = 10 ** rng.uniform(-1, 5)
    return [int(rng.poisson(10 ** rng.uniform(-1, most))), exposure]


@check("garwood", "scipy.stats.chi2.ppf, the central interval of Garwood", rel=1e-9, abs=1e-250, cases=200)
def garwood(rng):
    count, exposure = counted(rng, 4.5)
    tail = 0.5 * (1.0 - (level := rng.choice(LEVELS)))
    lo = 0.5 * stats.chi2.ppf(tail, 2 * count) if count else 0.0
    hi = 0.5 * stats.chi2.isf(tail, 2 * count + 2)
    return {"counted": [count, exposure], "level": level}, {"lo": lo / exposure, "hi": hi / exposure}


@check(
    "rate_ratio",
    "scipy.stats.beta quantiles (Clopper-Pearson); binomtest, two-sided p by 'no more likely'",
    rel=1e-8,
    abs=1e-250,
    cases=200,
)
def rate_ratio(rng):
    first, second, level = counted(rng), counted(rng), rng.choice(LEVELS)
    second[1] = first[1] * 10 ** rng.uniform(-1, 1)
    first[0] += first[0] + second[0] == 0
    (a, t), (b, u) = first, second
    test = stats.binomtest(a, a + b, t / (t + u))
    tail = 0.5 * (1.0 - level)
    # binomtest's own interval is the same but solved to 1e-12 only, too coarse for small shares.
    share = [stats.beta.ppf(tail, a, b + 1) if a else 0.0, stats.beta.isf(tail, a + 1, b) if b else 1.0]
    with np.errstate(divide="ignore"):
        odds = [np.float64(s) / (1.0 - s) * u / t for s in share]
        ratio = np.float64(a) / t / (np.float64(b) / u)
    return {"first": first, "second": second, "level": level}, {
        "ratio": ratio,
        "lo": odds[0],
        "hi": odds[1],
        "p_greater": stats.binomtest(a, a + b, t / (t + u), alternative="greater").pvalue,
        "p_two_sided": test.pvalue,
    }


@check(
    "rate_ratio_p",
    "statsmodels test_poisson_2indep, methods 'exact-cond' and 'cond-midp', alternative 'larger'",
    rel=1e-8,
    abs=1e-250,
    cases=200,
)
def rate_ratio_p(rng):
    first, second, ratio = counted(rng, 2.5), counted(rng, 2.5), 10 ** rng.uniform(-0.5, 0.5)
    second[1] = first[1] * 10 ** rng.uniform(-1, 1)
    first[0] += first[0] + second[0] == 0
    expected = {
        name: test_poisson_2indep(*first, *second, value=ratio, method=method, alternative="larger").pvalue
        for name, method in [("exact", "exact-cond"), ("mid", "cond-midp")]
    }
    return {"first": first, "second": second, "ratio": ratio}, expected


@check("binomial_upper_tail", "scipy.stats.binom.sf", rel=1e-9, abs=1e-250, cases=200)
def binomial_upper_tail(rng):
    n, p = int(rng.integers(0, 10 ** rng.integers(1, 6))), rng.choice([rng.uniform(0.001, 0.999), 0.0, 1.0])
    spread = np.sqrt(n * p * (1.0 - p)) + 1.0
    k = int(np.clip(n * p + rng.normal(0.0, 2.0) * spread, 0, n + 1))
    return {"k": k, "n": n, "p": p}, stats.binom.sf(k - 1, n, p)


@check("misfire_percent", "arithmetic: events over revolutions times cylinders / 2", rel=1e-13, cases=50)
def misfire_percent(rng):
    misfires, revolutions, cylinders = int(rng.integers(0, 500)), rng.uniform(200.0, 1e6), int(rng.integers(1, 13))
    args = {"misfires": misfires, "revolutions": revolutions, "cylinders": cylinders}
    return args, misfires / (revolutions * cylinders / 2) * 100


def bursty(rng, parts, rate):
    """Counts per trip that vary more than Poisson counts, with exposures."""
    exposure = rng.uniform(0.5, 3.0, parts) * 1000.0
    mean = exposure * rate
    burst = rng.gamma(1.0 / (spread := rng.choice([0.01, 0.5, 2.0])), spread, parts)
    return [[int(c), float(t)] for c, t in zip(rng.poisson(mean * burst), exposure)]


def columns(parts):
    """Counts and exposures apart."""
    return np.array([c for c, _ in parts], float), np.array([t for _, t in parts])


@check("dispersion", "statsmodels GLM Poisson: pearson_chi2 / df_resid", rel=1e-7, cases=100)
def dispersion(rng):
    parts = bursty(rng, int(rng.integers(2, 40)), 0.01)
    count, exposure = columns(parts)
    if count.sum() == 0:
        return {"parts": parts}, None
    fit = sm.GLM(count, np.ones(len(count)), family=sm.families.Poisson(), exposure=exposure).fit(tol=1e-14)
    return {"parts": parts}, fit.pearson_chi2 / fit.df_resid


@check("dispersed_ratio", "statsmodels GLM Poisson, scale by Pearson but at least 1, log ratio with t", rel=1e-6, cases=150)
def dispersed_ratio(rng):
    level = rng.choice(LEVELS)
    first, second = bursty(rng, int(rng.integers(2, 30)), 0.02), bursty(rng, int(rng.integers(2, 30)), 0.01)
    # A sample without an event is a convention of its own (half an event), which no library shares.
    first[0][0] += 1
    second[0][0] += 1
    count, exposure = columns(first + second)
    group = np.repeat([1.0, 0.0], [len(first), len(second)])
    model = sm.GLM(count, np.column_stack([np.ones(len(count)), group]), sm.families.Poisson(), exposure=exposure)
    fit = model.fit(tol=1e-14)
    scale = max(1.0, fit.pearson_chi2 / fit.df_resid)
    value, error = fit.params[1], np.sqrt(fit.normalized_cov_params[1, 1] * scale)
    lo, hi = stats.t.interval(level, fit.df_resid, value, error)
    return {"first": first, "second": second, "level": level}, {
        "ratio": np.exp(value),
        "lo": np.exp(lo),
        "hi": np.exp(hi),
        "p_greater": stats.t.sf(value / error, fit.df_resid),
        "dispersion": scale,
    }


def size_of(count, mean):
    """Maximum likelihood of a negative binomial's size with the means held, and its curvature's standard error."""

    def loss(log_k):
        k = np.exp(log_k)
        return -stats.nbinom.logpmf(count, k, k / (k + mean)).sum()

    best = optimize.minimize_scalar(loss, bracket=(-1.0, 1.0), tol=1e-12)
    return np.exp(best.x)


@check("negative_binomial", "statsmodels NegativeBinomial (nb2), equal exposures", rel=1e-4, cases=60, name="negative_binomial")
def negative_binomial(rng):
    n, k = int(rng.integers(60, 200)), rng.uniform(0.5, 3.0)
    count = rng.negative_binomial(k, k / (k + rng.uniform(2.0, 8.0)), n)
    model = sm.NegativeBinomial(count, np.ones(n))
    # Newton's steps alone sometimes leave the range; from a point nearby they don't.
    near = model.fit(disp=0, method="nm", maxiter=2000).params
    fit = model.fit(near, disp=0, method="newton", maxiter=500, tol=1e-12)
    size = 1.0 / fit.params[1]
    # Where the slope of the likelihood is 0, the curvature in k is that in 1/k times k^-4.
    return {"parts": [[int(c), 1.0] for c in count]}, {
        "rate": np.exp(fit.params[0]),
        "k": size,
        "k_error": size**2 * fit.bse[1],
    }


@check("negative_binomial", "scipy.stats.nbinom.logpmf maximised, unequal exposures", rel=1e-5, cases=60)
def negative_binomial_exposures(rng):
    parts = [[c, t] for c, t in bursty(rng, 120, 0.004)]
    count, exposure = columns(parts)
    rate = count.sum() / exposure.sum()
    if np.sum((count - rate * exposure) ** 2 / (rate * exposure)) / (len(count) - 1) <= 1.5:
        # Near Poisson the size runs away, and where it is cut off is a convention.
        return {"parts": parts}, {"rate": rate}
    return {"parts": parts}, {"rate": rate, "k": size_of(count, rate * exposure)}


@check("concentration", "scipy.stats.binomtest, alternative 'greater', times the cylinders (Bonferroni)", rel=1e-8, abs=1e-250, cases=100)
def concentration(rng):
    events = rng.poisson(rng.exponential(8.0), int(rng.integers(2, 13)))
    events[rng.integers(len(events))] += rng.poisson(rng.choice([0.0, 6.0])) + 1
    thin = rng.choice([1.0, rng.uniform(1.0, 4.0)])
    worst = int(np.argmax(events))
    most, rest = int(events[worst] / thin), int((events.sum() - events[worst]) / thin)
    p = 1.0
    if most > 0:
        p = stats.binomtest(most, most + rest, 1.0 / len(events), alternative="greater").pvalue
    return {"events": events, "dispersion": thin}, {
        "cylinder": worst,
        "share": events[worst] / events.sum(),
        "p": min(1.0, p * len(events)),
    }


@check("gamma_prior", "scipy.stats.nbinom.logpmf maximised over both parameters; stats.gamma posteriors", rel=2e-4, cases=60)
def gamma_prior(rng):
    n, shape = int(rng.integers(40, 150)), rng.uniform(0.6, 4.0)
    exposure = rng.uniform(0.5, 30.0, n) * 100.0
    count = rng.poisson(rng.gamma(shape, 0.05 / shape, n) * exposure)

    def loss(logs):
        a, b = np.exp(logs)
        return -stats.nbinom.logpmf(count, a, b / (b + exposure)).sum()

    start = np.log([1.0, exposure.sum() / count.sum()])
    best = optimize.minimize(loss, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-11})
    a, b = np.exp(best.x)
    level = rng.choice(LEVELS)
    posterior = stats.gamma(a + count, scale=1.0 / (b + exposure))
    shrunk = np.column_stack([posterior.mean(), *posterior.interval(level)])
    vehicles = [[int(c), float(t)] for c, t in zip(count, exposure)]
    return {"vehicles": vehicles, "level": level}, {"shape": a, "rate": b, "shrunk": shrunk}
