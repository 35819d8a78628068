//! What was read from a file beside what stands in it, for a person who checks a profile.
//!
//! Comes in: the first file of a source. Goes out: text of at most 80 columns, without control characters: the first
//! rows a signal a line, the first rejected rows, and what file and profile have that the other lacks.
//! Never: writes anywhere else.

use crate::ingest::{Limits, Origin, Part, Profile, ReadError, look, read_file};
use crate::report::terminal::{cut, display_width, padded};
use crate::tables::samples::{Reject, RejectCode, Samples, Signal};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::Path;

/// Rows shown of each source.
const ROWS_SHOWN: usize = 3;

/// Rejected rows shown of each source.
const REJECTS_SHOWN: usize = 5;

/// Lines of raw traffic shown of a row.
const LINES_SHOWN: usize = 12;

/// Width of the terminal that the text is made for, columns.
const COLUMNS: usize = 80;

/// Columns kept of the name of a column in front of its cell.
const COLUMN_NAME: usize = 20;

/// One sample as it was read.
struct Shown {
    row: u64,
    time_us: i64,
    vehicle: String,
    trip: String,
    values: Vec<(Signal, f64)>,
}

/// Reads the file as a run would and appends what a person must see to judge the profile.
pub(super) fn side_by_side(
    path: &Path,
    profile: &Profile,
    limits: &Limits,
    text: &mut String,
) -> Result<(), ReadError<()>> {
    let mut shown: Vec<Shown> = Vec::new();
    let mut rejects: Vec<Reject> = Vec::new();
    let end: Result<_, ReadError<()>> = read_file(path, profile, limits, None, &mut |chunk| {
        if shown.is_empty() {
            shown = first_rows(&chunk.samples);
        }
        let room = REJECTS_SHOWN - rejects.len();
        rejects.extend(chunk.rejects.into_iter().take(room));
        Ok(())
    });
    let report = end?;
    let rows: BTreeSet<u64> =
        shown.iter().map(|s| s.row).chain(rejects.iter().map(|r| r.row)).collect();
    let written = look(path, profile, limits, &rows)?;
    let _ = writeln!(
        text,
        "  {}: {} rows read, {} kept, {} rejected",
        path.display().to_string().escape_debug(),
        report.rows_read,
        report.rows_kept,
        report.rows_rejected
    );
    list("the profile asks for, the file lacks", &report.signals_absent, text);
    list("the file has, the profile does not read", &report.columns_unread, text);
    let left_out: Vec<String> = report.left_out.iter().map(ToString::to_string).collect();
    list("out of range and taken as not available", &left_out, text);
    for sample in &shown {
        show_sample(sample, written.get(&sample.row).map_or(&[], Vec::as_slice), text);
    }
    if !rejects.is_empty() {
        let count = |(code, n): (&RejectCode, &u64)| format!("{n} {}", code.as_str());
        let counts: Vec<String> = report.rejected_by_code.iter().map(count).collect();
        list("rejected", &counts, text);
        for reject in &rejects {
            show_reject(reject, &written, text);
        }
    }
    Ok(())
}

/// The samples with the smallest row numbers.
fn first_rows(samples: &Samples) -> Vec<Shown> {
    let mut order: Vec<usize> = (0..samples.len()).collect();
    order.sort_by_key(|i| samples.row[*i]);
    let value = |signal: &Signal, i: usize| Some((*signal, samples.signal(*signal)?[i]));
    let shown = |i: usize| Shown {
        row: samples.row[i],
        time_us: samples.time_us[i],
        vehicle: samples.vehicles[samples.vehicle[i] as usize].clone(),
        trip: samples.trips[samples.trip[i] as usize].clone(),
        values: Signal::ALL.iter().filter_map(|s| value(s, i)).collect(),
    };
    order.into_iter().take(ROWS_SHOWN).map(shown).collect()
}

/// A row a signal a line: as it was read, then as it stands in the file.
fn show_sample(sample: &Shown, written: &[Origin], text: &mut String) {
    let row = format!("row {}", sample.row);
    line(&format!("    {row:19} {:>11}          as written", "as read"), text);
    let time = jiff::Timestamp::from_microsecond(sample.time_us)
        .map_or(String::new(), |t| t.strftime("%Y-%m-%d %H:%M:%S%.3fZ").to_string());
    let names = [("time (UTC)", Part::Time, &time), ("vehicle", Part::Vehicle, &sample.vehicle)];
    for (name, part, value) in names.into_iter().chain([("trip", Part::Trip, &sample.trip)]) {
        let value = cut(&value.escape_debug().to_string(), 24);
        beside(&format!("    {name:19} {}", padded(&value, 20)), part, written, text);
    }
    for (signal, value) in &sample.values {
        let part = Part::Signal(*signal);
        // Raw traffic fills what was asked for; the rest of a long list is silence.
        if value.is_nan() && !written.iter().any(|o| o.part == part) {
            continue;
        }
        let spec = signal.spec();
        let unit = if value.is_nan() { "" } else { spec.unit };
        let read = format!("    {:19} {:>11} {unit:8}", spec.name, number(*value));
        beside(&read, part, written, text);
    }
    let lines: Vec<&Origin> = written.iter().filter(|o| o.part == Part::Line).collect();
    for origin in lines.iter().take(LINES_SHOWN) {
        line(&format!("      {}", cell(origin, COLUMNS - 6)), text);
    }
    if let Some(more) = lines.len().checked_sub(LINES_SHOWN).filter(|n| *n > 0) {
        line(&format!("      and {more} more lines of the same interval"), text);
    }
}

/// What was read, and beside it the raw text that it was read from.
fn beside(read: &str, part: Part, written: &[Origin], text: &mut String) {
    let room = COLUMNS.saturating_sub(display_width(read) + 1);
    let cells: Vec<&Origin> = written.iter().filter(|o| o.part == part).collect();
    let each = room / cells.len().max(1);
    let cells: Vec<String> = cells.iter().map(|o| cell(o, each.saturating_sub(2))).collect();
    line(&format!("{read} {}", cells.join(", ")), text);
}

/// A rejected row: where, why, the raw text, and what the signal could hold.
fn show_reject(reject: &Reject, written: &BTreeMap<u64, Vec<Origin>>, text: &mut String) {
    let column = match reject.column.as_str() {
        "" => "the whole row".to_owned(),
        name => format!("`{}`", cut(&name.escape_debug().to_string(), COLUMN_NAME)),
    };
    let raw = reject.raw.escape_debug();
    line(&format!("    row {}, {column}: {}: {raw}", reject.row, reject.code.as_str()), text);
    let pieces = written.get(&reject.row).map_or(&[][..], Vec::as_slice);
    let signals = || pieces.iter().filter(|o| matches!(o.part, Part::Signal(_)));
    // In the long form the column at fault holds all signals; the row's own piece stands first.
    let origin = signals().find(|o| o.column == reject.column).or_else(|| signals().next());
    let about_a_value = matches!(
        reject.code,
        RejectCode::NotANumber | RejectCode::OutOfRange | RejectCode::BadUnit
    );
    if about_a_value && let Some(Origin { part: Part::Signal(signal), .. }) = origin {
        let spec = signal.spec();
        let range = format!("{} to {} {}", spec.min, spec.max, spec.unit);
        line(&format!("      it is read as {}, which is {range}", spec.name), text);
    }
}

/// A cell with the name of its column, in so many columns; the cell matters more than the name.
fn cell(origin: &Origin, room: usize) -> String {
    let raw = match origin.text.as_str() {
        "" => "(empty)".to_owned(),
        text => text.escape_debug().to_string(),
    };
    let left = room.saturating_sub(display_width(&raw) + 2).clamp(8, COLUMN_NAME);
    let name = cut(&origin.column.escape_debug().to_string(), left);
    cut(&format!("{name}: {raw}"), room)
}

/// A value in at most 11 characters.
fn number(value: f64) -> String {
    if value.is_nan() {
        return "-".to_owned();
    }
    let whole = value.to_string();
    if whole.len() <= 11 { whole } else { format!("{value:.3}") }
}

/// A labelled list over as many lines as it takes; nothing if it is empty.
fn list<T: AsRef<str>>(label: &str, items: &[T], text: &mut String) {
    if items.is_empty() {
        return;
    }
    let mut row = format!("  {label}:");
    for (i, item) in items.iter().enumerate() {
        let comma = if i + 1 < items.len() { "," } else { "" };
        let item = cut(&item.as_ref().escape_debug().to_string(), COLUMNS - 6);
        if display_width(&row) + display_width(&item) + 2 > COLUMNS {
            line(&row, text);
            row = "   ".to_owned();
        }
        let _ = write!(row, " {item}{comma}");
    }
    line(&row, text);
}

fn line(row: &str, text: &mut String) {
    let _ = writeln!(text, "{}", cut(row.trim_end(), COLUMNS));
}
