//! The four tables: their columns, units and types, for Arrow and for the transaction log.
//!
//! A column is only ever added, at the end of its group and nullable; anything else needs a new [`FORMAT`].

use std::collections::HashMap;
use std::sync::Arc;

use arrow::datatypes::{DataType, Field, Schema, TimeUnit};
use deltalake::kernel::{DataType as DeltaType, StructField};

use super::trip_columns;
use crate::tables::samples::{SIGNALS, Width};

/// Format number of the lakes that this version writes.
pub(super) const FORMAT: u32 = 1;

/// Table property that holds the format number.
pub(super) const FORMAT_KEY: &str = "trimdrift.format";

/// A table of the lake.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Table {
    /// Normalised samples.
    Samples,
    /// Rows that could not be used.
    Rejects,
    /// Sums per trip.
    Trips,
    /// What was read, once per source.
    Sources,
}

impl Table {
    /// All tables in the order in which a batch is committed to them.
    pub const ALL: [Table; 4] = [Table::Samples, Table::Rejects, Table::Trips, Table::Sources];

    /// Folder and name.
    pub fn as_str(self) -> &'static str {
        match self {
            Table::Samples => "samples",
            Table::Rejects => "rejects",
            Table::Trips => "trips",
            Table::Sources => "sources",
        }
    }

    pub(super) fn columns(self) -> Vec<Column> {
        match self {
            Table::Samples => samples(),
            Table::Rejects => rejects(),
            Table::Trips => trip_columns::columns(),
            Table::Sources => sources(),
        }
    }
}

/// Type of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Kind {
    Text,
    Time,
    Single,
    Double,
    Long,
    Flag,
}

/// A column of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Column {
    pub(super) name: String,
    pub(super) kind: Kind,
    pub(super) unit: &'static str,
    pub(super) nullable: bool,
}

impl Column {
    pub(super) fn key(name: &str, kind: Kind) -> Column {
        Column { name: name.to_owned(), kind, unit: "", nullable: false }
    }

    pub(super) fn optional(name: impl Into<String>, kind: Kind, unit: &'static str) -> Column {
        Column { name: name.into(), kind, unit, nullable: true }
    }

    fn arrow(&self) -> Field {
        let kind = match self.kind {
            Kind::Text => DataType::Utf8,
            Kind::Time => DataType::Timestamp(TimeUnit::Microsecond, Some("UTC".into())),
            Kind::Single => DataType::Float32,
            Kind::Double => DataType::Float64,
            Kind::Long => DataType::Int64,
            Kind::Flag => DataType::Boolean,
        };
        let field = Field::new(&self.name, kind, self.nullable);
        match self.unit {
            "" => field,
            unit => field.with_metadata(HashMap::from([("unit".to_owned(), unit.to_owned())])),
        }
    }

    /// The column as the transaction log describes it.
    pub(super) fn delta(&self) -> StructField {
        let kind = match self.kind {
            Kind::Text => DeltaType::STRING,
            Kind::Time => DeltaType::TIMESTAMP,
            Kind::Single => DeltaType::FLOAT,
            Kind::Double => DeltaType::DOUBLE,
            Kind::Long => DeltaType::LONG,
            Kind::Flag => DeltaType::BOOLEAN,
        };
        let field = StructField::new(&self.name, kind, self.nullable);
        match self.unit {
            "" => field,
            unit => field.with_metadata([("unit", unit)]),
        }
    }
}

/// Arrow schema of a table.
pub(super) fn arrow_schema(columns: &[Column]) -> Arc<Schema> {
    Arc::new(Schema::new(columns.iter().map(Column::arrow).collect::<Vec<_>>()))
}

fn samples() -> Vec<Column> {
    let mut columns = vec![
        Column::key("time", Kind::Time),
        Column::key("vehicle", Kind::Text),
        Column::key("trip", Kind::Text),
    ];
    columns.extend(SIGNALS.iter().map(|s| {
        let kind = match s.width {
            Width::Single => Kind::Single,
            Width::Double => Kind::Double,
        };
        Column::optional(s.name, kind, s.unit)
    }));
    columns.push(Column::key("source", Kind::Text));
    columns.push(Column::key("row", Kind::Long));
    columns
}

fn rejects() -> Vec<Column> {
    vec![
        Column::key("source", Kind::Text),
        Column::key("path", Kind::Text),
        Column::key("row", Kind::Long),
        Column::key("column", Kind::Text),
        Column::key("code", Kind::Text),
        Column::key("raw", Kind::Text),
    ]
}

fn sources() -> Vec<Column> {
    vec![
        Column::key("batch", Kind::Text),
        Column::key("digest", Kind::Text),
        Column::key("file_digest", Kind::Text),
        Column { unit: "byte", ..Column::key("file_bytes", Kind::Long) },
        Column::key("path", Kind::Text),
        Column::key("profile", Kind::Text),
        Column::key("rows_read", Kind::Long),
        Column::key("rows_kept", Kind::Long),
        Column::key("rows_rejected", Kind::Long),
        Column { unit: "byte", ..Column::key("decoded_bytes", Kind::Long) },
        Column::optional("grown_from", Kind::Text, ""),
        Column::optional("first_time", Kind::Time, ""),
        Column::optional("last_time", Kind::Time, ""),
        Column::key("outcome", Kind::Text),
        Column::optional("rows_settled", Kind::Long, ""),
    ]
}
