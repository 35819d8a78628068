//! The raw text behind rows: what the source wrote, to be held beside what was read from it.
//!
//! Comes in: a path, a profile and the numbers of rows near the start of the file. Goes out: the pieces of text of each
//! row, each with its column and what it is for; for rows that are gathered from several lines, the pieces of all of
//! them. The file is read again for this, so that ingest carries no text along. Never: decides whether a row is used.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::assembly::Use;
use super::csv_rows::cells;
use super::header::{Header, fold};
use super::json_rows::member_texts;
use super::line_rows::{Body, without_return};
use super::profile::{ColumnRef, Format, Profile};
use super::raw::{Role, parse_capture_line};
use super::source::{Block, Text};
use super::{IngestError, Limits};
use crate::tables::samples::Signal;

/// Lines after the last wanted one that may still belong to it.
const LINES_AFTER: u64 = 1_000;

/// What a piece of raw text is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    /// The time of the row, or its date.
    Time,
    /// The vehicle.
    Vehicle,
    /// The trip.
    Trip,
    /// The value of a signal.
    Signal(Signal),
    /// A whole line of raw diagnostic traffic.
    Line,
}

/// A piece of raw text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Origin {
    /// What it is for.
    pub part: Part,
    /// Where it stands, in the words of the source: a column, a signal of the long form, or a row.
    pub column: String,
    /// The text as written, without space around it.
    pub text: String,
}

/// The raw text of the rows numbered `rows`; rows that are not found are left out.
///
/// With pseudonyms, text that may name a vehicle is left out too.
///
/// # Errors
/// If the file cannot be read.
pub fn look(
    path: &Path,
    profile: &Profile,
    limits: &Limits,
    rows: &BTreeSet<u64>,
) -> Result<BTreeMap<u64, Vec<Origin>>, IngestError> {
    let body = super::read::body(path, profile, limits)?.0;
    let mut found = if profile.format == Format::Parquet {
        let (header, texts) = super::parquet::texts(&body, rows)?;
        let row = |(row, cells): (u64, Vec<(usize, String)>)| (row, origins(&header, cells));
        texts.into_iter().map(row).collect()
    } else {
        let mut looker = Looker::new(body, rows);
        looker.read(path, profile, limits)?;
        looker.found
    };
    if limits.pseudonym_key.is_some() {
        for pieces in found.values_mut() {
            pieces.retain(|o| matches!(o.part, Part::Time | Part::Signal(_)));
        }
    }
    Ok(found)
}

/// The cells of a row with what they are for.
fn origins(header: &Header, cells: Vec<(usize, String)>) -> Vec<Origin> {
    let mut list = Vec::new();
    for (position, text) in cells {
        for purpose in &header.uses[position] {
            let part = match purpose {
                Use::Time | Use::Date => Part::Time,
                Use::Vehicle => Part::Vehicle,
                Use::Trip => Part::Trip,
                Use::Value(index) => Part::Signal(header.measures[*index].spec.signal),
                Use::SignalName | Use::Reading | Use::Unit | Use::Request | Use::Response => {
                    continue;
                }
            };
            list.push(Origin { part, column: header.names[position].clone(), text: text.clone() });
        }
    }
    list
}

/// What the lines of one gathered row share: who, on which bus, in which interval.
type Key = (u32, String, i64);

struct Looker<'a> {
    body: Body<'a>,
    wanted: &'a BTreeSet<u64>,
    header: Option<Header>,
    /// Wanted rows that later lines may still belong to.
    open: Vec<(u64, Key)>,
    found: BTreeMap<u64, Vec<Origin>>,
}

impl<'a> Looker<'a> {
    fn new(body: Body<'a>, wanted: &'a BTreeSet<u64>) -> Looker<'a> {
        let profile = body.profile;
        let header = match profile.format {
            Format::JsonLines => Some(Header::of_profile(profile)),
            // Without columns there is nothing to match.
            Format::Capture => Some(Header::by_number(profile)),
            _ => (!profile.header).then(|| Header::by_number(profile)),
        };
        Looker { body, wanted, header, open: Vec::new(), found: BTreeMap::new() }
    }

    fn read(&mut self, path: &Path, profile: &Profile, limits: &Limits) -> Result<(), IngestError> {
        let last = self.wanted.last().copied().unwrap_or(0) + LINES_AFTER;
        let mut text = Text::open(path, profile.encoding, limits)?;
        while self.body.rows < last {
            let block = match text.next()? {
                Some(Block::Lines(block) | Block::Tail(block)) => block,
                Some(Block::Overlong(_)) => {
                    self.body.rows += u64::from(self.header.is_some());
                    continue;
                }
                None => break,
            };
            for line in block.split(|b| *b == b'\n') {
                if self.body.rows == last {
                    break;
                }
                self.line(without_return(line))?;
            }
        }
        Ok(())
    }

    fn line(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if self.body.passes_over(line) {
            return Ok(());
        }
        let Some(header) = &self.header else {
            self.header = Some(Header::read(line, &self.body)?);
            return Ok(());
        };
        self.body.rows += 1;
        let row = self.body.rows;
        let profile = self.body.profile;
        match profile.format {
            Format::Csv if self.wanted.contains(&row) => {
                let cells = cells(line, profile.delimiter, profile.quote);
                let texts = cells.iter().take(header.uses.len()).map(|c| lossy(c)).enumerate();
                self.found.insert(row, origins(header, texts.collect()));
            }
            Format::JsonLines if self.wanted.contains(&row) => {
                self.found.insert(row, origins(header, member_texts(line, header)));
            }
            Format::LongCsv | Format::Raw => self.cells_of_gathered(line),
            Format::Capture => self.frame(line),
            Format::Csv | Format::JsonLines | Format::Parquet => {}
        }
        Ok(())
    }

    /// A line of which several make a row: long form or raw cells.
    fn cells_of_gathered(&mut self, line: &[u8]) {
        let Some(header) = &self.header else { return };
        let profile = self.body.profile;
        let cells = cells(line, profile.delimiter, profile.quote);
        let texts: Vec<(usize, String)> =
            cells.iter().take(header.uses.len()).map(|c| lossy(c)).enumerate().collect();
        let cell_for = |purpose: Use| {
            let at = header.uses.iter().position(|uses| uses.contains(&purpose))?;
            texts.get(at).map(|(_, text)| text.as_str())
        };
        let assembly = &mut self.body.assembly;
        assembly.begin();
        for (uses, cell) in header.uses.iter().zip(&cells) {
            for purpose in uses {
                // A cell that cannot be read leaves the line without a key.
                let _ = assembly.cell(*purpose, cell);
            }
        }
        let step = match (&profile.long, &profile.raw) {
            (Some(long), _) => long.step_us,
            (None, Some(raw)) => raw.sampling.row_every_us,
            (None, None) => 1,
        };
        let key = assembly
            .key()
            .ok()
            .map(|(vehicle, us)| (vehicle, String::new(), us.div_euclid(step.max(1))));
        let row = self.body.rows;
        let piece = if profile.long.is_some() {
            let name = cell_for(Use::SignalName).unwrap_or("");
            signal_named(profile, name).map(|signal| {
                let unit = cell_for(Use::Unit).unwrap_or("");
                let value = cell_for(Use::Reading).unwrap_or("");
                let text = format!("{value} {unit}").trim().to_owned();
                Origin { part: Part::Signal(signal), column: name.to_owned(), text }
            })
        } else {
            let response = cell_for(Use::Response).unwrap_or("");
            let text = match cell_for(Use::Request) {
                Some(request) => format!("{request} > {response}"),
                None => response.to_owned(),
            };
            Some(Origin { part: Part::Line, column: format!("row {row}"), text })
        };
        let names = origins(header, texts);
        self.gather(key, names, piece);
    }

    /// A line of a capture. Frames that are not diagnostic may hold anything, positions too: they are not shown.
    fn frame(&mut self, line: &[u8]) {
        let profile = self.body.profile;
        let step = profile.raw.as_ref().map_or(1, |raw| raw.sampling.row_every_us.max(1));
        let text = lossy(line);
        let Ok(Some(frame)) = parse_capture_line(&text) else { return };
        if !matches!(frame.id.role(), Role::Request | Role::Response) {
            return;
        }
        let key = (0, frame.interface.to_owned(), frame.time_us.div_euclid(step));
        let column = format!("row {}", self.body.rows);
        let piece = Origin { part: Part::Line, column, text: text.clone() };
        self.gather(Some(key), Vec::new(), Some(piece));
    }

    /// Gives the piece of the line at hand to the wanted rows that it belongs to.
    fn gather(&mut self, key: Option<Key>, names: Vec<Origin>, piece: Option<Origin>) {
        let row = self.body.rows;
        if self.wanted.contains(&row) {
            self.found.insert(row, names);
            match &key {
                Some(key) => self.open.push((row, key.clone())),
                None => self.found.entry(row).or_default().extend(piece.clone()),
            }
        }
        let (Some(key), Some(piece)) = (key, piece) else { return };
        for (wanted, _) in self.open.iter().filter(|(_, open)| *open == key) {
            self.found.entry(*wanted).or_default().push(piece.clone());
        }
    }
}

fn lossy(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).trim().to_owned()
}

fn signal_named(profile: &Profile, name: &str) -> Option<Signal> {
    let wanted = fold(name);
    let named = |column: &ColumnRef| matches!(column, ColumnRef::Name(n) if fold(n) == wanted);
    profile.columns.iter().find(|c| named(&c.column)).map(|c| c.signal)
}
