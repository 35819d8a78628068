//! Random draws: one ChaCha stream per vehicle and purpose, so that neither the thread count nor a
//! switch of one nuisance moves the draws of another.

use rand::{RngExt, SeedableRng};
use rand_distr::{Distribution, Gamma, Poisson, StandardNormal, StudentT};

/// The generator of the trial; its output for a seed is the same on all platforms.
pub(super) type Rng = rand_chacha::ChaCha8Rng;

/// Streams that one vehicle may use.
const STREAMS_PER_VEHICLE: u64 = 16;

/// Stream `purpose` of vehicle `vehicle` (`None`: what the fleet shares) under `seed`.
pub(super) fn stream(seed: u64, vehicle: Option<usize>, purpose: u64) -> Rng {
    assert!(purpose < STREAMS_PER_VEHICLE, "purposes are few");
    let mut rng = Rng::seed_from_u64(seed);
    rng.set_stream(vehicle.map_or(0, |v| v as u64 + 1) * STREAMS_PER_VEHICLE + purpose);
    rng
}

/// A standard normal draw.
pub(super) fn normal(rng: &mut Rng) -> f64 {
    rng.sample(StandardNormal)
}

/// A draw between `lo` and `hi`.
pub(super) fn uniform(lo: f64, hi: f64, rng: &mut Rng) -> f64 {
    lo + (hi - lo) * rng.random::<f64>()
}

/// True with probability `p`.
pub(super) fn chance(p: f64, rng: &mut Rng) -> bool {
    rng.random::<f64>() < p
}

/// -1 or 1.
pub(super) fn sign(rng: &mut Rng) -> f64 {
    if chance(0.5, rng) { 1.0 } else { -1.0 }
}

/// An exponential draw of the given mean.
pub(super) fn exponential(mean: f64, rng: &mut Rng) -> f64 {
    -mean * (1.0 - rng.random::<f64>()).ln()
}

/// A lognormal draw with the given median.
pub(super) fn lognormal(median: f64, log_sd: f64, rng: &mut Rng) -> f64 {
    median * (log_sd * normal(rng)).exp()
}

/// A Poisson count; nought for a mean that is not above nought.
pub(super) fn poisson(mean: f64, rng: &mut Rng) -> f64 {
    if !(mean > 0.0) {
        return 0.0;
    }
    Poisson::new(mean).map_or(0.0, |p| p.sample(rng))
}

/// A count with the given mean whose variance is `dispersion` (above 1) times it: a Poisson count whose
/// mean is itself a gamma draw.
pub(super) fn bursty(mean: f64, dispersion: f64, rng: &mut Rng) -> f64 {
    if !(mean > 1e-9) {
        return 0.0;
    }
    let scale = dispersion - 1.0;
    let level = Gamma::new(mean / scale, scale).map_or(mean, |g| g.sample(rng));
    poisson(level, rng)
}

/// A draw of unit variance with the tails of Student's t; normal if `df` is infinite.
pub(super) fn heavy(df: f64, rng: &mut Rng) -> f64 {
    if !df.is_finite() {
        return normal(rng);
    }
    assert!(df > 2.0, "a variance exists only above two degrees of freedom");
    let scale = ((df - 2.0) / df).sqrt();
    StudentT::new(df).map_or(0.0, |t| scale * t.sample(rng))
}

/// Days of events that come at random at a yearly rate, ascending.
pub(super) fn event_days(per_year: f64, days: i32, rng: &mut Rng) -> Vec<i32> {
    let mut out = Vec::new();
    if per_year <= 0.0 {
        return out;
    }
    let mut t = exponential(365.25 / per_year, rng);
    while t < f64::from(days) {
        out.push(t as i32);
        t += exponential(365.25 / per_year, rng);
    }
    out
}

/// Correlation from day to day of a slow [`Wander`]: a memory of 60 days.
pub(super) const SLOW_PHI: f64 = 1.0 - 1.0 / 60.0;

/// A stationary autoregression of order one on calendar days.
#[derive(Debug, Clone)]
pub(super) struct Wander {
    phi: f64,
    sd: f64,
    df: f64,
    value: f64,
}

impl Wander {
    /// Correlation `phi` from day to day, marginal standard deviation `sd`, innovations with `df` degrees of freedom.
    pub(super) fn new(phi: f64, sd: f64, df: f64, rng: &mut Rng) -> Wander {
        let value = sd * normal(rng);
        Wander { phi, sd, df, value }
    }

    /// The next day's value.
    pub(super) fn next(&mut self, rng: &mut Rng) -> f64 {
        let fresh = self.sd * (1.0 - self.phi * self.phi).sqrt();
        self.value = self.phi * self.value + fresh * heavy(self.df, rng);
        self.value
    }

    /// The same with the marginal distribution of `x + a (x² - 1)` at the same spread, for a normal `x`.
    pub(super) fn next_skewed(&mut self, a: f64, rng: &mut Rng) -> f64 {
        let value = self.next(rng);
        if !(self.sd > 0.0) {
            return value;
        }
        let x = value / self.sd;
        self.sd * (x + a * (x * x - 1.0)) / (1.0 + 2.0 * a * a).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_differ_and_repeat() {
        let draw = |v, p| normal(&mut stream(5, v, p));
        assert_eq!(draw(Some(1), 0), draw(Some(1), 0));
        assert_ne!(draw(Some(1), 0), draw(Some(1), 1));
        assert_ne!(draw(Some(1), 0), draw(Some(2), 0));
        assert_ne!(draw(None, 0), draw(Some(0), 0));
    }

    #[test]
    fn wander_has_the_stated_spread_and_memory_whatever_the_tails() {
        for df in [f64::INFINITY, 5.0] {
            let mut rng = stream(1, None, 0);
            let mut w = Wander::new(0.6, 2.0, df, &mut rng);
            let v: Vec<f64> = (0..60_000).map(|_| w.next(&mut rng)).collect();
            let variance = v.iter().map(|v| v * v).sum::<f64>() / v.len() as f64;
            let lagged = v.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / (v.len() - 1) as f64;
            assert!((variance.sqrt() - 2.0).abs() < 0.06, "{variance}");
            assert!((lagged / variance - 0.6).abs() < 0.02, "{lagged}");
        }
    }

    #[test]
    fn bursty_counts_have_the_stated_mean_and_dispersion() {
        let mut rng = stream(2, None, 0);
        let v: Vec<f64> = (0..60_000).map(|_| bursty(4.0, 3.0, &mut rng)).collect();
        let mean = v.iter().sum::<f64>() / v.len() as f64;
        let variance = v.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / v.len() as f64;
        assert!(
            (mean - 4.0).abs() < 0.06 && (variance / mean - 3.0).abs() < 0.12,
            "{mean} {variance}"
        );
    }
}
