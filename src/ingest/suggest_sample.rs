//! The first rows of an unknown file, as columns of text.
//!
//! Comes in: a path. Goes out: what the file seems to be made of and its first cells. Never: guesses a meaning.

use std::collections::BTreeMap;
use std::path::Path;

use super::csv_rows::cells;
use super::line_rows::without_return;
use super::number::{NumberForm, any_decimal};
use super::profile::{Encoding, Format};
use super::raw::parse_capture_line;
use super::source::{Block, Text};
use super::{IngestError, Limits};

/// Rows looked at.
pub(super) const ROWS: usize = 2_000;

/// One column of the sample.
#[derive(Debug, Clone, Default)]
pub(super) struct Column {
    /// Name in the header; its number if there is none.
    pub(super) name: String,
    /// Trimmed cells.
    pub(super) cells: Vec<String>,
}

/// The start of a file.
#[derive(Debug)]
pub(super) struct Sample {
    pub(super) format: Format,
    pub(super) delimiter: u8,
    pub(super) numbers: NumberForm,
    pub(super) header: bool,
    pub(super) comment: Option<&'static str>,
    pub(super) skip_lines: usize,
    pub(super) columns: Vec<Column>,
}

/// Reads the start of a file.
pub(super) fn sample(path: &Path, limits: &Limits) -> Result<Sample, IngestError> {
    if path.extension().is_some_and(|e| e.eq_ignore_ascii_case("parquet")) {
        let columns = super::parquet::sample(path, ROWS)?;
        return Ok(Sample { format: Format::Parquet, columns, ..Sample::empty() });
    }
    let mut text = Text::open(path, Encoding::Auto, limits)?;
    let start = match text.next()? {
        Some(Block::Lines(block) | Block::Tail(block)) => block.to_vec(),
        Some(Block::Overlong(_)) => {
            return Err(IngestError::LongHeader {
                path: path.to_path_buf(),
                limit: limits.line_bytes_max,
            });
        }
        None => return Err(IngestError::Empty { path: path.to_path_buf() }),
    };
    let lines = start.split(|b| *b == b'\n').map(without_return);
    let lines: Vec<&[u8]> = lines.filter(|l| !l.trim_ascii().is_empty()).take(ROWS + 100).collect();
    match lines.first() {
        None => Err(IngestError::Empty { path: path.to_path_buf() }),
        Some(line) if line.trim_ascii_start().starts_with(b"{") => Ok(Sample {
            format: Format::JsonLines,
            columns: json_columns(&lines),
            ..Sample::empty()
        }),
        Some(_) if is_capture(&lines) => {
            let cells = lines.iter().map(|l| String::from_utf8_lossy(l).into_owned()).collect();
            let columns = vec![Column { name: "frame".to_owned(), cells }];
            Ok(Sample { format: Format::Capture, columns, ..Sample::empty() })
        }
        Some(_) => Ok(delimited(&lines)),
    }
}

impl Sample {
    fn empty() -> Sample {
        Sample {
            format: Format::Csv,
            delimiter: b',',
            numbers: NumberForm::POINT,
            header: true,
            comment: None,
            skip_lines: 0,
            columns: Vec::new(),
        }
    }
}

/// Whether most of the first lines are frames of a CAN capture.
fn is_capture(lines: &[&[u8]]) -> bool {
    let looked_at = &lines[..lines.len().min(200)];
    let is_frame = |line: &[u8]| {
        std::str::from_utf8(line).is_ok_and(|text| matches!(parse_capture_line(text), Ok(Some(_))))
    };
    2 * looked_at.iter().filter(|line| is_frame(line)).count() > looked_at.len()
}

fn delimited(lines: &[&[u8]]) -> Sample {
    let comment = ["#", "//", "%"].into_iter().find(|mark| lines[0].starts_with(mark.as_bytes()));
    let lines: Vec<&[u8]> = lines
        .iter()
        .copied()
        .filter(|l| comment.is_none_or(|c| !l.starts_with(c.as_bytes())))
        .collect();
    // The mark that cuts most lines into the same number of cells, and into most cells.
    let (delimiter, width, _) = [b',', b';', b'\t', b'|']
        .into_iter()
        .map(|mark| {
            let (width, lines) = common_width(&lines, mark);
            (mark, width, if width > 1 { lines * width } else { 0 })
        })
        .max_by_key(|(_, _, weight)| *weight)
        .unwrap_or((b',', 1, 0));
    let rows: Vec<Vec<String>> = lines.iter().map(|line| texts(line, delimiter)).collect();
    let skip_lines =
        rows.iter().take_while(|r| !has_width(r, width)).count().min(rows.len().saturating_sub(1));
    let numbers = number_form(rows.iter().skip(skip_lines).flatten(), delimiter);
    let first = rows.get(skip_lines).cloned().unwrap_or_default();
    let header = first.iter().all(|cell| any_decimal(cell.as_bytes(), numbers).is_none());
    let mut columns: Vec<Column> = first
        .iter()
        .enumerate()
        .map(|(at, name)| Column {
            name: if header { name.clone() } else { (at + 1).to_string() },
            cells: Vec::new(),
        })
        .collect();
    if header && columns.len() > 1 && columns.last().is_some_and(|c| c.name.is_empty()) {
        columns.pop();
    }
    for row in rows.iter().skip(skip_lines + usize::from(header)).take(ROWS) {
        for (column, cell) in columns.iter_mut().zip(row) {
            column.cells.push(cell.clone());
        }
    }
    Sample { delimiter, numbers, header, comment, skip_lines, columns, ..Sample::empty() }
}

fn texts(line: &[u8], delimiter: u8) -> Vec<String> {
    cells(line, delimiter, Some(b'"'))
        .iter()
        .map(|c| String::from_utf8_lossy(c).into_owned())
        .collect()
}

/// An empty last cell may be there or not.
fn has_width(row: &[String], width: usize) -> bool {
    row.len() == width || (row.len() == width + 1 && row.last().is_some_and(String::is_empty))
}

/// The number of cells that most lines have, and how many do. A mark at the end of every line ends no cell, but a last
/// cell that only the head fills is one.
fn common_width(lines: &[&[u8]], delimiter: u8) -> (usize, usize) {
    let mut counts: BTreeMap<usize, (usize, bool)> = BTreeMap::new();
    for line in lines.iter().take(200) {
        let row = texts(line, delimiter);
        let count = counts.entry(row.len()).or_default();
        count.0 += 1;
        count.1 |= row.last().is_some_and(|last| !last.is_empty());
    }
    let most = counts.into_iter().max_by_key(|(width, (count, _))| (*count, *width));
    most.map_or((0, 0), |(width, (count, fills_last))| {
        (width - usize::from(width > 1 && !fills_last), count)
    })
}

/// Decimal comma if cells such as `12,5` outnumber cells such as `12.5`.
fn number_form<'a>(cells: impl Iterator<Item = &'a String>, delimiter: u8) -> NumberForm {
    let (mut commas, mut points, mut both) = (0, 0, 0);
    for cell in cells.take(20_000) {
        let digits = cell.trim_start_matches('-').trim_end_matches(|c: char| !c.is_ascii_digit());
        if digits.is_empty()
            || !digits.bytes().all(|b| b.is_ascii_digit() || matches!(b, b',' | b'.'))
        {
            continue;
        }
        // More than one point is a date or a number in groups.
        let (c, p) = (digits.matches(',').count(), digits.matches('.').count());
        commas += usize::from(c == 1 && p == 0);
        points += usize::from(p == 1 && c == 0);
        both += usize::from(c == 1 && p > 0 && digits.rfind(',') > digits.rfind('.'));
    }
    if delimiter != b',' && commas + both > points {
        return NumberForm { decimal: b',', thousands: (both > 0).then_some(b'.') };
    }
    NumberForm::POINT
}

fn json_columns(lines: &[&[u8]]) -> Vec<Column> {
    let mut columns: BTreeMap<String, Column> = BTreeMap::new();
    for line in lines.iter().take(ROWS) {
        if let Ok(serde_json::Value::Object(members)) = serde_json::from_slice(line) {
            flatten("", &members, &mut columns);
        }
    }
    columns.into_values().collect()
}

/// The members of an object and of the objects in it, up to a few levels.
fn flatten(
    prefix: &str,
    members: &serde_json::Map<String, serde_json::Value>,
    columns: &mut BTreeMap<String, Column>,
) {
    for (name, value) in members {
        let full = format!("{prefix}{name}");
        let cell = match value {
            serde_json::Value::Object(inner) if full.matches('.').count() < 4 => {
                flatten(&format!("{full}."), inner, columns);
                continue;
            }
            serde_json::Value::String(text) => text.trim().to_owned(),
            serde_json::Value::Number(number) => number.to_string(),
            serde_json::Value::Bool(flag) => u8::from(*flag).to_string(),
            serde_json::Value::Null
            | serde_json::Value::Array(_)
            | serde_json::Value::Object(_) => String::new(),
        };
        if columns.len() < 1000 || columns.contains_key(&full) {
            let column = columns
                .entry(full.clone())
                .or_insert_with(|| Column { name: full, cells: Vec::new() });
            column.cells.push(cell);
        }
    }
}
