//! How text, dates and figures are written for people, in one place.
//!
//! Rounding: money to whole units, trim and economy to 0.1, distances to 1 km (page) or 100 km (sentences),
//! probabilities to 1 %. Ties go to the even digit of the exact binary value, as Rust formats. A value
//! that is not finite is written as a dash, never as a number. CSV cells follow `cells.rs`.

use jiff::civil::{Date, date};
use jiff::{SignedDuration, Timestamp};

/// Stands for a value that is not known.
pub const UNKNOWN: &str = "–";

/// Text of foreign origin made harmless to read: control characters become spaces, and characters
/// that are invisible or turn the reading direction are spelled out, so that no name passes for another.
pub fn clean(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c.is_control() || matches!(c, '\u{2028}' | '\u{2029}') {
            out.push(' ');
        } else if is_invisible(c) {
            out.push_str(&format!("[U+{:04X}]", u32::from(c)));
        } else {
            out.push(c);
        }
    }
    out.trim().to_owned()
}

/// Characters of the Unicode property Default_Ignorable_Code_Point that occur in disguises, with the
/// direction marks of the bidirectional algorithm (UAX 9) among them; from memory.
pub(super) fn is_invisible(c: char) -> bool {
    matches!(c,
        '\u{00AD}' | '\u{034F}' | '\u{061C}' | '\u{115F}' | '\u{1160}' | '\u{180E}'
        | '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{206F}'
        | '\u{3164}' | '\u{FEFF}' | '\u{FFA0}' | '\u{FFF9}'..='\u{FFFB}'
        | '\u{E0000}'..='\u{E0FFF}')
}

/// The first letter in upper case, a full stop at the end, and no line break between a figure and `%`.
pub fn sentence(text: &str) -> String {
    let text = clean(text).replace(" %", "\u{a0}%");
    let mut chars = text.chars();
    let Some(first) = chars.next() else {
        return String::new();
    };
    let mut out: String = first.to_uppercase().chain(chars).collect();
    if !out.ends_with(['.', '!', '?']) {
        out.push('.');
    }
    out
}

/// The civil date of a day since 1970-01-01, if it is in the calendar.
pub fn civil(day: i32) -> Option<Date> {
    date(1970, 1, 1).checked_add(SignedDuration::from_hours(24 * i64::from(day))).ok()
}

/// `2025-03-03`; empty if out of the calendar.
pub fn iso_day(day: i32) -> String {
    civil(day).map_or(String::new(), |d| d.to_string())
}

/// `3 Mar 2025`.
pub fn short_day(day: i32) -> String {
    civil(day).map_or(UNKNOWN.to_owned(), |d| d.strftime("%-d %b %Y").to_string())
}

/// `Monday 3 March 2025`.
pub fn long_day(day: i32) -> String {
    civil(day).map_or(UNKNOWN.to_owned(), |d| d.strftime("%A %-d %B %Y").to_string())
}

/// UTC microseconds since 1970-01-01 as `2025-03-03 07:12`.
pub fn minute(us: i64) -> String {
    Timestamp::from_microsecond(us)
        .map_or(UNKNOWN.to_owned(), |t| t.strftime("%Y-%m-%d %H:%M").to_string())
}

/// A figure with `decimals` places and no negative zero; a dash if it is not known.
pub fn figure(value: f64, decimals: usize) -> String {
    plain(value, decimals).unwrap_or_else(|| UNKNOWN.to_owned()).replace('-', "−")
}

/// The same with its sign.
pub fn signed(value: f64, decimals: usize) -> String {
    let text = figure(value, decimals);
    let is_zero = text.chars().all(|c| matches!(c, '0' | '.'));
    if value > 0.0 && value.is_finite() && !is_zero { format!("+{text}") } else { text }
}

/// A signed percentage.
pub fn percent(value: f64, decimals: usize) -> String {
    if value.is_finite() {
        format!("{}\u{a0}%", signed(value, decimals))
    } else {
        UNKNOWN.to_owned()
    }
}

/// A probability in whole percent, never rounded up to certainty or down to nothing.
pub fn probability(p: f64) -> String {
    match p {
        p if !p.is_finite() => UNKNOWN.to_owned(),
        p if p > 0.99 && p < 1.0 => "over 99\u{a0}%".to_owned(),
        p if p > 0.0 && p < 0.01 => "under 1\u{a0}%".to_owned(),
        p => format!("{}\u{a0}%", figure(100.0 * p, 0)),
    }
}

/// An amount in whole units of the currency.
pub fn money(currency: &str, amount: f64) -> String {
    let currency = clean(currency);
    match amount {
        a if !a.is_finite() => UNKNOWN.to_owned(),
        a if a > 0.0 && a < 1.0 => format!("under {currency}\u{a0}1"),
        a => format!("{currency}\u{a0}{}", whole(a)),
    }
}

/// A whole number with commas between thousands.
pub fn whole(value: f64) -> String {
    let Some(text) = plain(value, 0) else {
        return UNKNOWN.to_owned();
    };
    let (sign, digits) = text.strip_prefix('-').map_or(("", text.as_str()), |d| ("−", d));
    let mut out = String::from(sign);
    for (i, c) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            out.push(',');
        }
        out.push(c);
    }
    out
}

/// A count with commas between thousands.
pub fn count(n: u64) -> String {
    whole(n as f64)
}

/// `1 vehicle`, `2 vehicles`.
pub fn counted(n: usize, one: &str, many: &str) -> String {
    match n {
        0 => format!("no {one}"),
        1 => format!("1 {one}"),
        n => format!("{} {many}", count(n as u64)),
    }
}

/// `a, b and c`.
pub fn list(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [rest @ .., last] => format!("{} and {last}", rest.join(", ")),
    }
}

/// A plain decimal for machines: ASCII minus, no negative zero; `None` if not finite.
pub(super) fn plain(value: f64, decimals: usize) -> Option<String> {
    if !value.is_finite() {
        return None;
    }
    let text = format!("{value:.decimals$}");
    let is_zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    Some(if is_zero { text.trim_start_matches('-').to_owned() } else { text })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_follow_the_civil_calendar() {
        // 20,000 days after the epoch is 2024-10-04, a Friday (GNU date -u -d @1728000000).
        assert_eq!(iso_day(20_000), "2024-10-04");
        assert_eq!(long_day(20_000), "Friday 4 October 2024");
        assert_eq!(short_day(-1), "31 Dec 1969");
        assert_eq!(iso_day(i32::MAX), "");
    }

    #[test]
    fn figures_never_show_a_negative_zero_or_nan() {
        assert_eq!(figure(-0.04, 1), "0.0");
        assert_eq!(signed(0.04, 1), "0.0");
        assert_eq!(signed(2.26, 1), "+2.3");
        assert_eq!(signed(-2.26, 1), "−2.3");
        assert_eq!(percent(f64::NAN, 1), UNKNOWN);
        assert_eq!(whole(f64::INFINITY), UNKNOWN);
        assert_eq!(whole(-1_234_567.4), "−1,234,567");
        assert_eq!(whole(123.0), "123");
    }

    #[test]
    fn probabilities_are_never_rounded_to_certainty() {
        assert_eq!(probability(0.999), "over 99\u{a0}%");
        assert_eq!(probability(0.004), "under 1\u{a0}%");
        assert_eq!(probability(0.5), "50\u{a0}%");
    }

    #[test]
    fn disguises_are_spelled_out() {
        assert_eq!(clean("van\u{202e}7"), "van[U+202E]7");
        assert_eq!(clean("a\u{1b}[31mb\r\nc"), "a [31mb  c");
    }
}
