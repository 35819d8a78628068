//! The lake at one moment: which files hold the rows of the batches that are complete.

use std::collections::{BTreeMap, BTreeSet};

use super::error::LakeError;
use super::log::{ActiveFile, Log};
use super::rows;
use super::schema::Table;
use super::store::Store;
use super::{SourceRow, Versions};

/// A committed file of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct PartFile {
    /// Path relative to the table.
    pub path: String,
    /// Size, bytes.
    pub bytes: u64,
    /// Rows, if the table's log tells.
    pub rows: Option<u64>,
    /// Lowest and highest vehicle name, if the log tells.
    pub vehicles: Option<(String, String)>,
    /// Time not after the first row's, UTC microseconds, if the log tells: `time` of samples, `start` of trips.
    pub not_before_us: Option<i64>,
}

/// The lake pinned to one state; rows committed later do not appear.
#[derive(Debug, Clone)]
pub struct Snapshot {
    pub(super) store: Store,
    versions: Versions,
    files: BTreeMap<Table, Vec<PartFile>>,
    sources: Vec<SourceRow>,
}

impl Snapshot {
    pub(super) fn take(store: &Store) -> Result<Snapshot, LakeError> {
        let log = Log::new(store, Table::Sources);
        let table = log.load(None)?.ok_or_else(|| LakeError::Missing { path: store.name("") })?;
        log.check(&table)?;
        let source_files = part_files(log.files(&table)?);
        let mut sources = Vec::new();
        for file in &source_files {
            sources.extend(rows::sources(store, &file.path)?);
        }
        sources.sort_by(|a, b| (&a.digest, &a.batch).cmp(&(&b.digest, &b.batch)));
        let mut complete: BTreeSet<String> = sources.iter().map(|s| s.batch.clone()).collect();
        let mut versions =
            Versions { sources: table.version().unwrap_or_default(), ..Versions::default() };
        let mut files = BTreeMap::from([(Table::Sources, source_files)]);
        for data in [Table::Samples, Table::Rejects, Table::Trips] {
            let mut known = |batch: &str| -> Result<bool, LakeError> {
                // A batch without sources of its own, as when trips are derived anew, shows only in the log.
                if !complete.contains(batch) && log.has(&table, batch)? {
                    complete.insert(batch.to_owned());
                }
                Ok(complete.contains(batch))
            };
            let pin = log.pin(&table, data)?;
            let (version, visible) = visible(&Log::new(store, data), pin, &mut known)?;
            match data {
                Table::Samples => versions.samples = version,
                Table::Rejects => versions.rejects = version,
                _ => versions.trips = version,
            }
            files.insert(data, visible);
        }
        Ok(Snapshot { store: store.clone(), versions, files, sources })
    }

    /// Table versions that belong to this state.
    pub fn versions(&self) -> Versions {
        self.versions
    }

    /// The files that hold the rows of `table`, sorted by path.
    pub fn files(&self, table: Table) -> &[PartFile] {
        self.files.get(&table).map_or(&[], Vec::as_slice)
    }

    /// All sources, sorted by digest.
    pub fn sources(&self) -> &[SourceRow] {
        &self.sources
    }
}

/// The newest version of a table without a batch that is still on its way; failing that the pinned one, without
/// the files of such a batch.
fn visible(
    log: &Log,
    pin: u64,
    known: &mut dyn FnMut(&str) -> Result<bool, LakeError>,
) -> Result<(u64, Vec<PartFile>), LakeError> {
    for version in [None, Some(pin)] {
        let Some(table) = log.load(version)? else {
            continue;
        };
        log.check(&table)?;
        let mut shown = Vec::new();
        let mut whole = true;
        for file in log.files(&table)? {
            // A file that another engine made, as by compaction, holds rows that were complete before.
            let seen = match batch_of(&file.path) {
                Some(batch) => known(batch)?,
                None => true,
            };
            whole &= seen;
            shown.extend(seen.then_some(file));
        }
        if whole || version.is_some() {
            return Ok((table.version().unwrap_or_default(), part_files(shown)));
        }
    }
    Ok((0, Vec::new()))
}

/// The batch in the name of a part file.
pub(super) fn batch_of(path: &str) -> Option<&str> {
    part_of(path).map(|(batch, _)| batch)
}

/// The batch and number in the name of a part file.
pub(super) fn part_of(path: &str) -> Option<(&str, u32)> {
    let stem = path.strip_prefix("part-")?.strip_suffix(".parquet")?;
    let (batch, n) = stem.rsplit_once('-')?;
    let hex = |b: u8| b.is_ascii_digit() || (b'a'..=b'f').contains(&b);
    let ours = batch.len() == 32
        && batch.bytes().all(hex)
        && n.len() >= 4
        && n.bytes().all(|b| b.is_ascii_digit());
    Some((batch, n.parse().ok()?)).filter(|_| ours)
}

fn part_files(active: Vec<ActiveFile>) -> Vec<PartFile> {
    active.into_iter().map(part_file).collect()
}

fn part_file(file: ActiveFile) -> PartFile {
    let stats = file.stats.and_then(|s| serde_json::from_str::<serde_json::Value>(&s).ok());
    let stats = stats.unwrap_or_default();
    let text = |bound: &str, column: &str| stats[bound][column].as_str().map(str::to_owned);
    let not_before = text("minValues", "start").or_else(|| text("minValues", "time"));
    PartFile {
        path: file.path,
        bytes: file.bytes,
        rows: stats["numRecords"].as_u64(),
        vehicles: text("minValues", "vehicle").zip(text("maxValues", "vehicle")),
        not_before_us: not_before
            .and_then(|t| t.parse::<jiff::Timestamp>().ok())
            .map(|t| t.as_microsecond()),
    }
}
