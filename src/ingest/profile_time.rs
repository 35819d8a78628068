//! The `[time]` section of a source profile.
//!
//! Comes in: the section. Goes out: a [`TimeSpec`] whose pattern was seen to read and whose zone exists.
//! Never: reads a time of a log.

use jiff::tz::TimeZone;
use regex::Regex;

use super::IngestError;
use super::page::{Entry, Section};
use super::profile::{StartForm, TimeForm, TimeSpec};
use super::profile_text::{bad_pattern, column_ref, has_group};
use crate::quantity::Unit;

fn zone(section: Section<'_, '_>, key: &str) -> Result<Option<TimeZone>, IngestError> {
    let Some(entry) = section.get(key) else {
        return Ok(None);
    };
    match TimeZone::get(entry.text()?) {
        Ok(zone) => Ok(Some(zone)),
        Err(_) => {
            Err(entry.refuse("the name of an IANA time zone such as \"Europe/Vienna\" or \"UTC\""))
        }
    }
}

/// A strptime pattern that reads back what it writes.
fn time_pattern<'a>(entry: &Entry<'a, '_>) -> Result<&'a str, IngestError> {
    let pattern = entry.text()?;
    let sample = jiff::civil::date(2023, 11, 14).at(22, 13, 20, 0).to_zoned_datetime(TimeZone::UTC);
    let written = sample
        .and_then(|z| jiff::fmt::strtime::format(pattern, &z))
        .map_err(|error| bad_pattern(entry, &error.to_string()))?;
    jiff::fmt::strtime::parse(pattern, &written)
        .map_err(|error| bad_pattern(entry, &error.to_string()))?;
    Ok(pattern)
}

fn pattern_has_offset(pattern: &str) -> bool {
    ["%z", "%:z", "%s", "%Q", "%:Q"].iter().any(|p| pattern.contains(p))
}

pub(super) fn time_spec(
    root: Section<'_, '_>,
    file_name: Option<&Regex>,
) -> Result<TimeSpec, IngestError> {
    const EXAMPLE: &str = "[time] column = \"time\" form = \"rfc3339\"";
    let entry = root.need("time", EXAMPLE)?;
    let section = entry.section()?;
    section.only(&[
        "column",
        "date_column",
        "form",
        "pattern",
        "zone",
        "unit",
        "start_pattern",
        "start_zone",
        "refresh_s",
    ])?;
    let column = column_ref(&section.need("column", "column = \"time\"")?)?;
    let date_column = section.get("date_column").map(|e| column_ref(&e)).transpose()?;
    let zone = zone(section, "zone")?;
    let form_entry = section.need("form", "form = \"rfc3339\"")?;
    let epoch = |per_second| TimeForm::Epoch { per_second };
    let form = match form_entry.choice(&[
        ("rfc3339", 0),
        ("epoch_s", 1),
        ("epoch_ms", 2),
        ("epoch_us", 3),
        ("pattern", 4),
        ("elapsed", 5),
    ])? {
        0 => TimeForm::Rfc3339,
        1 => epoch(1),
        2 => epoch(1_000),
        3 => epoch(1_000_000),
        4 => {
            let entry = section.need("pattern", "pattern = \"%d.%m.%Y %H:%M:%S\"")?;
            let pattern = time_pattern(&entry)?;
            if zone.is_none() && !pattern_has_offset(pattern) {
                section.need(
                    "zone",
                    "zone = \"Europe/Vienna\" (the pattern has no offset from UTC)",
                )?;
            }
            TimeForm::Pattern(pattern.to_owned())
        }
        _ => elapsed(section, file_name)?,
    };
    if date_column.is_some() && !matches!(form, TimeForm::Rfc3339 | TimeForm::Pattern(_)) {
        return Err(form_entry.refuse("\"rfc3339\" or \"pattern\" when there is a date_column"));
    }
    Ok(TimeSpec { column, date_column, form, zone })
}

fn elapsed(section: Section<'_, '_>, file_name: Option<&Regex>) -> Result<TimeForm, IngestError> {
    let unit_entry = section.need("unit", "unit = \"s\"")?;
    let map = Unit::parse(unit_entry.text()?).and_then(|unit| unit.to(Unit::Microsecond));
    let Some(map) = map else {
        return Err(unit_entry.refuse("a unit of time such as \"s\", \"ms\" or \"min\""));
    };
    if !has_group(file_name, "start") {
        section.need(
            "[file_name] pattern with a group (?<start>…)",
            "pattern = '_(?<start>\\d{8}T\\d{6}Z)'",
        )?;
    }
    let pattern = section.get("start_pattern").map(|e| time_pattern(&e)).transpose()?;
    let zone = zone(section, "start_zone")?;
    if let Some(pattern) = pattern
        && zone.is_none()
        && !pattern_has_offset(pattern)
    {
        section.need("start_zone", "start_zone = \"UTC\" (the pattern has no offset from UTC)")?;
    }
    let refresh_s = section.get("refresh_s").map_or(Ok(1.0), |e| {
        let seconds = e.number()?;
        if (0.001..=60.0).contains(&seconds) {
            Ok(seconds)
        } else {
            Err(e.refuse("a number from 0.001 to 60"))
        }
    })?;
    Ok(TimeForm::Elapsed {
        us_per_unit: map.scale,
        refresh_us: (refresh_s * 1e6).round() as i64,
        start: StartForm { pattern: pattern.map(str::to_owned), zone },
    })
}
