//! Every parser under mutated input: nothing may crash, hang, lose count or leave its ranges.
//!
//! The corpus stands in `tests/corpus`, a folder for each target; what once went wrong is kept there as
//! `regression-*` and tried first in every run. Seeded, so that every run tries the same inputs;
//! `TRIMDRIFT_FUZZ_EXECUTIONS` says how many for each target.

mod mutate;
mod pieces;
mod tables;
pub(crate) mod texts;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::{Duration, Instant};

use mutate::{Dice, mutated};

use crate::support::Board;

/// Executions of each target in an ordinary run.
const EXECUTIONS: u64 = 50_000;

/// Longest mutated input, bytes.
const LONGEST: usize = 16 << 10;

/// Longest that one execution may take on a busy machine: inputs are a few kilobytes, and a few reads of each take
/// about a millisecond.
const LIMIT: Duration = Duration::from_secs(2);

/// What became of one execution.
#[derive(Debug, Default, Clone, Copy)]
struct Outcome {
    kept: u64,
    rejected: u64,
    /// The input was refused as a whole.
    refused: bool,
}

/// One input in the making.
struct Case<'a> {
    bytes: &'a [u8],
    dice: &'a mut Dice,
    /// It stands in the corpus.
    committed: bool,
    /// A folder of the target's own.
    folder: &'a Path,
}

type Execute = Box<dyn Fn(&mut Case<'_>) -> Outcome + Send>;

/// A parser to be tried.
struct Target {
    name: &'static str,
    /// Folder of the corpus.
    corpus: &'static str,
    seeds: Vec<Vec<u8>>,
    /// Executions for each hundred of an ordinary target: less where one costs more.
    share: u64,
    execute: Execute,
}

impl Target {
    fn new(
        name: &'static str,
        corpus: &'static str,
        share: u64,
        execute: impl Fn(&mut Case<'_>) -> Outcome + Send + 'static,
    ) -> Target {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/corpus").join(corpus);
        let mut files: Vec<PathBuf> = std::fs::read_dir(&folder)
            .map(|d| d.map(|e| e.unwrap().path()).collect())
            .unwrap_or_default();
        files.sort();
        let seeds = files.iter().map(|f| std::fs::read(f).unwrap()).collect();
        Target { name, corpus, seeds, share, execute: Box::new(execute) }
    }
}

/// What was tried of one target.
struct Tried {
    name: &'static str,
    executions: u64,
    wanted: u64,
    time: Duration,
    slowest: Duration,
    kept: u64,
    rejected: u64,
    refused: u64,
    wrong: Option<String>,
}

#[test]
fn every_parser_stands_mutated_input() {
    let ordinary = std::env::var("TRIMDRIFT_FUZZ_EXECUTIONS")
        .map_or(EXECUTIONS, |n| n.parse().expect("TRIMDRIFT_FUZZ_EXECUTIONS is a whole number"));
    let mut targets = texts::targets();
    targets.extend(pieces::targets());
    targets.extend(tables::targets());
    let count = targets.len();
    targets.reverse();
    let queue = Mutex::new(targets);
    let done: Mutex<Vec<Tried>> = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let Some(target) = queue.lock().unwrap().pop() else { break };
                    let tried = try_target(&target, ordinary * target.share / 100);
                    done.lock().unwrap().push(tried);
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap();
    assert_eq!(done.len(), count);
    done.sort_by_key(|t| t.name);
    let mut board = Board::new(
        "parsers under mutated input (kept and rejected: rows, records or values)",
        ["target", "executions", "seconds", "slowest ms", "kept", "rejected", "refused whole"],
    );
    for t in done {
        let mut wrong = t.wrong;
        if t.executions < t.wanted {
            wrong.get_or_insert_with(|| format!("{} of {} executions", t.executions, t.wanted));
        }
        // A target of which nothing gets through, or of which everything does, tries nothing.
        if t.kept == 0 || t.rejected + t.refused == 0 {
            wrong.get_or_insert_with(|| "only one kind of outcome".to_owned());
        }
        let cells = [
            t.name.to_owned(),
            t.executions.to_string(),
            format!("{:.1}", t.time.as_secs_f64()),
            format!("{:.1}", t.slowest.as_secs_f64() * 1e3),
            t.kept.to_string(),
            t.rejected.to_string(),
            t.refused.to_string(),
        ];
        board.judged(cells, wrong);
    }
    board.close();
}

/// Tries the corpus as it is, then mutations of it, until something goes wrong.
fn try_target(target: &Target, executions: u64) -> Tried {
    assert!(!target.seeds.is_empty(), "{}: tests/corpus/{} is empty", target.name, target.corpus);
    // In memory where that can be had: some disks take a millisecond to write a small file anew.
    let folder = tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap();
    let mut tried = Tried {
        name: target.name,
        executions: 0,
        wanted: executions + target.seeds.len() as u64,
        time: Duration::ZERO,
        slowest: Duration::ZERO,
        kept: 0,
        rejected: 0,
        refused: 0,
        wrong: None,
    };
    for n in 0..tried.wanted {
        let mut dice = Dice::new(n ^ 0x7472_696d);
        let bytes = match target.seeds.get(n as usize) {
            Some(seed) => seed.clone(),
            None => {
                let seed = dice.pick(&target.seeds).clone();
                mutated(&seed, &target.seeds, &mut dice, LONGEST)
            }
        };
        let committed = (n as usize) < target.seeds.len();
        let mut case = Case { bytes: &bytes, dice: &mut dice, committed, folder: folder.path() };
        let started = Instant::now();
        let outcome = catch_unwind(AssertUnwindSafe(|| (target.execute)(&mut case)));
        let took = started.elapsed();
        tried.executions += 1;
        tried.time += took;
        tried.slowest = tried.slowest.max(took);
        let wrong = match outcome {
            Ok(outcome) => {
                tried.kept += outcome.kept;
                tried.rejected += outcome.rejected;
                tried.refused += u64::from(outcome.refused);
                (took > LIMIT && !committed).then(|| format!("took {took:?}"))
            }
            Err(panic) => {
                let text = panic.downcast_ref::<String>().map(String::as_str);
                Some(text.or(panic.downcast_ref::<&str>().copied()).unwrap_or("panic").to_owned())
            }
        };
        if let Some(wrong) = wrong {
            // To be kept as tests/corpus/<target>/regression-<what>.
            let kept = std::env::temp_dir().join(format!("fuzz-{}-{n}", target.corpus));
            let _ = std::fs::write(&kept, &bytes);
            tried.wrong = Some(format!("execution {n}, input kept as {}: {wrong}", kept.display()));
            break;
        }
    }
    tried
}
