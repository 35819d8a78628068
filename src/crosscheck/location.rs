//! Special functions, location and scale: arguments in, figures out.

use super::{Answer, Args, Served, figures, number, object, optional};
use crate::stats::{robust, special};

/// What is served here.
pub(super) const SERVED: &[Served] = &[
    ("special", special_functions),
    ("quantiles", quantiles),
    ("root", root),
    ("robust", robust_location),
    ("weighted_mean", weighted_mean),
];

fn special_functions(a: &Args<'_>) -> Answer {
    let (x, above, df) = (a.number("x")?, a.number("above")?, a.number("df")?);
    Ok(figures([
        ("erfcx", special::erfcx(x)),
        ("normal_upper_tail", special::normal_upper_tail(x)),
        ("t_upper_tail", special::t_upper_tail(x, df)),
        ("normal_tail_ratio", special::normal_tail_ratio(above, x)),
        ("normal_density_ratio", special::normal_density_ratio(above, x)),
    ]))
}

fn quantiles(a: &Args<'_>) -> Answer {
    let normal = special::normal_quantile(a.number("p")?);
    let t_reach = special::t_reach(a.number("level")?, a.number("df")?);
    Ok(figures([("normal", normal), ("t_reach", t_reach)]))
}

/// Where the cubic `x³ + slope x - level` crosses 0.
fn root(a: &Args<'_>) -> Answer {
    let (slope, level) = (a.number("slope")?, a.number("level")?);
    let cubic = |x: f64| x * x * x + slope * x - level;
    Ok(number(special::root(a.number("low")?, a.number("high")?, cubic)))
}

fn robust_location(a: &Args<'_>) -> Answer {
    let values = a.list("values")?;
    Ok(object([
        ("median", optional(robust::median(&values))),
        ("mad", optional(robust::mad(&values))),
        ("huber", optional(robust::huber_location(&values, robust::HUBER_95))),
    ]))
}

fn weighted_mean(a: &Args<'_>) -> Answer {
    Ok(optional(robust::weighted_mean(&a.list("values")?, &a.list("weights")?)))
}
