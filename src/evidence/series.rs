//! From vehicle-days to the daily series that are tested.

use super::history::History;
use crate::settings::TestSettings;
use crate::tables::days::Day;
use crate::tables::findings::SeriesKind;
use crate::tables::trips::{BANKS, Band};

/// One day's value of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DailyValue {
    pub(super) day: i32,
    /// Distance since the first day, km.
    pub(super) km: f64,
    pub(super) y: f64,
    /// Relative precision; 1 is a day with plenty of samples.
    pub(super) weight: f64,
}

/// Samples in a day's mean at which it has half the weight of a day with plenty: the day-to-day noise of
/// trims is much larger than that within a day. On the open logs the variance of a band's mean over a trip is
/// about 4.6 + 90 / samples (62 means of 5 to 1,500 samples).
const SAMPLES_HALF_WEIGHT: f64 = 20.0;

/// The same within the mean over bands: what bands have in common does not depend on their weights, so only
/// a band's own noise counts, about two fifths of the whole (own judgement).
const BAND_HALF_WEIGHT: f64 = 50.0;

/// All values of `kind` for one vehicle.
pub(super) fn daily(
    history: &History<'_>,
    kind: SeriesKind,
    test: &TestSettings,
) -> Vec<DailyValue> {
    let levels = match kind {
        SeriesKind::TrimAll(bank) | SeriesKind::Tilt(bank) => band_levels(history, bank, test),
        _ => [0.0; 3],
    };
    history
        .days
        .iter()
        .zip(&history.km)
        .zip(&history.relearning)
        .filter_map(|((d, km), relearning)| {
            if *relearning && kind.is_trim() {
                return None;
            }
            let (y, n) = value(d, kind, &levels, test)?;
            let weight = n / (n + SAMPLES_HALF_WEIGHT);
            Some(DailyValue { day: d.day, km: *km, y, weight })
        })
        .collect()
}

fn value(d: &Day, kind: SeriesKind, levels: &[f64; 3], test: &TestSettings) -> Option<(f64, f64)> {
    let enough = |n: f64| n >= test.samples_per_day_min;
    match kind {
        SeriesKind::TrimAll(bank) => {
            // Each band enters as its distance from its own level, so that a day with much idling
            // does not look like a change of mixture.
            let (mut sum, mut weight, mut n) = (0.0, 0.0, 0.0);
            for (b, level) in d.bands[bank - 1].iter().zip(levels) {
                if enough(b.n) && level.is_finite() {
                    let w = b.n / (b.n + BAND_HALF_WEIGHT);
                    sum += w * (b.y / b.n - level);
                    weight += w;
                    n += b.n;
                }
            }
            (weight > 0.0).then(|| (sum / weight, n))
        }
        SeriesKind::Trim(bank, band) => {
            let b = d.bands[bank - 1][band as usize];
            enough(b.n).then(|| (b.y / b.n, b.n))
        }
        SeriesKind::Tilt(bank) => {
            let (low, high) = outer_bands(levels)?;
            let [low, high] = [low, high].map(|band| d.bands[bank - 1][band as usize]);
            let y = high.y / high.n - low.y / low.n;
            // Noise of a difference: the variances add.
            (enough(low.n) && enough(high.n)).then(|| (y, low.n * high.n / (low.n + high.n)))
        }
        SeriesKind::IdleThrottle => {
            let m = d.idle_throttle_pct;
            m.mean().filter(|_| enough(m.n)).map(|v| (v, m.n))
        }
        // Full load is rare: every sample of it counts.
        SeriesKind::Breathing => d.breathing_pct.mean().map(|v| (v, 5.0 * d.breathing_pct.n)),
        SeriesKind::WarmupGap => {
            let (mut y, mut n) = (0.0, 0.0);
            for b in d.bands[0] {
                y += b.y;
                n += b.n;
            }
            let warm = d.warmup_y.mean()?;
            (enough(d.warmup_y.n) && n >= test.samples_per_day_min)
                .then(|| (warm - y / n, d.warmup_y.n))
        }
    }
}

/// The vehicle's own level in each band over its first days; `NaN` for a band that was rare then.
///
/// The window is fixed by the calendar and closes before the first look, so later data never moves a
/// level and with it the past.
fn band_levels(history: &History<'_>, bank: usize, test: &TestSettings) -> [f64; 3] {
    let mut levels = [f64::NAN; 3];
    let Some(first) = history.days.first() else { return levels };
    let end = f64::from(first.day) + test.baseline_days.min(test.days_min);
    for band in Band::ALL {
        let values: Vec<f64> = history
            .judged_days()
            .take_while(|d| f64::from(d.day) < end)
            .map(|d| d.bands[bank - 1][band as usize])
            .filter(|b| b.n >= test.samples_per_day_min)
            .map(|b| b.y / b.n)
            .collect();
        if values.len() >= FEWEST_BASELINE_VALUES {
            levels[band as usize] = values.iter().sum::<f64>() / values.len() as f64;
        }
    }
    levels
}

/// The lowest and the highest band that the vehicle shows often enough; `None` if that is one and the same.
///
/// A hybrid that hardly idles is compared from cruise to load.
fn outer_bands(levels: &[f64; 3]) -> Option<(Band, Band)> {
    let mut shown = Band::ALL.into_iter().filter(|band| levels[*band as usize].is_finite());
    let low = shown.next()?;
    Some((low, shown.next_back()?))
}

/// Days with a value that make a baseline (common practice, no source).
const FEWEST_BASELINE_VALUES: usize = 8;

/// The series that are monitored, with their shares of the vehicle's false-flag budget.
///
/// Rises of the all-band trim carry most of it, because deposits act on all bands and only there an innocent
/// step looks like them; the tilt, in which what moves all bands cancels, the throttle, breathing and warm-up
/// have little and need little; falls (richening) have their own. Idle and load alone are for logs so sparse that
/// hardly any day shows both. A share of nought means that the series is followed for its level but never tested.
pub(super) fn monitored(banks: usize) -> Vec<Monitored> {
    let mut list = Vec::new();
    let split = banks.clamp(1, BANKS) as f64;
    for bank in 1..=banks.clamp(1, BANKS) {
        list.push(Monitored::new(SeriesKind::TrimAll(bank), 0.67 / split, 0.02 / split));
        for (band, share) in [(Band::Idle, 0.02), (Band::Cruise, 0.0), (Band::Load, 0.01)] {
            list.push(Monitored::new(SeriesKind::Trim(bank, band), share / split, 0.0));
        }
        list.push(Monitored::new(SeriesKind::Tilt(bank), 0.05 / split, 0.05 / split));
    }
    list.push(Monitored::new(SeriesKind::IdleThrottle, 0.03, 0.0));
    list.push(Monitored::new(SeriesKind::Breathing, 0.0, 0.03));
    list.push(Monitored::new(SeriesKind::WarmupGap, 0.03, 0.0));
    list
}

/// Share of the budget that the misfire test has.
pub(super) const MISFIRE_SHARE: f64 = 0.09;

/// One monitored series with its share of the budget for rises and falls.
#[derive(Debug, Clone, Copy)]
pub(super) struct Monitored {
    pub(super) kind: SeriesKind,
    pub(super) share_up: f64,
    pub(super) share_down: f64,
}

impl Monitored {
    fn new(kind: SeriesKind, share_up: f64, share_down: f64) -> Monitored {
        Monitored { kind, share_up, share_down }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shares_of_the_budget_add_up_to_one() {
        for banks in [1, 2] {
            let sum: f64 = monitored(banks).iter().map(|m| m.share_up + m.share_down).sum();
            assert!((sum + MISFIRE_SHARE - 1.0).abs() < 1e-12, "{sum}");
        }
    }
}
