//! Part files: rows in, one synced Parquet file out, invisible until its batch is committed.
//!
//! Settings follow what the columns are. Names repeat, so they go through a dictionary; numbers do not repay one and
//! are stored plain with LZ4, which writes and reads fastest. Statistics are kept for vehicle and time only, because
//! only these ever narrow a search.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, BooleanArray, DictionaryArray, Float32Array, Float64Array, Int32Array, Int64Array,
    PrimitiveArray, RecordBatch, StringArray, TimestampMicrosecondArray,
};
use arrow::datatypes::{ArrowPrimitiveType, Field, Int32Type, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::schema::types::ColumnPath;
use serde::{Deserialize, Serialize};

use super::SourceRow;
use super::error::LakeError;
use super::read::Block;
use super::schema::{Column, Kind, Table, arrow_schema};
use super::store::{Sink, Store};
use super::trip_columns::{air_source_name, stored};
use crate::tables::samples::{Reject, SIGNALS, Samples, Width};
use crate::tables::trips::Trip;

/// Rows of a row group of samples: small enough that a search by vehicle skips most of a file.
const GROUP_ROWS: usize = 1 << 18;

/// Rows of a row group of trips, which are an order of magnitude wider.
const TRIP_GROUP_ROWS: usize = 1 << 16;

/// Rows converted at a time, so that a column stays in the processor's cache on its way.
const BLOCK_ROWS: usize = 1 << 14;

/// A finished part file, not yet committed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Part {
    pub(super) table: String,
    pub(super) name: String,
    pub(super) bytes: u64,
    pub(super) written_ms: i64,
    pub(super) rows: u64,
    pub(super) stats: String,
}

/// Writes the rows of one part file of one table.
pub struct PartWriter {
    store: Store,
    table: Table,
    name: String,
    columns: Vec<Column>,
    schema: Arc<Schema>,
    writer: Option<ArrowWriter<Sink>>,
    rows: u64,
    span: Span,
}

/// Lowest and highest time and vehicle written.
#[derive(Debug, Default)]
struct Span {
    times: Option<(i64, i64)>,
    vehicles: Option<(String, String)>,
}

impl std::fmt::Debug for PartWriter {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("PartWriter").field("name", &self.name).field("rows", &self.rows).finish()
    }
}

impl PartWriter {
    pub(super) fn new(store: Store, table: Table, batch: &str, n: u32) -> PartWriter {
        let columns = table.columns();
        PartWriter {
            store,
            table,
            name: format!("part-{batch}-{n:04}.parquet"),
            schema: arrow_schema(&columns),
            columns,
            writer: None,
            rows: 0,
            span: Span::default(),
        }
    }

    /// Writes the samples of `source` (content digest) whose row number is above `after_row`; 0 writes all.
    pub fn write_samples(
        &mut self,
        samples: &Samples,
        source: &str,
        after_row: u64,
    ) -> Result<(), LakeError> {
        self.expect(Table::Samples)?;
        if after_row > 0 && samples.row.iter().any(|r| *r <= after_row) {
            return self.write_samples(&rows_after(samples, after_row), source, 0);
        }
        let vehicles: ArrayRef = Arc::new(StringArray::from_iter_values(&samples.vehicles));
        let trips: ArrayRef = Arc::new(StringArray::from_iter_values(&samples.trips));
        let sources: ArrayRef = Arc::new(StringArray::from_iter_values([source]));
        let mut from = 0;
        while from < samples.len() {
            let rows = from..samples.len().min(from + BLOCK_ROWS);
            from = rows.end;
            let times = &samples.time_us[rows.clone()];
            for t in times {
                self.span.time(*t);
            }
            let time = TimestampMicrosecondArray::from(times.to_vec()).with_timezone("UTC");
            let mut arrays: Vec<ArrayRef> = vec![
                Arc::new(time),
                self.names(&samples.vehicle[rows.clone()], &vehicles)?,
                self.names(&samples.trip[rows.clone()], &trips)?,
            ];
            for (i, spec) in SIGNALS.iter().enumerate() {
                let values =
                    samples.signals.get(i).and_then(|v| v.as_ref()).map(|v| &v[rows.clone()]);
                arrays.push(signal(values, spec.width, rows.len()));
            }
            arrays.push(self.names(&vec![0; rows.len()], &sources)?);
            let row = samples.row[rows.clone()].iter().map(|r| *r as i64);
            arrays.push(Arc::new(Int64Array::from_iter_values(row)));
            self.write(arrays, rows.len())?;
        }
        // Vehicles in the list need not occur in the rows, so the rows decide.
        let mut last = None;
        for vehicle in samples.vehicle.iter().filter(|v| last.replace(**v) != Some(**v)) {
            self.span.vehicle(&samples.vehicles[*vehicle as usize]);
        }
        Ok(())
    }

    /// Writes trips, ordered by vehicle, start, trip and source.
    pub fn write_trips(&mut self, trips: &[Trip]) -> Result<(), LakeError> {
        self.expect(Table::Trips)?;
        let mut sorted: Vec<&Trip> = trips.iter().collect();
        sorted.sort_by(|a, b| {
            let key = |t: &Trip| (t.start_us, t.end_us);
            a.vehicle
                .cmp(&b.vehicle)
                .then(key(a).cmp(&key(b)))
                .then_with(|| (&a.trip, &a.source, &a.recipe).cmp(&(&b.trip, &b.source, &b.recipe)))
        });
        for block in sorted.chunks(BLOCK_ROWS) {
            for trip in block {
                self.span.time(trip.start_us);
                self.span.vehicle(&trip.vehicle);
            }
            let arrays = trip_arrays(block);
            self.write(arrays, block.len())?;
        }
        Ok(())
    }

    /// Writes rejected rows of `source` (content digest), which was read from `path`.
    pub fn write_rejects(
        &mut self,
        rejects: &[Reject],
        source: &str,
        path: &str,
    ) -> Result<(), LakeError> {
        self.expect(Table::Rejects)?;
        for block in rejects.chunks(BLOCK_ROWS) {
            let text = |get: fn(&Reject) -> &str| texts(block.iter().map(get));
            let arrays: Vec<ArrayRef> = vec![
                texts(block.iter().map(|_| source)),
                texts(block.iter().map(|_| path)),
                Arc::new(Int64Array::from_iter_values(block.iter().map(|r| r.row as i64))),
                text(|r| &r.column),
                text(|r| r.code.as_str()),
                text(|r| &r.raw),
            ];
            self.write(arrays, block.len())?;
        }
        Ok(())
    }

    pub(super) fn write_sources(&mut self, sources: &[SourceRow]) -> Result<(), LakeError> {
        self.expect(Table::Sources)?;
        let text = |get: fn(&SourceRow) -> &str| texts(sources.iter().map(get));
        let long = |get: fn(&SourceRow) -> u64| -> ArrayRef {
            Arc::new(Int64Array::from_iter_values(sources.iter().map(|s| get(s) as i64)))
        };
        let time = |get: fn(&SourceRow) -> Option<i64>| -> ArrayRef {
            let values: Vec<Option<i64>> = sources.iter().map(get).collect();
            Arc::new(TimestampMicrosecondArray::from(values).with_timezone("UTC"))
        };
        let grown: StringArray = sources.iter().map(|s| s.grown_from.as_deref()).collect();
        let arrays: Vec<ArrayRef> = vec![
            text(|s| &s.batch),
            text(|s| &s.digest),
            text(|s| &s.file_digest),
            long(|s| s.file_bytes),
            text(|s| &s.path),
            text(|s| &s.profile),
            long(|s| s.rows_read),
            long(|s| s.rows_kept),
            long(|s| s.rows_rejected),
            long(|s| s.decoded_bytes),
            Arc::new(grown),
            time(|s| s.first_us),
            time(|s| s.last_us),
            text(|s| &s.outcome),
            long(|s| s.rows_settled),
        ];
        self.write(arrays, sources.len())
    }

    /// Writes rows as they stand in another file of the table; a column that they lack is null.
    pub(super) fn write_rows(&mut self, rows: &Block) -> Result<(), LakeError> {
        let time_column = if self.table == Table::Samples { "time" } else { "start" };
        if self.table != Table::Rejects {
            let (times, vehicles) = (rows.must(time_column)?, rows.texts("vehicle")?);
            let times: &TimestampMicrosecondArray = times;
            times.values().iter().for_each(|t| self.span.time(*t));
            (0..rows.rows()).for_each(|i| self.span.vehicle(vehicles.get(i)));
        }
        let schema = Arc::clone(&self.schema);
        let arrays = schema.fields().iter().map(|f| rows.column(f.name(), f.data_type()));
        self.write(arrays.collect(), rows.rows())
    }

    /// Ends the file; it is on the disk when this returns. `None`, and no file, if nothing was written.
    pub fn close(mut self) -> Result<Option<Part>, LakeError> {
        let Some(writer) = self.writer.take() else {
            return Ok(None);
        };
        let path = self.path();
        let fail = |e| LakeError::parquet("write", self.store.name(&path), e);
        let (bytes, written_ms) = self.store.finish(&path, writer.into_inner().map_err(fail)?)?;
        let stats = self.span.stats(self.table, self.rows);
        Ok(Some(Part {
            table: self.table.as_str().to_owned(),
            name: self.name,
            bytes,
            written_ms,
            rows: self.rows,
            stats,
        }))
    }

    /// Gives up the file, so that its number is free for another try.
    pub fn discard(mut self) -> Result<(), LakeError> {
        match self.writer.take() {
            Some(writer) => {
                drop(writer);
                self.store.delete(&self.path())
            }
            None => Ok(()),
        }
    }

    /// Rows written so far.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    fn path(&self) -> String {
        format!("{}/{}", self.table.as_str(), self.name)
    }

    fn expect(&self, table: Table) -> Result<(), LakeError> {
        if self.table == table {
            return Ok(());
        }
        let reason = format!("{} rows given to a part of {}", table.as_str(), self.table.as_str());
        Err(LakeError::Misuse { batch: self.name.clone(), reason })
    }

    fn names(&self, keys: &[u32], values: &ArrayRef) -> Result<ArrayRef, LakeError> {
        let keys = Int32Array::from_iter_values(keys.iter().map(|k| *k as i32));
        let array = DictionaryArray::<Int32Type>::try_new(keys, Arc::clone(values));
        Ok(Arc::new(array.map_err(|e| self.misuse(e))?))
    }

    fn misuse(&self, reason: impl ToString) -> LakeError {
        LakeError::Misuse { batch: self.name.clone(), reason: reason.to_string() }
    }

    fn write(&mut self, arrays: Vec<ArrayRef>, rows: usize) -> Result<(), LakeError> {
        if rows == 0 {
            return Ok(());
        }
        let path = self.path();
        let name = self.store.name(&path);
        let writer = match &mut self.writer {
            Some(writer) => writer,
            none => {
                let sink = self.store.create(&path)?;
                let properties = properties(self.table, &self.columns);
                let writer = ArrowWriter::try_new(sink, Arc::clone(&self.schema), Some(properties));
                none.insert(writer.map_err(|e| LakeError::parquet("write", name.clone(), e))?)
            }
        };
        // The arrays may be dictionaries of what the schema names; the file does not show it.
        let fields = self.schema.fields().iter().zip(&arrays);
        let fields =
            fields.map(|(f, a)| Field::new(f.name(), a.data_type().clone(), f.is_nullable()));
        let schema = Arc::new(Schema::new(fields.collect::<Vec<_>>()));
        let batch = RecordBatch::try_new(schema, arrays);
        let batch =
            batch.map_err(|e| LakeError::Misuse { batch: name.clone(), reason: e.to_string() })?;
        writer.write(&batch).map_err(|e| LakeError::parquet("write", name, e))?;
        self.rows += rows as u64;
        Ok(())
    }
}

impl Span {
    fn time(&mut self, t: i64) {
        let (low, high) = self.times.get_or_insert((t, t));
        *low = t.min(*low);
        *high = t.max(*high);
    }

    fn vehicle(&mut self, name: &str) {
        match &mut self.vehicles {
            None => self.vehicles = Some((name.to_owned(), name.to_owned())),
            Some((low, _)) if name < low.as_str() => name.clone_into(low),
            Some((_, high)) if name > high.as_str() => name.clone_into(high),
            Some(_) => {}
        }
    }

    /// Statistics of a file as the Delta protocol writes them ("Per-file Statistics"); times in milliseconds, the
    /// lowest rounded down and the highest up.
    fn stats(&self, table: Table, rows: u64) -> String {
        let time_column = if table == Table::Samples { "time" } else { "start" };
        let (mut low, mut high) = (serde_json::Map::new(), serde_json::Map::new());
        if let Some((a, b)) = &self.vehicles {
            low.insert("vehicle".to_owned(), a.as_str().into());
            high.insert("vehicle".to_owned(), b.as_str().into());
        }
        if let Some((a, b)) = self.times {
            let text = |ms: i64| jiff::Timestamp::from_millisecond(ms).map(|t| format!("{t:.3}"));
            if let (Ok(a), Ok(b)) = (text(a.div_euclid(1000)), text((b + 999).div_euclid(1000))) {
                low.insert(time_column.to_owned(), a.into());
                high.insert(time_column.to_owned(), b.into());
            }
        }
        serde_json::json!({ "numRecords": rows, "minValues": low, "maxValues": high }).to_string()
    }
}

fn properties(table: Table, columns: &[Column]) -> WriterProperties {
    let mut properties = WriterProperties::builder()
        .set_compression(Compression::LZ4_RAW)
        .set_dictionary_enabled(false)
        .set_statistics_enabled(EnabledStatistics::None)
        .set_max_row_group_row_count(Some(if table == Table::Trips {
            TRIP_GROUP_ROWS
        } else {
            GROUP_ROWS
        }))
        .set_write_batch_size(BLOCK_ROWS)
        .set_offset_index_disabled(true);
    for column in columns {
        let path = || ColumnPath::from(column.name.as_str());
        // Counts of misfires are nearly all nought.
        let repeats = column.kind == Kind::Text
            || (table == Table::Trips && column.name.starts_with("misfire_"));
        if repeats {
            properties = properties.set_column_dictionary_enabled(path(), true);
        }
        if matches!(column.name.as_str(), "vehicle" | "time" | "start") {
            properties = properties.set_column_statistics_enabled(path(), EnabledStatistics::Chunk);
        }
        // Steps between rows are small.
        if matches!(column.name.as_str(), "row" | "time") {
            properties = properties.set_column_encoding(path(), Encoding::DELTA_BINARY_PACKED);
        }
    }
    properties.build()
}

/// The rows whose number is above `after_row`.
fn rows_after(samples: &Samples, after_row: u64) -> Samples {
    let keep: Vec<usize> = (0..samples.len()).filter(|i| samples.row[*i] > after_row).collect();
    let mut kept = Samples {
        vehicles: samples.vehicles.clone(),
        trips: samples.trips.clone(),
        ..Samples::default()
    };
    kept.time_us = keep.iter().map(|i| samples.time_us[*i]).collect();
    kept.vehicle = keep.iter().map(|i| samples.vehicle[*i]).collect();
    kept.trip = keep.iter().map(|i| samples.trip[*i]).collect();
    kept.row = keep.iter().map(|i| samples.row[*i]).collect();
    let columns = samples.signals.iter();
    kept.signals = columns
        .map(|c| c.as_ref().map(|values| keep.iter().map(|i| values[*i]).collect()))
        .collect();
    kept
}

fn signal(values: Option<&[f64]>, width: Width, rows: usize) -> ArrayRef {
    match (width, values) {
        (Width::Single, Some(values)) => nullable::<arrow::datatypes::Float32Type>(
            values.iter().map(|x| *x as f32).collect(),
            values,
        ),
        (Width::Double, Some(values)) => {
            nullable::<arrow::datatypes::Float64Type>(values.to_vec(), values)
        }
        (Width::Single, None) => Arc::new(Float32Array::new_null(rows)),
        (Width::Double, None) => Arc::new(Float64Array::new_null(rows)),
    }
}

/// `stored` with a null where `values` has `NaN`.
fn nullable<T: ArrowPrimitiveType>(stored: Vec<T::Native>, values: &[f64]) -> ArrayRef {
    let nulls = values
        .iter()
        .any(|x| x.is_nan())
        .then(|| values.iter().map(|x| !x.is_nan()).collect::<Vec<bool>>().into());
    Arc::new(PrimitiveArray::<T>::new(stored.into(), nulls))
}

fn texts<'a>(values: impl Iterator<Item = &'a str>) -> ArrayRef {
    Arc::new(StringArray::from_iter_values(values))
}

fn trip_arrays(trips: &[&Trip]) -> Vec<ArrayRef> {
    let text = |get: fn(&Trip) -> &str| texts(trips.iter().map(|t| get(t)));
    let time = |get: fn(&Trip) -> i64| -> ArrayRef {
        let values = TimestampMicrosecondArray::from_iter_values(trips.iter().map(|t| get(t)));
        Arc::new(values.with_timezone("UTC"))
    };
    let long = |get: fn(&Trip) -> u64| -> ArrayRef {
        Arc::new(Int64Array::from_iter_values(trips.iter().map(|t| get(t) as i64)))
    };
    let flag = |get: fn(&Trip) -> bool| -> ArrayRef {
        Arc::new(BooleanArray::from(trips.iter().map(|t| get(t)).collect::<Vec<_>>()))
    };
    let mut arrays = vec![
        text(|t| &t.vehicle),
        text(|t| &t.trip),
        text(|t| &t.source),
        text(|t| &t.recipe),
        time(|t| t.start_us),
        time(|t| t.end_us),
        long(|t| t.rows),
        long(|t| t.gated),
        text(|t| air_source_name(t.air_source)),
        flag(|t| t.loop_inferred),
        flag(|t| t.fuel_from_airflow),
        flag(|t| t.has_misfire),
    ];
    let numbers: Vec<Vec<Option<f64>>> = trips.iter().map(|t| stored(t)).collect();
    let width = numbers.first().map_or(0, Vec::len);
    arrays.extend((0..width).map(|i| -> ArrayRef {
        Arc::new(numbers.iter().map(|row| row[i]).collect::<Float64Array>())
    }));
    arrays
}
