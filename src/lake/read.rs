//! Reading part files: chosen columns and row groups as Arrow batches.
//!
//! Types are taken from Parquet itself, not from what an engine noted about its own, so files that another engine
//! compacted read the same. Text comes as dictionaries. A column that a file lacks is simply not there.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::Read;
use std::sync::Arc;

use arrow::array::{
    Array, ArrayRef, AsArray, BooleanArray, RecordBatch, StringArray, new_null_array,
};
use arrow::compute::filter_record_batch;
use arrow::datatypes::{ArrowPrimitiveType, DataType, Field, Int32Type, Schema};
use arrow::error::ArrowError;
use bytes::Bytes;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{
    ArrowPredicateFn, ArrowReaderMetadata, ArrowReaderOptions, ParquetRecordBatchReader,
    ParquetRecordBatchReaderBuilder, RowFilter,
};
use parquet::errors::Result as ParquetResult;
use parquet::file::metadata::RowGroupMetaData;
use parquet::file::reader::ChunkReader;
use parquet::file::statistics::Statistics;

use super::error::LakeError;
use super::schema::Table;
use super::store::{Place, Store};

/// Rows decoded at a time.
const BATCH_ROWS: usize = 1 << 13;

/// A file of so many bytes is read in one go: from a file, Parquet is read in steps of a few bytes, and a lake of a
/// thousand nights has thousands of small files.
const WHOLE_BYTES: u64 = 1 << 16;

/// What to read of a file.
#[derive(Clone, Copy)]
pub(super) struct Wanted<'a> {
    /// Which columns, by name.
    pub(super) columns: &'a (dyn Fn(&str) -> bool + Sync),
    /// Only rows of these vehicles.
    pub(super) vehicles: Option<&'a BTreeSet<String>>,
}

/// An open part file.
pub(super) struct Open {
    reader: ParquetRecordBatchReader,
    path: String,
}

impl Iterator for Open {
    type Item = Result<Block, LakeError>;

    fn next(&mut self) -> Option<Result<Block, LakeError>> {
        let path = self.path.clone();
        Some(match self.reader.next()? {
            Ok(batch) => Ok(Block { batch, path }),
            Err(ArrowError::ExternalError(e)) => Err(LakeError::damaged(path, e)),
            Err(e) => Err(LakeError::damaged(path, e)),
        })
    }
}

/// Opens a file for reading what is wanted.
pub(super) fn open(
    store: &Store,
    table: Table,
    file: &str,
    wanted: Wanted<'_>,
) -> Result<Open, LakeError> {
    let path = format!("{}/{file}", table.as_str());
    let reader = match &store.place {
        Place::Folder(root) => {
            let fail = |e| LakeError::io("read", store.name(&path), e);
            let mut input = File::open(root.join(&path)).map_err(fail)?;
            if input.metadata().map_err(fail)?.len() <= WHOLE_BYTES {
                let mut bytes = Vec::new();
                input.read_to_end(&mut bytes).map_err(fail)?;
                build(Bytes::from(bytes), wanted)
            } else {
                build(input, wanted)
            }
        }
        Place::Objects(objects) => build(store.object(objects, &path)?, wanted),
    };
    let path = store.name(&path);
    match reader {
        Ok(reader) => Ok(Open { reader, path }),
        Err(e) => Err(LakeError::parquet("read", path, e)),
    }
}

fn build<R: ChunkReader + 'static>(
    input: R,
    wanted: Wanted<'_>,
) -> ParquetResult<ParquetRecordBatchReader> {
    let options = ArrowReaderOptions::new().with_skip_arrow_metadata(true);
    let plain = ArrowReaderMetadata::load(&input, options.clone())?;
    let fields = plain.schema().fields().iter().map(|field| match field.data_type() {
        DataType::Utf8 => {
            let kind = DataType::Dictionary(Box::new(DataType::Int32), Box::new(DataType::Utf8));
            Field::new(field.name(), kind, field.is_nullable())
        }
        _ => field.as_ref().clone(),
    });
    let schema = Arc::new(Schema::new(fields.collect::<Vec<_>>()));
    let metadata = Arc::clone(plain.metadata());
    let typed = ArrowReaderMetadata::try_new(Arc::clone(&metadata), options.with_schema(schema))?;
    let description = metadata.file_metadata().schema_descr();
    let mask = |pick: &dyn Fn(&str) -> bool| {
        let names = description.root_schema().get_fields().iter().enumerate();
        ProjectionMask::roots(description, names.filter(|(_, f)| pick(f.name())).map(|(i, _)| i))
    };
    let mut builder = ParquetRecordBatchReaderBuilder::new_with_metadata(input, typed)
        .with_projection(mask(&|name| (wanted.columns)(name)))
        .with_batch_size(BATCH_ROWS);
    if let Some(vehicles) = wanted.vehicles {
        let groups = metadata.row_groups().iter().enumerate();
        let groups = groups.filter(|(_, g)| may_hold(g, vehicles)).map(|(i, _)| i).collect();
        let names = vehicles.clone();
        let filter = move |batch: RecordBatch| Ok(among(batch.column(0), &names));
        let predicate = ArrowPredicateFn::new(mask(&|name| name == "vehicle"), filter);
        builder = builder
            .with_row_groups(groups)
            .with_row_filter(RowFilter::new(vec![Box::new(predicate)]));
    }
    builder.build()
}

/// Whether the statistics of a row group allow one of the vehicles in it.
fn may_hold(group: &RowGroupMetaData, vehicles: &BTreeSet<String>) -> bool {
    let column = group.columns().iter().find(|c| c.column_path().string() == "vehicle");
    let Some(Statistics::ByteArray(bounds)) = column.and_then(|c| c.statistics()) else {
        return true;
    };
    let (Some(low), Some(high)) = (bounds.min_bytes_opt(), bounds.max_bytes_opt()) else {
        return true;
    };
    vehicles.iter().any(|v| low <= v.as_bytes() && v.as_bytes() <= high)
}

fn among(vehicles: &ArrayRef, names: &BTreeSet<String>) -> BooleanArray {
    let Some(texts) = Texts::of(vehicles) else {
        return BooleanArray::from(vec![true; vehicles.len()]);
    };
    let known: Vec<bool> =
        texts.values.iter().map(|v| v.is_some_and(|v| names.contains(v))).collect();
    let hit = |i| texts.key(i).is_some_and(|k| known[k]);
    (0..vehicles.len()).map(|i| Some(hit(i))).collect()
}

/// Text in a column, by row.
pub(super) struct Texts<'a> {
    keys: &'a arrow::array::Int32Array,
    pub(super) values: &'a StringArray,
}

impl<'a> Texts<'a> {
    fn of(column: &'a ArrayRef) -> Option<Texts<'a>> {
        let dictionary = column.as_dictionary_opt::<Int32Type>()?;
        Some(Texts { keys: dictionary.keys(), values: dictionary.values().as_string_opt::<i32>()? })
    }

    /// Position in `values` of the text of row `i`; `None` where null.
    pub(super) fn key(&self, i: usize) -> Option<usize> {
        self.keys.is_valid(i).then(|| self.keys.value(i) as usize)
    }

    /// Text of row `i`; empty where null.
    pub(super) fn get(&self, i: usize) -> &'a str {
        self.key(i).map_or("", |k| self.values.value(k))
    }
}

/// Some rows of a file.
pub(super) struct Block {
    batch: RecordBatch,
    path: String,
}

impl Block {
    pub(super) fn rows(&self) -> usize {
        self.batch.num_rows()
    }

    /// The rows that `keep` says.
    pub(super) fn filtered(&self, keep: &BooleanArray) -> Result<Block, LakeError> {
        let batch = filter_record_batch(&self.batch, keep);
        let batch = batch.map_err(|e| LakeError::damaged(self.path.clone(), e))?;
        Ok(Block { batch, path: self.path.clone() })
    }

    /// A column as it is, or nulls of type `kind` if there is none.
    pub(super) fn column(&self, name: &str, kind: &DataType) -> ArrayRef {
        match self.batch.column_by_name(name) {
            Some(column) => Arc::clone(column),
            None => new_null_array(kind, self.batch.num_rows()),
        }
    }

    fn wrong(&self, column: &str) -> LakeError {
        LakeError::damaged(
            self.path.clone(),
            format!("column {column} is missing or of another type"),
        )
    }

    /// A text column that must be there.
    pub(super) fn texts(&self, name: &str) -> Result<Texts<'_>, LakeError> {
        let column = self.batch.column_by_name(name).and_then(Texts::of);
        column.ok_or_else(|| self.wrong(name))
    }

    /// A column of numbers, times or counts that must be there.
    pub(super) fn must<T: ArrowPrimitiveType>(
        &self,
        name: &str,
    ) -> Result<&arrow::array::PrimitiveArray<T>, LakeError> {
        self.may(name)?.ok_or_else(|| self.wrong(name))
    }

    /// A column of numbers, times or counts; `None` if the file lacks it.
    pub(super) fn may<T: ArrowPrimitiveType>(
        &self,
        name: &str,
    ) -> Result<Option<&arrow::array::PrimitiveArray<T>>, LakeError> {
        let Some(column) = self.batch.column_by_name(name) else {
            return Ok(None);
        };
        column.as_primitive_opt::<T>().map(Some).ok_or_else(|| self.wrong(name))
    }

    /// A column of yes and no; `None` if the file lacks it.
    pub(super) fn flags(&self, name: &str) -> Result<Option<&BooleanArray>, LakeError> {
        let Some(column) = self.batch.column_by_name(name) else {
            return Ok(None);
        };
        column.as_boolean_opt().map(Some).ok_or_else(|| self.wrong(name))
    }
}
