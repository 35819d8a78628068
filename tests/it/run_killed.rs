//! Whatever ends a run by force, the next one ends in the lake and the outputs of runs that nothing happened to.
//!
//! Where the writes of the lake are cut one by one stands in `lake_faults`; here the real program meets `kill -9`, a full
//! disk and a lake that may not be written.

use std::time::{Duration, Instant};

use trimdrift::demo::DemoSettings;

use crate::support::contents::Contents;
use crate::support::folder::{small, tree};
use crate::support::outputs::{Except, difference, record, table};
use crate::support::program::{command, shell};
use crate::support::{Board, Folder};

/// Kills wanted over one job.
const KILLS: usize = 24;

/// What stands in the output folder is whole: a reader may come at any moment.
fn assert_outputs_whole(fleet: &Folder, vehicles: usize) {
    let out = fleet.join("out");
    if out.join("ranking.csv").exists() {
        assert_eq!(table(&fleet.read("out/ranking.csv")).len(), vehicles, "half a ranking");
    }
    if out.join("run.json").exists() {
        record(&out);
    }
    if out.join("findings.parquet").exists() {
        let bytes = fleet.read("out/findings.parquet");
        assert!(bytes.starts_with(b"PAR1") && bytes.ends_with(b"PAR1"), "half of findings.parquet");
    }
    if out.join("report/index.html").exists() {
        assert!(fleet.text("out/report/index.html").trim_end().ends_with("</html>"), "half a page");
    }
}

/// Every source in the lake has all of its samples.
fn assert_whole_sources(lake: &Contents) {
    let known: u64 = lake.kept.values().sum();
    assert_eq!(known, lake.samples.len() as u64);
    for (digest, kept) in &lake.kept {
        let source = lake.sources.iter().find(|s| s.contains(digest.as_str()));
        let source = source.unwrap_or_else(|| panic!("samples of {digest} without a source"));
        assert!(source.contains(&format!("rows_kept: {kept},")), "{kept} samples of {source}");
    }
}

#[test]
fn killed_again_and_again_the_job_ends_as_one_that_was_not() {
    let vehicles = 5;
    let source = Folder::demo(&DemoSettings { sample_period_s: 4, ..small(vehicles, 84, 41) });
    let names = {
        let mut names = source.logs();
        names.sort_by_key(|n| n.split_once('_').map(|(_, week)| week.to_owned()));
        names
    };
    let nights: Vec<&[String]> = names.chunks(names.len().div_ceil(8)).collect();
    // The same nights undisturbed, and how long each takes.
    let calm = Folder::tables_of(&source);
    let mut times = Vec::new();
    for night in &nights {
        night.iter().for_each(|n| calm.receive(&source, n));
        let started = Instant::now();
        calm.run();
        times.push(started.elapsed());
    }
    let fleet = Folder::tables_of(&source);
    let (mut kills, mut ends) = (0, 0);
    let mut stages = [0; 4];
    for (n, night) in nights.iter().enumerate() {
        night.iter().for_each(|name| fleet.receive(&source, name));
        let share = KILLS.div_ceil(nights.len());
        let mut here = 0;
        for k in 0..40usize {
            if here == share {
                break;
            }
            // Spread over the whole run: 5 %, 42 %, 79 %, 16 % … of what it took undisturbed, less after a miss.
            let part =
                (5 + (37 * (n * share + k)) % 95) as f64 / 100.0 / (1.0 + 0.3 * (k - here) as f64);
            let mut run = command(fleet.path(), &["run", "pipeline.toml"]).spawn().unwrap();
            std::thread::sleep(Duration::from_secs_f64(times[n].as_secs_f64() * part));
            if run.try_wait().unwrap().is_some() {
                let ran = run.wait_with_output().unwrap();
                assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
                ends += 1;
                continue;
            }
            run.kill().unwrap(); // SIGKILL
            let ran = run.wait_with_output().unwrap();
            let said = String::from_utf8_lossy(&ran.stderr).into_owned();
            let stage = ["looking", "reading", "evidence", "report"];
            stages[stage.iter().rposition(|s| said.contains(s)).unwrap_or(0)] += 1;
            (kills, here) = (kills + 1, here + 1);
            assert_outputs_whole(&fleet, vehicles);
            if fleet.join("lake/sources/_delta_log").exists() && has_table(&fleet) {
                assert_whole_sources(&fleet.lake());
            }
        }
    }
    assert!(kills >= 20, "only {kills} kills");
    fleet.run();
    let mut board = Board::new("kill -9 of the whole job", ["during", "kills"]);
    let during = ["start, looking for files", "reading, committing", "evidence", "report"];
    for (stage, count) in during.iter().zip(stages) {
        board.row([(*stage).to_owned(), count.to_string()]);
    }
    board.row(["(the run was faster)".to_owned(), ends.to_string()]);
    board.close();
    fleet.lake().assert_same(&calm.lake(), "after the kills");
    assert_eq!(difference(&fleet.join("out"), &calm.join("out"), Except::Record), None);
    let litter = |name: &String| name.contains(".tmp") || name.starts_with("lake/_intent");
    let left: Vec<String> = tree(fleet.path()).into_keys().filter(litter).collect();
    assert!(left.is_empty(), "left lying about: {left:?}");
}

/// Whether the first commit of the sources is there: before it there is no lake yet.
fn has_table(fleet: &Folder) -> bool {
    fleet.join("lake/sources/_delta_log/00000000000000000000.json").exists()
}

#[test]
fn when_files_may_not_grow_the_run_says_so_and_the_next_completes_it() {
    let source = Folder::demo(&small(4, 40, 42));
    let calm = Folder::copy_of(&source);
    calm.run();
    let mut board = Board::new("limit on the size of files", ["KiB", "code", "message"]);
    // The limits fall on the first log entry, on parts of different tables, on outputs.
    for kib in [0, 1, 2, 8, 20, 40, 80] {
        let fleet = Folder::copy_of(&source);
        let limited = format!("trap '' XFSZ; ulimit -f {kib}; exec $TRIMDRIFT run pipeline.toml");
        let ran = shell(fleet.path(), &limited);
        let message = ran.err.lines().last().unwrap_or_default().to_owned();
        let mut wrong = match ran.code {
            6 => (!message.contains("free some space")
                && !message.contains("could not be written"))
            .then(|| message.clone()),
            0 => Some("the limit was enough".to_owned()),
            code => Some(format!("code {code}: {}", ran.err)),
        };
        assert_outputs_whole(&fleet, 4);
        fleet.run();
        wrong = wrong
            .or_else(|| fleet.lake().difference(&calm.lake()))
            .or_else(|| difference(&fleet.join("out"), &calm.join("out"), Except::Record));
        let shown = message.replace(&*fleet.path().to_string_lossy(), "…");
        board.judged([kib.to_string(), ran.code.to_string(), shown], wrong);
    }
    board.close();
}

/// Whether this machine lets us mount in a name space of our own.
fn may_mount() -> bool {
    let folder = Folder::new();
    let ran = shell(folder.path(), "unshare -m sh -c 'mount -t tmpfs -o size=64k tmpfs . '");
    if ran.code != 0 {
        println!("skipped: mounting needs root ({})", ran.err.trim());
    }
    ran.code == 0
}

#[test]
fn a_full_disk_loses_nothing() {
    if !may_mount() {
        return;
    }
    let source = Folder::demo(&small(4, 40, 43));
    let calm = Folder::copy_of(&source);
    calm.run();
    let mut board = Board::new("full disk", ["KiB", "code", "message"]);
    let full = calm_size(&calm);
    for share in [2, 15, 40, 70, 95] {
        let fleet = Folder::copy_of(&source);
        let kib = (full / 1024 * share / 100).max(16);
        fleet.write("pipeline.toml", on_disk(&fleet.text("pipeline.toml")));
        // The disk lives only in the name space of this shell; what is on it in the end is copied out.
        let script = format!(
            "mkdir disk && unshare -m bash -c '
               mount -t tmpfs -o size={kib}k tmpfs disk
               $TRIMDRIFT run pipeline.toml; echo code $?
               mount -o remount,size=64m disk
               $TRIMDRIFT run pipeline.toml > last.txt || echo last $?
               cp -r disk/lake disk/out .'"
        );
        let ran = shell(fleet.path(), &script).expect(0);
        let message = ran.err.lines().rfind(|l| l.contains("space")).unwrap_or_default();
        let code = if ran.out.contains("code 6\n") { "6" } else { "other" };
        let mut wrong = None;
        if code != "6" || ran.out.contains("last ") || !message.contains("free some space") {
            wrong = Some(format!("{}{}", ran.out, ran.err));
        }
        wrong = wrong
            .or_else(|| fleet.lake().difference(&calm.lake()))
            .or_else(|| difference(&fleet.join("out"), &calm.join("out"), Except::Record));
        board.judged([kib.to_string(), code.to_owned(), message.to_owned()], wrong);
    }
    board.close();
}

fn calm_size(calm: &Folder) -> usize {
    let files = tree(calm.path()).into_iter();
    let written = files.filter(|(name, _)| name.starts_with("lake/") || name.starts_with("out/"));
    // A file system gives whole pages.
    written.map(|(_, bytes)| bytes.len().div_ceil(4096) * 4096).sum()
}

fn on_disk(pipeline: &str) -> String {
    pipeline.replace("\"lake\"", "\"disk/lake\"").replace("\"out\"", "\"disk/out\"")
}

#[test]
fn a_lake_that_may_not_be_written_is_named_and_left_alone_and_can_be_read() {
    if !may_mount() {
        return;
    }
    let fleet = Folder::by_hand();
    fleet.run();
    let before = tree(&fleet.join("lake"));
    fleet.write("logs/more.csv", crate::support::folder::log("V2", "t", 3, 20));
    let read_only = |verb: &str| {
        shell(
            fleet.path(),
            &format!(
                "unshare -m bash -c 'mount --bind lake lake && mount -o remount,bind,ro lake && exec $TRIMDRIFT {verb}'"
            ),
        )
    };
    for verb in ["run pipeline.toml", "ingest pipeline.toml"] {
        let ran = read_only(verb).expect(6);
        assert!(
            ran.err.contains("/lake") && ran.err.contains("right to read and write"),
            "{}",
            ran.err
        );
    }
    assert!(tree(&fleet.join("lake")) == before);
    for verb in [
        "rank pipeline.toml",
        "explain pipeline.toml V1",
        "outcomes pipeline.toml",
        "check pipeline.toml",
    ] {
        read_only(verb).expect(0);
    }
    fleet.run();
    assert_eq!(fleet.lake().sources.len(), 2);
}

#[test]
fn outputs_that_may_not_be_written_are_named_and_the_lake_keeps_the_night() {
    let fleet = Folder::by_hand();
    fleet.write("out", "a file where the folder should be");
    let ran = fleet.trimdrift(&["run", "pipeline.toml"]).expect(6);
    assert!(ran.err.contains("out"), "{}", ran.err);
    assert_eq!(fleet.lake().samples.len(), crate::support::folder::GOOD_ROWS);
    std::fs::remove_file(fleet.join("out")).unwrap();
    // A folder of somebody else's files is not swept away.
    fleet.write("out/report/thesis.txt", "three years of work");
    let ran = fleet.trimdrift(&["run", "pipeline.toml"]).expect(6);
    assert!(ran.err.contains("thesis.txt"), "{}", ran.err);
    assert_eq!(fleet.text("out/report/thesis.txt"), "three years of work");
    std::fs::remove_dir_all(fleet.join("out")).unwrap();
    fleet.run();
}
