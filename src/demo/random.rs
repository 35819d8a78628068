//! Random draws: one ChaCha stream per vehicle, so that the thread count can't change a byte.

use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

/// The generator of the demo; its output for a seed is fixed across platforms.
pub(super) type Rng = rand_chacha::ChaCha8Rng;

/// The generator for one stream of a seed: stream 0 is the fleet, `1 + n` is vehicle `n`.
pub(super) fn stream(seed: u64, stream: u64) -> Rng {
    let mut rng = Rng::seed_from_u64(seed);
    rng.set_stream(stream);
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

/// A Poisson draw of a small mean, by Knuth's product of uniforms (The Art of Computer Programming 2,
/// section 3.4.1); means above 30 are cut to 30 to bound the work.
pub(super) fn poisson(mean: f64, rng: &mut Rng) -> u32 {
    let limit = (-mean.clamp(0.0, 30.0)).exp();
    let (mut count, mut product) = (0, rng.random::<f64>());
    while product > limit {
        count += 1;
        product *= rng.random::<f64>();
    }
    count
}

/// A stationary autoregressive noise of order one.
#[derive(Debug, Clone)]
pub(super) struct Ar1 {
    phi: f64,
    sd: f64,
    value: f64,
}

impl Ar1 {
    /// Correlation `phi` after one unit of time, standard deviation `sd`.
    pub(super) fn new(phi: f64, sd: f64, rng: &mut Rng) -> Ar1 {
        Ar1 { phi, sd, value: sd * normal(rng) }
    }

    /// Goes on by `gap` units of time and returns the new value.
    pub(super) fn next(&mut self, gap: f64, rng: &mut Rng) -> f64 {
        let rho = if gap == 1.0 { self.phi } else { self.phi.powf(gap) };
        self.value = rho * self.value + self.sd * (1.0 - rho * rho).sqrt() * normal(rng);
        self.value
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_of_a_seed_differ_and_repeat() {
        let draw = |s| normal(&mut stream(5, s));
        assert_eq!(draw(1), draw(1));
        assert_ne!(draw(1), draw(2));
    }

    #[test]
    fn noise_has_the_stated_spread_and_memory() {
        let mut rng = stream(1, 0);
        let mut noise = Ar1::new(0.5, 2.0, &mut rng);
        let values: Vec<f64> = (0..20_000).map(|_| noise.next(1.0, &mut rng)).collect();
        let variance = values.iter().map(|v| v * v).sum::<f64>() / 20_000.0;
        let lagged = values.windows(2).map(|w| w[0] * w[1]).sum::<f64>() / 19_999.0;
        assert!((variance.sqrt() - 2.0).abs() < 0.05, "{variance}");
        assert!((lagged / variance - 0.5).abs() < 0.03, "{lagged}");
    }

    #[test]
    fn poisson_has_its_mean() {
        let mut rng = stream(2, 0);
        let total: u32 = (0..20_000).map(|_| poisson(1.7, &mut rng)).sum();
        assert!((f64::from(total) / 20_000.0 - 1.7).abs() < 0.03);
    }
}
