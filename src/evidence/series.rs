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
    let levels = if compares_with_own_level(kind) {
        levels(history, test)
    } else {
        [[Level::default(); 3]; BANKS]
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

/// Series that put several bands or banks together: each enters as its distance from its own level, so that a day with
/// much idling, or with one bank only, does not look like a change of mixture.
fn compares_with_own_level(kind: SeriesKind) -> bool {
    match kind {
        SeriesKind::TrimAll
        | SeriesKind::TrimBank(_)
        | SeriesKind::BankGap
        | SeriesKind::Tilt
        | SeriesKind::IdleGap => true,
        SeriesKind::Trim(..)
        | SeriesKind::IdleThrottle
        | SeriesKind::Breathing
        | SeriesKind::WarmupGap => false,
    }
}

/// The day's value of `kind` and the samples that it rests on.
fn value(d: &Day, kind: SeriesKind, levels: &Levels, test: &TestSettings) -> Option<(f64, f64)> {
    let enough = |n: f64| n >= test.samples_per_day_min;
    // Distance of a bank's band from its own level.
    let moved = |bank: usize, band: Band| {
        let (b, level) = (d.bands[bank][band as usize], levels[bank][band as usize]);
        (enough(b.n) && level.is_known()).then(|| (b.y / b.n - level.y, b.n))
    };
    let of_bank = |bank: usize| mean(Band::ALL.into_iter().filter_map(|band| moved(bank, band)));
    // The mean over banks has the noise of one bank, since they share most of it.
    let of_band = |band: Band| {
        let (y, n, banks) = mean((0..BANKS).filter_map(|bank| moved(bank, band)))?;
        Some((y, n / banks))
    };
    match kind {
        SeriesKind::TrimAll => {
            let (y, n, _) = mean(Band::ALL.into_iter().filter_map(of_band))?;
            Some((y, n))
        }
        SeriesKind::TrimBank(bank) => of_bank(bank - 1).map(|(y, n, _)| (y, n)),
        SeriesKind::Trim(bank, band) => {
            let b = d.bands[bank - 1][band as usize];
            enough(b.n).then(|| (b.y / b.n, b.n))
        }
        SeriesKind::BankGap => {
            let (y, n, _) = mean(Band::ALL.into_iter().filter_map(|band| {
                let (one, two) = (moved(0, band)?, moved(1, band)?);
                Some(difference(one, two))
            }))?;
            Some((y, n))
        }
        SeriesKind::Tilt => {
            let (low, high) = outer_bands(levels)?;
            Some(difference(of_band(high)?, of_band(low)?))
        }
        SeriesKind::IdleGap => {
            let (y, n, _) = mean([Band::Cruise, Band::Load].into_iter().filter_map(of_band))?;
            Some(difference(of_band(Band::Idle)?, (y, n)))
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

/// Mean of values with their numbers of samples, those numbers in all, and how many values there were.
fn mean(values: impl Iterator<Item = (f64, f64)>) -> Option<(f64, f64, f64)> {
    let (mut sum, mut weight, mut samples, mut count) = (0.0, 0.0, 0.0, 0.0);
    for (y, n) in values {
        let w = n / (n + BAND_HALF_WEIGHT);
        sum += w * y;
        weight += w;
        samples += n;
        count += 1.0;
    }
    (weight > 0.0).then(|| (sum / weight, samples, count))
}

/// Difference of two values with the number of samples that has its noise: the variances add.
fn difference((a, n): (f64, f64), (b, m): (f64, f64)) -> (f64, f64) {
    (a - b, n * m / (n + m))
}

/// Where a band stood over the vehicle's first days.
#[derive(Debug, Clone, Copy, Default)]
struct Level {
    y: f64,
    /// Days that showed it.
    days: usize,
}

/// Level of each bank in each band.
type Levels = [[Level; 3]; BANKS];

/// Days with a value that make a baseline (common practice, no source).
const FEWEST_BASELINE_VALUES: usize = 8;

impl Level {
    fn is_known(&self) -> bool {
        self.days >= FEWEST_BASELINE_VALUES
    }
}

/// The vehicle's own level in each bank and band over its first days.
///
/// The window is fixed by the calendar and closes before the first look, so later data never moves a
/// level and with it the past.
fn levels(history: &History<'_>, test: &TestSettings) -> Levels {
    let Some(first) = history.days.first() else { return Levels::default() };
    let end = f64::from(first.day) + test.baseline_days.min(test.days_min);
    let level = |bank: usize, band: usize| {
        let values: Vec<f64> = history
            .judged_days()
            .take_while(|d| f64::from(d.day) < end)
            .map(|d| d.bands[bank][band])
            .filter(|b| b.n >= test.samples_per_day_min)
            .map(|b| b.y / b.n)
            .collect();
        Level { y: values.iter().sum::<f64>() / values.len() as f64, days: values.len() }
    };
    std::array::from_fn(|bank| std::array::from_fn(|band| level(bank, band)))
}

/// The lowest and the highest band that the vehicle shows often enough; `None` if that is one and the same.
///
/// A hybrid that hardly idles is compared from cruise to load.
fn outer_bands(levels: &Levels) -> Option<(Band, Band)> {
    let days = |band: Band| levels.iter().map(|bank| bank[band as usize]).map(|l| l.days).max();
    let commonest = Band::ALL.into_iter().filter_map(days).max()?;
    let is_shown = |band: &Band| {
        let of_band = levels.iter().map(|bank| bank[*band as usize]);
        of_band.filter(Level::is_known).any(|l| RARE_BAND * l.days >= commonest)
    };
    let mut shown = Band::ALL.into_iter().filter(is_shown);
    let low = shown.next()?;
    shown.next_back().map(|high| (low, high))
}

/// A band shown on less than one in this many of the days of the commonest is no end of the tilt: it would leave too few
/// days with both (common practice, no source).
const RARE_BAND: usize = 4;

/// The series that are monitored, with their shares of the vehicle's false-flag budget.
///
/// Rises of the trim over all banks and bands carry most of it, because deposits act on all of them and only there an
/// innocent step looks like them. Where banks or bands part, what moves all of them cancels; the throttle, breathing and
/// warm-up have little and need little; falls (richening) have their own. A share of nought means that the series is
/// followed for its level but never tested.
pub(super) fn monitored(banks: usize) -> Vec<Monitored> {
    let followed = |kind| Monitored { kind, share_up: 0.0, share_down: 0.0 };
    let tested = |kind, share_up, share_down| Monitored { kind, share_up, share_down };
    let two_banks = banks > 1;
    let gap = if two_banks { 0.03 } else { 0.0 };
    let mut list = vec![tested(SeriesKind::TrimAll, 0.66 - 2.0 * gap, 0.02)];
    for bank in 1..=banks.clamp(1, BANKS) {
        if two_banks {
            list.push(followed(SeriesKind::TrimBank(bank)));
        }
        list.extend(Band::ALL.map(|band| followed(SeriesKind::Trim(bank, band))));
    }
    if two_banks {
        list.push(tested(SeriesKind::BankGap, gap, gap));
    }
    list.extend([
        tested(SeriesKind::Tilt, 0.04, 0.04),
        tested(SeriesKind::IdleGap, 0.03, 0.03),
        tested(SeriesKind::IdleThrottle, 0.03, 0.0),
        tested(SeriesKind::Breathing, 0.0, 0.03),
        tested(SeriesKind::WarmupGap, 0.03, 0.0),
    ]);
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
    pub(super) fn is_tested(&self) -> bool {
        self.share_up + self.share_down > 0.0
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
