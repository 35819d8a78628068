//! `ranking.csv`: one row per registered vehicle, most urgent first.
//!
//! Rounding: money 2 places, trim, drift and economy 2, probability 3, misfire rate 4, distances whole km.
//! An unknown value is an empty cell; dates are ISO 8601. Columns of the contract first, then extra ones.

use super::cells::{self, Row};
use super::{ReportError, ReportInput};
use crate::tables::findings::{Estimate, RankedVehicle};

/// Columns: those of the output contract in its order, then the extra ones.
pub const COLUMNS: [&str; 40] = [
    "rank",
    "vehicle",
    "depot",
    "state",
    "action",
    "urgency_per_week",
    "flagged_on",
    "cause",
    "cause_probability",
    "trim_idle_pct",
    "trim_cruise_pct",
    "trim_load_pct",
    "trim_drift_pct_per_10000km",
    "trim_drift_lo",
    "trim_drift_hi",
    "km_to_limit",
    "misfire_per_1000_rev",
    "misfire_cylinder",
    "economy_change_pct",
    "economy_lo",
    "economy_hi",
    "days_of_data",
    "reason",
    "engine_family",
    "bank",
    "km_to_limit_lo",
    "km_to_limit_hi",
    "urgency_fuel_per_week",
    "urgency_breakdown_per_week",
    "urgency_catalyst_per_week",
    "misfire_baseline_per_1000_rev",
    "economy_refuel_change_pct",
    "economy_refuel_lo",
    "economy_refuel_hi",
    "km_per_week",
    "odometer_km",
    "first_day",
    "last_day",
    "trips",
    "peers",
];

/// The file.
///
/// # Errors
/// Only a fault of this program.
pub fn bytes(input: &ReportInput<'_>) -> Result<Vec<u8>, ReportError> {
    cells::file("ranking.csv", &COLUMNS, input.ranked.iter().map(row))
}

fn row(v: &RankedVehicle) -> Row {
    let (verdict, findings) = (&v.verdict, &v.findings);
    let misfires = findings.misfires.as_ref();
    let economy = findings.economy.as_ref();
    let change = economy.map_or(Estimate::NONE, |e| e.change_pct);
    let refuel = economy.map_or(Estimate::NONE, |e| e.refuel_change_pct);
    let [idle, cruise, load] = verdict.trim_pct;
    let mut row = Row::default();
    row.count(Some(v.rank)).text(&v.vehicle).text(&v.depot);
    row.text(verdict.state.as_str()).text(verdict.action.as_str());
    row.number(v.urgency.per_week(), 2).day(verdict.flagged_on);
    row.text(verdict.cause.map_or("", |(cause, _)| cause.as_str()));
    row.number(verdict.cause.map_or(f64::NAN, |(_, p)| p), 3);
    row.number(idle, 2).number(cruise, 2).number(load, 2);
    row.number(verdict.drift_per_10000km.value, 2);
    row.number(verdict.drift_per_10000km.lo, 2).number(verdict.drift_per_10000km.hi, 2);
    row.number(verdict.km_to_limit.value, 0);
    row.number(misfires.map_or(f64::NAN, |m| m.per_1000_rev), 4);
    row.count(misfires.and_then(|m| m.cylinder));
    row.number(change.value, 2).number(change.lo, 2).number(change.hi, 2);
    row.count(Some(findings.days_of_data)).text(&verdict.reason);
    row.text(&v.engine_family).count(verdict.bank);
    row.number(verdict.km_to_limit.lo, 0).number(verdict.km_to_limit.hi, 0);
    row.number(v.urgency.fuel, 2).number(v.urgency.breakdown, 2).number(v.urgency.catalyst, 2);
    row.number(misfires.map_or(f64::NAN, |m| m.baseline_per_1000_rev), 4);
    row.number(refuel.value, 2).number(refuel.lo, 2).number(refuel.hi, 2);
    row.number(findings.km_per_week, 0).number(findings.odometer_km, 0);
    row.day(findings.period.map(|p| p.0)).day(findings.period.map(|p| p.1));
    row.count(Some(findings.trips)).count(Some(findings.peers));
    row
}
