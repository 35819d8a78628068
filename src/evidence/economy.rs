//! Fuel economy: the change of fuel per km that driving and weather do not explain.
//!
//! The change is the mean now minus that in the baseline of what is beyond driving, weather and the
//! family's course ([`super::fuel_use`]). Its interval knows two kinds of chance: the noise of the
//! vehicle's own weeks, and the slow wander of fuel use (tyres, loads, drivers) that lasts for months and
//! that the weeks within a window can't show; the latter is measured over the whole histories of the
//! family ([`crate::stats::wander`]). Refuels give an independent figure in the same way, tank by tank.

use super::fuel_use::{self, Beyond, FuelUse, blocks};
use super::history::History;
use crate::settings::TestSettings;
use crate::stats::wander::{Block, Differences, Wander, half_width, mean};
use crate::tables::findings::{AdjustedFuel, Cause, CauseWeight, EconomyFinding, Estimate};
use crate::tables::fleet::Refuel;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// Days that are taken together: what a day has of yesterday is gone within a week.
const WEEK: i32 = 7;

/// Days over which the family's tanks tell its course.
const TANK_PERIOD_DAYS: i32 = 28;

/// Blocks that a window of days must have, and tanks that make one of refuels.
const BLOCKS_MIN: usize = 3;
const TANKS_MIN: usize = 6;

/// Degrees of freedom from which a family's own wander is believed; below, the fleet's is.
const WANDER_DF_MIN: f64 = 20.0;

/// Two windows of one vehicle and the differences of its whole history.
#[derive(Debug)]
struct Compared {
    base: Vec<Block>,
    now: Vec<Block>,
    /// First and last day of either window.
    days: [(i32, i32); 2],
    own: Differences,
}

impl Compared {
    fn change(&self, wander: Option<Wander>) -> Estimate {
        let Some((variance, df)) = wander.and_then(|w| w.between(&self.base, &self.now, &self.own))
        else {
            return Estimate::NONE;
        };
        let change = mean(&self.now) - mean(&self.base);
        let half = half_width(variance, df, 0.95);
        let pct = |x: f64| 100.0 * (x.exp() - 1.0);
        Estimate { value: pct(change), lo: pct(change - half), hi: pct(change + half) }
    }
}

/// What one family's logs or tanks say, before it is known how much fuel use wanders.
#[derive(Debug)]
struct Witness {
    vehicles: Vec<Option<Compared>>,
    pooled: Differences,
}

impl Witness {
    fn of(
        rows: &[Vec<Beyond>],
        block_days: Option<i32>,
        windows: impl Fn(usize, &[Beyond]) -> Option<[Vec<Beyond>; 2]>,
    ) -> Witness {
        let mut pooled = Differences::default();
        let vehicles = rows
            .iter()
            .enumerate()
            .map(|(v, rows)| {
                let own = Differences::of(&blocks(rows, block_days));
                pooled.add_scaled(&own);
                let [base, now] = windows(v, rows)?;
                let span = |w: &[Beyond]| Some((w.first()?.days.0, w.last()?.days.1));
                let days = [span(&base)?, span(&now)?];
                let (base, now) = (blocks(&base, block_days), blocks(&now, block_days));
                let enough = base.len() >= BLOCKS_MIN && now.len() >= BLOCKS_MIN;
                enough.then_some(Compared { base, now, days, own })
            })
            .collect();
        Witness { vehicles, pooled }
    }

    fn wander(&self, fleet: Option<Wander>) -> Option<Wander> {
        Wander::fit(&self.pooled).filter(|w| w.df >= WANDER_DF_MIN).or(fleet)
    }
}

/// What the fuel says of a fleet.
#[derive(Debug)]
pub(super) struct Economies {
    /// Findings family by family, each in its order.
    pub(super) findings: Vec<Vec<Option<EconomyFinding>>>,
    /// Days of the vehicles with workshop records.
    pub(super) adjusted: Vec<AdjustedFuel>,
}

/// Assesses all families.
pub(super) fn assess(
    families: &[Vec<&History<'_>>],
    refuels: &BTreeMap<&str, Vec<&Refuel>>,
    test: &TestSettings,
) -> Economies {
    let families_used: Vec<FamilyUse> =
        families.par_iter().map(|family| family_use(family, refuels, test)).collect();
    let fleet = [0, 1].map(|i: usize| {
        let mut pooled = Differences::default();
        families_used.iter().for_each(|f| pooled.add(&f.witnesses[i].pooled));
        Wander::fit(&pooled)
    });
    let mut out = Economies { findings: Vec::new(), adjusted: Vec::new() };
    for (family, used) in families.iter().zip(families_used) {
        let [logs, tanks] = &used.witnesses;
        let wander = [logs.wander(fleet[0]), tanks.wander(fleet[1])];
        let both: Vec<_> = family.iter().zip(logs.vehicles.iter().zip(&tanks.vehicles)).collect();
        let findings = both.par_iter();
        let findings = findings.map(|(h, (logs, tanks))| finding(h, logs, tanks, wander, test));
        out.findings.push(findings.collect());
        let served = used.served.into_iter();
        out.adjusted.extend(served.filter_map(|(v, rows)| adjusted(family[v], &rows, wander[0]?)));
    }
    out
}

fn adjusted(history: &History<'_>, rows: &[Beyond], wander: Wander) -> Option<AdjustedFuel> {
    (!rows.is_empty()).then(|| AdjustedFuel {
        vehicle: history.vehicle.vehicle.clone(),
        rows: rows.iter().map(|r| (r.days.0, r.weight, r.value)).collect(),
        next: wander.next,
        wander_variance: wander.variance,
        wander_days: wander.memory_days,
        wander_df: wander.df,
    })
}

fn finding(
    history: &History<'_>,
    logs: &Option<Compared>,
    tanks: &Option<Compared>,
    wander: [Option<Wander>; 2],
    test: &TestSettings,
) -> Option<EconomyFinding> {
    let change = |c: &Option<Compared>, w| c.as_ref().map_or(Estimate::NONE, |c| c.change(w));
    let (change_pct, refuel_change_pct) = (change(logs, wander[0]), change(tanks, wander[1]));
    if !change_pct.is_known() && !refuel_change_pct.is_known() {
        return None;
    }
    Some(EconomyFinding {
        change_pct,
        change_days: logs.as_ref().filter(|_| change_pct.is_known()).map(|c| c.days),
        refuel_change_pct,
        refuel_days: tanks.as_ref().filter(|_| refuel_change_pct.is_known()).map(|c| c.days),
        litres_per_km: recent_use(history, test),
        notes: notes(history, change_pct, refuel_change_pct),
    })
}

/// What is kept of a family until the fleet's wander is known.
#[derive(Debug)]
struct FamilyUse {
    /// Logs, tanks.
    witnesses: [Witness; 2],
    /// Days of vehicles with workshop records, by position in the family.
    served: Vec<(usize, Vec<Beyond>)>,
}

fn family_use(
    family: &[&History<'_>],
    refuels: &BTreeMap<&str, Vec<&Refuel>>,
    test: &TestSettings,
) -> FamilyUse {
    let days: Vec<Vec<FuelUse>> = family.iter().map(|h| fuel_use::by_day(h)).collect();
    let tanks: Vec<Vec<FuelUse>> = family
        .iter()
        .map(|h| {
            let bought = refuels.get(h.vehicle.vehicle.as_str());
            bought.map_or_else(Vec::new, |list| fuel_use::by_tank(list, h))
        })
        .collect();
    // Slopes are told far better by days than by tanks; where the logs know no fuel, tanks must do.
    let logged = days.iter().any(|v| !v.is_empty());
    let slopes = fuel_use::slopes(if logged { &days } else { &tanks });
    let by_day = fuel_use::beyond(&days, &slopes, WEEK);
    let by_tank = fuel_use::beyond(&tanks, &slopes, TANK_PERIOD_DAYS);
    let ends = |v: usize| Some((family[v].days.first()?.day, family[v].days.last()?.day));
    let witnesses = [
        Witness::of(&by_day, Some(WEEK), |v, rows| {
            let (first, last) = ends(v)?;
            let keep = |f: &dyn Fn(f64) -> bool| {
                rows.iter().filter(|r| f(r.middle())).copied().collect::<Vec<_>>()
            };
            let (first, last) = (f64::from(first), f64::from(last));
            let base = keep(&|day| day < first + test.baseline_days);
            let now =
                keep(&|day| day > last - test.recent_days && day >= first + test.baseline_days);
            Some([base, now])
        }),
        Witness::of(&by_tank, None, |_, rows| {
            let (first, last) = (f64::from(rows.first()?.days.0), f64::from(rows.last()?.days.1));
            let base = rows.partition_point(|r| r.middle() < first + test.baseline_days);
            let now = rows.partition_point(|r| r.middle() <= last - test.recent_days);
            let (base, now) = (base.max(TANKS_MIN), (rows.len() - now).max(TANKS_MIN));
            (base + now <= rows.len())
                .then(|| [rows[..base].to_vec(), rows[rows.len() - now..].to_vec()])
        }),
    ];
    let of_served =
        |(v, rows): (usize, Vec<Beyond>)| (!family[v].services.is_empty()).then_some((v, rows));
    let served = by_day.into_iter().enumerate().filter_map(of_served).collect();
    FamilyUse { witnesses, served }
}

fn recent_use(history: &History<'_>, test: &TestSettings) -> f64 {
    let Some(last) = history.days.last() else { return f64::NAN };
    let (mut litres, mut km) = (0.0, 0.0);
    for d in
        history.days.iter().filter(|d| f64::from(d.day) > f64::from(last.day) - test.recent_days)
    {
        litres += d.fuel_l;
        km += d.fuel_km;
    }
    if km > 0.0 { litres / km } else { f64::NAN }
}

/// What physics lets one expect of fuel per km under the likeliest cause, where that is nothing.
pub(super) fn expectation(causes: &[CauseWeight]) -> Option<String> {
    let corrected = [Cause::RestrictedInjectors, Cause::SupplyDroop, Cause::UnmeteredAir]
        .contains(&causes.first()?.cause);
    corrected.then(|| {
        "In closed loop the engine computer corrects such a mixture, so fuel per km need not change, \
         nor fall after the work."
            .to_owned()
    })
}

fn notes(history: &History<'_>, logs: Estimate, tanks: Estimate) -> Vec<String> {
    let mut notes = Vec::new();
    if logs.is_known() && history.days.iter().any(|d| d.fuel_from_airflow) {
        notes.push(
            "Fuel was computed from the airflow reading: a sensor that reads wrong makes this figure wrong too."
                .to_owned(),
        );
    }
    // Two independent estimates differ where their difference is beyond its own interval.
    let reach = (0.5 * (logs.hi - logs.lo)).hypot(0.5 * (tanks.hi - tanks.lo));
    if logs.is_known() && tanks.is_known() && (logs.value - tanks.value).abs() > reach {
        notes.push(format!(
            "The refuels say {:+.1} % and the logs {:+.1} %: they disagree; trust the refuels until it is known why.",
            tanks.value, logs.value
        ));
    }
    notes
}
