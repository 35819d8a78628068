//! Unit conversions against published factors; each entry of the reference file names its source.

use serde_json::Value;
use trimdrift::quantity::{IMPERIAL_GALLON_L, MILE_KM, POUND_G, US_GALLON_L, Unit};

fn entry(id: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("../reference/units/factors.json")).unwrap();
    all.as_array().unwrap().iter().find(|e| e["id"] == id).unwrap().clone()
}

fn close(got: f64, entry: &Value, expected: f64, what: &str) {
    let tolerance = |key: &str| entry["tolerance_suggested"][key].as_f64().unwrap_or(0.0);
    let allowed = tolerance("abs") + tolerance("rel") * expected.abs();
    assert!((got - expected).abs() <= allowed, "{what}: got {got}, published {expected}");
}

fn factor(from: &str, to: &str) -> f64 {
    let map = Unit::parse(from).unwrap().to(Unit::parse(to).unwrap()).unwrap();
    assert!(map.offset == 0.0);
    map.scale
}

#[test]
fn pressure_factors_are_those_of_sp_811() {
    let entry = entry("unit-pressure");
    let names = [
        ("psi", "psi"),
        ("inHg_conventional", "inHg"),
        ("atm", "atm"),
        ("bar", "bar"),
        ("mmHg", "mmHg"),
    ];
    for (key, unit) in names {
        close(factor(unit, "kPa"), &entry, entry["expected"][key].as_f64().unwrap(), key);
    }
    close(
        factor("atm", "psi"),
        &entry,
        entry["expected"]["atm_in_psi"].as_f64().unwrap(),
        "atm in psi",
    );
}

#[test]
fn volume_distance_and_mass_factors_are_exact() {
    let entry = entry("unit-volume-distance-mass");
    let expected = |key: &str| entry["expected"][key].as_f64().unwrap();
    close(factor("gal/h", "L/h"), &entry, expected("us_gallon_L"), "US gallon");
    close(factor("imp gal/h", "L/h"), &entry, expected("imp_gallon_L"), "imperial gallon");
    close(factor("imp gal/h", "gal/h"), &entry, expected("imp_per_us"), "imperial per US gallon");
    close(factor("mile", "km"), &entry, expected("mile_km"), "mile");
    close(factor("mph", "km/h"), &entry, expected("mile_km"), "mile per hour");
    close(POUND_G, &entry, expected("lb_g"), "pound");
    close(factor("lb/min", "g/s"), &entry, expected("lb_min_to_g_s"), "pound per minute");
    // 231 cubic inches of 25.4 mm, in litres
    close(
        expected("cubic_inch_per_us_gallon") * 0.254_f64.powi(3),
        &entry,
        US_GALLON_L,
        "cubic inches",
    );
}

#[test]
fn fuel_economy_constants_follow_from_the_factors() {
    let entry = entry("unit-fuel-economy");
    let expected = |key: &str| entry["expected"][key].as_f64().unwrap();
    close(100.0 * US_GALLON_L / MILE_KM, &entry, expected("k_us"), "US");
    close(100.0 * IMPERIAL_GALLON_L / MILE_KM, &entry, expected("k_imp"), "imperial");
}

#[test]
fn fahrenheit_and_kelvin_become_celsius() {
    let entry = entry("unit-temperature");
    let map = Unit::parse("°F").unwrap().to(Unit::Celsius).unwrap();
    let (from, to) =
        (entry["input"]["F"].as_array().unwrap(), entry["expected"]["C"].as_array().unwrap());
    assert_eq!(from.len(), 4);
    for (f, c) in from.iter().zip(to) {
        close(map.apply(f.as_f64().unwrap()), &entry, c.as_f64().unwrap(), "Fahrenheit");
    }
    // SP 811 B.8: 0 °C is 273.15 K, exact
    assert_eq!(Unit::Kelvin.to(Unit::Celsius).unwrap().apply(273.15), 0.0);
}
