//! Trade terms in the spellings that logs use, and what unit a bare number most likely has.
//!
//! Comes in: a column name, or the range of its values. Goes out: a signal, a unit, and how sure that is.
//! Never: reads a file.

use std::collections::BTreeSet;

use super::profile::canonical_unit;
use crate::quantity::Unit;
use crate::tables::samples::Signal;

/// A signal, phrases that name it, and words with which they name something else.
type Spelling = (Signal, &'static [&'static str], &'static [&'static str]);

// Collected from the terms of SAE J1979 and ISO 15031-5 and from common usage in English, German, French and Spanish.
const SPELLINGS: &[Spelling] = &[
    (
        Signal::SpeedKmh,
        &[
            "speed",
            "vehicle speed",
            "road speed",
            "vss",
            "velocity",
            "tempo",
            "geschwindigkeit",
            "fahrzeuggeschwindigkeit",
            "vitesse",
            "velocidad",
        ],
        &["engine", "fan", "gps", "wind", "turbine", "motor", "idle", "pump", "limit"],
    ),
    (
        Signal::Rpm,
        &[
            "rpm",
            "engine rpm",
            "engine speed",
            "motor speed",
            "revs",
            "drehzahl",
            "motordrehzahl",
            "regime moteur",
        ],
        &["turbo", "target", "fan", "pump"],
    ),
    (
        Signal::LoadPct,
        &[
            "load",
            "engine load",
            "calculated load",
            "calc load",
            "last",
            "motorlast",
            "charge moteur",
        ],
        &["absolute", "abs", "payload"],
    ),
    (Signal::AbsLoadPct, &["absolute load", "abs load", "absolute engine load"], &[]),
    (
        Signal::MafGs,
        &[
            "maf",
            "mass air flow",
            "mass airflow",
            "air flow rate",
            "air flow",
            "airflow",
            "luftmasse",
        ],
        &["voltage", "temperature", "temp"],
    ),
    (
        Signal::MapKpa,
        &[
            "map",
            "manifold pressure",
            "manifold absolute pressure",
            "intake manifold pressure",
            "intake pressure",
            "saugrohrdruck",
        ],
        &["voltage"],
    ),
    (
        Signal::BaroKpa,
        &[
            "baro",
            "barometric pressure",
            "barometer",
            "atmospheric pressure",
            "ambient pressure",
            "luftdruck",
            "umgebungsdruck",
            "absolute barometric pressure",
        ],
        &[],
    ),
    (
        Signal::ThrottlePct,
        &[
            "throttle",
            "throttle position",
            "absolute throttle",
            "absolute throttle position",
            "tps",
            "drosselklappe",
        ],
        &["relative", "commanded", "actuator", "pedal", "b", "c", "target", "voltage"],
    ),
    (
        Signal::CoolantC,
        &[
            "coolant",
            "coolant temp",
            "coolant temperature",
            "engine coolant temperature",
            "engine coolant temp",
            "ect",
            "water temp",
            "water temperature",
            "kühlmittel",
            "kuehlmittel",
            "wassertemperatur",
        ],
        &["level", "pump"],
    ),
    (
        Signal::IntakeC,
        &[
            "intake temp",
            "intake temperature",
            "intake air temp",
            "intake air temperature",
            "iat",
            "inlet air temperature",
            "ansauglufttemperatur",
            "ansaugluft",
        ],
        &[],
    ),
    (
        Signal::AmbientC,
        &[
            "ambient temp",
            "ambient temperature",
            "ambient air temp",
            "ambient air temperature",
            "ambient",
            "aat",
            "outside temp",
            "outside temperature",
            "aussentemperatur",
            "aussentemp",
            "außentemp",
            "außentemperatur",
        ],
        &["pressure"],
    ),
    (
        Signal::Stft1Pct,
        &["stft", "short term fuel trim", "short term trim", "short fuel trim"],
        &["2", "sensor"],
    ),
    (
        Signal::Ltft1Pct,
        &["ltft", "long term fuel trim", "long term trim", "long fuel trim"],
        &["2", "sensor"],
    ),
    (
        Signal::Stft2Pct,
        &["stft 2", "short term fuel trim 2", "short term trim 2", "short fuel trim 2"],
        &["sensor"],
    ),
    (
        Signal::Ltft2Pct,
        &["ltft 2", "long term fuel trim 2", "long term trim 2", "long fuel trim 2"],
        &["sensor"],
    ),
    (
        Signal::FuelStatus,
        &["fuel status", "fuel system status", "fuel system", "loop status", "closed loop"],
        &["pressure", "2", "type"],
    ),
    (
        Signal::CmdEquiv,
        &[
            "commanded equivalence ratio",
            "equivalence ratio",
            "equiv ratio",
            "commanded equiv ratio",
            "equiv",
            "commanded lambda",
            "target lambda",
        ],
        &["sensor", "o2", "measured"],
    ),
    (
        Signal::FuelRateLh,
        &["fuel rate", "engine fuel rate", "fuel flow", "fuel consumption rate"],
        &["trim", "rail", "pressure"],
    ),
    (
        Signal::EthanolPct,
        &["ethanol", "ethanol fuel", "ethanol content", "alcohol", "flex fuel"],
        &[],
    ),
    (
        Signal::PurgePct,
        &[
            "purge",
            "evap purge",
            "evaporative purge",
            "commanded evaporative purge",
            "commanded evap purge",
            "tankentlüftung",
            "tankentlueftung",
        ],
        &["pressure"],
    ),
    (Signal::EgrPct, &["egr", "commanded egr"], &["error", "temp", "temperature"]),
    (
        Signal::OdometerKm,
        &["odometer", "odo", "mileage", "kilometerstand", "total distance", "kilométrage"],
        &["trip"],
    ),
    (
        Signal::RunS,
        &[
            "run time",
            "engine run time",
            "runtime",
            "time since engine start",
            "time since start",
            "run",
        ],
        &["mil", "codes", "cleared", "clear", "distance"],
    ),
    (
        Signal::KmSinceClear,
        &[
            "distance since clear",
            "distance since codes cleared",
            "distance codes cleared",
            "km since clear",
            "distance traveled since codes cleared",
            "distance since dtc cleared",
        ],
        &["mil"],
    ),
    (
        Signal::WarmupsSinceClear,
        &["warm ups", "warmups", "warm ups since codes cleared", "warmups since clear"],
        &[],
    ),
    (
        Signal::MinSinceClear,
        &[
            "time since clear",
            "time since codes cleared",
            "time since trouble codes cleared",
            "minutes since clear",
            "min since clear",
            "time since dtc cleared",
        ],
        &["mil"],
    ),
    (
        Signal::ModuleV,
        &[
            "control module voltage",
            "module voltage",
            "battery voltage",
            "system voltage",
            "ecu voltage",
            "bordspannung",
        ],
        &["hybrid"],
    ),
    (
        Signal::SocPct,
        &["soc", "state of charge", "hybrid battery", "battery remaining life"],
        &["voltage", "current"],
    ),
];

/// How well a name fits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Fit {
    /// Words of the phrase found.
    words: usize,
    /// Words found as they are, not with a letter wrong.
    exact: usize,
    /// Words of the name that the phrase does not explain, negated.
    unexplained: i32,
}

/// The signal that a column name most likely means.
pub(super) fn signal_of(name: &str) -> Option<Signal> {
    if let Some(signal) = Signal::by_name(&name.trim().to_lowercase()) {
        return Some(signal);
    }
    let words = words(name);
    if words.contains("misfire") || words.contains("misfires") {
        let cylinder = words.iter().filter_map(|w| w.parse::<usize>().ok()).next();
        return cylinder.and_then(Signal::misfire);
    }
    let mut best: Option<(Fit, Signal)> = None;
    for (signal, phrases, never) in SPELLINGS {
        if never.iter().any(|w| words.contains(*w)) {
            continue;
        }
        for phrase in *phrases {
            if let Some(fit) = fit(phrase, &words)
                && best.is_none_or(|(found, _)| fit > found)
            {
                best = Some((fit, *signal));
            }
        }
    }
    // A single word of many is no evidence: `oil pump speed control` is not the vehicle speed.
    best.filter(|(fit, _)| fit.words > 1 || fit.unexplained >= -2).map(|(_, signal)| signal)
}

fn fit(phrase: &str, words: &BTreeSet<String>) -> Option<Fit> {
    let (mut found, mut exact) = (0, 0);
    for wanted in phrase.split(' ') {
        if words.contains(wanted) {
            exact += 1;
        } else if !words
            .iter()
            .any(|w| wanted.chars().count() > 3 && strsim::levenshtein(w, wanted) == 1)
        {
            return None;
        }
        found += 1;
    }
    // One word with a wrong letter may be any word.
    (exact > 0).then_some(Fit {
        words: found,
        exact,
        unexplained: found as i32 - words.len() as i32,
    })
}

/// The words of a name: lower case, split at everything that is no letter or digit, at `camelCase` and at digits.
pub(super) fn words(name: &str) -> BTreeSet<String> {
    let mut words = BTreeSet::new();
    let mut word = String::new();
    let mut last = ' ';
    for c in without_unit(name).chars() {
        let boundary = !c.is_alphanumeric()
            || (c.is_uppercase() && last.is_lowercase())
            || (c.is_ascii_digit() != last.is_ascii_digit() && last.is_alphanumeric());
        if boundary && !word.is_empty() {
            words.insert(std::mem::take(&mut word));
        }
        if c.is_alphanumeric() {
            word.extend(c.to_lowercase());
        }
        last = c;
    }
    if !word.is_empty() {
        words.insert(word);
    }
    // Said of nearly every trim, and of no help.
    words.remove("bank");
    words
}

fn without_unit(name: &str) -> &str {
    name.split(['(', '[', '{']).next().unwrap_or(name)
}

/// The unit that a name carries: in brackets, or as its last word.
pub(super) fn unit_in_name(name: &str, signal: Signal) -> Option<Unit> {
    let fits =
        |text: &str| Unit::parse(text).filter(|unit| unit.to(canonical_unit(signal)).is_some());
    let open = name.find(['(', '[', '{']);
    let bracketed = open.and_then(|at| name[at + 1..].split([')', ']', '}']).next()).and_then(fits);
    let last_word = without_unit(name).trim().rsplit(['_', ' ', '.']).next();
    bracketed
        .or_else(|| last_word.filter(|w| w.len() < without_unit(name).trim().len()).and_then(fits))
}

/// The unit that the range of the values points to, and why; `None` if the range fits more than one.
///
/// The bounds are physical: sea-level air presses with 101 kPa = 14.7 psi = 29.9 inHg = 1013 mbar, a warm engine has 80 to
/// 110 °C, that is 176 to 230 °F. Common practice, no source.
pub(super) fn unit_by_range(signal: Signal, min: f64, max: f64) -> Option<(Unit, &'static str)> {
    match signal {
        Signal::BaroKpa | Signal::MapKpa => match max {
            _ if min < 0.0 => None,
            m if m < 0.4 => None,
            m if m <= 3.0 => Some((Unit::Bar, "values like those of air in bar")),
            m if (10.0..=16.0).contains(&m) => Some((Unit::Psi, "values like those of air in psi")),
            m if (27.0..=32.0).contains(&m) => {
                Some((Unit::InchOfMercury, "values like those of air in inHg"))
            }
            m if (60.0..=350.0).contains(&m) => {
                Some((Unit::Kilopascal, "values like those of air in kPa"))
            }
            m if (600.0..=3500.0).contains(&m) => {
                Some((Unit::Millibar, "values like those of air in mbar"))
            }
            _ => None,
        },
        Signal::CoolantC if max > 135.0 && max < 300.0 => {
            Some((Unit::Fahrenheit, "too hot for °C"))
        }
        Signal::CoolantC if (60.0..=130.0).contains(&max) => {
            Some((Unit::Celsius, "a warm engine in °C"))
        }
        Signal::CoolantC | Signal::IntakeC | Signal::AmbientC if min > 230.0 => {
            Some((Unit::Kelvin, "too hot for °C"))
        }
        _ if canonical_unit(signal) == Unit::Percent => match max.max(-min) {
            m if m > 1.5 => Some((Unit::Percent, "values beyond 1.5")),
            m if m > 0.0 && min != max => Some((Unit::Fraction, "no value beyond 1.5")),
            _ => None,
        },
        Signal::Rpm if max > 300.0 => Some((Unit::RevolutionPerMinute, "hundreds of revolutions")),
        Signal::ModuleV if (9.0..=60.0).contains(&max) => {
            Some((Unit::Volt, "a vehicle battery in V"))
        }
        Signal::ModuleV if (9_000.0..=60_000.0).contains(&max) => {
            Some((Unit::Millivolt, "a vehicle battery in mV"))
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_as_logs_write_them() {
        let cases = [
            ("ENGINE_RUN_TINE ()", Some(Signal::RunS)),
            ("Vehicle Speed (km/h)", Some(Signal::SpeedKmh)),
            ("vehicleSpeed", Some(Signal::SpeedKmh)),
            ("GPS Speed (m/s)", None),
            ("Engine RPM(rpm)", Some(Signal::Rpm)),
            ("Short Term Fuel Trim Bank 2 [%]", Some(Signal::Stft2Pct)),
            ("LONG_TERM_FUEL_TRIM_BANK_1 ()", Some(Signal::Ltft1Pct)),
            ("LTFT2", Some(Signal::Ltft2Pct)),
            ("Absolute load value", Some(Signal::AbsLoadPct)),
            ("ENGINE_LOAD ()", Some(Signal::LoadPct)),
            ("Kühlmittel [°C]", Some(Signal::CoolantC)),
            ("RELATIVE_THROTTLE_POSITION ()", None),
            ("ABSOLUTE_BAROMETRIC_PRESSURE ()", Some(Signal::BaroKpa)),
            ("TIME_RUN_WITH_MIL_ON ()", None),
            ("DISTANCE_TRAVELED_WITH_MIL_ON ()", None),
            ("TIME_SINCE_TROUBLE_CODES_CLEARED ()", Some(Signal::MinSinceClear)),
            ("WARM_UPS_SINCE_CODES_CLEARED ()", Some(Signal::WarmupsSinceClear)),
            ("Misfire count cyl 3", Some(Signal::MisfireC3)),
            ("latitude", None),
            ("CATALYST_TEMPERATURE_BANK1_SENSOR1 ()", None),
        ];
        for (name, expected) in cases {
            assert_eq!(signal_of(name), expected, "{name}");
        }
    }

    #[test]
    fn every_canonical_name_means_itself() {
        for signal in Signal::ALL {
            assert_eq!(signal_of(signal.spec().name), Some(*signal));
        }
    }

    #[test]
    fn units_in_names_and_ranges() {
        assert_eq!(unit_in_name("Speed (mph)", Signal::SpeedKmh), Some(Unit::MilePerHour));
        assert_eq!(unit_in_name("coolant_f", Signal::CoolantC), Some(Unit::Fahrenheit));
        assert_eq!(unit_in_name("Speed (kPa)", Signal::SpeedKmh), None);
        assert_eq!(
            unit_by_range(Signal::CoolantC, 60.0, 205.0).map(|u| u.0),
            Some(Unit::Fahrenheit)
        );
        assert_eq!(
            unit_by_range(Signal::BaroKpa, 29.1, 30.0).map(|u| u.0),
            Some(Unit::InchOfMercury)
        );
        assert_eq!(unit_by_range(Signal::Stft1Pct, -0.08, 0.1).map(|u| u.0), Some(Unit::Fraction));
        assert_eq!(unit_by_range(Signal::SpeedKmh, 0.0, 90.0), None);
    }
}
