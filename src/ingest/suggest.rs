//! A profile proposed for an unknown file.
//!
//! Comes in: a path. Goes out: a TOML to edit, with the evidence for each guess beside it and a list of what could not be
//! decided. A guess is made only where the name or the values speak for it. Never: reads the file for good.

use std::fmt::Write;
use std::path::Path;

use super::number::{NumberForm, any_decimal};
use super::profile::{Format, canonical_unit};
use super::suggest_raw::traffic;
use super::suggest_sample::{Column, Sample, sample};
use super::suggest_words::{signal_of, unit_by_range, unit_in_name, words};
use super::{IngestError, Limits};
use crate::quantity::Unit;
use crate::tables::samples::Signal;

/// A proposed source profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Suggestion {
    /// The profile as TOML.
    pub toml: String,
    /// What a person must decide; also listed at the top of the TOML.
    pub undecided: Vec<String>,
}

/// Proposes a profile for the file at `path`.
///
/// # Errors
/// If the file cannot be read as text or Parquet at all.
pub fn suggest(path: &Path, limits: &Limits) -> Result<Suggestion, IngestError> {
    let sample = sample(path, limits)?;
    let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let mut draft = Draft {
        sample: &sample,
        undecided: Vec::new(),
        taken: vec![false; sample.columns.len()],
        vehicle_in_name: false,
    };
    let body = if sample.format == Format::Capture {
        let head = draft.capture_head();
        let vehicle = draft.vehicle(&name);
        format!(
            "\n{head}\n{vehicle}\n[trip]\nfrom = \"file\"   # assumed: every file is one trip\n"
        )
    } else {
        draft.table(&name)
    };
    let mut toml =
        format!("# Proposed for {}. Check every line that says `assumed`.\n", printable(&name));
    for point in &draft.undecided {
        let _ = writeln!(toml, "# Not decided: {point}");
    }
    Ok(Suggestion { toml: toml + &body, undecided: draft.undecided })
}

/// What the columns of the long form are.
struct Long {
    signal: usize,
    value: usize,
    unit: Option<usize>,
}

/// A proposal in the making.
pub(super) struct Draft<'s> {
    pub(super) sample: &'s Sample,
    pub(super) undecided: Vec<String>,
    /// Columns that have a purpose already.
    pub(super) taken: Vec<bool>,
    /// The proposed file-name pattern gives the vehicle.
    pub(super) vehicle_in_name: bool,
}

impl<'s> Draft<'s> {
    /// Everything for a file with columns.
    fn table(&mut self, name: &str) -> String {
        let traffic = traffic(self.sample);
        for at in traffic.iter().flat_map(|t| t.request.into_iter().chain([t.response])) {
            self.taken[at] = true;
        }
        let long = if traffic.is_some() { None } else { self.long_columns() };
        let form = match (&traffic, &long) {
            (Some(_), _) => Format::Raw,
            (None, Some(_)) => Format::LongCsv,
            (None, None) => self.sample.format,
        };
        let head = self.head(form);
        let time = self.time(name);
        let vehicle = self.vehicle(name);
        let trip = self.trip();
        let columns = match (&traffic, &long) {
            (Some(traffic), _) => self.raw_section(traffic),
            (None, Some(long)) => self.long_signals(long),
            (None, None) => self.signals(),
        };
        format!("\n{head}\n{time}\n{vehicle}\n{trip}{columns}")
    }

    pub(super) fn column(&self, at: usize) -> &'s Column {
        &self.sample.columns[at]
    }

    /// A column as the profile names it.
    pub(super) fn reference(&self, at: usize) -> String {
        if self.sample.header { quoted(&self.column(at).name) } else { (at + 1).to_string() }
    }

    /// The first column whose name has one of the words.
    fn named(&self, any_of: &[&str]) -> Option<usize> {
        let hit = |at: &usize| {
            let words = words(&self.column(*at).name);
            !self.taken[*at] && any_of.iter().any(|w| words.contains(*w))
        };
        (0..self.sample.columns.len()).find(hit)
    }

    fn long_columns(&mut self) -> Option<Long> {
        if self.sample.format != Format::Csv || !self.sample.header || self.sample.columns.len() > 7
        {
            return None;
        }
        let value = self.named(&["value", "wert", "valeur", "valor", "reading"])?;
        self.taken[value] = true;
        let signal = self.named(&[
            "signal",
            "parameter",
            "channel",
            "pid",
            "sensor",
            "measurement",
            "kanal",
        ]);
        let Some(signal) = signal else {
            self.taken[value] = false;
            return None;
        };
        self.taken[signal] = true;
        // A column `unit` may as well name the vehicle, so its cells must be units.
        let is_unit = |at: &usize| {
            let cells = filled(self.column(*at));
            2 * cells.iter().filter(|c| Unit::parse(c).is_some()).count() > cells.len()
        };
        let unit = self.named(&["unit", "units", "einheit"]).filter(is_unit);
        if let Some(at) = unit {
            self.taken[at] = true;
        }
        Some(Long { signal, value, unit })
    }

    fn head(&self, form: Format) -> String {
        let mut toml = String::new();
        let (format, why) = match form {
            Format::Csv => ("csv", "lines of cells, a column a signal"),
            Format::LongCsv => ("long_csv", "lines with the name of a signal and its value"),
            Format::JsonLines => ("jsonl", "the first line is an object in braces"),
            Format::Parquet => ("parquet", "by the name of the file"),
            Format::Raw => ("raw", "cells with diagnostic responses in hexadecimal digits"),
            Format::Capture => ("capture", "lines with a time, an interface and a frame"),
        };
        let _ = writeln!(toml, "format = \"{format}\"   # {why}");
        if matches!(form, Format::Csv | Format::LongCsv | Format::Raw) {
            let mark = if self.sample.delimiter == b'\t' {
                "tab".to_owned()
            } else {
                char::from(self.sample.delimiter).to_string()
            };
            let columns = self.sample.columns.len();
            let _ = writeln!(
                toml,
                "delimiter = \"{mark}\"   # it cuts most lines into {columns} cells"
            );
        }
        if self.sample.numbers.decimal == b',' {
            let _ = writeln!(toml, "decimal = \",\"   # cells such as 12,5");
        }
        if self.sample.numbers.thousands.is_some() {
            let _ = writeln!(toml, "thousands = \".\"   # cells such as 1.234,5");
        }
        if !self.sample.header {
            let _ = writeln!(toml, "header = false   # the first line holds numbers");
        }
        if let Some(mark) = self.sample.comment {
            let _ = writeln!(toml, "comment = \"{mark}\"   # the first line begins with it");
        }
        if self.sample.skip_lines > 0 {
            let _ = writeln!(
                toml,
                "skip_lines = {}   # shorter lines in front of the table",
                self.sample.skip_lines
            );
        }
        toml
    }

    fn vehicle(&mut self, file_name: &str) -> String {
        let by_name = self.named(&[
            "vehicle",
            "car",
            "vin",
            "unit",
            "asset",
            "device",
            "plate",
            "fahrzeug",
            "kennzeichen",
            "truck",
            "van",
            "fleet",
        ]);
        // `vehicle speed` names no vehicle.
        if let Some(at) = by_name.filter(|at| signal_of(&self.column(*at).name).is_none()) {
            self.taken[at] = true;
            return format!("[vehicle]\ncolumn = {}   # by its name\n", self.reference(at));
        }
        let stem = file_name.split(['.', '_']).next().unwrap_or("").trim();
        self.undecided.push("the vehicle: no column names it".to_owned());
        if self.vehicle_in_name {
            return "[vehicle]\nfrom = \"file_name\"   # assumed\n".to_owned();
        }
        format!(
            "[vehicle]\nfixed = {}   # assumed from the file name\n",
            quoted(if stem.is_empty() { "V1" } else { stem })
        )
    }

    fn trip(&mut self) -> String {
        match self.named(&["trip", "drive", "journey", "session", "fahrt", "trajet"]) {
            Some(at) if signal_of(&self.column(at).name).is_none() => {
                self.taken[at] = true;
                format!("[trip]\ncolumn = {}   # by its name\n\n", self.reference(at))
            }
            _ => "# no column names the trip: a gap in the times starts a new one\n\n".to_owned(),
        }
    }

    fn signals(&mut self) -> String {
        let mut lines: Vec<(Signal, String)> = Vec::new();
        let mut rest = Vec::new();
        for at in 0..self.sample.columns.len() {
            let column = self.column(at);
            let signal = signal_of(&column.name).filter(|_| self.sample.header);
            let values = numbers(column, self.sample.numbers);
            match signal {
                Some(signal) if never_zero(signal) && range(&values) == (0.0, 0.0) => {
                    let name = printable(&column.name);
                    rest.push(format!("{name} (0 in every row, so the vehicle does not tell it)"));
                }
                Some(signal) if lines.iter().all(|(s, _)| *s != signal) && !values.is_empty() => {
                    let entry = self.entry(signal, &self.reference(at), &column.name, column);
                    lines.push((signal, entry));
                }
                _ if self.taken[at] => {}
                _ => rest.push(self.note(at)),
            }
        }
        self.columns_section(lines, rest)
    }

    /// What a column that is not read seems to hold.
    pub(super) fn note(&self, at: usize) -> String {
        let column = self.column(at);
        range_note(&column.name, &numbers(column, self.sample.numbers))
    }

    fn long_signals(&mut self, long: &Long) -> String {
        let mut by_name: std::collections::BTreeMap<String, Column> =
            std::collections::BTreeMap::new();
        let pairs = self.column(long.signal).cells.iter().zip(&self.column(long.value).cells);
        for (name, cell) in pairs {
            let column = by_name
                .entry(name.clone())
                .or_insert_with(|| Column { name: name.clone(), cells: Vec::new() });
            column.cells.push(cell.clone());
        }
        let mut lines: Vec<(Signal, String)> = Vec::new();
        let mut rest = Vec::new();
        for (name, column) in by_name {
            match signal_of(&name).filter(|s| lines.iter().all(|(known, _)| known != s)) {
                Some(signal) => {
                    let entry = self.entry(signal, &quoted(&name), &name, &column);
                    lines.push((signal, entry));
                }
                None => rest.push(range_note(&name, &numbers(&column, self.sample.numbers))),
            }
        }
        let mut head = format!(
            "[long]\nsignal = {}   # by its name\nvalue = {}   # by its name\n",
            self.reference(long.signal),
            self.reference(long.value)
        );
        if let Some(at) = long.unit {
            let _ = writeln!(head, "unit = {}   # by its name", self.reference(at));
        }
        head + "\n" + &self.columns_section(lines, rest)
    }

    /// One line of `[columns]` with its evidence.
    fn entry(&mut self, signal: Signal, reference: &str, name: &str, column: &Column) -> String {
        let values = numbers(column, self.sample.numbers);
        let (min, max) = range(&values);
        let in_cells = cell_unit(column, self.sample.numbers)
            .filter(|unit| unit.to(canonical_unit(signal)).is_some());
        let (unit, why) = if let Some(unit) = in_cells {
            (unit, "unit in the cells".to_owned())
        } else if let Some(unit) = unit_in_name(name, signal) {
            (unit, "unit in the name".to_owned())
        } else if let Some((unit, why)) = unit_by_range(signal, min, max) {
            (unit, format!("unit by its range: {why}"))
        } else {
            let unit = canonical_unit(signal);
            let choices = Unit::symbols_for(unit);
            if choices.len() > 1 {
                self.undecided.push(format!(
                    "the unit of {} ({min} to {max}): {} is assumed of {}",
                    printable(name),
                    unit.symbol(),
                    choices.join(", ")
                ));
            }
            (unit, "unit assumed".to_owned())
        };
        format!(
            "{} = {{ column = {reference}, unit = \"{}\" }}   # {why}; {} values from {min} to {max}",
            signal.spec().name,
            unit.symbol(),
            values.len()
        )
    }

    fn columns_section(&mut self, mut lines: Vec<(Signal, String)>, rest: Vec<String>) -> String {
        lines.sort_by_key(|(signal, _)| *signal);
        self.needed(&lines.iter().map(|(s, _)| *s).collect(), "column seems to be it");
        let mut toml = "[columns]\n".to_owned();
        for (_, line) in lines {
            let _ = writeln!(toml, "{line}");
        }
        for note in rest {
            let _ = writeln!(toml, "# not read: {note}");
        }
        toml
    }
}

/// Signals that are never zero on a vehicle that tells them.
fn never_zero(signal: Signal) -> bool {
    matches!(signal, Signal::CmdEquiv | Signal::MapKpa | Signal::BaroKpa | Signal::ModuleV)
}

pub(super) fn filled(column: &Column) -> Vec<&str> {
    column.cells.iter().map(String::as_str).filter(|c| !c.is_empty()).collect()
}

pub(super) fn numbers(column: &Column, form: NumberForm) -> Vec<f64> {
    column.cells.iter().filter_map(|c| any_decimal(c.as_bytes(), form)).map(|(n, _)| n).collect()
}

fn range(values: &[f64]) -> (f64, f64) {
    values.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(min, max), v| {
        (if *v < min { *v } else { min }, if *v > max { *v } else { max })
    })
}

/// The unit that follows the numbers of a column, if one follows most of them.
fn cell_unit(column: &Column, form: NumberForm) -> Option<Unit> {
    let suffixes: Vec<&str> = column
        .cells
        .iter()
        .filter_map(|c| any_decimal(c.as_bytes(), form).map(|(_, used)| c[used..].trim()))
        .collect();
    let first = suffixes.iter().find(|s| !s.is_empty())?;
    let share = suffixes.iter().filter(|s| *s == first).count();
    Unit::parse(first).filter(|_| 2 * share > suffixes.len())
}

fn range_note(name: &str, values: &[f64]) -> String {
    let words = words(name);
    let position = ["lat", "lon", "lng", "latitude", "longitude", "gps", "altitude", "bearing"];
    if position.iter().any(|w| words.contains(*w)) {
        return format!("{} (positions are never read)", printable(name));
    }
    match range(values) {
        (min, max) if min <= max => format!("{} ({min} to {max})", printable(name)),
        _ => format!("{} (no numbers)", printable(name)),
    }
}

/// Text from the file without anything that could end a comment or a string.
pub(super) fn printable(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(80).collect()
}

/// Text from the file as a TOML string.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            c if c.is_control() => {
                let _ = write!(out, "\\u{:04X}", u32::from(c));
            }
            c => out.push(c),
        }
    }
    out + "\""
}
