"""Kaplan-Meier against lifelines and statsmodels."""

import math

import numpy as np
from case import check
from lifelines import KaplanMeierFitter
from statsmodels.duration.survfunc import SurvfuncRight


@check(
    "kaplan_meier",
    "lifelines KaplanMeierFitter (limits log(-log), its default); Greenwood's error from statsmodels SurvfuncRight",
    rel=1e-8,
    abs=1e-12,
    cases=100,
)
def kaplan_meier(rng):
    n, level = int(rng.integers(3, 80)), rng.choice([0.8, 0.9, 0.95])
    times = np.ceil(rng.weibull(1.5, n) * 20.0) if rng.random() < 0.6 else rng.weibull(1.5, n)
    ended = (rng.random(n) < rng.uniform(0.3, 1.0)).astype(int)
    args = {"times": times, "ended": ended, "level": level}
    if ended.sum() == 0:
        return args, {"steps": [], "median": None}
    curve = KaplanMeierFitter(alpha=1.0 - level).fit(times, ended)
    errors = SurvfuncRight(times, ended)
    steps = []
    for time, row in curve.event_table.iterrows():
        if row["observed"] == 0:
            continue
        survival = curve.survival_function_.loc[time].item()
        error = errors.surv_prob_se[np.flatnonzero(errors.surv_times == time)[0]]
        lo, hi = curve.confidence_interval_.loc[time]
        if survival < 1e-12:
            # When all have ended the library has no limits; ours are 0, as the error is.
            survival, error, lo, hi = 0.0, 0.0, 0.0, 0.0
        steps.append([time, row["at_risk"], row["observed"], survival, error, lo, hi])
    # Where exactly half last, the library's rounding decides whether it says so; by definition that is the median.
    half = [step[0] for step in steps if abs(step[3] - 0.5) < 1e-12]
    median = half[0] if half else curve.median_survival_time_
    return args, {"steps": steps, "median": None if math.isinf(median) else median}
