//! Misfire counts by cylinder: overdispersed, cold more than warm, in bursts now and then.

use super::engine::Engine;
use super::random::{Rng, bursty, chance, lognormal, uniform};
use crate::tables::days::Misfires;
use crate::tables::samples::MAX_CYLINDERS;

/// Cold engines misfire more by this factor (common practice, no source).
const COLD: (f64, f64) = (2.0, 6.0);

/// One vehicle's misfires.
#[derive(Debug)]
pub(super) struct Misfiring {
    per_1000_rev: f64,
    cold: f64,
    dispersion: f64,
    share: Vec<f64>,
    bursts: f64,
}

impl Misfiring {
    pub(super) fn draw(engine: &Engine, bursts_per_1000_days: f64, rng: &mut Rng) -> Misfiring {
        let weights: Vec<f64> = (0..engine.cylinders).map(|_| lognormal(1.0, 0.4, rng)).collect();
        let total: f64 = weights.iter().sum();
        Misfiring {
            per_1000_rev: lognormal(engine.misfires_per_1000_rev, 0.6, rng),
            cold: uniform(COLD.0, COLD.1, rng),
            dispersion: uniform(1.5, 6.0, rng),
            share: weights.iter().map(|w| w / total).collect(),
            bursts: bursts_per_1000_days / 1000.0,
        }
    }

    /// Counts of a day. `added` is what a fault adds: warm and cold per 1,000 revolutions and the share of it
    /// on cylinder `cylinder`.
    pub(super) fn day(
        &self,
        revs: (f64, f64),
        added: (f64, f64, f64),
        cylinder: usize,
        rng: &mut Rng,
    ) -> Option<Box<Misfires>> {
        let burst = if chance(self.bursts, rng) { 20.0 } else { 1.0 };
        let own = self.per_1000_rev * burst;
        let mut counts = Misfires::default();
        let mut any = false;
        let phases: [(f64, f64, f64, &mut [f32; MAX_CYLINDERS]); 2] = [
            (revs.0 / 1000.0, own, added.0, &mut counts.warm),
            (revs.1 / 1000.0, own * self.cold, added.1, &mut counts.cold),
        ];
        for (kilorevs, own, more, out) in phases {
            for (c, share) in self.share.iter().enumerate() {
                let spread = (1.0 - added.2) / self.share.len() as f64;
                let of_fault = more * if c == cylinder { added.2 + spread } else { spread };
                let mean = kilorevs * (own * share + of_fault);
                let count = bursty(mean, self.dispersion, rng);
                any |= count > 0.0;
                out[c] = count as f32;
            }
        }
        any.then(|| Box::new(counts))
    }
}
