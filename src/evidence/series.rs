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

/// Samples in a day's mean beyond which more of them add nothing: the day-to-day noise of trims is
/// much larger than the noise within a day (measured on open logs: trip means spread by 2.2 %).
const SAMPLES_HALF_WEIGHT: f64 = 10.0;

/// All values of `kind` for one vehicle.
pub(super) fn daily(
    history: &History<'_>,
    kind: SeriesKind,
    test: &TestSettings,
) -> Vec<DailyValue> {
    let levels = match kind {
        SeriesKind::TrimAll(bank) => band_levels(history, bank, test),
        _ => [0.0; 3],
    };
    history
        .days
        .iter()
        .zip(&history.km)
        .filter_map(|(d, km)| {
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
                    let w = b.n / (b.n + SAMPLES_HALF_WEIGHT);
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
            .days
            .iter()
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

/// Days with a value that make a baseline (common practice, no source).
const FEWEST_BASELINE_VALUES: usize = 8;

/// The series that are monitored, with their shares of the vehicle's false-flag budget.
///
/// Rises of the all-band trim carry most of it, because deposits act on all bands; what shows in one
/// band only, at the throttle or in breathing has a share each; falls (richening) have their own.
/// A share of nought means that the series is followed for its level but never tested.
pub(super) fn monitored(banks: usize) -> Vec<Monitored> {
    let mut list = Vec::new();
    let split = banks.clamp(1, BANKS) as f64;
    for bank in 1..=banks.clamp(1, BANKS) {
        list.push(Monitored::new(SeriesKind::TrimAll(bank), 0.58 / split, 0.04 / split));
        list.push(Monitored::new(SeriesKind::Trim(bank, Band::Idle), 0.05 / split, 0.0));
        list.push(Monitored::new(SeriesKind::Trim(bank, Band::Cruise), 0.0, 0.0));
        list.push(Monitored::new(SeriesKind::Trim(bank, Band::Load), 0.03 / split, 0.0));
    }
    list.push(Monitored::new(SeriesKind::IdleThrottle, 0.06, 0.0));
    list.push(Monitored::new(SeriesKind::Breathing, 0.0, 0.06));
    list.push(Monitored::new(SeriesKind::WarmupGap, 0.06, 0.0));
    list
}

/// Share of the budget that the misfire test has.
pub(super) const MISFIRE_SHARE: f64 = 0.12;

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
