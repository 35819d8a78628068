//! ISO 15765-2 on classical CAN: frames in, whole diagnostic messages out.
//!
//! Normal addressing as ISO 15765-4 lays down: responses come from `7E8` to `7EF` (11 bits) or `18DAF1xx` (29 bits).
//! Each sender has its own open message, so interleaved senders do not disturb each other.

use super::error::RawError;
use std::collections::BTreeMap;
use std::fmt;

/// Longest message with a 12-bit length (ISO 15765-2), in bytes.
pub const MAX_MESSAGE: usize = 4095;

/// Longest wait for the next consecutive frame, N_Cr, in microseconds (ISO 15765-2: 1 s).
pub const N_CR_US: u64 = 1_000_000;

/// Payload bytes of a consecutive frame.
const CONSECUTIVE: usize = 7;

/// A CAN identifier.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum CanId {
    /// 11 bits.
    Standard(u16),
    /// 29 bits.
    Extended(u32),
}

/// What an identifier is used for in emission-related diagnostics (ISO 15765-4).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    /// Tester to control unit.
    Request,
    /// Control unit to tester.
    Response,
    /// Not diagnostics.
    Other,
}

impl CanId {
    /// Reads 3 digits as an 11-bit and 8 digits as a 29-bit identifier; anything else is none.
    pub fn parse(digits: &str) -> Option<CanId> {
        if !digits.bytes().all(|b| b.is_ascii_hexdigit()) {
            return None;
        }
        let value = u32::from_str_radix(digits, 16).ok()?;
        match digits.len() {
            3 => u16::try_from(value).ok().filter(|&v| v <= 0x7FF).map(CanId::Standard),
            8 => (value <= 0x1FFF_FFFF).then_some(CanId::Extended(value)),
            _ => None,
        }
    }

    /// The role of this identifier.
    pub fn role(self) -> Role {
        match self {
            CanId::Standard(0x7DF..=0x7E7) | CanId::Extended(0x18DB_33F1) => Role::Request,
            CanId::Standard(0x7E8..=0x7EF) => Role::Response,
            CanId::Extended(id) if id & 0xFFFF_00FF == 0x18DA_00F1 => Role::Request,
            CanId::Extended(id) if id & 0xFFFF_FF00 == 0x18DA_F100 => Role::Response,
            _ => Role::Other,
        }
    }
}

impl fmt::Display for CanId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            CanId::Standard(id) => write!(f, "{id:03X}"),
            CanId::Extended(id) => write!(f, "{id:08X}"),
        }
    }
}

/// One frame of the transport protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Frame<'a> {
    /// A whole message.
    Single(&'a [u8]),
    /// The start of a longer message.
    First {
        /// Bytes of the whole message.
        length: usize,
        /// Its first bytes.
        payload: &'a [u8],
    },
    /// A continuation; the last one may carry padding.
    Consecutive {
        /// Sequence number, 0 to 15.
        sequence: u8,
        /// The next bytes.
        payload: &'a [u8],
    },
    /// The receiver's answer to a first frame.
    FlowControl {
        /// 0 continue, 1 wait, 2 overflow.
        status: u8,
        /// Frames until the next flow control, 0 for no limit.
        block_size: u8,
        /// Least separation as coded by ISO 15765-2.
        separation: u8,
    },
}

impl Frame<'_> {
    /// Reads the data bytes of a classical CAN frame; errors name the rule of ISO 15765-2 that is broken.
    pub fn parse(data: &[u8]) -> Result<Frame<'_>, RawError> {
        if data.len() > 8 {
            return Err(RawError::FrameTooLong { found: data.len() });
        }
        let (&pci, rest) = data.split_first().ok_or(RawError::Empty)?;
        let low = pci & 0x0F;
        match pci >> 4 {
            0 => {
                let length = usize::from(low);
                if !(1..=7).contains(&length) {
                    return Err(RawError::FrameLength { stated: length });
                }
                let short = RawError::ShortFrame { expected: length + 1, found: data.len() };
                rest.get(..length).map(Frame::Single).ok_or(short)
            }
            1 => {
                let [length_low, ref payload @ ..] = *rest else {
                    return Err(RawError::ShortFrame { expected: 8, found: data.len() });
                };
                let length = usize::from(low) << 8 | usize::from(length_low);
                match length {
                    0 => Err(RawError::TooLong { limit: MAX_MESSAGE }), // escape to a 32-bit length
                    1..8 => Err(RawError::FrameLength { stated: length }),
                    _ if data.len() < 8 => {
                        Err(RawError::ShortFrame { expected: 8, found: data.len() })
                    }
                    _ => Ok(Frame::First { length, payload }),
                }
            }
            2 if rest.is_empty() => Err(RawError::ShortFrame { expected: 2, found: data.len() }),
            2 => Ok(Frame::Consecutive { sequence: low, payload: rest }),
            3 if low > 2 => Err(RawError::ReservedFrame { pci }),
            3 => match *rest {
                [block_size, separation, ..] => {
                    Ok(Frame::FlowControl { status: low, block_size, separation })
                }
                _ => Err(RawError::ShortFrame { expected: 3, found: data.len() }),
            },
            _ => Err(RawError::ReservedFrame { pci }),
        }
    }
}

/// A whole diagnostic message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Message {
    /// Time of its last frame, microseconds.
    pub time_us: i64,
    /// Sender.
    pub id: CanId,
    /// Its bytes, without padding.
    pub bytes: Vec<u8>,
}

/// What came of one frame: both may be present, as when a new message breaks off an old one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Received {
    /// A message that the frame completed.
    pub message: Option<Message>,
    /// A fault of the frame, or the loss of an earlier message of the same sender.
    pub fault: Option<RawError>,
}

/// A message that still lacks frames.
#[derive(Debug, Clone)]
struct Open {
    first_us: i64,
    last_us: i64,
    length: usize,
    next: u8,
    bytes: Vec<u8>,
}

impl Open {
    fn timed_out(&self, id: CanId) -> RawError {
        let Open { first_us, length, ref bytes, .. } = *self;
        RawError::TimedOut { id, first_us, expected: length, found: bytes.len() }
    }

    fn broken_off(&self, id: CanId) -> RawError {
        let Open { first_us, length, ref bytes, .. } = *self;
        RawError::BrokenOff { id, first_us, expected: length, found: bytes.len() }
    }
}

/// Puts the messages of all senders together; holds at most one open message for each sender.
#[derive(Debug, Clone, Default)]
pub struct Reassembler {
    open: BTreeMap<CanId, Open>,
}

impl Reassembler {
    /// A reassembler with no open message.
    pub fn new() -> Reassembler {
        Reassembler::default()
    }

    /// Takes the next frame of the bus; frames that are no diagnostic response are passed over.
    pub fn push(&mut self, time_us: i64, id: CanId, data: &[u8]) -> Received {
        if id.role() != Role::Response {
            return Received::default();
        }
        let late = self
            .open
            .get(&id)
            .filter(|open| open.last_us.abs_diff(time_us) > N_CR_US)
            .map(|open| open.timed_out(id));
        if late.is_some() {
            self.open.remove(&id);
        }
        let (message, fault) = match Frame::parse(data) {
            Ok(frame) => self.accept(time_us, id, frame),
            Err(fault) => (None, Some(fault)),
        };
        // The loss of the earlier message is the cause where both went wrong.
        Received { message, fault: late.or(fault) }
    }

    /// The losses of all messages that are still open at the end of the capture, by sender.
    pub fn finish(self) -> Vec<RawError> {
        self.open.iter().map(|(&id, open)| open.timed_out(id)).collect()
    }

    fn accept(
        &mut self,
        time_us: i64,
        id: CanId,
        frame: Frame<'_>,
    ) -> (Option<Message>, Option<RawError>) {
        match frame {
            Frame::Single(payload) => {
                let lost = self.open.remove(&id).map(|open| open.broken_off(id));
                (Some(Message { time_us, id, bytes: payload.to_vec() }), lost)
            }
            Frame::First { length, payload } => {
                let open = Open {
                    first_us: time_us,
                    last_us: time_us,
                    length,
                    next: 1,
                    bytes: payload.to_vec(),
                };
                let lost = self.open.insert(id, open).map(|open| open.broken_off(id));
                (None, lost)
            }
            Frame::Consecutive { sequence, payload } => {
                match self.extend(time_us, id, sequence, payload) {
                    Ok(message) => (message, None),
                    Err(fault) => (None, Some(fault)),
                }
            }
            Frame::FlowControl { .. } => (None, None),
        }
    }

    fn extend(
        &mut self,
        time_us: i64,
        id: CanId,
        sequence: u8,
        payload: &[u8],
    ) -> Result<Option<Message>, RawError> {
        // Taken out first: whatever goes wrong below drops the message.
        let mut open = self.open.remove(&id).ok_or(RawError::Orphan { id })?;
        if sequence != open.next {
            let Open { first_us, next, .. } = open;
            return Err(RawError::Sequence { id, expected: next, found: sequence, first_us });
        }
        let due = (open.length - open.bytes.len()).min(CONSECUTIVE);
        let short = RawError::ShortFrame { expected: due + 1, found: payload.len() + 1 };
        open.bytes.extend(payload.get(..due).ok_or(short)?);
        assert!(open.bytes.len() <= open.length, "a message never outgrows its stated length");
        if open.bytes.len() == open.length {
            return Ok(Some(Message { time_us, id, bytes: open.bytes }));
        }
        open.last_us = time_us;
        open.next = (open.next + 1) % 16;
        self.open.insert(id, open);
        Ok(None)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const ENGINE: CanId = CanId::Standard(0x7E8);
    const GEARBOX: CanId = CanId::Extended(0x18DA_F118);

    /// Parts `bytes` into frames by the rules of ISO 15765-2, the last one padded with `filler`.
    fn frames(bytes: &[u8], filler: u8) -> Vec<Vec<u8>> {
        let padded = |mut frame: Vec<u8>| {
            frame.resize(8, filler);
            frame
        };
        if bytes.len() <= 7 {
            return vec![padded([&[bytes.len() as u8], bytes].concat())];
        }
        let head = [0x10 | (bytes.len() >> 8) as u8, bytes.len() as u8];
        let mut out = vec![[&head, &bytes[..6]].concat()];
        for (n, part) in bytes[6..].chunks(7).enumerate() {
            out.push(padded([&[0x20 | ((n + 1) % 16) as u8], part].concat()));
        }
        out
    }

    #[test]
    fn a_lost_frame_drops_the_message_and_says_so() {
        let sent = frames(&[0x46; 40], 0xAA);
        let mut bus = Reassembler::new();
        assert_eq!(bus.push(0, ENGINE, &sent[0]), Received::default());
        assert_eq!(bus.push(1, ENGINE, &sent[1]), Received::default());
        assert_eq!(
            bus.push(2, ENGINE, &sent[3]).fault,
            Some(RawError::Sequence { id: ENGINE, expected: 2, found: 3, first_us: 0 })
        );
        assert_eq!(bus.push(3, ENGINE, &sent[4]).fault, Some(RawError::Orphan { id: ENGINE }));
        assert!(bus.finish().is_empty());
    }

    #[test]
    fn the_next_frame_must_come_within_n_cr() {
        let sent = frames(&[0x46; 20], 0x00);
        let n_cr = N_CR_US as i64;
        let mut bus = Reassembler::new();
        bus.push(0, ENGINE, &sent[0]);
        bus.push(n_cr, ENGINE, &sent[1]);
        assert!(bus.push(2 * n_cr, ENGINE, &sent[2]).message.is_some());
        bus.push(0, ENGINE, &sent[0]);
        let late = bus.push(n_cr + 1, ENGINE, &sent[1]);
        let fault = RawError::TimedOut { id: ENGINE, first_us: 0, expected: 20, found: 6 };
        assert_eq!(late, Received { message: None, fault: Some(fault) });
    }

    #[test]
    fn a_new_message_breaks_off_an_open_one_and_is_kept() {
        let sent = frames(&[0x46; 20], 0x00);
        let mut bus = Reassembler::new();
        bus.push(0, ENGINE, &sent[0]);
        let next = bus.push(5, ENGINE, &[0x03, 0x41, 0x0D, 0x32]);
        assert_eq!(next.message.unwrap().bytes, [0x41, 0x0D, 0x32]);
        let fault = RawError::BrokenOff { id: ENGINE, first_us: 0, expected: 20, found: 6 };
        assert_eq!(next.fault, Some(fault));
        assert_eq!(bus.push(6, ENGINE, &sent[1]).fault, Some(RawError::Orphan { id: ENGINE }));
        bus.push(10, ENGINE, &sent[0]);
        let fault = RawError::TimedOut { id: ENGINE, first_us: 10, expected: 20, found: 6 };
        assert_eq!(bus.finish(), [fault]);
    }

    #[test]
    fn malformed_frames_have_a_reason() {
        let cases: &[(&[u8], RawError)] = &[
            (&[], RawError::Empty),
            (&[0x00, 1], RawError::FrameLength { stated: 0 }),
            (&[0x08, 1, 2, 3, 4, 5, 6, 7], RawError::FrameLength { stated: 8 }),
            (&[0x04, 0x41, 0x0C], RawError::ShortFrame { expected: 5, found: 3 }),
            (&[0x10, 0x14, 0x46], RawError::ShortFrame { expected: 8, found: 3 }),
            (&[0x10, 0x07, 1, 2, 3, 4, 5, 6], RawError::FrameLength { stated: 7 }),
            (&[0x10, 0x00, 0, 0, 0x20, 0, 1, 2], RawError::TooLong { limit: MAX_MESSAGE }),
            (&[0x21], RawError::ShortFrame { expected: 2, found: 1 }),
            (&[0x33, 0, 0], RawError::ReservedFrame { pci: 0x33 }),
            (&[0x40, 0], RawError::ReservedFrame { pci: 0x40 }),
            (&[0x01; 9], RawError::FrameTooLong { found: 9 }),
        ];
        for (data, reason) in cases {
            assert_eq!(Frame::parse(data), Err(*reason), "{data:02X?}");
        }
        assert_eq!(
            Frame::parse(&[0x30, 0x08, 0x14, 0, 0]),
            Ok(Frame::FlowControl { status: 0, block_size: 8, separation: 0x14 })
        );
    }

    #[test]
    fn roles_follow_iso_15765_4() {
        for id in ["7DF", "7E0", "7E7", "18DB33F1", "18DA10F1"] {
            assert_eq!(CanId::parse(id).unwrap().role(), Role::Request, "{id}");
        }
        for id in ["7E8", "7EF", "18DAF110", "18DAF1FF"] {
            assert_eq!(CanId::parse(id).unwrap().role(), Role::Response, "{id}");
        }
        for id in ["123", "7F0", "000007E8", "18DAF210"] {
            assert_eq!(CanId::parse(id).unwrap().role(), Role::Other, "{id}");
        }
        for id in ["800", "20000080", "7E", "+7E", "7E8 ", "\u{e9}8", ""] {
            assert_eq!(CanId::parse(id), None, "{id}");
        }
    }

    proptest! {
        #[test]
        fn any_frames_are_accepted_or_refused(
            traffic in prop::collection::vec(
                (any::<i64>(), 0x7E6u16..0x7EB, prop::collection::vec(any::<u8>(), 0..10)), 0..64)
        ) {
            let mut bus = Reassembler::new();
            for (time_us, id, data) in traffic {
                bus.push(time_us, CanId::Standard(id), &data);
            }
            prop_assert!(bus.finish().len() <= 3);
        }

        #[test]
        fn interleaved_messages_come_out_as_they_went_in(
            one in prop::collection::vec(any::<u8>(), 1..300),
            two in prop::collection::vec(any::<u8>(), 1..300),
            turns in prop::collection::vec(any::<bool>(), 100),
            filler in any::<u8>(),
        ) {
            let mut queues = [(ENGINE, frames(&one, filler)), (GEARBOX, frames(&two, filler))];
            let mut bus = Reassembler::new();
            let mut whole = BTreeMap::new();
            for (time_us, turn) in turns.iter().chain([&true; 50]).chain([&false; 50]).enumerate() {
                let (id, queue) = &mut queues[usize::from(*turn)];
                if !queue.is_empty() {
                    let received = bus.push(time_us as i64, *id, &queue.remove(0));
                    prop_assert_eq!(received.fault, None);
                    whole.extend(received.message.map(|m| (m.id, m.bytes)));
                }
            }
            prop_assert_eq!(whole.get(&ENGINE), Some(&one));
            prop_assert_eq!(whole.get(&GEARBOX), Some(&two));
            prop_assert!(bus.finish().is_empty());
        }

        #[test]
        fn a_missing_frame_never_yields_a_message(
            bytes in prop::collection::vec(any::<u8>(), 21..118), gap in any::<prop::sample::Index>()
        ) {
            let mut sent = frames(&bytes, 0);
            sent.remove(gap.index(sent.len()));
            let mut bus = Reassembler::new();
            let mut faults = 0;
            for (time_us, frame) in sent.iter().enumerate() {
                let received = bus.push(time_us as i64, ENGINE, frame);
                prop_assert_eq!(received.message, None);
                faults += usize::from(received.fault.is_some());
            }
            prop_assert!(faults + bus.finish().len() > 0);
        }
    }
}
