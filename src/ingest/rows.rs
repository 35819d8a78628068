//! The rows of one file while they are read: columns of values, names as numbers, and what was rejected.
//!
//! Comes in: cells, one row at a time, from any format. Goes out: [`Columns`] in the order of the file, for `order`.
//! Never: reads a file, sorts.

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

use super::number::{NumberForm, any_decimal, short_decimal};
use super::profile::{ColumnSpec, Profile, canonical_unit};
use super::{LeftOut, Limits};
use crate::quantity::{Affine, Unit};
use crate::tables::samples::{Reject, RejectCode};

/// No trip named: the gaps between rows decide.
pub(super) const NO_TRIP: u32 = u32::MAX;

/// Earliest believable time, 2000-01-01: no logger of trims is older, and reset clocks start in 1970 or 1980.
const EARLIEST_US: i64 = 946_684_800_000_000;

/// Longest vehicle or trip name, bytes.
const NAME_BYTES_MAX: usize = 128;

/// Longest raw text kept of a reject, characters.
const RAW_CHARS_MAX: usize = 200;

/// Rows in the order of the file. All vectors have the same length.
#[derive(Debug, Default)]
pub(super) struct Columns {
    /// UTC or local microseconds, or elapsed microseconds, as the profile's time form says.
    pub(super) time: Vec<i64>,
    pub(super) vehicle: Vec<u32>,
    pub(super) trip: Vec<u32>,
    pub(super) row: Vec<u64>,
    /// Rows of the source that make up each row; empty if each stands for itself.
    pub(super) lines: Vec<u32>,
    /// One vector per column that the file carries.
    pub(super) values: Vec<Vec<f64>>,
}

impl Columns {
    pub(super) fn new(values: usize, capacity: usize) -> Columns {
        Columns {
            time: Vec::with_capacity(capacity),
            vehicle: Vec::with_capacity(capacity),
            trip: Vec::with_capacity(capacity),
            row: Vec::with_capacity(capacity),
            lines: Vec::new(),
            values: (0..values).map(|_| Vec::with_capacity(capacity)).collect(),
        }
    }

    pub(super) fn len(&self) -> usize {
        self.time.len()
    }

    /// Rows of the source that row `row` stands for.
    pub(super) fn weight(&self, row: usize) -> u64 {
        self.lines.get(row).map_or(1, |n| u64::from(*n))
    }

    /// Cuts off everything from row `at`.
    pub(super) fn split_off(&mut self, at: usize) -> Columns {
        Columns {
            time: self.time.split_off(at),
            vehicle: self.vehicle.split_off(at),
            trip: self.trip.split_off(at),
            row: self.row.split_off(at),
            lines: if self.lines.is_empty() { Vec::new() } else { self.lines.split_off(at) },
            values: self.values.iter_mut().map(|v| v.split_off(at)).collect(),
        }
    }

    /// Puts `self` in front of `later`.
    pub(super) fn append(&mut self, mut later: Columns) {
        self.time.append(&mut later.time);
        self.vehicle.append(&mut later.vehicle);
        self.trip.append(&mut later.trip);
        self.row.append(&mut later.row);
        self.lines.append(&mut later.lines);
        for (values, later) in self.values.iter_mut().zip(&mut later.values) {
            values.append(later);
        }
    }
}

/// How the number in one column becomes a value of its signal.
#[derive(Debug, Clone)]
pub(super) struct Measure {
    pub(super) spec: ColumnSpec,
    map: Affine,
    min: f64,
    max: f64,
    slack: f64,
    /// First value out of range that was left out; `None` where a row cannot do without the value.
    left_out: Option<Arc<OnceLock<f64>>>,
    /// Every number stands for itself: none is a word or a marker of 'not available'.
    pub(super) plain: bool,
}

impl Measure {
    pub(super) fn new(spec: &ColumnSpec, profile: &Profile) -> Measure {
        let signal = spec.signal.spec();
        // A converted full-scale reading may miss the bound by the rounding of the factor.
        let slack = if spec.map.is_identity() { 0.0 } else { 1e-6 * (1.0 + signal.max.abs()) };
        let is_number = |text: &Vec<u8>| any_decimal(text, profile.numbers).is_some();
        let words = spec.words.iter().map(|(word, _)| word);
        let plain = !profile.nulls.iter().chain(words).any(is_number);
        Measure {
            spec: spec.clone(),
            map: spec.map,
            min: signal.min,
            max: signal.max,
            slack,
            left_out: spec.signal.is_running_total().then(Arc::default),
            plain,
        }
    }

    /// The value in the canonical unit, or out of range.
    #[inline(always)]
    pub(super) fn value(&self, number: f64) -> Result<f64, RejectCode> {
        self.in_range(self.map.scale * number + self.map.offset)
    }

    #[inline(always)]
    fn in_range(&self, value: f64) -> Result<f64, RejectCode> {
        if value >= self.min - self.slack && value <= self.max + self.slack {
            Ok(value.clamp(self.min, self.max))
        } else {
            self.beyond(value)
        }
    }

    /// One value out of range costs the whole row, as the unit cannot be trusted; but where the row can do without it, a counter
    /// that stands at a marker of its own would cost the vehicle all that it logs.
    #[cold]
    fn beyond(&self, value: f64) -> Result<f64, RejectCode> {
        let Some(first) = &self.left_out else { return Err(RejectCode::OutOfRange) };
        first.get_or_init(|| value);
        Ok(f64::NAN)
    }

    /// The first value that was left out as out of range, if any was.
    pub(super) fn left_out(&self) -> Option<LeftOut> {
        let value = *self.left_out.as_ref()?.get()?;
        Some(LeftOut { signal: self.spec.signal.spec().name, value, most: self.max })
    }

    /// The value of a number that came as a number.
    pub(super) fn number(&self, number: f64, reading: &Reading) -> Result<f64, RejectCode> {
        if self.plain {
            return self.value(number);
        }
        let text =
            number.to_string().replace('.', &char::from(reading.numbers.decimal).to_string());
        self.any(text.as_bytes(), reading)
    }

    /// The value of a trimmed cell in any form: empty, a null marker, a word, a number, a number with its unit.
    pub(super) fn any(&self, cell: &[u8], reading: &Reading) -> Result<f64, RejectCode> {
        if self.plain
            && let Some((number, used)) = short_decimal(cell, reading.numbers.decimal)
            && used == cell.len()
        {
            return self.value(number);
        }
        if reading.is_null(cell) {
            return Ok(f64::NAN);
        }
        if let Some((_, number)) = self.spec.words.iter().find(|(word, _)| same_word(cell, word)) {
            return self.value(*number);
        }
        let Some((number, used)) = any_decimal(cell, reading.numbers) else {
            return Err(match std::str::from_utf8(cell) {
                Ok(_) => RejectCode::NotANumber,
                Err(_) => RejectCode::BadEncoding,
            });
        };
        let suffix = cell[used..].trim_ascii();
        if suffix.is_empty() {
            return self.value(number);
        }
        let text = std::str::from_utf8(suffix).map_err(|_| RejectCode::BadEncoding)?;
        self.with_unit(number, text)
    }

    /// The value of a number that brings its own unit.
    pub(super) fn with_unit(&self, number: f64, unit: &str) -> Result<f64, RejectCode> {
        let Some(unit) = Unit::parse(unit) else {
            return Err(RejectCode::NotANumber);
        };
        let map = unit.to(canonical_unit(self.spec.signal)).ok_or(RejectCode::BadUnit)?;
        self.in_range(map.apply(number))
    }
}

/// How cells are written.
#[derive(Debug, Clone)]
pub(super) struct Reading {
    pub(super) numbers: NumberForm,
    nulls: Vec<Vec<u8>>,
    /// By first byte: whether a marker may begin with it. Most cells are settled by this.
    null_starts: [bool; 256],
}

impl Reading {
    pub(super) fn new(profile: &Profile) -> Reading {
        let mut null_starts = [false; 256];
        // Letters beyond ASCII may become ASCII in lower case.
        null_starts[128..].fill(true);
        for start in profile.nulls.iter().filter_map(|marker| marker.first()) {
            null_starts[usize::from(*start)] = true;
            null_starts[usize::from(start.to_ascii_uppercase())] = true;
        }
        Reading { numbers: profile.numbers, nulls: profile.nulls.clone(), null_starts }
    }

    pub(super) fn is_null(&self, cell: &[u8]) -> bool {
        let Some(first) = cell.first() else { return true };
        self.null_starts[usize::from(*first)]
            && self.nulls.iter().any(|marker| same_word(cell, marker))
    }
}

fn same_word(cell: &[u8], lower: &[u8]) -> bool {
    if cell.is_ascii() {
        return cell.eq_ignore_ascii_case(lower);
    }
    std::str::from_utf8(cell).is_ok_and(|text| text.to_lowercase().as_bytes() == lower)
}

/// Whether a time can be of a trip.
#[inline]
pub(super) fn believable(us: i64, limits: &Limits) -> bool {
    us >= EARLIEST_US && us <= limits.latest_us
}

/// Names as numbers, in the order in which they appeared.
#[derive(Debug, Default)]
pub(super) struct Names {
    names: Vec<String>,
    /// Keyed by the bytes as read, which differ from the name if it is a pseudonym.
    known: BTreeMap<Vec<u8>, u32>,
    raw: Vec<Vec<u8>>,
    /// The name that followed each name last time: vehicles often take turns.
    next: Vec<u32>,
    last: u32,
}

impl Names {
    pub(super) fn name(&self, id: u32) -> &str {
        self.names.get(id as usize).map_or("", String::as_str)
    }

    pub(super) fn len(&self) -> usize {
        self.names.len()
    }

    /// The number of a new name that is not written in the log.
    pub(super) fn add(&mut self, name: String) -> u32 {
        let id = self.names.len() as u32;
        self.raw.push(Vec::new());
        self.names.push(name);
        self.next.push(id);
        id
    }

    /// The number of the name in a trimmed cell, if it is that of the row before.
    #[inline]
    pub(super) fn again(&self, cell: &[u8]) -> Option<u32> {
        let raw = self.raw.get(self.last as usize)?;
        (raw == cell && !cell.is_empty()).then_some(self.last)
    }

    /// The number of the name in a trimmed cell that is not empty.
    pub(super) fn id(&mut self, cell: &[u8], limits: &Limits) -> Result<u32, RejectCode> {
        let last = self.last as usize;
        let guess = self.next.get(last).copied().unwrap_or(0);
        let id = if self.raw.get(guess as usize).is_some_and(|raw| raw == cell) {
            guess
        } else {
            self.look_up(cell, limits)?
        };
        if let Some(next) = self.next.get_mut(last) {
            *next = id;
        }
        self.last = id;
        Ok(id)
    }

    fn look_up(&mut self, cell: &[u8], limits: &Limits) -> Result<u32, RejectCode> {
        if let Some(id) = self.known.get(cell) {
            return Ok(*id);
        }
        let name = checked_name(cell)?;
        let id = self.names.len() as u32;
        self.names.push(match &limits.pseudonym_key {
            Some(key) => super::pseudonym(key, name),
            None => name.to_owned(),
        });
        self.known.insert(cell.to_vec(), id);
        self.raw.push(cell.to_vec());
        self.next.push(id);
        Ok(id)
    }
}

/// A vehicle or trip name: UTF-8, no control characters, not too long.
pub(super) fn checked_name(cell: &[u8]) -> Result<&str, RejectCode> {
    let name = std::str::from_utf8(cell).map_err(|_| RejectCode::BadEncoding)?;
    if name.len() > NAME_BYTES_MAX || name.chars().any(char::is_control) {
        return Err(RejectCode::BadVehicle);
    }
    Ok(name)
}

/// Why a row cannot be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fault {
    pub(super) code: RejectCode,
    /// Column position in the file, if one column is at fault.
    pub(super) column: Option<usize>,
}

/// What was rejected: a bounded list and full counts.
#[derive(Debug, Default)]
pub(super) struct Rejects {
    list: Vec<Reject>,
    listed: usize,
    kept_max: usize,
    /// Raw text of whole rows is left out: it may hold columns that nobody asked for, such as positions.
    pub(super) hide_rows: bool,
    /// Raw text is left out altogether.
    hide_all: bool,
    pub(super) by_code: BTreeMap<RejectCode, u64>,
    pub(super) total: u64,
    /// Rows below this one were counted by an earlier run.
    pub(super) first_new_row: u64,
    pub(super) new_by_code: BTreeMap<RejectCode, u64>,
}

impl Rejects {
    pub(super) fn new(limits: &Limits) -> Rejects {
        Rejects {
            kept_max: limits.rejects_kept_max,
            hide_all: limits.pseudonym_key.is_some(),
            ..Rejects::default()
        }
    }

    /// Rejects one row; `column` is empty if the whole row is at fault.
    pub(super) fn add(&mut self, row: u64, column: &str, code: RejectCode, raw: &[u8]) {
        self.add_rows(1, row, column, code, raw);
    }

    /// Rejects several rows of the source that together made one sample; the first of them is noted.
    pub(super) fn add_rows(
        &mut self,
        rows: u64,
        row: u64,
        column: &str,
        code: RejectCode,
        raw: &[u8],
    ) {
        self.total += rows;
        *self.by_code.entry(code).or_default() += rows;
        if row >= self.first_new_row {
            *self.new_by_code.entry(code).or_default() += rows;
        }
        if self.listed == self.kept_max {
            return;
        }
        self.listed += 1;
        let hidden = self.hide_all || (self.hide_rows && column.is_empty());
        let raw = if hidden { "(not kept)".to_owned() } else { shortened(raw) };
        self.list.push(Reject { row, column: column.to_owned(), code, raw });
    }

    /// The rejects since the last call, sorted by row.
    pub(super) fn take(&mut self) -> Vec<Reject> {
        let mut list = std::mem::take(&mut self.list);
        list.sort_by_key(|r| r.row);
        list
    }
}

fn shortened(raw: &[u8]) -> String {
    // Four bytes hold any character, so the cut is never felt in the characters kept.
    let text = String::from_utf8_lossy(&raw[..raw.len().min(4 * RAW_CHARS_MAX)]);
    text.trim_end_matches(['\r', '\n']).chars().take(RAW_CHARS_MAX).collect()
}
