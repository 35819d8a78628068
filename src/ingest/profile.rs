//! The source profile: how one kind of log names, writes and times its values.
//!
//! Comes in: a TOML text (read by `profile_text`). Goes out: a [`Profile`] with every pattern compiled and every unit
//! resolved. Never: reads a log.

use std::path::Path;

use jiff::tz::TimeZone;
use regex::Regex;

use super::IngestError;
use super::number::NumberForm;
use super::raw::Sampling;
use crate::quantity::{Affine, Unit};
use crate::tables::samples::Signal;

/// Names of the profiles that are compiled in.
pub const BUILT_IN: &[&str] = &["plain"];

const PLAIN: &str = include_str!("plain.toml");
/// What a file is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Csv,
    LongCsv,
    JsonLines,
    Parquet,
    /// Delimited text with a request and its response per line.
    Raw,
    /// Lines of a CAN capture.
    Capture,
}

/// How text is encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    /// By byte-order mark, then UTF-8 if it is valid, else Windows-1252.
    Auto,
    Utf8,
    Utf16Le,
    Utf16Be,
    Windows1252,
}

/// A column by its name in the header or by its number from 1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum ColumnRef {
    Name(String),
    Number(usize),
}

impl ColumnRef {
    pub(super) fn shown(&self) -> String {
        match self {
            ColumnRef::Name(name) => format!("`{name}`"),
            ColumnRef::Number(number) => format!("number {number}"),
        }
    }
}

/// How a time is written.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum TimeForm {
    Rfc3339,
    /// Ticks since 1970-01-01 UTC, so many of them per second.
    Epoch {
        per_second: i64,
    },
    /// A strptime pattern.
    Pattern(String),
    /// Time since the start that the file name gives, microseconds per unit.
    Elapsed {
        us_per_unit: f64,
        refresh_us: i64,
        start: StartForm,
    },
}

/// How the start in a file name is written.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct StartForm {
    /// A strptime pattern; RFC 3339 if there is none.
    pub(super) pattern: Option<String>,
    pub(super) zone: Option<TimeZone>,
}

/// Where the time of a row comes from.
#[derive(Debug, Clone)]
pub(super) struct TimeSpec {
    pub(super) column: ColumnRef,
    /// A column with the date, if `column` holds the time of day alone.
    pub(super) date_column: Option<ColumnRef>,
    pub(super) form: TimeForm,
    pub(super) zone: Option<TimeZone>,
}

/// Where a vehicle or trip name comes from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum NameSource {
    Column(ColumnRef),
    /// The group of the same name in the file-name pattern.
    FileName,
    /// The same for every row.
    Fixed(String),
    /// Every file is one trip.
    File,
    /// Not given.
    None,
}

/// What a counter counts from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Counting {
    /// The value stands for itself.
    Value,
    /// Restarts with each driving cycle; differences are kept.
    SinceStart,
}

/// One signal and where it comes from.
#[derive(Debug, Clone)]
pub(super) struct ColumnSpec {
    pub(super) signal: Signal,
    pub(super) column: ColumnRef,
    /// From the number as written to the canonical unit.
    pub(super) map: Affine,
    pub(super) counting: Counting,
    /// Words that stand for numbers, lower case.
    pub(super) words: Vec<(Vec<u8>, f64)>,
}

/// The columns of a log with one value per row.
#[derive(Debug, Clone)]
pub(super) struct LongSpec {
    pub(super) signal: ColumnRef,
    pub(super) value: ColumnRef,
    pub(super) unit: Option<ColumnRef>,
    /// Values whose times fall into the same step make one sample.
    pub(super) step_us: i64,
}

/// The columns and the sampling of a log of raw diagnostic traffic.
#[derive(Debug, Clone)]
pub(super) struct RawSpec {
    pub(super) request: Option<ColumnRef>,
    /// Always given, except in captures.
    pub(super) response: Option<ColumnRef>,
    pub(super) sampling: Sampling,
}

/// How one kind of log is read.
#[derive(Debug, Clone)]
pub struct Profile {
    pub(super) name: String,
    pub(super) format: Format,
    pub(super) delimiter: u8,
    pub(super) numbers: NumberForm,
    pub(super) quote: Option<u8>,
    pub(super) encoding: Encoding,
    pub(super) header: bool,
    pub(super) comment: Option<String>,
    pub(super) skip_lines: usize,
    pub(super) nulls: Vec<Vec<u8>>,
    pub(super) drop_repeats: bool,
    pub(super) file_name: Option<Regex>,
    pub(super) time: TimeSpec,
    pub(super) vehicle: NameSource,
    pub(super) trip: NameSource,
    /// Sorted by signal.
    pub(super) columns: Vec<ColumnSpec>,
    pub(super) long: Option<LongSpec>,
    pub(super) raw: Option<RawSpec>,
}

impl Profile {
    /// The built-in profile `name`, if there is one.
    ///
    /// # Errors
    /// None for the names in [`BUILT_IN`]; the same checks apply as to any profile.
    pub fn built_in(name: &str) -> Option<Result<Profile, IngestError>> {
        (name == "plain").then(|| Profile::parse(Path::new("plain.toml (built in)"), PLAIN))
    }

    /// Reads a profile file.
    ///
    /// # Errors
    /// If the file cannot be read or the profile is refused.
    pub fn load(path: &Path) -> Result<Profile, IngestError> {
        let text = std::fs::read_to_string(path).map_err(|source| {
            IngestError::ProfileUnreadable { path: path.to_path_buf(), source }
        })?;
        Profile::parse(path, &text)
    }
    /// Checks a profile text; `path` is named in errors.
    ///
    /// # Errors
    /// If a key is unknown or missing, or a value cannot be used; with file, line and what would be valid.
    pub fn parse(path: &Path, text: &str) -> Result<Profile, IngestError> {
        super::profile_text::parse(path, text)
    }

    /// Name of the profile.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Whether each signal has a column of its own.
    pub(super) fn has_value_columns(&self) -> bool {
        !matches!(self.format, Format::LongCsv | Format::Raw | Format::Capture)
    }

    /// The columns that the header must or may have.
    pub(super) fn all_columns(&self) -> impl Iterator<Item = &ColumnRef> {
        let names = [&self.vehicle, &self.trip].into_iter().filter_map(|source| match source {
            NameSource::Column(column) => Some(column),
            _ => None,
        });
        let values = self.columns.iter().map(|c| &c.column).filter(|_| self.has_value_columns());
        std::iter::once(&self.time.column).chain(&self.time.date_column).chain(names).chain(values)
    }
}

/// The unit in which `signal` is kept.
pub(super) fn canonical_unit(signal: Signal) -> Unit {
    // Every unit of the signal table is known; a test holds it to that.
    Unit::parse(signal.spec().unit).unwrap_or(Unit::Count)
}
