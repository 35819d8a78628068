//! The parameter table of service 01: lengths, scaling, units, and the conventions for 'not available'.
//!
//! Source of scaling: SAE J1979 (2002..2012) / ISO 15031-5:2015 Appendix B and J1979-DA; the published checks hold
//! each line. Entries marked 'from memory' were not compared with a printed text.

use crate::tables::samples::Signal;

/// A linear scaling: `raw * times / over + plus`, in that order so that the published formulas come out exactly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Linear {
    /// Factor, in the unit of the field.
    pub times: f64,
    /// Divisor, raw counts.
    pub over: f64,
    /// Offset, in the unit of the field.
    pub plus: f64,
}

impl Linear {
    /// The physical value of `raw`, in the unit of the field.
    pub fn apply(self, raw: u32) -> f64 {
        f64::from(raw) * self.times / self.over + self.plus
    }
}

/// Which raw values of a field mean 'not available'.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unavailable {
    /// None.
    Never,
    /// This one.
    Equals(u32),
    /// All above this one.
    Above(u32),
}

/// One quantity inside the data bytes of a parameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Field {
    /// Parameter identifier.
    pub pid: u8,
    /// First data byte (byte A is 0).
    pub first: usize,
    /// Number of bytes, most significant first.
    pub width: usize,
    /// Trade name.
    pub name: &'static str,
    /// Unit symbol.
    pub unit: &'static str,
    /// Standard scaling.
    pub linear: Linear,
    /// Raw values that are no measurement.
    pub unavailable: Unavailable,
    /// The sample column that the field fills, if any.
    pub signal: Option<Signal>,
}

impl Field {
    /// The raw value in the data bytes of the parameter; `None` if they are too short.
    pub fn raw(&self, data: &[u8]) -> Option<u32> {
        let bytes = data.get(self.first..self.first + self.width)?;
        Some(bytes.iter().fold(0, |raw, &byte| raw << 8 | u32::from(byte)))
    }

    /// Whether `raw` is a measurement.
    pub fn is_available(&self, raw: u32) -> bool {
        match self.unavailable {
            Unavailable::Never => true,
            Unavailable::Equals(code) => raw != code,
            Unavailable::Above(highest) => raw <= highest,
        }
    }

    const fn unless(self, unavailable: Unavailable) -> Field {
        Field { unavailable, ..self }
    }

    const fn at(self, first: usize) -> Field {
        Field { first, ..self }
    }
}

const fn linear(times: f64, over: f64, plus: f64) -> Linear {
    Linear { times, over, plus }
}

const PLAIN: Linear = linear(1.0, 1.0, 0.0);
const PERCENT: Linear = linear(100.0, 255.0, 0.0);
const TRIM: Linear = linear(100.0, 128.0, -100.0);
const CELSIUS: Linear = linear(1.0, 1.0, -40.0);

/// A field that starts at byte A and fills the column `signal`.
const fn column(
    pid: u8,
    width: usize,
    name: &'static str,
    linear: Linear,
    signal: Signal,
) -> Field {
    let unit = crate::tables::samples::SIGNALS[signal as usize].unit;
    Field { signal: Some(signal), ..other(pid, width, name, unit, linear) }
}

/// A field that starts at byte A and fills no column.
const fn other(
    pid: u8,
    width: usize,
    name: &'static str,
    unit: &'static str,
    linear: Linear,
) -> Field {
    let unavailable = Unavailable::Never;
    Field { pid, first: 0, width, name, unit, linear, unavailable, signal: None }
}

/// The two fields of a conventional oxygen sensor: voltage, and the trim it takes part in (`FF`: in none).
const fn oxygen_sensor(pid: u8) -> [Field; 2] {
    [
        other(pid, 1, "oxygen sensor voltage", "V", linear(1.0, 200.0, 0.0)),
        other(pid, 1, "oxygen sensor short-term trim", "%", TRIM)
            .at(1)
            .unless(Unavailable::Equals(0xFF)),
    ]
}

const OXYGEN: [[Field; 2]; 8] = [
    oxygen_sensor(0x14),
    oxygen_sensor(0x15),
    oxygen_sensor(0x16),
    oxygen_sensor(0x17),
    oxygen_sensor(0x18),
    oxygen_sensor(0x19),
    oxygen_sensor(0x1A),
    oxygen_sensor(0x1B),
];

/// Every field that is decoded, by parameter.
pub const FIELDS: &[Field] = &[
    column(0x03, 1, "fuel system 1 status", PLAIN, Signal::FuelStatus),
    other(0x03, 1, "fuel system 2 status", "PID 03 value", PLAIN).at(1),
    column(0x04, 1, "calculated load", PERCENT, Signal::LoadPct),
    column(0x05, 1, "coolant temperature", CELSIUS, Signal::CoolantC),
    column(0x06, 1, "short-term trim bank 1", TRIM, Signal::Stft1Pct),
    column(0x07, 1, "long-term trim bank 1", TRIM, Signal::Ltft1Pct),
    column(0x08, 1, "short-term trim bank 2", TRIM, Signal::Stft2Pct),
    column(0x09, 1, "long-term trim bank 2", TRIM, Signal::Ltft2Pct),
    column(0x0B, 1, "manifold absolute pressure", PLAIN, Signal::MapKpa),
    column(0x0C, 2, "engine speed", linear(1.0, 4.0, 0.0), Signal::Rpm),
    column(0x0D, 1, "vehicle speed", PLAIN, Signal::SpeedKmh),
    column(0x0F, 1, "intake air temperature", CELSIUS, Signal::IntakeC),
    column(0x10, 2, "mass air flow", linear(1.0, 100.0, 0.0), Signal::MafGs),
    column(0x11, 1, "absolute throttle position", PERCENT, Signal::ThrottlePct),
    OXYGEN[0][0],
    OXYGEN[0][1],
    OXYGEN[1][0],
    OXYGEN[1][1],
    OXYGEN[2][0],
    OXYGEN[2][1],
    OXYGEN[3][0],
    OXYGEN[3][1],
    OXYGEN[4][0],
    OXYGEN[4][1],
    OXYGEN[5][0],
    OXYGEN[5][1],
    OXYGEN[6][0],
    OXYGEN[6][1],
    OXYGEN[7][0],
    OXYGEN[7][1],
    column(0x1F, 2, "run time since engine start", PLAIN, Signal::RunS),
    other(0x21, 2, "distance with malfunction lamp on", "km", PLAIN),
    column(0x2C, 1, "commanded exhaust gas recirculation", PERCENT, Signal::EgrPct),
    other(0x2D, 1, "exhaust gas recirculation error", "%", TRIM),
    column(0x2E, 1, "commanded purge", PERCENT, Signal::PurgePct),
    other(0x2F, 1, "fuel level", "%", PERCENT),
    column(0x30, 1, "warm-ups since codes cleared", PLAIN, Signal::WarmupsSinceClear),
    column(0x31, 2, "distance since codes cleared", PLAIN, Signal::KmSinceClear),
    column(0x33, 1, "barometric pressure", PLAIN, Signal::BaroKpa),
    column(0x42, 2, "control module voltage", linear(1.0, 1000.0, 0.0), Signal::ModuleV),
    column(0x43, 2, "absolute load", PERCENT, Signal::AbsLoadPct),
    // Lambda, below 1 is rich: the standard's 'equivalence ratio' is air over stoichiometric air.
    column(0x44, 2, "commanded equivalence ratio", linear(2.0, 65536.0, 0.0), Signal::CmdEquiv),
    other(0x45, 1, "relative throttle position", "%", PERCENT),
    column(0x46, 1, "ambient air temperature", CELSIUS, Signal::AmbientC),
    other(0x4C, 1, "commanded throttle actuator", "%", PERCENT),
    other(0x4D, 2, "minutes run with malfunction lamp on", "min", PLAIN),
    column(0x4E, 2, "minutes since codes cleared", PLAIN, Signal::MinSinceClear),
    // 4F and 50 state the full scale of other parameters, 0 meaning the standard one (from memory).
    other(0x4F, 1, "full scale of equivalence ratio", "lambda", PLAIN),
    other(0x4F, 1, "full scale of manifold pressure", "kPa", linear(10.0, 1.0, 0.0)).at(3),
    other(0x50, 1, "full scale of mass air flow", "g/s", linear(10.0, 1.0, 0.0)),
    other(0x51, 1, "fuel type", "code", PLAIN).unless(Unavailable::Equals(0)),
    column(0x52, 1, "alcohol fuel percentage", PERCENT, Signal::EthanolPct),
    column(0x5B, 1, "hybrid battery charge", PERCENT, Signal::SocPct),
    column(0x5E, 2, "engine fuel rate", linear(1.0, 20.0, 0.0), Signal::FuelRateLh)
        .unless(Unavailable::Above(0xFAFF)),
    other(0x9D, 2, "engine fuel rate by mass", "g/s", linear(1.0, 50.0, 0.0)),
    other(0x9D, 2, "vehicle fuel rate by mass", "g/s", linear(1.0, 50.0, 0.0)).at(2),
    column(0xA6, 4, "odometer", linear(1.0, 10.0, 0.0), Signal::OdometerKm),
];

/// Number of data bytes of parameter `pid`; `None` where editions of the standard differ or the parameter is unknown.
pub fn parameter_bytes(pid: u8) -> Option<usize> {
    Some(match pid {
        0x00 | 0x20 | 0x40 | 0x60 | 0x80 | 0xA0 | 0xC0 | 0xE0 => 4, // support bitmaps
        0x01 | 0x41 | 0x4F | 0x50 | 0x9D | 0xA6 => 4,
        0x02 | 0x03 | 0x0C | 0x10 | 0x14..=0x1B | 0x1F | 0x21..=0x23 | 0x31 | 0x32 => 2,
        0x04..=0x0B | 0x0D..=0x0F | 0x11..=0x13 | 0x1C..=0x1E => 1,
        0x24..=0x2B | 0x34..=0x3B => 4,
        0x2C..=0x30 | 0x33 | 0x45..=0x4C | 0x51 | 0x52 => 1,
        0x3C..=0x3F | 0x42..=0x44 | 0x4D | 0x4E | 0x53 | 0x54 => 2,
        0x59 | 0x5D | 0x5E | 0x63 | 0x65 => 2,
        0x5A..=0x5C | 0x5F | 0x61 | 0x62 | 0x8E => 1,
        0x64 | 0x66 => 5,
        0x67 => 3,
        _ => return None,
    })
}

/// Closed loop, with or without a sensor fault, in a fuel system status of PID 03.
pub const CLOSED_LOOP_MASK: u8 = 0x12;

/// State of one fuel system as coded by PID 03 (from memory, as the published check says).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FuelSystem {
    /// 01: open loop, conditions for closed loop not yet met.
    OpenCold,
    /// 02: closed loop, using oxygen sensor feedback.
    Closed,
    /// 04: open loop because of driving conditions (load, deceleration).
    OpenDriving,
    /// 08: open loop because of a detected fault.
    OpenFault,
    /// 10: closed loop, but fault with at least one oxygen sensor.
    ClosedFault,
}

impl FuelSystem {
    /// The state that `status` codes; `None` for 0 (engine off, system not fitted) and for more than one bit.
    pub fn from_status(status: u8) -> Option<FuelSystem> {
        Some(match status {
            0x01 => FuelSystem::OpenCold,
            0x02 => FuelSystem::Closed,
            0x04 => FuelSystem::OpenDriving,
            0x08 => FuelSystem::OpenFault,
            0x10 => FuelSystem::ClosedFault,
            _ => return None,
        })
    }
}

/// Fuel types of PID 51 that can concern a petrol engine's trims; 0 means not available.
pub const FUEL_TYPES: &[(u8, &str)] = &[
    (1, "gasoline/petrol"),
    (2, "methanol"),
    (3, "ethanol"),
    (4, "diesel"),
    (5, "LPG"),
    (6, "CNG"),
    (7, "propane"),
    (8, "electric"),
    (9, "bi-fuel running gasoline"),
    (17, "hybrid gasoline"),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_field_lies_inside_its_parameter() {
        for field in FIELDS {
            let bytes = parameter_bytes(field.pid).unwrap();
            assert!(field.first + field.width <= bytes, "{field:?}");
            assert!((1..=4).contains(&field.width), "{field:?}");
        }
    }

    #[test]
    fn no_two_fields_fill_the_same_column() {
        for (n, field) in FIELDS.iter().enumerate() {
            for later in FIELDS[n + 1..].iter().filter(|f| f.signal.is_some()) {
                assert_ne!(field.signal, later.signal);
            }
        }
    }
}
