//! What may be typed.

use crate::trial::{Nuisances, TrialSettings};
use clap::{Args as ClapArgs, Parser, Subcommand};
use std::path::PathBuf;

/// Reads trip logs and says which petrol engine needs which fuel-system work, how soon, and whether it helped.
#[derive(Debug, Parser)]
#[command(name = "trimdrift", version, about, after_help = EXIT_CODES, max_term_width = 80)]
pub(super) struct Args {
    /// No progress on stderr, only warnings and errors.
    #[arg(long, global = true)]
    pub(super) quiet: bool,
    #[command(subcommand)]
    pub(super) command: Command,
}

const EXIT_CODES: &str = "Exit codes: 0 done, 1 a bug, 2 wrong usage, 3 done but too many rows rejected, \
4 an input cannot be read, 5 settings refused, 6 lake unusable, 7 another run holds the lake.";

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Everything: read what is new, judge the fleet, write every output.
    Run(RunArgs),
    /// Only read what is new into the lake.
    Ingest(PipelineArgs),
    /// Only judge and rank what is in the lake.
    Rank(RunArgs),
    /// What workshop work has achieved.
    Outcomes(RunArgs),
    /// Every number behind one vehicle's verdict.
    Explain(ExplainArgs),
    /// Check settings, profiles and a sample of each source, without writing.
    Check(PipelineArgs),
    /// Propose a source profile for an unknown log file.
    Suggest(SuggestArgs),
    /// Write a made-up fleet with planted faults.
    Demo(DemoArgs),
    /// Simulate fleets and print how often the tests are right.
    Trial(TrialArgs),
    /// Write logs for the benchmark of ingest.
    #[command(hide = true)]
    BenchData(BenchDataArgs),
    /// Write a lake for the benchmark of a night.
    #[command(hide = true)]
    BenchLake(BenchLakeArgs),
    /// Answer statistics requests, a JSON line each, for the cross-checks.
    #[command(hide = true)]
    Crosscheck,
}

#[derive(Debug, ClapArgs)]
pub(super) struct TrialArgs {
    /// Which fleet.
    #[arg(long, default_value = "default", value_parser = clap::builder::PossibleValuesParser::new(TrialSettings::PRESETS))]
    pub(super) preset: String,
    /// Vehicles.
    #[arg(long, value_parser = clap::value_parser!(u32).range(10..=1_000_000))]
    pub(super) vehicles: Option<u32>,
    /// Vehicles of an engine family, which are each other's peers.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub(super) family: Option<u32>,
    /// Engine families in a fleet; small families lean on all others.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub(super) families: Option<u32>,
    /// Years.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=20))]
    pub(super) years: Option<u32>,
    /// Seed; the same seed gives the same figures.
    #[arg(long)]
    pub(super) seed: Option<u64>,
    /// Designed false flags per vehicle and year; default: as in a pipeline.
    #[arg(long)]
    pub(super) false_flags: Option<f64>,
    /// Change that a drift must have added, log-percent; default: as in a pipeline.
    #[arg(long)]
    pub(super) least_change: Option<f64>,
    /// Nuisances to switch off, by name.
    #[arg(long, value_delimiter = ',', value_parser = clap::builder::PossibleValuesParser::new(Nuisances::NAMES))]
    pub(super) without: Vec<String>,
    /// Write one row per vehicle to this CSV file.
    #[arg(long)]
    pub(super) csv: Option<PathBuf>,
}

#[derive(Debug, ClapArgs)]
pub(super) struct BenchDataArgs {
    pub(super) dir: PathBuf,
    #[arg(long, default_value_t = 4_000_000)]
    pub(super) rows: usize,
    #[arg(long, default_value_t = 30)]
    pub(super) files: usize,
    #[arg(long, default_value_t = 30)]
    pub(super) vehicles: usize,
    #[arg(long, default_value_t = 1)]
    pub(super) seed: u64,
}

#[derive(Debug, ClapArgs)]
pub(super) struct BenchLakeArgs {
    pub(super) dir: PathBuf,
    #[arg(long, default_value_t = 5_000)]
    pub(super) vehicles: usize,
    #[arg(long, default_value_t = 730)]
    pub(super) days: usize,
    #[arg(long, default_value_t = 1)]
    pub(super) seed: u64,
}

#[derive(Debug, ClapArgs)]
pub(super) struct PipelineArgs {
    /// Pipeline file (TOML).
    pub(super) pipeline: PathBuf,
}

#[derive(Debug, ClapArgs)]
pub(super) struct RunArgs {
    /// Pipeline file (TOML).
    pub(super) pipeline: PathBuf,
    /// Last day that counts, YYYY-MM-DD; default: the last day in the lake.
    #[arg(long, value_parser = day)]
    pub(super) as_of: Option<i32>,
    /// List sound vehicles one by one too.
    #[arg(long)]
    pub(super) all: bool,
}

#[derive(Debug, ClapArgs)]
pub(super) struct ExplainArgs {
    /// Pipeline file (TOML).
    pub(super) pipeline: PathBuf,
    /// Vehicle, as the register names it.
    pub(super) vehicle: String,
    /// Last day that counts, YYYY-MM-DD; default: the last day in the lake.
    #[arg(long, value_parser = day)]
    pub(super) as_of: Option<i32>,
}

#[derive(Debug, ClapArgs)]
pub(super) struct SuggestArgs {
    /// A trip log: CSV, JSON lines or Parquet, packed or not.
    pub(super) file: PathBuf,
}

#[derive(Debug, ClapArgs)]
pub(super) struct DemoArgs {
    /// Folder to write; it must be new or empty.
    pub(super) dir: PathBuf,
    /// Vehicles.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    pub(super) vehicles: Option<u32>,
    /// Days.
    #[arg(long, value_parser = clap::value_parser!(u32).range(1..=3_650))]
    pub(super) days: Option<u32>,
    /// Seed; the same seed writes the same bytes.
    #[arg(long)]
    pub(super) seed: Option<u64>,
    /// Plant nothing: every vehicle is sound.
    #[arg(long)]
    pub(super) healthy: bool,
    /// The small fleet that stands in sample-data.
    #[arg(long, conflicts_with_all = ["vehicles", "days", "healthy"])]
    pub(super) sample: bool,
}

/// Days since 1970-01-01 of a date written YYYY-MM-DD.
fn day(text: &str) -> Result<i32, String> {
    let date: jiff::civil::Date =
        text.parse().map_err(|_| "expected a date as YYYY-MM-DD".to_owned())?;
    let epoch = jiff::civil::date(1970, 1, 1);
    date.since(epoch).map(|s| s.get_days()).map_err(|e| e.to_string())
}
