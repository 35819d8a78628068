//! The one integration-test binary: linking the lake's libraries once is enough.
//!
//! Published values: `published_*`, `sequential_vector`. Stages: `ingest_*`, `lake_*`, `report_pages`.
//! The whole job: `run_*`, `command_line`, `check_shows`, `bad_input`, `planted_faults`. Every parser: `fuzz`.
//! The code itself: `architecture`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a test that cannot go on fails, and says on the terminal what it skipped"
)]

mod architecture;
mod bad_input;
mod check_shows;
mod command_line;
mod decide;
mod fuzz;
mod evidence_notes;
mod hostile_input;
mod ingest_csv;
mod ingest_open_logs;
mod ingest_suggest;
mod ingest_hostile;
mod ingest_raw;
mod ingest_formats;
mod lake_faults;
mod lake_rows;
mod lake_tidy;
mod lake_write;
mod open_logs_run;
mod parquet_again;
mod planted_faults;
mod published_decoders;
mod published_statistics;
mod published_units;
mod report_pages;
mod run_causal;
mod run_grown;
mod run_killed;
mod run_promises;
mod run_same;
mod sequential_vector;
mod support;
mod trial_figures;
