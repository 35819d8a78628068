//! Lines of a CAN capture in the plain text form of Linux can-utils: text in, one classical data frame out.
//!
//! ```text
//! (1690000000.123456) can0 7E8#04410C1AF8
//! ```
//!
//! A direction mark (`R`, `T`) after the frame is accepted. Blank lines, remote frames and error frames carry no data and
//! are passed over.

use super::error::RawError;
use super::transport::CanId;

/// One data frame of a capture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Captured<'a> {
    /// UTC microseconds since 1970-01-01; digits beyond the sixth decimal are cut off.
    pub time_us: i64,
    /// Interface that received the frame: frames of different interfaces must not share a reassembler.
    pub interface: &'a str,
    /// Identifier.
    pub id: CanId,
    data: [u8; 8],
    length: usize,
}

impl Captured<'_> {
    /// The data bytes, at most 8.
    pub fn data(&self) -> &[u8] {
        &self.data[..self.length]
    }
}

/// Reads one line; `None` where it carries no data. Errors name the part that is wrong.
pub fn parse_capture_line(line: &str) -> Result<Option<Captured<'_>>, RawError> {
    let mut parts = line.split_ascii_whitespace();
    let Some(time) = parts.next() else {
        return Ok(None);
    };
    let time_us = parse_time(time)?;
    let (Some(interface), Some(frame)) = (parts.next(), parts.next()) else {
        return Err(RawError::CaptureForm);
    };
    if !matches!((parts.next(), parts.next()), (None | Some("R" | "T"), None)) {
        return Err(RawError::CaptureForm);
    }
    let (id, data) = frame.split_once('#').ok_or(RawError::CaptureForm)?;
    if data.starts_with('#') {
        return Err(RawError::CaptureFd);
    }
    if data.starts_with('R') || is_error_frame(id) {
        return Ok(None);
    }
    let id = CanId::parse(id).ok_or(RawError::CaptureId)?;
    let (data, length) = parse_data(data)?;
    Ok(Some(Captured { time_us, interface, id, data, length }))
}

/// Whether the kernel's error flag (bit 29 of an 8-digit identifier) is set.
fn is_error_frame(id: &str) -> bool {
    id.len() == 8 && u32::from_str_radix(id, 16).is_ok_and(|v| v >> 29 == 1)
}

/// `(seconds.fraction)` in microseconds. Whole seconds are refused: the form always has decimals, so they were lost.
fn parse_time(text: &str) -> Result<i64, RawError> {
    let parse = || {
        let inner = text.strip_prefix('(')?.strip_suffix(')')?;
        let (seconds, fraction) = inner.split_once('.')?;
        let is_number = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
        if !is_number(seconds) || !is_number(fraction) || fraction.len() > 9 {
            return None;
        }
        let micros = format!("{fraction:0<6}");
        let micros: i64 = micros[..6].parse().ok()?;
        seconds.parse::<i64>().ok()?.checked_mul(1_000_000)?.checked_add(micros)
    };
    parse().ok_or(RawError::CaptureTime)
}

fn parse_data(text: &str) -> Result<([u8; 8], usize), RawError> {
    let bytes = super::hex::parse_bytes(text)?;
    let mut data = [0; 8];
    let found = bytes.len();
    data.get_mut(..found).ok_or(RawError::FrameTooLong { found })?.copy_from_slice(&bytes);
    Ok((data, found))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_a_line_whatever_ends_it() {
        for end in ["", "\n", "\r\n", " \t\r\n", " R\r\n", " T"] {
            let line = format!("(1690000000.123456) can0 7E8#04410C1AF8{end}");
            let frame = parse_capture_line(&line).unwrap().unwrap();
            assert_eq!(frame.time_us, 1_690_000_000_123_456);
            assert_eq!((frame.interface, frame.id), ("can0", CanId::Standard(0x7E8)));
            assert_eq!(frame.data(), [0x04, 0x41, 0x0C, 0x1A, 0xF8]);
        }
    }

    #[test]
    fn decimals_count_from_the_point() {
        for (time, expected) in
            [("1.5", 1_500_000), ("1.000042", 1_000_042), ("1.1234567", 1_123_456)]
        {
            let line = format!("({time}) can0 7E8#");
            assert_eq!(parse_capture_line(&line).unwrap().unwrap().time_us, expected, "{time}");
        }
    }

    #[test]
    fn bad_lines_have_a_reason() {
        let cases = [
            ("7E8#0441", RawError::CaptureTime),
            ("(1690000000) can0 7E8#0441", RawError::CaptureTime),
            ("(1.69e9) can0 7E8#0441", RawError::CaptureTime),
            ("(-5.0) can0 7E8#0441", RawError::CaptureTime),
            ("(99999999999999999.0) can0 7E8#0441", RawError::CaptureTime),
            ("(1.5) can0", RawError::CaptureForm),
            ("(1.5) can0 7E80441", RawError::CaptureForm),
            ("(1.5) can0 7E8#0441 X", RawError::CaptureForm),
            ("(1.5) can0 7E8#0441 R R", RawError::CaptureForm),
            ("(1.5) can0 7E8#04 41", RawError::CaptureForm),
            ("(1.5) can0 FFF#0441", RawError::CaptureId),
            ("(1.5) can0 7E8##10441", RawError::CaptureFd),
            ("(1.5) can0 7E8#044", RawError::OddHexDigits { digits: 3 }),
            ("(1.5) can0 7E8#04\u{e9}", RawError::NotHex { found: '\u{e9}' }),
            ("(1.5) can0 7E8#000000000000000000", RawError::FrameTooLong { found: 9 }),
        ];
        for (line, reason) in cases {
            assert_eq!(parse_capture_line(line), Err(reason), "{line}");
        }
        for line in ["", "\r\n", "(1.5) can0 123#R", "(1.5) can0 123#R4", "(1.5) can0 20000080#00"]
        {
            assert_eq!(parse_capture_line(line), Ok(None), "{line}");
        }
    }

    proptest! {
        #[test]
        fn any_line_is_read_or_refused(line in any::<String>()) {
            let _ = parse_capture_line(&line);
        }

        #[test]
        fn any_near_line_is_read_or_refused(
            line in r"\([0-9e.+-]{0,24}\) ?can[0-9] ?[0-9A-F]{0,9}#{0,2}[0-9A-FR.é]{0,20}( R)?"
        ) {
            let _ = parse_capture_line(&line);
        }
    }
}
