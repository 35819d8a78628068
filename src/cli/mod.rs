//! The command line: what is typed, what is printed, and the exit code.
//!
//! stdout is for results, stderr for everything else. The system clock is read here and nowhere else.

mod args;
mod exit;
mod progress;
mod verbs;

use args::{Args, Command};
use clap::Parser;
use exit::Code;
use std::io::IsTerminal;
use std::process::ExitCode;

/// Parses the arguments, carries the command out and gives the exit code.
pub fn main() -> ExitCode {
    let args = match Args::try_parse() {
        Ok(args) => args,
        Err(e) => {
            // A broken pipe while printing help is no failure of ours.
            let _ = e.print();
            return if e.use_stderr() { Code::Usage.into() } else { Code::Done.into() };
        }
    };
    let on_terminal = std::io::stderr().is_terminal();
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_ansi(on_terminal)
        .without_time()
        .with_target(false)
        .with_max_level(tracing::Level::WARN)
        .init();
    let progress = progress::Reporter::new(args.quiet, on_terminal);
    let end = match args.command {
        Command::Run(a) => verbs::run(&a, &progress),
        Command::Ingest(a) => verbs::ingest(&a, &progress),
        Command::Rank(a) => verbs::rank(&a, &progress),
        Command::Outcomes(a) => verbs::outcomes(&a, &progress),
        Command::Explain(a) => verbs::explain(&a, &progress),
        Command::Check(a) => verbs::check(&a, &progress),
        Command::Suggest(a) => verbs::suggest(&a, &progress),
        Command::Demo(a) => verbs::demo(&a, &progress),
        Command::Trial(a) => verbs::trial(&a, &progress),
        Command::BenchData(a) => verbs::bench_data(&a),
        Command::BenchLake(a) => verbs::bench_lake(&a, &progress),
        Command::Crosscheck => verbs::crosscheck(),
    };
    progress.finish();
    match end {
        Ok(code) => code.into(),
        Err(failure) => {
            exit::say(&failure.to_string());
            failure.code().into()
        }
    }
}
