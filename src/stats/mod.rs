//! Plain-number statistics: slices in, estimates out.
pub mod robust;
pub mod sequential;
pub mod special;
