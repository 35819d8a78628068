//! Days and times as text. Times are UTC throughout.

use super::settings::FileSpan;
use jiff::ToSpan;
use jiff::civil::{Date, date};

/// The civil date of a day counted from 1970-01-01.
pub(super) fn civil(day: i32) -> Date {
    date(1970, 1, 1).saturating_add(day.days())
}

/// Name of the stretch of time that `day` falls into; weeks count from `first_day`.
pub(super) fn span_name(day: i32, first_day: i32, span: FileSpan) -> String {
    let d = civil(day);
    match span {
        FileSpan::Week => {
            // Named by its first day.
            civil(day - (day - first_day).rem_euclid(7)).to_string()
        }
        FileSpan::Month => format!("{:04}-{:02}", d.year(), d.month()),
        FileSpan::Quarter => format!("{:04}-Q{}", d.year(), (d.month() - 1) / 3 + 1),
    }
}

/// Appends seconds since 1970-01-01 as RFC 3339 in UTC.
pub(super) fn push_time(out: &mut Vec<u8>, time_s: i64) {
    let d = civil(time_s.div_euclid(86_400) as i32);
    let second = time_s.rem_euclid(86_400);
    let mut two = |value: i64, after: u8| {
        out.push(b'0' + (value / 10 % 10) as u8);
        out.push(b'0' + (value % 10) as u8);
        if after > 0 {
            out.push(after);
        }
    };
    two(i64::from(d.year()) / 100, 0);
    two(i64::from(d.year()) % 100, b'-');
    two(i64::from(d.month()), b'-');
    two(i64::from(d.day()), b'T');
    two(second / 3600, b':');
    two(second / 60 % 60, b':');
    two(second % 60, b'Z');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_rfc_3339() {
        for time in [0_i64, 951_782_399, 1_709_539_200, 4_102_444_799] {
            let mut out = Vec::new();
            push_time(&mut out, time);
            let standard = jiff::Timestamp::from_second(time).unwrap().to_string();
            assert_eq!(String::from_utf8(out).unwrap(), standard);
        }
    }

    #[test]
    fn spans_are_named_by_calendar() {
        assert_eq!(span_name(19_786, 19_786, FileSpan::Month), "2024-03");
        assert_eq!(span_name(19_786, 19_786, FileSpan::Quarter), "2024-Q1");
        assert_eq!(span_name(19_795, 19_786, FileSpan::Week), "2024-03-11");
    }
}
