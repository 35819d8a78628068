//! What the physics forbids to conclude is said where it matters, and only there.

use std::collections::BTreeMap;

use trimdrift::evidence::{self, Input};
use trimdrift::settings::{DecideSettings, TestSettings};
use trimdrift::tables::days::Day;
use trimdrift::tables::findings::{Cause, VehicleFindings};
use trimdrift::tables::fleet::{AirMetering, Injection, Refuel, Vehicle};
use trimdrift::tables::trips::{BandSums, Trip};

const DAYS: i32 = 260;
const FIRST_DAY: i32 = 19_000;

/// One vehicle of the little fleet.
#[derive(Clone, Copy)]
struct Car {
    air: AirMetering,
    /// Trim gained by the end, percent, alike in all bands.
    rise: f64,
    /// Days before the end of a learning reset.
    reset_before_end: Option<i32>,
    fuel_from_airflow: bool,
    /// Factor on what is bought in the last 100 days, which the logs do not see.
    bought: f64,
}

const SOUND: Car = Car {
    air: AirMetering::Maf,
    rise: 0.0,
    reset_before_end: None,
    fuel_from_airflow: false,
    bought: 1.0,
};

/// Small numbers that repeat too late to matter.
fn noise(k: i32) -> f64 {
    f64::from((k * 7919).rem_euclid(1013)) / 506.0 - 1.0
}

fn day(car: Car, v: i32, i: i32) -> Day {
    let (km, hours) = (60.0 + 25.0 * noise(v * 31 + i), 1.3);
    let since_clear = match car.reset_before_end {
        Some(before) if i >= DAYS - before => f64::from(i - DAYS + before) * 100.0,
        _ => 20_000.0 + f64::from(i) * 100.0,
    };
    let nan = [f64::NAN; 2];
    let mut trip = Trip {
        start_us: i64::from(FIRST_DAY + i) * 86_400_000_000,
        rows: 4000,
        gated: 3000,
        km,
        seconds: hours * 3600.0,
        engine_s: hours * 3600.0,
        fuel_l: 0.07 * km * (0.02 * noise(v * 17 + i * 3)).exp(),
        fuel_from_airflow: car.fuel_from_airflow,
        stops: 40.0,
        start_coolant_c: 20.0,
        odometer_km: 30_000.0 + 60.0 * f64::from(i),
        km_since_clear: [since_clear, since_clear + 60.0],
        warmups_since_clear: nan,
        min_since_clear: nan,
        ..Trip::default()
    };
    trip.ambient_c.push(12.0);
    let grown = car.rise * (f64::from(i - 80) / f64::from(DAYS - 80)).max(0.0);
    for (band, m) in [1.0, 3.0, 9.0].into_iter().enumerate() {
        let y = 1.0 + grown + 0.6 * noise(v * 101 + i * 5 + band as i32 * 7);
        trip.bands[0][band] =
            BandSums { n: 200.0, y: 200.0 * y, m: 200.0 * m, ..BandSums::default() };
    }
    Day::of(&trip)
}

fn judged(first: Car) -> VehicleFindings {
    let cars = [first, SOUND, SOUND, SOUND, SOUND, SOUND, SOUND];
    let mut register = Vec::new();
    let mut days = BTreeMap::new();
    let mut refuels = Vec::new();
    for (v, car) in (0i32..).zip(cars) {
        let name = format!("v{v}");
        register.push(Vehicle {
            vehicle: name.clone(),
            engine_family: "F".to_owned(),
            displacement_l: Some(1.6),
            cylinders: 4,
            banks: 1,
            air_metering: car.air,
            injection: Injection::Port,
            fuel: "E10".to_owned(),
            hybrid: false,
            depot: "d".to_owned(),
            plugs_changed_km: None,
        });
        let own: Vec<Day> = (0..DAYS).map(|i| day(car, v, i)).collect();
        for i in (0..DAYS).step_by(7) {
            let used = 420.0 * 0.07 * (0.02 * noise(v * 13 + i)).exp();
            let factor = if i > DAYS - 100 { car.bought } else { 1.0 };
            refuels.push(Refuel {
                day: FIRST_DAY + i,
                vehicle: name.clone(),
                odometer_km: Some(30_000.0 + 60.0 * f64::from(i)),
                litres: used * factor,
                full: true,
            });
        }
        days.insert(name, own);
    }
    let evidence = evidence::assess(&Input {
        register: &register,
        days: &days,
        services: &[],
        refuels: &refuels,
        test: &TestSettings::DEFAULT,
        decide: &DecideSettings::DEFAULT,
        as_of: FIRST_DAY + DAYS - 1,
    });
    evidence.vehicles.into_iter().next().expect("seven vehicles")
}

/// Whether a note of the vehicle or of its fuel contains `words`.
fn says(f: &VehicleFindings, words: &str) -> bool {
    let economy = f.economy.iter().flat_map(|e| &e.notes);
    f.notes.iter().chain(economy).any(|note| note.contains(words))
}

#[test]
fn a_sound_vehicle_has_nothing_to_be_warned_of() {
    let f = judged(SOUND);
    let economy = f.economy.as_ref().expect("fuel is known");
    assert!(economy.change_pct.is_known() && economy.refuel_change_pct.is_known(), "{economy:?}");
    for words in [
        "closed loop",
        "airflow reading",
        "manifold pressure",
        "prove nothing",
        "trust the refuels",
    ] {
        assert!(!says(&f, words), "{words}: {:?} {:?}", f.notes, economy.notes);
    }
}

#[test]
fn a_corrected_mixture_need_not_cost_fuel() {
    let f = judged(Car { rise: 14.0, ..SOUND });
    assert_eq!(f.causes[0].cause, Cause::RestrictedInjectors);
    assert!(says(&f, "fuel per km need not change"), "{:?}", f.economy);
}

#[test]
fn fuel_computed_from_airflow_shares_the_error_of_the_sensor() {
    let f = judged(Car { fuel_from_airflow: true, ..SOUND });
    assert!(says(&f, "computed from the airflow reading"), "{:?}", f.economy);
}

#[test]
fn an_engine_without_airflow_sensor_shows_no_unmetered_air() {
    let f = judged(Car { air: AirMetering::Map, ..SOUND });
    assert!(says(&f, "unmetered air does not show in its trims"), "{:?}", f.notes);
}

#[test]
fn trims_near_zero_prove_nothing_right_after_a_reset() {
    let fresh = judged(Car { reset_before_end: Some(6), ..SOUND });
    assert!(says(&fresh, "trims near zero prove nothing"), "{:?}", fresh.notes);
    let long_ago = judged(Car { reset_before_end: Some(40), ..SOUND });
    assert_eq!(long_ago.resets.len(), 1);
    assert!(!says(&long_ago, "trims near zero prove nothing"), "{:?}", long_ago.notes);
}

#[test]
fn logs_and_refuels_that_disagree_are_named() {
    let f = judged(Car { bought: 1.12, ..SOUND });
    let e = f.economy.as_ref().expect("fuel is known");
    assert!((e.refuel_change_pct.value - 12.0).abs() < 3.0, "{e:?}");
    assert!(e.change_pct.value.abs() < 3.0, "{e:?}");
    assert!(says(&f, "trust the refuels until it is known why"), "{e:?}");
}
