//! One line per simulated vehicle.

use super::TrialResult;
use super::nights::{Said, VehicleRun};

const HEAD: &str = "fleet,vehicle,engine_family,cylinders,banks,air_metering,injection,hybrid,fault,bank,onset_day,rate_pct_per_10000km,severity_at_end_pct,flag_day,ground,other_grounds,false_flag,severity_at_flag_pct,in_trim_at_flag_pct,in_trim_at_end_pct,km_at_flag,steps_at_flag_pct,sound_years,action_right,cause_right,flag_action,flag_cause,flag_cause_p,six_action,six_cause,six_cause_p,six_severity_pct,drift_series,drift,drift_lo,drift_hi,drift_true,drift60,drift60_lo,drift60_hi,drift60_true,drift120,drift120_lo,drift120_hi,drift120_true,rolling_false_day,kendall_false_day,slope_false_day,rolling_found_day,kendall_found_day,slope_found_day,economy,economy_lo,economy_hi,economy_true,refuel,refuel_lo,refuel_hi,refuel_true,flag_economy,flag_economy_lo,flag_economy_hi,flag_economy_true,flag_refuel,flag_refuel_lo,flag_refuel_hi,flag_refuel_true,any_economy,any_economy_lo,any_economy_hi,any_economy_true,any_refuel,any_refuel_lo,any_refuel_hi,any_refuel_true,six_changes,six_witnesses\n";

/// The table; days are days since 1970-01-01, an empty cell is 'does not apply'.
pub(super) fn table(result: &TrialResult) -> Vec<u8> {
    let mut out = HEAD.to_owned();
    for v in result.vehicles() {
        out.push_str(&row(v).join(","));
        out.push('\n');
    }
    out.into_bytes()
}

fn number(x: f64) -> String {
    if x.is_finite() { format!("{x:.4}") } else { String::new() }
}

fn day(d: Option<i32>) -> String {
    d.map_or(String::new(), |d| d.to_string())
}

fn row(v: &VehicleRun) -> Vec<String> {
    let fault = v.fault.as_ref();
    let mut cells = vec![
        v.fleet.to_string(),
        v.vehicle.vehicle.clone(),
        v.vehicle.engine_family.clone(),
        v.vehicle.cylinders.to_string(),
        v.vehicle.banks.to_string(),
        format!("{:?}", v.vehicle.air_metering).to_lowercase(),
        format!("{:?}", v.vehicle.injection).to_lowercase(),
        v.vehicle.hybrid.to_string(),
        fault.map_or(String::new(), |f| f.kind.name().replace(',', "")),
        fault.and_then(|f| f.bank).map_or(String::new(), |b| (b + 1).to_string()),
        day(fault.map(|f| f.onset)),
        fault.map_or(String::new(), |f| number(f.rate)),
        number(v.severity.at_end),
        day(v.flag.map(|f| f.0)),
        v.flag.map_or(String::new(), |f| f.1.name()),
        v.grounds.iter().map(|(d, g)| format!("{} {d}", g.name())).collect::<Vec<_>>().join("; "),
        v.is_false_flag().to_string(),
        number(v.severity.at_flag),
        number(v.in_trim.at_flag),
        number(v.in_trim.at_end),
        number(v.km_at_flag),
        number(v.steps_at_flag),
        number(v.sound_years(v.flag.map(|f| f.0))),
        fault.map_or(String::new(), |f| f.kind.action().as_str().to_owned()),
        fault.map_or(String::new(), |f| f.kind.cause().as_str().to_owned()),
    ];
    for said in [&v.at_flag, &v.at_six] {
        let cause = said.as_ref().and_then(|s| s.cause);
        cells.push(said.as_ref().map_or(String::new(), |s| s.action.as_str().to_owned()));
        cells.push(cause.map_or(String::new(), |c| c.0.as_str().to_owned()));
        cells.push(cause.map_or(String::new(), |c| number(c.1)));
    }
    cells.push(v.at_six.as_ref().map_or(String::new(), |s| number(s.severity)));
    let drift = |s: &Option<Said>| s.as_ref().and_then(|s| s.drift);
    cells.push(drift(&v.at_flag).map_or(String::new(), |d| d.0.name()));
    for said in [&v.at_flag, &v.later[0], &v.later[1]] {
        let values = drift(said).map_or([f64::NAN; 4], |(_, e, t)| [e.value, e.lo, e.hi, t]);
        cells.extend(values.map(number));
    }
    cells.extend(v.plain_false.map(day));
    cells.extend(v.plain_found.map(|f| day(f.map(|f| f.0))));
    for e in v.economy.iter().flatten() {
        cells.extend(e.map_or([f64::NAN; 4], |(e, t)| [e.value, e.lo, e.hi, t]).map(number));
    }
    cells.push(v.at_six.as_ref().map_or(String::new(), changes));
    cells.push(v.at_six.as_ref().map_or(String::new(), witnesses));
    cells
}

/// Changes by series with their half widths.
fn changes(said: &Said) -> String {
    let known = said.changes.iter().filter(|(_, e)| e.is_known());
    known
        .map(|(kind, e)| format!("{} {:.1}+-{:.1}", kind.name(), e.value, (e.hi - e.lo) / 2.0))
        .collect::<Vec<_>>()
        .join("; ")
}

/// What each witness adds to the named cause and to the true one, nats, where the two differ by a quarter.
fn witnesses(said: &Said) -> String {
    let telling = said.witnesses.iter().filter(|(_, a, b)| (a - b).abs() > 0.25);
    telling.map(|(name, a, b)| format!("{name} {a:.1} / {b:.1}")).collect::<Vec<_>>().join("; ")
}
