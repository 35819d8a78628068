//! The transaction logs of the tables (Delta Lake protocol): create, widen, commit once, list what is active.
//!
//! A batch is an application transaction of each table it touches, so a commit that is tried again finds itself and
//! does nothing. The commit to `sources` also records up to which version of the other tables it belongs: these are
//! the pins of a reader.

use std::collections::BTreeMap;
use std::sync::Arc;

use deltalake::checkpoints::cleanup_expired_logs_for;
use deltalake::kernel::transaction::{
    CommitBuilder, CommitConflictError, CommitProperties, TransactionError,
};
use deltalake::kernel::{Action, Add, MetadataExt, Remove, StructType, Transaction};
use deltalake::operations::create::CreateBuilder;
use deltalake::protocol::{DeltaOperation, SaveMode};
use deltalake::table::config::TablePropertiesExt;
use deltalake::{DeltaTable, DeltaTableBuilder, DeltaTableError, checkpoints};
use url::Url;

use super::error::LakeError;
use super::part::Part;
use super::schema::{FORMAT, FORMAT_KEY, Table};
use super::store::{Place, Store};

/// Commits between two checkpoints of a log.
const CHECKPOINT_EVERY: u64 = 16;

/// Times a commit starts again after another writer came first.
const ATTEMPTS: usize = 32;

/// A file that a table shows at some version.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ActiveFile {
    pub(super) path: String,
    pub(super) bytes: u64,
    pub(super) stats: Option<String>,
}

/// What one commit does to one table.
#[derive(Debug, Default)]
pub(super) struct Change<'a> {
    pub(super) adds: Vec<&'a Part>,
    pub(super) removes: Vec<&'a str>,
    /// When they are removed, milliseconds since 1970-01-01.
    pub(super) removed_ms: Option<i64>,
    pub(super) pins: BTreeMap<Table, u64>,
}

/// The log of one table.
#[derive(Debug)]
pub(super) struct Log {
    store: Store,
    table: Table,
}

impl Log {
    pub(super) fn new(store: &Store, table: Table) -> Log {
        Log { store: store.clone(), table }
    }

    fn fail(&self, action: &'static str) -> impl Fn(DeltaTableError) -> LakeError + '_ {
        move |e| LakeError::delta(action, self.name(), e)
    }

    fn name(&self) -> String {
        self.store.name(self.table.as_str())
    }

    fn handle(&self) -> Result<DeltaTable, LakeError> {
        let name = self.table.as_str();
        let place =
            |reason: &str| LakeError::Place { place: self.name(), reason: reason.to_owned() };
        let builder = match &self.store.place {
            Place::Folder(root) => Url::from_directory_path(root.join(name))
                .map_err(|()| place("its path has no URL"))
                .and_then(|url| DeltaTableBuilder::from_url(url).map_err(self.fail("open"))),
            Place::Objects(objects) => Url::parse(&format!("memory:///{name}/"))
                .map_err(|_| place("its path has no URL"))
                .and_then(|url| {
                    let builder =
                        DeltaTableBuilder::from_url(url.clone()).map_err(self.fail("open"))?;
                    Ok(builder.with_storage_backend(Arc::clone(objects), url))
                }),
        }?;
        builder.build().map_err(self.fail("open"))
    }

    /// The table at `version`, or at its newest; `None` if it does not exist.
    pub(super) fn load(&self, version: Option<u64>) -> Result<Option<DeltaTable>, LakeError> {
        if let Place::Folder(root) = &self.store.place
            && !root.join(self.table.as_str()).join("_delta_log").is_dir()
        {
            return Ok(None);
        }
        let mut table = self.handle()?;
        let loaded = self.store.runtime.block_on(async {
            match version {
                Some(version) => table.load_version(version).await,
                None => table.load().await,
            }
        });
        match loaded {
            Ok(()) => Ok(Some(table)),
            Err(DeltaTableError::NotATable(_)) => Ok(None),
            Err(e) => Err(self.fail("open")(e)),
        }
    }

    /// Makes the table if it does not exist and widens it if it lacks columns that this version writes.
    pub(super) fn prepare(&self) -> Result<(), LakeError> {
        self.drop_torn_commits()?;
        match self.load(None)? {
            Some(table) => {
                self.check(&table)?;
                self.widen(&table)
            }
            None => self.create(),
        }
    }

    /// A power cut can leave the newest commits without bytes. Their batch has an intent, so they are made again.
    fn drop_torn_commits(&self) -> Result<(), LakeError> {
        let Place::Folder(root) = &self.store.place else {
            return Ok(());
        };
        let folder = format!("{}/_delta_log", self.table.as_str());
        let names = self.store.list(&folder)?;
        for name in names.iter().rev().filter(|n| n.ends_with(".json")) {
            let path = format!("{folder}/{name}");
            let empty = std::fs::metadata(root.join(&path)).is_ok_and(|m| m.len() == 0);
            if !empty {
                break;
            }
            self.store.delete(&path)?;
        }
        Ok(())
    }

    fn create(&self) -> Result<(), LakeError> {
        if let Place::Folder(root) = &self.store.place {
            let folder = root.join(self.table.as_str());
            std::fs::create_dir_all(&folder)
                .map_err(|e| LakeError::io("create", folder.display().to_string(), e))?;
        }
        self.store.step("create", self.table.as_str())?;
        let handle = self.handle()?;
        let create = CreateBuilder::new()
            .with_log_store(handle.log_store())
            .with_table_name(self.table.as_str())
            .with_columns(self.table.columns().iter().map(super::schema::Column::delta))
            .with_configuration([(FORMAT_KEY, Some(FORMAT.to_string()))])
            .with_raise_if_key_not_exists(false)
            .with_save_mode(SaveMode::Ignore);
        self.store.runtime.block_on(create.into_future()).map_err(self.fail("create"))?;
        Ok(())
    }

    /// Refuses a table that a newer version wrote or that is not ours.
    pub(super) fn check(&self, table: &DeltaTable) -> Result<(), LakeError> {
        let state = table.snapshot().map_err(self.fail("open"))?;
        let foreign = |reason: String| LakeError::Foreign { path: self.name(), reason };
        let format = state.metadata().configuration().get(FORMAT_KEY);
        let format = format.and_then(|f| f.parse::<u32>().ok());
        let found = format.ok_or_else(|| foreign(format!("it lacks the property {FORMAT_KEY}")))?;
        if found > FORMAT {
            return Err(LakeError::Newer { path: self.name(), found, known: FORMAT });
        }
        let schema = state.schema();
        for column in self.table.columns() {
            let Some(field) = schema.field(&column.name) else {
                continue;
            };
            let expected = column.delta();
            if field.data_type() != expected.data_type() {
                let (is, must) = (field.data_type(), expected.data_type());
                return Err(foreign(format!("column {} is {is}, not {must}", column.name)));
            }
        }
        Ok(())
    }

    fn widen(&self, table: &DeltaTable) -> Result<(), LakeError> {
        let state = table.snapshot().map_err(self.fail("open"))?;
        let schema = state.schema();
        let columns = self.table.columns();
        let missing = columns.iter().filter(|c| schema.field(&c.name).is_none());
        let mut added: Vec<_> = missing.map(super::schema::Column::delta).collect();
        if added.is_empty() {
            return Ok(());
        }
        for field in &mut added {
            field.nullable = true; // Older rows have no value.
        }
        let all = schema.fields().cloned().chain(added.iter().cloned());
        let wide = StructType::try_new(all).map_err(|e| self.fail("widen")(e.into()))?;
        let metadata = MetadataExt::with_schema(state.metadata().clone(), &wide)
            .map_err(|e| self.fail("widen")(e.into()))?;
        self.store.step("widen", self.table.as_str())?;
        let commit = CommitBuilder::from(plain_commit())
            .with_actions(vec![Action::Metadata(metadata)])
            .build(Some(state), table.log_store(), DeltaOperation::AddColumn { fields: added });
        self.store.runtime.block_on(commit.into_future()).map_err(self.fail("widen"))?;
        Ok(())
    }

    /// Whether `batch` was committed to the table.
    pub(super) fn has(&self, table: &DeltaTable, batch: &str) -> Result<bool, LakeError> {
        Ok(self.transaction(table, batch)?.is_some())
    }

    fn transaction(&self, table: &DeltaTable, id: &str) -> Result<Option<i64>, LakeError> {
        let state = table.snapshot().map_err(self.fail("read"))?;
        let log_store = table.log_store();
        let found = self.store.runtime.block_on(state.transaction_version(log_store.as_ref(), id));
        found.map_err(self.fail("read"))
    }

    /// The version of table `of` that belongs to this version of `sources`.
    pub(super) fn pin(&self, table: &DeltaTable, of: Table) -> Result<u64, LakeError> {
        Ok(self.transaction(table, &pin_id(of))?.map_or(0, |v| v.max(0) as u64))
    }

    /// Commits `change` as `batch` unless the table has it already; gives the version that has it.
    pub(super) fn commit(&self, batch: &str, change: &Change<'_>) -> Result<u64, LakeError> {
        for _ in 0..ATTEMPTS {
            let table = self.load(None)?.ok_or_else(|| LakeError::Missing { path: self.name() })?;
            let current = table.version().unwrap_or_default();
            let nothing =
                self.table != Table::Sources && change.adds.is_empty() && change.removes.is_empty();
            if nothing || self.has(&table, batch)? {
                return Ok(current);
            }
            let state = table.snapshot().map_err(self.fail("read"))?;
            let mut transactions = vec![Transaction::new(batch, 1)];
            for (of, version) in &change.pins {
                let version = self.pin(&table, *of)?.max(*version);
                transactions.push(Transaction::new(pin_id(*of), version as i64));
            }
            let mut actions = Vec::new();
            let remove = |path: &&str| Action::Remove(remove(path, change.removed_ms));
            actions.extend(change.removes.iter().map(remove));
            actions.extend(change.adds.iter().map(|part| Action::Add(add(part))));
            self.store.step("commit to", self.table.as_str())?;
            let write = DeltaOperation::Write {
                mode: SaveMode::Append,
                partition_by: None,
                predicate: None,
            };
            let commit =
                CommitBuilder::from(plain_commit().with_application_transactions(transactions))
                    .with_actions(actions)
                    .build(Some(state), table.log_store(), write);
            match self.store.runtime.block_on(commit.into_future()) {
                Ok(done) => return Ok(done.version()),
                // Another writer came first with the same batch or moved the pins: look again.
                Err(DeltaTableError::Transaction {
                    source:
                        TransactionError::CommitConflict(
                            CommitConflictError::ConcurrentTransaction
                            | CommitConflictError::MetadataChanged,
                        )
                        | TransactionError::MaxCommitAttempts(_),
                }) => {}
                Err(e) => return Err(self.fail("commit to")(e)),
            }
        }
        let reason = format!("{} was changed by others {ATTEMPTS} times in a row", self.name());
        Err(LakeError::Misuse { batch: batch.to_owned(), reason })
    }

    /// Makes the log short to read now and then. Nothing depends on it.
    pub(super) fn checkpoint(&self, version: u64) -> Result<(), LakeError> {
        if !(version + 1).is_multiple_of(CHECKPOINT_EVERY) {
            return Ok(());
        }
        let Some(table) = self.load(Some(version))? else {
            return Ok(());
        };
        self.store.step("checkpoint", self.table.as_str())?;
        let done = self.store.runtime.block_on(checkpoints::create_checkpoint(&table, None));
        done.map_err(self.fail("checkpoint"))?;
        // The entries that it stands for may be cleared away later, so it must be on the disk by then.
        let folder = format!("{}/_delta_log", self.table.as_str());
        self.store.sync(&folder, &[format!("{version:020}.checkpoint.parquet")])
    }

    /// Removes entries and checkpoints older than the table keeps them (Delta's property `delta.logRetentionDuration`,
    /// 30 days if it is not set), as far as a later checkpoint stands for them and no reader goes by them: `pinned` is
    /// the version that readers may go back to.
    pub(super) fn clear(
        &self,
        table: &DeltaTable,
        pinned: u64,
        now_ms: i64,
    ) -> Result<(), LakeError> {
        let folder = format!("{}/_delta_log", self.table.as_str());
        let names = self.store.list(&folder)?;
        if names.iter().filter(|n| n.ends_with(".checkpoint.parquet")).count() < 2 {
            return Ok(());
        }
        let state = table.snapshot().map_err(self.fail("open"))?;
        let kept_ms = state.table_config().log_retention_duration().as_millis();
        let before_ms = now_ms.saturating_sub(i64::try_from(kept_ms).unwrap_or(i64::MAX));
        self.store.step("clear the log of", self.table.as_str())?;
        let log_store = table.log_store();
        let cleared = cleanup_expired_logs_for(pinned, log_store.as_ref(), before_ms, None);
        self.store.runtime.block_on(cleared).map_err(self.fail("clear the log of"))?;
        Ok(())
    }

    /// The files that the table shows, sorted by path.
    pub(super) fn files(&self, table: &DeltaTable) -> Result<Vec<ActiveFile>, LakeError> {
        let state = table.snapshot().map_err(self.fail("read"))?;
        let views = state.log_data();
        let mut files: Vec<ActiveFile> = views
            .iter()
            .map(|view| ActiveFile {
                path: view.object_store_path().to_string(),
                bytes: u64::try_from(view.size()).unwrap_or(0),
                stats: view.stats(),
            })
            .collect();
        files.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(files)
    }

    /// Puts the log on the disk for good.
    pub(super) fn sync(&self) -> Result<(), LakeError> {
        let folder = format!("{}/_delta_log", self.table.as_str());
        let mut names = self.store.list(&folder)?;
        names.retain(|n| n.ends_with(".json"));
        let newest = names.split_off(names.len().saturating_sub(2));
        self.store.sync(&folder, &newest)
    }
}

fn pin_id(table: Table) -> String {
    format!("pin.{}", table.as_str())
}

fn plain_commit() -> CommitProperties {
    CommitProperties::default().with_create_checkpoint(false).with_cleanup_expired_logs(Some(false))
}

fn add(part: &Part) -> Add {
    Add {
        path: part.name.clone(),
        size: i64::try_from(part.bytes).unwrap_or(i64::MAX),
        modification_time: part.written_ms,
        data_change: true,
        stats: Some(part.stats.clone()),
        ..Add::default()
    }
}

fn remove(path: &str, deletion_timestamp: Option<i64>) -> Remove {
    Remove { path: path.to_owned(), data_change: true, deletion_timestamp, ..Remove::default() }
}
