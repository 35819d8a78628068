//! Statistics against published values.
//!
//! Inputs, expected values and their sources stand in `tests/reference/statistics/published.json`;
//! each test names the source again. Entries marked `recalled` there are from memory.

use std::path::Path;

use serde_json::Value;
use trimdrift::stats::beforeafter::{
    hodges_lehmann, paired_t, random_effects, sign_flip, signed_rank,
};
use trimdrift::stats::counts::{
    Counted, GammaPrior, dispersion, garwood, misfire_percent, negative_binomial, pooled,
    rate_ratio, rate_ratio_p,
};
use trimdrift::stats::regression::{Gram, LeastSquares, least_squares, t_interval, t_p_value};
use trimdrift::stats::robust::{HUBER_95, MAD_TO_SD, huber_location, mad, median};
use trimdrift::stats::special::{normal_quantile, normal_upper_tail};
use trimdrift::stats::survival::{Span, kaplan_meier, median_time};
use trimdrift::stats::trend::{hamed_rao, kendall_exact_upper, mann_kendall, theil_sen};

fn entry(id: &str) -> Value {
    let file =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/statistics/published.json");
    let all: Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
    all[id].clone()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn table(value: &Value) -> Vec<Vec<f64>> {
    value.as_array().unwrap().iter().map(numbers).collect()
}

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap()
}

#[track_caller]
fn close(found: f64, expected: f64, relative: f64, absolute: f64) {
    let allowed = absolute + relative * expected.abs();
    assert!((found - expected).abs() <= allowed, "found {found}, published {expected}");
}

#[track_caller]
fn all_close(found: &[f64], expected: &[f64], relative: f64, absolute: f64) {
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(expected) {
        close(*found, *expected, relative, absolute);
    }
}

fn counted(count: f64, exposure: f64) -> Counted {
    Counted { count: count as u64, exposure }
}

/// Rows `1, x, x², ...`.
fn polynomial(x: &[f64], degree: i32) -> Vec<Vec<f64>> {
    x.iter().map(|x| (0..=degree).map(|k| x.powi(k)).collect()).collect()
}

fn fit_polynomial(entry: &Value, degree: i32) -> LeastSquares {
    let rows = polynomial(&numbers(&entry["input"]["x"]), degree);
    least_squares(&rows, &numbers(&entry["input"]["y"]), None).unwrap()
}

/// NIST StRD, Norris: certified values; by reflections and from sums alike.
#[test]
fn nist_norris() {
    let entry = entry("reg-nist-norris");
    let expected = &entry["expected"];
    let fit = fit_polynomial(&entry, 1);
    all_close(&fit.beta, &[number(&expected["b0"]), number(&expected["b1"])], 1e-10, 0.0);
    let errors = [number(&expected["se_b0"]), number(&expected["se_b1"])];
    all_close(&fit.standard_errors(), &errors, 1e-10, 0.0);
    close(fit.residual_sd(), number(&expected["resid_sd"]), 1e-10, 0.0);
    close(fit.r_squared, number(&expected["r2"]), 1e-12, 0.0);
    close(fit.residual_square, number(&expected["rss"]), 1e-10, 0.0);
    let mut sums = Gram::default();
    let (x, y) = (numbers(&entry["input"]["x"]), numbers(&entry["input"]["y"]));
    for (x, y) in x.iter().zip(&y) {
        sums.add(&[1.0, *x], *y, 1.0);
    }
    let from_sums = sums.fit().unwrap();
    all_close(&from_sums.beta, &fit.beta, 1e-10, 0.0);
    close(from_sums.covariance[1][1].sqrt(), errors[1], 1e-6, 0.0);
}

/// NIST StRD, Longley: certified values.
#[test]
fn nist_longley() {
    let entry = entry("reg-nist-longley");
    let data = table(&entry["input"]["rows"]);
    let rows: Vec<Vec<f64>> = data.iter().map(|r| [&[1.0], &r[1..]].concat()).collect();
    let y: Vec<f64> = data.iter().map(|r| r[0]).collect();
    let fit = least_squares(&rows, &y, None).unwrap();
    all_close(&fit.beta, &numbers(&entry["expected"]["b"]), 1e-8, 0.0);
    all_close(&fit.standard_errors(), &numbers(&entry["expected"]["se"]), 1e-8, 0.0);
    close(fit.residual_sd(), number(&entry["expected"]["resid_sd"]), 1e-9, 0.0);
    close(fit.r_squared, number(&entry["expected"]["r2"]), 1e-10, 0.0);
}

/// NIST StRD, Pontius: certified values.
#[test]
fn nist_pontius() {
    let entry = entry("reg-nist-pontius");
    let fit = fit_polynomial(&entry, 2);
    all_close(&fit.beta, &numbers(&entry["expected"]["b"]), 1e-9, 0.0);
    all_close(&fit.standard_errors(), &numbers(&entry["expected"]["se"]), 1e-9, 0.0);
}

/// NIST StRD, NoInt1: through the origin.
#[test]
fn nist_no_intercept() {
    let entry = entry("reg-nist-noint1");
    let rows: Vec<Vec<f64>> = numbers(&entry["input"]["x"]).into_iter().map(|x| vec![x]).collect();
    let fit = least_squares(&rows, &numbers(&entry["input"]["y"]), None).unwrap();
    close(fit.beta[0], number(&entry["expected"]["b1"]), 1e-12, 0.0);
    close(fit.standard_errors()[0], number(&entry["expected"]["se"]), 1e-12, 0.0);
}

/// NIST StRD, Wampler1 (exact fit) and Wampler3 (large noise).
#[test]
fn nist_wampler() {
    let exact = fit_polynomial(&entry("reg-nist-wampler1"), 5);
    all_close(&exact.beta, &[1.0; 6], 0.0, 1e-6);
    let entry = entry("reg-nist-wampler3");
    let noisy = fit_polynomial(&entry, 5);
    all_close(&noisy.beta, &[1.0; 6], 0.0, 1e-6);
    all_close(&noisy.standard_errors(), &numbers(&entry["expected"]["se"]), 1e-9, 0.0);
}

/// NIST StRD, Filip: condition 1e15, where seven digits are what double precision leaves.
#[test]
fn nist_filip() {
    let entry = entry("reg-nist-filip");
    let fit = fit_polynomial(&entry, 10);
    all_close(&fit.beta, &numbers(&entry["expected"]["b"]), 2e-6, 0.0);
    all_close(&fit.standard_errors(), &numbers(&entry["expected"]["se"]), 2e-6, 0.0);
}

/// Greene (1993), Table 15.1, as the R package sandwich reproduces it; Newey-West without prewhitening.
#[test]
fn greene_investment_newey_west() {
    let entry = entry("hac-greene-investment");
    let (x1, x2) = (numbers(&entry["input"]["x1"]), numbers(&entry["input"]["x2"]));
    let rows: Vec<Vec<f64>> = x1.iter().zip(&x2).map(|(a, b)| vec![1.0, *a, *b]).collect();
    let fit = least_squares(&rows, &numbers(&entry["input"]["y"]), None).unwrap();
    all_close(&fit.beta, &numbers(&entry["expected"]["b"]), 1e-8, 0.0);
    all_close(&fit.standard_errors(), &numbers(&entry["expected"]["se_ols"]), 1e-8, 0.0);
    let covariance = fit.newey_west(&rows, 4);
    let errors: Vec<f64> = (0..3).map(|i| covariance[i][i].sqrt()).collect();
    all_close(&errors, &numbers(&entry["expected"]["se_nw4"]), 1e-8, 0.0);
    let factor = (19.0_f64 / 16.0).sqrt();
    let corrected: Vec<f64> = errors.iter().map(|e| e * factor).collect();
    all_close(&corrected, &numbers(&entry["expected"]["se_nw4_smallsample"]), 1e-8, 0.0);
}

/// Student's t and normal quantiles: tables in any textbook (from memory).
#[test]
fn quantiles_of_t_and_normal() {
    for (df, reach) in [(1.0, 12.706), (4.0, 2.776), (10.0, 2.228), (30.0, 2.042), (1e9, 1.95996)] {
        let (lo, hi) = t_interval(0.0, 1.0, df, 0.95);
        close(hi, reach, 0.0, 6e-4);
        close(lo, -reach, 0.0, 6e-4);
    }
    close(normal_quantile(0.975), 1.959_963_984_540_054, 1e-12, 0.0);
    close(normal_upper_tail(1.644_853_626_951_472_7), 0.05, 1e-12, 0.0);
    close(t_p_value(2.228_138_85, 1.0, 10.0), 0.05, 1e-7, 0.0);
}

/// Gu, Ng, Tang & Schucany (2008), Examples 1 and 2: exact conditional and mid-p values.
#[test]
fn one_sided_rate_comparison() {
    let entry1 = entry("cnt-gu2008-ex1");
    let (a, b) = (counted(60.0, 51_477.5), counted(30.0, 54_308.7));
    let (exact, mid) = rate_ratio_p(a, b, 1.0);
    close(exact, number(&entry1["expected"]["exact_conditional"]), 0.0, 6e-7);
    close(mid, number(&entry1["expected"]["mid_p"]), 0.0, 6e-7);
    close(rate_ratio(a, b, 0.95).p_greater, exact, 1e-12, 0.0);
    let entry2 = entry("cnt-gu2008-ex2");
    let (exact, mid) = rate_ratio_p(counted(41.0, 28_010.0), counted(15.0, 19_017.0), 1.5);
    close(exact, number(&entry2["expected"]["exact_conditional"]), 0.0, 6e-4);
    close(mid, number(&entry2["expected"]["mid_p"]), 0.0, 6e-4);
}

/// R help page poisson.test: ratio, minlike p, Clopper-Pearson interval.
#[test]
fn rate_ratio_with_exact_interval() {
    let entry = entry("cnt-rate-ratio-ci");
    let expected = &entry["expected"];
    for (i, case) in table(&entry["input"]["cases"]).iter().enumerate() {
        let found = rate_ratio(counted(case[0], case[1]), counted(case[2], case[3]), 0.95);
        close(found.ratio, number(&expected["ratio"][i]), 1e-9, 0.0);
        close(found.p_two_sided, number(&expected["p"][i]), 1e-6, 0.0);
        all_close(&[found.lo, found.hi], &numbers(&expected["ci"][i]), 1e-9, 0.0);
    }
}

/// Garwood (1936), table.
#[test]
fn garwood_interval() {
    let entry = entry("cnt-garwood");
    let limits = table(&entry["expected"]["ci"]);
    for (x, limits) in numbers(&entry["input"]["x"]).iter().zip(limits) {
        let (lo, hi) = garwood(counted(*x, 1.0), 0.95);
        all_close(&[lo, hi], &limits, 0.0, 6e-3);
    }
    // R packages DescTools and exactci: 15 events in 400.
    let expected = numbers(&self::entry("cnt-one-rate")["expected"]["exact"]);
    let (lo, hi) = garwood(counted(15.0, 400.0), 0.95);
    all_close(&[lo, hi], &expected, 1e-9, 0.0);
}

fn spread_out(entry: &Value) -> Vec<Counted> {
    let values = numbers(&entry["input"]["value"]);
    let frequencies = numbers(&entry["input"]["frequency"]);
    let repeated = |(v, f): (&f64, &f64)| vec![counted(*v, 1.0); *f as usize];
    values.iter().zip(&frequencies).flat_map(repeated).collect()
}

/// von Bortkiewicz (1898), horse kicks: index of dispersion 199.3115 on 199 df (from memory).
#[test]
fn dispersion_of_horse_kicks() {
    let years = spread_out(&entry("cnt-horse-kicks"));
    close(pooled(&years).rate(), 0.61, 1e-12, 0.0);
    close(dispersion(&years).unwrap() * 199.0, 199.3115, 0.0, 6e-5);
    assert!(negative_binomial(&years).unwrap().k > 10.0);
}

/// Bliss & Fisher (1953), red mites: k by maximum likelihood (exact 1.024592396), its error, dispersion.
#[test]
fn negative_binomial_of_mites() {
    let entry = entry("cnt-negbin-mites");
    let leaves = spread_out(&entry);
    let found = negative_binomial(&leaves).unwrap();
    close(found.rate, number(&entry["expected"]["mean"]), 0.0, 6e-5);
    close(found.k, 1.024_592_396, 1e-8, 0.0);
    close(found.k_error, number(&entry["expected"]["k_se"]), 0.0, 6e-4);
    close(dispersion(&leaves).unwrap(), 1.9828, 0.0, 6e-5);
}

/// 13 CCR 1968.2 (e)(3): 40 misfires in 1000 revolutions of a four-cylinder engine.
#[test]
fn misfire_percentage() {
    let expected = number(&entry("cnt-misfire-percent")["expected"]["percent"]);
    close(misfire_percent(40, 1000.0, 4), expected, 1e-12, 0.0);
}

/// Pump data, Gaver & O'Muircheartaigh (1987): empirical Bayes by marginal maximum likelihood, the
/// values beside the entry (a direct computation by quadrature and optimisation, in its note).
#[test]
fn shrunk_pump_rates() {
    let entry = entry("shr-pumps");
    let failures = numbers(&entry["input"]["failures"]);
    let hours = numbers(&entry["input"]["time"]);
    let pumps: Vec<Counted> = failures.iter().zip(&hours).map(|(x, t)| counted(*x, *t)).collect();
    let prior = GammaPrior::fit(&pumps).unwrap();
    close(prior.shape, 0.822_965, 2e-6, 0.0);
    close(prior.rate, 1.261_653, 2e-6, 0.0);
    let expected =
        [0.06093, 0.10748, 0.09075, 0.11648, 0.58800, 0.60692, 0.78860, 0.78860, 1.43470, 1.94046];
    for (pump, expected) in pumps.iter().zip(expected) {
        let shrunk = prior.shrink(*pump, 0.95);
        close(shrunk.mean, expected, 0.0, 6e-6);
        assert!(shrunk.lo < shrunk.mean && shrunk.mean < shrunk.hi);
    }
    // Full Bayes (the published posterior means) differs from empirical Bayes by up to 13 %.
    for (pump, full) in pumps.iter().zip(numbers(&entry["expected"]["theta"])) {
        close(prior.shrink(*pump, 0.95).mean, full, 0.13, 0.0);
    }
}

/// Venables & Ripley, MASS (4th ed.), sec. 5.5: copper in wholemeal flour. MASS rounds the MAD's constant.
#[test]
fn robust_location_of_copper() {
    let entry = entry("rob-chem");
    let x = numbers(&entry["input"]["x"]);
    close(median(&x).unwrap(), number(&entry["expected"]["median"]), 1e-12, 0.0);
    close(mad(&x).unwrap(), number(&entry["expected"]["mad"]), 2e-6, 0.0);
    close(huber_location(&x, 1.5).unwrap(), number(&entry["expected"]["huber_mu"]), 0.0, 3e-6);
}

/// Same section, nickel: the fixed point is 11.5513630, MASS stops a little before it (in the note).
#[test]
fn robust_location_of_nickel() {
    let entry = entry("rob-abbey");
    let x = numbers(&entry["input"]["x"]);
    close(median(&x).unwrap(), number(&entry["expected"]["median"]), 1e-12, 0.0);
    close(mad(&x).unwrap(), number(&entry["expected"]["mad"]), 2e-6, 0.0);
    close(huber_location(&x, 1.5).unwrap(), 11.551_363_0, 0.0, 1e-5);
}

/// Huber & Ronchetti, Hampel et al.: constants, and the efficiency that makes 1.345 the usual bend.
#[test]
fn robust_constants() {
    let entry = entry("rob-constants");
    close(MAD_TO_SD, number(&entry["expected"]["mad_constant"]), 1e-15, 0.0);
    close(1.0 / normal_quantile(0.75), MAD_TO_SD, 1e-12, 0.0);
    // Efficiency of the location estimate: (share inside)² / E[psi²].
    let efficiency = |k: f64| {
        let outside = 2.0 * normal_upper_tail(k);
        let density = (-0.5 * k * k).exp() / (2.0 * std::f64::consts::PI).sqrt();
        let inside = 1.0 - outside;
        inside * inside / (inside - 2.0 * k * density + k * k * outside)
    };
    close(efficiency(HUBER_95), number(&entry["expected"]["eff_huber_1_345"]), 0.0, 1e-4);
    close(efficiency(1.5), number(&entry["expected"]["eff_huber_1_5"]), 0.0, 1e-4);
}

/// EPA 530/R-09-007, Example 17-6, by EnvStats: ties, irregular dates, interpolated slope limits.
#[test]
fn trend_of_sulfate() {
    let entry = entry("mk-epa-sulfate");
    let (t, y) = (numbers(&entry["input"]["time"]), numbers(&entry["input"]["y"]));
    let expected = &entry["expected"];
    let test = mann_kendall(&y).unwrap();
    close(test.s, number(&expected["S"]), 0.0, 0.0);
    close(test.variance, 1428.0, 1e-12, 0.0);
    close(test.z, number(&expected["z"]), 1e-6, 0.0);
    close(test.p, number(&expected["p"]), 2e-6, 0.0);
    close(test.tau, number(&expected["tau_a"]), 1e-6, 0.0);
    let line = theil_sen(&t, &y, 0.95).unwrap();
    close(line.slope, number(&expected["slope"]), 1e-8, 0.0);
    close(line.intercept, number(&expected["intercept_conover"]), 1e-8, 0.0);
    let limits = [number(&expected["slope_LCL"]), number(&expected["slope_UCL"])];
    all_close(&[line.lo, line.hi], &limits, 1e-6, 0.0);
}

/// EPA 530/R-09-007, Example 17-7, by EnvStats: no ties.
#[test]
fn trend_of_sodium() {
    let entry = entry("mk-epa-sodium");
    let (t, y) = (numbers(&entry["input"]["time"]), numbers(&entry["input"]["y"]));
    let expected = &entry["expected"];
    let test = mann_kendall(&y).unwrap();
    close(test.z, number(&expected["z"]), 1e-6, 0.0);
    close(test.p, number(&expected["p"]), 1e-6, 0.0);
    close(test.tau, number(&expected["tau"]), 1e-6, 0.0);
    let line = theil_sen(&t, &y, 0.95).unwrap();
    close(line.slope, number(&expected["slope"]), 1e-7, 0.0);
    close(line.intercept, number(&expected["intercept_conover"]), 1e-7, 0.0);
    let limits = [number(&expected["slope_LCL"]), number(&expected["slope_UCL"])];
    all_close(&[line.lo, line.hi], &limits, 1e-6, 0.0);
}

/// Nile flow (Cobb, 1978) by the R packages trend and modifiedmk; the packages round the limits'
/// ranks, here they are interpolated, which moves a limit by less than one gap between slopes.
#[test]
fn trend_of_the_nile() {
    let entry = entry("mk-nile");
    let y = numbers(&entry["input"]["y"]);
    let expected = &entry["expected"];
    let test = mann_kendall(&y).unwrap();
    close(test.s, number(&expected["S"]), 0.0, 0.0);
    close(test.variance, number(&expected["var_S"]), 1e-10, 0.0);
    close(test.z, number(&expected["z"]), 1e-10, 0.0);
    close(test.p, number(&expected["p"]), 1e-8, 0.0);
    close(test.tau, number(&expected["tau_a"]), 1e-9, 0.0);
    let t: Vec<f64> = (0..100).map(f64::from).collect();
    let line = theil_sen(&t, &y, 0.95).unwrap();
    close(line.slope, number(&expected["slope"]), 1e-12, 0.0);
    all_close(&[line.lo, line.hi], &numbers(&expected["slope_CI95"]), 2e-3, 0.0);
}

/// Hamed & Rao (1998) on the Nile by the R package modifiedmk: all lags, and three.
#[test]
fn autocorrelation_corrected_trend_of_the_nile() {
    let entry = entry("mk-nile-autocorrelation");
    let y = numbers(&entry["input"]["y"]);
    for (name, lags) in [("hamed_rao_all", 99), ("hamed_rao_lag3", 3)] {
        let expected = &entry["expected"][name];
        let test = hamed_rao(&y, lags).unwrap();
        close(test.variance, number(&expected["var_S"]), 1e-9, 0.0);
        close(test.z, number(&expected["z"]), 1e-9, 0.0);
        close(test.p, number(&expected["p"]), 1e-9, 0.0);
    }
}

/// Pohlert's vignette, Nottingham temperatures: its p values are without continuity correction; with
/// it they are 0.010214 and 0.031735 (in the note).
#[test]
fn trend_of_nottingham() {
    let entry = entry("mk-nottingham");
    for (month, s, variance, p) in
        [("august", "aug_S", 946.0, 0.010_214), ("september", "sep_S", 944.333_3, 0.031_735)]
    {
        let test = mann_kendall(&numbers(&entry["input"][month])).unwrap();
        close(test.s, number(&entry["expected"][s]), 0.0, 0.0);
        close(test.variance, variance, 1e-7, 0.0);
        close(test.p, p, 0.0, 6e-7);
    }
}

/// Suspended sediment at Maxau by the R package trend.
#[test]
fn trend_of_maxau() {
    let entry = entry("mk-maxau");
    let y = numbers(&entry["input"]["y"]);
    let expected = &entry["expected"];
    let test = mann_kendall(&y).unwrap();
    close(test.s, number(&expected["S"]), 0.0, 0.0);
    close(test.z, number(&expected["z"]), 3e-8, 0.0);
    close(test.p, number(&expected["p"]), 3e-7, 0.0);
    let t: Vec<f64> = (0..45).map(f64::from).collect();
    let line = theil_sen(&t, &y, 0.95).unwrap();
    close(line.slope, number(&expected["slope"]), 1e-9, 0.0);
    all_close(&[line.lo, line.hi], &numbers(&expected["slope_CI95"]), 5e-3, 0.0);
}

/// Kendall's table (Gilbert, 1987, A18; Hollander & Wolfe, A.30).
#[test]
fn exact_trend_table() {
    let entry = entry("mk-exact-null");
    let expected = numbers(&entry["expected"]["p"]);
    for (case, expected) in table(&entry["input"]["n_s"]).iter().zip(expected) {
        close(kendall_exact_upper(case[1] as i64, case[0] as usize), expected, 0.0, 6e-4);
    }
}

/// Hollander, Wolfe & Chicken, Example 9.1; Bonett (2021) with ties in x.
#[test]
fn theil_slopes() {
    let first = entry("theil-hw-9-1");
    let (x, y) = (numbers(&first["input"]["x"]), numbers(&first["input"]["y"]));
    let line = theil_sen(&x, &y, 0.95).unwrap();
    close(line.slope, number(&first["expected"]["slope"]), 1e-12, 0.0);
    let p = kendall_exact_upper(6, 5);
    close(p, number(&first["expected"]["p_one_sided_exact"]), 0.0, 6e-4);
    let second = entry("theil-bonett");
    let (x, y) = (numbers(&second["input"]["x"]), numbers(&second["input"]["y"]));
    let line = theil_sen(&x, &y, 0.95).unwrap();
    close(line.slope, number(&second["expected"]["slope"]), 1e-12, 0.0);
    // Interpolated ranks: within one gap between slopes of the rounded ones.
    let limits = [number(&second["expected"]["LL"]), number(&second["expected"]["UL"])];
    all_close(&[line.lo, line.hi], &limits, 2e-2, 0.0);
}

/// Hollander & Wolfe (1973), p. 29: depression scale, as in R's wilcox.test example.
#[test]
fn signed_rank_of_depression_scale() {
    let entry = entry("ba-wilcoxon-depression");
    let (first, second) = (numbers(&entry["input"]["first"]), numbers(&entry["input"]["second"]));
    let fall: Vec<f64> = first.iter().zip(&second).map(|(a, b)| a - b).collect();
    let expected = &entry["expected"];
    let test = signed_rank(&fall).unwrap();
    close(test.v, number(&expected["V"]), 0.0, 0.0);
    close(test.p_greater, number(&expected["p_one_sided"]), 1e-12, 0.0);
    close(test.p_two_sided, number(&expected["p_two_sided"]), 1e-12, 0.0);
    let rise: Vec<f64> = fall.iter().map(|d| -d).collect();
    close(signed_rank(&rise).unwrap().v, number(&expected["V_second_minus_first"]), 0.0, 0.0);
    let location = hodges_lehmann(&rise, 0.95).unwrap();
    close(location.value, number(&expected["hodges_lehmann"]), 1e-9, 0.0);
    all_close(&[location.lo, location.hi], &numbers(&expected["ci95"]), 1e-9, 0.0);
}

/// Student (1908), sleep: paired t, and the signed rank test with a zero and ties (R's values).
#[test]
fn paired_tests_of_sleep() {
    let entry = entry("ba-paired-t-sleep");
    let (one, two) = (numbers(&entry["input"]["drug1"]), numbers(&entry["input"]["drug2"]));
    let differences: Vec<f64> = one.iter().zip(&two).map(|(a, b)| a - b).collect();
    let expected = &entry["expected"];
    let test = paired_t(&differences, 0.95).unwrap();
    close(test.t, -4.062_127_7, 1e-8, 0.0);
    close(test.p, 0.002_832_89, 2e-6, 0.0);
    close(test.df, number(&expected["df"]), 0.0, 0.0);
    close(test.mean, number(&expected["mean_diff"]), 1e-12, 0.0);
    all_close(&[test.lo, test.hi], &numbers(&expected["ci95"]), 0.0, 6e-8);
    let gains: Vec<f64> = differences.iter().map(|d| -d).collect();
    let ranks = signed_rank(&gains).unwrap();
    close(ranks.v, 45.0, 0.0, 0.0);
    close(ranks.p_two_sided, 0.009_090_698, 1e-7, 0.0);
    assert!(!ranks.exact);
}

/// Fisher (1935), Darwin's maize: signed rank, t, and the randomisation test (1726 of 32768 patterns).
#[test]
fn darwins_maize() {
    let rank_entry = entry("ba-darwin-maize");
    let d = numbers(&rank_entry["input"]["d"]);
    let expected = &rank_entry["expected"];
    let ranks = signed_rank(&d).unwrap();
    close(120.0 - ranks.v, number(&expected["V_min"]), 0.0, 0.0);
    close(ranks.p_two_sided, number(&expected["p_exact"]), 1e-12, 0.0);
    let t = paired_t(&d, 0.95).unwrap();
    close(t.t, number(&expected["t"]), 0.0, 6e-4);
    close(t.p, number(&expected["t_p"]), 0.0, 6e-5);
    let flip = &entry("ba-fisher-randomisation")["expected"];
    let share = number(&flip["extreme"]) / number(&flip["total"]);
    close(sign_flip(&d, 0, 0).unwrap(), share, 1e-12, 0.0);
}

/// BCG vaccine trials, Colditz et al. (1994): DerSimonian-Laird, as the R package metafor documents it.
#[test]
fn pooled_vaccine_trials() {
    let entry = entry("shr-dersimonian-laird-bcg");
    let (mut effects, mut variances) = (Vec::new(), Vec::new());
    for row in table(&entry["input"]["table"]) {
        let (n1, n2) = (row[0] + row[1], row[2] + row[3]);
        effects.push((row[0] / n1 / (row[2] / n2)).ln());
        variances.push(1.0 / row[0] - 1.0 / n1 + 1.0 / row[2] - 1.0 / n2);
    }
    let pooled = random_effects(&effects, &variances, 0.95).unwrap();
    let expected = &entry["expected"];
    close(pooled.tau_squared, number(&expected["tau2_DL"]), 0.0, 6e-5);
    close(pooled.q, number(&expected["Q"]), 0.0, 6e-3);
    close(pooled.mean, number(&expected["mu_DL"]), 0.0, 6e-5);
    close(pooled.standard_error, number(&expected["se_DL"]), 0.0, 6e-5);
    close(pooled.fixed_mean, number(&expected["mu_FE"]), 0.0, 6e-5);
    close(pooled.fixed_error, number(&expected["se_FE"]), 0.0, 6e-5);
    assert!(pooled.p_alike < 1e-20);
}

fn spans(times: &[f64], ended: &[f64]) -> Vec<Span> {
    times.iter().zip(ended).map(|(&time, &e)| Span { time, ended: e > 0.5 }).collect()
}

/// Freireich et al. (1963), 6-MP arm: Klein & Moeschberger, Table 4.1; limits by R's survfit log-log.
#[test]
fn survival_of_6mp() {
    let entry = entry("surv-km-6mp");
    let data = spans(&numbers(&entry["input"]["time"]), &numbers(&entry["input"]["event"]));
    let expected = &entry["expected"];
    let steps = kaplan_meier(&data, 0.95);
    let column = |f: fn(&trimdrift::stats::survival::SurvivalStep) -> f64| {
        steps.iter().map(f).collect::<Vec<f64>>()
    };
    all_close(&column(|s| s.time), &numbers(&expected["t"]), 0.0, 0.0);
    all_close(&column(|s| s.at_risk as f64), &numbers(&expected["at_risk"]), 0.0, 0.0);
    all_close(&column(|s| s.survival), &numbers(&expected["S"]), 0.0, 6e-5);
    all_close(&column(|s| s.standard_error), &numbers(&expected["se"]), 0.0, 6e-5);
    close(median_time(&steps).unwrap(), number(&expected["median"]), 0.0, 0.0);
    let limits = table(&self::entry("surv-greenwood-ci")["expected"]["loglog"]);
    for (step, limits) in steps.iter().zip(limits) {
        all_close(&[step.lo, step.hi], &limits, 0.0, 2e-7);
    }
}

/// Miller (1981), AML maintenance data, by R's survfit.
#[test]
fn survival_of_aml() {
    let entry = entry("surv-logrank-aml");
    let data = spans(&numbers(&entry["input"]["t1"]), &numbers(&entry["input"]["s1"]));
    let steps = kaplan_meier(&data, 0.95);
    let survival: Vec<f64> = steps.iter().map(|s| s.survival).collect();
    let errors: Vec<f64> = steps.iter().map(|s| s.standard_error).collect();
    all_close(&survival, &numbers(&entry["expected"]["S_maintained"]), 1e-6, 0.0);
    all_close(&errors, &numbers(&entry["expected"]["se_maintained"]), 1e-6, 0.0);
}
