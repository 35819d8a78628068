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
    let mut levels = Levels::default();
    let mut throttle = ThrottleByAir::default();
    let mut values = Vec::with_capacity(history.days.len());
    for ((d, km), relearning) in history.days.iter().zip(&history.km).zip(&history.relearning) {
        if history.odometer_jumps.binary_search(&d.day).is_ok() {
            levels = Levels::default();
            throttle = ThrottleByAir::default();
        }
        if *relearning && kind.is_trim() {
            continue;
        }
        if compares_with_own_level(kind) {
            learn(&mut levels, d, test);
        }
        let today = match kind {
            SeriesKind::IdleThrottle => throttle.take(d, test.samples_per_day_min),
            _ => value(d, kind, &levels, test),
        };
        if let Some((y, n)) = today {
            let weight = n / (n + SAMPLES_HALF_WEIGHT);
            values.push(DailyValue { day: d.day, km: *km, y, weight });
        }
    }
    values
}

/// Series that put several bands or banks together: each enters as its distance from its own level, so that a day with
/// much idling, or with one bank only, does not look like a change of mixture.
fn compares_with_own_level(kind: SeriesKind) -> bool {
    match kind {
        SeriesKind::TrimAll
        | SeriesKind::TrimBank(_)
        | SeriesKind::BankGap
        | SeriesKind::LoadGap
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
        let (b, level) = (d.bank(bank).bands[band as usize], levels[bank][band as usize]);
        (enough(b.n) && level.is_known()).then(|| (b.y / b.n - level.y, b.n))
    };
    let of_bank = |bank: usize| mean(Band::ALL.into_iter().filter_map(|band| moved(bank, band)));
    // The mean over banks has the noise of one bank, since they share most of it.
    let of_band = |band: Band| match (moved(0, band), moved(1, band)) {
        (Some(one), Some(two)) => {
            let (y, n, banks) = mean([one, two].into_iter())?;
            Some((y, n / banks))
        }
        (one, two) => one.or(two),
    };
    let gap = |band: Band| {
        let others = Band::ALL.into_iter().filter(|other| *other != band);
        let (y, n, _) = mean(others.filter_map(of_band))?;
        Some(difference(of_band(band)?, (y, n)))
    };
    match kind {
        SeriesKind::TrimAll => {
            let (y, n, _) = mean(Band::ALL.into_iter().filter_map(of_band))?;
            Some((y, n))
        }
        SeriesKind::TrimBank(bank) => of_bank(bank - 1).map(|(y, n, _)| (y, n)),
        SeriesKind::Trim(bank, band) => {
            let b = d.bank(bank - 1).bands[band as usize];
            enough(b.n).then(|| (b.y / b.n, b.n))
        }
        SeriesKind::BankGap => {
            let (y, n, _) = mean(Band::ALL.into_iter().filter_map(|band| {
                let (one, two) = (moved(0, band)?, moved(1, band)?);
                Some(difference(one, two))
            }))?;
            Some((y, n))
        }
        SeriesKind::IdleGap => gap(Band::Idle),
        SeriesKind::LoadGap => gap(Band::Load),
        // Told by what it does with the airflow: see `ThrottleByAir`.
        SeriesKind::IdleThrottle => None,
        // Full load is rare: every sample of it counts.
        SeriesKind::Breathing => {
            d.breathing_pct.mean().map(|v| (v, 5.0 * f64::from(d.breathing_pct.n)))
        }
        SeriesKind::WarmupGap => {
            let (mut y, mut n) = (0.0, 0.0);
            for b in d.bank(0).bands {
                y += b.y;
                n += b.n;
            }
            let (warm, samples) = (d.warmup_y.mean()?, f64::from(d.warmup_y.n));
            (enough(samples) && n >= test.samples_per_day_min).then(|| (warm - y / n, samples))
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

/// Where a band stood on the first days that showed it.
#[derive(Debug, Clone, Copy, Default)]
struct Level {
    y: f64,
    days: f64,
}

/// Level of each bank in each band.
type Levels = [[Level; 3]; BANKS];

/// Days that a band must have been shown on before it is compared with its level, and from which on the level stands
/// fast (common practice, no source). The first is short so that little is lost, the second long against the noise and
/// short against fouling.
const LEVEL_DAYS: (f64, f64) = (8.0, 30.0);

impl Level {
    fn is_known(&self) -> bool {
        self.days >= LEVEL_DAYS.0
    }
}

/// Takes a day into the levels that do not stand fast yet.
///
/// A level is a running mean of the days that showed its band, wherever they lie, so that no gap and no rare band leaves
/// a vehicle without one, and so that no later day ever moves an earlier value. A band that is shown late is taken to have
/// moved until then as those whose level stands fast.
fn learn(levels: &mut Levels, d: &Day, test: &TestSettings) {
    let bands = || d.banks().into_iter().map(|bank| &bank.bands);
    let cells = levels.iter().flatten().zip(bands().flatten());
    let shown = cells.filter(|(_, b)| b.n >= test.samples_per_day_min);
    if shown.clone().all(|(l, _)| l.days >= LEVEL_DAYS.1) {
        return;
    }
    let fast = shown.filter(|(l, _)| l.days >= LEVEL_DAYS.1);
    let moved = mean(fast.map(|(l, b)| (b.y / b.n - l.y, b.n))).map_or(0.0, |(y, ..)| y);
    for (levels, bands) in levels.iter_mut().zip(bands()) {
        for (level, b) in levels.iter_mut().zip(bands) {
            if b.n >= test.samples_per_day_min && level.days < LEVEL_DAYS.1 {
                level.days += 1.0;
                level.y += (b.y / b.n - moved - level.y) / level.days;
            }
        }
    }
}

/// Throttle angle at idle as it would be with the airflow of the vehicle's first days.
///
/// At idle the throttle stands as far open as the air asks for: lights, air conditioning and a cold gearbox move it from day
/// to day by more than deposits do in a year, and the airflow with it. On one real car's logs the mean angle of a trip has
/// an sd of 1.1 percentage points, given the airflow 0.13 (22 trips). How far it follows the airflow is learned on the same
/// first days as a level, so that no later day moves an earlier value and no deposit is taken for a habit.
#[derive(Debug, Clone, Copy, Default)]
struct ThrottleByAir {
    days: f64,
    /// Mean airflow, multiples of the nominal idle airflow, and mean angle, percentage points.
    air: f64,
    angle: f64,
    /// Sums of squares and products around the means.
    air_sq: f64,
    air_angle: f64,
}

/// What "it does not follow the airflow" weighs, as a sum of squares of the airflow: an angle that scatters by 0.3
/// percentage points with a memory of some days, and slopes of some 3 percentage points (ridge regression; Hoerl & Kennard,
/// Technometrics 12, 1970, from memory; the sizes are own judgement).
const THROTTLE_RIDGE: f64 = 0.03;

/// Standard deviations from the mean of the first days beyond which the airflow counts as no further: what a vehicle has not
/// shown is not extrapolated to (own judgement).
const AIR_REACH_SD: f64 = 2.0;

impl ThrottleByAir {
    /// The day's value, with the samples that it rests on.
    fn take(&mut self, d: &Day, fewest: f64) -> Option<(f64, f64)> {
        let idle = d.bank(0).bands[Band::Idle as usize];
        let samples = f64::from(d.idle_throttle_pct.n);
        let angle = d.idle_throttle_pct.mean()?;
        if samples < fewest || idle.n < fewest {
            return None;
        }
        let air = idle.m / idle.n;
        if self.days < LEVEL_DAYS.1 {
            self.days += 1.0;
            let (from_air, from_angle) = (air - self.air, angle - self.angle);
            self.air += from_air / self.days;
            self.angle += from_angle / self.days;
            self.air_sq += from_air * (air - self.air);
            self.air_angle += from_air * (angle - self.angle);
        }
        // More air never takes less of an opening.
        let slope = (self.air_angle / (self.air_sq + THROTTLE_RIDGE)).max(0.0);
        let reach = AIR_REACH_SD * (self.air_sq / self.days).sqrt();
        (self.days >= LEVEL_DAYS.0)
            .then(|| (angle - slope * (air - self.air).clamp(-reach, reach), samples))
    }
}

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
    let mut list = vec![tested(SeriesKind::TrimAll, 0.60 - 2.0 * gap, 0.02)];
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
        tested(SeriesKind::IdleGap, 0.06, 0.04),
        tested(SeriesKind::LoadGap, 0.06, 0.04),
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
    /// The series of `kind` on an engine with so many banks, if it has one.
    pub(super) fn of(banks: usize, kind: SeriesKind) -> Option<Monitored> {
        monitored(banks).into_iter().find(|m| m.kind == kind)
    }

    pub(super) fn is_tested(&self) -> bool {
        self.share_up + self.share_down > 0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::days::Sum;
    use crate::tables::trips::Trip;

    #[test]
    fn the_throttle_is_held_against_the_airflow_of_the_day() {
        // 3 points of throttle for each multiple of the idle airflow, which swings by a tenth; from day 100 on 1 point more.
        let mut throttle = ThrottleByAir::default();
        let mut value = |day: i32, swing: f64| {
            let air = 1.2 + swing * f64::from(day % 7 - 3) / 2.0;
            let angle = 12.0 + 3.0 * air + if day < 100 { 0.0 } else { 1.0 };
            let mut d = Day::of(&Trip::default());
            d.idle_throttle_pct = Sum { n: 100, sum: 100.0 * angle };
            let idle = &mut d.bank_mut(0).bands[Band::Idle as usize];
            (idle.n, idle.m) = (100.0, 100.0 * air);
            throttle.take(&d, 5.0).map(|(y, _)| y)
        };
        let values: Vec<Option<f64>> = (0..200).map(|day| value(day, 0.1)).collect();
        assert!(values[..7].iter().all(Option::is_none), "too little is known");
        let spread = |days: &[Option<f64>]| {
            let known = || days.iter().flatten().copied();
            known().fold(f64::MIN, f64::max) - known().fold(f64::MAX, f64::min)
        };
        assert!(spread(&values[30..100]) < 0.15, "0.9 raw: {}", spread(&values[30..100]));
        let step = values[170].unwrap_or(0.0) - values[51].unwrap_or(0.0);
        assert!((step - 1.0).abs() < 0.1, "{step}");
        // Of an opening for an airflow that it has never shown hardly anything is put down to the airflow.
        let far = value(99, 40.0).unwrap_or(0.0) - value(99, 0.1).unwrap_or(0.0);
        assert!((far + 3.0 * 39.9).abs() < 1.0, "{far}");
    }

    #[test]
    fn the_shares_of_the_budget_add_up_to_one() {
        for banks in [1, 2] {
            let sum: f64 = monitored(banks).iter().map(|m| m.share_up + m.share_down).sum();
            assert!((sum + MISFIRE_SHARE - 1.0).abs() < 1e-12, "{sum}");
        }
    }
}
