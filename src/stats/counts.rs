//! Count rates: intervals, ratios, overdispersion, one cylinder against the others, shrinkage.
//!
//! In: counts and exposures (misfires and revolutions). Out: rates with intervals, ratios with tests.

use statrs::function::beta::beta_reg;
use statrs::function::gamma::{digamma, gamma_lr, gamma_ur, ln_gamma};

use super::special::{root, t_reach, t_upper_tail};

/// A count and the exposure over which it arose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// Number of events.
    pub count: u64,
    /// Exposure, above 0 (revolutions, km, days).
    pub exposure: f64,
}

impl Counted {
    /// Events per unit of exposure.
    #[must_use]
    pub fn rate(&self) -> f64 {
        self.count as f64 / self.exposure
    }
}

/// Sum of counts and of exposures.
#[must_use]
pub fn pooled(counted: &[Counted]) -> Counted {
    Counted {
        count: counted.iter().map(|c| c.count).sum(),
        exposure: counted.iter().map(|c| c.exposure).sum(),
    }
}

/// Misfires as percent of firings of a four-stroke engine: `revolutions * cylinders / 2` firings.
///
/// Source: 13 CCR 1968.2 (e)(3) (from memory). One cylinder's own share: pass 1 for `cylinders`.
#[must_use]
pub fn misfire_percent(misfires: u64, revolutions: f64, cylinders: u32) -> f64 {
    100.0 * misfires as f64 / (revolutions * f64::from(cylinders) / 2.0)
}

/// Exact central interval of a Poisson rate at `level`: Garwood (1936).
#[must_use]
pub fn garwood(counted: Counted, level: f64) -> (f64, f64) {
    let tail = 0.5 * (1.0 - level);
    let x = counted.count as f64;
    let most = x + 40.0 + 12.0 * x.sqrt();
    let lo = if counted.count == 0 { 0.0 } else { root(0.0, most, |m| gamma_lr_or_0(x, m) - tail) };
    let hi = root(0.0, most, |m| tail - gamma_ur_or_1(x + 1.0, m));
    (lo / counted.exposure, hi / counted.exposure)
}

fn gamma_lr_or_0(shape: f64, m: f64) -> f64 {
    if m > 0.0 { gamma_lr(shape, m) } else { 0.0 }
}

fn gamma_ur_or_1(shape: f64, m: f64) -> f64 {
    if m > 0.0 { gamma_ur(shape, m) } else { 1.0 }
}

/// Ratio of two Poisson rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RateRatio {
    /// First rate over second; infinite or `NaN` when the second count is 0.
    pub ratio: f64,
    /// Lower end of the exact central interval.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
    /// P value of "first rate not higher", exact.
    pub p_greater: f64,
    /// Two-sided p value: all outcomes no more likely than the observed one ("minlike", as R's
    /// `poisson.test`; twice the smaller tail would be another number).
    pub p_two_sided: f64,
}

/// Exact conditional comparison of two Poisson rates: given the sum, the first count is binomial.
///
/// Interval after Clopper & Pearson (1934), test after Przyborowski & Wilenski (1940).
#[must_use]
pub fn rate_ratio(first: Counted, second: Counted, level: f64) -> RateRatio {
    let (a, b) = (first.count, second.count);
    let odds = |share: f64| share / (1.0 - share) * second.exposure / first.exposure;
    let tail = 0.5 * (1.0 - level);
    let lo = root(0.0, 1.0, |p| binomial_upper_tail(a, a + b, p) - tail);
    let hi = root(0.0, 1.0, |p| tail - (1.0 - binomial_upper_tail(a + 1, a + b, p)));
    let share = first.exposure / (first.exposure + second.exposure);
    RateRatio {
        ratio: first.rate() / second.rate(),
        lo: if a == 0 { 0.0 } else { odds(lo) },
        hi: if b == 0 { f64::INFINITY } else { odds(hi) },
        p_greater: binomial_upper_tail(a, a + b, share),
        p_two_sided: binomial_no_more_likely(a, a + b, share),
    }
}

/// One-sided mid-p value of "ratio of rates not above `ratio`": half of the observed outcome's weight.
#[must_use]
pub fn rate_ratio_p(first: Counted, second: Counted, ratio: f64) -> (f64, f64) {
    let share = ratio * first.exposure / (ratio * first.exposure + second.exposure);
    let n = first.count + second.count;
    let at_least = binomial_upper_tail(first.count, n, share);
    let above = binomial_upper_tail(first.count + 1, n, share);
    (at_least, 0.5 * (at_least + above))
}

/// P(X >= k) of a binomial.
#[must_use]
pub fn binomial_upper_tail(k: u64, n: u64, p: f64) -> f64 {
    if k == 0 {
        1.0
    } else if k > n || p <= 0.0 {
        0.0
    } else if p >= 1.0 {
        1.0
    } else {
        beta_reg(k as f64, (n - k + 1) as f64, p)
    }
}

/// P(X <= k) of a binomial, `k <= n`: a mirrored upper tail keeps the digits that 1 less a tail loses.
fn binomial_lower_tail(k: u64, n: u64, p: f64) -> f64 {
    binomial_upper_tail(n - k, n, 1.0 - p)
}

/// P(an outcome no more likely than `k`) of a binomial.
fn binomial_no_more_likely(k: u64, n: u64, p: f64) -> f64 {
    let ln_mass = |i: u64| {
        let (i, n) = (i as f64, n as f64);
        ln_gamma(n + 1.0) - ln_gamma(i + 1.0) - ln_gamma(n - i + 1.0)
            + i * p.ln()
            + (n - i) * (1.0 - p).ln()
    };
    // Ties must count although the two sides round differently; R uses the same 1e-7.
    let bound = ln_mass(k) + 1e-7;
    let mode = ((n as f64 + 1.0) * p).floor().min(n as f64) as u64;
    // Mass rises up to the mode and falls after it: the opposite tail's edge by bisection.
    if k <= mode {
        let edge = first_where(mode, n + 1, |i| i > n || ln_mass(i) <= bound);
        binomial_lower_tail(k, n, p) + binomial_upper_tail(edge.max(k + 1), n, p)
    } else {
        let below = first_where(0, mode + 1, |i| ln_mass(i) > bound);
        let opposite = below.checked_sub(1).map_or(0.0, |b| binomial_lower_tail(b, n, p));
        binomial_upper_tail(k, n, p) + opposite
    }
    .min(1.0)
}

/// First number from `low` on, before `high`, where a condition that stays true becomes true.
fn first_where(mut low: u64, mut high: u64, holds: impl Fn(u64) -> bool) -> u64 {
    while low < high {
        let middle = low + (high - low) / 2;
        if holds(middle) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    low
}

/// Pearson's dispersion around one common rate: 1 for Poisson counts, more when events come in bursts.
///
/// `None` with fewer than two parts or no event.
#[must_use]
pub fn dispersion(parts: &[Counted]) -> Option<f64> {
    let rate = pooled(parts).rate();
    (parts.len() > 1 && rate > 0.0).then(|| pearson(parts, rate) / (parts.len() - 1) as f64)
}

fn pearson(parts: &[Counted], rate: f64) -> f64 {
    let term = |c: &Counted| {
        let expected = rate * c.exposure;
        (c.count as f64 - expected).powi(2) / expected
    };
    parts.iter().map(term).sum()
}

/// Comparison of two overdispersed rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DispersedRatio {
    /// First rate over second.
    pub ratio: f64,
    /// Lower end of the interval.
    pub lo: f64,
    /// Upper end of the interval.
    pub hi: f64,
    /// P value of "first rate not higher".
    pub p_greater: f64,
    /// Variance over mean of the counts, at least 1.
    pub dispersion: f64,
}

/// Ratio of two rates whose counts (say, per trip) vary more than Poisson counts: quasi-Poisson.
///
/// Variance `dispersion * mean`, dispersion by Pearson within both samples (McCullagh & Nelder,
/// 1989, sec. 6.2), log ratio with Student's t. A sample without events counts half an event
/// (common practice, no source), and its ratio ends no further out than in the exact interval of as many independent
/// events as the other has over the dispersion (Clopper & Pearson, 1934; thinned as in [`concentration`]). `None` with fewer
/// than three parts in all or no event at all.
#[must_use]
pub fn dispersed_ratio(
    first: &[Counted],
    second: &[Counted],
    level: f64,
) -> Option<DispersedRatio> {
    let (a, b) = (pooled(first), pooled(second));
    // Parts of a sample without an event say nothing of how much counts vary.
    let telling = |parts: &[Counted], all: Counted| match all.count {
        0 => 0.0,
        _ => parts.len() as f64 - 1.0,
    };
    let df = telling(first, a) + telling(second, b);
    if df <= 0.0 || first.is_empty() || second.is_empty() || a.count + b.count == 0 {
        return None;
    }
    let sample = |parts: &[Counted], all: Counted| match all.count {
        0 => 0.0,
        _ => pearson(parts, all.rate()),
    };
    let dispersion = ((sample(first, a) + sample(second, b)) / df).max(1.0);
    let events = |all: Counted| (all.count as f64).max(0.5);
    let ratio = events(a) / a.exposure / (events(b) / b.exposure);
    let error = (dispersion * (1.0 / events(a) + 1.0 / events(b))).sqrt();
    let reach = (t_reach(level, df) * error).exp();
    // The largest share of one sample among so many independent events of which it has none.
    let most = |all: Counted| 1.0 - (0.5 * (1.0 - level)).powf(dispersion / all.count as f64);
    let odds = |share: f64| share / (1.0 - share);
    let (exact_lo, exact_hi) = match (a.count, b.count) {
        (0, _) => (0.0, odds(most(b)) * b.exposure / a.exposure),
        (_, 0) => (b.exposure / a.exposure / odds(most(a)), f64::INFINITY),
        _ => (0.0, f64::INFINITY),
    };
    Some(DispersedRatio {
        ratio,
        lo: (ratio / reach).max(exact_lo.min(ratio)),
        hi: (ratio * reach).min(exact_hi.max(ratio)),
        p_greater: t_upper_tail(ratio.ln() / error, df),
        dispersion,
    })
}

/// Negative binomial: variance `mean + mean² / k`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NegativeBinomial {
    /// Events per unit of exposure.
    pub rate: f64,
    /// Size parameter; infinite when the counts vary no more than Poisson counts.
    pub k: f64,
    /// Standard error of `k` from the curvature of the likelihood.
    pub k_error: f64,
}

/// Maximum likelihood of a negative binomial with exposures, the rate held at events per exposure.
///
/// Bliss & Fisher (1953). With equal exposures the rate is its own maximum likelihood estimate.
/// `None` without events.
#[must_use]
pub fn negative_binomial(parts: &[Counted]) -> Option<NegativeBinomial> {
    let rate = pooled(parts).rate();
    if rate.is_nan() || rate <= 0.0 {
        return None;
    }
    let slope = |k: f64| -> f64 {
        let term = |c: &Counted| {
            let (x, m) = (c.count as f64, rate * c.exposure);
            digamma(x + k) - digamma(k) + (k / (k + m)).ln() + 1.0 - (x + k) / (m + k)
        };
        parts.iter().map(term).sum()
    };
    const MOST: f64 = 1e6;
    if slope(MOST) > 0.0 || dispersion(parts)? <= 1.0 {
        return Some(NegativeBinomial { rate, k: f64::INFINITY, k_error: f64::NAN });
    }
    let k = root(-20.0, MOST.ln(), |log_k| -slope(log_k.exp())).exp();
    let step = 1e-4 * k;
    let curvature = (slope(k - step) - slope(k + step)) / (2.0 * step);
    Some(NegativeBinomial { rate, k, k_error: curvature.sqrt().recip() })
}

/// Whether one cylinder has more than its share of events.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Concentration {
    /// Index of the cylinder with most events.
    pub cylinder: usize,
    /// Its share of all events.
    pub share: f64,
    /// Exact p value of "all cylinders alike", times the number of cylinders (Bonferroni).
    pub p: f64,
}

/// Exact binomial test of the worst cylinder against an equal share, corrected for having looked at all.
///
/// Misfires come in bursts: counts are first divided by `dispersion` (at least 1), so that a burst
/// does not pass for many independent events. `None` without events or with one cylinder.
#[must_use]
pub fn concentration(events: &[u64], dispersion: f64) -> Option<Concentration> {
    let total: u64 = events.iter().sum();
    // The first of equals, so that the answer does not depend on chance.
    let (cylinder, &most) = events.iter().enumerate().rev().max_by_key(|(_, n)| **n)?;
    if total == 0 || events.len() < 2 {
        return None;
    }
    let thinned = |n: u64| (n as f64 / dispersion.max(1.0)).floor() as u64;
    let rest: u64 = thinned(total - most);
    let tail = binomial_upper_tail(thinned(most), thinned(most) + rest, 1.0 / events.len() as f64);
    let p = (tail * events.len() as f64).min(1.0);
    Some(Concentration { cylinder, share: most as f64 / total as f64, p })
}

/// Gamma distribution of rates across vehicles.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GammaPrior {
    /// Shape: how alike the vehicles are.
    pub shape: f64,
    /// Rate parameter, in units of exposure: exposure that weighs as much as the fleet.
    pub rate: f64,
}

/// A vehicle's rate after shrinkage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShrunkRate {
    /// Posterior mean.
    pub mean: f64,
    /// Lower end of the central posterior interval.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
}

impl GammaPrior {
    /// Empirical Bayes by marginal maximum likelihood; `None` without events or with one vehicle.
    ///
    /// Vehicles that differ no more than chance give a very large shape: everyone gets the fleet's rate.
    #[must_use]
    pub fn fit(vehicles: &[Counted]) -> Option<Self> {
        let n = vehicles.len() as f64;
        if vehicles.len() < 2 || pooled(vehicles).count == 0 {
            return None;
        }
        let longest = vehicles.iter().map(|c| c.exposure).fold(0.0, f64::max);
        // For a given shape the best rate solves beta * sum (shape + x) / (beta + t) = n * shape.
        let best_rate = |shape: f64| {
            let excess = |log_rate: f64| {
                let beta = log_rate.exp() * longest;
                let part = |c: &Counted| beta * (shape + c.count as f64) / (beta + c.exposure);
                vehicles.iter().map(part).sum::<f64>() - n * shape
            };
            root(-40.0, 40.0, excess).exp() * longest
        };
        let slope = |shape: f64| -> f64 {
            let rate = best_rate(shape);
            let term = |c: &Counted| {
                digamma(shape + c.count as f64) - digamma(shape) + (rate / (rate + c.exposure)).ln()
            };
            vehicles.iter().map(term).sum()
        };
        let shape = root((1e-4_f64).ln(), (1e5_f64).ln(), |log| -slope(log.exp())).exp();
        Some(Self { shape, rate: best_rate(shape) })
    }

    /// Posterior of one vehicle's rate: gamma with shape + count and rate + exposure.
    #[must_use]
    pub fn shrink(&self, vehicle: Counted, level: f64) -> ShrunkRate {
        let shape = self.shape + vehicle.count as f64;
        let rate = self.rate + vehicle.exposure;
        let tail = 0.5 * (1.0 - level);
        let most = shape + 40.0 + 12.0 * shape.sqrt();
        let at = |p: f64| root(0.0, most, |m| gamma_lr_or_0(shape, m) - p) / rate;
        ShrunkRate { mean: shape / rate, lo: at(tail), hi: at(1.0 - tail) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn concentration_finds_the_odd_cylinder_only() {
        let even = concentration(&[12, 9, 11, 10], 1.0).unwrap();
        assert!(even.p > 0.5);
        let odd = concentration(&[2, 3, 40, 1], 1.0).unwrap();
        assert_eq!(odd.cylinder, 2);
        assert!(odd.p < 1e-12);
        let burst = concentration(&[0, 0, 40, 0], 40.0).unwrap();
        assert!(burst.p > 0.9, "one burst is one event");
        assert!(concentration(&[0, 0], 1.0).is_none());
    }

    #[test]
    fn concentration_by_hand() {
        // Three events, all on one of two cylinders: 2 * (1/2)^3.
        assert!((concentration(&[3, 0], 1.0).unwrap().p - 0.25).abs() < 1e-12);
    }

    #[test]
    fn bursts_widen_the_ratio() {
        let part = |count| Counted { count, exposure: 100.0 };
        let steady: Vec<Counted> = [9, 11, 10, 10].map(part).to_vec();
        let bursty: Vec<Counted> = [0, 40, 0, 0].map(part).to_vec();
        let base: Vec<Counted> = [5, 5, 4, 6].map(part).to_vec();
        let a = dispersed_ratio(&steady, &base, 0.95).unwrap();
        let b = dispersed_ratio(&bursty, &base, 0.95).unwrap();
        assert!((a.ratio - b.ratio).abs() < 1e-12 && (a.ratio - 2.0).abs() < 1e-12);
        assert!(a.lo > 1.0 && b.lo < 1.0 && b.dispersion > 10.0);
        assert!(dispersed_ratio(&[part(0)], &[part(0), part(0)], 0.95).is_none());
    }

    #[test]
    fn a_sample_without_events_ends_where_the_exact_interval_does() {
        // None of 20: Clopper and Pearson's 95 % upper limit is 0.1684 (tables of the binomial; from memory).
        let part = |count| Counted { count, exposure: 100.0 };
        let none = [0, 0, 0].map(part);
        let some = [7, 7, 6].map(part);
        let odds = 0.1684 / (1.0 - 0.1684);
        let cured = dispersed_ratio(&none, &some, 0.95).unwrap();
        assert!((cured.hi - odds).abs() < 1e-3 && cured.lo < cured.ratio, "{cured:?}");
        let begun = dispersed_ratio(&some, &none, 0.95).unwrap();
        assert!((begun.lo - 1.0 / odds).abs() < 1e-2 && begun.hi > begun.ratio, "{begun:?}");
    }

    #[test]
    fn alike_vehicles_get_the_fleet_rate() {
        let fleet: Vec<Counted> = (0..50).map(|_| Counted { count: 10, exposure: 100.0 }).collect();
        let prior = GammaPrior::fit(&fleet).unwrap();
        let shrunk = prior.shrink(Counted { count: 30, exposure: 100.0 }, 0.95);
        assert!((shrunk.mean - 0.1).abs() < 0.001);
    }
}
