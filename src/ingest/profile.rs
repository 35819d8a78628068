//! The source profile: how one kind of log names, writes and times its values.
//!
//! Comes in: a TOML text. Goes out: a [`Profile`] with every pattern compiled and every unit resolved, or an error with
//! file, line and the nearest valid key. Never: reads a log.

use std::path::Path;

use jiff::tz::TimeZone;
use regex::Regex;

use super::IngestError;
use super::number::NumberForm;
use super::page::{Entry, Page, Section, hint};
use crate::quantity::{Affine, Unit};
use crate::tables::samples::{SIGNALS, Signal};

/// Names of the profiles that are compiled in.
pub const BUILT_IN: &[&str] = &["plain"];

const PLAIN: &str = include_str!("plain.toml");

/// Markers of 'not available' that every profile knows, lower case. An empty cell always means it.
const NULL_MARKERS: &[&str] = &[
    "nodata", "no data", "-", "--", "---", "n/a", "#n/a", "na", "null", "none", "nil", "nan", "?",
];

/// What a file is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Format {
    Csv,
    LongCsv,
    JsonLines,
    Parquet,
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
        let text =
            std::fs::read_to_string(path).map_err(|source| IngestError::ProfileUnreadable {
                path: path.to_path_buf(),
                source,
            })?;
        Profile::parse(path, &text)
    }

    /// Checks a profile text; `path` is named in errors.
    ///
    /// # Errors
    /// If a key is unknown or missing, or a value cannot be used; with file, line and what would be valid.
    pub fn parse(path: &Path, text: &str) -> Result<Profile, IngestError> {
        let page = Page { path, text };
        let root = page.parse()?;
        let root = Section::new(page, root.get_ref());
        root.only(&[
            "name",
            "format",
            "delimiter",
            "decimal",
            "thousands",
            "quote",
            "encoding",
            "header",
            "comment",
            "skip_lines",
            "null",
            "drop_repeats",
            "file_name",
            "time",
            "vehicle",
            "trip",
            "columns",
            "long",
        ])?;
        let format = root.get("format").map_or(Ok(Format::Csv), |e| {
            e.choice(&[
                ("csv", Format::Csv),
                ("long_csv", Format::LongCsv),
                ("jsonl", Format::JsonLines),
                ("parquet", Format::Parquet),
            ])
        })?;
        let file_name = file_name_pattern(root)?;
        let numbers = number_form(root)?;
        let delimiter = root.mark("delimiter", Some(b','))?;
        let quote = root.mark("quote", Some(b'"'))?;
        let delimiter = match (delimiter, root.get("delimiter")) {
            (Some(mark), _)
                if mark != numbers.decimal
                    && Some(mark) != quote
                    && Some(mark) != numbers.thousands =>
            {
                mark
            }
            (_, Some(entry)) => {
                return Err(entry
                    .refuse("a character other than the decimal mark, thousands mark and quote"));
            }
            (_, None) => match root.get("decimal") {
                Some(entry) => {
                    return Err(entry
                        .refuse("another character than the delimiter; set `delimiter` as well"));
                }
                None => b',',
            },
        };
        let profile = Profile {
            name: root.text("name")?.map_or_else(|| stem(path), str::to_owned),
            format,
            delimiter,
            numbers,
            quote,
            encoding: encoding(root)?,
            header: root.flag("header", true)?,
            comment: root
                .text("comment")?
                .filter(|c| !c.is_empty())
                .map(str::to_owned),
            skip_lines: root.get("skip_lines").map_or(Ok(0), |e| e.whole(10_000))?,
            nulls: nulls(root)?,
            drop_repeats: root.flag("drop_repeats", false)?,
            time: time_spec(root, file_name.as_ref())?,
            vehicle: name_source(root, "vehicle", file_name.as_ref())?,
            trip: name_source(root, "trip", file_name.as_ref())?,
            file_name,
            columns: columns(root)?,
            long: long_spec(root, format)?,
        };
        profile.check_numbers_without_header(root)?;
        Ok(profile)
    }

    /// Name of the profile.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Without a header, and in formats with names, columns go by what the format has.
    fn check_numbers_without_header(&self, root: Section<'_, '_>) -> Result<(), IngestError> {
        let by_number_only = !self.header && matches!(self.format, Format::Csv | Format::LongCsv);
        let wanted = if by_number_only {
            "a column number, since there is no header"
        } else {
            "a column name"
        };
        for column in self.all_columns() {
            let ok = match column {
                ColumnRef::Number(_) => matches!(self.format, Format::Csv | Format::LongCsv),
                // In long form the names of signals stand in a cell, not in the header.
                ColumnRef::Name(_) => !by_number_only,
            };
            if !ok && let Some(entry) = root.get("columns") {
                return Err(IngestError::WrongValue {
                    path: entry.path(),
                    line: entry.line(),
                    key: "column".to_owned(),
                    wanted: wanted.to_owned(),
                    found: column.shown(),
                });
            }
        }
        Ok(())
    }

    fn all_columns(&self) -> impl Iterator<Item = &ColumnRef> {
        let names = [&self.vehicle, &self.trip]
            .into_iter()
            .filter_map(|source| match source {
                NameSource::Column(column) => Some(column),
                _ => None,
            });
        let values = self
            .columns
            .iter()
            .map(|c| &c.column)
            .filter(|_| self.format != Format::LongCsv);
        std::iter::once(&self.time.column)
            .chain(&self.time.date_column)
            .chain(names)
            .chain(values)
    }
}

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(
        || "unnamed".to_owned(),
        |s| s.to_string_lossy().into_owned(),
    )
}

fn number_form(root: Section<'_, '_>) -> Result<NumberForm, IngestError> {
    let decimal = root.mark("decimal", Some(b'.'))?.unwrap_or(b'.');
    let thousands = root.mark("thousands", None)?;
    if thousands == Some(decimal)
        && let Some(entry) = root.get("thousands")
    {
        return Err(entry.refuse("another character than the decimal mark"));
    }
    Ok(NumberForm { decimal, thousands })
}

fn encoding(root: Section<'_, '_>) -> Result<Encoding, IngestError> {
    root.get("encoding").map_or(Ok(Encoding::Auto), |e| {
        e.choice(&[
            ("auto", Encoding::Auto),
            ("utf-8", Encoding::Utf8),
            ("utf-16le", Encoding::Utf16Le),
            ("utf-16be", Encoding::Utf16Be),
            ("windows-1252", Encoding::Windows1252),
        ])
    })
}

fn nulls(root: Section<'_, '_>) -> Result<Vec<Vec<u8>>, IngestError> {
    let own = root.get("null").map_or(Ok(Vec::new()), |e| e.texts())?;
    let all = NULL_MARKERS.iter().copied().chain(own);
    Ok(all
        .map(|marker| marker.trim().to_lowercase().into_bytes())
        .collect())
}

fn file_name_pattern(root: Section<'_, '_>) -> Result<Option<Regex>, IngestError> {
    let Some(section) = root.section("file_name")? else {
        return Ok(None);
    };
    section.only(&["pattern"])?;
    let entry = section.need("pattern", "pattern = '^(?<vehicle>[A-Z]+)_'")?;
    // The regex crate matches in linear time; the size limit bounds what a pattern may cost to compile and hold.
    let regex = regex::RegexBuilder::new(entry.text()?)
        .size_limit(1 << 20)
        .dfa_size_limit(1 << 20)
        .build();
    regex
        .map(Some)
        .map_err(|error| bad_pattern(&entry, &error.to_string()))
}

fn bad_pattern(entry: &Entry<'_, '_>, message: &str) -> IngestError {
    IngestError::BadPattern {
        path: entry.path(),
        line: entry.line(),
        key: entry.key.clone(),
        message: message.replace('\n', " "),
    }
}

fn has_group(pattern: Option<&Regex>, group: &str) -> bool {
    pattern.is_some_and(|p| p.capture_names().flatten().any(|name| name == group))
}

fn zone(section: Section<'_, '_>, key: &str) -> Result<Option<TimeZone>, IngestError> {
    let Some(entry) = section.get(key) else {
        return Ok(None);
    };
    match TimeZone::get(entry.text()?) {
        Ok(zone) => Ok(Some(zone)),
        Err(_) => {
            Err(entry.refuse("the name of an IANA time zone such as \"Europe/Vienna\" or \"UTC\""))
        }
    }
}

/// A strptime pattern that reads back what it writes.
fn time_pattern<'a>(entry: &Entry<'a, '_>) -> Result<&'a str, IngestError> {
    let pattern = entry.text()?;
    let sample = jiff::civil::date(2023, 11, 14)
        .at(22, 13, 20, 0)
        .to_zoned_datetime(TimeZone::UTC);
    let written = sample
        .and_then(|z| jiff::fmt::strtime::format(pattern, &z))
        .map_err(|error| bad_pattern(entry, &error.to_string()))?;
    jiff::fmt::strtime::parse(pattern, &written)
        .map_err(|error| bad_pattern(entry, &error.to_string()))?;
    Ok(pattern)
}

fn pattern_has_offset(pattern: &str) -> bool {
    ["%z", "%:z", "%s", "%Q", "%:Q"]
        .iter()
        .any(|p| pattern.contains(p))
}

fn time_spec(root: Section<'_, '_>, file_name: Option<&Regex>) -> Result<TimeSpec, IngestError> {
    const EXAMPLE: &str = "[time] column = \"time\" form = \"rfc3339\"";
    let entry = root.need("time", EXAMPLE)?;
    let section = entry.section()?;
    section.only(&[
        "column",
        "date_column",
        "form",
        "pattern",
        "zone",
        "unit",
        "start_pattern",
        "start_zone",
        "refresh_s",
    ])?;
    let column = column_ref(&section.need("column", "column = \"time\"")?)?;
    let date_column = section
        .get("date_column")
        .map(|e| column_ref(&e))
        .transpose()?;
    let zone = zone(section, "zone")?;
    let form_entry = section.need("form", "form = \"rfc3339\"")?;
    let epoch = |per_second| TimeForm::Epoch { per_second };
    let form = match form_entry.choice(&[
        ("rfc3339", 0),
        ("epoch_s", 1),
        ("epoch_ms", 2),
        ("epoch_us", 3),
        ("pattern", 4),
        ("elapsed", 5),
    ])? {
        0 => TimeForm::Rfc3339,
        1 => epoch(1),
        2 => epoch(1_000),
        3 => epoch(1_000_000),
        4 => {
            let entry = section.need("pattern", "pattern = \"%d.%m.%Y %H:%M:%S\"")?;
            let pattern = time_pattern(&entry)?;
            if zone.is_none() && !pattern_has_offset(pattern) {
                section.need(
                    "zone",
                    "zone = \"Europe/Vienna\" (the pattern has no offset from UTC)",
                )?;
            }
            TimeForm::Pattern(pattern.to_owned())
        }
        _ => elapsed(section, file_name)?,
    };
    if date_column.is_some() && !matches!(form, TimeForm::Rfc3339 | TimeForm::Pattern(_)) {
        return Err(form_entry.refuse("\"rfc3339\" or \"pattern\" when there is a date_column"));
    }
    Ok(TimeSpec {
        column,
        date_column,
        form,
        zone,
    })
}

fn elapsed(section: Section<'_, '_>, file_name: Option<&Regex>) -> Result<TimeForm, IngestError> {
    let unit_entry = section.need("unit", "unit = \"s\"")?;
    let map = Unit::parse(unit_entry.text()?).and_then(|unit| unit.to(Unit::Microsecond));
    let Some(map) = map else {
        return Err(unit_entry.refuse("a unit of time such as \"s\", \"ms\" or \"min\""));
    };
    if !has_group(file_name, "start") {
        section.need(
            "[file_name] pattern with a group (?<start>…)",
            "pattern = '_(?<start>\\d{8}T\\d{6}Z)'",
        )?;
    }
    let pattern = section
        .get("start_pattern")
        .map(|e| time_pattern(&e))
        .transpose()?;
    let zone = zone(section, "start_zone")?;
    if let Some(pattern) = pattern
        && zone.is_none()
        && !pattern_has_offset(pattern)
    {
        section.need(
            "start_zone",
            "start_zone = \"UTC\" (the pattern has no offset from UTC)",
        )?;
    }
    let refresh_s = section.get("refresh_s").map_or(Ok(1.0), |e| {
        let seconds = e.number()?;
        if (0.001..=60.0).contains(&seconds) {
            Ok(seconds)
        } else {
            Err(e.refuse("a number from 0.001 to 60"))
        }
    })?;
    Ok(TimeForm::Elapsed {
        us_per_unit: map.scale,
        refresh_us: (refresh_s * 1e6).round() as i64,
        start: StartForm {
            pattern: pattern.map(str::to_owned),
            zone,
        },
    })
}

fn column_ref(entry: &Entry<'_, '_>) -> Result<ColumnRef, IngestError> {
    if entry.is_number() {
        return match entry.whole(10_000)? {
            0 => Err(entry.refuse("a column number from 1")),
            number => Ok(ColumnRef::Number(number)),
        };
    }
    if !entry.is_text() {
        return Err(entry.refuse("a column name in quotes or a column number"));
    }
    Ok(ColumnRef::Name(entry.text()?.to_owned()))
}

fn name_source(
    root: Section<'_, '_>,
    what: &'static str,
    file_name: Option<&Regex>,
) -> Result<NameSource, IngestError> {
    let is_trip = what == "trip";
    let section = match root.section(what)? {
        Some(section) => section,
        None if is_trip => return Ok(NameSource::None),
        None => {
            root.need(what, "[vehicle] column = \"vehicle\"")?;
            return Ok(NameSource::None);
        }
    };
    section.only(&["column", "from", "fixed"])?;
    if let Some(entry) = section.get("column") {
        return Ok(NameSource::Column(column_ref(&entry)?));
    }
    if let Some(entry) = section.get("fixed") {
        let name = entry.text()?.trim();
        if is_trip || name.is_empty() {
            return Err(entry.refuse("the name of the one vehicle that all files belong to"));
        }
        return Ok(NameSource::Fixed(name.to_owned()));
    }
    let entry = section.need("from", "from = \"file_name\"")?;
    match entry.choice(&[("file_name", true), ("file", false)])? {
        true if has_group(file_name, what) => Ok(NameSource::FileName),
        true => Err(entry.refuse(&format!(
            "used with [file_name] pattern = '…(?<{what}>…)…', a pattern that names the group `{what}`"
        ))),
        false if is_trip => Ok(NameSource::File),
        false => Err(entry.refuse("\"file_name\"; a file is not a vehicle")),
    }
}

fn columns(root: Section<'_, '_>) -> Result<Vec<ColumnSpec>, IngestError> {
    let entry = root.need("columns", "[columns] rpm = \"Engine speed\"")?;
    let section = entry.section()?;
    let names: Vec<&str> = SIGNALS.iter().map(|s| s.name).collect();
    section.only(&names)?;
    let mut columns = Vec::new();
    for entry in section.entries() {
        if let Some(signal) = Signal::by_name(&entry.key) {
            columns.push(column_spec(signal, &entry)?);
        }
    }
    columns.sort_by_key(|c| c.signal);
    Ok(columns)
}

fn column_spec(signal: Signal, entry: &Entry<'_, '_>) -> Result<ColumnSpec, IngestError> {
    let mut spec = ColumnSpec {
        signal,
        column: ColumnRef::Number(1),
        map: Affine::IDENTITY,
        counting: Counting::Value,
        words: Vec::new(),
    };
    if entry.is_text() || entry.is_number() {
        spec.column = column_ref(entry)?;
        return Ok(spec);
    }
    let section = entry.section().map_err(|_| {
        entry.refuse("a column name in quotes, or { column = \"...\", unit = \"...\" }")
    })?;
    section.only(&["column", "unit", "scale", "offset", "kind", "values"])?;
    spec.column = column_ref(&section.need(
        "column",
        "rpm = { column = \"Engine speed\", unit = \"rpm\" }",
    )?)?;
    let unit_map = section
        .get("unit")
        .map_or(Ok(Affine::IDENTITY), |e| unit_map(signal, &e))?;
    // First the source's own coding, then its unit.
    let number = |key, default| section.get(key).map_or(Ok(default), |e| e.number());
    let (scale, offset) = (number("scale", 1.0)?, number("offset", 0.0)?);
    spec.map = Affine {
        scale: unit_map.scale * scale,
        offset: unit_map.scale * offset + unit_map.offset,
    };
    if let Some(kind) = section.get("kind") {
        spec.counting = kind.choice(&[
            ("since_previous", Counting::Value),
            ("since_start", Counting::SinceStart),
        ])?;
    }
    if let Some(values) = section.section("values")? {
        for word in values.entries() {
            spec.words
                .push((word.key.trim().to_lowercase().into_bytes(), word.number()?));
        }
    }
    Ok(spec)
}

fn unit_map(signal: Signal, entry: &Entry<'_, '_>) -> Result<Affine, IngestError> {
    let text = entry.text()?;
    let canonical = canonical_unit(signal);
    let fitting = Unit::symbols_for(canonical);
    let Some(unit) = Unit::parse(text) else {
        return Err(IngestError::UnknownUnit {
            path: entry.path(),
            line: entry.line(),
            unit: text.to_owned(),
            signal: signal.spec().name,
            hint: hint(text, &fitting),
        });
    };
    unit.to(canonical)
        .ok_or_else(|| IngestError::WrongUnitKind {
            path: entry.path(),
            line: entry.line(),
            unit: text.to_owned(),
            kind: unit.kind().as_str(),
            signal: signal.spec().name,
            fitting: fitting.join(", "),
        })
}

/// The unit in which `signal` is kept.
pub(super) fn canonical_unit(signal: Signal) -> Unit {
    // Every unit of the signal table is known; a test holds it to that.
    Unit::parse(signal.spec().unit).unwrap_or(Unit::Count)
}

fn long_spec(root: Section<'_, '_>, format: Format) -> Result<Option<LongSpec>, IngestError> {
    if format != Format::LongCsv {
        return match root.get("long") {
            Some(entry) => Err(entry.refuse("left out unless format = \"long_csv\"")),
            None => Ok(None),
        };
    }
    const EXAMPLE: &str = "[long] signal = \"signal\" value = \"value\"";
    let section = root.need("long", EXAMPLE)?.section()?;
    section.only(&["signal", "value", "unit", "step_s"])?;
    let step_s = section.get("step_s").map_or(Ok(1.0), |e| {
        let seconds = e.number()?;
        if (0.001..=60.0).contains(&seconds) {
            Ok(seconds)
        } else {
            Err(e.refuse("a number from 0.001 to 60"))
        }
    })?;
    Ok(Some(LongSpec {
        signal: column_ref(&section.need("signal", EXAMPLE)?)?,
        value: column_ref(&section.need("value", EXAMPLE)?)?,
        unit: section.get("unit").map(|e| column_ref(&e)).transpose()?,
        step_us: (step_s * 1e6).round() as i64,
    }))
}
