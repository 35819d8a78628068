//! One file from its first byte to its report.
//!
//! Comes in: a path, a profile, limits, what an earlier run knew. Goes out: chunks into a sink, and the report.
//! Never: decides where samples go.

use std::path::Path;

use super::assembly::Assembly;
use super::capture_rows::CaptureRows;
use super::csv_rows::CsvRows;
use super::json_rows::JsonRows;
use super::line_rows::{Body, Found, LineRows};
use super::long_rows::LongRows;
use super::order::{Order, Tables};
use super::profile::{Format, NameSource, Profile, TimeForm};
use super::raw_rows::RawRows;
use super::rows::{Measure, checked_name};
use super::source::{Block, Text, begins_with};
use super::stamp::start_us;
use super::{Chunk, FileReport, Fingerprint, IngestError, Limits, ReadError, Resume};

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
    let (body, start_us) = body(path, profile, limits)?;
    let order = Order::new(profile, limits, start_us);
    match profile.format {
        Format::Csv => read_lines(CsvRows::new(body), order, known, sink),
        Format::LongCsv => read_lines(LongRows::new(body), order, known, sink),
        Format::JsonLines => read_lines(JsonRows::new(body), order, known, sink),
        Format::Raw => read_lines(RawRows::new(body), order, known, sink),
        Format::Capture => read_lines(CaptureRows::new(body), order, known, sink),
        Format::Parquet => super::parquet::read(body, order, known, sink),
    }
}

/// The body of a file without a row yet, and the start that its name gives.
pub(super) fn body<'p>(
    path: &'p Path,
    profile: &'p Profile,
    limits: &'p Limits,
) -> Result<(Body<'p>, Option<i64>), IngestError> {
    let facts = FileFacts::of(path, profile)?;
    let body = Body::new(path, profile, limits, facts.assembly(path, profile, limits)?);
    Ok((body, facts.start_us))
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
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let captures = pattern.captures(&name);
        let group = |group: &str| {
            captures.as_ref().and_then(|c| c.name(group)).map(|m| m.as_str().to_owned())
        };
        let missing = |what: &str| IngestError::FileName {
            path: path.to_path_buf(),
            missing: what.to_owned(),
            pattern: pattern.as_str().to_owned(),
            profile: profile.name().to_owned(),
        };
        let usable = |name: &String| !name.is_empty() && checked_name(name.as_bytes()).is_ok();
        if profile.vehicle == NameSource::FileName {
            facts.vehicle =
                Some(group("vehicle").filter(usable).ok_or_else(|| missing("a vehicle"))?);
        }
        if profile.trip == NameSource::FileName {
            facts.trip = Some(group("trip").filter(usable).ok_or_else(|| missing("a trip"))?);
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
        Assembly::new(profile, limits, self.vehicle.as_deref(), self.trip.as_deref()).map_err(
            |_| IngestError::FileName {
                path: path.to_path_buf(),
                missing: "a usable vehicle or trip name".to_owned(),
                pattern: profile
                    .file_name
                    .as_ref()
                    .map_or(String::new(), |p| p.as_str().to_owned()),
                profile: profile.name().to_owned(),
            },
        )
    }
}

fn read_lines<'p, E>(
    mut rows: impl LineRows<'p>,
    mut order: Order<'p>,
    known: Option<&Resume>,
    sink: &mut dyn FnMut(Chunk) -> Result<(), E>,
) -> Result<FileReport, ReadError<E>> {
    let Body { path, profile, limits, .. } = *rows.body();
    let rows_known = match known {
        Some(known) if begins_with(path, profile.encoding, limits, known)? => Some(known.rows),
        _ => None,
    };
    rows.body().rejects.first_new_row = rows_known.map_or(0, |known| known + 1);
    order.rows_known = rows_known.unwrap_or(0);
    let mut text = Text::open(path, profile.encoding, limits)?;
    loop {
        match text.next()? {
            Some(Block::Lines(block)) => rows.lines(block)?,
            Some(Block::Overlong(start)) => rows.overlong(start)?,
            Some(Block::Tail(line)) => {
                order.rows_settled = rows.settled();
                if rows.tail(line)? {
                    text.accept_tail();
                }
            }
            None => {}
        }
        let last = text.is_at_end();
        if last {
            order.rows_settled = order.rows_settled.min(rows.settled());
            rows.end();
        }
        if let Some(chunk) = rows.body().chunk(&mut order, last) {
            sink(chunk).map_err(ReadError::Sink)?;
        }
        if last {
            break;
        }
    }
    let Some(found) = rows.found()? else {
        return Err(IngestError::Empty { path: path.to_path_buf() }.into());
    };
    let read = Extent { decoded: text.digest(), fingerprint: text.fingerprint(), rows_known };
    Ok(rows.body().report(&order, found, read))
}

/// How much of which file was read.
pub(super) struct Extent {
    /// Bytes of text, and their digest.
    pub(super) decoded: (u64, String),
    pub(super) fingerprint: Fingerprint,
    pub(super) rows_known: Option<u64>,
}

impl<'p> Body<'p> {
    /// What was read since the last call, in order; `None` if that is nothing.
    pub(super) fn chunk(&mut self, order: &mut Order<'p>, last: bool) -> Option<Chunk> {
        let rows = self.assembly.take();
        let mut tables = Tables {
            measures: &self.assembly.measures,
            vehicles: &self.assembly.vehicles,
            trips: &mut self.assembly.trips,
            rejects: &mut self.rejects,
        };
        let samples = order.part(rows, last, &mut tables);
        let chunk =
            Chunk { samples, rejects: self.rejects.take(), first_new_row: order.rows_known + 1 };
        (!chunk.samples.is_empty() || !chunk.rejects.is_empty()).then_some(chunk)
    }

    pub(super) fn report(&self, order: &Order<'_>, found: Found, read: Extent) -> FileReport {
        FileReport {
            rows_read: self.rows,
            rows_kept: self.rows - self.rejects.total,
            rows_rejected: self.rejects.total,
            rejected_by_code: self.rejects.by_code.clone(),
            rejected_new_by_code: self.rejects.new_by_code.clone(),
            rows_known: read.rows_known,
            rows_settled: order.rows_settled.min(self.rows),
            known_unchanged: order.known_unchanged,
            samples: order.samples,
            decoded_bytes: read.decoded.0,
            decoded_digest: read.decoded.1,
            fingerprint: read.fingerprint,
            first_us: order.first_us,
            last_us: order.last_us,
            signals_absent: found.absent,
            columns_unread: found.unread,
            left_out: self.assembly.measures.iter().filter_map(Measure::left_out).collect(),
        }
    }
}
