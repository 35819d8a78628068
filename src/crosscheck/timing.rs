//! How long the drift test takes on given series: series in, seconds out.
//!
//! Held against a library's time on the same values, so it runs on one thread. `list` does not name what is timed, because a
//! time has no expected value.

use std::time::Instant;

use super::{Answer, Args, Served, figures};
use crate::stats::sequential::{DayRow, Params, SeriesInput, log_limit, reference, run};

/// What is timed here.
pub(super) const TIMED: &[Served] = &[("drift_seconds", drift_seconds)];

/// Seconds for all series of a peer group: with every look that nights take, and with one look on the last day that all of them
/// have. Both begin with the daily values and hold the noise and the peers' reference, which is timed by itself as well: another
/// test would be given values from which it is taken already.
fn drift_seconds(a: &Args<'_>) -> Answer {
    let (days, distances, values) = (a.rows("days")?, a.rows("distances")?, a.rows("values")?);
    let same = |other: &[Vec<f64>]| {
        days.len() == other.len() && days.iter().zip(other).all(|(d, o)| d.len() == o.len())
    };
    if !same(&distances) || !same(&values) {
        return Err("\"days\", \"distances\" and \"values\" must be of the same lengths".to_owned());
    }
    let rows = |k: usize| -> Vec<DayRow> {
        let together = days[k].iter().zip(&distances[k]).zip(&values[k]);
        together.map(|((&day, &x), &y)| DayRow { day: day as i32, x, y, weight: 1.0 }).collect()
    };
    let limit = log_limit(100.0);
    let series: Vec<SeriesInput> = (0..days.len())
        .map(|k| SeriesInput {
            group: 0,
            rows: rows(k),
            breaks: Vec::new(),
            restarts: Vec::new(),
            log_limit_up: limit,
            log_limit_down: limit,
            slope_margin: 0.0,
            report_days: Vec::new(),
        })
        .collect();
    let ends = |end: fn(&[DayRow]) -> Option<&DayRow>| {
        series.iter().filter_map(move |s| end(&s.rows)).map(|row| row.day)
    };
    let (Some(first), Some(last)) =
        (ends(|rows| rows.first()).max(), ends(|rows| rows.last()).min())
    else {
        return Err("there are no values".to_owned());
    };
    if !(0..last).contains(&first) {
        return Err(
            "days must ascend from 0 on, and all series must have some in common".to_owned()
        );
    }
    let one_thread = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .map_err(|e| format!("no thread for the timing: {e}"))?;
    let start = Instant::now();
    let peers = one_thread.install(|| reference(&series, &Params::default(), last));
    let reference_seconds = start.elapsed().as_secs_f64();
    drop(peers);
    let timed = |params: &Params| {
        let start = Instant::now();
        let outcomes = one_thread.install(|| run(&series, params, last));
        let seconds = start.elapsed().as_secs_f64();
        (seconds, f64::from(outcomes.iter().map(|o| o.looks).sum::<u32>()))
    };
    let nights = timed(&Params::default());
    // No look before as many days as there are, and the noise is refitted on days that are multiples: on the last one.
    let (min_days, refit_days) = (last - first, last);
    let once = timed(&Params { min_days, refit_days, nightly: true, ..Params::default() });
    Ok(figures([
        ("reference_seconds", reference_seconds),
        ("nights_seconds", nights.0),
        ("nights_looks", nights.1),
        ("once_seconds", once.0),
        ("once_looks", once.1),
    ]))
}
