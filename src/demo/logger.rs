//! The logger: which signals a vehicle's logs carry, with what resolution, as CSV rows of the plain profile.
//!
//! In: one value per signal. Out: bytes. Numbers are written through integers: fixed decimals, trailing
//! zeros cut, so the text is short and the same on every machine.

use super::calendar;
use crate::tables::samples::{SIGNALS, Signal};

/// One value per signal, `NaN` where there is none.
pub(super) type Values = [f64; SIGNALS.len()];

/// The columns that one vehicle's logs carry.
#[derive(Debug, Clone)]
pub(super) struct Logger {
    columns: Vec<(Signal, u32)>,
    pub(super) header: String,
}

impl Logger {
    /// Keeps the signals for which `carries` says yes.
    pub(super) fn new(carries: impl Fn(Signal) -> bool) -> Logger {
        let columns: Vec<(Signal, u32)> =
            Signal::ALL.iter().copied().filter(|s| carries(*s)).map(|s| (s, decimals(s))).collect();
        let mut header = String::from("time,vehicle,trip");
        for (signal, _) in &columns {
            header.push(',');
            header.push_str(signal.spec().name);
        }
        header.push('\n');
        Logger { columns, header }
    }

    /// Number of signal columns.
    pub(super) fn width(&self) -> usize {
        self.columns.len()
    }

    /// Appends a row; the response of column `lost` did not come.
    pub(super) fn row(
        &self,
        out: &mut Vec<u8>,
        time_s: i64,
        names: &str,
        values: &Values,
        lost: Option<usize>,
    ) {
        calendar::push_time(out, time_s);
        out.push(b',');
        out.extend_from_slice(names.as_bytes());
        for (position, (signal, decimals)) in self.columns.iter().enumerate() {
            out.push(b',');
            if lost != Some(position) {
                push_fixed(out, values[*signal as usize], *decimals);
            }
        }
        out.push(b'\n');
    }
}

/// Decimals as far as the SAE J1979 scaling of the parameter means something.
fn decimals(signal: Signal) -> u32 {
    match signal {
        Signal::Rpm | Signal::MafGs | Signal::FuelRateLh => 2,
        Signal::CmdEquiv => 3,
        Signal::LoadPct
        | Signal::AbsLoadPct
        | Signal::ThrottlePct
        | Signal::PurgePct
        | Signal::EthanolPct
        | Signal::SocPct
        | Signal::OdometerKm
        | Signal::ModuleV => 1,
        Signal::Stft1Pct | Signal::Ltft1Pct | Signal::Stft2Pct | Signal::Ltft2Pct => 2,
        _ => 0,
    }
}

/// Appends `value` with at most `decimals` (0 to 6) decimals; nothing for a value that is not finite.
pub(super) fn push_fixed(out: &mut Vec<u8>, value: f64, decimals: u32) {
    if !value.is_finite() {
        return;
    }
    let scale = 10_i64.pow(decimals);
    let mut scaled = (value * scale as f64).round() as i64;
    if scaled < 0 {
        out.push(b'-');
        scaled = -scaled;
    }
    push_integer(out, scaled / scale);
    let mut rest = scaled % scale;
    if rest > 0 {
        out.push(b'.');
        let mut place = scale / 10;
        while rest > 0 {
            out.push(b'0' + (rest / place) as u8);
            rest %= place;
            place /= 10;
        }
    }
}

fn push_integer(out: &mut Vec<u8>, value: i64) {
    let mut digits = [0_u8; 20];
    let mut at = digits.len();
    let mut left = value;
    loop {
        at -= 1;
        digits[at] = b'0' + (left % 10) as u8;
        left /= 10;
        if left == 0 {
            break;
        }
    }
    out.extend_from_slice(&digits[at..]);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fixed(value: f64, decimals: u32) -> String {
        let mut out = Vec::new();
        push_fixed(&mut out, value, decimals);
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn fixed_numbers_are_short_and_exact() {
        assert_eq!(fixed(12.5, 2), "12.5");
        assert_eq!(fixed(-0.78125, 2), "-0.78");
        assert_eq!(fixed(-0.001, 2), "0");
        assert_eq!(fixed(3.049_999, 1), "3");
        assert_eq!(fixed(7.05, 2), "7.05");
        assert_eq!(fixed(0.0, 0), "0");
        assert_eq!(fixed(123_456.7, 1), "123456.7");
        assert_eq!(fixed(f64::NAN, 1), "");
    }

    #[test]
    fn fixed_numbers_agree_with_the_standard_library() {
        for i in -2000..2000 {
            let value = f64::from(i) * 0.037_3;
            let parsed: f64 = fixed(value, 3).parse().unwrap();
            let standard: f64 = format!("{value:.3}").parse().unwrap();
            assert!((parsed - standard).abs() < 1.1e-3, "{value}");
        }
    }

    #[test]
    fn a_lost_response_leaves_an_empty_cell() {
        let logger = Logger::new(|s| matches!(s, Signal::SpeedKmh | Signal::Rpm));
        let mut values = [f64::NAN; SIGNALS.len()];
        values[Signal::SpeedKmh as usize] = 50.0;
        values[Signal::Rpm as usize] = 1800.25;
        let mut out = Vec::new();
        logger.row(&mut out, 1_709_539_200, "V-001,V-001-00001", &values, Some(0));
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "2024-03-04T08:00:00Z,V-001,V-001-00001,,1800.25\n"
        );
        assert_eq!(logger.header, "time,vehicle,trip,speed_kmh,rpm\n");
    }
}
