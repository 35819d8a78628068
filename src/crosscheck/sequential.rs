//! The sequential test's Bayes factors: arguments in, figures out.

use super::{Answer, Args, Served, figures};
use crate::stats::sequential::{AdjustedRow, Blocks, Noise, Params, Workspace};

/// What is served here.
pub(super) const SERVED: &[Served] = &[("ramp_and_step", ramp_and_step)];

/// The first round of one look: the best ramp's and the best step's log Bayes factors.
fn ramp_and_step(a: &Args<'_>) -> Answer {
    let noise =
        Noise { sigma: a.number("sigma")?, phi: a.number("phi")?, kappa: a.number("kappa")? };
    let rows: Option<Vec<AdjustedRow>> =
        a.rows("rows")?.iter().map(|row| adjusted_row(row)).collect();
    let rows = rows.ok_or("a row is [day, x, m, r, weight]")?;
    let params = Params {
        slope_mean: a.number("slope_mean")?,
        slope_sd: a.number("slope_sd")?,
        step_sd: a.number("step_sd")?,
        sensitivity_sd: a.number("sensitivity_sd")?,
        // Without clipping, which no exact integral of the likelihood knows.
        clip_sd: f64::INFINITY,
        large_steps_per_year: 0.0,
        ..Params::default()
    };
    let blocks = Blocks::from_rows(&rows, &[], &noise, &params);
    let look = Workspace::default().look(&blocks, &params);
    Ok(figures([
        ("max_log_ramp_up", look.max_log_ramp_up),
        ("max_log_step", look.max_log_step),
        ("log_unguarded_up", look.log_unguarded_up),
    ]))
}

fn adjusted_row(row: &[f64]) -> Option<AdjustedRow> {
    let [day, x, m, r, weight] = *row else {
        return None;
    };
    Some(AdjustedRow { day: day as i32, x, m, r, weight })
}
