//! How long the drift test takes on given series: series in, seconds out.
//!
//! Held against a library's time on the same values, so it runs on one thread. `list` does not name what is timed, because a
//! time has no expected value.

use std::time::Instant;

use super::{Answer, Args, Served, figures};
use crate::stats::sequential::{DayRow, Params, SeriesInput, log_limit, run};

/// What is timed here.
pub(super) const TIMED: &[Served] = &[("drift_seconds", drift_seconds)];

/// Seconds for all series of a peer group: with a look at every night on which the test takes one, and with one look on the
/// last day. Both begin with the daily values and hold the peers' reference, the noise and the slope with its interval.
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
    let with_limit = |log_limit: f64| -> Vec<SeriesInput> {
        (0..days.len())
            .map(|k| SeriesInput {
                group: 0,
                rows: rows(k),
                breaks: Vec::new(),
                restarts: Vec::new(),
                log_limit_up: log_limit,
                log_limit_down: log_limit,
                slope_margin: f64::INFINITY,
                report_days: Vec::new(),
            })
            .collect()
    };
    let last = days.iter().flatten().copied().fold(0.0, f64::max) as i32;
    let one_thread = rayon::ThreadPoolBuilder::new()
        .num_threads(1)
        .build()
        .map_err(|e| format!("no thread for the timing: {e}"))?;
    let params = Params::default();
    let timed = |series: &[SeriesInput]| {
        let start = Instant::now();
        let outcomes = one_thread.install(|| run(series, &params, last));
        let seconds = start.elapsed().as_secs_f64();
        let slopes = outcomes.iter().filter(|o| o.up.slope.is_some()).count();
        (seconds, outcomes.iter().map(|o| o.looks).sum::<u32>(), slopes)
    };
    let nights = timed(&with_limit(log_limit(100.0)));
    // Without a limit to cross no look is taken before the last day.
    let once = timed(&with_limit(f64::INFINITY));
    Ok(figures([
        ("nights_seconds", nights.0),
        ("nights_looks", f64::from(nights.1)),
        ("once_seconds", once.0),
        ("once_slopes", once.2 as f64),
    ]))
}
