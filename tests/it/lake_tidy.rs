//! Files that left the tables stay for readers that opened the lake before, and are removed after their retention.
//!
//! The 7 days are the default of `delta.deletedFileRetentionDuration` in the Delta protocol ("interval 1 week").

use std::path::Path;

use trimdrift::lake::{BatchId, Lake, LakeError, Mode, Table};

use crate::lake_rows as made;

const DAY_US: i64 = 86_400_000_000;

/// 2030-01-01, UTC microseconds.
const REMOVED_US: i64 = 1_893_456_000_000_000;

/// Two nights whose trips are derived anew at [`REMOVED_US`].
fn derived_anew(root: &str) -> Lake {
    let lake = Lake::open(root, Mode::Write).unwrap();
    made::ingest(&lake, 1).unwrap();
    made::ingest(&lake, 2).unwrap();
    let before = lake.snapshot().unwrap();
    let mut batch = lake.begin(BatchId::of(["anew"])).unwrap();
    batch.supersede(Table::Trips, before.files(Table::Trips), REMOVED_US).unwrap();
    let mut part = batch.part(Table::Trips, 0);
    part.write_trips(&before.trips(None).unwrap()).unwrap();
    let part = part.close().unwrap().unwrap();
    batch.commit(vec![part], Vec::new()).unwrap();
    lake
}

fn parts(root: &Path) -> Vec<String> {
    let mut files = Vec::new();
    made::walk(root, &mut files);
    files.retain(|f| f.contains("/part-"));
    files
}

fn shown(lake: &Lake) -> Vec<String> {
    let snapshot = lake.snapshot().unwrap();
    let of = |table: Table| {
        let files = snapshot.files(table).iter();
        files.map(move |f| format!("{}/{}", table.as_str(), f.path)).collect::<Vec<_>>()
    };
    let mut files: Vec<String> = Table::ALL.into_iter().flat_map(of).collect();
    files.sort();
    files
}

#[test]
fn superseded_files_stay_for_their_retention_and_go_after_it() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    let lake = derived_anew(root);
    let foreign = folder.path().join("trips/notes.parquet");
    std::fs::write(&foreign, "somebody else's").unwrap();
    let (rows, versions) = (made::contents(&lake), lake.snapshot().unwrap().versions());
    let all = parts(folder.path());
    assert_eq!(all.len(), shown(&lake).len() + 4, "four parts of trips were superseded");
    for days in [-400, 0, 6] {
        lake.tidy(REMOVED_US + days * DAY_US).unwrap();
        assert_eq!(parts(folder.path()), all, "after {days} days");
    }
    lake.tidy(REMOVED_US + 7 * DAY_US + 1_000_000).unwrap();
    assert_eq!(parts(folder.path()), shown(&lake));
    assert_eq!(made::contents(&lake), rows);
    assert_eq!(lake.snapshot().unwrap().versions(), versions, "tidying commits nothing");
    assert!(foreign.exists());
}

#[test]
fn a_reader_from_before_reads_on_within_the_retention() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    let lake = Lake::open(root, Mode::Write).unwrap();
    made::ingest(&lake, 1).unwrap();
    made::ingest(&lake, 2).unwrap();
    drop(lake);
    let reader = Lake::open(root, Mode::Read).unwrap().snapshot().unwrap();
    let before = reader.trips(None).unwrap();
    let lake = Lake::open(root, Mode::Write).unwrap();
    let mut batch = lake.begin(BatchId::of(["none"])).unwrap();
    batch.supersede(Table::Trips, reader.files(Table::Trips), REMOVED_US).unwrap();
    batch.commit(Vec::new(), Vec::new()).unwrap();
    lake.tidy(REMOVED_US + 6 * DAY_US).unwrap();
    made::assert_same_trips(&reader.trips(None).unwrap(), &before);
    lake.tidy(REMOVED_US + 8 * DAY_US).unwrap();
    assert!(reader.trips(None).is_err(), "the files that it pinned are gone");
    assert!(lake.snapshot().unwrap().trips(None).unwrap().is_empty());
}

#[test]
fn tidying_killed_at_any_removal_is_carried_on_by_the_next() {
    let late = REMOVED_US + 8 * DAY_US;
    let mut killed = 0;
    for n in 1.. {
        let folder = tempfile::tempdir().unwrap();
        let root = folder.path().to_str().unwrap();
        let lake = derived_anew(root);
        let rows = made::contents(&lake);
        drop(lake);
        let (lake, _) = Lake::open_to_fail(root, Mode::Write, n);
        let died = lake.and_then(|lake| lake.tidy(late)).is_err();
        assert_eq!(made::contents(&Lake::open(root, Mode::Read).unwrap()), rows, "write {n}");
        let lake = Lake::open(root, Mode::Write).unwrap();
        lake.tidy(late).unwrap();
        assert_eq!(parts(folder.path()), shown(&lake), "after write {n}");
        assert_eq!(made::contents(&lake), rows, "after write {n}");
        if !died {
            break;
        }
        killed += 1;
    }
    assert_eq!(killed, 4, "one write step for each superseded file");
}

#[test]
fn files_whose_removal_the_log_has_forgotten_go_by_their_age() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    let lake = Lake::open(root, Mode::Write).unwrap();
    made::ingest(&lake, 0).unwrap();
    // Removed in 2001, so the next checkpoint forgets it.
    let mut batch = lake.begin(BatchId::of(["none"])).unwrap();
    let before = lake.snapshot().unwrap();
    batch.supersede(Table::Trips, before.files(Table::Trips), 1_000_000_000_000_000).unwrap();
    batch.commit(Vec::new(), Vec::new()).unwrap();
    for night in 1..20 {
        made::ingest(&lake, night).unwrap();
    }
    let log = folder.path().join("trips/_delta_log");
    let names = |end: &str| -> Vec<_> {
        let entries = std::fs::read_dir(&log).unwrap().map(|e| e.unwrap().path());
        entries.filter(|p| p.to_str().unwrap().ends_with(end)).collect()
    };
    assert!(!names(".checkpoint.parquet").is_empty());
    // As a cleaning of the log would: what the checkpoint has replaced.
    for entry in names(".json").iter().filter(|p| {
        p.file_stem().unwrap().to_str().unwrap().parse::<u64>().is_ok_and(|version| version < 15)
    }) {
        std::fs::remove_file(entry).unwrap();
    }
    let rows = made::contents(&lake);
    let left = parts(folder.path()).len() - shown(&lake).len();
    lake.tidy(1_000_000_000_000_000 + 8 * DAY_US).unwrap();
    assert_eq!(parts(folder.path()).len() - shown(&lake).len(), left, "written after that day");
    lake.tidy(3_000_000_000_000_000).unwrap(); // 2065
    assert_eq!(parts(folder.path()), shown(&lake));
    assert_eq!(made::contents(&lake), rows);
}

/// Entries and checkpoints of a table's log.
fn entries(root: &Path, table: &str) -> Vec<String> {
    let mut files = Vec::new();
    made::walk(&root.join(table).join("_delta_log"), &mut files);
    files.retain(|f| f.starts_with('0'));
    files
}

#[test]
fn logs_are_cleared_up_to_a_checkpoint_that_stands_for_them() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    let lake = Lake::open(root, Mode::Write).unwrap();
    for night in 0..36 {
        made::ingest(&lake, night).unwrap();
    }
    let state = |lake: &Lake| (made::contents(lake), lake.snapshot().unwrap().versions());
    let before = state(&lake);
    let all = entries(folder.path(), "trips");
    assert_eq!(all.len(), 37 + 2, "checkpoints after 16 and 32 commits");
    lake.tidy(REMOVED_US - 1_800 * DAY_US).unwrap(); // 2025
    assert_eq!(entries(folder.path(), "trips"), all, "no older than 30 days");
    drop(lake);
    // 2065, killed before the first and the second log, then with half of what may go still there.
    for n in 1..=2 {
        let (lake, _) = Lake::open_to_fail(root, Mode::Write, n);
        assert!(lake.and_then(|lake| lake.tidy(3_000_000_000_000_000)).is_err());
        assert!(state(&Lake::open(root, Mode::Read).unwrap()) == before, "write {n}");
    }
    for entry in all.iter().filter(|e| e.as_str() < "00000000000000000031").step_by(2) {
        std::fs::remove_file(folder.path().join("trips/_delta_log").join(entry)).unwrap();
    }
    let lake = Lake::open(root, Mode::Write).unwrap();
    assert!(state(&lake) == before, "half cleared");
    lake.tidy(3_000_000_000_000_000).unwrap();
    let left = entries(folder.path(), "trips");
    assert_eq!(left.len(), 1 + 37 - 31, "{left:?}");
    assert!(left.iter().all(|e| e.as_str() >= "00000000000000000031"), "{left:?}");
    assert!(state(&lake) == before);
    assert!(matches!(made::ingest(&lake, 7), Err(LakeError::Misuse { .. })), "still known");
    made::ingest(&lake, 36).unwrap();
    let undisturbed = tempfile::tempdir().unwrap();
    let other = Lake::open(undisturbed.path().to_str().unwrap(), Mode::Write).unwrap();
    for night in 0..37 {
        made::ingest(&other, night).unwrap();
    }
    assert!(state(&lake) == state(&other));
}

#[test]
fn only_the_holder_of_the_lock_tidies() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    drop(derived_anew(root));
    let all = parts(folder.path());
    for mode in [Mode::Read, Mode::WriteUnlocked] {
        let tidied: Result<(), LakeError> =
            Lake::open(root, mode).and_then(|lake| lake.tidy(REMOVED_US + 9 * DAY_US));
        tidied.unwrap();
        assert_eq!(parts(folder.path()), all);
    }
}
