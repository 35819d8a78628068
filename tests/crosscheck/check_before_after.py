"""Before-and-after tests against scipy and statsmodels."""

import bisect

import numpy as np
from case import check
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

LEVELS = [0.8, 0.9, 0.95, 0.99]


def differences(rng, least, most):
    """Differences of pairs, some with a true change."""
    return rng.standard_t(4, int(rng.integers(least, most))) + rng.choice([0.0, 0.5, -1.0])


@check("signed_rank", "scipy.stats.wilcoxon: exact without ties up to 50, else normal, corrected", rel=1e-8, abs=1e-15, cases=150)
def signed_rank(rng):
    sample = differences(rng, 3, 90)
    if rng.random() < 0.5:
        sample = np.round(sample, 1)
    used = sample[sample != 0.0]
    if len(used) == 0:
        return {"differences": sample}, None
    tied = len(np.unique(np.abs(used))) < len(used)
    exact = not tied and len(used) <= 50
    options = {"zero_method": "wilcox", "correction": not exact, "method": "exact" if exact else "asymptotic"}
    greater = stats.wilcoxon(used, alternative="greater", **options)
    return {"differences": sample}, {
        "v": greater.statistic,
        "used": len(used),
        "p_greater": greater.pvalue,
        "p_two_sided": stats.wilcoxon(used, **options).pvalue,
        "exact": float(exact),
    }


@check("hodges_lehmann", "numpy median of pair means; limits by inverting scipy.stats.wilcoxon", rel=1e-10, abs=1e-12, cases=80)
def hodges_lehmann(rng):
    sample, level = differences(rng, 6, 40), rng.choice([0.8, 0.9, 0.95])
    i, j = np.triu_indices(len(sample))
    means = np.sort((sample[i] + sample[j]) / 2)

    def rejected(rank, side):
        """Whether a change just inside the pair mean of that rank, counted from its end, is rejected."""
        inside = rank if side == "greater" else len(means) - 2 - rank
        shift = (means[inside] + means[inside + 1]) / 2
        return stats.wilcoxon(sample - shift, method="exact", alternative=side).pvalue < (1.0 - level) / 2

    # The first pair mean from each end just inside of which the test no longer rejects.
    low, high = (
        bisect.bisect_left(range(len(means) - 1), True, key=lambda rank: not rejected(rank, side))
        for side in ("greater", "less")
    )
    return {"differences": sample, "level": level}, {
        "value": np.median(means),
        "lo": means[low],
        "hi": means[len(means) - 1 - high],
    }


@check("paired_t", "scipy.stats.ttest_1samp", rel=1e-9, abs=1e-12, cases=100)
def paired_t(rng):
    sample, level = differences(rng, 2, 60), rng.choice(LEVELS)
    test = stats.ttest_1samp(sample, 0.0)
    lo, hi = test.confidence_interval(level)
    return {"differences": sample, "level": level}, {
        "mean": sample.mean(),
        "standard_error": stats.sem(sample),
        "lo": lo,
        "hi": hi,
        "t": test.statistic,
        "df": test.df,
        "p": test.pvalue,
    }


def permuted(sample, resamples, rng):
    """Randomisation test of scipy: signs flipped at random."""
    return stats.permutation_test(
        (sample,), np.sum, permutation_type="samples", n_resamples=resamples, vectorized=True, rng=rng
    ).pvalue


@check("sign_flip", "scipy.stats.permutation_test(permutation_type='samples'), all patterns", rel=1e-9, cases=60)
def sign_flip_all(rng):
    sample = differences(rng, 2, 13)
    if rng.random() < 0.3:
        sample = np.round(sample)
    return {"differences": sample, "draws": 1, "seed": 1}, permuted(sample, np.inf, rng)


@check("sign_flip", "scipy.stats.permutation_test, drawn patterns on both sides: five standard errors", rel=0.0, abs=0.025, cases=50)
def sign_flip_drawn(rng):
    sample = differences(rng, 21, 60)
    args = {"differences": sample, "draws": 20_000, "seed": int(rng.integers(1, 2**40))}
    return args, permuted(sample, 20_000, rng)


@check("random_effects", "statsmodels combine_effects(method_re='dl'), normal interval", rel=1e-8, abs=1e-12, cases=100)
def random_effects(rng):
    n, level = int(rng.integers(2, 30)), rng.choice(LEVELS)
    variances = rng.exponential(0.5, n) + 0.01
    effects = rng.normal(rng.normal(0.0, 1.0), np.sqrt(variances + rng.choice([0.0, 1.0])))
    pooled = combine_effects(effects, variances, method_re="dl", alpha=1.0 - level)
    fixed = {"fixed_mean": pooled.mean_effect_fe, "fixed_error": pooled.sd_eff_w_fe, "q": pooled.q}
    # The library lets the variance between vehicles go below 0; DerSimonian and Laird cut it there, which is "alike".
    alike = pooled.tau2 <= 0.0
    lo, hi = pooled.conf_int(1.0 - level, use_t=False)[0 if alike else 1]
    return {"effects": effects, "variances": variances, "level": level}, fixed | {
        "mean": pooled.mean_effect_fe if alike else pooled.mean_effect_re,
        "standard_error": pooled.sd_eff_w_fe if alike else pooled.sd_eff_w_re,
        "lo": lo,
        "hi": hi,
        "tau_squared": max(0.0, pooled.tau2),
        "p_alike": stats.chi2.sf(pooled.q, n - 1),
    }
