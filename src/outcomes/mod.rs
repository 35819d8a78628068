//! Workshop work in, what it achieved out: before against after, vehicle by vehicle and by kind of work.
//!
//! Trims are peer-adjusted, so a cleaning in spring is not credited with the spring. A change is judged
//! on the days after relearning; with too few of them the verdict is `too_early`.

use crate::stats::wander::{self, Differences, Wander, by_period, half_width};
use crate::tables::days::Day;
use crate::tables::findings::{AdjustedFuel, AdjustedSeries, Estimate, Outcome, OutcomeSummary};
use crate::tables::fleet::{Service, ServiceRecord};
use std::collections::BTreeMap;
use std::ops::Range;

/// Days before and after the work that are compared.
const WINDOW_DAYS: i32 = 45;

/// Days after the work that are left out: adaptation takes some tens to a few hundred km (common
/// practice, no source).
const RELEARN_DAYS: i32 = 7;

/// Days with data that either side must have.
const ROWS_MIN: usize = 10;

/// Share of the raised trim that must go for the work to count as done, and change below which it did
/// nothing (own judgement: a job is called good when both trims sit near zero).
const WORKED_SHARE: f64 = 0.5;
const NO_EFFECT_PCT: f64 = 1.5;

/// Work that is meant to change trims.
fn is_cleaning(service: Service) -> bool {
    matches!(
        service,
        Service::InjectorCleaning
            | Service::IntakeCleaning
            | Service::ThrottleCleaning
            | Service::AirflowSensorCleaning
            | Service::EgrCleaning
            | Service::SparkPlugs
            | Service::FuelFilter
            | Service::AirFilter
    )
}

/// One outcome per job up to `as_of`, by day, then vehicle, then kind.
pub fn assess(
    services: &[ServiceRecord],
    adjusted: &[AdjustedSeries],
    fuel: &[AdjustedFuel],
    days: &BTreeMap<String, Vec<Day>>,
    as_of: i32,
) -> Vec<Outcome> {
    let mut jobs: Vec<&ServiceRecord> =
        services.iter().filter(|s| s.day <= as_of && is_cleaning(s.service)).collect();
    jobs.sort_by(|a, b| (a.day, &a.vehicle, a.service).cmp(&(b.day, &b.vehicle, b.service)));
    let none = Vec::new();
    let fuel: BTreeMap<&str, &AdjustedFuel> =
        fuel.iter().map(|f| (f.vehicle.as_str(), f)).collect();
    jobs.into_iter()
        .map(|job| {
            let next = services
                .iter()
                .filter(|s| s.vehicle == job.vehicle && s.day > job.day && is_cleaning(s.service))
                .map(|s| s.day)
                .min();
            let fuel = fuel.get(job.vehicle.as_str()).copied();
            outcome(job, next, adjusted, fuel, days.get(&job.vehicle).unwrap_or(&none), as_of)
        })
        .collect()
}

fn outcome(
    job: &ServiceRecord,
    next_job: Option<i32>,
    adjusted: &[AdjustedSeries],
    fuel: Option<&AdjustedFuel>,
    days: &[Day],
    as_of: i32,
) -> Outcome {
    let until = next_job.unwrap_or(as_of + 1).min(as_of + 1);
    let before = job.day - WINDOW_DAYS..job.day;
    let after = job.day + RELEARN_DAYS..(job.day + RELEARN_DAYS + WINDOW_DAYS).min(until);
    let sides: Vec<(Vec<f64>, Vec<f64>, f64)> = adjusted
        .iter()
        .filter(|s| s.vehicle == job.vehicle)
        .map(|s| (values(&s.rows, &before), values(&s.rows, &after), s.phi))
        .collect();
    // The bank that stood higher before the work is the one that it was for.
    let side = sides
        .iter()
        .filter(|(b, a, _)| b.len() >= ROWS_MIN && a.len() >= ROWS_MIN)
        .max_by(|x, y| mean(&x.0).total_cmp(&mean(&y.0)));
    let (trim_before, trim_after, change) = side
        .map_or((f64::NAN, f64::NAN, Estimate::NONE), |(b, a, phi)| {
            (mean(b), mean(a), difference(b, a, *phi))
        });
    let last = days.iter().map(|d| d.day).filter(|d| *d < until).max();
    let next_flag = adjusted
        .iter()
        .filter(|s| s.vehicle == job.vehicle)
        .flat_map(|s| &s.flags)
        .filter(|f| **f > job.day && **f < until)
        .min();
    Outcome {
        vehicle: job.vehicle.clone(),
        day: job.day,
        service: job.service.as_str().to_owned(),
        cost: job.cost.unwrap_or(f64::NAN),
        trim_before_pct: trim_before,
        trim_after_pct: trim_after,
        trim_change_pct: change,
        misfire_before_after: [misfire_rate(days, &before), misfire_rate(days, &after)],
        economy_change_pct: fuel.map_or(Estimate::NONE, |f| economy_change(f, &before, &after)),
        days_until_next_flag: next_flag.map(|f| f - job.day),
        days_after: last.map_or(0, |l| (l - job.day).max(0)),
        verdict: verdict(trim_before, change),
    }
}

/// `worked` if at least half of the raised trim went; `no_effect` if the change lies within ±1.5 % or
/// cannot be told from none; `worse` if trims rose; `too_early` without enough days.
fn verdict(trim_before: f64, change: Estimate) -> &'static str {
    if !change.is_known() {
        "too_early"
    } else if change.lo > NO_EFFECT_PCT {
        "worse"
    } else if change.hi < 0.0
        && change.value < -NO_EFFECT_PCT
        && -change.value >= WORKED_SHARE * trim_before
    {
        "worked"
    } else {
        "no_effect"
    }
}

fn values(rows: &[(i32, f64)], window: &Range<i32>) -> Vec<f64> {
    rows.iter().filter(|r| window.contains(&r.0)).map(|r| r.1).collect()
}

fn mean(v: &[f64]) -> f64 {
    v.iter().sum::<f64>() / v.len() as f64
}

/// After minus before with a 95 % interval; days correlated by `phi` count (1-phi)/(1+phi) of their number.
fn difference(before: &[f64], after: &[f64], phi: f64) -> Estimate {
    let variance = |v: &[f64]| {
        let m = mean(v);
        v.iter().map(|x| (x - m).powi(2)).sum::<f64>() / (v.len() as f64 - 1.0) / v.len() as f64
    };
    let value = mean(after) - mean(before);
    let half = 1.96 * ((1.0 + phi) / (1.0 - phi) * (variance(before) + variance(after))).sqrt();
    Estimate { value, lo: value - half, hi: value + half }
}

fn misfire_rate(days: &[Day], window: &Range<i32>) -> f64 {
    let (mut count, mut kilorevs) = (0.0, 0.0);
    for d in days.iter().filter(|d| window.contains(&d.day)) {
        kilorevs += (d.counted_revs_warm + d.counted_revs_cold) / 1000.0;
        if let Some(m) = &d.misfires {
            count += m.warm.iter().chain(&m.cold).copied().map(f64::from).sum::<f64>();
        }
    }
    if kilorevs > 0.0 { count / kilorevs } else { f64::NAN }
}

/// Weeks are the unit of fuel per km.
const WEEK: f64 = 7.0;

/// Change of fuel per km, percent, driving and weather taken out; the interval knows that fuel use wanders.
fn economy_change(fuel: &AdjustedFuel, before: &Range<i32>, after: &Range<i32>) -> Estimate {
    let rows = |w: &Range<i32>| -> Vec<(f64, f64, f64)> {
        let inside = fuel.rows.iter().filter(|r| w.contains(&r.0));
        inside.map(|(day, weight, value)| (f64::from(*day), *weight, *value)).collect()
    };
    let (b, a) = (rows(before), rows(after));
    if b.len() < ROWS_MIN || a.len() < ROWS_MIN {
        return Estimate::NONE;
    }
    let wander = Wander {
        next: fuel.next,
        variance: fuel.wander_variance,
        memory_days: fuel.wander_days,
        df: fuel.wander_df,
    };
    let own = Differences::of(&by_period(&rows(&(i32::MIN..i32::MAX)), WEEK));
    let (b, a) = (by_period(&b, WEEK), by_period(&a, WEEK));
    let Some((variance, df)) = wander.between(&b, &a, &own) else { return Estimate::NONE };
    let change = wander::mean(&a) - wander::mean(&b);
    let half = half_width(variance, df, 0.95);
    let pct = |x: f64| 100.0 * x.exp_m1();
    Estimate { value: pct(change), lo: pct(change - half), hi: pct(change + half) }
}

/// Summary by kind of work, in name order.
pub fn summarise(outcomes: &[Outcome]) -> Vec<OutcomeSummary> {
    let mut kinds: BTreeMap<&str, Vec<&Outcome>> = BTreeMap::new();
    for o in outcomes {
        kinds.entry(&o.service).or_default().push(o);
    }
    kinds.into_iter().map(|(service, jobs)| summary(service, &jobs)).collect()
}

fn summary(service: &str, jobs: &[&Outcome]) -> OutcomeSummary {
    let judged: Vec<&&Outcome> = jobs.iter().filter(|o| o.verdict != "too_early").collect();
    let count = |v: &str| judged.iter().filter(|o| o.verdict == v).count();
    let known = |f: &dyn Fn(&Outcome) -> f64| -> Vec<f64> {
        judged.iter().map(|o| f(o)).filter(|v| v.is_finite()).collect()
    };
    let mut costs: Vec<f64> = jobs.iter().map(|o| o.cost).filter(|c| c.is_finite()).collect();
    costs.sort_by(f64::total_cmp);
    OutcomeSummary {
        service: service.to_owned(),
        jobs: jobs.len(),
        judged: judged.len(),
        worked: count("worked"),
        no_effect: count("no_effect"),
        worse: count("worse"),
        trim_change_pct: median_interval(known(&|o| o.trim_change_pct.value)),
        misfire_change_per_1000_rev: median_interval(known(&|o| {
            o.misfire_before_after[1] - o.misfire_before_after[0]
        })),
        economy_change_pct: median_interval(known(&|o| o.economy_change_pct.value)),
        cost_median: median_interval(costs).value,
        flagged_again: judged.iter().filter(|o| o.days_until_next_flag.is_some()).count(),
        days_until_next_flag_median: median_time(&judged),
    }
}

/// Median with the order-statistic interval of at least 95 % (binomial with probability one half; needs
/// six values).
fn median_interval(mut v: Vec<f64>) -> Estimate {
    v.sort_by(f64::total_cmp);
    let n = v.len();
    if n == 0 {
        return Estimate::NONE;
    }
    let value = if n % 2 == 1 { v[n / 2] } else { 0.5 * (v[n / 2 - 1] + v[n / 2]) };
    // Largest k with P(Binomial(n, 1/2) < k) <= 2.5 %.
    let (mut k, mut tail, mut term) = (0usize, 0.0, 0.5f64.powi(n as i32));
    while tail + term <= 0.025 {
        tail += term;
        k += 1;
        term *= (n - k + 1) as f64 / k as f64;
    }
    if k == 0 {
        return Estimate { value, lo: f64::NAN, hi: f64::NAN };
    }
    Estimate { value, lo: v[k - 1], hi: v[n - k] }
}

/// Kaplan-Meier median of the days until drift was found again; `NaN` while more than half are still clean.
fn median_time(judged: &[&&Outcome]) -> f64 {
    let mut times: Vec<(i32, bool)> = judged
        .iter()
        .map(|o| o.days_until_next_flag.map_or((o.days_after, false), |d| (d, true)))
        .collect();
    // At equal times events come before censoring, by the usual convention.
    times.sort_by_key(|(t, event)| (*t, !event));
    let mut survival = 1.0;
    for (i, (t, event)) in times.iter().enumerate() {
        if *event {
            survival *= 1.0 - 1.0 / (times.len() - i) as f64;
            if survival <= 0.5 {
                return f64::from(*t);
            }
        }
    }
    f64::NAN
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_interval_takes_the_ranks_of_the_sign_test() {
        // Sign-test interval, n = 10: ranks 2 and 9 (Conover, Practical Nonparametric Statistics, Table A3; from memory).
        let e = median_interval((1..=10).map(f64::from).collect());
        assert_eq!((e.value, e.lo, e.hi), (5.5, 2.0, 9.0));
        assert!(median_interval(vec![1.0, 2.0, 3.0, 4.0, 5.0]).lo.is_nan());
    }

    #[test]
    fn fuel_that_wanders_slowly_is_not_taken_for_an_effect() {
        // Two seasons' worth of weeks without noise to speak of, and a change of 2 % at the job.
        let mut fuel = AdjustedFuel {
            vehicle: "v".to_owned(),
            rows: (0..200)
                .map(|d| {
                    let noise = f64::from(d * 37 % 11 - 5) * 0.001;
                    (d, 1.0, noise + if d < 100 { 0.0 } else { 0.02 })
                })
                .collect(),
            next: 0.0,
            wander_variance: 0.0,
            wander_days: 56.0,
            wander_df: 100.0,
        };
        let still = economy_change(&fuel, &(55..100), &(107..152));
        assert!((still.value - 2.02).abs() < 0.1 && still.lo > 1.0, "{still:?}");
        fuel.wander_variance = 0.02 * 0.02;
        let wanders = economy_change(&fuel, &(55..100), &(107..152));
        assert!(wanders.lo < 0.0 && wanders.hi > 4.0, "{wanders:?}");
    }

    #[test]
    fn a_job_that_takes_half_of_the_rise_away_worked() {
        let e = |v: f64, half: f64| Estimate { value: v, lo: v - half, hi: v + half };
        assert_eq!(verdict(10.0, e(-8.0, 2.0)), "worked");
        assert_eq!(verdict(10.0, e(-2.0, 1.0)), "no_effect");
        assert_eq!(verdict(10.0, e(5.0, 2.0)), "worse");
        assert_eq!(verdict(10.0, Estimate::NONE), "too_early");
    }
}
