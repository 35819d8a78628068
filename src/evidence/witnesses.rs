//! What each witness saw of one vehicle, gathered for the posterior over causes.
//!
//! Comes in: a vehicle's history, its followed series and findings. Goes out: the weights of the causes. Never: weighs.

use super::Input;
use super::cause::{self, Witnesses};
use super::follow::Followed;
use super::history::History;
use super::shape::{Change, Seen};
use super::{windows, within};
use crate::settings::TestSettings;
use crate::tables::days::Day;
use crate::tables::findings::{
    Cause, CauseWeight, Estimate, LEVEL_SD, SeriesFinding, SeriesKind, VehicleFindings,
};
use crate::tables::fleet::{AirMetering, Service, ServiceRecord};
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
            SeriesKind::Trim(bank, band) => Some((f, bank - 1, band)),
            _ => None,
        })
        .collect();
    let seen = |bank: usize, band: Band, change: f64| {
        let seen = Seen::Level(recent_airflow(history, bank, band, input.test));
        Change { bank, seen, change }
    };
    let usable: Vec<_> = bands.iter().filter(|(f, ..)| f.windows.usable()).collect();
    let mut changes: Vec<Change> =
        usable.iter().map(|(f, bank, band)| seen(*bank, *band, f.finding.change.value)).collect();
    let mut covariance =
        windows::one_factor(&usable.iter().map(|(f, ..)| &f.windows).collect::<Vec<_>>());
    let changed = |s: &SeriesFinding| {
        s.kind.is_mixture() && s.flagged_up.or(s.flagged_down).or(s.level_on).is_some()
    };
    let near_limit = findings.series.iter().any(|s| s.near_limit_on.is_some());
    let mixture_changed = findings.series.iter().any(changed);
    if near_limit && !mixture_changed {
        // It stood there from the start: no change tells of it, but where it stands does.
        let known = bands.iter().filter(|(f, ..)| f.finding.recent_raw.is_finite());
        changes = known.map(|(f, bank, band)| seen(*bank, *band, f.finding.recent_raw)).collect();
        let n = changes.len();
        covariance = vec![LEVEL_SD * LEVEL_SD; n * n];
        (0..n).for_each(|i| covariance[i * n + i] += 1.0);
    } else if let Some(f) = Followed::of(followed, SeriesKind::TrimAll) {
        let banks = history.vehicle.banks;
        let judged: Vec<&Day> = history.judged_days().collect();
        within::join(&judged, banks, &f.windows, &mut changes, &mut covariance);
    }
    let change = |kind| Followed::of(followed, kind).map_or(Estimate::NONE, |f| f.finding.change);
    let last_day = findings.period.map_or(input.as_of, |p| p.1);
    // What was flagged before the work tells nothing of it until there are days enough after it.
    let first_flag = findings.first_flag().unwrap_or(i32::MAX);
    let speaks = |day: i32| day <= first_flag || findings.proved_before.is_some_and(|d| day <= d);
    cause::posterior(&Witnesses {
        vehicle: history.vehicle,
        changes: &changes,
        covariance: &covariance,
        idle_throttle: change(SeriesKind::IdleThrottle),
        breathing: change(SeriesKind::Breathing),
        breathing_from_sensor: history.vehicle.air_metering == AirMetering::Maf,
        warmup_gap: change(SeriesKind::WarmupGap),
        misfires: findings.misfires.as_ref(),
        mixture_changed: mixture_changed || near_limit,
        throttle_opens: findings
            .of(SeriesKind::IdleThrottle)
            .is_some_and(|s| s.flagged_up.is_some()),
        breathing_falls: findings
            .of(SeriesKind::Breathing)
            .is_some_and(|s| s.flagged_down.is_some()),
        plug_km: plug_km(history, findings.odometer_km),
        plug_life_km: input.decide.plug_life_km,
        cured_days_ago: &|cause| {
            history
                .services
                .iter()
                .rev()
                .find(|s| cures(s.service, cause) && speaks(s.day))
                .map(|s| last_day - s.day)
        },
    })
}

/// Distance on the present spark plugs, km.
fn plug_km(history: &History<'_>, odometer_km: f64) -> Option<f64> {
    let renewed = history.services.iter().rev().find(|s| s.service == Service::SparkPlugs);
    let km = match renewed {
        // Without an odometer in the record: what was driven since.
        Some(ServiceRecord { odometer_km: None, day, .. }) => {
            let before = history.days.partition_point(|d| d.day < *day);
            history.km.last()? - before.checked_sub(1).map_or(0.0, |last| history.km[last])
        }
        Some(record) => odometer_km - record.odometer_km?,
        None => odometer_km - history.vehicle.plugs_changed_km?,
    };
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
        let b = d.bank(bank).bands[band as usize];
        m += b.m;
        n += b.n;
    }
    if n > 0.0 { m / n } else { [1.0, 3.0, 9.0][band as usize] }
}
