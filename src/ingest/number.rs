//! Decimal text to `f64`, exactly rounded and fast.
//!
//! Comes in: the bytes of a cell. Goes out: the nearest `f64` and where the number ended. Never: units, ranges, columns.

/// How a source writes numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct NumberForm {
    /// The decimal mark.
    pub(super) decimal: u8,
    /// The mark between groups of three digits, if the source writes one.
    pub(super) thousands: Option<u8>,
}

impl NumberForm {
    /// A decimal point and no thousands mark.
    pub(super) const POINT: NumberForm = NumberForm { decimal: b'.', thousands: None };
}

// Powers of ten that an f64 holds exactly: a quotient or product with one of them and an integer below 2^53 is
// correctly rounded (Clinger 1990, How to read floating point numbers accurately, the fast path).
const EXACT_POWERS: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// The plain decimal at the start of `text` and its length in bytes; `None` if it is not plain or not short.
///
/// Plain means: an optional minus sign, 1 to 15 digits in all, at most one decimal mark.
#[inline(always)]
pub(super) fn short_decimal(text: &[u8], decimal: u8) -> Option<(f64, usize)> {
    let negative = text.first() == Some(&b'-');
    let start = usize::from(negative);
    let mut at = start;
    let mut digits: i64 = 0;
    while let Some(&byte) = text.get(at) {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            break;
        }
        digits = digits.wrapping_mul(10).wrapping_add(i64::from(digit));
        at += 1;
    }
    let mut count = at - start;
    let mut value = digits as f64;
    if text.get(at) == Some(&decimal) {
        at += 1;
        let fraction = at;
        while let Some(&byte) = text.get(at) {
            let digit = byte.wrapping_sub(b'0');
            if digit > 9 {
                break;
            }
            digits = digits.wrapping_mul(10).wrapping_add(i64::from(digit));
            at += 1;
        }
        let places = at - fraction;
        count += places;
        if count > 15 {
            return None;
        }
        value = digits as f64 / EXACT_POWERS[places & 15];
    }
    if count == 0 || count > 15 {
        return None;
    }
    Some((if negative { -value } else { value }, at))
}

/// The number at the start of `text` in any decimal form, and its length; `None` if there is none.
///
/// Infinities and NaN are not numbers here. A thousands mark is accepted only between groups of three digits.
pub(super) fn any_decimal(text: &[u8], form: NumberForm) -> Option<(f64, usize)> {
    let signed = usize::from(matches!(text.first(), Some(b'+' | b'-')));
    if !text.get(signed).is_some_and(|b| b.is_ascii_digit() || *b == form.decimal) {
        return None;
    }
    let mut plain = [0u8; 64];
    let (used, len) = to_plain(text, form, &mut plain)?;
    // `to_plain` stops at anything that is not part of a decimal, so the whole of `plain` must parse.
    let value: f64 = fast_float2::parse(&plain[..len]).ok()?;
    value.is_finite().then_some((value, used))
}

/// Copies the leading number of `text` into `plain` with `.` and without thousands marks.
///
/// Gives the bytes used of `text` and the bytes written; `None` if it does not fit or groups are not of three.
fn to_plain(text: &[u8], form: NumberForm, plain: &mut [u8; 64]) -> Option<(usize, usize)> {
    let (mut at, mut len) = (0, 0);
    let mut group: Option<usize> = None; // digits since the last thousands mark
    let mut seen_decimal = false;
    let mut seen_exponent = false;
    while let Some(&byte) = text.get(at) {
        let next_is_digit = text.get(at + 1).is_some_and(u8::is_ascii_digit);
        let out = match byte {
            b'0'..=b'9' => {
                if !seen_decimal && !seen_exponent {
                    group = group.map(|n| n + 1);
                }
                byte
            }
            b'+' if at == 0 => {
                at += 1;
                continue;
            }
            b'-' if at == 0 => byte,
            _ if byte == form.decimal && !seen_decimal && !seen_exponent => {
                seen_decimal = true;
                b'.'
            }
            _ if Some(byte) == form.thousands
                && !seen_decimal
                && !seen_exponent
                && next_is_digit =>
            {
                if group.is_some_and(|n| n != 3)
                    || (group.is_none() && !(1..=3).contains(&digits_in(&plain[..len])))
                {
                    return None;
                }
                group = Some(0);
                at += 1;
                continue;
            }
            b'e' | b'E' if !seen_exponent && exponent_follows(&text[at + 1..]) => {
                seen_exponent = true;
                byte
            }
            b'+' | b'-' if seen_exponent && matches!(text[at - 1], b'e' | b'E') => byte,
            _ => break,
        };
        *plain.get_mut(len)? = out;
        len += 1;
        at += 1;
    }
    (group.is_none_or(|n| n == 3)).then_some((at, len))
}

fn digits_in(text: &[u8]) -> usize {
    text.iter().filter(|b| b.is_ascii_digit()).count()
}

fn exponent_follows(rest: &[u8]) -> bool {
    match rest.first() {
        Some(b'+' | b'-') => rest.get(1).is_some_and(u8::is_ascii_digit),
        Some(byte) => byte.is_ascii_digit(),
        None => false,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const POINT: NumberForm = NumberForm::POINT;
    const COMMA: NumberForm = NumberForm { decimal: b',', thousands: Some(b'.') };

    #[test]
    fn numbers_as_loggers_write_them() {
        assert_eq!(any_decimal(b"1.234,5 km", COMMA), Some((1234.5, 7)));
        assert_eq!(any_decimal(b"74,50%", COMMA), Some((74.5, 5)));
        assert_eq!(any_decimal(b"82 C", POINT), Some((82.0, 2)));
        assert_eq!(any_decimal(b"+3.5", POINT), Some((3.5, 4)));
        assert_eq!(any_decimal(b".5", POINT), Some((0.5, 2)));
        assert_eq!(any_decimal(b"1.5e3", POINT), Some((1500.0, 5)));
        assert_eq!(any_decimal(b"1.5e", POINT), Some((1.5, 3)));
    }

    #[test]
    fn what_is_not_a_number() {
        for text in ["", "-", "nan", "inf", "-inf", "NODATA", "e5", ".", "--1"] {
            assert_eq!(any_decimal(text.as_bytes(), POINT), None, "{text}");
        }
        assert_eq!(
            any_decimal(b"12.34", COMMA),
            None,
            "a group of two digits is no thousands group"
        );
        assert_eq!(any_decimal(b"1e999", POINT), None);
        assert_eq!(short_decimal(b"1234567890123456", b'.'), None);
        assert_eq!(short_decimal(b"-", b'.'), None);
        assert_eq!(short_decimal(b".", b'.'), None);
    }

    proptest! {
        #[test]
        fn short_decimals_are_the_nearest_double(text in "-?[0-9]{1,8}(\\.[0-9]{0,7})?") {
            let expected: f64 = fast_float2::parse(&text).unwrap();
            let (value, used) = short_decimal(text.as_bytes(), b'.').unwrap();
            prop_assert_eq!(used, text.len());
            prop_assert_eq!(value.to_bits(), expected.to_bits());
        }

        #[test]
        fn any_decimal_agrees_with_the_reference_parser(value in any::<f64>()) {
            prop_assume!(value.is_finite());
            let text = format!("{value:e}");
            prop_assert_eq!(any_decimal(text.as_bytes(), POINT), Some((value, text.len())));
        }

        #[test]
        fn short_and_any_agree_on_arbitrary_bytes(text in proptest::collection::vec(any::<u8>(), 0..24)) {
            if let Some((short, used)) = short_decimal(&text, b'.') {
                // The long form may read on into an exponent.
                if !matches!(text.get(used), Some(b'e' | b'E')) {
                    prop_assert_eq!(any_decimal(&text, POINT), Some((short, used)));
                }
            }
        }
    }
}
