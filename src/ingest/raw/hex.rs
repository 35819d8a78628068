//! Hexadecimal cells of a log: text in, bytes out, one [`Answer`] for each control unit that replied.
//!
//! Accepted: upper and lower case, any white space between bytes, `0x` before a group. Several answers in one cell
//! stand on lines of their own or are parted by `;` or `|`; each may start with its CAN identifier.

use super::error::RawError;
use super::transport::{CanId, MAX_MESSAGE, Role};

/// One control unit's answer as found in a cell.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// The CAN identifier before the bytes, if there was one.
    pub id: Option<CanId>,
    /// The bytes: a diagnostic message, or a CAN frame if its first byte is below 40.
    pub bytes: Vec<u8>,
}

/// The bytes of a hexadecimal text; empty text gives no byte. Errors: odd groups, foreign characters, over-length.
pub fn parse_bytes(text: &str) -> Result<Vec<u8>, RawError> {
    let mut bytes = Vec::new();
    for group in text.split_ascii_whitespace() {
        let digits = group.strip_prefix("0x").or(group.strip_prefix("0X")).unwrap_or(group);
        if let Some(found) = digits.chars().find(|c| !c.is_ascii_hexdigit()) {
            return Err(RawError::NotHex { found });
        }
        // Groups are never joined: `4 1C` may be `04 1C` with its zero dropped, so pairing on would invent bytes.
        if digits.len() % 2 != 0 {
            return Err(RawError::OddHexDigits { digits: digits.len() });
        }
        if bytes.len() + digits.len() / 2 > MAX_MESSAGE {
            return Err(RawError::TooLong { limit: MAX_MESSAGE });
        }
        bytes.extend(
            digits.as_bytes().chunks_exact(2).map(|pair| nibble(pair[0]) << 4 | nibble(pair[1])),
        );
    }
    Ok(bytes)
}

/// All answers in a cell, in order; an empty cell has none, which means 'not available', not a fault.
pub fn parse_answers(cell: &str) -> Result<Vec<Answer>, RawError> {
    cell.split(['\r', '\n', ';', '|'])
        .map(str::trim)
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (id, rest) = split_id(part);
            let bytes = parse_bytes(rest)?;
            if bytes.is_empty() { Err(RawError::Empty) } else { Ok(Answer { id, bytes }) }
        })
        .collect()
}

/// Parts the leading identifier of a diagnostic response from the bytes, if there is one.
fn split_id(part: &str) -> (Option<CanId>, &str) {
    let Some((head, rest)) = part.split_once(|c: char| c == ':' || c.is_ascii_whitespace()) else {
        return (None, part);
    };
    match CanId::parse(head) {
        Some(id) if matches!(id.role(), Role::Response) => (Some(id), rest),
        _ => (None, part),
    }
}

/// Value of a digit that was checked to be hexadecimal.
fn nibble(digit: u8) -> u8 {
    match digit {
        b'0'..=b'9' => digit - b'0',
        b'a'..=b'f' => digit - b'a' + 10,
        b'A'..=b'F' => digit - b'A' + 10,
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn reads_the_usual_spellings() {
        for text in ["410C1AF8", "41 0c 1a f8", "0x41 0x0C 0x1A 0xF8", " 41 0C\t1AF8 \r\n"] {
            assert_eq!(parse_bytes(text), Ok(vec![0x41, 0x0C, 0x1A, 0xF8]), "{text:?}");
        }
        assert_eq!(parse_bytes(""), Ok(vec![]));
    }

    #[test]
    fn refuses_what_would_have_to_be_guessed() {
        assert_eq!(parse_bytes("41 C 1A F"), Err(RawError::OddHexDigits { digits: 1 }));
        assert_eq!(parse_bytes("410C1AF"), Err(RawError::OddHexDigits { digits: 7 }));
        assert_eq!(parse_bytes("41 0G"), Err(RawError::NotHex { found: 'G' }));
        assert_eq!(parse_bytes("41 0\u{e9}"), Err(RawError::NotHex { found: '\u{e9}' }));
        assert!(parse_bytes(&"00".repeat(MAX_MESSAGE)).is_ok());
        assert_eq!(
            parse_bytes(&"00".repeat(MAX_MESSAGE + 1)),
            Err(RawError::TooLong { limit: MAX_MESSAGE })
        );
    }

    #[test]
    fn parts_answers_of_several_control_units() {
        let cell = "7E8: 41 0C 1A F8; 7E9 41 0C 1A F0\n18DAF110 410D32|410D33";
        let answers = parse_answers(cell).unwrap();
        let ids: Vec<_> = answers.iter().map(|a| a.id).collect();
        assert_eq!(
            ids,
            [
                Some(CanId::Standard(0x7E8)),
                Some(CanId::Standard(0x7E9)),
                Some(CanId::Extended(0x18DA_F110)),
                None
            ]
        );
        assert_eq!(answers[3].bytes, [0x41, 0x0D, 0x33]);
        assert_eq!(parse_answers(" ; \r\n"), Ok(vec![]));
        assert_eq!(parse_answers("7E8:"), Err(RawError::Empty));
    }

    proptest! {
        #[test]
        fn any_text_is_read_or_refused(text in any::<String>()) {
            let _ = parse_bytes(&text);
            let _ = parse_answers(&text);
        }

        #[test]
        fn bytes_survive_writing_and_reading(bytes in prop::collection::vec(any::<u8>(), 0..64)) {
            let spaced: String = bytes.iter().map(|b| format!("{b:02x} ")).collect();
            let packed: String = bytes.iter().map(|b| format!("{b:02X}")).collect();
            prop_assert_eq!(parse_bytes(&spaced), Ok(bytes.clone()));
            prop_assert_eq!(parse_bytes(&packed), Ok(bytes));
        }
    }
}
