//! Misfires: which cylinders fail to fire, and why.
//!
//! In: mixture per cylinder, load, coldness, faults. Out: misfires per cylinder of one second. Chances are
//! set so that a single injector about 10 % short begins to misfire and one 16 % short does so about once
//! in a thousand revolutions ('8 to 10 % can be enough': common practice, no source).

use super::families::Family;
use super::faults::Effects;
use super::mixture::Mixture;
use super::powertrain::{Mode, Operating};
use super::random::{Rng, poisson, uniform};
use crate::tables::samples::MAX_CYLINDERS;

/// Chance that a sound, warm cylinder at lambda 1 does not fire.
const BASE: f64 = 5e-6;
/// Rise of lambda that multiplies the chance by e.
const LEAN_SCALE: f64 = 0.0235;
/// Leaner than this a cylinder is at its worst: one firing in twelve fails.
const WORST: f64 = 0.08;

/// What one second gave.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Misfires {
    pub(super) count: [u32; MAX_CYLINDERS],
    /// Expected share of firings lost, all cylinders.
    pub(super) share: f64,
}

/// Draws the misfires of one second; `unrest` scales the chances of one trip (overdispersion).
pub(super) fn draw(
    family: &Family,
    at: &Operating,
    mixture: &Mixture,
    effects: &Effects,
    coldness: f64,
    unrest: f64,
    rng: &mut Rng,
) -> Misfires {
    let mut out = Misfires::default();
    if !matches!(at.mode, Mode::Fired | Mode::FullLoad) {
        return out;
    }
    // A four-stroke cylinder fires every second revolution.
    let firings = at.rpm / 120.0;
    let load = at.air_gs / at.air_max_gs;
    let plugs = effects.plug_misfire * ((load - 0.3) / 0.7).max(0.0).powi(2);
    let mut expected = [0.0; MAX_CYLINDERS];
    for (cylinder, chance) in expected.iter_mut().enumerate().take(family.cylinders) {
        let lean = local_lambda(family, mixture, effects, cylinder) - 1.0 + 0.035 * coldness;
        let deposits = effects.cold_misfire * coldness * (1.0 - load);
        *chance =
            ((BASE * (lean / LEAN_SCALE).exp() + deposits + plugs) * unrest).min(WORST) * firings;
    }
    let total: f64 = expected.iter().sum();
    out.share = total / (firings * family.cylinders as f64);
    for _ in 0..poisson(total, rng) {
        out.count[pick(&expected, uniform(0.0, total, rng))] += 1;
    }
    out
}

/// Lambda of a cylinder: its bank's, leaner as its injector passes less than the bank's mean.
fn local_lambda(family: &Family, mixture: &Mixture, effects: &Effects, cylinder: usize) -> f64 {
    let bank = family.bank_of(cylinder);
    let mean = (0..family.cylinders)
        .filter(|c| family.bank_of(*c) == bank)
        .map(|c| effects.flow[c])
        .sum::<f64>()
        / family.per_bank() as f64;
    // The second of a transient does not decide: combustion copes with a lean breath of some percent.
    let bank_lambda = 1.0 + 0.4 * (mixture.lambda[bank].min(1.3) - 1.0);
    bank_lambda * mean / effects.flow[cylinder]
}

fn pick(weights: &[f64], mut at: f64) -> usize {
    for (index, weight) in weights.iter().enumerate() {
        at -= weight;
        if at < 0.0 {
            return index;
        }
    }
    0
}
