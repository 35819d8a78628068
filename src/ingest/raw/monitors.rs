//! Service 06 on CAN: misfire monitors in, misfire counts per cylinder out.
//!
//! Source: SAE J1979 / ISO 15031-5 Appendices D (monitors A1 to AD) and E (unit and scaling), standardised tests 0B and
//! 0C. A record is `MID TID UASID value min max`, two bytes each for the last three.

use super::error::RawError;
use super::j1979::is_padding;
use crate::tables::samples::MAX_CYLINDERS;

/// Whose misfires a monitor counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum MisfireMonitor {
    /// Monitor A1: the engine as a whole.
    General,
    /// Monitors A2 to AD: one cylinder, 1-based.
    Cylinder(usize),
}

impl MisfireMonitor {
    /// The misfire monitor that `mid` identifies, if it is one.
    pub fn from_mid(mid: u8) -> Option<MisfireMonitor> {
        match mid {
            0xA1 => Some(MisfireMonitor::General),
            0xA2..=0xAD => Some(MisfireMonitor::Cylinder(usize::from(mid - 0xA1))),
            _ => None,
        }
    }
}

/// What period a count covers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum MisfireTest {
    /// Test 0B: exponentially weighted mean over driving cycles, called the ten-cycle average; see [`updated_average`].
    TenCycleAverage,
    /// Test 0C: the last or current driving cycle. The count restarts with every driving cycle.
    LastCycle,
}

impl MisfireTest {
    /// The misfire test that `tid` identifies, if it is a standardised one.
    pub fn from_tid(tid: u8) -> Option<MisfireTest> {
        match tid {
            0x0B => Some(MisfireTest::TenCycleAverage),
            0x0C => Some(MisfireTest::LastCycle),
            _ => None,
        }
    }
}

/// A misfire count with its test limits, all in misfires.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MisfireCount {
    /// Whose misfires.
    pub monitor: MisfireMonitor,
    /// Over which period.
    pub test: MisfireTest,
    /// The count.
    pub count: u16,
    /// Lowest count that passes.
    pub min: u16,
    /// Highest count that passes.
    pub max: u16,
}

/// Bytes of a record: identifiers of monitor, test and unit, then value and two limits of two bytes each.
const RECORD: usize = 9;
/// Bytes of a support bitmap record: identifier and mask.
const BITMAP: usize = 5;

/// Reads the records after `46`, passing over bitmaps, other monitors and tests set by the maker.
pub fn decode_monitors(body: &[u8]) -> Result<Vec<MisfireCount>, RawError> {
    if body.is_empty() {
        return Err(RawError::NoContent { service: 0x06 });
    }
    let mut counts = Vec::new();
    let mut rest = body;
    while let Some(&mid) = rest.first() {
        let length = if mid.is_multiple_of(0x20) { BITMAP } else { RECORD };
        let Some((record, next)) = rest.split_at_checked(length) else {
            if rest.len() < body.len() && is_padding(rest) {
                break;
            }
            return Err(RawError::MonitorLength { mid, expected: length, found: rest.len() });
        };
        if let [mid, tid, uasid, v1, v0, lo1, lo0, hi1, hi0] = *record
            && let Some(monitor) = MisfireMonitor::from_mid(mid)
            && let Some(test) = MisfireTest::from_tid(tid)
        {
            if !is_count(uasid) {
                return Err(RawError::NotACount { mid, tid, uasid });
            }
            counts.push(MisfireCount {
                monitor,
                test,
                count: u16::from_be_bytes([v1, v0]),
                min: u16::from_be_bytes([lo1, lo0]),
                max: u16::from_be_bytes([hi1, hi0]),
            });
        }
        rest = next;
    }
    Ok(counts)
}

/// Whether a unit and scaling identifier counts one per bit, unsigned: 24 counts, 01 raw value.
fn is_count(uasid: u8) -> bool {
    matches!(uasid, 0x24 | 0x01)
}

/// Weight of the newest driving cycle in test 0B (SAE J1979).
const NEWEST_CYCLE_WEIGHT: f64 = 0.1;

/// Test 0B after one more driving cycle with `count` misfires: `0.1 * count + 0.9 * previous`, starting from 0 (SAE J1979).
///
/// The name 'ten-cycle average' is a label: after ten cycles at a constant count the value is 65 % of that count.
pub fn updated_average(previous: f64, count: f64) -> f64 {
    NEWEST_CYCLE_WEIGHT * count + (1.0 - NEWEST_CYCLE_WEIGHT) * previous
}

const _: () = assert!(MAX_CYLINDERS == 0xAD - 0xA1, "a sample column for every cylinder monitor");

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn passes_over_what_is_no_standard_misfire_test() {
        let mut body = vec![0xA0, 0x7F, 0xFF, 0x80, 0x00]; // bitmap
        body.extend([0x01, 0x01, 0x0A, 0x0B, 0xB0, 0x0B, 0xB0, 0x0B, 0xB0]); // oxygen sensor monitor
        body.extend([0xA1, 0x80, 0x30, 0, 1, 0, 0, 0, 9]); // test set by the maker
        body.extend([0xA3, 0x0C, 0x24, 0x01, 0x02, 0, 0, 0xFF, 0xFF]);
        body.extend([0xAA; 3]);
        assert_eq!(
            decode_monitors(&body),
            Ok(vec![MisfireCount {
                monitor: MisfireMonitor::Cylinder(2),
                test: MisfireTest::LastCycle,
                count: 258,
                min: 0,
                max: 65535
            }])
        );
    }

    #[test]
    fn wrong_lengths_and_units_have_a_reason() {
        assert_eq!(decode_monitors(&[]), Err(RawError::NoContent { service: 6 }));
        assert_eq!(
            decode_monitors(&[0xA2, 0x0C, 0x24, 0, 1]),
            Err(RawError::MonitorLength { mid: 0xA2, expected: 9, found: 5 })
        );
        assert_eq!(
            decode_monitors(&[0xA2, 0x0C, 0x10, 0, 1, 0, 0, 0, 9]),
            Err(RawError::NotACount { mid: 0xA2, tid: 0x0C, uasid: 0x10 })
        );
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_or_refused(body in prop::collection::vec(any::<u8>(), 0..64)) {
            if let Ok(counts) = decode_monitors(&body) {
                prop_assert!(counts.len() <= body.len() / RECORD);
            }
        }
    }
}
