//! Before against after: did a job change anything, on each vehicle and over all?
//!
//! In: paired differences, or effects with their variances. Out: rank and t tests, a randomisation
//! test, a pooled effect that lets vehicles differ.

use statrs::function::gamma::gamma_ur;

use super::robust::median_of;
use super::special::{normal_quantile, normal_upper_tail, t_reach, t_upper_tail};
use super::trend::mid_ranks;

/// Wilcoxon signed rank test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignedRank {
    /// Sum of the ranks of positive differences.
    pub v: f64,
    /// Differences that are not zero.
    pub used: usize,
    /// P value of "not above zero".
    pub p_greater: f64,
    /// Two-sided p value.
    pub p_two_sided: f64,
    /// Whether the p values are exact.
    pub exact: bool,
}

/// Largest sample for which the rank sum's distribution is computed exactly (as R's `wilcox.test`).
const EXACT_RANKS: usize = 50;

/// Wilcoxon signed rank test of differences; zeros are dropped; `None` if nothing is left.
///
/// Exact without ties up to 50 differences, else normal with tie and continuity corrections.
#[must_use]
pub fn signed_rank(differences: &[f64]) -> Option<SignedRank> {
    let used: Vec<f64> = differences.iter().copied().filter(|d| *d != 0.0).collect();
    let n = used.len();
    if n == 0 {
        return None;
    }
    let sizes: Vec<f64> = used.iter().map(|d| d.abs()).collect();
    let ranks = mid_ranks(&sizes);
    let v: f64 = ranks.iter().zip(&used).filter(|(_, d)| **d > 0.0).map(|(r, _)| r).sum();
    let tied = ranks.iter().any(|r| r.fract() != 0.0) || has_duplicates(&ranks);
    let exact = !tied && n <= EXACT_RANKS;
    let (p_greater, p_less) = if exact {
        let share = rank_sum_distribution(n);
        let most = share.len() - 1;
        let at_least = |v: usize| share[v..].iter().sum::<f64>();
        (at_least(v as usize), at_least(most - v as usize))
    } else {
        let size = n as f64;
        let mut sorted = ranks.clone();
        sorted.sort_by(f64::total_cmp);
        let groups = sorted.chunk_by(|a, b| a == b).map(|g| g.len() as f64);
        let ties: f64 = groups.map(|t| t * t * t - t).sum();
        let sd = (size * (size + 1.0) * (2.0 * size + 1.0) / 24.0 - ties / 48.0).sqrt();
        let excess = v - size * (size + 1.0) / 4.0;
        (normal_upper_tail((excess - 0.5) / sd), normal_upper_tail((-excess - 0.5) / sd))
    };
    let p_two_sided = (2.0 * p_greater.min(p_less)).min(1.0);
    Some(SignedRank { v, used: n, p_greater, p_two_sided, exact })
}

fn has_duplicates(values: &[f64]) -> bool {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.windows(2).any(|pair| pair[0] == pair[1])
}

/// Shares of sign patterns by rank sum.
fn rank_sum_distribution(n: usize) -> Vec<f64> {
    let mut share = vec![1.0];
    for rank in 1..=n {
        let mut next = vec![0.0; share.len() + rank];
        for (sum, p) in share.iter().enumerate() {
            next[sum] += 0.5 * p;
            next[sum + rank] += 0.5 * p;
        }
        share = next;
    }
    share
}

/// A location with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Located {
    /// Estimate.
    pub value: f64,
    /// Lower end.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
}

/// Hodges-Lehmann estimate: median of the means of all pairs (Walsh averages, self pairs included).
///
/// Interval from the signed rank distribution (level at least `level`). `None` without differences.
#[must_use]
pub fn hodges_lehmann(differences: &[f64], level: f64) -> Option<Located> {
    let n = differences.len();
    let mut walsh = Vec::with_capacity(n * (n + 1) / 2);
    for i in 0..n {
        walsh.extend((0..=i).map(|j| 0.5 * (differences[i] + differences[j])));
    }
    walsh.sort_by(f64::total_cmp);
    let value = median_of(&mut walsh.clone())?;
    let tail = 0.5 * (1.0 - level);
    let rank = if n <= EXACT_RANKS {
        let mut sum = 0.0;
        // First rank sum whose lower tail reaches `tail`: R's qsignrank.
        rank_sum_distribution(n).iter().position(|p| {
            sum += p;
            sum >= tail
        })
    } else {
        let size = n as f64;
        let sd = (size * (size + 1.0) * (2.0 * size + 1.0) / 24.0).sqrt();
        Some((size * (size + 1.0) / 4.0 + normal_quantile(tail) * sd).floor().max(0.0) as usize)
    };
    let rank = rank.unwrap_or(0).max(1);
    Some(Located { value, lo: walsh[rank - 1], hi: walsh[walsh.len() - rank] })
}

/// Paired t test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairedT {
    /// Mean difference.
    pub mean: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Lower end of the interval.
    pub lo: f64,
    /// Upper end of the interval.
    pub hi: f64,
    /// Student's t.
    pub t: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided p value.
    pub p: f64,
}

/// Paired t test of differences: Student (1908); `None` below two differences.
#[must_use]
pub fn paired_t(differences: &[f64], level: f64) -> Option<PairedT> {
    let n = differences.len() as f64;
    if n < 2.0 {
        return None;
    }
    let df = n - 1.0;
    let mean = differences.iter().sum::<f64>() / n;
    let square: f64 = differences.iter().map(|d| (d - mean).powi(2)).sum();
    let standard_error = (square / df / n).sqrt();
    let t = mean / standard_error;
    let reach = t_reach(level, df) * standard_error;
    let p = 2.0 * t_upper_tail(t.abs(), df);
    Some(PairedT { mean, standard_error, lo: mean - reach, hi: mean + reach, t, df, p })
}

/// Largest sample for which all sign patterns are tried.
const EXACT_SIGNS: usize = 20;

/// Two-sided randomisation test: share of sign patterns whose sum is at least as far from zero.
///
/// Fisher (1935). All patterns up to 20 differences; above, `draws` patterns from a generator
/// started at `seed`, counting the observed one (so never 0). `None` without differences.
#[must_use]
pub fn sign_flip(differences: &[f64], draws: u32, seed: u64) -> Option<f64> {
    let n = differences.len();
    let sizes: Vec<f64> = differences.iter().map(|d| d.abs()).collect();
    let total: f64 = sizes.iter().sum();
    // Sums of the same numbers in another order round differently; ties must count.
    let observed = differences.iter().sum::<f64>().abs() - 1e-12 * total;
    let extreme = |negative: &dyn Fn(usize) -> bool| {
        let sum: f64 = (0..n).map(|i| if negative(i) { -sizes[i] } else { sizes[i] }).sum();
        sum.abs() >= observed
    };
    if n == 0 {
        None
    } else if n <= EXACT_SIGNS {
        let patterns = 1_u32 << n;
        let hits = (0..patterns).filter(|p| extreme(&|i| p >> i & 1 == 1)).count();
        Some(hits as f64 / f64::from(patterns))
    } else {
        let mut state = seed;
        let mut hits = 1.0;
        for _ in 0..draws {
            let words: Vec<u64> = (0..n.div_ceil(64)).map(|_| split_mix(&mut state)).collect();
            hits += f64::from(u8::from(extreme(&|i| words[i / 64] >> (i % 64) & 1 == 1)));
        }
        Some(hits / (f64::from(draws) + 1.0))
    }
}

/// Next number of a SplitMix64 generator: Steele, Lea & Flood (2014).
fn split_mix(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut z = *state;
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// Effects of several vehicles pooled into one, vehicles being allowed to differ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RandomEffects {
    /// Mean effect over the population of vehicles.
    pub mean: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Lower end of the normal interval.
    pub lo: f64,
    /// Upper end of the normal interval.
    pub hi: f64,
    /// Variance between vehicles.
    pub tau_squared: f64,
    /// Cochran's Q.
    pub q: f64,
    /// P value of "all effects alike".
    pub p_alike: f64,
    /// Mean effect if all were alike (fixed effect).
    pub fixed_mean: f64,
    /// Its standard error.
    pub fixed_error: f64,
}

/// Random-effects pooling: DerSimonian & Laird (1986); `variances` above 0; `None` without effects.
#[must_use]
pub fn random_effects(effects: &[f64], variances: &[f64], level: f64) -> Option<RandomEffects> {
    if effects.is_empty() {
        return None;
    }
    let pool = |extra: f64| {
        let weights: Vec<f64> = variances.iter().map(|v| 1.0 / (v + extra)).collect();
        let total: f64 = weights.iter().sum();
        let mean = effects.iter().zip(&weights).map(|(e, w)| e * w).sum::<f64>() / total;
        (mean, total, weights)
    };
    let (fixed_mean, total, weights) = pool(0.0);
    let q: f64 = effects.iter().zip(&weights).map(|(e, w)| w * (e - fixed_mean).powi(2)).sum();
    let df = effects.len() as f64 - 1.0;
    let squares: f64 = weights.iter().map(|w| w * w).sum();
    let spread = total - squares / total;
    let tau_squared = if df > 0.0 { ((q - df) / spread).max(0.0) } else { 0.0 };
    let (mean, precision, _) = pool(tau_squared);
    let standard_error = precision.sqrt().recip();
    let reach = normal_quantile(0.5 + 0.5 * level) * standard_error;
    let p_alike = if df > 0.0 && q > 0.0 { gamma_ur(0.5 * df, 0.5 * q) } else { 1.0 };
    Some(RandomEffects {
        mean,
        standard_error,
        lo: mean - reach,
        hi: mean + reach,
        tau_squared,
        q,
        p_alike,
        fixed_mean,
        fixed_error: total.sqrt().recip(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drawn_signs_come_close_to_all_signs() {
        let differences: Vec<f64> = (0..21).map(|i| f64::from(i * 5 % 13) - 4.0).collect();
        let drawn = sign_flip(&differences, 20_000, 3).unwrap();
        let t = paired_t(&differences, 0.95).unwrap();
        assert!((drawn - t.p).abs() < 0.02, "{drawn} {}", t.p);
        assert_eq!(sign_flip(&differences, 500, 3), sign_flip(&differences, 500, 3));
    }

    #[test]
    fn alike_effects_pool_as_fixed() {
        let pooled = random_effects(&[1.0, 1.1, 0.9], &[0.04, 0.04, 0.04], 0.95).unwrap();
        assert_eq!(pooled.tau_squared, 0.0);
        assert!((pooled.mean - pooled.fixed_mean).abs() < 1e-12);
        assert!(random_effects(&[], &[], 0.95).is_none());
    }

    #[test]
    fn nothing_to_rank() {
        assert!(signed_rank(&[0.0, 0.0]).is_none());
        assert!(paired_t(&[1.0], 0.95).is_none());
    }
}
