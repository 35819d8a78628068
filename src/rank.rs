//! Verdicts in, a total order out: what waiting one more week costs, and who goes first.

use crate::settings::CostSettings;
use crate::stats::special::normal_upper_tail;
use crate::tables::findings::{RankedVehicle, State, Urgency, VehicleFindings, Verdict};
use crate::tables::fleet::Vehicle;

/// Orders the fleet, most urgent first.
///
/// First by state (act, watch, too little data, sound), then by the cost of waiting, then by the day of
/// the flag, then by name: a total order that depends on nothing else.
pub fn rank(
    verdicts: Vec<(&Vehicle, VehicleFindings, Verdict)>,
    cost: &CostSettings,
) -> Vec<RankedVehicle> {
    let mut ranked: Vec<RankedVehicle> = verdicts
        .into_iter()
        .map(|(vehicle, findings, verdict)| RankedVehicle {
            rank: 0,
            vehicle: vehicle.vehicle.clone(),
            depot: vehicle.depot.clone(),
            engine_family: vehicle.engine_family.clone(),
            urgency: urgency(&findings, &verdict, cost),
            verdict,
            findings,
        })
        .collect();
    ranked.sort_by(|a, b| {
        state_order(a.verdict.state)
            .cmp(&state_order(b.verdict.state))
            .then(b.urgency.per_week().total_cmp(&a.urgency.per_week()))
            .then(a.verdict.flagged_on.cmp(&b.verdict.flagged_on))
            .then(a.vehicle.cmp(&b.vehicle))
    });
    for (i, r) in ranked.iter_mut().enumerate() {
        r.rank = i + 1;
    }
    ranked
}

fn state_order(state: State) -> u8 {
    match state {
        State::Act => 0,
        State::Watch => 1,
        State::TooLittleData => 2,
        State::Sound => 3,
    }
}

/// Expected cost of waiting one more week: only for vehicles that have work due or are watched.
fn urgency(findings: &VehicleFindings, verdict: &Verdict, cost: &CostSettings) -> Urgency {
    if matches!(verdict.state, State::Sound | State::TooLittleData) {
        return Urgency::default();
    }
    Urgency {
        fuel: wasted_fuel(findings, cost),
        breakdown: limit_probability(findings, verdict, cost) * cost.breakdown / cost.horizon_weeks,
        catalyst: catalyst_probability(findings, cost) * cost.catalyst / cost.horizon_weeks,
    }
}

/// Fuel used beyond the baseline, in currency per week; only where the interval excludes no change.
fn wasted_fuel(findings: &VehicleFindings, cost: &CostSettings) -> f64 {
    let Some(economy) = &findings.economy else { return 0.0 };
    if !economy.change_pct.above(0.0) || !economy.litres_per_km.is_finite() {
        return 0.0;
    }
    let share = economy.change_pct.value / (100.0 + economy.change_pct.value);
    share * economy.litres_per_km * findings.km_per_week * cost.fuel_price_per_l
}

/// Probability that the total correction reaches its limit within the horizon.
fn limit_probability(findings: &VehicleFindings, verdict: &Verdict, cost: &CostSettings) -> f64 {
    let Some(towards) = verdict.towards_limit else { return 0.0 };
    let x = findings.km_per_week * cost.horizon_weeks / 10_000.0;
    let d = towards.drift_per_10000km;
    let (drift, half) = if d.is_known() { (d.value, (d.hi - d.lo) / 2.0) } else { (0.0, 0.0) };
    let left = towards.room - drift.max(0.0) * x;
    // Day-to-day spread counts: the limit is reached on a bad day, not on an average one.
    let sd = (towards.sigma * towards.sigma + (half / 1.96 * x).powi(2)).sqrt().max(0.5);
    normal_upper_tail(left / sd)
}

fn catalyst_probability(findings: &VehicleFindings, cost: &CostSettings) -> f64 {
    findings
        .misfires
        .as_ref()
        .filter(|m| m.stands)
        .map_or(0.0, |m| (m.per_1000_rev / cost.catalyst_misfire_per_1000_rev).clamp(0.0, 1.0))
}
