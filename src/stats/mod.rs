//! Plain-number statistics: slices in, estimates out, nothing of the trade.

pub mod beforeafter;
pub mod counts;
pub mod regression;
pub mod robust;
pub mod sequential;
pub mod special;
pub mod survival;
pub mod trend;
pub mod wander;
