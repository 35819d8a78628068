//! What is written to the lake comes back the same, once, and never half.

use std::collections::BTreeSet;

use trimdrift::lake::{BatchId, Lake, LakeError, Mode, SourceRow, Table};

use crate::lake_rows as made;

#[test]
fn rows_come_back_as_they_were_written() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    let (samples, trips, rejects) =
        (made::samples(1, 3, 500), made::trips(1, 40), made::rejects(7));
    let source = made::source("a1");
    let versions = {
        let lake = Lake::open(root, Mode::Write).unwrap();
        let batch = lake.begin(BatchId::of(["a1"])).unwrap();
        let mut parts = Vec::new();
        let mut part = batch.part(Table::Samples, 0);
        part.write_samples(&samples, "a1", 0).unwrap();
        parts.extend(part.close().unwrap());
        let mut part = batch.part(Table::Trips, 0);
        part.write_trips(&trips).unwrap();
        parts.extend(part.close().unwrap());
        let mut part = batch.part(Table::Rejects, 0);
        part.write_rejects(&rejects, "a1", "logs/a.csv").unwrap();
        parts.extend(part.close().unwrap());
        batch.commit(parts, vec![source.clone()]).unwrap()
    };
    let snapshot = Lake::open(root, Mode::Read).unwrap().snapshot().unwrap();
    assert_eq!(snapshot.versions(), versions);
    let source = SourceRow { batch: BatchId::of(["a1"]).to_string(), ..source };
    assert_eq!(snapshot.sources(), [source]);
    let mut expected = trips.clone();
    expected.sort_by(|a, b| (&a.vehicle, a.start_us).cmp(&(&b.vehicle, b.start_us)));
    made::assert_same_trips(&snapshot.trips(None).unwrap(), &expected);
    let one = BTreeSet::from([trips[0].vehicle.clone()]);
    let own: Vec<_> = expected.iter().filter(|t| one.contains(&t.vehicle)).cloned().collect();
    made::assert_same_trips(&snapshot.trips(Some(&one)).unwrap(), &own);
    for (v, name) in samples.vehicles.iter().enumerate() {
        let by_source = snapshot.samples(name).unwrap();
        assert_eq!(by_source.keys().collect::<Vec<_>>(), ["a1"]);
        made::assert_same_samples(&by_source["a1"], &samples, v as u32);
    }
    assert!(snapshot.samples("nobody").unwrap().is_empty());
    let back = snapshot.rejects().unwrap();
    assert_eq!(back.len(), rejects.len());
    for (back, reject) in back.iter().zip(&rejects) {
        assert_eq!(
            (back.row, &back.raw, back.code.as_str()),
            (reject.row, &reject.raw, reject.code.as_str())
        );
        assert_eq!((back.source.as_str(), back.path.as_str()), ("a1", "logs/a.csv"));
    }
}

#[test]
fn days_are_the_sums_of_trips() {
    let folder = tempfile::tempdir().unwrap();
    let root = folder.path().to_str().unwrap();
    let lake = Lake::open(root, Mode::Write).unwrap();
    for night in 0..4 {
        made::ingest(&lake, night).unwrap();
    }
    let snapshot = lake.snapshot().unwrap();
    for last_day in [None, Some(made::FIRST_DAY + 1)] {
        let days = snapshot.days(last_day).unwrap();
        let mut expected: std::collections::BTreeMap<_, _> = Default::default();
        for trip in snapshot.trips(None).unwrap() {
            let day = trimdrift::tables::days::Day::of(&trip);
            if last_day.is_some_and(|last| day.day > last) {
                continue;
            }
            expected
                .entry((trip.vehicle.clone(), day.day))
                .and_modify(|d: &mut trimdrift::tables::days::Day| d.merge(&day))
                .or_insert(day);
        }
        let got: Vec<_> = days
            .iter()
            .flat_map(|(v, days)| days.iter().map(move |d| ((v.clone(), d.day), format!("{d:?}"))))
            .collect();
        let expected: Vec<_> =
            expected.iter().map(|(k, d)| (k.clone(), format!("{d:?}"))).collect();
        assert!(expected.len() > 4);
        assert_eq!(got.len(), expected.len());
        for (got, expected) in got.iter().zip(&expected) {
            assert_eq!(got, expected);
        }
    }
}

#[test]
fn only_rows_after_the_known_ones_are_added() {
    let folder = tempfile::tempdir().unwrap();
    let lake = Lake::open(folder.path().to_str().unwrap(), Mode::Write).unwrap();
    let samples = made::samples(1, 2, 100);
    let batch = lake.begin(BatchId::of(["grown"])).unwrap();
    let mut part = batch.part(Table::Samples, 0);
    part.write_samples(&samples, "grown", 150).unwrap();
    let part = part.close().unwrap().unwrap();
    batch.commit(vec![part], vec![made::source("grown")]).unwrap();
    let snapshot = lake.snapshot().unwrap();
    let rows: Vec<u64> = samples
        .vehicles
        .iter()
        .flat_map(|v| snapshot.samples(v).unwrap().into_values().flat_map(|s| s.row))
        .collect();
    assert_eq!(rows, (151..=200).collect::<Vec<u64>>());
}

#[test]
fn the_same_sources_are_refused_the_second_time() {
    let folder = tempfile::tempdir().unwrap();
    let lake = Lake::open(folder.path().to_str().unwrap(), Mode::Write).unwrap();
    made::ingest(&lake, 1).unwrap();
    assert!(matches!(made::ingest(&lake, 1), Err(LakeError::Misuse { .. })));
    assert_eq!(lake.known_sources().unwrap().len(), 2);
}

#[test]
fn trips_that_were_derived_anew_replace_the_old_ones() {
    let folder = tempfile::tempdir().unwrap();
    let lake = Lake::open(folder.path().to_str().unwrap(), Mode::Write).unwrap();
    made::ingest(&lake, 1).unwrap();
    made::ingest(&lake, 2).unwrap();
    let before = lake.snapshot().unwrap();
    let mut trips = before.trips(None).unwrap();
    for trip in &mut trips {
        trip.recipe = "new".to_owned();
    }
    let mut batch = lake.begin(BatchId::of(["recipe new"])).unwrap();
    batch.supersede(Table::Trips, before.files(Table::Trips), 0).unwrap();
    let mut part = batch.part(Table::Trips, 0);
    part.write_trips(&trips).unwrap();
    let part = part.close().unwrap().unwrap();
    batch.commit(vec![part], Vec::new()).unwrap();
    let after = lake.snapshot().unwrap();
    made::assert_same_trips(&after.trips(None).unwrap(), &trips);
    assert_eq!(after.files(Table::Trips).len(), 1);
    assert_eq!(after.sources(), before.sources());
    // A reader that was there before still reads what it pinned, also after the next start.
    drop(lake);
    let lake = Lake::open(folder.path().to_str().unwrap(), Mode::Write).unwrap();
    assert_eq!(before.trips(None).unwrap()[0].recipe, "recipe");
    made::ingest(&lake, 3).unwrap();
    assert!(lake.snapshot().unwrap().trips(None).unwrap().len() > trips.len());
}

#[test]
fn a_lake_may_lie_in_any_object_store() {
    let objects = std::sync::Arc::new(object_store_in_memory());
    let lake = Lake::open_store(objects.clone(), Mode::Write).unwrap();
    made::ingest(&lake, 1).unwrap();
    let again = Lake::open_store(objects, Mode::Read).unwrap();
    let snapshot = again.snapshot().unwrap();
    assert_eq!(snapshot.sources().len(), 2);
    let folder = tempfile::tempdir().unwrap();
    let other = Lake::open(folder.path().to_str().unwrap(), Mode::Write).unwrap();
    made::ingest(&other, 1).unwrap();
    assert_eq!(made::contents(&again), made::contents(&other));
}

fn object_store_in_memory() -> deltalake::logstore::object_store::memory::InMemory {
    deltalake::logstore::object_store::memory::InMemory::new()
}

#[test]
fn nothing_of_a_name_reaches_a_path() {
    let folder = tempfile::tempdir().unwrap();
    let lake = Lake::open(folder.path().to_str().unwrap(), Mode::Write).unwrap();
    let mut samples = made::samples(1, 1, 10);
    samples.vehicles[0] = "../../etc/\u{202e}<b>=cmd|' /C calc'!A0".to_owned();
    samples.trips = vec!["a/../../b\0c".to_owned(); samples.trips.len()];
    let batch = lake.begin(BatchId::of(["h"])).unwrap();
    let mut part = batch.part(Table::Samples, 0);
    part.write_samples(&samples, "../h", 0).unwrap();
    let part = part.close().unwrap().unwrap();
    batch.commit(vec![part], vec![made::source("../h")]).unwrap();
    let snapshot = lake.snapshot().unwrap();
    let back = snapshot.samples(&samples.vehicles[0]).unwrap();
    assert_eq!(back["../h"].trips[0], samples.trips[0]);
    let mut files = Vec::new();
    made::walk(folder.path(), &mut files);
    let safe = |c: char| c.is_ascii_alphanumeric() || "-_./#".contains(c);
    assert!(files.iter().all(|f| f.chars().all(safe)), "{files:?}");
}
