//! Faults injected into the lake: whatever happens to a run, the next one ends in the lake of an undisturbed one.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Barrier;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use trimdrift::lake::{BatchId, Lake, LakeError, Mode, Table, Versions};

use crate::lake_rows as made;
use crate::support::Board;

/// Which lake the child process of a test writes to.
const CHILD_LAKE: &str = "TRIMDRIFT_TEST_LAKE";

/// The rows, and the table versions, of a lake that nothing happened to.
fn undisturbed(nights: u64) -> (Vec<String>, Versions) {
    let folder = tempfile::tempdir().unwrap();
    let lake = Lake::open(text(folder.path()), Mode::Write).unwrap();
    for night in 0..nights {
        made::ingest(&lake, night).unwrap();
    }
    state(&lake)
}

/// Rows and versions: a batch that was committed twice would show in the versions even where the rows hide it.
fn state(lake: &Lake) -> (Vec<String>, Versions) {
    (made::contents(lake), lake.snapshot().unwrap().versions())
}

/// Ingests what the lake does not have yet.
fn ingest_missing(lake: &Lake, nights: u64) -> Result<(), LakeError> {
    for night in 0..nights {
        let known = lake.known_sources()?;
        if !known.iter().any(|s| s.digest == format!("a{night}")) {
            made::ingest(lake, night)?;
        }
    }
    Ok(())
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// No file lies about that the lake does not know.
fn assert_no_litter(root: &Path, lake: &Lake) {
    let snapshot = lake.snapshot().unwrap();
    let mut files = Vec::new();
    made::walk(root, &mut files);
    for table in Table::ALL {
        let known: Vec<String> = snapshot
            .files(table)
            .iter()
            .map(|f| format!("{}/{}", table.as_str(), f.path))
            .collect();
        files.retain(|f| !known.contains(f));
    }
    files.retain(|f| f != "_lock" && !f.contains("/_delta_log/0"));
    assert!(files.is_empty(), "{files:?}");
}

#[test]
fn a_run_killed_at_any_write_is_completed_by_the_next() {
    let (one, two) = (undisturbed(1), undisturbed(2));
    let mut n = 1;
    loop {
        let folder = tempfile::tempdir().unwrap();
        let root = text(folder.path());
        made::ingest(&Lake::open(root, Mode::Write).unwrap(), 0).unwrap();
        let (lake, _) = Lake::open_to_fail(root, Mode::Write, n);
        let died = lake.and_then(|lake| made::ingest(&lake, 1)).is_err();
        let seen = state(&Lake::open(root, Mode::Read).unwrap());
        assert!(seen == one || seen == two, "half a night after write {n}");
        let lake = Lake::open(root, Mode::Write).unwrap();
        ingest_missing(&lake, 2).unwrap();
        assert!(state(&lake) == two, "after write {n}");
        assert_no_litter(folder.path(), &lake);
        if !died {
            break;
        }
        n += 1;
    }
    assert!(n > 20, "only {n} write points");
    tried("a second night ended at each of its writes", n);
}

/// Says on the terminal what was tried; a row that was lost or doubled would have failed the test.
fn tried(what: &str, points: u64) {
    let mut board = Board::new("runs ended by force", ["how", "points", "rows lost or doubled"]);
    board.row([what.to_owned(), points.to_string(), "0".to_owned()]);
    board.close();
}

#[test]
fn the_first_run_may_be_killed_too_and_so_may_the_run_that_clears_up() {
    let expected = undisturbed(1);
    let mut n = 1;
    loop {
        let folder = tempfile::tempdir().unwrap();
        let root = text(folder.path());
        let (lake, _) = Lake::open_to_fail(root, Mode::Write, n);
        let died = lake.and_then(|lake| made::ingest(&lake, 0)).is_err();
        // The next runs are killed too, each a little later, until one of them gets through.
        let mut m = 1;
        loop {
            let (lake, _) = Lake::open_to_fail(root, Mode::Write, m);
            match lake.and_then(|lake| ingest_missing(&lake, 1)) {
                Ok(()) => break,
                Err(e) => assert!(m < 100, "never completed after write {n}: {e}"),
            }
            m += 1 + m / 3;
        }
        let lake = Lake::open(root, Mode::Write).unwrap();
        assert!(state(&lake) == expected, "after write {n}");
        assert_no_litter(folder.path(), &lake);
        if !died {
            break;
        }
        n += 1;
    }
    assert!(n > 20, "only {n} write points");
    tried("the first night, and the runs that clear up, at each of their writes", n);
}

#[test]
fn a_second_writer_is_told_that_the_lake_is_held() {
    let folder = tempfile::tempdir().unwrap();
    let first = Lake::open(text(folder.path()), Mode::Write).unwrap();
    let second = Lake::open(text(folder.path()), Mode::Write);
    assert!(matches!(second, Err(LakeError::Held { .. })), "{second:?}");
    made::ingest(&first, 0).unwrap();
    assert!(state(&Lake::open(text(folder.path()), Mode::Read).unwrap()) == undisturbed(1));
    drop(first);
    assert!(folder.path().join("_lock").exists(), "the lock file stays, and does not matter");
    Lake::open(text(folder.path()), Mode::Write).unwrap();
}

#[test]
fn writers_without_the_lock_both_land() {
    let folder = tempfile::tempdir().unwrap();
    let root = text(folder.path());
    let lakes = [0, 1].map(|_| Lake::open(root, Mode::WriteUnlocked).unwrap());
    // Both write their parts, wait for each other, and commit at once.
    let together = Barrier::new(2);
    let write = |lake: &Lake, k: u64| -> Vec<Result<Versions, LakeError>> {
        let night = |night: u64| {
            let ready = made::prepare(lake, night * 2 + k);
            together.wait();
            ready?.commit()
        };
        (0..8).map(night).collect()
    };
    let results = std::thread::scope(|scope| {
        let other = scope.spawn(|| write(&lakes[1], 1));
        write(&lakes[0], 0).into_iter().chain(other.join().unwrap()).collect::<Vec<_>>()
    });
    for result in results {
        result.unwrap();
    }
    assert!(state(&Lake::open(root, Mode::Read).unwrap()) == undisturbed(16));
}

#[test]
fn a_reader_never_sees_half_a_night() {
    let folder = tempfile::tempdir().unwrap();
    let root = text(folder.path());
    let writer = Lake::open(root, Mode::Write).unwrap();
    let reader = Lake::open(root, Mode::Read).unwrap();
    let whole: Vec<_> = (0..=6).map(undisturbed).collect();
    let done = AtomicBool::new(false);
    let mut seen = 0;
    std::thread::scope(|scope| {
        scope.spawn(|| {
            for night in 0..6 {
                made::ingest(&writer, night).unwrap();
            }
            done.store(true, Ordering::SeqCst);
        });
        while !done.load(Ordering::SeqCst) {
            let rows = made::contents(&reader);
            let found = whole.iter().any(|(whole, _)| *whole == rows);
            assert!(found, "{} rows are no whole number of nights", rows.len());
            seen += 1;
        }
    });
    assert!(seen > 2, "only {seen} looks");
    assert!(state(&reader) == whole[6]);
}

/// Not a test of its own: the run that the tests below end by force.
#[test]
#[ignore = "started by other tests as their child"]
fn child_ingests() {
    let root = std::env::var(CHILD_LAKE).unwrap();
    let lake = Lake::open(&root, Mode::Write).unwrap_or_else(|e| panic!("{e}"));
    ingest_missing(&lake, 6).unwrap_or_else(|e| panic!("{e}"));
}

/// This test program again, for `child_ingests` only, behind a shell that first does `before`.
fn child(root: &Path, before: &str) -> Command {
    let module = module_path!().split_once("::").map_or("", |(_, path)| path);
    let mut command = Command::new("sh");
    command
        .args(["-c", &format!("{before} exec \"$0\" \"$@\"")])
        .arg(std::env::current_exe().unwrap())
        .args(["--exact", &format!("{module}::child_ingests"), "--ignored", "--nocapture"])
        .env(CHILD_LAKE, root)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped());
    command
}

#[test]
fn a_process_killed_again_and_again_leaves_the_lake_of_one_that_was_not() {
    let folder = tempfile::tempdir().unwrap();
    let mut kills = 0;
    for k in 0..200u64 {
        let mut run = child(folder.path(), "").spawn().unwrap();
        std::thread::sleep(Duration::from_millis(20 + (k * 37) % 150));
        if let Some(status) = run.try_wait().unwrap() {
            assert!(status.success(), "{:?}", run.wait_with_output());
            break;
        }
        run.kill().unwrap(); // SIGKILL
        run.wait().unwrap();
        kills += 1;
    }
    assert!(kills > 2, "only {kills} kills");
    tried("kill -9 at odd times", kills);
    let lake = Lake::open(text(folder.path()), Mode::Write).unwrap();
    ingest_missing(&lake, 6).unwrap();
    assert!(state(&lake) == undisturbed(6));
    assert_no_litter(folder.path(), &lake);
}

#[test]
fn when_no_more_can_be_written_the_run_says_so_and_the_next_completes_it() {
    let expected = undisturbed(6);
    // A limit on file sizes, in blocks of 512 bytes (POSIX ulimit), stands for the full disk. The limits fall on parts
    // of different tables and on log entries.
    for blocks in [0, 1, 8, 14, 40] {
        let folder = tempfile::tempdir().unwrap();
        let before = format!("trap '' XFSZ; ulimit -f {blocks};");
        let run = child(folder.path(), &before).output().unwrap();
        let said = String::from_utf8_lossy(&run.stderr).into_owned()
            + &String::from_utf8_lossy(&run.stdout);
        assert!(!run.status.success(), "{blocks} blocks were enough");
        assert!(said.contains("free some space and run again"), "{blocks} blocks: {said}");
        let lake = Lake::open(text(folder.path()), Mode::Write).unwrap();
        ingest_missing(&lake, 6).unwrap();
        assert!(state(&lake) == expected, "{blocks} blocks");
        assert_no_litter(folder.path(), &lake);
    }
}

#[test]
fn places_that_cannot_be_written_are_named_with_the_remedy() {
    let file = tempfile::NamedTempFile::new().unwrap();
    let below_a_file = file.path().join("lake");
    let error = Lake::open(text(&below_a_file), Mode::Write).unwrap_err().to_string();
    assert!(error.contains(text(&below_a_file)) && error.contains("give a folder"), "{error}");
    if cfg!(target_os = "linux") {
        // Nobody may create folders there, not even root.
        let error = Lake::open("/sys/no-lake", Mode::Write).unwrap_err().to_string();
        assert!(
            error.contains("/sys/no-lake") && error.contains("the right to read and write"),
            "{error}"
        );
    }
    let error = Lake::open("s3://bucket/lake", Mode::Write).unwrap_err().to_string();
    assert!(error.contains("no storage for s3://"), "{error}");
    let empty = tempfile::tempdir().unwrap();
    assert!(matches!(Lake::open(text(empty.path()), Mode::Read), Err(LakeError::Missing { .. })));
    assert_eq!(std::fs::read_dir(empty.path()).unwrap().count(), 0, "reading created something");
}

#[test]
fn a_lake_of_a_newer_version_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    made::ingest(&Lake::open(text(folder.path()), Mode::Write).unwrap(), 0).unwrap();
    for table in Table::ALL {
        edit_first_commit(folder.path(), table, |log| {
            let newer = log.replace(r#""trimdrift.format":"1""#, r#""trimdrift.format":"2""#);
            assert_ne!(newer, log);
            newer
        });
    }
    let mut before = Vec::new();
    made::walk(folder.path(), &mut before);
    for mode in [Mode::Read, Mode::Write] {
        let error =
            Lake::open(text(folder.path()), mode).and_then(|lake| lake.snapshot()).unwrap_err();
        assert!(matches!(error, LakeError::Newer { found: 2, known: 1, .. }), "{error}");
        assert!(error.to_string().contains("use a newer version"), "{error}");
    }
    let mut after = Vec::new();
    made::walk(folder.path(), &mut after);
    assert_eq!(before, after);
}

#[test]
fn a_lake_of_an_older_version_is_read_and_widened() {
    const LATER: &str = "egr_pct";
    let folder = tempfile::tempdir().unwrap();
    let root = text(folder.path());
    made::ingest(&Lake::open(root, Mode::Write).unwrap(), 0).unwrap();
    // What a version that did not know the column would have left.
    edit_first_commit(folder.path(), Table::Samples, |log| without_field(&log, LATER));
    let mut files = Vec::new();
    made::walk(&folder.path().join("samples"), &mut files);
    for part in files.iter().filter(|f| f.ends_with(".parquet")) {
        drop_column(&folder.path().join("samples").join(part), LATER);
    }
    let signal = trimdrift::tables::samples::Signal::by_name(LATER).unwrap();
    let other = trimdrift::tables::samples::Signal::Rpm;
    let old = Lake::open(root, Mode::Read).unwrap().snapshot().unwrap().samples("V001").unwrap();
    assert_eq!(old.len(), 2);
    assert!(old.values().all(|s| s.signal(signal).is_none() && s.signal(other).is_some()));
    let lake = Lake::open(root, Mode::Write).unwrap();
    made::ingest(&lake, 1).unwrap();
    let all = lake.snapshot().unwrap().samples("V001").unwrap();
    let having = all.values().filter(|s| s.signal(signal).is_some()).count();
    assert_eq!((all.len(), having), (4, 2));
}

pub(crate) fn edit_first_commit(root: &Path, table: Table, edit: impl Fn(String) -> String) {
    let path = root.join(table.as_str()).join("_delta_log/00000000000000000000.json");
    let log = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, edit(log)).unwrap();
}

/// The first log entry of a table with an edited schema.
pub(crate) fn edit_schema(log: &str, edit: impl Fn(&mut Vec<serde_json::Value>)) -> String {
    let edited = |line: &str| {
        let mut action: serde_json::Value = serde_json::from_str(line).unwrap();
        if let Some(metadata) = action.get_mut("metaData") {
            let text = metadata["schemaString"].as_str().unwrap();
            let mut schema: serde_json::Value = serde_json::from_str(text).unwrap();
            edit(schema["fields"].as_array_mut().unwrap());
            metadata["schemaString"] = schema.to_string().into();
        }
        action.to_string()
    };
    log.lines().map(edited).collect::<Vec<_>>().join("\n")
}

/// The first log entry of a table without one field of its schema.
pub(crate) fn without_field(log: &str, field: &str) -> String {
    edit_schema(log, |fields| {
        let before = fields.len();
        fields.retain(|f| f["name"] != field);
        assert_eq!(fields.len(), before - 1);
    })
}

pub(crate) fn drop_column(path: &Path, column: &str) {
    let file = std::fs::File::open(path).unwrap();
    let builder =
        parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    let keep: Vec<usize> = (0..builder.schema().fields().len())
        .filter(|i| builder.schema().field(*i).name() != column)
        .collect();
    let batches: Vec<_> =
        builder.build().unwrap().map(|b| b.unwrap().project(&keep).unwrap()).collect();
    let file = std::fs::File::create(path).unwrap();
    let mut writer = parquet::arrow::ArrowWriter::try_new(file, batches[0].schema(), None).unwrap();
    for batch in &batches {
        writer.write(batch).unwrap();
    }
    writer.close().unwrap();
}

#[test]
fn a_batch_of_the_same_sources_has_the_same_name_in_any_order() {
    assert_eq!(BatchId::of(["a", "b"]), BatchId::of(["b", "a"]));
    assert_ne!(BatchId::of(["a", "b"]), BatchId::of(["ab"]));
}
