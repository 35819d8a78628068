//! A batch: the parts of one run over all tables, committed together or not at all.

use std::collections::BTreeMap;
use std::fmt;

use serde::{Deserialize, Serialize};

use super::error::LakeError;
use super::log::{Change, Log};
use super::part::{Part, PartWriter};
use super::schema::{FORMAT, Table};
use super::snapshot::{PartFile, batch_of};
use super::store::{Place, Store};
use super::{Mode, SourceRow, Versions};

/// Folder of the intent records.
const INTENTS: &str = "_intents";

/// Name of a batch: the digest of what it reads.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct BatchId(String);

impl BatchId {
    /// The batch that brings the sources with these content digests, in any order.
    pub fn of<'a>(digests: impl IntoIterator<Item = &'a str>) -> BatchId {
        let mut sorted: Vec<&str> = digests.into_iter().collect();
        sorted.sort_unstable();
        let mut hasher = blake3::Hasher::new();
        for digest in sorted {
            hasher.update(digest.as_bytes());
            hasher.update(b"\n");
        }
        BatchId(hasher.finalize().to_hex()[..32].to_owned())
    }

    /// The name, lower-case hex.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for BatchId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// What a batch does, written down before it is done.
#[derive(Debug, Serialize, Deserialize)]
struct Intent {
    format: u32,
    batch: String,
    parts: Vec<Part>,
    superseded: BTreeMap<String, Vec<String>>,
    /// When that was, milliseconds since 1970-01-01.
    #[serde(default)]
    superseded_ms: Option<i64>,
}

/// A batch in the making.
#[derive(Debug)]
pub struct Batch {
    store: Store,
    mode: Mode,
    id: BatchId,
    superseded: BTreeMap<String, Vec<String>>,
    superseded_ms: Option<i64>,
}

impl Batch {
    pub(super) fn begin(store: &Store, mode: Mode, id: BatchId) -> Result<Batch, LakeError> {
        let superseded = BTreeMap::new();
        let batch = Batch { store: store.clone(), mode, id, superseded, superseded_ms: None };
        if mode == Mode::Read {
            return Err(batch.misuse("the lake is open for reading only"));
        }
        let log = Log::new(store, Table::Sources);
        let sources = log.load(None)?.ok_or_else(|| LakeError::Missing { path: store.name("") })?;
        if log.has(&sources, batch.id.as_str())? {
            return Err(batch.misuse("these sources are in the lake already"));
        }
        Ok(batch)
    }

    /// A writer for part `n` of `table`; `n` must differ between the parts of a table.
    pub fn part(&self, table: Table, n: u32) -> PartWriter {
        PartWriter::new(self.store.clone(), table, self.id.as_str(), n)
    }

    /// Gives up closed parts, so that their numbers are free for another try.
    pub fn discard(&self, parts: &[Part]) -> Result<(), LakeError> {
        parts.iter().try_for_each(|p| self.store.delete(&format!("{}/{}", p.table, p.name)))
    }

    /// Takes `files` out of `table` in the same commit: their rows were derived anew and stand in this batch. From
    /// `now_us` (UTC microseconds) on they are kept for their retention, see [`super::Lake::tidy`].
    pub fn supersede(
        &mut self,
        table: Table,
        files: &[PartFile],
        now_us: i64,
    ) -> Result<(), LakeError> {
        if self.mode == Mode::WriteUnlocked {
            return Err(self.misuse("only a writer that holds the lock may supersede rows"));
        }
        let paths = self.superseded.entry(table.as_str().to_owned()).or_default();
        paths.extend(files.iter().map(|f| f.path.clone()));
        self.superseded_ms = Some(now_us.div_euclid(1000));
        Ok(())
    }

    /// Commits the batch. When this returns, it will survive anything; if it fails, the batch is either not there at
    /// all or the next writer completes it.
    pub fn commit(
        self,
        parts: Vec<Part>,
        mut sources: Vec<SourceRow>,
    ) -> Result<Versions, LakeError> {
        for source in &mut sources {
            self.id.as_str().clone_into(&mut source.batch);
        }
        sources.sort_by(|a, b| a.digest.cmp(&b.digest));
        let mut writer = self.part(Table::Sources, 0);
        writer.write_sources(&sources)?;
        let mut parts = parts;
        parts.extend(writer.close()?);
        parts.sort_by(|a, b| (&a.table, &a.name).cmp(&(&b.table, &b.name)));
        if let Some(twice) =
            parts.windows(2).find(|w| w[0].table == w[1].table && w[0].name == w[1].name)
        {
            return Err(self.misuse(&format!("part {} was given twice", twice[0].name)));
        }
        for table in Table::ALL {
            self.store.sync(table.as_str(), &[])?;
        }
        let intent = Intent {
            format: FORMAT,
            batch: self.id.0.clone(),
            parts,
            superseded: self.superseded,
            superseded_ms: self.superseded_ms,
        };
        let record = serde_json::to_vec_pretty(&intent)
            .map_err(|e| LakeError::damaged(intent.batch.clone(), e))?;
        self.store.put(&intent_path(&intent.batch), record)?;
        carry_out(&self.store, &intent)
    }

    fn misuse(&self, reason: &str) -> LakeError {
        LakeError::Misuse { batch: self.id.0.clone(), reason: reason.to_owned() }
    }
}

fn intent_path(batch: &str) -> String {
    format!("{INTENTS}/{batch}.json")
}

/// Does what the intent says, skipping what was done already, and removes it.
fn carry_out(store: &Store, intent: &Intent) -> Result<Versions, LakeError> {
    let mut pins = BTreeMap::new();
    for table in Table::ALL {
        let superseded = intent.superseded.get(table.as_str());
        let change = Change {
            adds: intent.parts.iter().filter(|p| p.table == table.as_str()).collect(),
            removes: superseded.into_iter().flatten().map(String::as_str).collect(),
            removed_ms: intent.superseded_ms,
            pins: if table == Table::Sources { pins.clone() } else { BTreeMap::new() },
        };
        let version = Log::new(store, table).commit(&intent.batch, &change)?;
        pins.insert(table, version);
    }
    for table in Table::ALL {
        Log::new(store, table).sync()?;
    }
    store.delete(&intent_path(&intent.batch))?;
    for (table, version) in &pins {
        Log::new(store, *table).checkpoint(*version)?;
    }
    let version = |table| pins.get(&table).copied().unwrap_or_default();
    Ok(Versions {
        samples: version(Table::Samples),
        rejects: version(Table::Rejects),
        trips: version(Table::Trips),
        sources: version(Table::Sources),
    })
}

/// Completes what a dead writer had decided and clears away what it had not. Only with the lock.
pub(super) fn recover(store: &Store) -> Result<(), LakeError> {
    for name in store.list(INTENTS)? {
        let path = format!("{INTENTS}/{name}");
        if !name.ends_with(".json") {
            store.delete(&path)?;
            continue;
        }
        let Some(record) = store.get(&path)? else {
            continue;
        };
        let intent: Intent = serde_json::from_slice(&record)
            .map_err(|e| LakeError::damaged(store.name(&path), e))?;
        if intent.format > FORMAT {
            let path = store.name(&path);
            return Err(LakeError::Newer { path, found: intent.format, known: FORMAT });
        }
        carry_out(store, &intent)?;
    }
    if matches!(store.place, Place::Folder(_)) {
        for table in Table::ALL {
            remove_orphans(store, table)?;
        }
    }
    Ok(())
}

/// Removes part files whose batch was never committed, and drafts of log entries.
fn remove_orphans(store: &Store, table: Table) -> Result<(), LakeError> {
    let log = Log::new(store, table);
    let Some(handle) = log.load(None)? else {
        return Ok(());
    };
    let active = log.files(&handle)?;
    let mut committed: BTreeMap<String, bool> = BTreeMap::new();
    for name in store.list(table.as_str())? {
        if active.binary_search_by(|f| f.path.as_str().cmp(&name)).is_ok() {
            continue;
        }
        let Some(batch) = batch_of(&name) else {
            continue;
        };
        let known = match committed.get(batch) {
            Some(known) => *known,
            None => {
                let known = log.has(&handle, batch)?;
                committed.insert(batch.to_owned(), known);
                known
            }
        };
        if !known {
            store.delete(&format!("{}/{name}", table.as_str()))?;
        }
    }
    let folder = format!("{}/_delta_log", table.as_str());
    for name in store.list(&folder)? {
        // `object_store` writes a draft `<name>#<n>` beside the entry before it links it.
        let draft =
            name.rsplit_once('#').is_some_and(|(_, n)| n.bytes().all(|b| b.is_ascii_digit()));
        if draft {
            store.delete(&format!("{folder}/{name}"))?;
        }
    }
    Ok(())
}
