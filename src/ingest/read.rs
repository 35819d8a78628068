//! One file from its first byte to its report.
//!
//! Comes in: a path, a profile, limits, what an earlier run knew. Goes out: chunks into a sink, and the report.
//! Never: decides where samples go.

use std::path::Path;

use super::assembly::Assembly;
use super::csv_rows::CsvRows;
use super::order::{Order, Tables};
use super::profile::{Format, NameSource, Profile, TimeForm};
use super::rows::checked_name;
use super::source::{Block, Text, begins_with};
use super::stamp::start_us;
use super::{Chunk, FileReport, IngestError, Limits, ReadError, Resume};

/// Reads one file; every chunk goes to `sink` as soon as it is complete.
///
/// If `known` is the start of this file, rows that it covers are read again, so that nothing depends on where a run
/// stopped, and [`Chunk::first_new_row`] tells them from new ones.
///
/// # Errors
/// If the file as a whole cannot be read, or the sink refuses. Chunks handed out before the error must be discarded.
pub fn read_file<E>(
    path: &Path,
    profile: &Profile,
    limits: &Limits,
    known: Option<&Resume>,
    sink: &mut dyn FnMut(Chunk) -> Result<(), E>,
) -> Result<FileReport, ReadError<E>> {
    let facts = FileFacts::of(path, profile)?;
    match profile.format {
        Format::Csv => read_csv(path, profile, limits, known, &facts, sink),
        Format::LongCsv | Format::JsonLines | Format::Parquet => Err(IngestError::Unreadable {
            path: path.to_path_buf(),
            source: std::io::Error::from(std::io::ErrorKind::Unsupported),
        }
        .into()),
    }
}

/// The keyed pseudonym of a vehicle or trip name: 16 hexadecimal digits of a keyed BLAKE3.
pub fn pseudonym(key: &[u8; 32], name: &str) -> String {
    let hash = blake3::keyed_hash(key, name.as_bytes());
    hash.to_hex()[..16].to_owned()
}

/// What the name of a file tells of all its rows.
#[derive(Debug, Default)]
struct FileFacts {
    vehicle: Option<String>,
    trip: Option<String>,
    start_us: Option<i64>,
}

impl FileFacts {
    fn of(path: &Path, profile: &Profile) -> Result<FileFacts, IngestError> {
        let mut facts = FileFacts::default();
        if let NameSource::Fixed(name) = &profile.vehicle {
            facts.vehicle = Some(name.clone());
        }
        let Some(pattern) = &profile.file_name else {
            return Ok(facts);
        };
        let name = path
            .file_name()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        let captures = pattern.captures(&name);
        let group = |group: &str| {
            captures
                .as_ref()
                .and_then(|c| c.name(group))
                .map(|m| m.as_str().to_owned())
        };
        let missing = |what: &str| IngestError::FileName {
            path: path.to_path_buf(),
            missing: what.to_owned(),
            pattern: pattern.as_str().to_owned(),
            profile: profile.name().to_owned(),
        };
        let usable = |name: &String| !name.is_empty() && checked_name(name.as_bytes()).is_ok();
        if profile.vehicle == NameSource::FileName {
            facts.vehicle = Some(
                group("vehicle")
                    .filter(usable)
                    .ok_or_else(|| missing("a vehicle"))?,
            );
        }
        if profile.trip == NameSource::FileName {
            facts.trip = Some(
                group("trip")
                    .filter(usable)
                    .ok_or_else(|| missing("a trip"))?,
            );
        }
        if let TimeForm::Elapsed { start, .. } = &profile.time.form {
            let us = group("start").and_then(|text| start_us(start, &text));
            facts.start_us = Some(us.ok_or_else(|| missing("a start time"))?);
        }
        Ok(facts)
    }

    fn assembly<'p>(
        &self,
        path: &Path,
        profile: &Profile,
        limits: &'p Limits,
    ) -> Result<Assembly<'p>, IngestError> {
        Assembly::new(
            profile,
            limits,
            self.vehicle.as_deref(),
            self.trip.as_deref(),
        )
        .map_err(|_| IngestError::FileName {
            path: path.to_path_buf(),
            missing: "a usable vehicle or trip name".to_owned(),
            pattern: profile
                .file_name
                .as_ref()
                .map_or(String::new(), |p| p.as_str().to_owned()),
            profile: profile.name().to_owned(),
        })
    }
}

fn read_csv<E>(
    path: &Path,
    profile: &Profile,
    limits: &Limits,
    known: Option<&Resume>,
    facts: &FileFacts,
    sink: &mut dyn FnMut(Chunk) -> Result<(), E>,
) -> Result<FileReport, ReadError<E>> {
    let rows_known = match known {
        Some(known) if begins_with(path, profile.encoding, limits, known)? => Some(known.rows),
        _ => None,
    };
    let mut text = Text::open(path, profile.encoding, limits)?;
    let mut csv = CsvRows::new(
        path,
        profile,
        limits,
        facts.assembly(path, profile, limits)?,
    );
    let mut order = Order::new(profile, limits, facts.start_us);
    loop {
        match text.next()? {
            Some(Block::Lines(block)) => {
                csv.reserve(block);
                csv.lines(block)?;
            }
            Some(Block::Overlong(start)) => csv.overlong(start)?,
            Some(Block::Tail(line)) => {
                if csv.tail(line)? {
                    text.accept_tail();
                }
            }
            None => {}
        }
        let last = text.is_at_end();
        let rows = csv.assembly.take();
        let assembly = &mut csv.assembly;
        let mut tables = Tables {
            measures: &assembly.measures,
            vehicles: &assembly.vehicles,
            trips: &mut assembly.trips,
            rejects: &mut csv.rejects,
        };
        let samples = order.part(rows, last, &mut tables);
        let chunk = Chunk {
            samples,
            rejects: csv.rejects.take(),
            first_new_row: rows_known.map_or(1, |rows| rows + 1),
        };
        if !chunk.samples.is_empty() || !chunk.rejects.is_empty() {
            sink(chunk).map_err(ReadError::Sink)?;
        }
        if last {
            break;
        }
    }
    let Some(header) = csv.header() else {
        return Err(IngestError::Empty {
            path: path.to_path_buf(),
        }
        .into());
    };
    let (decoded_bytes, decoded_digest) = text.digest();
    Ok(FileReport {
        rows_read: csv.rows,
        rows_kept: csv.rows - csv.rejects.total,
        rows_rejected: csv.rejects.total,
        rejected_by_code: csv.rejects.by_code.clone(),
        rows_known,
        samples: order.samples,
        decoded_bytes,
        decoded_digest,
        fingerprint: text.fingerprint(),
        first_us: order.first_us,
        last_us: order.last_us,
        signals_absent: header.absent.clone(),
        columns_unread: header.unread.clone(),
    })
}
