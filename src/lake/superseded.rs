//! Part files whose rows were replaced: kept for readers of older versions, then deleted.
//!
//! In: a batch that took files out of the tables. Out: a record of their names in `_superseded/`, whose own age is
//! how long ago that was; once it is older than the retention, the files go and then the record. Both steps may be cut
//! short anywhere and are simply done again. Never: a file that a table still shows; an object store, which tells no age here.

use std::collections::BTreeMap;

use super::error::LakeError;
use super::log::Log;
use super::schema::Table;
use super::store::Store;

/// Folder of the records.
const FOLDER: &str = "_superseded";

/// How long a reader of an older version may take, milliseconds: seven days, the default of the Delta protocol's table
/// property `delta.deletedFileRetentionDuration`.
const RETENTION_MS: i64 = 7 * 24 * 3_600 * 1_000;

/// Names of files by the name of their table.
pub(super) type Files = BTreeMap<String, Vec<String>>;

/// Notes that `batch` took `files` out of the tables.
pub(super) fn note(store: &Store, batch: &str, files: &Files) -> Result<(), LakeError> {
    if files.values().all(Vec::is_empty) {
        return Ok(());
    }
    let record = serde_json::to_vec_pretty(files).map_err(|e| LakeError::damaged(batch, e))?;
    store.put(&format!("{FOLDER}/{batch}.json"), record)
}

/// Deletes the files that went out of the tables more than the retention before `now_ms`, milliseconds since
/// 1970-01-01 by the clock of the file system.
pub(super) fn sweep(store: &Store, now_ms: i64) -> Result<(), LakeError> {
    for name in store.list(FOLDER)? {
        let path = format!("{FOLDER}/{name}");
        if !name.ends_with(".json") {
            // The draft of a record whose writer died; carrying the batch out has written it again.
            store.delete(&path)?;
            continue;
        }
        if store.modified_ms(&path)?.is_none_or(|at| now_ms - at <= RETENTION_MS) {
            continue;
        }
        let Some(record) = store.get(&path)? else { continue };
        let files: Files = serde_json::from_slice(&record)
            .map_err(|e| LakeError::damaged(store.name(&path), e))?;
        for table in Table::ALL {
            let Some(names) = files.get(table.as_str()) else { continue };
            let log = Log::new(store, table);
            let Some(handle) = log.load(None)? else { continue };
            let shown = log.files(&handle)?;
            for name in names {
                if shown.binary_search_by(|f| f.path.as_str().cmp(name)).is_err() {
                    store.delete(&format!("{}/{name}", table.as_str()))?;
                }
            }
        }
        store.delete(&path)?;
    }
    Ok(())
}
