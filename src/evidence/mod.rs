//! Vehicle-days in, findings out: what trims, misfires and economy say of each vehicle.
//!
//! ```text
//! days ─► history ─► daily series ─► drift test against peers ─► windows ─► shape ─► causes
//!                 └► misfires      └► lasting change of level
//!                 └► economy (with refuels)
//! ```
//!
//! In: the register, days, workshop records and refuels up to the chosen day. Out: one
//! [`VehicleFindings`] per registered vehicle, in register order. Nothing here decides or ranks.

mod cause;
mod declared;
mod economy;
mod follow;
mod fuel_use;
mod history;
mod level;
mod misfire;
mod series;
mod shape;
mod windows;
mod within;
mod witnesses;

use crate::settings::{DecideSettings, TestSettings};
use crate::stats::robust;
use crate::stats::sequential::log_limit;
use crate::tables::days::Day;
use crate::tables::findings::{
    AdjustedFuel, AdjustedSeries, EconomyFinding, GroupAlarm, GuaranteeFigures, MisfireFinding,
    SeriesFinding, SeriesKind, TracePoint, VehicleFindings,
};
use crate::tables::fleet::{AirMetering, Refuel, ServiceRecord, Vehicle, by_vehicle};
use follow::{Followed, Series, follow_series};
use history::History;
use rayon::prelude::*;
use series::{MISFIRE_SHARE, Monitored};
use std::collections::BTreeMap;

/// Everything the evidence reads.
#[derive(Debug, Clone, Copy)]
pub struct Input<'a> {
    /// Registered vehicles.
    pub register: &'a [Vehicle],
    /// Days of each vehicle, ascending.
    pub days: &'a BTreeMap<String, Vec<Day>>,
    /// Workshop records.
    pub services: &'a [ServiceRecord],
    /// Fuel purchases.
    pub refuels: &'a [Refuel],
    /// Tests.
    pub test: &'a TestSettings,
    /// Decision thresholds that a test needs.
    pub decide: &'a DecideSettings,
    /// Last day that counts, days since 1970-01-01.
    pub as_of: i32,
}

/// Everything the evidence says.
#[derive(Debug)]
pub struct Evidence {
    /// Findings in register order.
    pub vehicles: Vec<VehicleFindings>,
    /// What is followed of vehicles with workshop records, for judging what the work achieved.
    pub adjusted: Vec<AdjustedSeries>,
    /// Fuel per km of the same vehicles, driving and weather taken out.
    pub adjusted_fuel: Vec<AdjustedFuel>,
    /// Families that drift as a whole.
    pub group_alarms: Vec<GroupAlarm>,
    /// Measured beside designed rate of false flags.
    pub guarantee: GuaranteeFigures,
}

/// Assesses the fleet.
pub fn assess(input: &Input<'_>) -> Evidence {
    let none: Vec<Day> = Vec::new();
    let services = by_vehicle(input.services, |s| &s.vehicle);
    let histories: Vec<History<'_>> = input
        .register
        .par_iter()
        .map(|v| {
            let days = input.days.get(&v.vehicle).unwrap_or(&none);
            let services = services.get(v.vehicle.as_str()).into_iter().flatten().copied();
            History::new(v, days, services, input.as_of)
        })
        .collect();
    let families = families(input.register);
    let Series { followed, adjusted, group_alarms } = follow_series(&histories, &families, input);
    let (misfires, economy, adjusted_fuel) = by_family(&histories, &families, input);
    let guarantee = guarantee(&followed, input);
    let off_from_start = off_from_start(&followed, &families, input.decide.level_change_pct);
    let found = followed.into_par_iter().zip(misfires).zip(economy);
    let vehicles = histories
        .par_iter()
        .enumerate()
        .zip(found)
        .map(|((v, history), ((own, misfires), economy))| {
            let mut findings = assemble(history, &own, misfires, input);
            findings.economy = economy;
            findings.off_from_start = off_from_start[v];
            if let Some(economy) = &mut findings.economy {
                economy.notes.extend(economy::expectation(&findings.causes));
            }
            findings.peers = families[&history.vehicle.engine_family]
                .1
                .iter()
                .filter(|p| **p != v && histories[**p].days.len() >= input.test.rows_min as usize)
                .count();
            if findings.peers < FEW_PEERS {
                findings.notes.push(few_peers(findings.peers, &history.vehicle.engine_family));
            }
            findings
        })
        .collect();
    Evidence { vehicles, adjusted, adjusted_fuel, group_alarms, guarantee }
}

/// What it means to have few peers.
fn few_peers(peers: usize, family: &str) -> String {
    let who = match peers {
        0 => "No other vehicle with enough logs shares".to_owned(),
        1 => "Only one other vehicle with enough logs shares".to_owned(),
        n => format!("Only {n} other vehicles with enough logs share"),
    };
    format!(
        "{who} engine family {family}: season and fuel are told from drift less well, and changes are flagged later."
    )
}

/// Peers below which the report warns (the drift test then leans on the whole fleet).
const FEW_PEERS: usize = 5;

/// How far each vehicle stands from its peers now, log-percent, if it stood out among them by `least` on its first days
/// already and has not come back since; `NaN` otherwise, or if too few of its family are known.
///
/// Every other series asks for a change since the first days: what was wrong before them is seen here alone.
fn off_from_start(followed: &[Vec<Followed>], families: &Families, least: f64) -> Vec<f64> {
    let over_bands = |own: &[Followed], value: fn(&SeriesFinding) -> f64| -> Option<f64> {
        let bands = own.iter().map(|f| &f.finding);
        let bands = bands.filter(|s| matches!(s.kind, SeriesKind::Trim(..)));
        let known: Vec<f64> = bands.map(value).filter(|b| b.is_finite()).collect();
        (!known.is_empty()).then(|| known.iter().sum::<f64>() / known.len() as f64)
    };
    let start = |own: &[Followed]| over_bands(own, |s| s.baseline);
    let starts: Vec<Option<f64>> = followed.iter().map(|own| start(own)).collect();
    let mut off = vec![f64::NAN; followed.len()];
    for (_, members) in families.values() {
        let known: Vec<f64> = members.iter().filter_map(|v| starts[*v]).collect();
        let (Some(middle), Some(spread)) = (robust::median(&known), robust::mad(&known)) else {
            continue;
        };
        if known.len() <= FEW_PEERS {
            continue;
        }
        let far = if OUTSTANDING_SD * spread > least { OUTSTANDING_SD * spread } else { least };
        for &v in members {
            let Some(apart) = starts[v].map(|s| s - middle).filter(|a| a.abs() > far) else {
                continue;
            };
            // Of the same bands: all together have another nought, where they form while something is mended.
            let since = over_bands(&followed[v], |s| s.change_from_first.value);
            let now = apart + since.unwrap_or(0.0);
            if now / apart > 0.0 && now.abs() > least {
                off[v] = now;
            }
        }
    }
    off
}

/// Robust standard deviations from the family's median beyond which a start stands out (own judgement, no source).
const OUTSTANDING_SD: f64 = 3.5;

/// Family name to (index, members in register order).
type Families = BTreeMap<String, (usize, Vec<usize>)>;

fn families(register: &[Vehicle]) -> Families {
    let mut families = Families::new();
    for (v, vehicle) in register.iter().enumerate() {
        let next = families.len();
        let entry =
            families.entry(vehicle.engine_family.clone()).or_insert_with(|| (next, Vec::new()));
        entry.1.push(v);
    }
    families
}

type ByVehicle<T> = Vec<Option<T>>;

fn by_family(
    histories: &[History<'_>],
    families: &Families,
    input: &Input<'_>,
) -> (ByVehicle<MisfireFinding>, ByVehicle<EconomyFinding>, Vec<AdjustedFuel>) {
    let known = input.refuels.iter().filter(|r| r.day <= input.as_of);
    let mut refuels = by_vehicle(known, |r| &r.vehicle);
    for list in refuels.values_mut() {
        list.sort_by_key(|r| r.day);
    }
    let limit = log_limit(1.0 / (input.test.false_flags_per_vehicle_year * MISFIRE_SHARE));
    let groups: Vec<Vec<&History<'_>>> = families
        .values()
        .map(|(_, members)| members.iter().map(|v| &histories[*v]).collect())
        .collect();
    let by_misfire: Vec<_> = groups
        .par_iter()
        .map(|family| misfire::assess(family, input.test, input.decide, limit))
        .collect();
    let fuel = economy::assess(&groups, &refuels, input.test);
    let mut misfires: ByVehicle<_> = histories.iter().map(|_| None).collect();
    let mut economies: ByVehicle<_> = histories.iter().map(|_| None).collect();
    for ((_, members), (m, e)) in families.values().zip(by_misfire.into_iter().zip(fuel.findings)) {
        for ((v, m), e) in members.iter().zip(m).zip(e) {
            misfires[*v] = m;
            economies[*v] = e;
        }
    }
    (misfires, economies, fuel.adjusted)
}

fn assemble(
    history: &History<'_>,
    followed: &[Followed],
    misfires: Option<MisfireFinding>,
    input: &Input<'_>,
) -> VehicleFindings {
    let (first, last) = (history.days.first(), history.days.last());
    let period = first.zip(last).map(|(a, b)| (a.day, b.day));
    let mut findings = VehicleFindings {
        vehicle: history.vehicle.vehicle.clone(),
        days_of_data: history.days.len(),
        span_days: period.map_or(0, |(a, b)| (b - a + 1) as usize),
        trips: history.days.iter().map(|d| d.trips as usize).sum(),
        gated: history.days.iter().map(|d| u64::from(d.gated)).sum(),
        period,
        km_per_week: history.km_per_week(),
        odometer_km: history
            .days
            .iter()
            .rev()
            .map(|d| d.odometer_km)
            .find(|o| o.is_finite())
            .unwrap_or(f64::NAN),
        resets: history.resets.clone(),
        loop_inferred: history.days.iter().any(|d| d.loop_inferred),
        peers: 0,
        off_from_start: f64::NAN,
        series: followed.iter().map(|f| f.finding.clone()).collect(),
        causes: Vec::new(),
        misfires,
        economy: None,
        trace: trace(history, followed),
        proved_before: history.tenth_last_day(),
        services: history.services.iter().map(|s| (s.day, s.service.as_str().to_owned())).collect(),
        notes: Vec::new(),
    };
    let flagged = findings.misfires.as_ref().is_some_and(|m| m.flagged_on.is_some())
        || findings.series.iter().any(|s| {
            s.flagged_up.is_some()
                || s.flagged_down.is_some()
                || s.level_on.is_some()
                || s.near_limit_on.is_some()
        });
    if flagged {
        findings.causes = witnesses::causes(history, followed, &findings, input);
    }
    findings.notes = notes(history, &findings);
    findings
}

/// Weekly history of the three bands, on the bank whose all-band level moved more.
fn trace(history: &History<'_>, followed: &[Followed]) -> Vec<TracePoint> {
    let moved = |bank: usize| {
        Followed::of(followed, SeriesKind::TrimBank(bank))
            .map_or(0.0, |f| f.finding.change.value.abs())
    };
    let bank = if moved(2) > moved(1) { 2 } else { 1 };
    let mut points: BTreeMap<i32, [f64; 3]> = BTreeMap::new();
    for f in followed {
        if let SeriesKind::Trim(b, band) = f.finding.kind
            && b == bank
        {
            for (week, (sum, n)) in &f.weekly {
                points.entry(*week).or_insert([f64::NAN; 3])[band as usize] = sum / n;
            }
        }
    }
    points
        .into_iter()
        .map(|(day, bands)| {
            let i = history.days.partition_point(|d| d.day < day);
            let km = history.km.get(i).or(history.km.last()).copied().unwrap_or(f64::NAN);
            TracePoint { day, km, bands }
        })
        .collect()
}

/// What limits this vehicle's evidence.
fn notes(history: &History<'_>, findings: &VehicleFindings) -> Vec<String> {
    let mut notes = Vec::new();
    if findings.loop_inferred {
        notes.push(
            "Some logs carry no fuel-system status: closed loop was inferred from the other signals."
                .to_owned(),
        );
    }
    if history.vehicle.air_metering == AirMetering::Map {
        notes.push(
            "This engine measures air by manifold pressure: unmetered air does not show in its trims."
                .to_owned(),
        );
    }
    if history.vehicle.displacement_l.is_none() {
        notes.push(
            "The register leaves out the displacement: airflow bands use a default and are rough."
                .to_owned(),
        );
    }
    if let Some(last) = history.resets.last()
        && history.days.last().is_some_and(|d| d.day - last <= 14)
    {
        notes.push(
            "Learning was reset within the last two weeks: trims near zero prove nothing yet."
                .to_owned(),
        );
    }
    if let Some((jump, last)) = history.odometer_jumps.last().zip(history.days.last()) {
        notes.push(format!(
            "The odometer was seen to have jumped {} days before the last trip: see whether the logger was moved from or to another vehicle.",
            last.day - jump
        ));
    }
    if history.vehicle.hybrid {
        notes.push("This hybrid hardly idles: nothing is extrapolated to idle airflow.".to_owned());
    }
    if findings.misfires.is_none() && findings.days_of_data > 0 {
        notes.push("The logs carry no misfire counters.".to_owned());
    }
    notes
}

/// The test of the all-band trim's rises upside down, for vehicles in the order of the register.
fn guarantee(followed: &[Vec<Followed>], input: &Input<'_>) -> GuaranteeFigures {
    let designed = input.test.false_flags_per_vehicle_year;
    let (mut flags, mut years, mut expected) = (0, 0.0, 0.0);
    for (vehicle, own) in input.register.iter().zip(followed) {
        let Some(f) = Followed::of(own, SeriesKind::TrimAll) else { continue };
        let all = Monitored::of(vehicle.banks, SeriesKind::TrimAll);
        let share = all.map_or(0.0, |m| m.share_up);
        let watched = f64::from(f.mirror.days) / 365.25;
        flags += usize::from(f.mirror.flagged_on.is_some());
        years += watched;
        expected += watched * designed * share;
    }
    GuaranteeFigures {
        designed_per_vehicle_year: designed,
        mirror_designed_per_vehicle_year: expected / years,
        mirror_flags: flags,
        mirror_vehicle_years: years,
    }
}
