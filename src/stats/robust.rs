//! Location and scale that a few wild values cannot move.
//!
//! In: slices of numbers. Out: median, MAD, Huber's location, weighted mean. Empty input gives `None`.

/// MAD of a normal distribution times this is its sd: 1 / Phi^-1(3/4). Source: Hampel et al. (1986).
pub const MAD_TO_SD: f64 = 1.482_602_218_505_601_8;

/// Huber's bend point with 95 % efficiency on normal data. Source: Huber & Ronchetti (2nd ed.).
pub const HUBER_95: f64 = 1.345;

/// Median; with an even number of values the mean of the middle two.
#[must_use]
pub fn median(values: &[f64]) -> Option<f64> {
    median_of(&mut values.to_vec())
}

/// Median of values that may be reordered, in linear time.
pub fn median_of(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// Median absolute deviation from the median, scaled to the sd of normal data.
#[must_use]
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let mut deviations: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some(MAD_TO_SD * median_of(&mut deviations)?)
}

/// Huber's M-estimate of location with the MAD as fixed scale; the median when the MAD is 0.
///
/// The fixed point itself, not an early stop (R's MASS `huber` stops at a relative 1e-6).
#[must_use]
pub fn huber_location(values: &[f64], bend: f64) -> Option<f64> {
    let mut centre = median(values)?;
    let reach = bend * mad(values)?;
    for _ in 0..500 {
        let held = values.iter().map(|v| v.clamp(centre - reach, centre + reach));
        let next = held.sum::<f64>() / values.len() as f64;
        let moved = (next - centre).abs();
        centre = next;
        if moved <= 1e-14 * centre.abs() {
            break;
        }
    }
    Some(centre)
}

/// Mean with weights; `None` when they add up to nothing.
#[must_use]
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> Option<f64> {
    let total: f64 = weights.iter().sum();
    let sum: f64 = values.iter().zip(weights).map(|(v, w)| v * w).sum();
    (total > 0.0).then(|| sum / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn medians_of_odd_even_and_none() {
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&[]), None);
        assert_eq!(huber_location(&[2.0, 2.0, 2.0, 90.0], HUBER_95), Some(2.0));
        assert_eq!(weighted_mean(&[1.0, 4.0], &[2.0, 1.0]), Some(2.0));
        assert_eq!(weighted_mean(&[1.0], &[0.0]), None);
    }
}
