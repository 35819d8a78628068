//! Parquet files to rows.
//!
//! Comes in: a file with one sample per row. Goes out: chunks of samples, batch by batch. Numbers come as any numeric
//! type, times as timestamps or in the form that the profile states, all of it as text if need be. Only the columns that
//! the profile asks for are decoded. Never: decides trips.

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};

use arrow::array::{Array, ArrayRef, AsArray};
use arrow::compute::cast;
use arrow::datatypes::{DataType, Float64Type, TimeUnit, TimestampMicrosecondType};
use arrow::record_batch::RecordBatch;
use parquet::arrow::ProjectionMask;
use parquet::arrow::arrow_reader::{ParquetRecordBatchReader, ParquetRecordBatchReaderBuilder};

use super::assembly::Use;
use super::header::Header;
use super::line_rows::{Body, Found};
use super::order::Order;
use super::read::Extent;
use super::rows::Fault;
use super::source::{fingerprint, open_regular};
use super::stamp::Stamp;
use super::{Chunk, FileReport, IngestError, ReadError, Resume};
use crate::tables::samples::RejectCode;

/// Rows decoded at a time.
const BATCH_ROWS: usize = 16_384;

/// Reads one file. Its digest is that of the cells that the profile asks for, row by row, so that neither packing nor row
/// groups matter, and a file that was written again with more rows is known by its first ones.
pub(super) fn read<'p, E>(
    mut body: Body<'p>,
    mut order: Order<'p>,
    known: Option<&Resume>,
    sink: &mut dyn FnMut(Chunk) -> Result<(), E>,
) -> Result<FileReport, ReadError<E>> {
    let print = fingerprint(body.path)?;
    if print.bytes == 0 {
        return Err(IngestError::Empty { path: body.path.to_path_buf() }.into());
    }
    let rows_known = match known {
        Some(known) if begins_with(&body, known)? => Some(known.rows),
        _ => None,
    };
    body.rejects.first_new_row = rows_known.map_or(0, |known| known + 1);
    order.rows_known = rows_known.unwrap_or(0);
    let (mut batches, header) = open(&body)?;
    let mut digest = CellDigest::new(&header);
    body.assembly.measures = header.measures.clone();
    loop {
        let batch = guarded(&body, || batches.next().transpose())?;
        if let Some(batch) = &batch {
            body.assembly.reserve(batch.num_rows());
            let cells = cells(&body, &header, batch)?;
            digest.add(&cells, 0..batch.num_rows());
            read_batch(&mut body, &header, &cells, batch.num_rows());
            body.check_names()?;
        }
        if let Some(chunk) = body.chunk(&mut order, batch.is_none()) {
            sink(chunk).map_err(ReadError::Sink)?;
        }
        if batch.is_none() {
            break;
        }
    }
    let extent = Extent { decoded: digest.end(), fingerprint: print, rows_known };
    let found = Found { absent: header.absent.clone(), unread: header.unread.clone() };
    Ok(body.report(&order, found, extent))
}

/// Whether the rows of the file begin with those that an earlier run has read.
fn begins_with(body: &Body<'_>, known: &Resume) -> Result<bool, IngestError> {
    let (mut batches, header) = open(body)?;
    let mut digest = CellDigest::new(&header);
    // Counted in bytes of cells: rows that were read but not settled are part of what the digest stands for.
    while digest.bytes < known.decoded_bytes {
        let Some(batch) = guarded(body, || batches.next().transpose())? else { return Ok(false) };
        let cells = cells(body, &header, &batch)?;
        let before = digest.clone();
        digest.add(&cells, 0..batch.num_rows());
        if digest.bytes > known.decoded_bytes {
            digest = before;
            let mut rows = 0..batch.num_rows();
            while let Some(row) = rows.next().filter(|_| digest.bytes < known.decoded_bytes) {
                digest.add(&cells, row..row + 1);
            }
        }
    }
    Ok(digest.end() == (known.decoded_bytes, known.decoded_digest.clone()))
}

fn open(body: &Body<'_>) -> Result<(ParquetRecordBatchReader, Header), IngestError> {
    let file: File = open_regular(body.path)?;
    let builder = guarded(body, || ParquetRecordBatchReaderBuilder::try_new(file))?;
    let groups = builder.metadata().row_groups();
    let sum = |size: &dyn Fn(usize) -> i64| -> u64 {
        (0..groups.len())
            .map(|g| u64::try_from(size(g)).unwrap_or(u64::MAX))
            .fold(0, u64::saturating_add)
    };
    let (packed, unpacked) =
        (sum(&|g| groups[g].compressed_size()), sum(&|g| groups[g].total_byte_size()));
    let ratio_max = body.limits.unpacked_ratio_max;
    if unpacked > body.limits.unpacked_free_bytes && unpacked / ratio_max.max(1) > packed {
        return Err(IngestError::UnpackRatio {
            path: body.path.to_path_buf(),
            packed,
            unpacked,
            ratio_max,
        });
    }
    let names: Vec<String> = builder.schema().fields().iter().map(|f| f.name().clone()).collect();
    let header = Header::match_names(names, body.profile, body.path)?;
    let wanted = (0..header.uses.len()).filter(|at| !header.uses[*at].is_empty());
    let mask = ProjectionMask::roots(builder.parquet_schema(), wanted);
    let reader =
        guarded(body, || builder.with_projection(mask).with_batch_size(BATCH_ROWS).build())?;
    Ok((reader, header))
}

/// Runs the decoder; damage that it reports, or trips over, is an error of the file.
fn guarded<T, E: std::fmt::Display>(
    body: &Body<'_>,
    decode: impl FnOnce() -> Result<T, E>,
) -> Result<T, IngestError> {
    let refuse =
        |message: String| IngestError::BadArchive { path: body.path.to_path_buf(), message };
    match catch_unwind(AssertUnwindSafe(decode)) {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(refuse(error.to_string())),
        Err(_) => Err(refuse("the Parquet decoder gave up on its content".to_owned())),
    }
}

/// The values of one column of a batch, in a form that rows can be read from.
enum Cells {
    Times { us: ArrayRef, zoned: bool },
    Numbers(ArrayRef),
    Texts(ArrayRef),
}

/// The used columns of a batch with their positions in the header.
fn cells(
    body: &Body<'_>,
    header: &Header,
    batch: &RecordBatch,
) -> Result<Vec<(usize, Cells)>, IngestError> {
    let used = (0..header.uses.len()).filter(|at| !header.uses[*at].is_empty());
    used.zip(batch.columns())
        .map(|(position, column)| Ok((position, column_cells(body, header, position, column)?)))
        .collect()
}

fn column_cells(
    body: &Body<'_>,
    header: &Header,
    position: usize,
    column: &ArrayRef,
) -> Result<Cells, IngestError> {
    let refuse = |expected: &'static str| IngestError::ColumnType {
        path: body.path.to_path_buf(),
        column: header.names[position].clone(),
        found: column.data_type().to_string(),
        expected,
        profile: body.profile.name().to_owned(),
    };
    let to = |target: DataType, expected| {
        guarded(body, || cast(column, &target)).map_err(|_| refuse(expected))
    };
    let is_value = header.uses[position].iter().all(|u| matches!(u, Use::Value(_)));
    let is_time = header.uses[position].contains(&Use::Time);
    match column.data_type() {
        DataType::Timestamp(_, zone) if is_time => {
            if zone.is_none() && body.profile.time.zone.is_none() {
                return Err(refuse("timestamps in UTC, or a `zone` in [time]"));
            }
            let us = to(DataType::Timestamp(TimeUnit::Microsecond, None), "timestamps")?;
            Ok(Cells::Times { us, zoned: zone.is_some() })
        }
        kind if is_text(kind) => Ok(Cells::Texts(to(DataType::Utf8, "text")?)),
        _ if is_value => Ok(Cells::Numbers(to(DataType::Float64, "numbers")?)),
        // A float of time would be written with an exponent by the cast.
        kind if kind.is_floating() => Ok(Cells::Numbers(to(DataType::Float64, "numbers")?)),
        _ => Ok(Cells::Texts(to(DataType::Utf8, "text or whole numbers")?)),
    }
}

fn is_text(kind: &DataType) -> bool {
    match kind {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => true,
        DataType::Dictionary(_, values) => is_text(values),
        _ => false,
    }
}

/// Reads the rows of a batch; whole columns at once where every number in them can be used.
fn read_batch(body: &mut Body<'_>, header: &Header, cells: &[(usize, Cells)], rows: usize) {
    let Some(values) = whole_columns(body, header, cells) else {
        for row in 0..rows {
            body.rows += 1;
            if let Err((fault, raw)) = try_row(body, header, cells, row, true) {
                body.assembly.undo();
                reject(body, header, fault, &raw);
            }
        }
        return;
    };
    let mut unused = Vec::new();
    for row in 0..rows {
        body.rows += 1;
        if let Err((fault, raw)) = try_row(body, header, cells, row, false) {
            unused.push(row);
            reject(body, header, fault, &raw);
        }
    }
    for (index, column) in values {
        body.assembly.column(index, column, &unused);
    }
}

fn reject(body: &mut Body<'_>, header: &Header, fault: Fault, raw: &str) {
    let column = fault.column.and_then(|at| header.names.get(at)).map_or("", String::as_str);
    body.rejects.add(body.rows, column, fault.code, raw.as_bytes());
}

/// The values of all measures of a batch; `None` if a value cannot be used, or cannot be told without its text.
fn whole_columns(
    body: &Body<'_>,
    header: &Header,
    cells: &[(usize, Cells)],
) -> Option<Vec<(usize, Vec<f64>)>> {
    let mut columns = Vec::new();
    for (position, column) in cells {
        for purpose in &header.uses[*position] {
            let Use::Value(index) = purpose else { continue };
            let measure = &body.assembly.measures[*index];
            let Cells::Numbers(numbers) = column else { return None };
            if !measure.plain {
                return None;
            }
            let value = |number: f64| {
                if number.is_nan() { Ok(f64::NAN) } else { measure.value(number) }
            };
            let numbers = numbers.as_primitive::<Float64Type>();
            let values: Result<Vec<f64>, RejectCode> = if numbers.null_count() == 0 {
                numbers.values().iter().map(|n| value(*n)).collect()
            } else {
                numbers.iter().map(|n| n.map_or(Ok(f64::NAN), value)).collect()
            };
            columns.push((*index, values.ok()?));
        }
    }
    Some(columns)
}

/// Reads one row into the assembly, its values too if `with_values`.
fn try_row(
    body: &mut Body<'_>,
    header: &Header,
    cells: &[(usize, Cells)],
    row: usize,
    with_values: bool,
) -> Result<(), (Fault, String)> {
    let assembly = &mut body.assembly;
    assembly.begin();
    for (position, column) in cells {
        for purpose in &header.uses[*position] {
            let result = match (column, purpose) {
                (_, Use::Value(_)) if !with_values => Ok(()),
                (column, Use::Value(index)) if column.is_null(row) => {
                    assembly.nothing(*index);
                    Ok(())
                }
                (Cells::Numbers(numbers), Use::Value(index)) => {
                    let number = numbers.as_primitive::<Float64Type>().value(row);
                    if number.is_nan() {
                        assembly.nothing(*index);
                        Ok(())
                    } else {
                        assembly.any_number(*index, number)
                    }
                }
                (Cells::Times { us, zoned }, Use::Time) if !us.is_null(row) => {
                    let us = us.as_primitive::<TimestampMicrosecondType>().value(row);
                    assembly.stamp(if *zoned { Stamp::Utc(us) } else { Stamp::Local(us) });
                    Ok(())
                }
                (Cells::Times { .. }, Use::Value(_)) => Err(RejectCode::NotANumber),
                (column, purpose) => assembly.cell(*purpose, column.text(row).trim().as_bytes()),
            };
            let fault = |code| Fault { code, column: Some(*position) };
            result.map_err(|code| (fault(code), column.text(row).into_owned()))?;
        }
    }
    assembly.finish(body.rows).map_err(|fault| {
        let fault = header.fault(fault);
        let cell = cells.iter().find(|(position, _)| Some(*position) == fault.column);
        (fault, cell.map_or(String::new(), |(_, column)| column.text(row).into_owned()))
    })
}

impl Cells {
    fn is_null(&self, row: usize) -> bool {
        match self {
            Cells::Times { us: array, .. } | Cells::Numbers(array) | Cells::Texts(array) => {
                array.is_null(row)
            }
        }
    }

    fn text(&self, row: usize) -> Cow<'_, str> {
        if self.is_null(row) {
            return Cow::Borrowed("");
        }
        match self {
            Cells::Times { us, .. } => {
                let us = us.as_primitive::<TimestampMicrosecondType>().value(row);
                Cow::Owned(super::stamp::rfc3339(us))
            }
            Cells::Numbers(numbers) => {
                Cow::Owned(numbers.as_primitive::<Float64Type>().value(row).to_string())
            }
            Cells::Texts(texts) => Cow::Borrowed(texts.as_string::<i32>().value(row)),
        }
    }

    /// Adds the bytes of some rows to a digest; 'not available' has bytes of its own.
    fn digest(&self, rows: Range<usize>, hasher: &mut blake3::Hasher) -> u64 {
        let mut bytes = Vec::with_capacity(rows.len() * 8);
        match self {
            Cells::Numbers(numbers) => {
                let numbers = numbers.as_primitive::<Float64Type>();
                for row in rows {
                    let number = if numbers.is_null(row) { f64::NAN } else { numbers.value(row) };
                    bytes.extend_from_slice(&number.to_le_bytes());
                }
            }
            Cells::Times { us, .. } => {
                let us = us.as_primitive::<TimestampMicrosecondType>();
                for row in rows {
                    let us = if us.is_null(row) { i64::MIN } else { us.value(row) };
                    bytes.extend_from_slice(&us.to_le_bytes());
                }
            }
            Cells::Texts(_) => {
                for row in rows {
                    let text = self.text(row);
                    bytes.extend_from_slice(&(text.len() as u64).to_le_bytes());
                    bytes.extend_from_slice(text.as_bytes());
                }
            }
        }
        hasher.update(&bytes);
        bytes.len() as u64
    }
}

/// The digest of the cells read so far: a column each, so that batches may end anywhere.
#[derive(Clone)]
struct CellDigest {
    columns: Vec<(String, blake3::Hasher)>,
    bytes: u64,
}

impl CellDigest {
    fn new(header: &Header) -> CellDigest {
        let used = header.names.iter().zip(&header.uses).filter(|(_, uses)| !uses.is_empty());
        let columns = used.map(|(name, _)| (name.clone(), blake3::Hasher::new())).collect();
        CellDigest { columns, bytes: 0 }
    }

    fn add(&mut self, cells: &[(usize, Cells)], rows: Range<usize>) {
        for ((_, hasher), (_, cells)) in self.columns.iter_mut().zip(cells) {
            self.bytes += cells.digest(rows.clone(), hasher);
        }
    }

    /// Bytes and digest of everything added.
    fn end(&self) -> (u64, String) {
        let mut whole = blake3::Hasher::new();
        for (name, hasher) in &self.columns {
            whole.update(&(name.len() as u64).to_le_bytes());
            whole.update(name.as_bytes());
            whole.update(hasher.finalize().as_bytes());
        }
        (self.bytes, whole.finalize().to_hex().to_string())
    }
}

/// Texts of cells with their position in the header, by row.
pub(super) type RowTexts = BTreeMap<u64, Vec<(usize, String)>>;

/// The header, and the cells of the rows numbered `rows` as text by their position in it.
pub(super) fn texts(
    body: &Body<'_>,
    rows: &BTreeSet<u64>,
) -> Result<(Header, RowTexts), IngestError> {
    let (mut batches, header) = open(body)?;
    let mut found = BTreeMap::new();
    let mut before = 0;
    while rows.last().is_some_and(|last| *last > before) {
        let Some(batch) = guarded(body, || batches.next().transpose())? else { break };
        let cells = cells(body, &header, &batch)?;
        for row in 0..batch.num_rows() {
            let number = before + row as u64 + 1;
            if rows.contains(&number) {
                let text = |(at, column): &(usize, Cells)| (*at, column.text(row).into_owned());
                let texts = cells.iter().map(text);
                found.insert(number, texts.collect());
            }
        }
        before += batch.num_rows() as u64;
    }
    Ok((header, found))
}

/// The first rows of a file as text, for a proposal.
pub(super) fn sample(
    path: &std::path::Path,
    rows: usize,
) -> Result<Vec<super::suggest_sample::Column>, IngestError> {
    let damaged = |message: String| IngestError::BadArchive { path: path.to_path_buf(), message };
    let file = open_regular(path)?;
    let first = catch_unwind(AssertUnwindSafe(move || {
        let builder = ParquetRecordBatchReaderBuilder::try_new(file)?;
        let mut reader = builder.with_batch_size(rows).build()?;
        reader.next().transpose().map_err(parquet::errors::ParquetError::from)
    }));
    let batch = match first {
        Ok(Ok(batch)) => batch.ok_or(IngestError::Empty { path: path.to_path_buf() })?,
        Ok(Err(error)) => return Err(damaged(error.to_string())),
        Err(_) => return Err(damaged("the Parquet decoder gave up on its content".to_owned())),
    };
    let schema = batch.schema();
    let columns = schema.fields().iter().zip(batch.columns()).map(|(field, column)| {
        // What cannot become text has no cells.
        let texts = cast(column, &DataType::Utf8).ok();
        let texts = texts.iter().flat_map(|t| t.as_string::<i32>().iter());
        super::suggest_sample::Column {
            name: field.name().clone(),
            cells: texts.map(|t| t.unwrap_or("").trim().to_owned()).collect(),
        }
    });
    Ok(columns.collect())
}
