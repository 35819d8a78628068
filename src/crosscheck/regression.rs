//! Least squares and its covariances: arguments in, figures out.

use serde_json::Value;

use super::{Answer, Args, Served, figures, list, number, object, table};
use crate::stats::regression::{self, FewClusters, Fit, Gram};

/// What is served here.
pub(super) const SERVED: &[Served] = &[
    ("least_squares", least_squares),
    ("cluster_covariance", cluster_covariance),
    ("newey_west", newey_west),
    ("gram_fit", gram_fit),
    ("gram_clusters", gram_clusters),
    ("inverse", inverse),
    ("t_interval", t_interval),
];

fn fitted(a: &Args<'_>) -> Result<Option<regression::LeastSquares>, String> {
    let weights = a.weights()?;
    Ok(regression::least_squares(&a.rows("rows")?, &a.list("y")?, weights.as_deref()))
}

fn least_squares(a: &Args<'_>) -> Answer {
    let Some(fit) = fitted(a)? else {
        return Ok(Value::Null);
    };
    Ok(object([
        ("beta", list(&fit.beta)),
        ("inverse", table(&fit.inverse)),
        ("residuals", list(&fit.residuals)),
        ("residual_sd", number(fit.residual_sd())),
        ("standard_errors", list(&fit.standard_errors())),
        ("df", number(fit.df)),
        ("r_squared", number(fit.r_squared)),
    ]))
}

fn cluster_covariance(a: &Args<'_>) -> Answer {
    let cluster: Vec<usize> = a.wholes("cluster")?.iter().map(|c| *c as usize).collect();
    let rows = a.rows("rows")?;
    Ok(fitted(a)?.map_or(Value::Null, |fit| table(&fit.cluster_covariance(&rows, &cluster))))
}

fn newey_west(a: &Args<'_>) -> Answer {
    let (lag, rows) = (a.whole("lag")? as usize, a.rows("rows")?);
    Ok(fitted(a)?.map_or(Value::Null, |fit| table(&fit.newey_west(&rows, lag))))
}

/// Sums of rows of three columns, one sum per cluster.
fn grams(a: &Args<'_>) -> Result<Vec<Gram<3>>, String> {
    let (rows, y, cluster) = (a.rows("rows")?, a.list("y")?, a.wholes("cluster")?);
    let weights = a.weights()?.unwrap_or_else(|| vec![1.0; y.len()]);
    let count = cluster.iter().max().map_or(0, |c| *c as usize + 1);
    let mut sums = vec![Gram::<3>::default(); count];
    for (((row, y), c), w) in rows.iter().zip(&y).zip(&cluster).zip(&weights) {
        let row: [f64; 3] = row.as_slice().try_into().map_err(|_| "rows must have 3 columns")?;
        sums[*c as usize].add(&row, *y, *w);
    }
    Ok(sums)
}

fn fit_as_json(fit: Option<Fit<3>>, at: &[f64]) -> Answer {
    let at: [f64; 3] = at.try_into().map_err(|_| "\"at\" must have 3 numbers")?;
    let Some(fit) = fit else {
        return Ok(Value::Null);
    };
    let (value, error) = fit.predict(&at);
    Ok(object([
        ("beta", list(&fit.beta)),
        ("covariance", table(&fit.covariance)),
        ("df", number(fit.df)),
        ("predicted", number(value)),
        ("predicted_error", number(error)),
    ]))
}

fn gram_fit(a: &Args<'_>) -> Answer {
    fit_as_json(Gram::total(&grams(a)?).fit(), &a.list("at")?)
}

fn gram_clusters(a: &Args<'_>) -> Answer {
    let few = if a.whole("correction")? == 1 { FewClusters::Cr1 } else { FewClusters::Uncorrected };
    fit_as_json(regression::cluster_robust(&grams(a)?, few), &a.list("at")?)
}

fn inverse(a: &Args<'_>) -> Answer {
    let rows = a.rows("rows")?;
    let row = |i: usize| -> Option<[f64; 3]> { rows.get(i)?.as_slice().try_into().ok() };
    let (Some(p), Some(q), Some(r)) = (row(0), row(1), row(2)) else {
        return Err("\"rows\" must be 3 by 3".to_owned());
    };
    Ok(regression::inverse(&[p, q, r]).map_or(Value::Null, |m| table(&m)))
}

fn t_interval(a: &Args<'_>) -> Answer {
    let (value, error, df) = (a.number("value")?, a.number("error")?, a.number("df")?);
    let (lo, hi) = regression::t_interval(value, error, df, a.number("level")?);
    Ok(figures([("lo", lo), ("hi", hi), ("p", regression::t_p_value(value, error, df))]))
}
