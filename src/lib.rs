//! trimdrift reads the trip logs that vehicles record anyway and says which petrol engine needs which
//! fuel-system work, how soon, in what order, and afterwards whether it worked.
//!
//! ```text
//! trip logs ─► ingest ─► samples ─► condense ─► trips ─► evidence ─► decide ─► rank ─► report
//!  register, workshop records, refuels ──────────────────────┘            └► outcomes
//! ```
//!
//! Modules stand in reading order. Stages are strangers: each imports only what stands below it
//! (`settings`, `tables`, `stats`, `quantity`), and they meet in [`pipeline`] alone.

pub mod cli;
pub mod pipeline;
pub mod settings;

pub mod ingest;
pub mod condense;
pub mod lake;
pub mod evidence;
pub mod decide;
pub mod rank;
pub mod outcomes;
pub mod report;

pub mod demo;
pub mod trial;
pub mod crosscheck;

pub mod quantity;
pub mod stats;
pub mod tables;
