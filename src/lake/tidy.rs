//! What no reader can need any more leaves the disk.
//!
//! Comes in: the time of the run. Goes out: nothing. Removed are part files that were taken out of their table longer
//! ago than its retention (Delta's property `delta.deletedFileRetentionDuration`, 7 days if it is not set), so whoever
//! opened the lake within it reads on undisturbed, and entries of the logs that a later checkpoint stands for. Never:
//! touches a file that the newest state shows, or one that this program did not write. A tidying that is cut short is
//! carried on by the next; nothing is committed for it.

use std::sync::Arc;

use deltalake::DeltaTable;
use deltalake::operations::vacuum::{Clock, VacuumMode};

use super::error::LakeError;
use super::log::Log;
use super::schema::Table;
use super::snapshot::batch_of;
use super::store::Store;

/// The time of the run, milliseconds since 1970-01-01.
#[derive(Debug)]
struct RunTime(i64);

impl Clock for RunTime {
    fn current_timestamp_millis(&self) -> i64 {
        self.0
    }
}

/// Removes old log entries, and files that left the tables longer ago than their retention. Only with the lock, and
/// after the commit.
pub(super) fn tidy(store: &Store, now_us: i64) -> Result<(), LakeError> {
    let now_ms = now_us.div_euclid(1000);
    let sources = Log::new(store, Table::Sources);
    let Some(pins) = sources.load(None)? else {
        return Ok(());
    };
    for table in Table::ALL {
        let log = Log::new(store, table);
        let Some(handle) = log.load(None)? else {
            continue;
        };
        let newest = handle.version().unwrap_or_default();
        let pinned = if table == Table::Sources { newest } else { sources.pin(&pins, table)? };
        log.clear(&handle, pinned.min(newest), now_ms)?;
        let active = log.files(&handle)?;
        let folder = table.as_str();
        let mut left = store.list(folder)?;
        left.retain(|name| {
            let shown = active.binary_search_by(|f| f.path.as_str().cmp(name)).is_ok();
            batch_of(name).is_some() && !shown
        });
        if left.is_empty() {
            continue; // As in most nights; asking the log for its removals costs more than a look at the folder.
        }
        let expired = expired(store, table, handle, now_ms)?;
        for name in left.iter().filter(|name| expired.contains(name)) {
            store.delete(&format!("{folder}/{name}"))?;
        }
    }
    Ok(())
}

/// Files that may go. Deltalake only tells them: removed by it, they would be two more commits in each log.
fn expired(
    store: &Store,
    table: Table,
    handle: DeltaTable,
    now_ms: i64,
) -> Result<Vec<String>, LakeError> {
    // A checkpoint forgets old removals, so files that the log no longer names count too, by their age.
    let asked = handle
        .vacuum()
        .with_mode(VacuumMode::Full)
        .with_clock(Arc::new(RunTime(now_ms)))
        .with_dry_run(true);
    let told = store.runtime.block_on(asked.into_future());
    let name = || store.name(table.as_str());
    let (_, told) = told.map_err(|e| LakeError::delta("tidy", name(), e))?;
    Ok(told.files_deleted)
}
