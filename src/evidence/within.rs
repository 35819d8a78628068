//! How the slope of trim over airflow within drives has changed from baseline to now.
//!
//! In: days with their sums of products around trip means ([`crate::tables::days::Within`]) and a series' two windows. Out: the
//! change of the slopes on `1/m` and `m`, with the covariance of a regression whose clusters are days. A
//! witness beside the change of the bands: what moves whole trips is not in it, and it asks only for the
//! airflow that was driven.

use super::shape::{Change, Seen};
use super::windows::Windows;
use crate::stats::regression::{FewClusters, Fit, Gram, cluster_robust};
use crate::tables::days::{Day, Within};

/// Days of a window that make a regression.
const DAYS_MIN: usize = 8;

/// Puts the change of both slopes of each bank of a vehicle below the changes of its bands, with which they share no
/// noise; banks share days, and so noise. Nothing is added where either window has too little.
pub(super) fn join(
    days: &[&Day],
    banks: usize,
    windows: &Windows,
    changes: &mut Vec<Change>,
    covariance: &mut Vec<f64>,
) {
    let added = if banks == 1 {
        change::<2>(days, windows)
    } else {
        change::<4>(days, windows).or_else(|| change::<2>(days, windows))
    };
    let Some((slopes, own)) = added else { return };
    let (n, wide) = (changes.len(), changes.len() + slopes.len());
    let mut wider = vec![0.0; wide * wide];
    for i in 0..wide {
        for j in 0..wide {
            wider[i * wide + j] = match (i < n, j < n) {
                (true, true) => covariance[i * n + j],
                (false, false) => own[i - n][j - n],
                _ => 0.0,
            };
        }
    }
    changes.extend(slopes);
    *covariance = wider;
}

/// Changes with their covariance, row by row.
type Slopes = (Vec<Change>, Vec<Vec<f64>>);

/// Change of the slopes of the first `P / 2` banks between the two windows.
fn change<const P: usize>(days: &[&Day], windows: &Windows) -> Option<Slopes> {
    let base = cut(days, &windows.base)?;
    let now = cut(days, &windows.now)?;
    let (before, after) = (fit::<P>(base)?, fit::<P>(now)?);
    let mut changes = Vec::with_capacity(P);
    for bank in 0..P / 2 {
        let m = airflow(now, bank)?;
        for (i, seen) in [Seen::OnInverse(m), Seen::OnAirflow(m)].into_iter().enumerate() {
            let k = 2 * bank + i;
            changes.push(Change { bank, seen, change: after.beta[k] - before.beta[k] });
        }
    }
    let sum = |i: usize| (0..P).map(|j| before.covariance[i][j] + after.covariance[i][j]).collect();
    Some((changes, (0..P).map(sum).collect()))
}

/// Days from the first to the last row of a window.
fn cut<'a, 'd>(days: &'a [&'d Day], rows: &[(i32, f64)]) -> Option<&'a [&'d Day]> {
    let (first, last) = (rows.first()?.0, rows.last()?.0);
    let from = days.partition_point(|d| d.day < first);
    Some(&days[from..days.partition_point(|d| d.day <= last)])
}

/// Slopes of all banks at once, days as clusters.
fn fit<const P: usize>(days: &[&Day]) -> Option<Fit<P>> {
    let tells = |w: &Within| w.uu > 0.0 && w.mm > 0.0;
    let told = |d: &&&Day| (0..P / 2).all(|bank| tells(&d.bank(bank).within));
    let clusters: Vec<Gram<P>> = days.iter().filter(told).map(|d| gram(d)).collect();
    (clusters.len() >= DAYS_MIN).then(|| cluster_robust(&clusters, FewClusters::Cr1))?
}

fn gram<const P: usize>(d: &Day) -> Gram<P> {
    let mut gram = Gram { weight: 1.0, ..Gram::default() };
    for bank in 0..P / 2 {
        let (w, k) = (&d.bank(bank).within, 2 * bank);
        (gram.xx[k][k], gram.xx[k + 1][k + 1]) = (w.uu, w.mm);
        (gram.xx[k][k + 1], gram.xx[k + 1][k]) = (w.um, w.um);
        (gram.xy[k], gram.xy[k + 1]) = (w.uy, w.my);
    }
    gram
}

/// Mean airflow of a bank, multiples of nominal idle airflow.
fn airflow(days: &[&Day], bank: usize) -> Option<f64> {
    let (mut m, mut n) = (0.0, 0.0);
    for b in days.iter().flat_map(|d| &d.bank(bank).bands) {
        m += b.m;
        n += b.n;
    }
    (n > 0.0).then(|| m / n)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::trips::{BandSums, Trip};

    /// A day with one trip of `n` samples whose trim is `slopes[0] / m + slopes[1] m` on a level of its own.
    fn day(number: i32, slopes: [f64; 2], n: usize) -> Day {
        let level = f64::from(number * 7919 % 23) - 11.0;
        let mut b = BandSums::default();
        for i in 0..n {
            let m = 1.5 + 0.1 * (((i * 37 + number as usize * 11) % 40) as f64);
            let noise = (((i * 29 + number as usize * 13) % 17) as f64 - 8.0) * 0.05;
            let (u, y) = (1.0 / m, level + slopes[0] / m + slopes[1] * m + noise);
            let one = BandSums { n: 1.0, y, m, mm: m * m, u, uu: u * u, ..BandSums::default() };
            b.merge(&BandSums { uy: u * y, my: m * y, ..one });
        }
        let mut trip = Trip { start_us: i64::from(number) * 86_400_000_000, ..Trip::default() };
        trip.bands[0][1] = b;
        Day::of(&trip)
    }

    fn windows() -> Windows {
        let rows = |from: i32| (from..from + 20).map(|d| (d, 0.0)).collect();
        Windows { base: rows(0), now: rows(100), ..Windows::default() }
    }

    #[test]
    fn a_change_of_slopes_comes_out_whatever_the_level_of_each_day() {
        let all: Vec<Day> = (0..20)
            .map(|d| day(d, [1.0, 0.2], 200))
            .chain((100..120).map(|d| day(d, [7.0, 0.5], 200)))
            .collect();
        let days: Vec<&Day> = all.iter().collect();
        let mut changes = vec![Change { bank: 0, seen: Seen::Level(3.0), change: 2.0 }];
        let mut covariance = vec![0.3];
        join(&days, 1, &windows(), &mut changes, &mut covariance);
        assert_eq!((changes.len(), covariance.len()), (3, 9));
        assert_eq!((covariance[0], covariance[1], covariance[6]), (0.3, 0.0, 0.0));
        for (i, truth) in [(1, 6.0), (2, 0.3)] {
            let sd = covariance[i * 3 + i].sqrt();
            assert!((changes[i].change - truth).abs() < 4.0 * sd, "{:?} {sd}", changes[i]);
            assert!(sd < 0.2 * truth, "{sd}");
        }
    }

    #[test]
    fn drives_at_one_airflow_say_nothing() {
        // One sample a trip, or too few days: no slope, and no extrapolation.
        let all: Vec<Day> = (0..20).chain(100..120).map(|d| day(d, [1.0, 0.2], 1)).collect();
        let days: Vec<&Day> = all.iter().collect();
        let (mut changes, mut covariance) = (Vec::new(), Vec::new());
        join(&days, 1, &windows(), &mut changes, &mut covariance);
        assert!(changes.is_empty() && covariance.is_empty());
    }
}
