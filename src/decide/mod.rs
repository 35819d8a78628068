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
    Action, Cause, Estimate, LEVEL_SD, OFF, SeriesFinding, SeriesKind, State, TowardsLimit,
    VehicleFindings, Verdict,
};
use crate::tables::fleet::{AirMetering, Service, Vehicle};
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

/// Why a ground is none any more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Lapse {
    /// The change has gone back, or is too small to act on.
    Small,
    /// The vehicle stood off when its logs began, and has come home.
    Home,
    /// What was found to drift stands still: a jump tells of it as well.
    Jump,
}

/// The verdict on `vehicle`.
pub fn decide(
    vehicle: &Vehicle,
    findings: &VehicleFindings,
    test: &TestSettings,
    settings: &DecideSettings,
    as_of: i32,
) -> Verdict {
    let (grounds, lapsed) = grounds(findings, settings);
    let lacking = shortfall(findings, test, settings, as_of);
    let watched = watched(findings, settings);
    let from_start = findings.off_from_start.is_finite() || misfires_from_start(findings, settings);
    let state = match (&grounds[..], &lacking) {
        ([], Some(_)) => State::TooLittleData,
        ([], None) if lapsed.is_some() || watched.is_some() || from_start => State::Watch,
        ([], None) => State::Sound,
        _ => State::Act,
    };
    // What was flagged once keeps its day, also where it has gone back.
    let flagged_on = grounds.iter().chain(lapsed.as_ref().map(|(g, _)| g)).map(|g| g.0).min();
    let likely = likely_actions(findings, vehicle);
    let pending = proof_pending(findings, &likely, &grounds);
    let state = if pending.is_some() { State::Watch } else { state };
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
        checks: checks(action, rival.map(|r| r.action), findings, vehicle.air_metering),
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
            lapsed: lapsed.map(|((_, ground), lapse)| (ground, lapse)),
            pending,
            watched,
            lacking: lacking.as_deref(),
            correction_limit_pct: settings.correction_limit_pct,
        },
    );
    // It may have been sold or laid up: whoever plans the bays should ask first.
    if let (State::Act, Some(days)) = (state, enough::stale(findings, settings, as_of)) {
        verdict.reason += &format!(" Its last trip is {days} days old.");
    }
    verdict
}

/// Everything that makes the vehicle one to act on, with the day on which it did; and the first of what was found, but is
/// nothing to act on now, with the reason.
///
/// Nobody should open an engine for what is not there any more.
fn grounds(
    findings: &VehicleFindings,
    settings: &DecideSettings,
) -> (Vec<Dated>, Option<(Dated, Lapse)>) {
    let mut seen: Vec<(Dated, Option<Lapse>)> = Vec::new();
    let small = |small: bool| small.then_some(Lapse::Small);
    for (i, s) in findings.series.iter().enumerate() {
        let home = |rose: bool| came_home(findings, s.kind, rose).then_some(Lapse::Home);
        for (day, rose) in [(s.flagged_up, true), (s.flagged_down, false)] {
            // A rise that beat every step is no mending, which comes at once; a fall has to be larger, and may be one.
            let home = if rose { None } else { home(false) };
            let jump = || stands_still(s, rose, settings).then_some(Lapse::Jump);
            let lapse =
                || home.or(small(drift_is_small(findings, s, rose, settings))).or_else(jump);
            seen.extend(day.map(|day| ((day, Ground::Drift(i)), lapse())));
        }
        let now = s.change_from_first.value;
        let half_way = |(rise, fall): (f64, f64)| now < 0.5 * rise && now > -0.5 * fall;
        let back = s.level_limits.is_some_and(half_way);
        let lapse = || home(now > 0.0).or(small(back));
        seen.extend(s.level_on.map(|day| ((day, Ground::Level(i)), lapse())));
        let side = settings.near_limit_pct.copysign(s.recent_raw);
        let back = s.recent_raw.abs() < BELOW_LIMIT * log_percent(side).abs();
        seen.extend(s.near_limit_on.map(|day| ((day, Ground::NearLimit(i)), small(back))));
    }
    if let Some((m, day)) = findings.misfires.as_ref().and_then(|m| Some((m, m.flagged_on?))) {
        seen.push(((day, Ground::Misfire), small(!m.stands)));
    }
    seen.sort_by_key(|((day, _), _)| *day);
    let lapsed = seen.iter().find_map(|(ground, lapse)| Some((*ground, (*lapse)?)));
    let standing = seen.into_iter().filter(|(_, lapse)| lapse.is_none());
    (standing.map(|(ground, _)| ground).collect(), lapsed)
}

/// Whether the change of a series that was flagged is too small to act on: at the most that it can be, or for the time
/// being where the evidence has faded and the least that it can be is as good as nothing, or where it may be none at all and is
/// as good as nothing, whatever the evidence.
fn drift_is_small(
    findings: &VehicleFindings,
    s: &SeriesFinding,
    rose: bool,
    settings: &DecideSettings,
) -> bool {
    let along = |c: Estimate| if rose { c } else { mirrored(c) };
    let (log_r, limit) = evidence(s, rose);
    let change = along(s.change);
    let faded = log_r < limit - settings.watch_nats;
    let least = |s: &SeriesFinding| if rose { s.least_change } else { s.least_fall };
    let gone = change.value < least(s) && change.lo < BACK_SHARE * least(s);
    // What all of them show on average one of them may have for itself.
    let part_moved = || {
        if !s.kind.is_trim_level() {
            return false;
        }
        let mut parts = findings.series.iter().filter(|p| p.kind.is_part_of(s.kind));
        parts.any(|p| along(p.change).lo > least(p))
    };
    // The evidence knows of work that may have taken a rise away, and goes on counting it; the change does not.
    let nothing = change.value < BACK_SHARE * least(s) && change.lo < 0.0;
    // A fall is as good as none where a rise of its size would be.
    ((faded && gone) || nothing || change.hi < s.least_change) && !part_moved()
}

/// Whether of a drift that was flagged nothing more is to be seen than of any jump: the evidence is less than half of that
/// from which a vehicle is watched. A change that is large counts by its size alone: a fault may have stopped growing.
fn stands_still(s: &SeriesFinding, rose: bool, settings: &DecideSettings) -> bool {
    let (log_r, limit) = evidence(s, rose);
    let (surely, least) =
        if rose { (s.change.lo, s.least_change) } else { (-s.change.hi, s.least_fall) };
    let large = surely >= f64::max(least, STAYS_FROM * s.least_change);
    log_r < 0.5 * (limit - settings.watch_nats) && !large
}

/// Multiple of the size from which a rise counts, surely exceeded by what is acted on though it has stopped growing: no
/// single innocent jump is so large but once in decades (own judgement, no source).
const STAYS_FROM: f64 = 1.5;

/// Whether misfires stand as high as they are acted on and have since the logs began: nothing has risen, and nothing is sound.
fn misfires_from_start(findings: &VehicleFindings, settings: &DecideSettings) -> bool {
    let high = |rate: f64| rate >= settings.misfire_per_1000_rev_min;
    findings
        .misfires
        .as_ref()
        .is_some_and(|m| high(m.per_1000_rev) && high(m.baseline_per_1000_rev))
}

/// Evidence for a rise or a fall and its limit, nats.
fn evidence(s: &SeriesFinding, rose: bool) -> (f64, f64) {
    if rose { (s.log_r_up, s.log_limit_up) } else { (s.log_r_down, s.log_limit_down) }
}

/// Whether a change is the way back of a trim that stood far off when its logs began: nobody should open an engine because
/// it has been mended.
fn came_home(findings: &VehicleFindings, kind: SeriesKind, rose: bool) -> bool {
    let Some((start, now)) = from_nought(findings, kind) else { return false };
    let towards = rose == (start < 0.0);
    // Past nought by no more than sound vehicles may stand.
    let nearer = now.abs() < start.abs() && now * start.signum() > -LEVEL_SD;
    start.abs() > OFF && towards && nearer
}

/// Where the trim that `kind` is made of stood when the logs began, and where it stands now, log-percent.
fn from_nought(findings: &VehicleFindings, kind: SeriesKind) -> Option<(f64, f64)> {
    let mean_of = |value: fn(&SeriesFinding) -> f64, counts: &dyn Fn(Band) -> bool| {
        let parts = findings.series.iter().filter(|s| s.kind.is_part_of(kind));
        let parts = parts.filter(|s| s.baseline.is_finite() && s.recent_raw.is_finite());
        let parts = parts.filter(|s| band_of(s.kind).is_some_and(counts));
        let values: Vec<f64> = parts.map(value).collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    let stands = |value: fn(&SeriesFinding) -> f64| match kind {
        SeriesKind::TrimAll | SeriesKind::TrimBank(_) | SeriesKind::Trim(..) => {
            mean_of(value, &|_| true)
        }
        SeriesKind::IdleGap => {
            mean_of(value, &|b| b == Band::Idle) - mean_of(value, &|b| b != Band::Idle)
        }
        SeriesKind::LoadGap => {
            mean_of(value, &|b| b == Band::Load) - mean_of(value, &|b| b != Band::Load)
        }
        SeriesKind::BankGap
        | SeriesKind::IdleThrottle
        | SeriesKind::Breathing
        | SeriesKind::WarmupGap => f64::NAN,
    };
    let both = (stands(|s| s.baseline), stands(|s| s.recent_raw));
    (both.0.is_finite() && both.1.is_finite()).then_some(both)
}

/// Days of its logs for which work is waited with at most: what a vehicle shows seldom would hold an order back for ever (own
/// judgement, no source).
const PROOF_DAYS: i32 = 60;

/// The last recorded work whose effect on what stands cannot be told yet: work that answers what is likely, or that has proved
/// a repair of another series while too few days have shown the one that stands. Misfires do not wait for it: the catalyst is
/// at risk.
fn proof_pending<'f>(
    findings: &'f VehicleFindings,
    likely: &[Likely],
    grounds: &[Dated],
) -> Option<&'f (i32, String)> {
    let since = grounds.iter().map(|(day, _)| *day).min()?;
    let last = findings.period?.1;
    let asked = |name: &str| {
        let mut worth = likely.iter().filter(|l| l.probability > WORTH_A_LOOK);
        worth.any(|l| answers(name, l.action))
    };
    let repaired = |day: i32| findings.series.iter().any(|s| s.repaired_on == Some(day));
    let unproved = |day: i32| {
        grounds.iter().all(|(_, ground)| match ground {
            Ground::Drift(i) | Ground::Level(i) | Ground::NearLimit(i) => {
                findings.series[*i].tenth_last.is_none_or(|tenth| tenth < day)
            }
            Ground::Misfire => false,
        })
    };
    let fresh =
        findings.services.iter().filter(|(day, _)| *day >= since && last - day < PROOF_DAYS);
    fresh
        .filter(|(day, name)| unproved(*day) && (asked(name) || repaired(*day)))
        .max_by_key(|(day, _)| *day)
}

/// Whether recorded work is the one that was asked for. Hoses, pumps and coils stand in the records as other work, but so do
/// tyres: that holds nothing back.
fn answers(work: &str, action: Action) -> bool {
    let of = |kinds: &[Service]| kinds.iter().any(|kind| kind.as_str() == work);
    match action {
        Action::InjectorCleaning => of(&[Service::InjectorCleaning]),
        Action::IntakeCleaning => {
            of(&[Service::IntakeCleaning, Service::ThrottleCleaning, Service::EgrCleaning])
        }
        Action::CheckFuelSupply => of(&[Service::FuelFilter]),
        Action::CheckAirflowSensor => of(&[Service::AirflowSensorCleaning]),
        Action::CheckIgnition => of(&[Service::SparkPlugs]),
        Action::CheckAirLeak | Action::None => false,
    }
}

fn mirrored(e: Estimate) -> Estimate {
    Estimate { value: -e.value, lo: -e.hi, hi: -e.lo }
}

/// Share of the level near the limit of the correction, below which the trim is not near it any more (own judgement, no
/// source).
const BELOW_LIMIT: f64 = 0.8;

/// Share of the size from which a change counts, below which it is as good as nothing (own judgement, no source).
const BACK_SHARE: f64 = 0.5;

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
        // Nor is a vehicle sound whose trim has surely changed by what counts, however it came about.
        let counts = change.lo > s.least_change || change.hi < -s.least_fall;
        s.level_limits.is_some_and(half_way) || (s.kind.is_mixture() && counts)
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
    // Near the limit from the start it is where the trim stands that tells.
    let near_limit = findings.series.iter().find(|s| s.near_limit_on.is_some());
    let fallen = match near_limit {
        Some(s) => s.recent_raw < 0.0,
        None => findings.of(SeriesKind::TrimAll).is_some_and(|s| s.change.value < 0.0),
    };
    for c in &findings.causes {
        let action = action_for(c.cause, vehicle, fallen);
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

/// What a cause asks for first; `fallen`: the trim has fallen over all bands.
fn action_for(cause: Cause, vehicle: &Vehicle, fallen: bool) -> Action {
    match cause {
        Cause::RestrictedInjectors | Cause::LeakingInjector => Action::InjectorCleaning,
        Cause::UnmeteredAir => Action::CheckAirLeak,
        Cause::SupplyDroop => Action::CheckFuelSupply,
        Cause::MeteringError => Action::CheckAirflowSensor,
        Cause::IntakeDeposits | Cause::ThrottleDeposits => Action::IntakeCleaning,
        Cause::WornIgnition => Action::CheckIgnition,
        // The cheapest look that rules most out: where air is metered air leaks, or the sensor if the mixture is rich,
        // which no leak makes it; else fuel pressure.
        Cause::Unexplained => match vehicle.air_metering {
            AirMetering::Maf if fallen => Action::CheckAirflowSensor,
            AirMetering::Maf => Action::CheckAirLeak,
            AirMetering::Map => Action::CheckFuelSupply,
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
        let size = |s: &SeriesFinding| as_fault(s.change.value, findings);
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
    let known = one.is_finite() && two.is_finite();
    if !known || !(parted || (one - two).abs() > settings.level_change_pct / 2.0) {
        return None;
    }
    Some(if as_fault(one, findings) > as_fault(two, findings) { 1 } else { 2 })
}

/// Size of a change for telling what moved where parts have parted: most faults make a trim rise, so a fall counts half, and a
/// rise where an injector leaks (own judgement, no source).
fn as_fault(change: f64, findings: &VehicleFindings) -> f64 {
    let leaks = findings.causes.first().is_some_and(|c| c.cause == Cause::LeakingInjector);
    let against = (change < 0.0) != leaks;
    if against { 0.5 * change.abs() } else { change.abs() }
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
        TowardsLimit {
            room: side * (log_percent(side * settings.correction_limit_pct) - s.recent_raw),
            drift_per_10000km: if down { mirrored(drift) } else { drift },
            sigma: s.sigma,
        }
    };
    let by_room = |a: &TowardsLimit, b: &TowardsLimit| a.room.total_cmp(&b.room);
    let is_gap = |kind| matches!(kind, SeriesKind::IdleGap | SeriesKind::LoadGap);
    if drifts(findings, grounds, is_gap) {
        let size = |s: &&SeriesFinding| as_fault(s.change.value, findings);
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
fn checks(
    action: Action,
    rival: Option<Action>,
    findings: &VehicleFindings,
    metering: AirMetering,
) -> Vec<String> {
    let mut list: Vec<String> =
        looks(action, metering).iter().map(|&look| look.to_owned()).collect();
    if let Some(look) = rival.and_then(|rival| looks(rival, metering).first()) {
        let mut rest = look.chars();
        let look: String =
            rest.next().into_iter().flat_map(char::to_lowercase).chain(rest).collect();
        list.push(format!("If that shows nothing: {look}"));
    }
    let misfires = findings.misfires.as_ref().filter(|m| m.stands && action != Action::None);
    if let Some(c) = misfires.and_then(|m| m.cylinder) {
        let swap = format!("Cylinder {c} misfires: swap its plug and coil with a neighbour first.");
        list.insert(0, swap);
    }
    list
}

/// What a piece of work begins with.
fn looks(action: Action, metering: AirMetering) -> &'static [&'static str] {
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
        Action::CheckAirflowSensor if metering == AirMetering::Map => &[
            "Compare the manifold pressure reading with the outside pressure, ignition on and engine off.",
            "Look at the intake temperature reading, the pressure line and the air filter.",
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
