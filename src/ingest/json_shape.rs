//! The shortcut for objects that look like the one before: the same names in the same order, plain numbers and texts.
//!
//! Comes in: a line. Goes out: its cells, exactly as the JSON reader would give them, or the answer that this line needs
//! the JSON reader: another shape, escapes, nesting, exponents, anything unusual. Never: rejects a line.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::json_rows::Scalar;
use super::number::short_decimal;

/// The members of the last object that was plain, in their order.
#[derive(Debug, Default)]
pub(super) struct Shape {
    /// Each name with its quotes and colon, and the position that it has for the profile.
    members: Vec<(Vec<u8>, Option<usize>)>,
}

impl Shape {
    /// The shape of a line that the JSON reader has accepted; empty if it is not plain.
    pub(super) fn of(line: &[u8], positions: &BTreeMap<String, usize>) -> Shape {
        Shape { members: members_of(line, positions).unwrap_or_default() }
    }

    /// Reads the line into `cells` if it has this shape; otherwise what stands in `cells` is of no use.
    #[inline]
    pub(super) fn read<'l>(&self, line: &'l [u8], cells: &mut Vec<(usize, Scalar<'l>)>) -> bool {
        self.cells(line, cells).is_some()
    }

    fn cells<'l>(&self, line: &'l [u8], cells: &mut Vec<(usize, Scalar<'l>)>) -> Option<()> {
        let mut rest = line.strip_prefix(b"{")?;
        for (at, (name, position)) in self.members.iter().enumerate() {
            let last = at + 1 == self.members.len();
            rest = without_blank(rest).strip_prefix(name.as_slice())?;
            let (scalar, used) = plain_value(without_blank(rest))?;
            rest = &without_blank(rest)[used..];
            rest = rest.strip_prefix(if last { b"}" } else { b"," })?;
            if let Some(position) = position {
                cells.push((*position, scalar));
            }
        }
        (rest.is_empty() && !self.members.is_empty()).then_some(())
    }
}

fn members_of(
    line: &[u8],
    positions: &BTreeMap<String, usize>,
) -> Option<Vec<(Vec<u8>, Option<usize>)>> {
    let mut members: Vec<(Vec<u8>, Option<usize>)> = Vec::new();
    let mut rest = line.strip_prefix(b"{")?;
    loop {
        rest = without_blank(rest);
        let (Scalar::Text(name), used) = plain_value(rest)? else { return None };
        let with_colon = rest.get(..=used).filter(|text| text.ends_with(b":"))?.to_vec();
        let position = match positions.get(name.as_ref()) {
            Some(position) => Some(*position),
            None => {
                let full = name.trim().to_lowercase();
                // The members of an object in it may be wanted.
                let inner = format!("{full}.");
                let next = positions.range(inner.clone()..).next();
                if next.is_some_and(|(name, _)| name.starts_with(&inner)) {
                    return None;
                }
                positions.get(&full).copied()
            }
        };
        // Of equal names the last one counts; the JSON reader sees to that.
        if position.is_some() && members.iter().any(|(_, known)| *known == position) {
            return None;
        }
        members.push((with_colon, position));
        rest = without_blank(&rest[used + 1..]);
        rest = &rest[plain_value(rest)?.1..];
        match rest {
            b"}" => return Some(members),
            _ => rest = rest.strip_prefix(b",")?,
        }
    }
}

/// One blank after a comma or colon is how some writers have it.
#[inline(always)]
fn without_blank(text: &[u8]) -> &[u8] {
    text.strip_prefix(b" ").unwrap_or(text)
}

/// The value at the start of `text` and its length: `null`, a plain decimal, or text in printable ASCII without escapes.
#[inline]
fn plain_value(text: &[u8]) -> Option<(Scalar<'_>, usize)> {
    match text.first()? {
        b'"' => {
            let length = text[1..]
                .iter()
                .position(|b| matches!(b, b'"' | b'\\') || !(b' '..=b'~').contains(b))?;
            let inner = text.get(1..=length).filter(|_| text[length + 1] == b'"')?;
            Some((Scalar::Text(Cow::Borrowed(std::str::from_utf8(inner).ok()?)), length + 2))
        }
        b'n' => text.starts_with(b"null").then_some((Scalar::Null, 4)),
        _ => {
            let (number, used) = short_decimal(text, b'.')?;
            let digits = text[..used].strip_prefix(b"-").unwrap_or(&text[..used]);
            // RFC 8259 section 6: no leading zeros, digits on both sides of the point.
            let zero_first =
                digits.first() == Some(&b'0') && digits.get(1).is_some_and(u8::is_ascii_digit);
            let bare_point = digits.first() == Some(&b'.') || digits.last() == Some(&b'.');
            if zero_first || bare_point || matches!(text.get(used), Some(b'e' | b'E')) {
                return None;
            }
            // The JSON reader takes `-0` for a float.
            let minus_zero = number == 0.0 && digits.len() < used;
            let whole = !digits.contains(&b'.') && !minus_zero;
            Some((if whole { Scalar::Whole(number as i64) } else { Scalar::Number(number) }, used))
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use serde_json::Value;

    use super::*;

    fn positions() -> BTreeMap<String, usize> {
        [("a", 0), ("b", 1), ("c.d", 2), ("time", 3)].map(|(n, p)| (n.to_owned(), p)).into()
    }

    /// The cells of a line by an independent reading of it.
    fn reference(line: &str) -> Option<Vec<(usize, Value)>> {
        let Value::Object(members) = serde_json::from_str(line).ok()? else { return None };
        let place = |name: &String| positions().get(&name.trim().to_lowercase()).copied();
        let mut cells: Vec<_> =
            members.into_iter().filter_map(|(name, value)| Some((place(&name)?, value))).collect();
        cells.sort_by_key(|(position, _)| *position);
        Some(cells)
    }

    fn same(scalar: &Scalar<'_>, value: &Value) -> bool {
        match scalar {
            Scalar::Null => value.is_null(),
            Scalar::Whole(n) => value.as_i64() == Some(*n),
            // The JSON reader may miss the nearest double by one unit in the last place.
            Scalar::Number(n) => {
                value.is_f64() && value.as_f64().is_some_and(|v| (v - n).abs() <= 4e-16 * n.abs())
            }
            Scalar::Text(text) => value.as_str() == Some(text),
            Scalar::Other => false,
        }
    }

    /// What the shape of `first` reads from `line`, held to the reference; whether it read it.
    fn agrees(first: &str, line: &str) -> bool {
        let mut cells = Vec::new();
        let read = Shape::of(first.as_bytes(), &positions()).read(line.as_bytes(), &mut cells);
        if read {
            let expected = reference(line).unwrap_or_else(|| panic!("{line} is no object"));
            cells.sort_by_key(|(position, _)| *position);
            assert_eq!(cells.len(), expected.len(), "{line}");
            for ((at, scalar), (position, value)) in cells.iter().zip(&expected) {
                assert!(at == position && same(scalar, value), "{line}: {scalar:?} is not {value}");
            }
        }
        read
    }

    #[test]
    fn plain_lines_are_read_and_odd_ones_are_left() {
        let first = r#"{"time":"2024-01-05T22:33:00Z","a":-1.5,"x":null,"b":0}"#;
        assert!(agrees(first, first));
        assert!(agrees(first, r#"{"time": "t", "a": 12, "x": "y", "b": -0.25}"#));
        for odd in [
            r#"{"time":"t","a":1,"x":2}"#,
            r#"{"time":"t","a":1,"x":2,"b":3,"c":4}"#,
            r#"{"time":"t","a":1,"b":3,"x":2}"#,
            r#"{"time":"t","a":1e3,"x":2,"b":3}"#,
            r#"{"time":"t","a":01,"x":2,"b":3}"#,
            r#"{"time":"t","a":1.,"x":2,"b":3}"#,
            r#"{"time":"t","a":.5,"x":2,"b":3}"#,
            r#"{"time":"t","a":1234567890123456,"x":2,"b":3}"#,
            r#"{"time":"t\n","a":1,"x":2,"b":3}"#,
            "{\"time\":\"t\u{e9}\",\"a\":1,\"x\":2,\"b\":3}",
            r#"{"time":"t","a":1,"x":2,"b":3"#,
            r#"{"time":"t","a":1,"x":2,"b":3}}"#,
            r#"{"time":"t","a":[1],"x":2,"b":3}"#,
        ] {
            assert!(!agrees(first, odd), "{odd}");
        }
        // Equal names, objects in objects and what is no object have no shape.
        for none in [r#"{"a":1,"A":2}"#, r#"{"c":{"d":1}}"#, r#"{"c":1}"#, "[1]", "{}", ""] {
            assert!(!agrees(none, none), "{none}");
        }
    }

    proptest! {
        #[test]
        fn whatever_is_read_is_what_stands_there(
            line in r#"\{("(a|b|time|x)": ?(-?[0-9]{1,3}(\.[0-9]{0,3})?|null|"[ -~]{0,4}"),? ?){1,4}\}"#
        ) {
            agrees(&line, &line);
        }

        #[test]
        fn a_changed_byte_never_gives_other_cells(at in 0usize..60, byte in any::<u8>()) {
            let first = r#"{"time":"2024-01-05T22:33:00Z","a":-1.5,"x":null,"b":0}"#;
            let mut line = first.as_bytes().to_vec();
            let at = at % line.len();
            line[at] = byte;
            if let Ok(line) = String::from_utf8(line) {
                agrees(first, &line);
            }
        }
    }
}
