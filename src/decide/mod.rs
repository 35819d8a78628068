//! Evidence of one vehicle in, one verdict out: state, action, and the sentence that says why.
//!
//! ```text
//! flags (drift, level, limit, misfires) ─► act?   else gone back, or near a limit ─► watch   else enough data ─► sound
//! ```
//!
//! A verdict never looks at other vehicles (peers are taken off in the evidence) and never at money.

mod enough;
mod reason;

use crate::quantity::{log_percent, percent};
use crate::settings::{DecideSettings, TestSettings};
use crate::tables::findings::{
    Action, Cause, Estimate, SeriesFinding, SeriesKind, State, TowardsLimit, VehicleFindings,
    Verdict,
};
use crate::tables::fleet::Vehicle;
use crate::tables::trips::{BANKS, Band};

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

/// A ground with the day on which it was one first.
type Dated = (i32, Ground);

/// The verdict on `vehicle`.
pub fn decide(
    vehicle: &Vehicle,
    findings: &VehicleFindings,
    test: &TestSettings,
    settings: &DecideSettings,
    as_of: i32,
) -> Verdict {
    let (grounds, gone_back) = grounds(findings, settings);
    let lacking = shortfall(findings, test, settings, as_of);
    let watched = watched(findings, settings);
    let off_from_start = findings.off_from_start.is_finite();
    let state = match (&grounds[..], &lacking) {
        ([], Some(_)) => State::TooLittleData,
        ([], None) if gone_back.is_some() || watched.is_some() || off_from_start => State::Watch,
        ([], None) => State::Sound,
        _ => State::Act,
    };
    // What was flagged once keeps its day, also where it has gone back.
    let flagged_on = grounds.iter().map(|(day, _)| *day).chain(gone_back.map(|g| g.0)).min();
    let likely = likely_actions(findings, vehicle);
    let first = likely.first().filter(|_| state == State::Act);
    let action = match (state, first) {
        (State::Act, Some(first)) => first.action,
        (State::Act, None) => Action::CheckIgnition,
        _ => Action::None,
    };
    let rival = first.filter(|f| f.probability < CLEAR).and(likely.get(1));
    let rival = rival.filter(|r| r.probability > WORTH_A_LOOK);
    let bank = affected_bank(findings, &grounds, settings);
    let leading = leading_series(findings, &grounds, bank);
    let drift = leading.map_or(Estimate::NONE, |s| s.drift_per_10000km);
    let towards_limit = towards_limit(findings, &grounds, drift, settings);
    let mut verdict = Verdict {
        state,
        action,
        cause: first.map(|f| f.cause),
        bank,
        flagged_on: flagged_on.filter(|_| matches!(state, State::Act | State::Watch)),
        drift_per_10000km: drift,
        towards_limit,
        km_to_limit: km_to_limit(towards_limit),
        trim_pct: trim_by_band(findings, bank),
        reason: String::new(),
        checks: checks(action, rival.map(|r| r.action), findings),
    };
    // Beside other work a piece of work counts with all causes that ask for it.
    let named = |l: &Likely| match rival {
        Some(_) => (l.cause.0, l.probability),
        None => l.cause,
    };
    let causes: Vec<(Cause, f64)> = first.into_iter().chain(rival).map(named).collect();
    verdict.reason = reason::sentence(
        &verdict,
        findings,
        &reason::Because {
            grounds: &grounds,
            causes: &causes,
            drift_of: leading.map(|s| s.kind),
            lapsed: gone_back.map(|(_, ground)| ground),
            watched,
            lacking: lacking.as_deref(),
        },
    );
    // It may have been sold or laid up: whoever plans the bays should ask first.
    if let (State::Act, Some(days)) = (state, enough::stale(findings, settings, as_of)) {
        verdict.reason += &format!(" Its last trip is {days} days old.");
    }
    verdict
}

/// Everything that makes the vehicle one to act on, with the day on which it did; and the first of what did, but has gone
/// back since.
///
/// Nobody should open an engine for what is not there any more.
fn grounds(findings: &VehicleFindings, settings: &DecideSettings) -> (Vec<Dated>, Option<Dated>) {
    let mut seen: Vec<(i32, Ground, bool)> = Vec::new();
    for (i, s) in findings.series.iter().enumerate() {
        let c = s.change;
        for (day, log_r, limit, size, least) in [
            (s.flagged_up, s.log_r_up, s.log_limit_up, c.value, c.lo),
            (s.flagged_down, s.log_r_down, s.log_limit_down, -c.value, -c.hi),
        ] {
            // The evidence has faded and the change is small and, at the least that it can be, as good as nothing.
            let faded = log_r < limit - settings.watch_nats;
            let small = size < s.least_change && least < BACK_SHARE * s.least_change;
            seen.extend(day.map(|day| (day, Ground::Drift(i), faded && small)));
        }
        let now = s.change_from_first.value;
        let half_way = |(rise, fall): (f64, f64)| now < 0.5 * rise && now > -0.5 * fall;
        let back = s.level_limits.is_some_and(half_way);
        seen.extend(s.level_on.map(|day| (day, Ground::Level(i), back)));
        let back = s.recent_raw.abs() < BELOW_LIMIT * log_percent(settings.near_limit_pct);
        seen.extend(s.near_limit_on.map(|day| (day, Ground::NearLimit(i), back)));
    }
    if let Some((m, day)) = findings.misfires.as_ref().and_then(|m| Some((m, m.flagged_on?))) {
        let faded = m.log_r < m.log_limit - settings.watch_nats;
        let back = faded && m.per_1000_rev < settings.misfire_per_1000_rev_min;
        seen.push((day, Ground::Misfire, back));
    }
    seen.sort_by_key(|(day, ..)| *day);
    let gone_back = seen.iter().find(|(.., back)| *back).map(|(day, ground, _)| (*day, *ground));
    let standing = seen.into_iter().filter(|(_, _, back)| !back);
    (standing.map(|(day, ground, _)| (day, ground)).collect(), gone_back)
}

/// Share of the level near the limit of the correction, below which the trim is not near it any more (own judgement, no
/// source).
const BELOW_LIMIT: f64 = 0.8;

/// Share of the size from which a change counts, below which it is as good as nothing (own judgement, no source).
const BACK_SHARE: f64 = 1.0 / 3.0;

/// The series for whose sake a vehicle is watched: the one nearest to its limit, or a trim that stands half-way to a
/// lasting change.
fn watched(findings: &VehicleFindings, settings: &DecideSettings) -> Option<SeriesKind> {
    let room = |s: &SeriesFinding| {
        let up = s.log_limit_up - s.log_r_up;
        let down = s.log_limit_down - s.log_r_down;
        [up, down].into_iter().filter(|r| r.is_finite()).min_by(f64::total_cmp)
    };
    // Little distance makes a small change a steep drift: what would not be flagged for its size is not watched either.
    let sizeable = |s: &&SeriesFinding| s.change.value.abs() >= 0.5 * s.least_change;
    let near = findings.series.iter().filter(sizeable).filter_map(|s| Some((room(s)?, s.kind)));
    let nearest = near.min_by(|a, b| a.0.total_cmp(&b.0));
    let raised = |s: &&SeriesFinding| {
        let change = s.change_from_first;
        let half_way = |(rise, fall)| change.lo > 0.5 * rise || change.hi < -0.5 * fall;
        s.level_limits.is_some_and(half_way)
    };
    nearest
        .filter(|(room, _)| *room <= settings.watch_nats)
        .map(|(_, kind)| kind)
        .or_else(|| findings.series.iter().find(raised).map(|s| s.kind))
}

/// A piece of work with the probability of the causes that ask for it.
#[derive(Debug, Clone, Copy)]
struct Likely {
    action: Action,
    probability: f64,
    /// The likeliest of these causes.
    cause: (Cause, f64),
}

/// Probability of the work from which no other is named beside it (own judgement, no source).
const CLEAR: f64 = 0.6;

/// Probability of other work from which it is named (own judgement, no source).
const WORTH_A_LOOK: f64 = 0.15;

/// Work by the probability of its causes, likeliest first.
fn likely_actions(findings: &VehicleFindings, vehicle: &Vehicle) -> Vec<Likely> {
    let mut list: Vec<Likely> = Vec::new();
    for c in &findings.causes {
        let action = action_for(c.cause, vehicle);
        match list.iter_mut().find(|l| l.action == action) {
            Some(known) => known.probability += c.probability,
            None => {
                let cause = (c.cause, c.probability);
                list.push(Likely { action, probability: c.probability, cause });
            }
        }
    }
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
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

/// The trim series that tells the drift best: what moved, where a test flagged; else where the level changed or stands
/// near the limit; else all bands.
fn leading_series<'f>(
    findings: &'f VehicleFindings,
    grounds: &[Dated],
    bank: Option<usize>,
) -> Option<&'f SeriesFinding> {
    let kinds = grounds.iter().filter_map(|(_, g)| match g {
        Ground::Drift(i) | Ground::Level(i) | Ground::NearLimit(i) => {
            Some(findings.series[*i].kind)
        }
        Ground::Misfire => None,
    });
    let moved = |part: fn(SeriesKind) -> bool| {
        let size = |s: &SeriesFinding| as_fault(s.change.value);
        let parts = findings.series.iter().filter(|s| part(s.kind) && size(s).is_finite());
        parts.max_by(|a, b| size(a).total_cmp(&size(b)))
    };
    let all = || match bank {
        Some(bank) => findings.of(SeriesKind::TrimBank(bank)),
        None => findings.of(SeriesKind::TrimAll),
    };
    let told = kinds.filter_map(|kind| {
        let series = match kind {
            SeriesKind::TrimAll => all(),
            SeriesKind::BankGap => moved(|kind| matches!(kind, SeriesKind::TrimBank(_))),
            SeriesKind::LoadGap | SeriesKind::IdleGap => {
                moved(|kind| matches!(kind, SeriesKind::Trim(..)))
            }
            SeriesKind::TrimBank(_) | SeriesKind::Trim(..) => findings.of(kind),
            SeriesKind::IdleThrottle | SeriesKind::Breathing | SeriesKind::WarmupGap => None,
        }?;
        series.drift_per_10000km.is_known().then_some((kind, series))
    });
    told.min_by_key(|(kind, _)| *kind)
        .map(|(_, series)| series)
        .or_else(|| all().filter(|s| s.drift_per_10000km.is_known()))
}

/// Peer-adjusted change from baseline in percent, per band, of the bank that moved; the mean of both if none did alone.
fn trim_by_band(findings: &VehicleFindings, bank: Option<usize>) -> [f64; 3] {
    Band::ALL.map(|band| {
        let of =
            |bank| findings.of(SeriesKind::Trim(bank, band)).map(|s| s.change_from_first.value);
        let banks = (1..=BANKS).filter(|b| bank.is_none_or(|only| only == *b));
        let known: Vec<f64> = banks.filter_map(of).filter(|c| c.is_finite()).collect();
        let mean = known.iter().sum::<f64>() / known.len() as f64;
        percent(mean)
    })
}

/// The one bank that moved, if there are two and they have come apart.
fn affected_bank(
    findings: &VehicleFindings,
    grounds: &[Dated],
    settings: &DecideSettings,
) -> Option<usize> {
    let change = |bank| findings.of(SeriesKind::TrimBank(bank)).map(|s| s.change.value);
    let (one, two) = (change(1)?, change(2)?);
    let parted = drifts(findings, grounds, |kind| kind == SeriesKind::BankGap);
    if !(parted || (one - two).abs() > settings.level_change_pct / 2.0) {
        return None;
    }
    Some(if as_fault(one) > as_fault(two) { 1 } else { 2 })
}

/// Size of a change for telling what moved where parts have parted: most faults make a trim rise, so a fall counts half
/// (own judgement, no source).
fn as_fault(change: f64) -> f64 {
    if change < 0.0 { -0.5 * change } else { change }
}

/// What of the trim comes nearest to the limit of the correction.
///
/// Where one band runs away from the others it is that band, with its own drift; else the highest level of all with the
/// drift that is told, which is known best.
fn towards_limit(
    findings: &VehicleFindings,
    grounds: &[Dated],
    drift: Estimate,
    settings: &DecideSettings,
) -> Option<TowardsLimit> {
    let bands = || {
        let bands = findings.series.iter().filter(|s| matches!(s.kind, SeriesKind::Trim(..)));
        bands.filter(|s| s.recent_raw.is_finite())
    };
    let half_way = 0.5 * log_percent(settings.near_limit_pct);
    let towards = |s: &SeriesFinding, drift: Estimate| {
        // Far out it is the nearer limit that counts, else the one that the trim drifts to.
        let by_drift = drift.is_known() && s.recent_raw.abs() < half_way;
        let down = if by_drift { drift.value < 0.0 } else { s.recent_raw < 0.0 };
        let side = if down { -1.0 } else { 1.0 };
        let mirrored = Estimate { value: -drift.value, lo: -drift.hi, hi: -drift.lo };
        TowardsLimit {
            room: side * (log_percent(side * settings.correction_limit_pct) - s.recent_raw),
            drift_per_10000km: if down { mirrored } else { drift },
            sigma: s.sigma,
        }
    };
    let by_room = |a: &TowardsLimit, b: &TowardsLimit| a.room.total_cmp(&b.room);
    let is_gap = |kind| matches!(kind, SeriesKind::IdleGap | SeriesKind::LoadGap);
    if drifts(findings, grounds, is_gap) {
        let size = |s: &&SeriesFinding| as_fault(s.change.value);
        let own = || {
            let known = bands().filter(|s| s.drift_per_10000km.is_known());
            known.filter(|s| s.change.is_known())
        };
        let moved_most = own().max_by(|a, b| size(a).total_cmp(&size(b)));
        let runaway = moved_most.and_then(|s| band_of(s.kind));
        let banks = own().filter(|s| band_of(s.kind) == runaway);
        let nearest = banks.map(|s| towards(s, s.drift_per_10000km)).min_by(by_room);
        if nearest.is_some() {
            return nearest;
        }
    }
    bands().map(|s| towards(s, drift)).min_by(by_room)
}

/// Whether a drift of such a series is a ground.
fn drifts(
    findings: &VehicleFindings,
    grounds: &[Dated],
    is_such: impl Fn(SeriesKind) -> bool,
) -> bool {
    grounds.iter().any(|(_, ground)| match ground {
        Ground::Drift(i) => is_such(findings.series[*i].kind),
        Ground::Level(_) | Ground::NearLimit(_) | Ground::Misfire => false,
    })
}

/// The band of a single band's trim.
fn band_of(kind: SeriesKind) -> Option<Band> {
    match kind {
        SeriesKind::Trim(_, band) => Some(band),
        _ => None,
    }
}

/// Distance until the total correction reaches its limit, km.
fn km_to_limit(towards: Option<TowardsLimit>) -> Estimate {
    let Some(TowardsLimit { room, drift_per_10000km: drift, .. }) = towards else {
        return Estimate::NONE;
    };
    let room = room.max(0.0);
    let km = |rate: f64| if rate > 0.0 { room / rate * 10_000.0 } else { f64::NAN };
    // A faster drift is a shorter way, so the ends change places; a rate that may be nought has no far end.
    Estimate { value: km(drift.value), lo: km(drift.hi), hi: km(drift.lo) }
}

/// What to look at first, in order; where other work is nearly as likely, its first look as well.
fn checks(action: Action, rival: Option<Action>, findings: &VehicleFindings) -> Vec<String> {
    let mut list: Vec<String> = looks(action).iter().map(|&look| look.to_owned()).collect();
    if let Some(look) = rival.and_then(|rival| looks(rival).first()) {
        let mut rest = look.chars();
        let look: String =
            rest.next().into_iter().flat_map(char::to_lowercase).chain(rest).collect();
        list.push(format!("If that shows nothing: {look}"));
    }
    if let Some(c) = findings.misfires.as_ref().and_then(|m| m.flagged_on.and(m.cylinder)) {
        let swap = format!("Cylinder {c} misfires: swap its plug and coil with a neighbour first.");
        list.insert(0, swap);
    }
    list
}

/// What a piece of work begins with.
fn looks(action: Action) -> &'static [&'static str] {
    match action {
        Action::InjectorCleaning => &[
            "Rule out an air leak and low fuel pressure first: both are cheaper to find.",
            "Take the injectors out, test flow and spray pattern, clean, test again.",
            "Renew the seals and the filter baskets.",
        ],
        Action::IntakeCleaning => &[
            "Look at the throttle plate and, with a borescope, at the intake valves.",
            "Clean throttle and ports; renew the gaskets.",
            "Let the idle relearn.",
        ],
        Action::CheckAirLeak => &[
            "Search hoses, gaskets and the brake booster line between airflow sensor and valves.",
            "Do not clean injectors on this evidence.",
        ],
        Action::CheckFuelSupply => &[
            "Measure fuel pressure and delivery under load.",
            "Look at the fuel filter, the pump and its wiring.",
        ],
        Action::CheckAirflowSensor => &[
            "Compare the airflow reading with the expected one at idle and at full load.",
            "Clean the sensor with a suitable cleaner; look at the air filter and the ducting.",
        ],
        Action::CheckIgnition => &[
            "Look at plugs, coils and leads.",
            "Stop driving under load while the misfire lamp flashes: the catalyst is at risk.",
        ],
        Action::None => &[],
    }
}

/// Band whose change stands out, for the reason.
pub(crate) fn strongest_band(trim_pct: [f64; 3]) -> Option<Band> {
    Band::ALL
        .into_iter()
        .filter(|b| trim_pct[*b as usize].is_finite())
        .max_by(|a, b| trim_pct[*a as usize].abs().total_cmp(&trim_pct[*b as usize].abs()))
}
