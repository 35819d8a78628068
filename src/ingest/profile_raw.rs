//! The parts of a source profile that are about raw diagnostic traffic.
//!
//! Comes in: the `[raw]` section. Goes out: columns of request and response, the sampling, and the signals that the
//! decoders give. Those carry their units by the standard, so the profile names none. Never: decodes.

use super::IngestError;
use super::page::Section;
use super::profile::{ColumnRef, ColumnSpec, Counting, Format, RawSpec, TimeForm, TimeSpec};
use super::profile_text::column_ref;
use super::raw::{FIELDS, Sampling};
use crate::quantity::Affine;
use crate::tables::samples::{MAX_CYLINDERS, Signal};

const EXAMPLE: &str = "[raw] request = \"request\" response = \"response\"";

/// The `[raw]` section; only captures can do without it.
pub(super) fn raw_spec(
    root: Section<'_, '_>,
    format: Format,
) -> Result<Option<RawSpec>, IngestError> {
    if !matches!(format, Format::Raw | Format::Capture) {
        return match root.get("raw") {
            Some(entry) => {
                Err(entry.refuse("left out unless format = \"raw\" or format = \"capture\""))
            }
            None => Ok(None),
        };
    }
    if format == Format::Raw {
        root.need("raw", EXAMPLE)?;
    }
    let Some(section) = root.section("raw")? else {
        let sampling = Sampling::default();
        return Ok(Some(RawSpec { request: None, response: None, sampling }));
    };
    let (request, response) = if format == Format::Capture {
        section.only(&["row_every_s", "stale_after_s"])?;
        (None, None)
    } else {
        section.only(&["request", "response", "row_every_s", "stale_after_s"])?;
        let request = section.get("request").map(|e| column_ref(&e)).transpose()?;
        (request, Some(column_ref(&section.need("response", EXAMPLE)?)?))
    };
    let row_every_us = microseconds(section, "row_every_s", 1.0)?;
    let stale_after_us = microseconds(section, "stale_after_s", 5.0)?.unsigned_abs();
    Ok(Some(RawSpec { request, response, sampling: Sampling { row_every_us, stale_after_us } }))
}

fn microseconds(section: Section<'_, '_>, key: &str, default: f64) -> Result<i64, IngestError> {
    let Some(entry) = section.get(key) else {
        return Ok((default * 1e6).round() as i64);
    };
    let seconds = entry.number()?;
    if (0.001..=60.0).contains(&seconds) {
        Ok((seconds * 1e6).round() as i64)
    } else {
        Err(entry.refuse("a number from 0.001 to 60"))
    }
}

/// The time of a capture: its form is part of the format.
pub(super) fn capture_time(root: Section<'_, '_>) -> Result<TimeSpec, IngestError> {
    if let Some(entry) = root.get("time") {
        return Err(entry.refuse("left out: a capture brings its time, UTC seconds since 1970"));
    }
    for name in ["vehicle", "trip"] {
        if let Some(section) = root.section(name)?
            && let Some(entry) = section.get("column")
        {
            return Err(entry.refuse("left out: a capture has no columns; use `from` or `fixed`"));
        }
    }
    Ok(TimeSpec {
        column: ColumnRef::Name("time".to_owned()),
        date_column: None,
        form: TimeForm::Epoch { per_second: 1 },
        zone: None,
    })
}

/// Every signal that the decoders can give, sorted.
pub(super) fn raw_columns(root: Section<'_, '_>) -> Result<Vec<ColumnSpec>, IngestError> {
    if let Some(entry) = root.get("columns") {
        return Err(entry.refuse("left out: the responses say which signals they carry"));
    }
    let misfires = (1..=MAX_CYLINDERS).filter_map(Signal::misfire);
    let mut signals: Vec<Signal> =
        FIELDS.iter().filter_map(|field| field.signal).chain(misfires).collect();
    signals.sort();
    signals.dedup();
    let spec = |signal: Signal| ColumnSpec {
        signal,
        column: ColumnRef::Name(signal.spec().name.to_owned()),
        map: Affine::IDENTITY,
        // Test 0C of service 06 counts from the start of the driving cycle.
        counting: if signal >= Signal::MisfireC1 { Counting::SinceStart } else { Counting::Value },
        words: Vec::new(),
    };
    Ok(signals.into_iter().map(spec).collect())
}
