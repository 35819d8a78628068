//! Rows of earlier states of a source that make way for those of a longer one, in the commit that brings these.
//!
//! Comes in: which rows of which sources are out of date. Goes out: parts with the other rows of the files that held
//! them; these files leave the table in the same commit. Rare and small: the last row of a file that was read while it
//! was being written, and the trip that was under way. Never: knows what the rows mean.

use std::collections::{BTreeMap, BTreeSet};

use arrow::array::{Array, BooleanArray};
use arrow::datatypes::{Int64Type, TimestampMicrosecondType};

use super::batch::Batch;
use super::error::LakeError;
use super::part::Part;
use super::read::{Block, Wanted, open};
use super::schema::Table;
use super::snapshot::{PartFile, Snapshot, part_of};

/// Number of the part that takes the rows which stay; parts of new rows are numbered from 0.
const KEPT_PART: u32 = 1_000_000;

/// A trip between two times.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct TripSpan {
    /// Vehicle name.
    pub vehicle: String,
    /// Trip name.
    pub trip: String,
    /// First and last time, UTC microseconds.
    pub times: (i64, i64),
}

/// What makes way of the earlier states of one source.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Replaced {
    /// Digests of the earlier states' files.
    pub states: BTreeSet<String>,
    /// Samples and rejects above this row number; with them all trips. `None` leaves them.
    pub after_row: Option<u64>,
    /// Trips that have been continued; rows of theirs that touch the span make way.
    pub trips: Vec<TripSpan>,
}

/// What makes way by the digest of the state's file.
type ByState<'r> = BTreeMap<&'r str, &'r Replaced>;

impl Batch {
    /// Takes rows out of the tables in the same commit, at `now_us` (UTC microseconds); gives the parts that this commit
    /// must bring for it.
    ///
    /// # Errors
    /// [`LakeError`] if the files cannot be read or written, or this writer does not hold the lock.
    pub fn replace(
        &mut self,
        snapshot: &Snapshot,
        replaced: &[Replaced],
        now_us: i64,
    ) -> Result<Vec<Part>, LakeError> {
        let by_state: ByState<'_> =
            replaced.iter().flat_map(|r| r.states.iter().map(move |s| (s.as_str(), r))).collect();
        let mut batches: BTreeMap<&str, bool> = BTreeMap::new();
        for s in snapshot.sources() {
            let holds = by_state.contains_key(s.file_digest.as_str());
            *batches.entry(&s.batch).or_default() |= holds;
        }
        // Files of a batch that brought none of the states hold no row of them, unless their rows were moved there.
        let may_hold = |file: &&PartFile| match part_of(&file.path) {
            Some((batch, number)) if number < KEPT_PART => *batches.get(batch).unwrap_or(&true),
            _ => true,
        };
        let rows_too = replaced.iter().any(|r| r.after_row.is_some());
        let mut parts = Vec::new();
        for table in [Table::Samples, Table::Rejects, Table::Trips] {
            if table == Table::Trips || rows_too {
                let files = snapshot.files(table).iter().filter(may_hold);
                parts.extend(self.replace_in(snapshot, table, files, &by_state, now_us)?);
            }
        }
        Ok(parts)
    }

    fn replace_in<'f>(
        &mut self,
        snapshot: &Snapshot,
        table: Table,
        files: impl Iterator<Item = &'f PartFile>,
        by_state: &ByState<'_>,
        now_us: i64,
    ) -> Result<Option<Part>, LakeError> {
        let mut writer = self.part(table, KEPT_PART);
        let mut left: Vec<PartFile> = Vec::new();
        for file in files {
            let read = |columns| {
                open(&snapshot.store, table, &file.path, Wanted { columns, vehicles: None })
            };
            let mut keeps: Vec<BooleanArray> = Vec::new();
            for block in read(&key_column)? {
                keeps.push(kept(&block?, table, by_state)?);
            }
            if keeps.iter().all(|k| k.false_count() == 0) {
                continue;
            }
            for (block, keep) in read(&|_| true)?.zip(&keeps) {
                writer.write_rows(&block?.filtered(keep)?)?;
            }
            left.push(file.clone());
        }
        if !left.is_empty() {
            self.supersede(table, &left, now_us)?;
        }
        writer.close()
    }
}

fn key_column(name: &str) -> bool {
    matches!(name, "source" | "row" | "vehicle" | "trip" | "start" | "end")
}

/// Which rows stay.
fn kept(block: &Block, table: Table, by_state: &ByState<'_>) -> Result<BooleanArray, LakeError> {
    let source = block.texts("source")?;
    // Most rows are of other sources, so their names are looked up once for the block.
    let states: Vec<Option<&Replaced>> =
        (0..source.values.len()).map(|k| by_state.get(source.values.value(k)).copied()).collect();
    let of = |i: usize| source.key(i).and_then(|k| states[k]);
    if table != Table::Trips {
        let row = block.must::<Int64Type>("row")?;
        let gone = |i| {
            let after = of(i).and_then(|r| r.after_row);
            after.is_some_and(|after| u64::try_from(row.value(i)).is_ok_and(|row| row > after))
        };
        return Ok((0..block.rows()).map(|i| Some(!gone(i))).collect());
    }
    let (vehicle, trip) = (block.texts("vehicle")?, block.texts("trip")?);
    let start = block.must::<TimestampMicrosecondType>("start")?;
    let end = block.must::<TimestampMicrosecondType>("end")?;
    let gone = |i| {
        of(i).is_some_and(|r| {
            let touches = |t: &TripSpan| {
                t.vehicle == vehicle.get(i)
                    && t.trip == trip.get(i)
                    && start.value(i) <= t.times.1
                    && end.value(i) >= t.times.0
            };
            r.after_row.is_some() || r.trips.iter().any(touches)
        })
    };
    Ok((0..block.rows()).map(|i| Some(!gone(i))).collect())
}
