//! The nouns that stages hand to each other: column names, units, ranges, row types.
//!
//! Nothing here reads, writes or computes a statistic. A stage may import `tables`, never another stage.

pub mod days;
pub mod findings;
pub mod fleet;
pub mod samples;
pub mod trips;
