//! The columns of a file matched with the columns of a profile.
//!
//! Comes in: the names in the order of the file. Goes out: what each position is for, or an error that names what is
//! expected and what is there. Names match without regard to case and surrounding space. Never: reads values.

use std::path::Path;

use super::IngestError;
use super::assembly::Use;
use super::profile::{ColumnRef, NameSource, Profile};
use super::rows::Measure;

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
    /// Cells beyond the last position are passed over.
    pub(super) open_ended: bool,
    line: Vec<u8>,
}

impl Header {
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
        for spec in &profile.columns {
            match find(&spec.column)? {
                Some(at) => {
                    header.uses[at].push(Use::Value(header.measures.len()));
                    header.measures.push(Measure::new(spec));
                }
                None => header.absent.push(spec.signal.spec().name),
            }
        }
        if header.measures.is_empty() {
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
        let values = profile.columns.iter().map(|spec| &spec.column);
        let last = needed(profile)
            .iter()
            .map(|(column, _)| *column)
            .chain(values)
            .map(number)
            .max()
            .unwrap_or(0);
        let mut header = Header::empty((1..=last).map(|n| n.to_string()).collect());
        header.open_ended = true;
        for (column, purpose) in needed(profile) {
            if let Some(at) = number(column).checked_sub(1) {
                header.uses[at].push(purpose);
            }
        }
        for spec in &profile.columns {
            if let Some(at) = number(&spec.column).checked_sub(1) {
                header.uses[at].push(Use::Value(header.measures.len()));
                header.measures.push(Measure::new(spec));
            }
        }
        // What the other columns hold is not known.
        header.unread = (1..=last)
            .filter(|n| header.uses[n - 1].is_empty())
            .map(|n| n.to_string())
            .collect();
        header
    }

    fn empty(names: Vec<String>) -> Header {
        Header {
            uses: vec![Vec::new(); names.len()],
            names,
            measures: Vec::new(),
            absent: Vec::new(),
            unread: Vec::new(),
            open_ended: false,
            line: Vec::new(),
        }
    }

    /// Remembers the line, to know it again in the middle of the file.
    pub(super) fn with_line(mut self, line: &[u8]) -> Header {
        self.line = line.trim_ascii().to_vec();
        self
    }

    /// Whether `line` is the header again.
    pub(super) fn is_line(&self, line: &[u8]) -> bool {
        !self.line.is_empty() && line.trim_ascii() == self.line
    }
}

/// The columns that are not signals.
fn needed(profile: &Profile) -> Vec<(&ColumnRef, Use)> {
    let mut needed = vec![(&profile.time.column, Use::Time)];
    needed.extend(
        profile
            .time
            .date_column
            .iter()
            .map(|column| (column, Use::Date)),
    );
    if let NameSource::Column(column) = &profile.vehicle {
        needed.push((column, Use::Vehicle));
    }
    if let NameSource::Column(column) = &profile.trip {
        needed.push((column, Use::Trip));
    }
    needed
}

fn fold(name: &str) -> String {
    name.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}

fn shown(names: &[String]) -> String {
    let printable =
        |n: &String| -> String { n.chars().filter(|c| !c.is_control()).take(40).collect() };
    let mut list: Vec<String> = names
        .iter()
        .take(20)
        .map(|n| format!("`{}`", printable(n)))
        .collect();
    if names.len() > list.len() {
        list.push(format!("and {} more", names.len() - list.len()));
    }
    list.join(", ")
}
