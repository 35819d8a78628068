//! Output folders: the ranking as rows, the run record as JSON, whole folders byte by byte.

use std::collections::BTreeMap;
use std::path::Path;

use super::folder::tree;

/// The ranking by vehicle, then by column.
pub(crate) type Ranking = BTreeMap<String, BTreeMap<String, String>>;

/// A CSV with a header as rows by column.
pub(crate) fn table(bytes: &[u8]) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_reader(bytes);
    let head = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|row| {
            let row = row.unwrap();
            head.iter().map(str::to_owned).zip(row.iter().map(str::to_owned)).collect()
        })
        .collect()
}

/// `ranking.csv` in `folder`.
pub(crate) fn ranking(folder: &Path) -> Ranking {
    let rows = table(&std::fs::read(folder.join("ranking.csv")).unwrap());
    let count = rows.len();
    let ranking: Ranking = rows.into_iter().map(|r| (r["vehicle"].clone(), r)).collect();
    assert_eq!(ranking.len(), count, "a vehicle stands twice in the ranking");
    ranking
}

/// `run.json` in `folder`.
pub(crate) fn record(folder: &Path) -> serde_json::Value {
    let text = std::fs::read_to_string(folder.join("run.json")).unwrap();
    serde_json::from_str(&text).unwrap()
}

/// What two output folders may differ in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Except {
    /// Only the stage times in `run.json`.
    Times,
    /// `run.json` as a whole, because other files were new to the run.
    Record,
}

/// The first difference between two output folders.
pub(crate) fn difference(got: &Path, expected: &Path, except: Except) -> Option<String> {
    let (mut got, mut expected) = (tree(got), tree(expected));
    for files in [&mut got, &mut expected] {
        let record = files.remove("run.json").unwrap_or_default();
        if except == Except::Times {
            let mut record: serde_json::Value = serde_json::from_slice(&record).unwrap();
            let times = record.as_object_mut().unwrap().remove("stage_seconds");
            assert!(times.is_some_and(|t| t.is_object()), "no stage times in run.json");
            files.insert("run.json".to_owned(), record.to_string().into_bytes());
        }
    }
    let names = |files: &BTreeMap<String, Vec<u8>>| files.keys().cloned().collect::<Vec<_>>();
    if names(&got) != names(&expected) {
        return Some(format!("files {:?}, expected {:?}", names(&got), names(&expected)));
    }
    for ((name, got), expected) in got.iter().zip(expected.values()) {
        if let Some(at) = got.iter().zip(expected).position(|(a, b)| a != b) {
            return Some(format!(
                "{name} differs at byte {at}: {:?} instead of {:?}",
                around(got, at),
                around(expected, at)
            ));
        }
        if got.len() != expected.len() {
            return Some(format!("{name}: {} bytes, expected {}", got.len(), expected.len()));
        }
    }
    None
}

fn around(bytes: &[u8], at: usize) -> String {
    let (from, to) = (at.saturating_sub(60), (at + 60).min(bytes.len()));
    String::from_utf8_lossy(&bytes[from..to]).into_owned()
}
