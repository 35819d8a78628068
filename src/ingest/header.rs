//! The columns of a file matched with the columns of a profile.
//!
//! Comes in: the names in the order of the file. Goes out: what each position is for, or an error that names what is
//! expected and what is there. Names match without regard to case and surrounding space. Never: reads values.

use std::borrow::Cow;
use std::path::Path;

use super::IngestError;
use super::assembly::{Assembly, Use};
use super::csv_rows::cells;
use super::line_rows::Body;
use super::profile::{ColumnRef, NameSource, Profile};
use super::rows::{Fault, Measure};
use crate::tables::samples::RejectCode;

/// What the positions of a row are for.
#[derive(Debug)]
pub(super) struct Header {
    /// By position; a position without a use is passed over.
    pub(super) uses: Vec<Vec<Use>>,
    /// Column names as the file writes them; numbers if there is no header.
    pub(super) names: Vec<String>,
    /// In the order of their positions in [`Use::Value`].
    pub(super) measures: Vec<Measure>,
    pub(super) absent: Vec<&'static str>,
    pub(super) unread: Vec<String>,
    /// By position: how a row is gone through.
    pub(super) steps: Vec<Step>,
    /// Cells beyond the last position are passed over.
    pub(super) open_ended: bool,
    line: Vec<u8>,
}

impl Header {
    /// Settles the steps; to be called when uses and measures are complete.
    pub(super) fn settled(mut self) -> Header {
        let step = |uses: &Vec<Use>| match uses.as_slice() {
            [] => Step::Skip,
            [Use::Value(index)] if self.measures[*index].plain => Step::Number(*index),
            _ => Step::Uses,
        };
        self.steps = self.uses.iter().map(step).collect();
        self
    }

    /// Reads the header line of a file.
    pub(super) fn read(line: &[u8], body: &Body<'_>) -> Result<Header, IngestError> {
        if line.len() > body.limits.line_bytes_max {
            return Err(body.long_header());
        }
        let cells = cells(line, body.profile.delimiter, body.profile.quote);
        let names = cells.iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect();
        let mut header = Header::match_names(names, body.profile, body.path)?;
        header.line = line.trim_ascii().to_vec();
        Ok(header)
    }

    /// Matches the names of a file.
    pub(super) fn match_names(
        mut names: Vec<String>,
        profile: &Profile,
        path: &Path,
    ) -> Result<Header, IngestError> {
        // A header that ends in a delimiter has one nameless column, which the rows may or may not fill.
        if names.len() > 1 && names.last().is_some_and(|n| n.trim().is_empty()) {
            names.pop();
        }
        let folded: Vec<String> = names.iter().map(|n| fold(n)).collect();
        let find = |column: &ColumnRef| -> Result<Option<usize>, IngestError> {
            match column {
                ColumnRef::Number(number) => Ok((*number <= folded.len()).then(|| number - 1)),
                ColumnRef::Name(name) => {
                    let wanted = fold(name);
                    let mut hits = (0..folded.len()).filter(|i| folded[*i] == wanted);
                    match (hits.next(), hits.next()) {
                        (Some(_), Some(_)) => Err(IngestError::DuplicateColumn {
                            path: path.to_path_buf(),
                            column: name.clone(),
                            profile: profile.name().to_owned(),
                        }),
                        (hit, _) => Ok(hit),
                    }
                }
            }
        };
        let mut header = Header::empty(names.clone());
        let mut missing = Vec::new();
        for (column, purpose) in needed(profile) {
            match find(column)? {
                Some(at) => header.uses[at].push(purpose),
                // Without a trip column the gaps between rows decide.
                None if purpose == Use::Trip => {}
                None => missing.push(column.shown()),
            }
        }
        // In other forms the signals stand in cells.
        let columns = if profile.has_value_columns() { &profile.columns } else { &[][..] };
        for spec in columns {
            match find(&spec.column)? {
                Some(at) => {
                    header.uses[at].push(Use::Value(header.measures.len()));
                    header.measures.push(Measure::new(spec, profile));
                }
                None => header.absent.push(spec.signal.spec().name),
            }
        }
        if header.measures.is_empty() && profile.has_value_columns() {
            missing.extend(profile.columns.iter().take(5).map(|c| c.column.shown()));
        }
        if !missing.is_empty() {
            return Err(IngestError::MissingColumns {
                path: path.to_path_buf(),
                missing: missing.join(", "),
                found: shown(&names),
                profile: profile.name().to_owned(),
            });
        }
        header.unread = (0..names.len())
            .filter(|i| header.uses[*i].is_empty())
            .map(|i| names[i].clone())
            .collect();
        Ok(header)
    }

    /// The columns of a file without names, up to the last one that the profile reads.
    pub(super) fn by_number(profile: &Profile) -> Header {
        let number = |column: &ColumnRef| match column {
            ColumnRef::Number(number) => *number,
            ColumnRef::Name(_) => 0,
        };
        let long = needed(profile).into_iter().map(|(column, _)| column);
        let last = profile.all_columns().chain(long).map(number).max().unwrap_or(0);
        let mut header = Header::empty((1..=last).map(|n| n.to_string()).collect());
        header.open_ended = true;
        header.assign(profile, |column| number(column).checked_sub(1));
        // What the other columns hold is not known.
        header.unread =
            (1..=last).filter(|n| header.uses[n - 1].is_empty()).map(|n| n.to_string()).collect();
        header
    }

    /// The members that a profile asks for, in formats where each row brings its own names.
    pub(super) fn of_profile(profile: &Profile) -> Header {
        let mut names: Vec<String> = Vec::new();
        for column in profile.all_columns() {
            if let ColumnRef::Name(name) = column
                && !names.contains(name)
            {
                names.push(name.clone());
            }
        }
        let mut header = Header::empty(names.clone());
        header.assign(profile, |column| match column {
            ColumnRef::Name(name) => names.iter().position(|n| n == name),
            ColumnRef::Number(_) => None,
        });
        header
    }

    fn assign(&mut self, profile: &Profile, position: impl Fn(&ColumnRef) -> Option<usize>) {
        for (column, purpose) in needed(profile) {
            if let Some(at) = position(column) {
                self.uses[at].push(purpose);
            }
        }
        // In other forms the signals stand in cells.
        let columns = if profile.has_value_columns() { &profile.columns } else { &[][..] };
        for spec in columns {
            if let Some(at) = position(&spec.column) {
                self.uses[at].push(Use::Value(self.measures.len()));
                self.measures.push(Measure::new(spec, profile));
            }
        }
    }

    fn empty(names: Vec<String>) -> Header {
        Header {
            uses: vec![Vec::new(); names.len()],
            names,
            measures: Vec::new(),
            absent: Vec::new(),
            unread: Vec::new(),
            steps: Vec::new(),
            open_ended: false,
            line: Vec::new(),
        }
    }

    /// The cells of a line, if it has one for each column.
    pub(super) fn cells<'l>(
        &self,
        line: &'l [u8],
        profile: &Profile,
    ) -> Result<Vec<Cow<'l, [u8]>>, Fault> {
        let cells = cells(line, profile.delimiter, profile.quote);
        let more = cells.get(self.uses.len()..).unwrap_or(&[]);
        let ragged = cells.len() < self.uses.len() || more.iter().any(|c| !c.is_empty());
        if ragged && !self.open_ended {
            return Err(Fault { code: RejectCode::RaggedRow, column: None });
        }
        Ok(cells)
    }

    /// Starts a row with these cells, but for those that serve a purpose in `own`; hands these back in its order, empty
    /// where the file has no such column.
    pub(super) fn place<'c, const N: usize>(
        &self,
        cells: &'c [Cow<'_, [u8]>],
        own: [Use; N],
        assembly: &mut Assembly<'_>,
    ) -> Result<[&'c [u8]; N], Fault> {
        let mut kept = [&[][..]; N];
        assembly.begin();
        for (position, (uses, cell)) in self.uses.iter().zip(cells).enumerate() {
            for purpose in uses {
                match own.iter().position(|o| o == purpose) {
                    Some(k) => kept[k] = cell,
                    None => {
                        let fault = |code| Fault { code, column: Some(position) };
                        assembly.cell(*purpose, cell).map_err(fault)?;
                    }
                }
            }
        }
        Ok(kept)
    }

    /// The fault with the position of the column that serves the purpose at fault.
    pub(super) fn fault(&self, (code, purpose): (RejectCode, Use)) -> Fault {
        Fault { code, column: self.uses.iter().position(|u| u.contains(&purpose)) }
    }

    /// Rejects the line that is row [`Body::rows`].
    #[cold]
    pub(super) fn reject(&self, line: &[u8], fault: Fault, body: &mut Body<'_>) {
        let row = body.rows;
        if !self.line.is_empty() && line.trim_ascii() == self.line {
            // It holds names and no values, so its text may be kept.
            let column = self.names.first().map_or("", String::as_str);
            return body.rejects.add(row, column, RejectCode::RepeatedHeader, line);
        }
        let cells = cells(line, body.profile.delimiter, body.profile.quote);
        match fault.column {
            Some(at) => {
                let column = self.names.get(at).map_or("", String::as_str);
                body.rejects.add(
                    row,
                    column,
                    fault.code,
                    cells.get(at).map_or(&[][..], |c| c.as_ref()),
                );
            }
            None => body.rejects.add(row, "", fault.code, line),
        }
    }
}

/// What to do with the cell at one position of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Step {
    /// Pass over it.
    Skip,
    /// Read a number of this measure.
    Number(usize),
    /// See its uses.
    Uses,
}

/// The columns that are not signals.
fn needed(profile: &Profile) -> Vec<(&ColumnRef, Use)> {
    let mut needed = vec![(&profile.time.column, Use::Time)];
    needed.extend(profile.time.date_column.iter().map(|column| (column, Use::Date)));
    if let Some(long) = &profile.long {
        needed.push((&long.signal, Use::SignalName));
        needed.push((&long.value, Use::Reading));
        needed.extend(long.unit.iter().map(|column| (column, Use::Unit)));
    }
    if let Some(raw) = &profile.raw {
        needed.extend(raw.request.iter().map(|column| (column, Use::Request)));
        needed.extend(raw.response.iter().map(|column| (column, Use::Response)));
    }
    if let NameSource::Column(column) = &profile.vehicle {
        needed.push((column, Use::Vehicle));
    }
    if let NameSource::Column(column) = &profile.trip {
        needed.push((column, Use::Trip));
    }
    needed
}

/// A name without regard to case and space around it.
pub(super) fn fold(name: &str) -> String {
    name.split_whitespace().collect::<Vec<_>>().join(" ").to_lowercase()
}

fn shown(names: &[String]) -> String {
    let printable =
        |n: &String| -> String { n.chars().filter(|c| !c.is_control()).take(40).collect() };
    let mut list: Vec<String> =
        names.iter().take(20).map(|n| format!("`{}`", printable(n))).collect();
    if names.len() > list.len() {
        list.push(format!("and {} more", names.len() - list.len()));
    }
    list.join(", ")
}
