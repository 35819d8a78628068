//! Counts and rates: arguments in, figures out.

use serde_json::Value;

use super::{Answer, Args, Served, figures, number, object, optional, table};
use crate::stats::counts::{self, GammaPrior};

/// What is served here.
pub(super) const SERVED: &[Served] = &[
    ("garwood", garwood),
    ("rate_ratio", rate_ratio),
    ("rate_ratio_p", rate_ratio_p),
    ("binomial_upper_tail", binomial_upper_tail),
    ("misfire_percent", misfire_percent),
    ("dispersion", dispersion),
    ("dispersed_ratio", dispersed_ratio),
    ("negative_binomial", negative_binomial),
    ("concentration", concentration),
    ("gamma_prior", gamma_prior),
];

fn garwood(a: &Args<'_>) -> Answer {
    let (lo, hi) = counts::garwood(a.counted("counted")?, a.number("level")?);
    Ok(figures([("lo", lo), ("hi", hi)]))
}

fn rate_ratio(a: &Args<'_>) -> Answer {
    let (first, second) = (a.counted("first")?, a.counted("second")?);
    let r = counts::rate_ratio(first, second, a.number("level")?);
    Ok(figures([
        ("ratio", r.ratio),
        ("lo", r.lo),
        ("hi", r.hi),
        ("p_greater", r.p_greater),
        ("p_two_sided", r.p_two_sided),
    ]))
}

fn rate_ratio_p(a: &Args<'_>) -> Answer {
    let (first, second) = (a.counted("first")?, a.counted("second")?);
    let (exact, mid) = counts::rate_ratio_p(first, second, a.number("ratio")?);
    Ok(figures([("exact", exact), ("mid", mid)]))
}

fn binomial_upper_tail(a: &Args<'_>) -> Answer {
    Ok(number(counts::binomial_upper_tail(a.whole("k")?, a.whole("n")?, a.number("p")?)))
}

fn misfire_percent(a: &Args<'_>) -> Answer {
    let cylinders = a.whole("cylinders")? as u32;
    Ok(number(counts::misfire_percent(a.whole("misfires")?, a.number("revolutions")?, cylinders)))
}

fn dispersion(a: &Args<'_>) -> Answer {
    Ok(optional(counts::dispersion(&a.counteds("parts")?)))
}

fn dispersed_ratio(a: &Args<'_>) -> Answer {
    let (first, second) = (a.counteds("first")?, a.counteds("second")?);
    let ratio = counts::dispersed_ratio(&first, &second, a.number("level")?);
    Ok(ratio.map_or(Value::Null, |r| {
        figures([
            ("ratio", r.ratio),
            ("lo", r.lo),
            ("hi", r.hi),
            ("p_greater", r.p_greater),
            ("dispersion", r.dispersion),
        ])
    }))
}

fn negative_binomial(a: &Args<'_>) -> Answer {
    Ok(counts::negative_binomial(&a.counteds("parts")?).map_or(Value::Null, |fit| {
        figures([("rate", fit.rate), ("k", fit.k), ("k_error", fit.k_error)])
    }))
}

fn concentration(a: &Args<'_>) -> Answer {
    let worst = counts::concentration(&a.wholes("events")?, a.number("dispersion")?);
    Ok(worst.map_or(Value::Null, |c| {
        figures([("cylinder", c.cylinder as f64), ("share", c.share), ("p", c.p)])
    }))
}

fn gamma_prior(a: &Args<'_>) -> Answer {
    let vehicles = a.counteds("vehicles")?;
    let Some(prior) = GammaPrior::fit(&vehicles) else {
        return Ok(Value::Null);
    };
    let level = a.number("level")?;
    let shrunk: Vec<[f64; 3]> =
        vehicles.iter().map(|v| prior.shrink(*v, level)).map(|s| [s.mean, s.lo, s.hi]).collect();
    Ok(object([
        ("shape", number(prior.shape)),
        ("rate", number(prior.rate)),
        ("shrunk", table(&shrunk)),
    ]))
}
