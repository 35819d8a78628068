//! Ingest: any trip log through a source profile into normalised samples.
//!
//! ```text
//! file ─► source (unpack, decode, digest) ─► lines / objects / row groups ─► rows (cells to values)
//!                                                     profile ─┘              │
//!                                    Chunk { samples, rejects } ◄─ order (clock, trips, duplicates)
//! ```
//!
//! Comes in: a path, a [`Profile`], [`Limits`]. Goes out: [`Chunk`]s of [`Samples`] and [`Reject`]s through a sink, and a
//! [`FileReport`] whose rows read are the rows kept plus the rows rejected. Memory is bounded by the chunk size, never
//! by the file. Positions have no signal, so they cannot get in. Never: the lake, statistics, the system clock.

mod assembly;
mod buses;
mod capture_rows;
mod clock;
mod csv_rows;
mod discover;
mod fleet_tables;
mod header;
mod json_rows;
mod json_shape;
mod late;
mod line_rows;
mod long_rows;
mod look;
mod number;
mod order;
mod page;
mod parquet;
mod profile;
mod profile_text;
mod profile_time;
mod profile_raw;
pub mod raw;
mod raw_rows;
mod read;
mod rows;
mod source;
mod stamp;
mod suggest;
mod suggest_raw;
mod suggest_sample;
mod suggest_time;
mod suggest_words;

use std::path::PathBuf;

use crate::tables::samples::{Reject, RejectCode, Samples};

pub use discover::{Discovery, discover};
pub use fleet_tables::{FleetTable, Problem, read_refuels, read_register, read_services};
pub use look::{Origin, Part, look};
pub use profile::{BUILT_IN, Profile};
pub use read::{pseudonym, read_file};
pub use source::{Fingerprint, fingerprint};
pub use suggest::{Suggestion, suggest};

/// Bounds on what one file may cost, and the latest believable time.
#[derive(Debug, Clone)]
pub struct Limits {
    /// Samples later than this are rejected; UTC microseconds since 1970-01-01.
    pub latest_us: i64,
    /// Longest line that is read, bytes.
    pub line_bytes_max: usize,
    /// Text per chunk, bytes; at least twice `line_bytes_max` is used.
    pub chunk_bytes: usize,
    /// Largest ratio of unpacked to packed bytes beyond `unpacked_free_bytes`.
    pub unpacked_ratio_max: u64,
    /// Unpacked bytes up to which the ratio does not matter.
    pub unpacked_free_bytes: u64,
    /// Rejects kept per file; the rest are only counted.
    pub rejects_kept_max: usize,
    /// Distinct vehicle and trip names per file.
    pub names_max: usize,
    /// If set, vehicle and trip names become keyed pseudonyms and no raw row text is kept.
    pub pseudonym_key: Option<[u8; 32]>,
}

impl Limits {
    /// The documented defaults with the given latest time.
    pub fn until(latest_us: i64) -> Limits {
        Limits {
            latest_us,
            line_bytes_max: 1 << 20,
            chunk_bytes: 4 << 20,
            unpacked_ratio_max: 200,
            unpacked_free_bytes: 64 << 20,
            rejects_kept_max: 10_000,
            names_max: 500_000,
            pseudonym_key: None,
        }
    }
}

/// A part of a file, in canonical names and units.
#[derive(Debug, Clone, Default)]
pub struct Chunk {
    /// Sorted by vehicle, then time, then row.
    pub samples: Samples,
    /// Sorted by row; at most [`Limits::rejects_kept_max`] per file.
    pub rejects: Vec<Reject>,
    /// Rows (and rejects) below this row number were kept, for good, by an earlier run that saw the start of this file.
    pub first_new_row: u64,
}

/// How far an earlier run read a file, to recognise a file that has grown since.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Resume {
    /// Bytes of decoded text that were read.
    pub decoded_bytes: u64,
    /// Their digest.
    pub decoded_digest: String,
    /// Rows that were read for good, see [`FileReport::rows_settled`].
    pub rows: u64,
}

/// What was read from one file.
#[derive(Debug, Clone, PartialEq)]
pub struct FileReport {
    /// Rows read: `rows_kept + rows_rejected`.
    pub rows_read: u64,
    /// Rows that were used, or that hold nothing the profile asks for.
    pub rows_kept: u64,
    /// Rows that did not.
    pub rows_rejected: u64,
    /// Rejected rows by reason, all of them.
    pub rejected_by_code: std::collections::BTreeMap<RejectCode, u64>,
    /// Rejected rows by reason, of the rows that no earlier run had read for good.
    pub rejected_new_by_code: std::collections::BTreeMap<RejectCode, u64>,
    /// Rows that an earlier run had read for good, if the file is a grown version of the one given to resume from.
    pub rows_known: Option<u64>,
    /// Rows up to this number stay what they are if the file grows. Short of `rows_read` where the file ends in a row
    /// without a line end, or in a sample to which further rows may belong.
    pub rows_settled: u64,
    /// Where a later row changes one that was known for good, as a clock that was set back makes it: the last row that
    /// stays what it was. What was handed out is to be discarded, and the file read again with so many [`Resume::rows`].
    pub known_unchanged: Option<u64>,
    /// Samples handed out; less than `rows_kept` where several rows make one sample.
    pub samples: u64,
    /// Bytes of decoded text that were read: up to the last line end, or the end if the last line was usable.
    pub decoded_bytes: u64,
    /// Digest of that text, hexadecimal BLAKE3.
    pub decoded_digest: String,
    /// Size and digest of the file as it lies on disk.
    pub fingerprint: Fingerprint,
    /// Earliest time kept, UTC microseconds.
    pub first_us: Option<i64>,
    /// Latest time kept, UTC microseconds.
    pub last_us: Option<i64>,
    /// Signals that the profile maps and the file does not carry.
    pub signals_absent: Vec<&'static str>,
    /// Columns of the file that the profile does not read.
    pub columns_unread: Vec<String>,
    /// Signals of which values were out of range and taken as not available, the rows being kept.
    pub left_out: Vec<LeftOut>,
}

/// A value out of range that was taken as not available, since its row can do without it.
#[derive(Debug, Clone, PartialEq)]
pub struct LeftOut {
    /// Column name of the signal.
    pub signal: &'static str,
    /// The first such value in the file, in the signal's unit.
    pub value: f64,
    /// Highest admissible value.
    pub most: f64,
}

impl std::fmt::Display for LeftOut {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {} is not within 0 to {}", self.signal, self.value, self.most)
    }
}

impl FileReport {
    /// What a later run needs to recognise this file after it has grown.
    pub fn resume(&self) -> Resume {
        Resume {
            decoded_bytes: self.decoded_bytes,
            decoded_digest: self.decoded_digest.clone(),
            rows: self.rows_settled,
        }
    }
}

/// Why reading a file stopped: the input, or the one who takes the chunks.
#[derive(Debug, thiserror::Error)]
pub enum ReadError<E> {
    /// The input cannot be read; chunks already handed out must be discarded.
    #[error(transparent)]
    Input(#[from] IngestError),
    /// The sink refused a chunk.
    #[error("the taker of the samples stopped")]
    Sink(E),
}

/// Why a profile was refused or a file cannot be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum IngestError {
    /// The profile cannot be read.
    #[error(
        "cannot read the source profile {path}: {source}. Give a built-in name or the path of a profile TOML"
    )]
    ProfileUnreadable {
        /// Profile file.
        path: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// The profile is not TOML.
    #[error("{path}, line {line}: not valid TOML: {message}")]
    ProfileSyntax {
        /// Profile file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// What the parser says.
        message: String,
    },
    /// A key that does not exist.
    #[error("{path}, line {line}: unknown key `{key}`; {hint}")]
    UnknownKey {
        /// Profile file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The key.
        key: String,
        /// The nearest valid key, or all of them.
        hint: String,
    },
    /// A key that must be there is not.
    #[error("{path}: key `{key}` is missing or empty; write for example: {example}")]
    MissingKey {
        /// Profile file.
        path: PathBuf,
        /// The key.
        key: String,
        /// How it is written.
        example: &'static str,
    },
    /// A value of the wrong type or outside what is allowed.
    #[error("{path}, line {line}: `{key}` must be {wanted}, found {found}")]
    WrongValue {
        /// Profile file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The key.
        key: String,
        /// What is allowed.
        wanted: String,
        /// What stands there.
        found: String,
    },
    /// A unit that nobody knows.
    #[error("{path}, line {line}: unknown unit `{unit}` for `{signal}`; {hint}")]
    UnknownUnit {
        /// Profile file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The unit as written.
        unit: String,
        /// The signal.
        signal: &'static str,
        /// The nearest known unit, or all that fit.
        hint: String,
    },
    /// A unit of another kind of quantity.
    #[error(
        "{path}, line {line}: `{unit}` is a unit of {kind} and cannot become `{signal}`; units that can: {fitting}"
    )]
    WrongUnitKind {
        /// Profile file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The unit as written.
        unit: String,
        /// What it measures.
        kind: &'static str,
        /// The signal.
        signal: &'static str,
        /// Units that fit.
        fitting: String,
    },
    /// A pattern that does not work.
    #[error("{path}, line {line}: `{key}` is not a usable pattern: {message}")]
    BadPattern {
        /// Profile file.
        path: PathBuf,
        /// Line.
        line: usize,
        /// The key.
        key: String,
        /// What is wrong with it.
        message: String,
    },
    /// The file cannot be opened or read.
    #[error("cannot read {path}: {source}. Check that it exists and may be read")]
    Unreadable {
        /// Log file.
        path: PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// A folder, pipe or device.
    #[error("{path} is not a regular file; only files are read")]
    NotAFile {
        /// The path.
        path: PathBuf,
    },
    /// Nothing in the file.
    #[error("{path} is empty: no header and no rows. Remove it or copy it again")]
    Empty {
        /// Log file.
        path: PathBuf,
    },
    /// A packed file that ends too early.
    #[error(
        "{path} is cut short: the packed data ends after {unpacked} unpacked bytes. Copy it again from where it came"
    )]
    Truncated {
        /// Log file.
        path: PathBuf,
        /// Bytes that could be unpacked.
        unpacked: u64,
    },
    /// A packed file with broken content.
    #[error(
        "{path} cannot be unpacked: {message}. It is damaged, or its name says .gz or .zst without being so"
    )]
    BadArchive {
        /// Log file.
        path: PathBuf,
        /// What the decoder says.
        message: String,
    },
    /// A packed file that unpacks to far more than it should.
    #[error(
        "{path} unpacks to more than {ratio_max} times its size ({unpacked} bytes so far from {packed}); refused. \
         If it is genuine, raise unpacked_ratio_max or unpack it by hand"
    )]
    UnpackRatio {
        /// Log file.
        path: PathBuf,
        /// Packed bytes read.
        packed: u64,
        /// Bytes unpacked.
        unpacked: u64,
        /// Allowed ratio.
        ratio_max: u64,
    },
    /// Binary content where text is expected.
    #[error(
        "{path} is not text (byte {offset} is NUL). Check the file, or the profile's `format` and `encoding`"
    )]
    Binary {
        /// Log file.
        path: PathBuf,
        /// Where the first NUL byte stands.
        offset: u64,
    },
    /// The header is longer than a line may be.
    #[error(
        "{path}: the header line is longer than {limit} bytes. This is no log, or its line ends are missing"
    )]
    LongHeader {
        /// Log file.
        path: PathBuf,
        /// Longest line allowed.
        limit: usize,
    },
    /// Columns that must be there are not.
    #[error(
        "{path}: no column {missing}; the file has {found}. Correct the column names in profile `{profile}`, or choose another profile"
    )]
    MissingColumns {
        /// Log file.
        path: PathBuf,
        /// What the profile expects.
        missing: String,
        /// What the file has.
        found: String,
        /// Profile name.
        profile: String,
    },
    /// A column whose type cannot serve.
    #[error(
        "{path}: column `{column}` is of type {found}; expected {expected}. Correct profile `{profile}` or the file"
    )]
    ColumnType {
        /// Log file.
        path: PathBuf,
        /// Column name.
        column: String,
        /// Its type.
        found: String,
        /// What would do.
        expected: &'static str,
        /// Profile name.
        profile: String,
    },
    /// A column name that stands twice in the header.
    #[error(
        "{path}: the header has column `{column}` twice; give its number instead of its name in profile `{profile}`"
    )]
    DuplicateColumn {
        /// Log file.
        path: PathBuf,
        /// Column name.
        column: String,
        /// Profile name.
        profile: String,
    },
    /// A file name that does not tell what the profile expects of it.
    #[error(
        "{path}: the file name does not give {missing} by the pattern `{pattern}` of profile `{profile}`. Rename the file or correct the pattern"
    )]
    FileName {
        /// Log file.
        path: PathBuf,
        /// What it should give.
        missing: String,
        /// Pattern of the profile.
        pattern: String,
        /// Profile name.
        profile: String,
    },
    /// More names than a log can have.
    #[error(
        "{path}, row {row}: more than {limit} different vehicle or trip names. The vehicle or trip column of profile `{profile}` is not one"
    )]
    TooManyNames {
        /// Log file.
        path: PathBuf,
        /// Row of the first name too many.
        row: u64,
        /// Names allowed.
        limit: usize,
        /// Profile name.
        profile: String,
    },
    /// A table of the fleet cannot be used at all.
    #[error("{path}: {problem}. {remedy}")]
    FleetTable {
        /// Table file.
        path: PathBuf,
        /// What is wrong.
        problem: String,
        /// What to do.
        remedy: String,
    },
}
