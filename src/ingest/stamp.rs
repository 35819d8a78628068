//! Time text to microseconds.
//!
//! Comes in: the bytes of a time cell and the form that the profile states. Goes out: a [`Stamp`], in UTC or still in
//! local time. Never: decides what a local time means (see `clock`), or whether a time is believable (see `rows`).

use super::number::{NumberForm, any_decimal};
use super::profile::{StartForm, TimeForm};
use crate::tables::samples::RejectCode;

/// A time as read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stamp {
    /// Microseconds since 1970-01-01 UTC.
    Utc(i64),
    /// Microseconds since 1970-01-01 on a wall clock.
    Local(i64),
    /// Microseconds since the start of the recording.
    Elapsed(i64),
}

const MINUTE_US: i64 = 60_000_000;
const DAY_US: i64 = 86_400_000_000;

/// Reads times of one form; remembers the last minute, because rows follow each other.
#[derive(Debug)]
pub(super) struct StampReader {
    form: TimeForm,
    zoned: bool,
    numbers: NumberForm,
    /// The first 16 bytes of the last RFC 3339 time, `2024-01-05T22:33`, and what they mean.
    minute: [u8; 16],
    minute_us: i64,
}

impl StampReader {
    /// `zoned`: the profile names a zone, so a time without an offset is local.
    pub(super) fn new(form: TimeForm, zoned: bool, numbers: NumberForm) -> StampReader {
        StampReader { form, zoned, numbers, minute: [0; 16], minute_us: 0 }
    }

    /// Reads one cell, already trimmed.
    #[inline]
    pub(super) fn read(&mut self, text: &[u8]) -> Result<Stamp, RejectCode> {
        let stamp = match &self.form {
            TimeForm::Rfc3339 => self.rfc3339(text),
            TimeForm::Epoch { per_second } => epoch(text, *per_second).map(Stamp::Utc),
            TimeForm::Pattern(pattern) => by_pattern(pattern, text),
            TimeForm::Elapsed { us_per_unit, .. } => {
                elapsed(text, *us_per_unit, self.numbers).map(Stamp::Elapsed)
            }
        };
        match stamp {
            Some(Stamp::Local(_)) if !self.zoned => Err(RejectCode::BadTime),
            Some(stamp) => Ok(stamp),
            None if is_scientific(text) => Err(RejectCode::ImpreciseTime),
            None => Err(RejectCode::BadTime),
        }
    }

    /// RFC 3339 section 5.6, with a space allowed for the `T` as its note says, and a missing offset meaning local time.
    #[inline]
    fn rfc3339(&mut self, text: &[u8]) -> Option<Stamp> {
        let (minute, rest) = text.split_first_chunk::<16>()?;
        if *minute != self.minute {
            self.minute_us = civil_minute(minute)?;
            self.minute = *minute;
        }
        let [b':', s1, s2, rest @ ..] = rest else {
            return None;
        };
        let seconds = two_digits(*s1, *s2)?;
        if seconds > 60 {
            return None; // 60 is a leap second and counts into the next minute
        }
        let (fraction_us, rest) = fraction(rest)?;
        let local = self.minute_us + seconds * 1_000_000 + fraction_us;
        match rest {
            b"Z" | b"z" => Some(Stamp::Utc(local)),
            [] => Some(Stamp::Local(local)),
            [sign @ (b'+' | b'-'), h1, h2, b':', m1, m2] => {
                let (hours, minutes) = (two_digits(*h1, *h2)?, two_digits(*m1, *m2)?);
                if hours > 23 || minutes > 59 {
                    return None;
                }
                let offset = (hours * 60 + minutes) * MINUTE_US;
                Some(Stamp::Utc(if *sign == b'-' { local + offset } else { local - offset }))
            }
            _ => None,
        }
    }
}

#[inline]
fn two_digits(tens: u8, ones: u8) -> Option<i64> {
    let (tens, ones) = (tens.wrapping_sub(b'0'), ones.wrapping_sub(b'0'));
    (tens <= 9 && ones <= 9).then(|| i64::from(tens) * 10 + i64::from(ones))
}

/// `2024-01-05T22:33` to microseconds.
fn civil_minute(text: &[u8; 16]) -> Option<i64> {
    let [y1, y2, y3, y4, b'-', m1, m2, b'-', d1, d2, b'T' | b't' | b' ', h1, h2, b':', n1, n2] =
        *text
    else {
        return None;
    };
    let year = two_digits(y1, y2)? * 100 + two_digits(y3, y4)?;
    let (month, day) = (two_digits(m1, m2)?, two_digits(d1, d2)?);
    let (hour, minute) = (two_digits(h1, h2)?, two_digits(n1, n2)?);
    if hour > 23 || minute > 59 {
        return None;
    }
    Some(days_from_civil(year, month, day)? * DAY_US + (hour * 60 + minute) * MINUTE_US)
}

/// Days since 1970-01-01 of a date in the proleptic Gregorian calendar; `None` if there is no such date.
pub(super) fn days_from_civil(year: i64, month: i64, day: i64) -> Option<i64> {
    let date = jiff::civil::Date::new(
        i16::try_from(year).ok()?,
        i8::try_from(month).ok()?,
        i8::try_from(day).ok()?,
    );
    let epoch = jiff::civil::date(1970, 1, 1);
    Some(i64::from(date.ok()?.since(epoch).ok()?.get_days()))
}

/// `.123456` to microseconds and what follows; digits beyond the sixth are cut off.
fn fraction(text: &[u8]) -> Option<(i64, &[u8])> {
    let Some((b'.' | b',', rest)) = text.split_first() else {
        return Some((0, text));
    };
    let digits = rest.iter().take_while(|b| b.is_ascii_digit()).count();
    if digits == 0 {
        return None;
    }
    let mut us = 0;
    for place in 0..6 {
        let digit = rest.get(place).filter(|_| place < digits).map_or(0, |b| i64::from(b - b'0'));
        us = us * 10 + digit;
    }
    Some((us, &rest[digits..]))
}

/// Ticks since 1970 with an optional decimal fraction, computed in integers.
fn epoch(text: &[u8], per_second: i64) -> Option<i64> {
    let whole = text.iter().take_while(|b| b.is_ascii_digit()).count();
    if whole == 0 || whole > 17 {
        return None;
    }
    let mut ticks: i64 = 0;
    for byte in &text[..whole] {
        ticks = ticks * 10 + i64::from(byte - b'0');
    }
    let (millionths, rest) = fraction(&text[whole..])?;
    if !rest.is_empty() {
        return None;
    }
    ticks.checked_mul(1_000_000 / per_second)?.checked_add(millionths / per_second)
}

/// A span since the start; at most 100 years, so that sums stay far from the limits of the integer.
fn elapsed(text: &[u8], us_per_unit: f64, numbers: NumberForm) -> Option<i64> {
    let (number, used) = any_decimal(text, numbers)?;
    let us = (number * us_per_unit).round();
    let whole = used == text.len() && !is_scientific(text);
    (whole && (0.0..=3.2e15).contains(&us)).then_some(us as i64)
}

fn by_pattern(pattern: &str, text: &[u8]) -> Option<Stamp> {
    let broken_down = jiff::fmt::strtime::parse(pattern, text).ok()?;
    if broken_down.offset().is_some() || broken_down.timestamp().is_some() {
        return broken_down.to_timestamp().ok().map(|t| Stamp::Utc(t.as_microsecond()));
    }
    broken_down.to_datetime().ok().map(|d| Stamp::Local(local_us(d)))
}

/// Microseconds since 1970-01-01 on the wall clock that shows `time`.
fn local_us(time: jiff::civil::DateTime) -> i64 {
    // UTC has neither gaps nor folds, so this cannot be ambiguous; civil times all fit.
    jiff::tz::Offset::UTC.to_timestamp(time).map_or(i64::MIN, |t| t.as_microsecond())
}

/// The start that a file name gives, UTC microseconds.
pub(super) fn start_us(form: &StartForm, text: &str) -> Option<i64> {
    let time_form = match &form.pattern {
        Some(pattern) => TimeForm::Pattern(pattern.clone()),
        None => TimeForm::Rfc3339,
    };
    let stamp = StampReader::new(time_form, form.zone.is_some(), NumberForm::POINT)
        .read(text.as_bytes())
        .ok()?;
    match (stamp, &form.zone) {
        (Stamp::Utc(us), _) => Some(us),
        (Stamp::Local(us), Some(zone)) => {
            super::clock::LocalClock::new(zone.clone()).resolve(us, None).ok()
        }
        (Stamp::Local(_), None) | (Stamp::Elapsed(_), _) => None,
    }
}

/// Whether `text` is a number with an exponent, as spreadsheets write large integers.
fn is_scientific(text: &[u8]) -> bool {
    let mantissa =
        text.iter().take_while(|b| b.is_ascii_digit() || matches!(b, b'.' | b',')).count();
    match &text[mantissa..] {
        [b'e' | b'E', b'+' | b'-', rest @ ..] | [b'e' | b'E', rest @ ..] => {
            mantissa > 0 && !rest.is_empty() && rest.iter().all(u8::is_ascii_digit)
        }
        _ => false,
    }
}

/// Whether any number in `text` is written with an exponent.
pub(super) fn has_exponent(text: &[u8]) -> bool {
    text.windows(3).any(|w| {
        w[0].is_ascii_digit()
            && matches!(w[1], b'e' | b'E')
            && (w[2].is_ascii_digit() || matches!(w[2], b'+' | b'-'))
    })
}

/// RFC 3339 text in UTC for microseconds since 1970.
pub(super) fn rfc3339(us: i64) -> String {
    jiff::Timestamp::from_microsecond(us).map_or_else(|_| us.to_string(), |t| t.to_string())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn read(form: TimeForm, zoned: bool, text: &str) -> Result<Stamp, RejectCode> {
        StampReader::new(form, zoned, NumberForm::POINT).read(text.as_bytes())
    }

    #[test]
    fn rfc_3339_examples() {
        // RFC 3339, section 5.8, examples
        let read = |text| read(TimeForm::Rfc3339, false, text);
        let us =
            |text: &str| Ok(Stamp::Utc(text.parse::<jiff::Timestamp>().unwrap().as_microsecond()));
        assert_eq!(read("1985-04-12T23:20:50.52Z"), us("1985-04-12T23:20:50.52Z"));
        assert_eq!(read("1996-12-19T16:39:57-08:00"), us("1996-12-20T00:39:57Z"));
        assert_eq!(read("1990-12-31T23:59:60Z"), us("1991-01-01T00:00:00Z"));
        assert_eq!(read("1937-01-01T12:00:27.87+00:20"), us("1937-01-01T11:40:27.87Z"));
    }

    #[test]
    fn times_that_are_refused() {
        let code = |text| read(TimeForm::Rfc3339, false, text).unwrap_err();
        for text in [
            "",
            "2024-02-30T00:00:00Z",
            "2024-01-05T24:00:00Z",
            "2024-01-05",
            "2024-01-05T22:33:61Z",
            "x",
        ] {
            assert_eq!(code(text), RejectCode::BadTime, "{text}");
        }
        assert_eq!(code("2024-01-05T22:33:00"), RejectCode::BadTime, "no offset and no zone");
        assert_eq!(code("1.70452E+09"), RejectCode::ImpreciseTime);
        let epoch = |text| read(TimeForm::Epoch { per_second: 1000 }, false, text);
        assert_eq!(epoch("1,7E+12"), Err(RejectCode::ImpreciseTime));
        assert_eq!(epoch("1704493980123"), Ok(Stamp::Utc(1_704_493_980_123_000)));
        assert_eq!(epoch("1704493980123.25"), Ok(Stamp::Utc(1_704_493_980_123_250)));
        assert_eq!(epoch("99999999999999999"), Err(RejectCode::BadTime));
        assert_eq!(epoch("-5"), Err(RejectCode::BadTime));
    }

    #[test]
    fn patterns_give_local_times_or_utc() {
        let pattern = |p: &str| TimeForm::Pattern(p.to_owned());
        let local = read(pattern("%d.%m.%Y %H:%M:%S"), true, "05.01.2024 22:33:01");
        assert_eq!(local, Ok(Stamp::Local(1_704_493_981_000_000)));
        let utc = read(pattern("%Y%m%dT%H%M%S%z"), false, "20240105T223301+0100");
        assert_eq!(utc, Ok(Stamp::Utc(1_704_490_381_000_000)));
    }

    proptest! {
        #[test]
        fn rfc_3339_agrees_with_the_reference_parser(us in 0i64..4_102_444_800_000_000, cut in 0i64..2) {
            let us = if cut == 0 { us } else { us / 1_000_000 * 1_000_000 };
            let text = jiff::Timestamp::from_microsecond(us).unwrap().to_string();
            prop_assert_eq!(read(TimeForm::Rfc3339, false, &text), Ok(Stamp::Utc(us)));
        }

        #[test]
        fn what_the_fast_reader_takes_the_reference_parser_takes(
            text in "20[0-9]{2}-[01][0-9]-[0-3][0-9]T[0-2][0-9]:[0-5][0-9]:[0-5][0-9](\\.[0-9]{1,9})?(Z|[+-][01][0-9]:[0-5][0-9])"
        ) {
            let reference = text.parse::<jiff::Timestamp>().ok().map(|t| t.as_microsecond());
            if let (Ok(Stamp::Utc(us)), Some(reference)) = (read(TimeForm::Rfc3339, false, &text), reference) {
                prop_assert_eq!(us, reference);
            } else {
                prop_assert_eq!(read(TimeForm::Rfc3339, false, &text).is_ok(), reference.is_some());
            }
        }

        #[test]
        fn arbitrary_bytes_never_crash_the_reader(text in proptest::collection::vec(any::<u8>(), 0..40)) {
            for form in [TimeForm::Rfc3339, TimeForm::Epoch { per_second: 1 }, TimeForm::Pattern("%d/%m/%Y %H:%M".into())] {
                let _ = StampReader::new(form, true, NumberForm::POINT).read(&text);
            }
        }
    }
}
