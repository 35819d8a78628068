//! Evidence of one vehicle in, one verdict out: state, action, and the sentence that says why.
//!
//! ```text
//! flags (drift, level, limit, misfires) ─► act?   else gone back, or near a limit ─► watch   else enough data ─► sound
//! ```
//!
//! A verdict never looks at other vehicles (peers are taken off in the evidence) and never at money.

mod enough;
mod reason;

use crate::settings::{DecideSettings, TestSettings};
use crate::tables::findings::{
    Action, Cause, Estimate, SeriesFinding, SeriesKind, State, VehicleFindings, Verdict,
};
use crate::tables::fleet::Vehicle;
use crate::tables::trips::Band;

pub use enough::shortfall;

/// What a flag rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Ground {
    /// A ramp beat every step: index of the series.
    Drift(usize),
    /// A lasting change of level: index of the series.
    Level(usize),
    /// The correction itself is near its limit: index of the series.
    NearLimit(usize),
    /// Misfires.
    Misfire,
}

/// The verdict on `vehicle`.
pub fn decide(
    vehicle: &Vehicle,
    findings: &VehicleFindings,
    test: &TestSettings,
    settings: &DecideSettings,
    as_of: i32,
) -> Verdict {
    let (grounds, gone_back) = grounds(findings, test, settings);
    let lacking = shortfall(findings, test, settings, as_of);
    let watched = watched(findings, settings);
    let state = match (&grounds[..], &lacking) {
        ([], Some(_)) => State::TooLittleData,
        ([], None) if gone_back.is_some() || watched.is_some() => State::Watch,
        ([], None) => State::Sound,
        _ => State::Act,
    };
    // What was flagged once keeps its day, also where it has gone back.
    let flagged_on = grounds.iter().map(|(day, _)| *day).chain(gone_back).min();
    let cause = findings.causes.first().filter(|_| state == State::Act);
    let action = match (state, cause) {
        (State::Act, Some(c)) => action_for(c.cause, vehicle),
        (State::Act, None) => Action::CheckIgnition,
        _ => Action::None,
    };
    let leading = leading_series(findings, &grounds);
    let drift = leading.map_or(Estimate::NONE, |s| s.drift_per_10000km);
    let mut verdict = Verdict {
        state,
        action,
        cause: cause.map(|c| (c.cause, c.probability)),
        bank: affected_bank(findings, settings),
        flagged_on: flagged_on.filter(|_| matches!(state, State::Act | State::Watch)),
        drift_per_10000km: drift,
        km_to_limit: km_to_limit(findings, drift, settings),
        trim_pct: trim_by_band(findings),
        reason: String::new(),
        checks: checks(action, findings),
    };
    verdict.reason = reason::sentence(&verdict, findings, &grounds, watched, lacking.as_deref());
    verdict
}

/// Everything that makes the vehicle one to act on, with the day on which it did; and the first day of what did, but
/// has gone back since.
fn grounds(
    findings: &VehicleFindings,
    test: &TestSettings,
    settings: &DecideSettings,
) -> (Vec<(i32, Ground)>, Option<i32>) {
    let mut grounds = Vec::new();
    let mut gone_back: Option<i32> = None;
    for (i, s) in findings.series.iter().enumerate() {
        for (day, log_r, limit) in [
            (s.flagged_up, s.log_r_up, s.log_limit_up),
            (s.flagged_down, s.log_r_down, s.log_limit_down),
        ] {
            let Some(day) = day else { continue };
            if log_r < limit - settings.watch_nats && is_back(s, test) {
                gone_back = gone_back.into_iter().chain([day]).min();
            } else {
                grounds.push((day, Ground::Drift(i)));
            }
        }
        if let Some(day) = s.level_on {
            grounds.push((day, Ground::Level(i)));
        }
        if let Some(day) = s.near_limit_on {
            grounds.push((day, Ground::NearLimit(i)));
        }
    }
    if let Some(day) = findings.misfires.as_ref().and_then(|m| m.flagged_on) {
        grounds.push((day, Ground::Misfire));
    }
    grounds.sort_by_key(|(day, _)| *day);
    (grounds, gone_back)
}

/// Whether a trim stands where it began: nobody should open an engine for what is not there any more.
fn is_back(s: &SeriesFinding, test: &TestSettings) -> bool {
    let trim = matches!(s.kind, SeriesKind::TrimAll(_) | SeriesKind::Trim(..));
    let change = s.change;
    trim && change.value.abs() < test.least_change_pct && change.lo <= 0.0 && change.hi >= 0.0
}

/// The series for whose sake a vehicle is watched: the one nearest to its limit, or a trim that stands half-way to a
/// lasting change.
fn watched(findings: &VehicleFindings, settings: &DecideSettings) -> Option<SeriesKind> {
    let room = |s: &SeriesFinding| {
        let up = s.log_limit_up - s.log_r_up;
        let down = s.log_limit_down - s.log_r_down;
        [up, down].into_iter().filter(|r| r.is_finite()).min_by(f64::total_cmp)
    };
    let near = findings.series.iter().filter_map(|s| Some((room(s)?, s.kind)));
    let nearest = near.min_by(|a, b| a.0.total_cmp(&b.0));
    let raised = |s: &&SeriesFinding| {
        matches!(s.kind, SeriesKind::Trim(..) | SeriesKind::TrimAll(_))
            && s.change_from_first.above(settings.level_change_pct / 2.0)
    };
    nearest
        .filter(|(room, _)| *room <= settings.watch_nats)
        .map(|(_, kind)| kind)
        .or_else(|| findings.series.iter().find(raised).map(|s| s.kind))
}

/// What a cause asks for first.
fn action_for(cause: Cause, vehicle: &Vehicle) -> Action {
    match cause {
        Cause::RestrictedInjectors | Cause::LeakingInjector => Action::InjectorCleaning,
        Cause::UnmeteredAir => Action::CheckAirLeak,
        Cause::SupplyDroop => Action::CheckFuelSupply,
        Cause::MeteringError => Action::CheckAirflowSensor,
        Cause::IntakeDeposits | Cause::ThrottleDeposits => Action::IntakeCleaning,
        Cause::WornIgnition => Action::CheckIgnition,
        // The cheapest look that rules most out: air leaks where air is metered, else fuel pressure.
        Cause::Unexplained => match vehicle.air_metering {
            crate::tables::fleet::AirMetering::Maf => Action::CheckAirLeak,
            crate::tables::fleet::AirMetering::Map => Action::CheckFuelSupply,
        },
    }
}

/// The trim series whose evidence is strongest among the grounds, else the all-band series.
fn leading_series<'f>(
    findings: &'f VehicleFindings,
    grounds: &[(i32, Ground)],
) -> Option<&'f SeriesFinding> {
    let flagged = grounds.iter().filter_map(|(_, g)| match g {
        Ground::Drift(i) | Ground::Level(i) | Ground::NearLimit(i) => {
            let series = &findings.series[*i];
            match series.kind {
                SeriesKind::Tilt(bank) => moved_band(findings, bank),
                _ => Some(series),
            }
        }
        Ground::Misfire => None,
    });
    let trim = |s: &&SeriesFinding| {
        matches!(s.kind, SeriesKind::TrimAll(_) | SeriesKind::Trim(..))
            && s.drift_per_10000km.is_known()
    };
    flagged.filter(trim).max_by(|a, b| a.log_r_up.total_cmp(&b.log_r_up)).or_else(|| {
        findings
            .series
            .iter()
            .filter(trim)
            .filter(|s| matches!(s.kind, SeriesKind::TrimAll(_)))
            .max_by(|a, b| a.change.value.total_cmp(&b.change.value))
    })
}

/// The band of `bank` that moved most.
fn moved_band(findings: &VehicleFindings, bank: usize) -> Option<&SeriesFinding> {
    let of_bank = |s: &&SeriesFinding| matches!(s.kind, SeriesKind::Trim(b, _) if b == bank);
    let moved = |s: &SeriesFinding| s.change.value.abs();
    let known = |s: &&SeriesFinding| moved(s).is_finite();
    findings
        .series
        .iter()
        .filter(of_bank)
        .filter(known)
        .max_by(|a, b| moved(a).total_cmp(&moved(b)))
}

/// Peer-adjusted change from baseline in percent, per band, on the bank that moved more.
fn trim_by_band(findings: &VehicleFindings) -> [f64; 3] {
    let mut out = [f64::NAN; 3];
    for s in &findings.series {
        if let SeriesKind::Trim(_, band) = s.kind {
            let pct = 100.0 * ((s.change_from_first.value / 100.0).exp() - 1.0);
            let slot = &mut out[band as usize];
            if pct.is_finite() && (slot.is_nan() || pct.abs() > slot.abs()) {
                *slot = pct;
            }
        }
    }
    out
}

/// The one bank that moved, if there are two and the other did not.
fn affected_bank(findings: &VehicleFindings, settings: &DecideSettings) -> Option<usize> {
    let change = |bank| {
        findings.series.iter().find(|s| s.kind == SeriesKind::TrimAll(bank)).map(|s| s.change)
    };
    let (one, two) = (change(1)?, change(2)?);
    let apart = (one.value - two.value).abs();
    let wide = settings.level_change_pct / 2.0;
    if !(apart > wide) {
        return None;
    }
    Some(if one.value.abs() > two.value.abs() { 1 } else { 2 })
}

/// Distance until the total correction reaches its limit, km.
fn km_to_limit(findings: &VehicleFindings, drift: Estimate, settings: &DecideSettings) -> Estimate {
    let limit = 100.0 * (1.0 + settings.correction_limit_pct / 100.0).ln();
    let level = findings
        .series
        .iter()
        .filter(|s| matches!(s.kind, SeriesKind::Trim(..)))
        .map(|s| s.recent_raw)
        .filter(|v| v.is_finite())
        .max_by(f64::total_cmp);
    let Some(level) = level else { return Estimate::NONE };
    let room = (limit - level).max(0.0);
    let km = |rate: f64| if rate > 0.0 { room / rate * 10_000.0 } else { f64::NAN };
    // A faster drift is a shorter way, so the ends change places; a rate that may be nought has no far end.
    Estimate { value: km(drift.value), lo: km(drift.hi), hi: km(drift.lo) }
}

/// What to look at first, in order.
fn checks(action: Action, findings: &VehicleFindings) -> Vec<String> {
    let mut list: Vec<&str> = Vec::new();
    match action {
        Action::InjectorCleaning => list.extend([
            "Rule out an air leak and low fuel pressure first: both are cheaper to find.",
            "Take the injectors out, test flow and spray pattern, clean, test again.",
            "Renew the seals and the filter baskets.",
        ]),
        Action::IntakeCleaning => list.extend([
            "Look at the throttle plate and, with a borescope, at the intake valves.",
            "Clean throttle and ports; renew the gaskets.",
            "Let the idle relearn.",
        ]),
        Action::CheckAirLeak => list.extend([
            "Search hoses, gaskets and the brake booster line between airflow sensor and valves.",
            "Do not clean injectors on this evidence.",
        ]),
        Action::CheckFuelSupply => list.extend([
            "Measure fuel pressure and delivery under load.",
            "Look at the fuel filter, the pump and its wiring.",
        ]),
        Action::CheckAirflowSensor => list.extend([
            "Compare the airflow reading with the expected one at idle and at full load.",
            "Clean the sensor with a suitable cleaner; look at the air filter and the ducting.",
        ]),
        Action::CheckIgnition => list.extend([
            "Look at plugs, coils and leads.",
            "Stop driving under load while the misfire lamp flashes: the catalyst is at risk.",
        ]),
        Action::None => {}
    }
    if let Some(c) = findings.misfires.as_ref().and_then(|m| m.flagged_on.and(m.cylinder)) {
        let mut list: Vec<String> = list.into_iter().map(str::to_owned).collect();
        list.insert(
            0,
            format!("Cylinder {c} misfires: swap its plug and coil with a neighbour first."),
        );
        return list;
    }
    list.into_iter().map(str::to_owned).collect()
}

/// Band whose change stands out, for the reason.
pub(crate) fn strongest_band(trim_pct: [f64; 3]) -> Option<Band> {
    Band::ALL
        .into_iter()
        .filter(|b| trim_pct[*b as usize].is_finite())
        .max_by(|a, b| trim_pct[*a as usize].abs().total_cmp(&trim_pct[*b as usize].abs()))
}
