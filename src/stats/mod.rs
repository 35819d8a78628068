//! Plain-number statistics: slices in, estimates out.
pub mod counts;
pub mod regression;
pub mod robust;
pub mod sequential;
pub mod special;
