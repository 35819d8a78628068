//! Why a piece of raw traffic could not be read: one typed reason per fault, fit to stand beside the rejected row.

use super::transport::CanId;
use crate::tables::samples::RejectCode;

/// Why a piece of raw traffic could not be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum RawError {
    /// A group of hexadecimal digits that does not divide into bytes.
    #[error(
        "a group of {digits} hexadecimal digits: every byte needs two; check that the logger keeps leading zeros"
    )]
    OddHexDigits {
        /// Digits in the group.
        digits: usize,
    },
    /// A character that is not a hexadecimal digit.
    #[error("{found:?} is not a hexadecimal digit")]
    NotHex {
        /// The character.
        found: char,
    },
    /// More bytes than the transport protocol can carry.
    #[error("more than {limit} bytes: no diagnostic message is that long")]
    TooLong {
        /// Highest number of bytes.
        limit: usize,
    },
    /// A message without a byte.
    #[error("no byte where a message was expected")]
    Empty,
    /// A first byte that no response can start with.
    #[error("first byte {first:02X} does not start a response (40 to 7F); is it a request?")]
    NotAResponse {
        /// The first byte.
        first: u8,
    },
    /// A response to another service than the one requested.
    #[error("response to service {found:02X}, requested was service {requested:02X}")]
    OtherService {
        /// Service that was requested.
        requested: u8,
        /// Service that the response belongs to.
        found: u8,
    },
    /// A negative response that is cut short or carries more than its two bytes.
    #[error("negative response with {found} bytes after 7F, expected 2")]
    NegativeLength {
        /// Bytes after `7F`.
        found: usize,
    },
    /// A positive response without any parameter.
    #[error("positive response to service {service:02X} without any content")]
    NoContent {
        /// The service.
        service: u8,
    },
    /// A parameter whose data end too early.
    #[error("parameter {pid:02X} needs {expected} data bytes, found {found}")]
    ParameterLength {
        /// The parameter.
        pid: u8,
        /// Data bytes by the parameter table.
        expected: usize,
        /// Data bytes present.
        found: usize,
    },
    /// A parameter in the response that the request did not ask for: most often the one before it is too long.
    #[error(
        "parameter {pid:02X} was not requested: another reply, or the parameter before it is too long"
    )]
    NotRequested {
        /// The parameter.
        pid: u8,
    },
    /// A parameter of unknown length with more after it that cannot be told apart.
    #[error(
        "parameter {pid:02X} has no known length, so what follows cannot be read; request it on its own"
    )]
    UnknownParameter {
        /// The parameter.
        pid: u8,
    },
    /// A service 06 record that ends too early.
    #[error("monitor {mid:02X} needs {expected} bytes, found {found}")]
    MonitorLength {
        /// The monitor.
        mid: u8,
        /// Bytes of a whole record.
        expected: usize,
        /// Bytes present.
        found: usize,
    },
    /// A misfire count in a unit that is not a count.
    #[error(
        "misfire monitor {mid:02X}, test {tid:02X}: unit and scaling {uasid:02X} is not a count (24)"
    )]
    NotACount {
        /// The monitor.
        mid: u8,
        /// The test.
        tid: u8,
        /// Unit and scaling identifier found.
        uasid: u8,
    },
    /// A CAN frame with more bytes than a classical frame has.
    #[error("frame of {found} bytes, a classical CAN frame has at most 8")]
    FrameTooLong {
        /// Bytes in the frame.
        found: usize,
    },
    /// A frame of a kind that ISO 15765-2 reserves.
    #[error("protocol control byte {pci:02X} is reserved by ISO 15765-2")]
    ReservedFrame {
        /// The protocol control byte.
        pci: u8,
    },
    /// A frame that states a length its kind cannot have.
    #[error("frame states a message of {stated} bytes, which its kind cannot carry")]
    FrameLength {
        /// Stated bytes.
        stated: usize,
    },
    /// A frame with fewer bytes than it must carry.
    #[error("frame carries {found} bytes, needs {expected}")]
    ShortFrame {
        /// Bytes that it must carry.
        expected: usize,
        /// Bytes that it carries.
        found: usize,
    },
    /// A consecutive frame out of sequence: at least one frame was lost.
    #[error(
        "{id}: consecutive frame {found} where {expected} was due; message of {first_us} us dropped"
    )]
    Sequence {
        /// Sender.
        id: CanId,
        /// Sequence number due.
        expected: u8,
        /// Sequence number found.
        found: u8,
        /// Time of the first frame, microseconds.
        first_us: i64,
    },
    /// A consecutive frame without a message that it could continue.
    #[error("{id}: consecutive frame without a first frame; the start of the message was lost")]
    Orphan {
        /// Sender.
        id: CanId,
    },
    /// A message whose next frame came later than N_Cr allows, or never.
    #[error(
        "{id}: message of {first_us} us has {found} of {expected} bytes; the next frame did not come within 1 s"
    )]
    TimedOut {
        /// Sender.
        id: CanId,
        /// Time of the first frame, microseconds.
        first_us: i64,
        /// Bytes of the whole message.
        expected: usize,
        /// Bytes received.
        found: usize,
    },
    /// A message that the same sender broke off with a new one.
    #[error(
        "{id}: message of {first_us} us has {found} of {expected} bytes; a new message broke it off"
    )]
    BrokenOff {
        /// Sender.
        id: CanId,
        /// Time of the first frame, microseconds.
        first_us: i64,
        /// Bytes of the whole message.
        expected: usize,
        /// Bytes received.
        found: usize,
    },
    /// A capture line that does not have the three parts time, interface, frame.
    #[error("capture line is not `(seconds.fraction) interface identifier#data`")]
    CaptureForm,
    /// A capture time that is not seconds with a decimal fraction.
    #[error("capture time is not `(seconds.fraction)` with 1 to 9 decimals")]
    CaptureTime,
    /// A CAN identifier that is neither 3 nor 8 digits, or out of range.
    #[error("CAN identifier is neither 3 digits up to 7FF nor 8 digits up to 1FFFFFFF")]
    CaptureId,
    /// A CAN FD frame; emission diagnostics on CAN use classical frames.
    #[error("CAN FD frame (`##`): only classical CAN frames carry ISO 15765-4 diagnostics")]
    CaptureFd,
}

impl RawError {
    /// The reject code under which the lake keeps the row.
    pub fn reject_code(&self) -> RejectCode {
        match self {
            RawError::CaptureTime => RejectCode::BadTime,
            _ => RejectCode::BadResponse,
        }
    }
}
