//! Workshop work in, what it achieved out: before against after, vehicle by vehicle and by kind of work.
//!
//! Trims are peer-adjusted, so a cleaning in spring is not credited with the spring. A change is judged
//! on the days after relearning, by the trim, by the misfires and by what else was found; with too few days the
//! verdict is `too_early`.

use crate::settings::DecideSettings;
use crate::stats::counts::{Counted, dispersed_ratio, pooled};
use crate::stats::survival::{self, Span};
use crate::stats::wander::{self, Differences, Wander, by_period, half_width};
use crate::tables::days::Day;
use crate::tables::findings::{
    AdjustedFuel, AdjustedSeries, Estimate, OFF, Outcome, OutcomeSummary, SeriesKind,
};
use crate::tables::fleet::{Service, ServiceRecord, by_vehicle};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::ops::Range;

/// Days before and after the work that are compared.
const WINDOW_DAYS: i32 = 45;

/// Days with data that a longer window is to hold, some of which may tell too little, and the days that it may reach (common
/// practice, no source).
const ENOUGH_DAYS: usize = 12;
const REACH_DAYS: i32 = 120;

/// Days after the work that are left out: adaptation takes some tens to a few hundred km (common
/// practice, no source).
const RELEARN_DAYS: i32 = 7;

/// Days on either side of the work that tell whether misfires jumped at it.
const BESIDE_DAYS: i32 = 21;

/// Days with data that either side must have.
const ROWS_MIN: usize = 10;

/// Share of what was wrong that must go for the work to count as done (own judgement: a job is called good when both
/// trims sit near zero).
const WORKED_SHARE: f64 = 0.5;

/// Share of the size from which a change counts, below which the work did nothing (own judgement, no source).
const NO_EFFECT_SHARE: f64 = 0.5;

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

/// Whether the work is on what such a series watches.
fn is_work_on(service: Service, kind: SeriesKind) -> bool {
    match service {
        Service::ThrottleCleaning => kind == SeriesKind::IdleThrottle,
        Service::IntakeCleaning => {
            matches!(kind, SeriesKind::IdleThrottle | SeriesKind::Breathing | SeriesKind::WarmupGap)
        }
        _ => false,
    }
}

/// One outcome per job up to `as_of`, by day, then vehicle, then kind.
pub fn assess(
    services: &[ServiceRecord],
    adjusted: &[AdjustedSeries],
    fuel: &[AdjustedFuel],
    days: &BTreeMap<String, Vec<Day>>,
    decide: &DecideSettings,
    as_of: i32,
) -> Vec<Outcome> {
    let mut jobs: Vec<&ServiceRecord> =
        services.iter().filter(|s| s.day <= as_of && is_cleaning(s.service)).collect();
    jobs.sort_by(|a, b| (a.day, &a.vehicle, a.service).cmp(&(b.day, &b.vehicle, b.service)));
    let none = Vec::new();
    let fuel: BTreeMap<&str, &AdjustedFuel> =
        fuel.iter().map(|f| (f.vehicle.as_str(), f)).collect();
    let services = by_vehicle(services, |s| &s.vehicle);
    let adjusted = by_vehicle(adjusted, |s| &s.vehicle);
    jobs.into_par_iter()
        .map(|job| {
            let others = |counts: fn(Service) -> bool| {
                let of_vehicle = services.get(job.vehicle.as_str()).into_iter().flatten();
                let days = of_vehicle.filter(|s| counts(s.service)).map(|s| s.day);
                let next = days.clone().filter(|day| *day > job.day).min();
                let last = days.filter(|day| *day < job.day).max();
                let until = next.unwrap_or(as_of + 1).min(as_of + 1);
                // What earlier work took away is not this one's.
                last.map_or(i32::MIN, |day| day + RELEARN_DAYS)..until
            };
            let fuel = fuel.get(job.vehicle.as_str()).copied();
            let days = days.get(&job.vehicle).unwrap_or(&none);
            let adjusted = adjusted.get(job.vehicle.as_str()).map_or(&[][..], Vec::as_slice);
            // A hose or a pump stands in the records as other work, and moves the trim; what is found to grow is held
            // against the work that is meant to end it.
            let counted = others(|s| s != Service::BatteryDisconnect);
            let answered = others(is_cleaning);
            outcome(job, &counted, &answered, adjusted, fuel, days, decide.misfire_per_1000_rev_min)
        })
        .collect()
}

/// `adjusted`: the vehicle's own; `counted`: the days from a week after earlier work to the next; `answered`: the same
/// for cleaning only.
fn outcome(
    job: &ServiceRecord,
    counted: &Range<i32>,
    answered: &Range<i32>,
    adjusted: &[&AdjustedSeries],
    fuel: Option<&AdjustedFuel>,
    days: &[Day],
    misfire_min: f64,
) -> Outcome {
    let (before, after) = windows_around(job.day, counted, days);
    let own = || adjusted.iter().copied();
    let sides = |s: &AdjustedSeries| Sides::of(s, answered.start, job.day, &before, &after);
    let is_trim = |s: &&AdjustedSeries| matches!(s.kind, SeriesKind::TrimBank(_));
    // The bank that stood further off before the work is the one that it was for.
    let banks = own().filter(is_trim).filter_map(sides);
    let trim = banks.max_by(|x, y| x.before.abs().total_cmp(&y.before.abs()));
    // Single bands, throttle, breathing and warm-up are judged where something was found in them, or stands off in what
    // the work is for.
    let others = own().filter(|s| !is_trim(s)).filter_map(|s| Some((s.kind, sides(s)?)));
    let is_for = |kind| is_work_on(job.service, kind);
    let told = others.filter(|(kind, s)| s.growth != 0.0 || (is_for(*kind) && s.is_wrong()));
    let mut effects: Vec<Option<Effect>> = told.map(|(_, s)| Some(s.effect())).collect();
    let last = days.iter().map(|d| d.day).filter(|d| *d < answered.end).max();
    let flags = own().flat_map(|s| &s.flags).map(|f| f.day);
    let flags = flags.filter(|day| *day > job.day && *day < answered.end);
    let both = [&before, &after].map(|window| misfires(days, window));
    let ratio = misfire_ratio(&both);
    let rates = both.map(|weeks| pooled(&weeks).rate());
    // What grows on is not made worse by the work: only what jumps at it.
    let beside = [job.day - BESIDE_DAYS..job.day, after.start..after.start + BESIDE_DAYS];
    let beside = [(&before, &beside[0]), (&after, &beside[1])]
        .map(|(w, b)| misfires(days, &(w.start.max(b.start)..w.end.min(b.end))));
    let at_job = misfire_ratio(&beside);
    let highest = rates.into_iter().chain(beside.map(|weeks| pooled(&weeks).rate()));
    let highest = highest.fold(f64::NEG_INFINITY, f64::max);
    let change = trim.as_ref().map_or(Estimate::NONE, |t| t.change);
    effects.extend([
        trim.as_ref().map(Sides::effect),
        misfire_effect(ratio, at_job, highest >= misfire_min),
    ]);
    Outcome {
        vehicle: job.vehicle.clone(),
        day: job.day,
        service: job.service.as_str().to_owned(),
        cost: job.cost.unwrap_or(f64::NAN),
        trim_before_pct: trim.as_ref().map_or(f64::NAN, |t| t.before),
        trim_after_pct: trim.as_ref().map_or(f64::NAN, |t| t.after),
        trim_change_pct: change,
        misfire_before_after: rates,
        misfire_ratio: ratio,
        economy_change_pct: fuel.map_or(Estimate::NONE, |f| economy_change(f, &before, &after)),
        days_until_next_flag: flags.min().map(|f| f - job.day),
        days_after: last.map_or(0, |l| (l - job.day).max(0)),
        verdict: verdict(&effects),
    }
}

/// The days before and after the work on day `job` that are compared, within `counted`: longer where few of `days` are logged,
/// but no longer than is within reason.
fn windows_around(job: i32, counted: &Range<i32>, days: &[Day]) -> (Range<i32>, Range<i32>) {
    let begins = job + RELEARN_DAYS;
    let before = &days[..days.partition_point(|d| d.day < job)];
    let after = &days[days.partition_point(|d| d.day < begins)..];
    let reaches = |day: Option<i32>, from: i32| {
        day.map_or(0, |day| (day - from).abs()).clamp(WINDOW_DAYS, REACH_DAYS)
    };
    let back = reaches(before.iter().nth_back(ENOUGH_DAYS - 1).map(|d| d.day), job);
    let on = reaches(after.get(ENOUGH_DAYS - 1).map(|d| d.day + 1), begins);
    ((job - back).max(counted.start)..job, begins..(begins + on).min(counted.end))
}

/// What the work did to one thing that was watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Effect {
    Worked,
    None,
    Worse,
    /// In vain or a cure: the interval holds both; or something went that is no cure.
    Unclear,
}

/// `worse` if anything got worse, else `worked` if anything that was wrong went, `unclear` if that may or may not have
/// gone, `no_effect` if what could be judged did not change; `too_early` if nothing could be judged.
fn verdict(effects: &[Option<Effect>]) -> &'static str {
    let any = |effect| effects.contains(&Some(effect));
    if any(Effect::Worse) {
        "worse"
    } else if any(Effect::Worked) {
        "worked"
    } else if any(Effect::Unclear) {
        "unclear"
    } else if any(Effect::None) {
        "no_effect"
    } else {
        "too_early"
    }
}

/// One series on both sides of the work, above the baseline; above nought where the baseline itself was off.
#[derive(Debug, Clone, Copy)]
struct Sides {
    before: f64,
    after: f64,
    /// Of the values as they would be on the day of the work.
    change: Estimate,
    /// Which way it was found to go before the work: 1 up, -1 down, 0 not known.
    growth: f64,
    /// How far off it stood on the day of the work, without it and with it.
    off: [f64; 2],
    /// Size from which a change counts.
    least: f64,
    is_trim: bool,
}

impl Sides {
    /// `None` with too few days on a side.
    fn of(
        series: &AdjustedSeries,
        since: i32,
        job: i32,
        before: &Range<i32>,
        after: &Range<i32>,
    ) -> Option<Sides> {
        // Of all that is watched breathing alone falls where something builds up.
        let sign = if series.kind == SeriesKind::Breathing { -1.0 } else { 1.0 };
        let rows = |window: &Range<i32>| -> Vec<(i32, f64, f64)> {
            let inside = series.rows.iter().filter(|r| window.contains(&r.0));
            inside.map(|(day, weight, value)| (*day, *weight, sign * value)).collect()
        };
        let (b, a) = (rows(before), rows(after));
        if b.len() < ROWS_MIN || a.len() < ROWS_MIN {
            return None;
        }
        // What was found to grow grew before the work and, as nothing took its reason away, grows again after it; of the
        // others it is not known whether anything grows, or which way.
        let (usual, sd) = series.slope_per_day;
        let growth = sign * growth(series, since, job);
        let slope = if growth == 0.0 { (0.0, usual.hypot(sd)) } else { (growth * usual, sd) };
        let side = |rows: &[(i32, f64, f64)]| Side::of(rows, job, series.long_run_variance, slope);
        let (before, after) = (side(&b), side(&a));
        let variance = before.variance
            + after.variance
            + 2.0 * series.reference_sd.powi(2)
            + series.steps_per_day * days_for_steps(&b, &a);
        let (value, half) = (after.at_job - before.at_job, 1.96 * variance.sqrt());
        // One that was off when its logs began should come back to nought. If it was found to go further off, all between
        // its baseline and nought is right; if it was found to go towards nought, that is what is wrong.
        let nought = if series.start.abs() > OFF { -sign * series.start } else { 0.0 };
        let (low, high) = if growth == 0.0 {
            (nought, nought)
        } else if growth * nought < 0.0 {
            (nought.min(0.0), nought.max(0.0))
        } else {
            (0.0, 0.0)
        };
        let off = |at_job: f64| at_job - at_job.clamp(low, high);
        let right = before.mean.clamp(low, high);
        Some(Sides {
            before: before.mean - right,
            after: after.mean - right,
            change: Estimate { value, lo: value - half, hi: value + half },
            growth,
            off: [off(before.at_job), off(after.at_job)],
            least: series.least_change,
            is_trim: matches!(series.kind, SeriesKind::TrimBank(_)),
        })
    }

    /// Something was found before the work, or stood off: far below, since most faults make a trim rise, or a little above.
    fn is_wrong(&self) -> bool {
        self.growth != 0.0 || self.is_low() || self.before >= NO_EFFECT_SHARE * self.least
    }

    /// Of trims some faults make one fall; of the others none.
    fn is_low(&self) -> bool {
        self.is_trim && self.before <= -self.least
    }

    /// What had fallen must rise to be right again; anything else must fall. Where nothing was wrong, nothing can work.
    fn effect(&self) -> Effect {
        let c = self.change;
        let fallen = self.growth < 0.0 || (self.growth == 0.0 && self.is_low());
        // How far it came back, and the least and the most by which it may have.
        let (gone, least, most) =
            if fallen { (c.value, c.lo, c.hi) } else { (-c.value, -c.hi, -c.lo) };
        let nearer = self.off[1].abs() < self.off[0].abs();
        let some = NO_EFFECT_SHARE * self.least;
        // What was right as it stood can neither work nor half work.
        let was_off = self.is_wrong() && self.off[0].abs() >= some;
        let wrong_by = if fallen { -self.before } else { self.before };
        if most < -some && !nearer {
            Effect::Worse
        } else if was_off
            && nearer
            && least > 0.0
            && gone > some
            && gone >= WORKED_SHARE * self.before.abs()
        {
            Effect::Worked
        } else if wrong_by >= self.least && least <= 0.0 && most >= wrong_by {
            Effect::Unclear
        } else if least >= some {
            // So much surely went, but it was less than half of what was wrong, went past what is right, or nothing was known
            // to be wrong: the fault may be older than the logs.
            Effect::Unclear
        } else {
            Effect::None
        }
    }
}

/// Which way a series was found to go between `since` and the day of the work: 1 up, -1 down, 0 not known.
fn growth(series: &AdjustedSeries, since: i32, job: i32) -> f64 {
    let way = |rose: bool| if rose { 1.0 } else { -1.0 };
    let told = |way_of: &dyn Fn(SeriesKind, bool) -> Option<f64>| {
        let flags = series.flags.iter().filter(|f| since <= f.day && f.day <= job);
        let told = flags.filter_map(|f| Some((f.day, way_of(f.kind, f.rose)?)));
        told.max_by_key(|(day, _)| *day).map(|(_, way)| way)
    };
    let SeriesKind::TrimBank(bank) = series.kind else {
        return told(&|kind, rose| (kind == series.kind).then(|| way(rose))).unwrap_or(0.0);
    };
    // Between bands it is not known which of them goes; the trim over all of them tells.
    let all = told(&|kind, rose| (kind == SeriesKind::TrimAll).then(|| way(rose)));
    // Most faults make a trim rise: that of the bank which then stands higher.
    let apart = || {
        told(&|kind, rose| match kind {
            SeriesKind::BankGap => (rose == (bank == 1)).then_some(1.0),
            SeriesKind::IdleGap | SeriesKind::LoadGap => rose.then_some(1.0),
            _ => None,
        })
    };
    all.or_else(apart).unwrap_or(0.0)
}

/// One side of the work: its mean, and where it stood on the day of the work.
#[derive(Debug, Clone, Copy)]
struct Side {
    mean: f64,
    at_job: f64,
    /// Of `at_job`.
    variance: f64,
}

impl Side {
    /// A straight line whose slope is shrunk to what a fault usually grows a day: a normal prior (mean, sd) on the
    /// slope, none on the level (ridge regression; Hoerl & Kennard, 1970, from memory). Rows count by their long-run
    /// variance, which slow noise has.
    fn of(
        rows: &[(i32, f64, f64)],
        job: i32,
        long_run: f64,
        (usual, slope_sd): (f64, f64),
    ) -> Side {
        let weight: f64 = rows.iter().map(|r| r.1).sum();
        let from_job = |r: &(i32, f64, f64)| f64::from(r.0 - job);
        let mean = rows.iter().map(|r| r.1 * r.2).sum::<f64>() / weight;
        let middle = rows.iter().map(|r| r.1 * from_job(r)).sum::<f64>() / weight;
        let (mut xx, mut xy) = (0.0, 0.0);
        for r in rows {
            let x = from_job(r) - middle;
            xx += r.1 * x * x / long_run;
            xy += r.1 * x * (r.2 - mean) / long_run;
        }
        let (slope, slope_variance) = if slope_sd > 0.0 {
            let precision = slope_sd.powi(-2);
            ((xy + precision * usual) / (xx + precision), 1.0 / (xx + precision))
        } else {
            (usual, 0.0)
        };
        Side {
            mean,
            at_job: mean - slope * middle,
            variance: long_run / weight + middle * middle * slope_variance,
        }
    }
}

/// Days over which a step that nobody recorded counts as a change between the means of two windows: all days between
/// them, and a third of those within, where it moves the mean in part (the mean of a square that rises from 0 to 1).
fn days_for_steps(before: &[(i32, f64, f64)], after: &[(i32, f64, f64)]) -> f64 {
    let span = |rows: &[(i32, f64, f64)]| {
        rows.first().zip(rows.last()).map_or((0, 0), |(first, last)| (first.0, last.0))
    };
    let ((b0, b1), (a0, a1)) = (span(before), span(after));
    f64::from(a0 - b1) + f64::from(b1 - b0 + a1 - a0) / 3.0
}

/// Misfires and thousands of revolutions, week by week: within a week they come in bursts.
fn misfires(days: &[Day], window: &Range<i32>) -> Vec<Counted> {
    let mut weeks: BTreeMap<i32, Counted> = BTreeMap::new();
    for d in days.iter().filter(|d| window.contains(&d.day)) {
        let kilorevs = (d.counted_revs_warm + d.counted_revs_cold) / 1000.0;
        if kilorevs > 0.0 {
            let week = weeks.entry((d.day - window.start).div_euclid(7));
            let week = week.or_insert(Counted { count: 0, exposure: 0.0 });
            let counts = d.misfires.iter().flat_map(|m| m.warm.iter().chain(&m.cold));
            week.count += counts.copied().map(f64::from).sum::<f64>().round() as u64;
            week.exposure += kilorevs;
        }
    }
    weeks.into_values().collect()
}

/// The rate after over the rate before with its 95 % interval, overdispersed; unknown without a misfire.
fn misfire_ratio([before, after]: &[Vec<Counted>; 2]) -> Estimate {
    dispersed_ratio(after, before, 0.95).map_or(Estimate::NONE, |r| Estimate {
        value: r.ratio,
        lo: r.lo,
        hi: r.hi,
    })
}

/// Judged only where the rate was high enough to be acted on, in a window or in the weeks next to the work (`matters`): what
/// grows fast is flagged by its last two weeks. `at_job` is the ratio of the weeks next to the work.
fn misfire_effect(ratio: Estimate, at_job: Estimate, matters: bool) -> Option<Effect> {
    (matters && ratio.is_known()).then(|| {
        if ratio.hi < 1.0 && ratio.value <= WORKED_SHARE {
            Effect::Worked
        } else if ratio.lo > 1.0 && at_job.lo > 1.0 && at_job.value >= 1.0 / WORKED_SHARE {
            Effect::Worse
        } else if ratio.hi < 1.0 || ratio.value <= WORKED_SHARE {
            // Less than half surely went, or more than half but not surely: a burst may have passed.
            Effect::Unclear
        } else {
            Effect::None
        }
    })
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
    // How long work lasts can be told of work that worked.
    let worked: Vec<&&Outcome> = judged.iter().filter(|o| o.verdict == "worked").copied().collect();
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
        unclear: count("unclear"),
        trim_change_pct: median_interval(known(&|o| o.trim_change_pct.value)),
        misfire_change_per_1000_rev: median_interval(known(&|o| {
            o.misfire_before_after[1] - o.misfire_before_after[0]
        })),
        economy_change_pct: median_interval(known(&|o| o.economy_change_pct.value)),
        cost_median: median_interval(costs).value,
        flagged_again: worked.iter().filter(|o| o.days_until_next_flag.is_some()).count(),
        days_until_next_flag_median: median_time(&worked),
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
    // Largest k with P(Binomial(n, 1/2) < k) <= 2.5 %; logarithms, because 2^-n underflows from 1,075 jobs on.
    let (mut k, mut tail, mut log_term) = (0usize, 0.0, -(n as f64) * std::f64::consts::LN_2);
    while k < n / 2 && tail + log_term.exp() <= 0.025 {
        tail += log_term.exp();
        k += 1;
        log_term += ((n - k + 1) as f64 / k as f64).ln();
    }
    if k == 0 {
        return Estimate { value, lo: f64::NAN, hi: f64::NAN };
    }
    Estimate { value, lo: v[k - 1], hi: v[n - k] }
}

/// Kaplan-Meier median of the days until drift was found again; `NaN` while more than half are still clean.
fn median_time(worked: &[&&Outcome]) -> f64 {
    let span = |o: &&&Outcome| {
        let days = o.days_until_next_flag;
        Span { time: f64::from(days.unwrap_or(o.days_after)), ended: days.is_some() }
    };
    let spans: Vec<Span> = worked.iter().map(span).collect();
    survival::median_time(&survival::kaplan_meier(&spans, 0.95)).unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::findings::TrimFlag;

    #[test]
    fn the_median_interval_takes_the_ranks_of_the_sign_test() {
        // Sign-test interval, n = 10: ranks 2 and 9 (Conover, Practical Nonparametric Statistics, Table A3; from memory).
        let e = median_interval((1..=10).map(f64::from).collect());
        assert_eq!((e.value, e.lo, e.hi), (5.5, 2.0, 9.0));
        assert!(median_interval(vec![1.0, 2.0, 3.0, 4.0, 5.0]).lo.is_nan());
    }

    #[test]
    fn where_few_days_are_logged_more_days_are_compared() {
        let logged = |every: usize| -> Vec<Day> {
            let on = |day| {
                let mut d = Day::default();
                d.day = day;
                d
            };
            (0..400).step_by(every).map(on).collect()
        };
        let around = |every, counted: Range<i32>| windows_around(203, &counted, &logged(every));
        assert_eq!(around(1, 0..400), (158..203, 210..255));
        // Twelve weeks: from the 84th day before the work's week to the 77th after its relearning.
        assert_eq!(around(7, 0..400), (119..203, 210..288));
        assert_eq!(around(7, 150..240), (150..203, 210..240), "other work in between");
        assert_eq!(around(14, 0..400), (83..203, 210..330), "within reason");
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
        assert!((still.value - 2.02).abs() < 0.1 && still.lo > 1.0 && still.hi < 3.0, "{still:?}");
        fuel.wander_variance = 0.02 * 0.02;
        let wanders = economy_change(&fuel, &(55..100), &(107..152));
        assert!(wanders.lo < 0.0 && wanders.hi > 4.0, "{wanders:?}");
    }

    fn trim(before: f64, change: f64, half: f64) -> Effect {
        let after = before + change;
        let change = Estimate { value: change, lo: change - half, hi: change + half };
        let off = [before, after];
        Sides { before, after, change, growth: 0.0, off, least: 3.0, is_trim: true }.effect()
    }

    #[test]
    fn a_job_that_takes_half_of_the_rise_away_worked() {
        assert_eq!(trim(10.0, -8.0, 2.0), Effect::Worked);
        assert_eq!(trim(10.0, -2.0, 1.0), Effect::None);
        assert_eq!(trim(10.0, 5.0, 2.0), Effect::Worse);
        assert_eq!(trim(10.0, -5.0, 6.0), Effect::Unclear, "from nothing to all of it");
        assert_eq!(trim(10.0, -3.0, 6.0), Effect::None, "not all of it");
        assert_eq!(trim(10.0, -4.0, 1.0), Effect::Unclear, "surely some of it, but not half");
        assert_eq!(trim(0.3, -0.1, 1.5), Effect::None, "there was nothing that could go");
        assert_eq!(verdict(&[None, None]), "too_early");
        assert_eq!(verdict(&[Some(Effect::None), Some(Effect::Unclear)]), "unclear");
    }

    #[test]
    fn where_nothing_was_wrong_nothing_worked() {
        assert_eq!(trim(1.0, -3.0, 2.0), Effect::None);
        assert_eq!(trim(1.0, -3.0, 1.0), Effect::Unclear, "something surely went, and is no cure");
        assert_eq!(
            trim(3.5, -9.0, 1.0),
            Effect::Unclear,
            "it went past nought as far as it had stood before it"
        );
    }

    /// A trim that stood at `start` when its logs began, `before` above that when it was worked on, and `after` above it then.
    fn stood(start: f64, (before, after): (f64, f64), flags: Vec<TrimFlag>) -> Effect {
        let value = |d: i32| if d < 0 { before } else { after } + f64::from(d.rem_euclid(3)) * 0.1;
        let series = AdjustedSeries {
            vehicle: "v".to_owned(),
            kind: SeriesKind::TrimBank(1),
            least_change: 3.0,
            start,
            rows: (-60..60).map(|d| (d, 1.0, value(d))).collect(),
            long_run_variance: 0.1,
            reference_sd: 0.0,
            steps_per_day: 0.0,
            slope_per_day: (0.0, 0.0),
            flags,
        };
        Sides::of(&series, -1000, 0, &(-45..0), &(7..52)).expect("enough days").effect()
    }

    #[test]
    fn a_vehicle_that_was_off_when_its_logs_began_is_right_at_nought() {
        // It stood at +9 % from the first day on, which the baseline takes for its own; the job takes 8.5 % away.
        let off = |start: f64| stood(start, (0.0, -8.5), Vec::new());
        assert_eq!(off(9.0), Effect::Worked);
        assert_eq!(off(0.0), Effect::Unclear, "what was right at nought is surely not any more");
    }

    #[test]
    fn what_was_found_to_grow_is_right_at_the_baseline_too() {
        let found = |start: f64, rose: bool, before: f64, after: f64| {
            let flag = TrimFlag { day: -20, kind: SeriesKind::TrimAll, rose };
            stood(start, (before, after), vec![flag])
        };
        assert_eq!(found(-8.0, true, 10.0, 0.5), Effect::Worked, "sound at -8, back there");
        assert_eq!(found(-8.0, true, 10.0, 9.5), Effect::None);
        assert_eq!(found(-8.0, false, -7.0, 0.5), Effect::Worked, "further off, and back");
        assert_eq!(
            found(8.0, true, 4.0, -7.0),
            Effect::Worked,
            "sick from the start, and at nought"
        );
        assert_eq!(found(8.0, true, 4.0, 3.8), Effect::None);
    }

    #[test]
    fn a_trim_that_had_fallen_is_right_when_it_rises() {
        assert_eq!(trim(-8.0, 7.0, 2.0), Effect::Worked);
        assert_eq!(trim(-8.0, -4.0, 2.0), Effect::Worse);
        assert_eq!(trim(-8.0, 2.0, 1.0), Effect::None);
    }

    #[test]
    fn misfires_that_go_are_work_that_worked_whatever_the_trim() {
        let weeks = |count, exposure| vec![Counted { count, exposure }; 6];
        let effect = |before: u64, after: u64| {
            let both = [weeks(before, 30.0), weeks(after, 30.0)];
            let ratio = misfire_ratio(&both);
            let highest = both.map(|w| pooled(&w).rate()).into_iter().fold(0.0, f64::max);
            misfire_effect(ratio, ratio, highest >= 0.5)
        };
        assert_eq!(effect(90, 3), Some(Effect::Worked));
        assert_eq!(effect(90, 80), Some(Effect::None));
        assert_eq!(effect(90, 65), Some(Effect::Unclear), "surely fewer, but more than half");
        assert_eq!(effect(3, 90), Some(Effect::Worse));
        assert_eq!(effect(3, 1), None, "a rate that nobody acts on");
        assert_eq!(effect(20, 0), Some(Effect::Worked), "a perfect cure");
        let wide = Estimate { value: 0.1, lo: 0.01, hi: 1.1 };
        assert_eq!(misfire_effect(wide, wide, true), Some(Effect::Unclear), "gone, or by chance");
        let grows = |from: f64| Estimate { value: from, lo: 0.9 * from, hi: 1.1 * from };
        assert_eq!(misfire_effect(grows(2.5), grows(1.3), true), Some(Effect::None));
        assert_eq!(verdict(&[Some(Effect::None), effect(90, 3)]), "worked");
        assert_eq!(verdict(&[Some(Effect::Worse), effect(90, 3)]), "worse");
    }

    #[test]
    fn growth_on_both_sides_is_not_taken_for_the_work() {
        // 0.05 % a day up to 9 % at the job, which takes it all away, and on from there: the means tell 6.5 %.
        let grows = |d: i32| f64::from(d) * 0.05 + if d < 0 { 9.0 } else { 0.0 };
        let series = |sd| AdjustedSeries {
            vehicle: "v".to_owned(),
            kind: SeriesKind::TrimBank(1),
            least_change: 3.0,
            start: 0.0,
            rows: (-60..60).map(|d| (d, 1.0, grows(d))).collect(),
            long_run_variance: 0.01,
            reference_sd: 0.0,
            steps_per_day: 0.0,
            slope_per_day: (0.0, sd),
            flags: Vec::new(),
        };
        let change = |slope_sd| {
            Sides::of(&series(slope_sd), -1000, 0, &(-45..0), &(7..52)).expect("enough days").change
        };
        assert!((change(0.05).value + 9.0).abs() < 0.05, "{:?}", change(0.05));
        assert!((change(0.0).value + 6.4).abs() < 0.05, "{:?}", change(0.0));
        assert!(change(0.05).lo < -9.0 && change(0.05).hi > -9.0);
    }

    #[test]
    fn a_step_counts_by_how_far_it_moves_the_means() {
        // Steps at every day in turn: the mean square of what each adds to the difference of the means, times the days.
        let rows =
            |days: Range<i32>| -> Vec<(i32, f64, f64)> { days.map(|d| (d, 1.0, 0.0)).collect() };
        let (before, after) = (rows(0..45), rows(52..97));
        let share = |rows: &[(i32, f64, f64)], step: i32| {
            rows.iter().filter(|r| r.0 >= step).count() as f64 / rows.len() as f64
        };
        let squares: f64 =
            (0..97).map(|step| (share(&after, step) - share(&before, step)).powi(2)).sum();
        assert!((days_for_steps(&before, &after) - squares).abs() < 1.0, "{squares}");
    }
}
