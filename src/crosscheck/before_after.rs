//! Before against after: arguments in, figures out.

use serde_json::Value;

use super::{Answer, Args, Served, figures, optional};
use crate::stats::beforeafter;

/// What is served here.
pub(super) const SERVED: &[Served] = &[
    ("signed_rank", signed_rank),
    ("hodges_lehmann", hodges_lehmann),
    ("paired_t", paired_t),
    ("sign_flip", sign_flip),
    ("random_effects", random_effects),
];

fn signed_rank(a: &Args<'_>) -> Answer {
    let test = beforeafter::signed_rank(&a.list("differences")?);
    Ok(test.map_or(Value::Null, |t| {
        figures([
            ("v", t.v),
            ("used", t.used as f64),
            ("p_greater", t.p_greater),
            ("p_two_sided", t.p_two_sided),
            ("exact", f64::from(u8::from(t.exact))),
        ])
    }))
}

fn hodges_lehmann(a: &Args<'_>) -> Answer {
    let located = beforeafter::hodges_lehmann(&a.list("differences")?, a.number("level")?);
    Ok(located.map_or(Value::Null, |l| figures([("value", l.value), ("lo", l.lo), ("hi", l.hi)])))
}

fn paired_t(a: &Args<'_>) -> Answer {
    let test = beforeafter::paired_t(&a.list("differences")?, a.number("level")?);
    Ok(test.map_or(Value::Null, |t| {
        figures([
            ("mean", t.mean),
            ("standard_error", t.standard_error),
            ("lo", t.lo),
            ("hi", t.hi),
            ("t", t.t),
            ("df", t.df),
            ("p", t.p),
        ])
    }))
}

fn sign_flip(a: &Args<'_>) -> Answer {
    let (draws, seed) = (a.whole("draws")? as u32, a.whole("seed")?);
    Ok(optional(beforeafter::sign_flip(&a.list("differences")?, draws, seed)))
}

fn random_effects(a: &Args<'_>) -> Answer {
    let (effects, variances) = (a.list("effects")?, a.list("variances")?);
    let pooled = beforeafter::random_effects(&effects, &variances, a.number("level")?);
    Ok(pooled.map_or(Value::Null, |r| {
        figures([
            ("mean", r.mean),
            ("standard_error", r.standard_error),
            ("lo", r.lo),
            ("hi", r.hi),
            ("tau_squared", r.tau_squared),
            ("q", r.q),
            ("p_alike", r.p_alike),
            ("fixed_mean", r.fixed_mean),
            ("fixed_error", r.fixed_error),
        ])
    }))
}
