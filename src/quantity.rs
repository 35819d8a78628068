//! Units of measurement: text in, exact conversion to the unit of a signal out.
//!
//! Comes in: a unit as loggers and people write it. Goes out: a [`Unit`] and the [`Affine`] map from one unit to
//! another of the same kind. Knows nothing of files, columns or signals.
//!
//! Factors are the exact ones of NIST SP 811 (2008) appendix B.8 and NIST Handbook 44 appendix C unless a line
//! says otherwise.

/// A percentage in log-percent, `100 ln(1 + pct / 100)`: in it, corrections add up and are symmetric.
#[must_use]
pub fn log_percent(pct: f64) -> f64 {
    100.0 * (pct / 100.0).ln_1p()
}

/// Log-percent as a percentage.
#[must_use]
pub fn percent(log_percent: f64) -> f64 {
    100.0 * (log_percent / 100.0).exp_m1()
}

/// What a unit measures; only units of one kind convert into each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Road speed.
    Speed,
    /// Engine speed.
    Rotation,
    /// A part of a whole.
    Share,
    /// Air-fuel ratio relative to the stoichiometric one.
    Lambda,
    /// Mass per time.
    MassFlow,
    /// Volume per time.
    VolumeFlow,
    /// Absolute pressure.
    Pressure,
    /// Temperature.
    Temperature,
    /// Distance.
    Length,
    /// Time span.
    Duration,
    /// Voltage.
    Voltage,
    /// Number of events.
    Count,
    /// A coded state.
    Code,
}

impl Kind {
    /// The kind in words.
    pub fn as_str(self) -> &'static str {
        match self {
            Kind::Speed => "speed",
            Kind::Rotation => "engine speed",
            Kind::Share => "share",
            Kind::Lambda => "air-fuel ratio",
            Kind::MassFlow => "mass flow",
            Kind::VolumeFlow => "volume flow",
            Kind::Pressure => "pressure",
            Kind::Temperature => "temperature",
            Kind::Length => "distance",
            Kind::Duration => "time span",
            Kind::Voltage => "voltage",
            Kind::Count => "count",
            Kind::Code => "code",
        }
    }
}

/// The map `to = scale * from + offset` from one unit to another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine {
    /// Factor.
    pub scale: f64,
    /// Added after the factor, in the unit of the result.
    pub offset: f64,
}

impl Affine {
    /// The map that changes nothing.
    pub const IDENTITY: Affine = Affine { scale: 1.0, offset: 0.0 };

    /// Converts one value.
    pub fn apply(self, value: f64) -> f64 {
        self.scale * value + self.offset
    }

    /// Whether the map changes nothing.
    pub fn is_identity(self) -> bool {
        self == Affine::IDENTITY
    }
}

/// A US liquid gallon in litres, exact (NIST Handbook 44, appendix C: 231 cubic inches).
pub const US_GALLON_L: f64 = 3.785_411_784;
/// An imperial gallon in litres, exact (UK Weights and Measures Act 1985).
pub const IMPERIAL_GALLON_L: f64 = 4.546_09;
/// A mile in kilometres, exact.
pub const MILE_KM: f64 = 1.609_344;
/// A pound in grams, exact.
pub const POUND_G: f64 = 453.592_37;
/// A pound-force per square inch in kilopascals: 4.4482216152605 N over (25.4 mm)².
pub const PSI_KPA: f64 = 4.448_221_615_260_5e-3 / (0.025_4 * 0.025_4);
/// Standard acceleration of free fall, m/s², exact.
const FREE_FALL: f64 = 9.806_65;
/// A conventional millimetre of mercury in kilopascals: mercury of 13595.1 kg/m³.
pub const MMHG_KPA: f64 = 13.595_1 * FREE_FALL * 1e-3;
/// A conventional inch of mercury in kilopascals. The inch of mercury at 60 °F is 0.28 % smaller and is not this one.
pub const INHG_KPA: f64 = 25.4 * MMHG_KPA;

macro_rules! units {
    ($($variant:ident $symbol:literal $kind:ident $scale:expr, $offset:expr, [$($spelling:literal),*];)*) => {
        /// A unit of measurement.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Unit { $(#[doc = concat!("`", $symbol, "`")] $variant),* }

        impl Unit {
            /// All units.
            pub const ALL: &'static [Unit] = &[$(Unit::$variant),*];

            /// The symbol.
            pub fn symbol(self) -> &'static str {
                match self { $(Unit::$variant => $symbol),* }
            }

            /// What the unit measures.
            pub fn kind(self) -> Kind {
                match self { $(Unit::$variant => Kind::$kind),* }
            }

            /// The map to the base unit of the kind (the first of its kind in the list).
            fn to_base(self) -> Affine {
                match self { $(Unit::$variant => Affine { scale: $scale, offset: $offset }),* }
            }

            /// Further spellings, lower case, without spaces and full stops.
            fn spellings(self) -> &'static [&'static str] {
                match self { $(Unit::$variant => &[$($spelling),*]),* }
            }
        }
    };
}

units! {
    KilometrePerHour "km/h" Speed 1.0, 0.0, ["kmh", "kph", "kmph", "km/hr", "kilometresperhour", "kilometersperhour"];
    MilePerHour "mph" Speed MILE_KM, 0.0, ["mi/h", "miles/h", "milesperhour"];
    MetrePerSecond "m/s" Speed 3.6, 0.0, ["mps"];
    RevolutionPerMinute "rpm" Rotation 1.0, 0.0, ["1/min", "/min", "min-1", "min^-1", "rev/min", "r/min", "u/min", "revolutionsperminute"];
    Percent "%" Share 1.0, 0.0, ["percent", "pct", "prozent", "%%"];
    Fraction "fraction" Share 100.0, 0.0, ["0-1", "share"];
    Ratio "ratio" Share 100.0, 0.0, [];
    Lambda "lambda" Lambda 1.0, 0.0, ["λ"];
    GramPerSecond "g/s" MassFlow 1.0, 0.0, ["gs", "gps", "g/sec", "grams/sec", "gramspersecond", "gramsec"];
    PoundPerMinute "lb/min" MassFlow POUND_G / 60.0, 0.0, ["lbs/min", "lb/m", "lbm/min", "poundsperminute", "lb/minute"];
    KilogramPerHour "kg/h" MassFlow 1.0 / 3.6, 0.0, ["kg/hr", "kgh"];
    GramPerMinute "g/min" MassFlow 1.0 / 60.0, 0.0, [];
    LitrePerHour "L/h" VolumeFlow 1.0, 0.0, ["lph", "l/hr", "litre/h", "liter/h", "litresperhour", "litersperhour"];
    UsGallonPerHour "gal/h" VolumeFlow US_GALLON_L, 0.0, ["gph", "gal/hr", "usgal/h", "usgal/hr", "gallonsperhour", "gal(us)/h"];
    ImperialGallonPerHour "imp gal/h" VolumeFlow IMPERIAL_GALLON_L, 0.0, ["impgal/hr", "ukgal/h", "gal(imp)/h"];
    Kilopascal "kPa" Pressure 1.0, 0.0, ["kilopascal", "kpaabs", "kpa(abs)", "kpaa"];
    Pascal "Pa" Pressure 1e-3, 0.0, ["pascal"];
    Hectopascal "hPa" Pressure 0.1, 0.0, ["hectopascal"];
    Millibar "mbar" Pressure 0.1, 0.0, ["mb", "millibar"];
    Bar "bar" Pressure 100.0, 0.0, ["bara"];
    Psi "psi" Pressure PSI_KPA, 0.0, ["psia", "lbf/in2", "lbf/in²"];
    InchOfMercury "inHg" Pressure INHG_KPA, 0.0, ["in-hg", "inofhg", "inhgabs"];
    MillimetreOfMercury "mmHg" Pressure MMHG_KPA, 0.0, [];
    Atmosphere "atm" Pressure 101.325, 0.0, [];
    Celsius "°C" Temperature 1.0, 0.0, ["c", "degc", "degreec", "degreesc", "celsius", "degcelsius", "degreescelsius", "ºc", "℃"];
    // SP 811 B.8: t/°C = (t/°F − 32)/1.8
    Fahrenheit "°F" Temperature 1.0 / 1.8, -32.0 / 1.8, ["f", "degf", "degreef", "degreesf", "fahrenheit", "degreesfahrenheit", "ºf", "℉"];
    Kelvin "K" Temperature 1.0, -273.15, ["kelvin", "degk"];
    Kilometre "km" Length 1.0, 0.0, ["kilometre", "kilometres", "kilometer", "kilometers", "kms"];
    Mile "mile" Length MILE_KM, 0.0, ["mi", "miles"];
    Metre "m" Length 1e-3, 0.0, ["metre", "metres", "meter", "meters"];
    Foot "ft" Length 0.3048e-3, 0.0, ["feet", "foot"];
    Second "s" Duration 1.0, 0.0, ["sec", "secs", "second", "seconds"];
    Millisecond "ms" Duration 1e-3, 0.0, ["msec", "millisecond", "milliseconds"];
    Microsecond "µs" Duration 1e-6, 0.0, ["us", "μs", "microsecond", "microseconds"];
    Minute "min" Duration 60.0, 0.0, ["mins", "minute", "minutes"];
    Hour "h" Duration 3600.0, 0.0, ["hr", "hrs", "hour", "hours"];
    Day "d" Duration 86_400.0, 0.0, ["day", "days"];
    Volt "V" Voltage 1.0, 0.0, ["volt", "volts"];
    Millivolt "mV" Voltage 1e-3, 0.0, ["millivolt", "millivolts"];
    Count "count" Count 1.0, 0.0, ["counts", "#", "number", "n", "events"];
    Code "PID 03 value" Code 1.0, 0.0, ["code", "enum", "state"];
}

impl Unit {
    /// The unit that `text` names; case, spaces and full stops do not matter.
    ///
    /// Gauge pressures (`psig`) are not known on purpose: without the barometer at the place they say nothing absolute.
    pub fn parse(text: &str) -> Option<Unit> {
        let folded = folded(text);
        Unit::ALL.iter().copied().find(|unit| {
            folded == self::folded(unit.symbol()) || unit.spellings().contains(&folded.as_str())
        })
    }

    /// The map from this unit to `target`, or `None` if the two measure different things.
    ///
    /// ```
    /// use trimdrift::quantity::Unit;
    /// let map = Unit::Fahrenheit.to(Unit::Celsius).unwrap();
    /// assert!((map.apply(212.0) - 100.0).abs() < 1e-9);
    /// ```
    pub fn to(self, target: Unit) -> Option<Affine> {
        if self == target {
            return Some(Affine::IDENTITY);
        }
        if (self, target) == (Unit::Ratio, Unit::Lambda) {
            return Some(Affine::IDENTITY);
        }
        if self.kind() != target.kind() {
            return None;
        }
        let (from, to) = (self.to_base(), target.to_base());
        Some(Affine { scale: from.scale / to.scale, offset: (from.offset - to.offset) / to.scale })
    }

    /// The symbols of all units that convert to `target`.
    pub fn symbols_for(target: Unit) -> Vec<&'static str> {
        Unit::ALL.iter().filter(|u| u.to(target).is_some()).map(|u| u.symbol()).collect()
    }
}

fn folded(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace() && *c != '.').flat_map(char::to_lowercase).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_symbol_and_spelling_names_its_own_unit() {
        for &unit in Unit::ALL {
            assert_eq!(Unit::parse(unit.symbol()), Some(unit));
            for spelling in unit.spellings() {
                assert_eq!(Unit::parse(spelling), Some(unit), "{spelling}");
                assert_eq!(*spelling, folded(spelling), "spelling must be folded already");
            }
        }
    }

    #[test]
    fn kinds_do_not_mix_and_gauge_pressure_is_unknown() {
        assert_eq!(Unit::Bar.to(Unit::Celsius), None);
        assert_eq!(Unit::Lambda.to(Unit::Percent), None);
        assert_eq!(Unit::parse("psig"), None);
        assert_eq!(Unit::parse(""), None);
    }

    #[test]
    fn there_and_back_again_is_the_same_value() {
        for &a in Unit::ALL {
            for &b in Unit::ALL {
                if let (Some(there), Some(back)) = (a.to(b), b.to(a)) {
                    let value = 47.11;
                    assert!((back.apply(there.apply(value)) - value).abs() < 1e-9, "{a:?} {b:?}");
                }
            }
        }
    }
}
