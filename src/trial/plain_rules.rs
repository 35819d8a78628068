//! Three rules that a workshop might use, on the raw trims: what the analysis is measured against.
//!
//! In: a vehicle's days. Out: the nights on which each rule gives alarm, from night 90 on. Each rule looks at
//! every bank and gives alarm if any bank does.

use crate::stats::special::{normal_quantile, t_reach};
use crate::tables::days::Day;

/// The rules in the order of all tables.
pub(super) const NAMES: [&str; 3] = [
    "rolling 30-day mean beyond +-10 %",
    "Mann-Kendall, 90 days, nightly 5 %",
    "least-squares slope, 90 days, nightly 5 %",
];

/// Nights without an alarm at the start, as for the analysis.
pub(super) const SILENT_NIGHTS: i32 = 90;

const ROLLING_DAYS: i32 = 30;
const TREND_DAYS: i32 = 90;
const ROLLING_LIMIT_PCT: f64 = 10.0;

/// Rows that a window must have before a rule looks at it.
const ROWS_MIN: usize = 10;

/// Nights of alarm of each rule, ascending; a night without a new row repeats nothing.
pub(super) fn alarms(days: &[Day], banks: usize) -> [Vec<i32>; 3] {
    let mut out: [Vec<i32>; 3] = Default::default();
    for bank in 0..banks {
        let rows = raw_percent(days, bank);
        let Some(first) = rows.first().map(|r| r.0) else { continue };
        for end in 0..rows.len() {
            let day = rows[end].0;
            if day < first + SILENT_NIGHTS {
                continue;
            }
            let window = |length: i32| {
                let start = rows.partition_point(|r| r.0 <= day - length);
                &rows[start..=end]
            };
            let verdicts = [
                rolling_mean_beyond(window(ROLLING_DAYS)),
                mann_kendall(window(TREND_DAYS)),
                slope(window(TREND_DAYS)),
            ];
            for (nights, alarm) in out.iter_mut().zip(verdicts) {
                if alarm {
                    nights.push(day);
                }
            }
        }
    }
    for nights in &mut out {
        nights.sort_unstable();
        nights.dedup();
    }
    out
}

/// Mean total trim of a day in percent, over all bands.
fn raw_percent(days: &[Day], bank: usize) -> Vec<(i32, f64)> {
    days.iter()
        .filter_map(|d| {
            let (n, y) = d.bank(bank).bands.iter().fold((0.0, 0.0), |a, b| (a.0 + b.n, a.1 + b.y));
            (n > 0.0).then(|| (d.day, 100.0 * ((y / n / 100.0).exp() - 1.0)))
        })
        .collect()
}

fn rolling_mean_beyond(rows: &[(i32, f64)]) -> bool {
    let mean = rows.iter().map(|r| r.1).sum::<f64>() / rows.len() as f64;
    rows.len() >= ROWS_MIN && mean.abs() > ROLLING_LIMIT_PCT
}

/// Mann-Kendall, two-sided 5 %, normal approximation with continuity correction and no ties: variance
/// n (n - 1) (2 n + 5) / 18 (Mann 1945, Kendall 1975).
fn mann_kendall(rows: &[(i32, f64)]) -> bool {
    let n = rows.len();
    if n < ROWS_MIN {
        return false;
    }
    let mut s = 0.0;
    for (i, a) in rows.iter().enumerate() {
        for b in &rows[i + 1..] {
            s += f64::from(u8::from(b.1 > a.1)) - f64::from(u8::from(b.1 < a.1));
        }
    }
    let n = n as f64;
    let variance = n * (n - 1.0) * (2.0 * n + 5.0) / 18.0;
    let z = (s.abs() - 1.0).max(0.0) / variance.sqrt();
    z > normal_quantile(0.975)
}

/// Slope on the day by least squares, two-sided t-test at 5 %, days taken as independent.
fn slope(rows: &[(i32, f64)]) -> bool {
    let n = rows.len() as f64;
    if rows.len() < ROWS_MIN {
        return false;
    }
    let mean = |f: &dyn Fn(&(i32, f64)) -> f64| rows.iter().map(f).sum::<f64>() / n;
    let (mx, my) = (mean(&|r| f64::from(r.0)), mean(&|r| r.1));
    let (mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0);
    for (day, y) in rows {
        let (dx, dy) = (f64::from(*day) - mx, y - my);
        sxx += dx * dx;
        sxy += dx * dy;
        syy += dy * dy;
    }
    let b = sxy / sxx;
    let rest = (syy - b * sxy).max(f64::MIN_POSITIVE);
    let se = (rest / (n - 2.0) / sxx).sqrt();
    b.abs() > t_reach(0.95, n - 2.0) * se
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(values: &[f64]) -> Vec<(i32, f64)> {
        values.iter().enumerate().map(|(i, v)| (i as i32, *v)).collect()
    }

    #[test]
    fn mann_kendall_agrees_with_a_hand_count() {
        // n = 10: variance 10 * 9 * 25 / 18 = 125, so |S| must exceed 1.96 * 11.18 + 1 = 22.9.
        let mut rising = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0];
        assert!(mann_kendall(&rows(&rising)));
        rising.swap(0, 9);
        // 45 pairs less 17 turned round twice over: S = 11.
        assert!(!mann_kendall(&rows(&rising)));
    }

    #[test]
    fn the_slope_test_holds_its_level_on_white_noise_and_sees_a_slope() {
        let noise = |i: usize| ((i * 7919 + 13) % 101) as f64 / 50.0 - 1.0;
        let flat: Vec<f64> = (0..60).map(noise).collect();
        let steep: Vec<f64> = (0..60).map(|i| noise(i) + 0.1 * i as f64).collect();
        assert!(!slope(&rows(&flat)));
        assert!(slope(&rows(&steep)));
    }

    #[test]
    fn the_rolling_mean_needs_ten_rows_and_ten_percent() {
        assert!(rolling_mean_beyond(&rows(&[11.0; 10])));
        assert!(!rolling_mean_beyond(&rows(&[11.0; 9])));
        assert!(!rolling_mean_beyond(&rows(&[9.0; 12])));
        assert!(rolling_mean_beyond(&rows(&[-11.0; 12])));
    }
}
