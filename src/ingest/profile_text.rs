//! The text of a source profile: TOML to a checked [`Profile`].
//!
//! Comes in: a TOML text. Goes out: the profile, or an error with file, line and the nearest valid key.
//! Never: reads a log.

use std::path::Path;

use regex::Regex;

use super::IngestError;
use super::number::NumberForm;
use super::page::{Entry, Page, Section, hint};
use super::profile::{
    ColumnRef, ColumnSpec, Counting, Encoding, Format, LongSpec, NameSource, Profile,
    canonical_unit,
};
use super::profile_raw::{capture_time, raw_columns, raw_spec};
use super::profile_time::time_spec;
use crate::quantity::{Affine, Unit};
use crate::tables::samples::{SIGNALS, Signal};

/// Markers of 'not available' that every profile knows, lower case. An empty cell always means it.
pub(super) const NULL_MARKERS: &[&str] = &[
    "nodata", "no data", "-", "--", "---", "n/a", "#n/a", "na", "null", "none", "nil", "nan", "?",
];
/// Checks a profile text; `path` is named in errors.
pub(super) fn parse(path: &Path, text: &str) -> Result<Profile, IngestError> {
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
        "raw",
    ])?;
    let format = root.get("format").map_or(Ok(Format::Csv), |e| {
        e.choice(&[
            ("csv", Format::Csv),
            ("long_csv", Format::LongCsv),
            ("jsonl", Format::JsonLines),
            ("parquet", Format::Parquet),
            ("raw", Format::Raw),
            ("capture", Format::Capture),
        ])
    })?;
    let file_name = file_name_pattern(root)?;
    let numbers = number_form(root)?;
    let (delimiter, quote) = marks(root, numbers, format)?;
    let profile = Profile {
        name: root.text("name")?.map_or_else(|| stem(path), str::to_owned),
        format,
        delimiter,
        numbers,
        quote,
        encoding: encoding(root)?,
        header: root.flag("header", true)?,
        comment: root.text("comment")?.filter(|c| !c.is_empty()).map(str::to_owned),
        skip_lines: root.get("skip_lines").map_or(Ok(0), |e| e.whole(10_000))?,
        nulls: nulls(root)?,
        drop_repeats: root.flag("drop_repeats", false)?,
        time: match format {
            Format::Capture => capture_time(root)?,
            _ => time_spec(root, file_name.as_ref())?,
        },
        vehicle: name_source(root, "vehicle", file_name.as_ref())?,
        trip: name_source(root, "trip", file_name.as_ref())?,
        file_name,
        columns: match format {
            Format::Raw | Format::Capture => raw_columns(root)?,
            _ => columns(root)?,
        },
        long: long_spec(root, format)?,
        raw: raw_spec(root, format)?,
    };
    check_numbers_without_header(&profile, root)?;
    Ok(profile)
}

/// Delimiter and quote, which must differ from each other and from the marks in numbers.
fn marks(
    root: Section<'_, '_>,
    numbers: NumberForm,
    format: Format,
) -> Result<(u8, Option<u8>), IngestError> {
    let delimiter = root.mark("delimiter", Some(b','))?;
    let quote = root.mark("quote", Some(b'"'))?;
    let is_text = matches!(format, Format::Csv | Format::LongCsv | Format::Raw);
    match (delimiter, root.get("delimiter").or_else(|| root.get("decimal"))) {
        (Some(mark), _)
            if !is_text
                || (mark != numbers.decimal
                    && Some(mark) != quote
                    && Some(mark) != numbers.thousands) =>
        {
            Ok((mark, quote))
        }
        (_, Some(entry)) => {
            Err(entry.refuse("such that delimiter, decimal mark, thousands mark and quote differ"))
        }
        (_, None) => Ok((b',', quote)),
    }
}

/// Without a header, and in formats with names, columns go by what the format has.
fn check_numbers_without_header(
    profile: &Profile,
    root: Section<'_, '_>,
) -> Result<(), IngestError> {
    let delimited = matches!(profile.format, Format::Csv | Format::LongCsv | Format::Raw);
    let by_number_only = !profile.header && delimited;
    let wanted =
        if by_number_only { "a column number, since there is no header" } else { "a column name" };
    for column in profile.all_columns() {
        let ok = match column {
            ColumnRef::Number(_) => delimited,
            // In long form the names of signals stand in a cell, not in the header.
            ColumnRef::Name(_) => !by_number_only,
        };
        if !ok && let Some(entry) = root.get("columns").or_else(|| root.get("time")) {
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

fn stem(path: &Path) -> String {
    path.file_stem().map_or_else(|| "unnamed".to_owned(), |s| s.to_string_lossy().into_owned())
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
    Ok(all.map(|marker| marker.trim().to_lowercase().into_bytes()).collect())
}

fn file_name_pattern(root: Section<'_, '_>) -> Result<Option<Regex>, IngestError> {
    let Some(section) = root.section("file_name")? else {
        return Ok(None);
    };
    section.only(&["pattern"])?;
    let entry = section.need("pattern", "pattern = '^(?<vehicle>[A-Z]+)_'")?;
    // The regex crate matches in linear time; the size limit bounds what a pattern may cost to compile and hold.
    let regex =
        regex::RegexBuilder::new(entry.text()?).size_limit(1 << 20).dfa_size_limit(1 << 20).build();
    regex.map(Some).map_err(|error| bad_pattern(&entry, &error.to_string()))
}
pub(super) fn bad_pattern(entry: &Entry<'_, '_>, message: &str) -> IngestError {
    IngestError::BadPattern {
        path: entry.path(),
        line: entry.line(),
        key: entry.key.clone(),
        message: message.replace('\n', " "),
    }
}

pub(super) fn has_group(pattern: Option<&Regex>, group: &str) -> bool {
    pattern.is_some_and(|p| p.capture_names().flatten().any(|name| name == group))
}
pub(super) fn column_ref(entry: &Entry<'_, '_>) -> Result<ColumnRef, IngestError> {
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
    if columns.is_empty() {
        // Such a profile would read every file and learn nothing.
        return Err(root.missing("columns", "[columns] rpm = \"Engine speed\""));
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
    spec.column = column_ref(
        &section.need("column", "rpm = { column = \"Engine speed\", unit = \"rpm\" }")?,
    )?;
    let unit_map = section.get("unit").map_or(Ok(Affine::IDENTITY), |e| unit_map(signal, &e))?;
    // First the source's own coding, then its unit.
    let number = |key, default| section.get(key).map_or(Ok(default), |e| e.number());
    let (scale, offset) = (number("scale", 1.0)?, number("offset", 0.0)?);
    spec.map =
        Affine { scale: unit_map.scale * scale, offset: unit_map.scale * offset + unit_map.offset };
    if let Some(kind) = section.get("kind") {
        spec.counting = kind.choice(&[
            ("since_previous", Counting::Value),
            ("since_start", Counting::SinceStart),
        ])?;
    }
    if let Some(values) = section.section("values")? {
        for word in values.entries() {
            spec.words.push((word.key.trim().to_lowercase().into_bytes(), word.number()?));
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
    unit.to(canonical).ok_or_else(|| IngestError::WrongUnitKind {
        path: entry.path(),
        line: entry.line(),
        unit: text.to_owned(),
        kind: unit.kind().as_str(),
        signal: signal.spec().name,
        fitting: fitting.join(", "),
    })
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
