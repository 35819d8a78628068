//! Verdicts from findings: what is acted on, and what only was.

use trimdrift::decide::decide;
use trimdrift::settings::{DecideSettings, TestSettings};
use trimdrift::tables::findings::{Action, Estimate, State, VehicleFindings, Verdict};
use trimdrift::tables::fleet::{AirMetering, Injection, Vehicle};

use crate::report_pages;

const FLAGGED: i32 = 20_400;

/// A vehicle whose all-band rise was flagged, with evidence of `nats` now and a change of `change` ± 1 log-percent.
fn verdict(nats: f64, change: f64) -> Verdict {
    decided(nats, change, |_| ())
}

/// The same with something else about it.
fn decided(nats: f64, change: f64, but: impl FnOnce(&mut VehicleFindings)) -> Verdict {
    let mut findings: VehicleFindings = report_pages::vehicle(1, "v", State::Act).findings;
    findings.misfires = None;
    for s in &mut findings.series {
        (s.flagged_up, s.flagged_down, s.level_on, s.near_limit_on) = (None, None, None, None);
        (s.log_r_up, s.log_limit_up, s.log_limit_down) = (0.0, 10.0, 10.0);
        s.change = Estimate { value: change, lo: change - 1.0, hi: change + 1.0 };
        s.change_from_first = s.change;
    }
    let first = &mut findings.series[0];
    (first.flagged_up, first.log_r_up) = (Some(FLAGGED), nats);
    but(&mut findings);
    let vehicle = Vehicle {
        vehicle: "v".to_owned(),
        engine_family: "f".to_owned(),
        displacement_l: Some(1.6),
        cylinders: 4,
        banks: 1,
        air_metering: AirMetering::Maf,
        injection: Injection::Port,
        fuel: "E10".to_owned(),
        hybrid: false,
        depot: "d".to_owned(),
        plugs_changed_km: None,
    };
    decide(&vehicle, &findings, &TestSettings::DEFAULT, &DecideSettings::DEFAULT, 20_520)
}

#[test]
fn a_change_that_has_gone_back_is_watched_and_keeps_its_day() {
    let gone = verdict(2.0, 0.5);
    assert_eq!((gone.state, gone.action), (State::Watch, Action::None), "{}", gone.reason);
    assert_eq!(gone.flagged_on, Some(FLAGGED), "what was flagged stays flagged");
    assert!(gone.reason.contains("too small to act on now"), "{}", gone.reason);
    assert_eq!(
        verdict(9.9, 0.5).state,
        State::Watch,
        "below what counts at the most that it can be"
    );
    // Still large, or still clear and perhaps large: acted on.
    for (nats, change) in [(4.0, 4.0), (4.0, 2.5), (9.9, 2.1)] {
        assert_eq!(verdict(nats, change).state, State::Act, "{nats} nats, {change} %");
    }
}

/// Watched from 7 nats on (the limit of 10 less the 3 of the settings): below half of that nothing drifts any more.
#[test]
fn a_drift_that_has_stood_still_since_is_watched() {
    let still = verdict(3.0, 4.0);
    assert_eq!((still.state, still.flagged_on), (State::Watch, Some(FLAGGED)));
    assert_eq!(verdict(4.0, 4.0).state, State::Act);
    assert_eq!(verdict(3.0, 6.0).state, State::Act, "a fault may have stopped growing");
    // A change that is large lasts by its size, however it came about.
    let large = decided(3.0, 9.0, |f| {
        (f.series[0].level_on, f.series[0].level_limits) = (Some(FLAGGED + 20), Some((8.0, 12.0)));
    });
    assert_eq!(large.state, State::Act, "{}", large.reason);
}

#[test]
fn misfires_that_stand_high_from_the_first_days_are_never_sound() {
    let stand = |now: f64, before: f64| {
        decided(0.0, 0.0, |f| {
            f.series[0].flagged_up = None;
            let mut misfires = report_pages::vehicle(1, "v", State::Act).findings.misfires;
            let m = misfires.as_mut().expect("a vehicle with misfire counters");
            (m.flagged_on, m.stands) = (None, false);
            (m.per_1000_rev, m.baseline_per_1000_rev) = (now, before);
            f.misfires = misfires;
        })
    };
    let high = stand(3.6, 3.8);
    assert_eq!((high.state, high.flagged_on), (State::Watch, None));
    assert!(high.reason.contains("Misfires stand at 3.6"), "{}", high.reason);
    assert_eq!(stand(3.6, 0.1).state, State::Sound, "a burst of late is waited out");
    assert_eq!(stand(0.1, 3.8).state, State::Sound, "a burst when the logs began");
}

#[test]
fn a_trim_that_has_surely_changed_by_what_counts_is_never_sound() {
    let changed = |change: f64| {
        decided(0.0, 0.0, |f| {
            f.series[0].flagged_up = None;
            let s = &mut f.series[0];
            s.change_from_first = Estimate { value: change, lo: change - 0.5, hi: change + 0.5 };
            s.level_limits = None;
        })
    };
    assert_eq!(changed(2.0).state, State::Sound);
    assert_eq!(changed(4.0).state, State::Watch);
}

/// A vehicle whose last trip was on day 20,520 and ten of whose days lie after day 20,508.
#[test]
fn work_that_was_asked_for_is_given_ten_days() {
    let after = |work: &str, day: i32| {
        decided(12.0, 8.0, |f| {
            f.series.iter_mut().for_each(|s| s.tenth_last = Some(20_508));
            f.services = vec![(day, work.to_owned())];
        })
    };
    let fresh = after("injector_cleaning", 20_515);
    assert_eq!((fresh.state, fresh.flagged_on), (State::Watch, Some(FLAGGED)));
    assert!(
        fresh.reason.contains("injector cleaning was recorded 5 days before its last trip"),
        "{}",
        fresh.reason
    );
    for (work, day) in
        [("other", 20_515), ("injector_cleaning", 20_500), ("injector_cleaning", FLAGGED - 1)]
    {
        assert_eq!(after(work, day).state, State::Act, "{work} on {day}");
    }
}

/// Work that has proved a repair of all bands on day 20,470; what parted one band from the others was flagged before it.
#[test]
fn what_a_repair_left_standing_waits_until_ten_days_have_shown_it() {
    let left = |worked_on: i32, tenth_last: i32| {
        decided(0.0, 8.0, |f| {
            let [all, band, ..] = &mut f.series[..] else { panic!("series") };
            (all.flagged_up, all.repaired_on) = (None, Some(worked_on));
            (band.flagged_up, band.log_r_up) = (Some(FLAGGED), 12.0);
            band.tenth_last = Some(tenth_last);
            f.services = vec![(worked_on, "airflow_sensor_cleaning".to_owned())];
        })
    };
    assert_eq!(left(20_470, 20_465).state, State::Watch);
    assert_eq!(left(20_470, 20_475).state, State::Act, "ten days have shown that it stands");
    assert_eq!(left(FLAGGED + 50, FLAGGED + 40).state, State::Act, "nobody waits for ever");
}

#[test]
fn a_correction_beyond_its_limit_is_called_so() {
    let stands = |raw: f64| {
        decided(0.0, 0.0, |f| {
            f.series[0].flagged_up = None;
            let band = &mut f.series[1];
            (band.near_limit_on, band.recent_raw) = (Some(FLAGGED), raw);
        })
    };
    // 100 ln 1.21 and 100 ln 1.30; the limit of 25 % stands between them.
    for (raw, told) in [(19.06, "at +21 %, near its limit"), (26.24, "at +30 %, beyond its limit")]
    {
        assert!(stands(raw).reason.contains(told), "{}", stands(raw).reason);
    }
}

#[test]
fn evidence_without_a_change_is_not_acted_on() {
    let stands =
        |lo: f64| decided(12.0, 0.0, |f| f.series[0].change = Estimate { value: 1.0, lo, hi: 4.0 });
    assert_eq!(stands(-2.0).state, State::Watch);
    assert_eq!(stands(0.5).state, State::Act);
}

#[test]
fn a_trim_that_stood_off_from_the_start_may_come_home() {
    let fall = |start: f64, now: f64| {
        decided(12.0, now - start, |f| {
            let [all, band, ..] = &mut f.series[..] else { panic!("series") };
            (all.flagged_up, all.flagged_down) = (None, Some(FLAGGED));
            all.log_r_down = 12.0;
            (band.baseline, band.recent_raw) = (start, now);
        })
    };
    let home = fall(9.0, 1.0);
    assert_eq!(home.state, State::Watch);
    assert!(home.reason.contains("has come nearer to nought since"), "{}", home.reason);
    // From where sound vehicles stand, or beyond nought: a fault that makes the mixture rich.
    assert_eq!(fall(3.0, -5.0).state, State::Act);
    assert_eq!(fall(9.0, -4.0).state, State::Act);
}
