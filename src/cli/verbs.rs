//! One function per command: call the pipeline, print the result, choose the exit code.

use super::args::{
    BenchDataArgs, BenchLakeArgs, DemoArgs, ExplainArgs, PipelineArgs, RunArgs, SuggestArgs,
    TrialArgs,
};
use super::exit::{Code, Failure};
use super::progress::Reporter;
use crate::demo::{self, DemoSettings};
use crate::pipeline::{self, Ingested, Progress, RunOptions};
use crate::report;
use crate::trial::{self, TrialSettings};
use std::io::Write;

type End = Result<Code, Failure>;

pub(super) fn run(args: &RunArgs, progress: &Reporter) -> End {
    let settings = pipeline::load(&args.pipeline)?;
    let options = RunOptions { as_of: args.as_of, clock_us: clock_us() };
    let end = pipeline::run(&settings, options, progress)?;
    progress.finish();
    let input = end.judged.report_input(&settings);
    print(&report::terminal::table(&input, width(), args.all))?;
    print(&format!("Report: {}\n", settings.output.join("report").join("index.html").display()))?;
    Ok(code(&end.ingested, end.too_many_rejects, end.unreadable_inputs))
}

pub(super) fn ingest(args: &PipelineArgs, progress: &Reporter) -> End {
    let settings = pipeline::load(&args.pipeline)?;
    let ingested = pipeline::ingest_only(&settings, clock_us(), progress)?;
    progress.finish();
    print(&format!(
        "{} files: {} rows read, {} kept, {} rejected, {} files unreadable\n",
        ingested.files.len(),
        ingested.rows_read(),
        ingested.rows_kept(),
        ingested.rows_rejected(),
        ingested.unreadable()
    ))?;
    let too_many = ingested.unusable_share_pct() > settings.ingest.rejected_share_max_pct;
    Ok(code(&ingested, too_many, ingested.unreadable() > 0))
}

pub(super) fn rank(args: &RunArgs, progress: &Reporter) -> End {
    let settings = pipeline::load(&args.pipeline)?;
    let judged = pipeline::rank_only(&settings, args.as_of, progress)?;
    progress.finish();
    let input = judged.report_input(&settings);
    report::write(&input, &settings.output)?;
    print(&report::terminal::table(&input, width(), args.all))?;
    Ok(Code::Done)
}

pub(super) fn outcomes(args: &RunArgs, progress: &Reporter) -> End {
    let settings = pipeline::load(&args.pipeline)?;
    let judged = pipeline::rank_only(&settings, args.as_of, progress)?;
    progress.finish();
    let input = judged.report_input(&settings);
    report::write_outcomes(&input, &settings.output)?;
    print(&report::terminal::outcomes(&input, width()))?;
    Ok(Code::Done)
}

pub(super) fn explain(args: &ExplainArgs, progress: &Reporter) -> End {
    let settings = pipeline::load(&args.pipeline)?;
    let text = pipeline::explain(&settings, &args.vehicle, args.as_of, width(), progress)?;
    progress.finish();
    print(&text)?;
    Ok(Code::Done)
}

pub(super) fn check(args: &PipelineArgs, progress: &Reporter) -> End {
    let settings = pipeline::load(&args.pipeline)?;
    let checked = pipeline::check(&settings, clock_us(), progress)?;
    progress.finish();
    print(&checked.text)?;
    Ok(if checked.unreadable { Code::InputUnreadable } else { Code::Done })
}

pub(super) fn suggest(args: &SuggestArgs, progress: &Reporter) -> End {
    let found = crate::ingest::suggest(&args.file, &crate::ingest::Limits::until(clock_us()))
        .map_err(pipeline::Error::Input)?;
    for open in &found.undecided {
        progress.warn(open);
    }
    print(&found.toml)?;
    Ok(Code::Done)
}

pub(super) fn demo(args: &DemoArgs, progress: &Reporter) -> End {
    let mut settings = if args.sample { DemoSettings::sample() } else { DemoSettings::default() };
    if let Some(vehicles) = args.vehicles {
        settings.vehicles = vehicles as usize;
    }
    if let Some(days) = args.days {
        settings.days = days as usize;
    }
    settings.seed = args.seed.unwrap_or(settings.seed);
    settings.healthy = args.healthy;
    progress.stage("writing the made-up fleet", Some(settings.vehicles as u64));
    let summary =
        demo::write_fleet(&args.dir, &settings, &|done, _| progress.advance(done as u64))?;
    progress.finish();
    print(&format!(
        "{} vehicles ({} with a planted fault), {} trips, {} rows in {} files ({:.1} MB)\nNext: trimdrift run {}\n",
        summary.vehicles,
        summary.faulty,
        summary.trips,
        summary.rows,
        summary.files,
        summary.bytes as f64 / 1e6,
        args.dir.join("pipeline.toml").display()
    ))?;
    Ok(Code::Done)
}

pub(super) fn trial(args: &TrialArgs, progress: &Reporter) -> End {
    let mut settings = TrialSettings::preset(&args.preset).unwrap_or_default();
    if let Some(vehicles) = args.vehicles {
        settings.vehicles = vehicles as usize;
    }
    if let Some(years) = args.years {
        settings.years = f64::from(years);
    }
    settings.families = args.families.map_or(settings.families, |n| n as usize);
    settings.group_size = args.family.map_or(settings.group_size, |size| size as usize);
    settings.seed = args.seed.unwrap_or(settings.seed);
    if let Some(rate) = args.false_flags {
        settings.test.false_flags_per_vehicle_year = rate;
    }
    if let Some(change) = args.least_change {
        settings.test.least_change_pct = change;
    }
    for name in &args.without {
        settings.nuisances.set(name, 0.0);
    }
    progress.stage("simulating", Some(settings.vehicles as u64));
    let result = trial::run(&settings, &|done, _| progress.advance(done));
    progress.finish();
    if let Some(path) = &args.csv {
        std::fs::write(path, result.csv())
            .map_err(|source| Failure::Write { path: path.clone(), source })?;
    }
    print(&result.text(width()))?;
    Ok(Code::Done)
}

pub(super) fn bench_data(a: &BenchDataArgs) -> End {
    demo::write_bench(&a.dir, a.rows, a.files, a.vehicles, a.seed)?;
    Ok(Code::Done)
}

pub(super) fn bench_lake(a: &BenchLakeArgs, progress: &Reporter) -> End {
    let rows = pipeline::bench_lake(&a.dir, a.vehicles, a.days, a.seed, progress)?;
    progress.finish();
    print(&format!("{rows} trips\n"))?;
    Ok(Code::Done)
}

pub(super) fn crosscheck() -> End {
    crate::crosscheck::serve(std::io::stdin().lock(), std::io::stdout().lock())
        .map_err(Failure::Stdout)?;
    Ok(Code::Done)
}

fn code(ingested: &Ingested, too_many_rejects: bool, unreadable: bool) -> Code {
    if unreadable || ingested.unreadable() > 0 {
        Code::InputUnreadable
    } else if too_many_rejects {
        Code::TooManyRejects
    } else {
        Code::Done
    }
}

/// Results go to stdout; a reader that has seen enough and closed the pipe is no failure.
fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(Failure::Stdout(e)),
        _ => Ok(()),
    }
}

/// Columns of the terminal, 80 where there is none.
fn width() -> usize {
    let columns = terminal_size::terminal_size().map_or(80, |(w, _)| usize::from(w.0));
    columns.clamp(60, 160)
}

fn clock_us() -> i64 {
    jiff::Timestamp::now().as_microsecond()
}
