//! Nights in which a file has grown replace rows of earlier nights. So they are killed at every write, watched by
//! readers, and tried in lakes of other versions.

use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};

use trimdrift::lake::{Lake, Mode, Table, WriteSteps};
use trimdrift::pipeline::{self, Fleet, Progress};

use crate::lake_faults::{drop_column, edit_first_commit, edit_schema, without_field};
use crate::lake_rows::walk;
use crate::support::folder::log;
use crate::support::{Board, Contents, Folder};

/// 2030-01-01, UTC microseconds.
const CLOCK_US: i64 = 1_893_456_000_000_000;

struct Silent;

impl Progress for Silent {
    fn stage(&self, _: &str, _: Option<u64>) {}
    fn advance(&self, _: u64) {}
    fn warn(&self, _: &str) {}
}

/// A log of three trips, and where it was cut when it was first seen: in the last cell of a row of the second.
fn growing() -> (String, usize) {
    let text = log("V1", "first", 5, 60) + log("V1", "second", 6, 80).split_once('\n').unwrap().1;
    let text = text + log("V1", "third", 7, 40).split_once('\n').unwrap().1;
    // The last cell is "2", and a row without it has one empty cell: it is believed until the file has grown.
    let row = text.match_indices(",second,").nth(30).unwrap().0;
    let cut = row + text[row..].find('\n').unwrap() - 1;
    (text, cut)
}

/// The lake after the first night: a cut log and, in the same parts, one that is whole.
fn first_night() -> Folder {
    let (text, cut) = growing();
    let fleet = Folder::by_hand();
    fleet.write("logs/grows.csv", &text[..cut]);
    fleet.write("logs/other.csv", log("V2", "t", 6, 50));
    fleet.ingest();
    fleet.write("logs/grows.csv", &text);
    fleet
}

fn whole() -> Contents {
    let fleet = Folder::by_hand();
    fleet.write("logs/grows.csv", growing().0);
    fleet.write("logs/other.csv", log("V2", "t", 6, 50));
    fleet.ingest();
    fleet.lake()
}

/// One night that ends at its `n`-th write step.
fn night_that_fails(fleet: &Folder, n: u64) -> (bool, WriteSteps) {
    let pipeline = pipeline::load(&fleet.join("pipeline.toml")).unwrap();
    let tables = Fleet::read(&pipeline, &Silent).unwrap();
    let (lake, steps) = Lake::open_to_fail(&pipeline.lake, Mode::Write, n);
    let died = lake.map_or(true, |mut lake| {
        pipeline::ingest(&pipeline, &tables, &mut lake, CLOCK_US, &Silent).is_err()
    });
    (died, steps)
}

#[test]
fn a_night_that_replaces_rows_is_killed_at_every_write_and_nothing_is_lost() {
    let expected = whole();
    let before = first_night().lake();
    assert!(before.difference_but_for_nights(&expected).is_some());
    let mut board = Board::new(
        "a night that replaces rows, killed at a write",
        ["write", "then seen", "in the end"],
    );
    for n in 1.. {
        let fleet = first_night();
        let (died, steps) = night_that_fails(&fleet, n);
        let seen = fleet.lake();
        let (old, new) =
            (seen.difference_but_for_nights(&before), seen.difference_but_for_nights(&expected));
        let shown = match (&old, &new) {
            (None, _) => "the night before",
            (_, None) => "the whole night",
            _ => "half a night",
        };
        let mut wrong = old.and(new);
        fleet.ingest();
        wrong = wrong.or_else(|| fleet.lake().difference_but_for_nights(&expected));
        let end = if wrong.is_none() { "nothing lost" } else { "differs" };
        board.judged([n.to_string(), shown.to_owned(), end.to_owned()], wrong);
        if !died {
            assert!(n > 15 && steps.taken() < n, "only {n} write points");
            break;
        }
    }
    board.close();
}

#[test]
fn parts_that_were_replaced_leave_the_disk_a_week_later() {
    const DAY_US: i64 = 86_400_000_000;
    let fleet = first_night();
    let pipeline = pipeline::load(&fleet.join("pipeline.toml")).unwrap();
    let parts = || {
        let mut files = Vec::new();
        walk(&fleet.join("lake"), &mut files);
        files.retain(|f| f.contains("/part-"));
        files
    };
    let shown = || {
        let lake = Lake::open(fleet.join("lake").to_str().unwrap(), Mode::Read).unwrap();
        let snapshot = lake.snapshot().unwrap();
        Table::ALL.iter().map(|t| snapshot.files(*t).len()).sum::<usize>()
    };
    pipeline::ingest_only(&pipeline, CLOCK_US, &Silent).unwrap();
    let all = parts();
    assert!(all.len() > shown(), "nothing was replaced");
    // A settings change derives the trips anew, one more way for parts to leave the tables.
    fleet.pipeline("[gate]\nwarm_coolant_c = 71\n");
    let pipeline = pipeline::load(&fleet.join("pipeline.toml")).unwrap();
    pipeline::ingest_only(&pipeline, CLOCK_US + 6 * DAY_US, &Silent).unwrap();
    assert!(all.iter().all(|f| parts().contains(f)), "a reader may still need them");
    let whole = fleet.lake();
    pipeline::ingest_only(&pipeline, CLOCK_US + 8 * DAY_US, &Silent).unwrap();
    assert!(!all.iter().all(|f| parts().contains(f)));
    assert!(parts().len() > shown(), "what left two days ago stays");
    pipeline::ingest_only(&pipeline, CLOCK_US + 14 * DAY_US, &Silent).unwrap();
    assert_eq!(parts().len(), shown());
    assert_eq!(fleet.lake().difference(&whole), None);
}

#[test]
fn a_reader_never_sees_a_row_twice_or_missing_while_files_grow() {
    let fleet = Folder::by_hand();
    let (text, _) = growing();
    fleet.write("logs/grows.csv", &text[..2000]);
    fleet.ingest();
    let done = AtomicBool::new(false);
    let mut looks = 0;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for cut in (2000..text.len()).step_by(301) {
                fleet.write("logs/grows.csv", &text[..cut]);
                fleet.ingest();
            }
            done.store(true, Ordering::SeqCst);
        });
        let lake = Lake::open(fleet.join("lake").to_str().unwrap(), Mode::Read).unwrap();
        while !done.load(Ordering::SeqCst) {
            let snapshot = lake.snapshot().unwrap();
            let trips = snapshot.trips(None).unwrap();
            let samples: usize = snapshot.samples("V1").unwrap().values().map(|s| s.len()).sum();
            let of_trips: u64 = trips.iter().filter(|t| t.vehicle == "V1").map(|t| t.rows).sum();
            assert_eq!(samples as u64, of_trips, "samples against the rows of their trips");
            let mut names: Vec<&str> = trips.iter().map(|t| t.trip.as_str()).collect();
            names.sort_unstable();
            names.dedup();
            assert_eq!(names.len(), trips.len(), "a trip in two pieces");
            looks += 1;
        }
    });
    assert!(looks > 5, "only {looks} looks");
    let mut board =
        Board::new("a reader beside nights of a growing file", ["looks", "half nights seen"]);
    board.row([looks.to_string(), "0".to_owned()]);
    board.close();
}

/// Logs whose clock is set back twice, line by line: a late line completes a sample that was read long ago, comes between
/// two counts or two equal rows, or cuts a trip in two. For each its profile, head and lines.
fn set_back() -> Vec<(&'static str, String, &'static str, Vec<String>)> {
    let head = "[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n";
    // Seconds of the clock; `late`: after it was set back.
    let clock = [(0, false), (1, false), (2, false), (3, false), (4, false), (1, true)];
    let clock = clock.into_iter().chain([(2, true), (3, true), (9, true), (9, false), (2, true)]);
    let lines = |cells: &dyn Fn(u32, bool) -> String| -> Vec<String> {
        let line =
            |(second, late)| format!("2024-01-05T22:33:{second:02}Z,V1,{}\n", cells(second, late));
        clock.clone().map(line).collect()
    };
    let between = |cells: &dyn Fn(u32, bool) -> String| -> Vec<String> {
        let line = |(second, late)| {
            let at = f64::from(second) + if late { 0.5 } else { 0.0 };
            format!("2024-01-05T22:33:{at:04.1}Z,V1,{}\n", cells(second, late))
        };
        clock.clone().map(line).collect()
    };
    let long = "format = \"long_csv\"\n".to_owned()
        + head
        + "[columns]\nrpm = \"rpm\"\nspeed_kmh = \"speed\"\n[long]\nsignal = \"what\"\nvalue = \"is\"\n";
    let raw = "format = \"raw\"\n".to_owned()
        + head
        + "[raw]\nrequest = \"request\"\nresponse = \"response\"\n";
    let counts = head.to_owned()
        + "[columns]\nmisfire_c1 = { column = \"count\", kind = \"since_start\" }\n";
    let repeats = "drop_repeats = true\n".to_owned() + head + "[columns]\nrpm = \"rpm\"\n";
    let trips = head.to_owned() + "[trip]\ncolumn = \"trip\"\n[columns]\nrpm = \"rpm\"\n";
    let reply = |_, late| if late { "010D,410D32" } else { "010C,410C1AF8" }.to_owned();
    let rpm = |_, late| if late { "900" } else { "800" }.to_owned();
    vec![
        (
            "long",
            long,
            "time,vehicle,what,is",
            lines(&|second, late| format!("{},{second}", if late { "speed" } else { "rpm" })),
        ),
        ("raw", raw, "time,vehicle,request,response", lines(&reply)),
        (
            "counts",
            counts,
            "time,vehicle,count",
            between(&|second, late| format!("{}", 10 * second + if late { 4 } else { 0 })),
        ),
        ("equal rows", repeats, "time,vehicle,rpm", between(&rpm)),
        (
            "trips",
            trips,
            "time,vehicle,trip,rpm",
            between(&|second, late| {
                format!("{},{}", if late { "second" } else { "first" }, 800 + second)
            }),
        ),
    ]
}

#[test]
fn a_late_line_counts_as_if_the_log_had_been_read_whole() {
    let mut board = Board::new("a line that comes late", ["log", "first night", "in the end"]);
    for (name, profile, head, lines) in set_back() {
        let read = |states: &[usize]| {
            let fleet = Folder::by_hand();
            fleet.write("own.toml", &profile);
            let pipeline = fs::read_to_string(fleet.join("pipeline.toml")).unwrap();
            fleet.write("pipeline.toml", pipeline.replace("\"plain\"", "\"own.toml\""));
            fs::remove_file(fleet.join("logs/good.csv")).unwrap();
            for n in states {
                fleet.write("logs/grows.csv", format!("{head}\n{}", lines[..*n].concat()));
                fleet.ingest();
            }
            let read = fleet.lake();
            // Another gate: the trips are derived anew from the samples.
            let pipeline = fs::read_to_string(fleet.join("pipeline.toml")).unwrap();
            fleet.write("pipeline.toml", pipeline + "[gate]\nwarm_coolant_c = 71\n");
            fleet.run();
            (read, fleet.lake())
        };
        let whole = read(&[lines.len()]);
        assert!(whole.0.samples.len() > 3, "{:?}", whole.0.samples);
        assert!(whole.0.trips != whole.1.trips, "made by another recipe");
        let nights = (1..=lines.len()).map(|n| (format!("{n} lines"), vec![n, lines.len()]));
        let each = ("a line a night".to_owned(), (1..=lines.len()).collect());
        for (first, states) in nights.chain([each]) {
            let (seen, anew) = read(&states);
            let wrong = seen.difference_but_for_nights(&whole.0);
            let wrong = wrong.or(anew.difference_but_for_nights(&whole.1));
            let told = if wrong.is_none() { "as read whole" } else { "differs" };
            board.judged([name.to_owned(), first, told.to_owned()], wrong);
        }
    }
    board.close();
}

fn parts(folder: &Path) -> Vec<String> {
    let mut files = Vec::new();
    walk(folder, &mut files);
    files.retain(|f| f.ends_with(".parquet"));
    files
}

#[test]
fn a_lake_of_before_rows_were_settled_goes_on() {
    let (text, cut) = growing();
    let fleet = Folder::by_hand();
    // Such a version cut at a line end as it does now.
    let cut = text[..cut].rfind('\n').unwrap() + 1;
    fleet.write("logs/grows.csv", &text[..cut]);
    fleet.write("logs/other.csv", log("V2", "t", 6, 50));
    fleet.ingest();
    let lake = fleet.join("lake");
    edit_first_commit(&lake, Table::Sources, |log| without_field(&log, "rows_settled"));
    for part in parts(&lake.join("sources")) {
        drop_column(&lake.join("sources").join(part), "rows_settled");
    }
    fleet.write("logs/grows.csv", &text);
    fleet.ingest();
    assert_eq!(fleet.lake().difference_but_for_nights(&whole()), None);
}

#[test]
fn a_lake_with_columns_that_only_a_later_version_knows_is_read_and_written() {
    let fleet = first_night();
    let lake = fleet.join("lake");
    for table in Table::ALL {
        edit_first_commit(&lake, table, |log| {
            edit_schema(&log, |fields| {
                fields.push(serde_json::json!({
                    "name": "of_a_later_version", "type": "double", "nullable": true, "metadata": {}
                }));
            })
        });
    }
    fleet.ingest();
    assert_eq!(fleet.lake().difference_but_for_nights(&whole()), None);
    fleet.trimdrift(&["rank", "pipeline.toml"]).expect(0);
}

/// A file that shrinks, changes in its past, or is put back has no trace of it beside what was read.
#[test]
fn a_file_that_does_not_only_grow_loses_no_row_of_others() {
    let (text, cut) = growing();
    let fleet = first_night();
    fleet.ingest();
    let expected = whole();
    // Cut again (a backup that was put back) and whole again.
    for bytes in [&text[..cut], &text[..cut / 2], &text] {
        fleet.write("logs/grows.csv", bytes);
        fleet.ingest();
    }
    let others = |c: &Contents| c.samples.iter().filter(|s| s.contains("V2")).count();
    assert_eq!(others(&fleet.lake()), others(&expected));
    let seen = fleet.lake();
    let missing: Vec<&String> =
        expected.samples.iter().filter(|s| seen.samples.binary_search(s).is_err()).collect();
    assert!(missing.is_empty(), "{missing:?}");
    let _ = fs::remove_dir_all(fleet.join("lake"));
    fleet.ingest();
    assert_eq!(fleet.lake().difference_but_for_nights(&expected), None);
}

#[test]
fn it_does_not_matter_where_the_program_is_started() {
    let fleet = first_night(); // started in the folder
    let pipeline = fleet.join("pipeline.toml");
    let elsewhere = Folder::new();
    elsewhere.trimdrift(&["run", pipeline.to_str().unwrap()]).expect(0);
    assert_eq!(fleet.lake().difference_but_for_nights(&whole()), None);
    let out = crate::support::folder::tree(&fleet.join("out"));
    fleet.run();
    let again = crate::support::folder::tree(&fleet.join("out"));
    for (name, bytes) in out.iter().filter(|(name, _)| *name != "run.json") {
        assert!(again.get(name) == Some(bytes), "{name} depends on where the run was started");
    }
}
