//! Trend and survival: arguments in, figures out.

use serde_json::Value;

use super::{Answer, Args, Served, figures, list, number, object, optional, table};
use crate::stats::survival::{self, Span};
use crate::stats::trend::{self, MannKendall};

/// What is served here.
pub(super) const SERVED: &[Served] = &[
    ("mann_kendall", mann_kendall),
    ("hamed_rao", hamed_rao),
    ("kendall_exact_upper", kendall_exact_upper),
    ("autocorrelation", autocorrelation),
    ("mid_ranks", mid_ranks),
    ("theil_sen", theil_sen),
    ("kaplan_meier", kaplan_meier),
];

fn judged(test: Option<MannKendall>) -> Value {
    test.map_or(Value::Null, |t| {
        figures([("s", t.s), ("variance", t.variance), ("z", t.z), ("p", t.p), ("tau", t.tau)])
    })
}

fn mann_kendall(a: &Args<'_>) -> Answer {
    Ok(judged(trend::mann_kendall(&a.list("y")?)))
}

fn hamed_rao(a: &Args<'_>) -> Answer {
    Ok(judged(trend::hamed_rao(&a.list("y")?, a.whole("lags")? as usize)))
}

fn kendall_exact_upper(a: &Args<'_>) -> Answer {
    // Counts of rising less falling pairs are whole and far below 2^53.
    Ok(number(trend::kendall_exact_upper(a.number("s")? as i64, a.whole("n")? as usize)))
}

fn autocorrelation(a: &Args<'_>) -> Answer {
    let (values, lags) = (a.list("values")?, a.whole("lags")? as usize);
    let each: Vec<f64> = (0..=lags).map(|lag| trend::autocorrelation(&values, lag)).collect();
    Ok(list(&each))
}

fn mid_ranks(a: &Args<'_>) -> Answer {
    Ok(list(&trend::mid_ranks(&a.list("values")?)))
}

fn theil_sen(a: &Args<'_>) -> Answer {
    let line = trend::theil_sen(&a.list("x")?, &a.list("y")?, a.number("level")?);
    Ok(line.map_or(Value::Null, |t| {
        figures([("slope", t.slope), ("lo", t.lo), ("hi", t.hi), ("intercept", t.intercept)])
    }))
}

fn kaplan_meier(a: &Args<'_>) -> Answer {
    let ended = a.wholes("ended")?;
    let times = a.list("times")?;
    let spans: Vec<Span> =
        times.iter().zip(&ended).map(|(time, e)| Span { time: *time, ended: *e == 1 }).collect();
    let steps = survival::kaplan_meier(&spans, a.number("level")?);
    let rows: Vec<[f64; 7]> = steps
        .iter()
        .map(|s| {
            let (at_risk, ends) = (s.at_risk as f64, s.ends as f64);
            [s.time, at_risk, ends, s.survival, s.standard_error, s.lo, s.hi]
        })
        .collect();
    Ok(object([("steps", table(&rows)), ("median", optional(survival::median_time(&steps)))]))
}
