//! What each witness saw of one vehicle, gathered for the posterior over causes.
//!
//! Comes in: a vehicle's history, its followed series and findings. Goes out: the weights of the causes. Never: weighs.

use super::Input;
use super::cause::{self, Found, Witnesses};
use super::follow::Followed;
use super::history::History;
use super::shape::{Change, Seen};
use super::{windows, within};
use crate::settings::TestSettings;
use crate::tables::days::Day;
use crate::tables::findings::{
    Cause, CauseWeight, Estimate, SeriesFinding, SeriesKind, VehicleFindings,
};
use crate::tables::fleet::{AirMetering, Service};
use crate::tables::trips::Band;

/// Posterior over causes from all witnesses.
pub(super) fn causes(
    history: &History<'_>,
    followed: &[Followed],
    findings: &VehicleFindings,
    input: &Input<'_>,
) -> Vec<CauseWeight> {
    let bands: Vec<(&Followed, usize, Band)> = followed
        .iter()
        .filter_map(|f| match f.finding.kind {
            SeriesKind::Trim(bank, band) if f.windows.usable() => Some((f, bank - 1, band)),
            _ => None,
        })
        .collect();
    let mut changes: Vec<Change> = bands
        .iter()
        .map(|(f, bank, band)| Change {
            bank: *bank,
            seen: Seen::Level(recent_airflow(history, *bank, *band, input.test)),
            change: f.finding.change.value,
        })
        .collect();
    let mut covariance =
        windows::one_factor(&bands.iter().map(|(f, ..)| &f.windows).collect::<Vec<_>>());
    if let Some(f) = followed.iter().find(|f| f.finding.kind == SeriesKind::TrimAll) {
        let banks = history.vehicle.banks;
        let judged: Vec<&Day> = history.judged_days().collect();
        within::join(&judged, banks, &f.windows, &mut changes, &mut covariance);
    }
    let change = |kind| {
        followed
            .iter()
            .find(|f| f.finding.kind == kind)
            .map_or(Estimate::NONE, |f| f.finding.change)
    };
    let last_day = findings.period.map_or(input.as_of, |p| p.1);
    cause::posterior(&Witnesses {
        vehicle: history.vehicle,
        changes: &changes,
        covariance: &covariance,
        idle_throttle: change(SeriesKind::IdleThrottle),
        breathing: change(SeriesKind::Breathing),
        breathing_from_sensor: history.vehicle.air_metering == AirMetering::Maf,
        warmup_gap: change(SeriesKind::WarmupGap),
        found: &found(findings, input.decide.watch_nats),
        misfires: findings.misfires.as_ref(),
        plug_km: plug_km(history, findings.odometer_km),
        plug_life_km: input.decide.plug_life_km,
        cured_days_ago: &|cause| {
            history
                .services
                .iter()
                .rev()
                .find(|s| cures(s.service, cause))
                .map(|s| last_day - s.day)
        },
    })
}

/// What the tests found of the series and still find, each once.
fn found(findings: &VehicleFindings, fading_nats: f64) -> Vec<Found> {
    let stands = |s: &&SeriesFinding| {
        let up = s.flagged_up.is_some() && s.log_r_up >= s.log_limit_up - fading_nats;
        let down = s.flagged_down.is_some() && s.log_r_down >= s.log_limit_down - fading_nats;
        up || down || s.level_on.is_some() || s.near_limit_on.is_some()
    };
    let mut found: Vec<Found> = findings
        .series
        .iter()
        .filter(stands)
        .map(|s| match s.kind {
            SeriesKind::IdleThrottle => Found::IdleThrottle,
            SeriesKind::Breathing => Found::Breathing,
            SeriesKind::WarmupGap => Found::WarmupGap,
            SeriesKind::TrimAll
            | SeriesKind::TrimBank(_)
            | SeriesKind::Trim(..)
            | SeriesKind::BankGap
            | SeriesKind::IdleGap
            | SeriesKind::LoadGap => Found::Mixture,
        })
        .collect();
    found.sort_unstable();
    found.dedup();
    found
}

/// Distance on the present spark plugs, km.
fn plug_km(history: &History<'_>, odometer_km: f64) -> Option<f64> {
    let changed = history
        .services
        .iter()
        .rev()
        .find(|s| s.service == Service::SparkPlugs)
        .and_then(|s| s.odometer_km)
        .or(history.vehicle.plugs_changed_km)?;
    let km = odometer_km - changed;
    (km >= 0.0).then_some(km)
}

/// Whether a piece of work cures a cause.
fn cures(service: Service, cause: Cause) -> bool {
    matches!(
        (service, cause),
        (Service::InjectorCleaning, Cause::RestrictedInjectors | Cause::LeakingInjector)
            | (Service::IntakeCleaning, Cause::IntakeDeposits | Cause::ThrottleDeposits)
            | (Service::ThrottleCleaning, Cause::ThrottleDeposits)
            | (Service::AirflowSensorCleaning, Cause::MeteringError)
            | (Service::SparkPlugs, Cause::WornIgnition)
            | (Service::FuelFilter, Cause::SupplyDroop)
    )
}

/// Mean airflow of a band in the recent days, multiples of nominal idle airflow.
fn recent_airflow(history: &History<'_>, bank: usize, band: Band, test: &TestSettings) -> f64 {
    let last = history.days.last().map_or(0, |d| d.day);
    let (mut m, mut n) = (0.0, 0.0);
    for d in history.days.iter().rev().take_while(|d| d.day > last - test.recent_days as i32) {
        let b = d.bands[bank][band as usize];
        m += b.m;
        n += b.n;
    }
    if n > 0.0 { m / n } else { [1.0, 3.0, 9.0][band as usize] }
}
