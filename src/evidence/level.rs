//! A lasting change of level, however it came about.
//!
//! The drift test holds a single jump to be innocent, as a new fuel blend would be. A hose that came
//! off is a jump too, but larger than any blend: 8 % is eight standard deviations of an ordinary step in the
//! settings and almost three of a large one. So a change is acted on when the mean of the recent rows lies beyond the
//! set amount and its lower confidence bound beyond three quarters of it.

use super::history::CURE_ROWS;
use super::windows;
use crate::stats::sequential::ResidualRow;

/// Days in the trailing window, longer where few are logged, and the rows that it must have.
const WINDOW_DAYS: i32 = 28;
const WINDOW_ROWS_MIN: usize = 12;

/// Days in the longer window, in which less noise is left: what does not show in a month may in four (own judgement, no source).
const LONG_WINDOW_DAYS: i32 = 112;

/// Correlation from one day to the next. Not the one that is estimated: that changes with every refit, and a day's answer
/// must not (own judgement: on simulated and real logs it lies between 0.3 and 0.8).
const CORRELATION: f64 = 0.6;

/// One-sided normal bound of 99.9 % (table of the normal distribution).
const BOUND: f64 = 3.09;

/// First day of the standing change: on it the level of `rows` (day ascending) had lastingly risen by
/// `limit` (fallen, if it is negative) from the mean of the first `baseline_days` days.
///
/// A visit to the workshop (`visits`, ascending) ends the change if the first rows after it lie within half
/// the limit, or if the trims as a whole prove it a repair (`repairs`); a visit that cured nothing leaves it
/// standing. Causal: the answer for a day uses only rows up to it, and repairs that were proved by then.
pub(super) fn lasting_change(
    rows: &[ResidualRow],
    limit: f64,
    baseline_days: i32,
    visits: &[i32],
    repairs: &[i32],
) -> Option<i32> {
    let rows: Vec<(i32, f64)> = rows.iter().map(|r| (r.day, r.r)).collect();
    let base = &rows[..windows::base_len(&rows, baseline_days, |r| r.0)];
    if base.len() < windows::BASE_ROWS {
        return None;
    }
    let (level, base_variance) = (windows::mean(base), variance_of_mean(base));
    let mut sum = 0.0;
    // Of the rows before each, so that a window's mean is no walk over its rows.
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(rows.iter().map(|r| {
            sum += r.1;
            sum
        }))
        .collect();
    let sign = limit.signum();
    let mut start = base.len();
    let mut found: Option<i32> = None;
    // Rows up to the last that lies beyond the limit.
    let mut beyond = 0;
    for end in base.len()..rows.len() {
        let today = rows[end].0;
        if sign * (rows[end].1 - level) >= limit.abs() {
            beyond = end + 1;
        }
        if let Some(day) = found {
            let after = after_visit(&rows[..=end], day, visits, |r| r.0);
            let cured = |after| sign * (windows::mean(after) - level) <= 0.5 * limit.abs();
            let since = repairs.iter().copied().filter(|&repair| day < repair && repair <= today);
            if let Some(repair) = since.max() {
                start = rows.partition_point(|r| r.0 < repair);
            } else if after.is_some_and(cured) {
                start = end + 1 - CURE_ROWS;
            } else {
                continue;
            }
            found = None;
        }
        let stands = |days: i32| {
            // A mean beyond the limit needs a row beyond it, and a window has at most one for each of its days.
            if end >= beyond + days as usize {
                return false;
            }
            let Some(window) = window(&rows[start..=end], days, |r| r.0) else { return false };
            let from = end + 1 - window.len();
            let mean = (sums[end + 1] - sums[from]) / window.len() as f64;
            let change = sign * (mean - level);
            let se = || (variance_of_mean(window) + base_variance).sqrt();
            change >= limit.abs() && change - BOUND * se() >= 0.75 * limit.abs()
        };
        if stands(WINDOW_DAYS) || stands(LONG_WINDOW_DAYS) {
            found = Some(today);
        }
    }
    found
}

/// The first rows after a visit on `since` or later, on the day of the last of them: whether it was a cure is decided once,
/// so that a later wobble cannot pass for one.
fn after_visit<'r, R>(
    rows: &'r [R],
    since: i32,
    visits: &[i32],
    day: impl Fn(&R) -> i32,
) -> Option<&'r [R]> {
    let after = rows.len().checked_sub(CURE_ROWS)?;
    let begins = |visit: i32| rows.partition_point(|r| day(r) < visit) == after;
    visits.iter().any(|&visit| visit >= since && begins(visit)).then(|| &rows[after..])
}

/// The trailing window that ends with the last of `rows`; `None` while it has too few.
fn window<R>(rows: &[R], days: i32, day: impl Fn(&R) -> i32) -> Option<&[R]> {
    let window = windows::recent(rows, days, WINDOW_ROWS_MIN, day);
    (window.len() >= WINDOW_ROWS_MIN).then_some(window)
}

/// First day on which the mean of the trailing window of raw values stood at or beyond a limit (lower, upper).
///
/// As with a lasting change, only a visit ends it, one after which the first rows lie within half the limits: without one
/// the day stands whatever comes later.
pub(super) fn near_limit(
    rows: &[(i32, f64)],
    (lower, upper): (f64, f64),
    visits: &[i32],
) -> Option<i32> {
    let mut start = 0;
    let mut since = None;
    // Rows up to the last that lies beyond a limit.
    let mut beyond = 0;
    for (end, (today, value)) in rows.iter().enumerate() {
        if *value >= upper || *value <= lower {
            beyond = end + 1;
        }
        if let Some(day) = since {
            let after = after_visit(&rows[..=end], day, visits, |r| r.0);
            let within_half = |mean| 0.5 * lower <= mean && mean <= 0.5 * upper;
            if after.map(windows::mean).is_some_and(within_half) {
                (since, start) = (None, end + 1 - CURE_ROWS);
            }
            continue;
        }
        // As for a lasting change: a mean beyond a limit needs a row beyond it.
        if end >= beyond + WINDOW_DAYS as usize {
            continue;
        }
        let Some(window) = window(&rows[start..=end], WINDOW_DAYS, |r| r.0) else { continue };
        let mean = windows::mean(window);
        if mean >= upper || mean <= lower {
            since = Some(*today);
        }
    }
    since
}

/// Variance of the mean of at least two values (day, value).
///
/// Values whose correlation is phi from one to the next carry (1 - phi) / (1 + phi) of their number; those that lie days apart
/// are correlated less.
fn variance_of_mean(values: &[(i32, f64)]) -> f64 {
    let n = values.len() as f64;
    let mean = windows::mean(values);
    let variance = values.iter().map(|v| (v.1 - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let days_apart = f64::from(values[values.len() - 1].0 - values[0].0) / (n - 1.0);
    let phi = CORRELATION.powf(days_apart);
    variance / n * (1.0 + phi) / (1.0 - phi)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(jump_day: i32, jump: f64) -> Vec<ResidualRow> {
        (0..200)
            .map(|day| ResidualRow {
                day,
                x: f64::from(day) / 100.0,
                weight: 1.0,
                r: f64::from(day % 5) * 0.5 - 1.0 + if day >= jump_day { jump } else { 0.0 },
            })
            .collect()
    }

    #[test]
    fn a_large_jump_is_found_once_the_window_is_full_of_it() {
        let day = lasting_change(&rows(120, 12.0), 8.0, 60, &[], &[]).expect("found");
        assert!((130..150).contains(&day), "{day}");
    }

    #[test]
    fn what_does_not_show_in_a_month_may_in_four() {
        // Day-to-day sd 2.7 %: over 28 days a jump of 9.5 % is told to some 4.5 %, over 112 days to some 3 %.
        let noisy = |jump: f64| -> Vec<ResidualRow> {
            let noise = |day: i32| 3.8 * (f64::from(day) * 2.4).sin();
            let r = |day: i32| noise(day) + if day >= 120 { jump } else { 0.0 };
            (0..400).map(|day| ResidualRow { day, x: 0.0, weight: 1.0, r: r(day) }).collect()
        };
        let day = lasting_change(&noisy(9.5), 8.0, 60, &[], &[]).expect("found");
        assert!((150..240).contains(&day), "{day}");
        assert_eq!(lasting_change(&noisy(8.0), 8.0, 60, &[], &[]), None);
    }

    #[test]
    fn a_jump_of_an_ordinary_step_is_not() {
        assert_eq!(lasting_change(&rows(120, 4.0), 8.0, 60, &[], &[]), None);
        assert_eq!(lasting_change(&rows(120, -12.0), 8.0, 60, &[], &[]), None);
        assert!(lasting_change(&rows(120, -12.0), -8.0, 60, &[], &[]).is_some());
    }

    #[test]
    fn a_vehicle_that_logs_one_day_a_week_is_judged_too() {
        let weekly = |jump| -> Vec<ResidualRow> {
            rows(120, jump).into_iter().map(|r| ResidualRow { day: 7 * r.day, ..r }).collect()
        };
        let day = lasting_change(&weekly(12.0), 8.0, 60, &[], &[]).expect("found");
        assert!((7 * 128..7 * 140).contains(&day), "{day}");
        assert_eq!(lasting_change(&weekly(4.0), 8.0, 60, &[], &[]), None);
        let raw: Vec<(i32, f64)> = weekly(25.0).iter().map(|r| (r.day, r.r)).collect();
        let day = near_limit(&raw, (-20.0, 20.0), &[]).expect("found");
        assert!((7 * 126..7 * 140).contains(&day), "{day}");
    }

    #[test]
    fn a_trim_that_hovers_at_its_limit_keeps_its_day() {
        let hovering = |day: i32| 20.0 + if (day / 40) % 2 == 0 { 1.0 } else { -2.0 };
        let rows: Vec<(i32, f64)> = (0..300).map(|day| (day, hovering(day))).collect();
        for as_of in [60, 130, 299] {
            assert_eq!(near_limit(&rows[..=as_of as usize], (-20.0, 20.0), &[]), Some(11));
        }
        let mended: Vec<(i32, f64)> =
            rows.iter().map(|(d, y)| (*d, if *d < 200 { *y } else { 2.0 })).collect();
        assert_eq!(near_limit(&mended, (-20.0, 20.0), &[200]), None);
        assert_eq!(near_limit(&mended, (-20.0, 20.0), &[]), Some(11), "nobody mended it");
        assert_eq!(near_limit(&rows, (-20.0, 20.0), &[200]), Some(11), "a visit in vain");
    }

    #[test]
    fn a_visit_that_did_not_cure_it_does_not_hide_it() {
        let untreated = lasting_change(&rows(120, 12.0), 8.0, 60, &[], &[]);
        assert_eq!(lasting_change(&rows(120, 12.0), 8.0, 60, &[150], &[]), untreated);
        let mut cured = rows(120, 12.0);
        for r in cured.iter_mut().filter(|r| r.day >= 150) {
            r.r -= 12.0;
        }
        assert_eq!(lasting_change(&cured, 8.0, 60, &[150], &[]), None);
    }

    #[test]
    fn the_day_does_not_move_when_later_rows_arrive() {
        let all = rows(120, 12.0);
        let day = lasting_change(&all, 8.0, 60, &[], &[]);
        let cut: Vec<ResidualRow> = all.into_iter().filter(|r| Some(r.day) <= day).collect();
        assert_eq!(lasting_change(&cut, 8.0, 60, &[], &[]), day);
    }

    /// What the trims as a whole prove to be a repair ends a change that is still more than half of the limit; one that
    /// stands anew afterwards has a later day.
    #[test]
    fn a_repair_that_was_proved_elsewhere_ends_the_change() {
        let half = |day: i32| if (120..160).contains(&day) { 12.0 } else { 6.0 };
        let partly: Vec<ResidualRow> = (0..260)
            .map(|day| ResidualRow {
                day,
                x: 0.0,
                weight: 1.0,
                r: f64::from(day % 5) * 0.5 - 1.0 + if day < 120 { 0.0 } else { half(day) },
            })
            .collect();
        let found = |repairs: &[i32]| lasting_change(&partly, 8.0, 60, &[160], repairs);
        assert!(found(&[]).is_some_and(|day| (130..150).contains(&day)));
        assert_eq!(found(&[160]), None);
        assert!(found(&[130]).is_some_and(|day| day > 130), "{:?}", found(&[130]));
    }
}
