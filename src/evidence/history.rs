//! One vehicle's history up to the chosen day: distance, learning resets, workshop visits.

use super::windows::mean;
use crate::stats::sequential::Break;
use crate::tables::days::{Day, Reading};
use crate::tables::findings::{OFF, SeriesKind};
use crate::tables::fleet::{Service, ServiceRecord, Vehicle};

/// Longest distance believed between two days on the odometer, km per day of the gap.
const KM_PER_DAY_MAX: f64 = 2_000.0;

/// A registered vehicle with everything known of it up to the chosen day.
#[derive(Debug)]
pub(super) struct History<'a> {
    pub(super) vehicle: &'a Vehicle,
    pub(super) days: Vec<&'a Day>,
    /// Distance since the first day, km, one per day.
    pub(super) km: Vec<f64>,
    pub(super) resets: Vec<i32>,
    /// Whether the mixture was being relearned after a reset, one per day.
    pub(super) relearning: Vec<bool>,
    pub(super) services: Vec<&'a ServiceRecord>,
    /// Days on which the odometer was seen to have gone where the vehicle cannot have driven: it was replaced, or the logger
    /// moved to another vehicle.
    pub(super) odometer_jumps: Vec<i32>,
    /// Days on which it was clear that a visit had mended what was wrong when the logs began.
    pub(super) cures: Vec<i32>,
}

impl<'a> History<'a> {
    /// Of the vehicle's own days and workshop records up to `as_of`.
    pub(super) fn new(
        vehicle: &'a Vehicle,
        days: &'a [Day],
        services: impl IntoIterator<Item = &'a ServiceRecord>,
        as_of: i32,
    ) -> History<'a> {
        let days: Vec<&Day> = days.iter().filter(|d| d.day <= as_of).collect();
        let mut services: Vec<&ServiceRecord> =
            services.into_iter().filter(|s| s.day <= as_of).collect();
        services.sort_by_key(|s| (s.day, s.service));
        let resets = resets(&days);
        let relearning = relearning(&days, &resets);
        let (km, odometer_jumps) = distance_km(&days);
        let cures = Vec::new();
        let mut history =
            History { vehicle, km, resets, relearning, days, services, odometer_jumps, cures };
        history.cures = cures_from_start(&history);
        history
    }

    /// Work after which the level of `kind` may be another, by day: it moves it with probability `share`. To the idle
    /// throttle a learning reset is such work, whether it stands in the records or not.
    pub(super) fn breaks(&self, kind: SeriesKind, share: f64) -> Vec<Break> {
        let work = self.services.iter().filter(|s| moves(kind, s.service)).map(|s| s.day);
        let resets = self.believed_resets().filter(|_| kind == SeriesKind::IdleThrottle);
        let mut days: Vec<i32> = work.chain(resets).collect();
        days.sort_unstable();
        days.dedup();
        days.into_iter().map(|day| Break { day, share }).collect()
    }

    /// Resets of counters that did not fall too often by then to be believed.
    fn believed_resets(&self) -> impl Iterator<Item = i32> {
        self.resets.iter().enumerate().filter_map(|(n, reset)| {
            let seen = self.days.partition_point(|d| d.day < *reset);
            believed(n + 1, seen).then_some(*reset)
        })
    }

    /// Days after which everything before is another story: the logger moved, or what was wrong from the start was mended.
    pub(super) fn restarts(&self, kind: SeriesKind) -> impl Iterator<Item = i32> {
        let cures = self.cures.iter().filter(move |_| kind.is_mixture());
        self.odometer_jumps.iter().chain(cures).copied()
    }

    /// First day of the story that is told.
    pub(super) fn told_since(&self, kind: SeriesKind) -> i32 {
        self.restarts(kind).max().unwrap_or(i32::MIN)
    }

    /// Day from which on the logs are those of one vehicle.
    pub(super) fn same_vehicle_since(&self) -> i32 {
        self.odometer_jumps.last().copied().unwrap_or(i32::MIN)
    }

    /// Days of any work that may have mended something; trims near nought after a battery change prove nothing.
    pub(super) fn visits(&self) -> Vec<i32> {
        let work = self.services.iter().filter(|s| s.service != Service::BatteryDisconnect);
        let mut days: Vec<i32> = work.map(|s| s.day).collect();
        days.dedup();
        days
    }

    /// Days whose trims may be judged: those on which the mixture was not being relearned.
    pub(super) fn judged_days(&self) -> impl Iterator<Item = &'a Day> {
        self.days
            .iter()
            .zip(&self.relearning)
            .filter(|(_, relearning)| !**relearning)
            .map(|(d, _)| *d)
    }

    /// First of the last [`CURE_ROWS`] days whose trims may be judged.
    pub(super) fn tenth_last_day(&self) -> Option<i32> {
        let judged = || self.days.iter().zip(&self.relearning).rev().filter(|(_, r)| !**r);
        judged().take(CURE_ROWS).last().map(|(d, _)| d.day)
    }

    /// Mean distance a week over the last 60 days of data, km.
    pub(super) fn km_per_week(&self) -> f64 {
        let Some(last) = self.days.last() else { return f64::NAN };
        let from = self.days.iter().position(|d| d.day > last.day - 60).unwrap_or(0);
        let days = f64::from(last.day - self.days[from].day).max(1.0);
        let end = self.km.last().copied().unwrap_or(0.0);
        if from == self.days.len() - 1 {
            return last.km * 7.0;
        }
        (end - self.km[from]) / days * 7.0
    }
}

/// Rows after a visit that tell whether it was a cure, and those before it that it is held against (common
/// practice, no source).
pub(super) const CURE_ROWS: usize = 10;
const ROWS_BEFORE: usize = 20;

/// Days on which it was clear that a visit had brought a trim home that had stood off since the first days: within half of
/// where it stood, on the tenth day after the work that may be judged.
fn cures_from_start(history: &History<'_>) -> Vec<i32> {
    let visits = history.visits();
    if visits.is_empty() {
        return Vec::new();
    }
    let trims: Vec<(i32, f64)> =
        history.judged_days().filter_map(|d| Some((d.day, mean_trim(d)?))).collect();
    let mut begun = 0;
    let mut cures = Vec::new();
    for visit in visits {
        let at = trims.partition_point(|r| r.0 < visit);
        // Another visit may follow before the first has been told.
        if at < begun + ROWS_BEFORE || trims.len() < at + CURE_ROWS {
            continue;
        }
        let (before, after) = (&trims[begun..at], &trims[at..]);
        let start = mean(&before[..ROWS_BEFORE]);
        let stood = mean(&before[before.len() - ROWS_BEFORE..]);
        let stands = mean(&after[..CURE_ROWS]);
        let off = start.abs() > OFF && stood.abs() > OFF;
        if off && start.signum() == stood.signum() && stands.abs() <= 0.5 * stood.abs() {
            begun = at + CURE_ROWS - 1;
            cures.push(trims[begun].0);
        }
    }
    cures
}

/// Mean trim of a day over banks and bands, log-percent.
fn mean_trim(d: &Day) -> Option<f64> {
    let bands = d.banks().into_iter().flat_map(|bank| &bank.bands);
    let bands = bands.filter(|b| b.n > 0.0).map(|b| b.y / b.n);
    let (sum, n) = bands.fold((0.0, 0.0), |(sum, n), y| (sum + y, n + 1.0));
    (n > 0.0).then(|| sum / n)
}

/// Whether a piece of work may move the level of a series (common practice, no source).
///
/// Total trim survives a learning reset, because the short-term side takes over at once; the idle
/// throttle does not: the idle is learned anew.
fn moves(kind: SeriesKind, service: Service) -> bool {
    match kind {
        SeriesKind::TrimAll
        | SeriesKind::TrimBank(_)
        | SeriesKind::Trim(..)
        | SeriesKind::BankGap
        | SeriesKind::LoadGap
        | SeriesKind::IdleGap => service != Service::BatteryDisconnect,
        SeriesKind::IdleThrottle => !matches!(
            service,
            Service::InjectorCleaning | Service::SparkPlugs | Service::FuelFilter
        ),
        SeriesKind::Breathing => matches!(
            service,
            Service::IntakeCleaning
                | Service::AirflowSensorCleaning
                | Service::AirFilter
                | Service::ThrottleCleaning
                | Service::Other
        ),
        SeriesKind::WarmupGap => {
            !matches!(service, Service::BatteryDisconnect | Service::AirFilter)
        }
    }
}

/// Days on which a since-clear counter fell back: battery off or codes cleared.
///
/// Any of the three counters will do; one that stands at its end value (SAE J1979: 65,535 km or minutes,
/// 255 warm-ups) does not fall.
fn resets(days: &[&Day]) -> Vec<i32> {
    let mut last = [f32::NAN; 3];
    let mut resets = Vec::new();
    for d in days {
        let readings = [&d.km_since_clear, &d.warmups_since_clear, &d.min_since_clear];
        let mut fell = false;
        for (reading, last) in readings.into_iter().zip(&mut last) {
            // One unit of slack: counters of several control units may differ by one.
            fell |= reading.min < *last - 1.0 || reading.min < reading.first - 1.0;
            if reading.last.is_finite() {
                *last = reading.last;
            }
        }
        if fell {
            resets.push(d.day);
        }
    }
    resets
}

/// Trips after a reset whose trims are not judged: the long-term side learns anew (study of the drift test:
/// within 10 trips).
const RELEARN_TRIPS: u32 = 10;

/// Days per reset below which the counters are not believed: nobody disconnects a battery every other week.
const DAYS_PER_RESET_MIN: usize = 14;

/// Whether so many resets within so many days with data may all have been some.
fn believed(resets: usize, days: usize) -> bool {
    resets <= 1 + days / DAYS_PER_RESET_MIN
}

/// Whether each day lies within [`RELEARN_TRIPS`] trips after a reset.
///
/// How often resets came is counted up to each day only, so later days never change an earlier one.
fn relearning(days: &[&Day], resets: &[i32]) -> Vec<bool> {
    let (mut next, mut left) = (0, 0u32);
    let mut out = Vec::with_capacity(days.len());
    for (i, d) in days.iter().enumerate() {
        if resets.get(next) == Some(&d.day) {
            next += 1;
            left = RELEARN_TRIPS;
        }
        out.push(believed(next, i) && left > 0);
        left = left.saturating_sub(d.trips);
    }
    out
}

/// An odometer's reading, with the distance that it stands for.
#[derive(Debug, Clone, Copy)]
struct Odometer {
    day: i32,
    odometer_km: f64,
    total_km: f64,
}

impl Odometer {
    /// Whether the reading of `d` can be the same odometer's.
    fn goes_on(&self, d: &Day) -> bool {
        let (driven, gap) =
            (d.odometer_km - self.odometer_km, f64::from((d.day - self.day).max(1)));
        (-ODOMETER_SLACK_KM..=KM_PER_DAY_MAX * gap).contains(&driven)
    }
}

/// Distance since the first day, odometer differences where they are plausible, logged distance elsewhere; and the days
/// on which the odometer was seen to have jumped.
///
/// An odometer that was replaced, rolled back or is missing costs nothing but the unlogged distance. A jump is believed on
/// the [`JUMP_READINGS`]th reading that goes on from the new value, so a single wrong one is none; an odometer that jumps
/// more often than every other week is broken, and tells nothing of the vehicle. Nor does one that jumped while the engine
/// computer's counters went on: the instrument is new, the vehicle is not.
fn distance_km(days: &[&Day]) -> (Vec<f64>, Vec<i32>) {
    let mut total = 0.0;
    let (mut last, mut last_but_one): (Option<Odometer>, Option<Odometer>) = (None, None);
    // Where it stands if it has jumped, and how many readings say so.
    let mut elsewhere: Option<(Odometer, u32)> = None;
    let (mut strays, mut jumps) = (0, Vec::new());
    let mut out = Vec::with_capacity(days.len());
    for (i, d) in days.iter().enumerate() {
        total += d.km;
        if d.odometer_km.is_finite() {
            let reaches = |r: &Odometer| r.goes_on(d);
            let old = last.filter(reaches);
            let new = elsewhere.filter(|(r, _)| reaches(r));
            // After weeks without confirmation both may be within reach: the nearer one is it.
            let nearer = |r: &Odometer| old.is_none_or(|old| old.odometer_km < r.odometer_km);
            let new = new.filter(|(r, _)| nearer(r));
            // One that fits what was read before the last says that the last was wrong.
            let back = last_but_one.filter(|r| old.is_none() && reaches(r));
            let from = new.map(|(r, _)| r).or(old).or(back);
            let driven = from.map_or(f64::NAN, |r| r.total_km + d.odometer_km - r.odometer_km);
            // Days without a reading have counted already.
            total = if driven > total { driven } else { total };
            // By the odometer alone, so that a leap that was taken back once is not counted again.
            let by_odometer = if driven.is_finite() { driven } else { total };
            let here = Odometer { day: d.day, odometer_km: d.odometer_km, total_km: by_odometer };
            match (last, old.or(back), new) {
                (None, ..) => last = Some(here),
                (_, _, Some((_, seen))) => elsewhere = Some((here, seen + 1)),
                (_, Some(from), None) => {
                    (last_but_one, last, elsewhere) = (Some(from), Some(here), None);
                }
                (_, None, None) => {
                    strays += 1;
                    elsewhere = Some((here, 1));
                }
            }
            if elsewhere.is_some_and(|(_, seen)| seen >= JUMP_READINGS) {
                (last_but_one, last, elsewhere) = (None, Some(here), None);
                if strays <= 1 + i / DAYS_PER_RESET_MIN && !same_computer(&days[..=i]) {
                    jumps.push(d.day);
                }
            }
        }
        out.push(total);
    }
    (out, jumps)
}

/// Whether the engine computer of the last [`JUMP_READINGS`] days with an odometer is that of the days before.
///
/// Its counters since codes were cleared (SAE J1979 service 01 PIDs 30, 31 and 4E) know nothing of the instrument: those that
/// can be compared must all go on, the distance or the time among them.
fn same_computer(days: &[&Day]) -> bool {
    let with_odometer = days.iter().enumerate().rev().filter(|(_, d)| d.odometer_km.is_finite());
    let Some((moved, _)) = with_odometer.take(JUMP_READINGS as usize).last() else {
        return false;
    };
    let (before, since) = days.split_at(moved);
    // `None`: cannot be compared, or stands at its end value.
    let goes_on = |counter: fn(&Day) -> &Reading, end: f32, most_a_day: f32| -> Option<bool> {
        let read = |d: &&&Day| counter(d).last.is_finite();
        let mut last = *before.iter().rev().find(read)?;
        let mut seen = since.iter().filter(read).peekable();
        seen.peek()?;
        for d in seen {
            let (was, is) = (counter(last).last, counter(d));
            if was >= end {
                return None;
            }
            // One unit of slack, as for resets.
            let most = was + most_a_day * (d.day - last.day).max(1) as f32;
            if is.min < is.first - 1.0 || is.first < was - 1.0 || is.first > most {
                return Some(false);
            }
            last = d;
        }
        Some(true)
    };
    let km = goes_on(|d| &d.km_since_clear, 65_535.0, UNLOGGED_KM_PER_DAY);
    let minutes = goes_on(|d| &d.min_since_clear, 65_535.0, MINUTES_PER_DAY);
    let warmups = goes_on(|d| &d.warmups_since_clear, 255.0, WARMUPS_PER_DAY);
    let known = [km, minutes, warmups];
    km.or(minutes).is_some() && !known.contains(&Some(false))
}

/// Farthest that a vehicle is driven unlogged between two logged days, km per day of the gap (own judgement, no source): far
/// enough for a logger that sends some trips only, near enough that hardly another vehicle's counter lies within.
const UNLOGGED_KM_PER_DAY: f32 = 500.0;
const MINUTES_PER_DAY: f32 = 1_440.0;
/// Warm-ups from below 22 K under operating temperature: an engine cools for an hour or so in between (own judgement, no
/// source).
const WARMUPS_PER_DAY: f32 = 20.0;

/// Fall of the odometer that rounding or another control unit's count may make, km (common practice, no source).
const ODOMETER_SLACK_KM: f64 = 5.0;

/// Readings that must go on from a new value of the odometer (common practice, no source).
const JUMP_READINGS: u32 = 3;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::days::DayBand;
    use crate::tables::fleet::{AirMetering, Injection};
    use crate::tables::trips::Trip;

    fn day(day: i64, km: f64, odometer_km: f64) -> Day {
        let nan = [f64::NAN; 2];
        Day::of(&Trip {
            start_us: day * 86_400_000_000,
            km,
            odometer_km,
            km_since_clear: nan,
            warmups_since_clear: nan,
            min_since_clear: nan,
            ..Trip::default()
        })
    }

    #[test]
    fn a_replaced_odometer_does_not_turn_distance_back() {
        let days =
            [day(0, 10.0, 50_000.0), day(1, 10.0, 50_030.0), day(2, 12.0, 15.0), day(3, 9.0, 30.0)];
        let refs: Vec<&Day> = days.iter().collect();
        assert_eq!(distance_km(&refs), (vec![10.0, 40.0, 52.0, 67.0], vec![]));
    }

    #[test]
    fn an_odometer_has_jumped_once_it_goes_on_elsewhere() {
        let read = |odometer: &dyn Fn(i64) -> f64| {
            let days: Vec<Day> = (0..60).map(|i| day(i, 10.0, odometer(i))).collect();
            distance_km(&days.iter().collect::<Vec<_>>()).1
        };
        let driven = |i: i64| 10.0 * i as f64;
        let moved = |i: i64| if i < 30 { 50_000.0 } else { 9_000.0 } + driven(i);
        assert_eq!(read(&moved), [32]);
        // A logger that sends one day a week: by the third reading the old odometer could have come as far.
        let ahead = |i: i64| if i < 30 { 50_000.0 } else { 80_000.0 } + driven(i);
        let weekly: Vec<Day> = (0..60).map(|i| day(7 * i, 10.0, ahead(i))).collect();
        assert_eq!(distance_km(&weekly.iter().collect::<Vec<_>>()).1, [7 * 32]);
        let once = |i: i64| if i == 30 { 0.0 } else { 50_000.0 + driven(i) };
        let often = |i: i64| if i % 2 == 0 { 0.0 } else { 50_000.0 + driven(i) };
        let stuck = |_: i64| 50_000.0;
        let ahead_once = |i: i64| if i == 30 { 51_800.0 } else { 50_000.0 + driven(i) };
        for never in [&once as &dyn Fn(i64) -> f64, &often, &stuck, &ahead_once] {
            assert_eq!(read(never), [0i32; 0]);
        }
    }

    #[test]
    fn a_new_instrument_is_no_other_vehicle() {
        let read = |odometer: &dyn Fn(i64) -> f64, counters: &dyn Fn(i64) -> (f64, f64)| {
            let with_counters = |i: i64| {
                let (km, warmups) = counters(i);
                let nan = [f64::NAN; 2];
                Day::of(&Trip {
                    start_us: i * 86_400_000_000,
                    km: 10.0,
                    odometer_km: odometer(i),
                    km_since_clear: [km, km + 10.0],
                    warmups_since_clear: [warmups; 2],
                    min_since_clear: nan,
                    ..Trip::default()
                })
            };
            let days: Vec<Day> = (0..60).map(with_counters).collect();
            let refs: Vec<&Day> = days.iter().collect();
            let (km, jumps) = distance_km(&refs);
            (km[59], jumps)
        };
        let unknown = f64::NAN;
        let driven = |i: i64| 12.0 * i as f64;
        let new = |i: i64| if i < 30 { 50_000.0 } else { -360.0 } + driven(i);
        let goes_on = |i: i64| (4_000.0 + driven(i), unknown);
        let (km, jumps) = read(&new, &goes_on);
        assert_eq!(jumps, [0i32; 0]);
        // Over the exchange the logged distance counts.
        assert_eq!(km, 10.0 + 29.0 * 12.0 + 10.0 + 29.0 * 12.0);
        // Another computer's counters: further, less far, or the same distance and other warm-ups.
        let further = |i: i64| (if i < 30 { 4_000.0 } else { 9_000.0 } + driven(i), unknown);
        let less_far = |i: i64| (if i < 30 { 4_000.0 } else { 1_000.0 } + driven(i), unknown);
        let warmups = |i: i64| (4_000.0 + driven(i), if i < 30 { 200.0 } else { 90.0 });
        // Nothing can be told from counters that are absent or stand at their end.
        let absent = |_: i64| (unknown, unknown);
        let at_end = |_: i64| (65_535.0, 255.0);
        for moved in [&further as &dyn Fn(i64) -> (f64, f64), &less_far, &warmups, &absent, &at_end]
        {
            assert_eq!(read(&new, moved).1, [32]);
        }
    }

    #[test]
    fn trims_are_not_judged_while_they_are_learned_anew() {
        let mut days: Vec<Day> = (0..40).map(|i| day(i, 10.0, f64::NAN)).collect();
        days.iter_mut().for_each(|d| d.trips = 4);
        let refs: Vec<&Day> = days.iter().collect();
        // Ten trips at four a day: the day of the reset and two more.
        let relearned = |resets: &[i32]| -> Vec<usize> {
            let flags = relearning(&refs, resets);
            (0..flags.len()).filter(|i| flags[*i]).collect()
        };
        assert_eq!(relearned(&[5, 30]), [5, 6, 7, 30, 31, 32]);
        // A counter that falls every other day is broken.
        let often: Vec<i32> = (0..20).map(|i| 2 * i).collect();
        assert!(relearned(&often).len() < 12);
    }

    #[test]
    fn what_was_wrong_from_the_start_is_mended_by_the_visit_that_brings_it_home() {
        let with_trim = |i: i64| {
            let mut d = day(i, 10.0, f64::NAN);
            let (y, n) = (if i < 60 { 9.0 } else { 1.0 }, 20.0);
            d.bank_mut(0).bands[1] = DayBand { n, y: n * y, m: 0.0 };
            d
        };
        let days: Vec<Day> = (0..120).map(with_trim).collect();
        let vehicle = Vehicle {
            vehicle: "v".to_owned(),
            engine_family: "f".to_owned(),
            displacement_l: None,
            cylinders: 4,
            banks: 1,
            air_metering: AirMetering::Maf,
            injection: Injection::Port,
            fuel: String::new(),
            hybrid: false,
            depot: String::new(),
            plugs_changed_km: None,
        };
        let visit = |day: i32| ServiceRecord {
            day,
            vehicle: "v".to_owned(),
            odometer_km: None,
            service: Service::InjectorCleaning,
            cost: None,
        };
        let cures = |visits: &[i32], as_of: i32| {
            let services: Vec<ServiceRecord> = visits.iter().copied().map(visit).collect();
            History::new(&vehicle, &days, &services, as_of).cures
        };
        assert_eq!(cures(&[60], 119), [69]);
        assert_eq!(cures(&[60], 68), [0i32; 0], "not known before the tenth day");
        assert_eq!(cures(&[60, 63, 90], 119), [69], "once, however many visits follow");
        assert_eq!(cures(&[30], 119), [0i32; 0], "work in vain");
    }

    #[test]
    fn a_wrong_reading_that_comes_again_counts_once() {
        let total = |odometer: &dyn Fn(i64) -> f64| {
            let days: Vec<Day> = (0..60).map(|i| day(i, 10.0, odometer(i))).collect();
            distance_km(&days.iter().collect::<Vec<_>>()).0[59]
        };
        let driven = |i: i64| 50_000.0 + 10.0 * i as f64;
        assert_eq!(total(&driven), 600.0);
        assert!(total(&|i| driven(i) + if i % 20 == 9 { 1_500.0 } else { 0.0 }) < 2_400.0);
        assert!(total(&|i| driven(i) + if i % 2 == 1 { 300.0 } else { 0.0 }) < 1_300.0);
    }

    #[test]
    fn days_without_a_reading_count_once() {
        // 10 km a day by the odometer, of which 8 are logged; it is read every fifth day.
        let read = |i: i64| if i % 5 == 0 { 50_000.0 + 10.0 * i as f64 } else { f64::NAN };
        let days: Vec<Day> = (0..=20).map(|i| day(i, 8.0, read(i))).collect();
        let (km, _) = distance_km(&days.iter().collect::<Vec<_>>());
        assert_eq!((km[0], km[4], km[5], km[20]), (8.0, 40.0, 58.0, 208.0));
    }

    #[test]
    fn without_an_odometer_the_logged_distance_counts() {
        let days = [day(0, 10.0, f64::NAN), day(5, 20.0, f64::NAN)];
        let refs: Vec<&Day> = days.iter().collect();
        assert_eq!(distance_km(&refs), (vec![10.0, 30.0], vec![]));
    }
}
