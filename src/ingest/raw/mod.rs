//! Raw diagnostic traffic to sample values: SAE J1979 / ISO 15031-5 replies and ISO 15765-2 frames.
//!
//! In: hexadecimal cells of a log, or lines of a CAN capture. Out: rows of [`Signal`](crate::tables::samples::Signal)
//! values in canonical units. Pure functions and small state machines: nothing here reads a file or a clock, and no
//! input makes it panic.
//!
//! ```text
//! capture line ─► Captured frame ─► Reassembler ─┐
//! hexadecimal cell ─► Answer ────────────────────┴─► decode_reply ─► Reply ─► RawAssembler ─► RawRow
//! ```

mod assembler;
mod capture;
mod error;
mod hex;
mod j1979;
mod monitors;
mod parameters;
mod transport;

pub use assembler::{Ecu, RawAssembler, RawRow, Sampling};
pub use capture::{Captured, parse_capture_line};
pub use error::RawError;
pub use hex::{Answer, parse_answers, parse_bytes};
pub use j1979::{FullScale, Reading, Reply, Request, decode_reply, supported_parameters};
pub use monitors::{MisfireCount, MisfireMonitor, MisfireTest, decode_monitors, updated_average};
pub use parameters::{
    CLOSED_LOOP_MASK, FIELDS, FUEL_TYPES, Field, FuelSystem, Linear, Unavailable, parameter_bytes,
};
pub use transport::{CanId, Frame, MAX_MESSAGE, Message, N_CR_US, Reassembler, Received, Role};
