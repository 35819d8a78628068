//! `findings.parquet`: all numbers behind the ranking, one row per vehicle and monitored series.
//!
//! Comes in: the ranked fleet. Goes out: Parquet bytes. Numbers of the vehicle are repeated on each of
//! its rows; a vehicle without a series has one row with an empty `series`. Values are not rounded; an
//! unknown one is null, never NaN. Units stand in the names and in the field metadata.

use super::words::clean;
use super::{ReportError, ReportInput};
use crate::tables::findings::{Cause, Estimate, RankedVehicle, SeriesFinding, SeriesKind};
use arrow::array::{ArrayRef, Date32Array, Float64Array, Int64Array, RecordBatch, StringArray};
use arrow::datatypes::{DataType, Field, Schema};
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, ZstdLevel};
use parquet::file::properties::WriterProperties;
use std::collections::HashMap;
use std::sync::Arc;

/// One row: a vehicle and, unless it has none, one of its series.
type Row<'a> = (&'a RankedVehicle, Option<&'a SeriesFinding>);

/// The file.
///
/// # Errors
/// Only a fault of this program.
pub fn bytes(input: &ReportInput<'_>) -> Result<Vec<u8>, ReportError> {
    let encode = |reason: String| ReportError::Encode { file: "findings.parquet", reason };
    let batch = batch(input).map_err(|e| encode(e.to_string()))?;
    let level = ZstdLevel::try_new(3).map_err(|e| encode(e.to_string()))?;
    // The writer would otherwise sign with its own version: the same input shall give the same bytes.
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(level))
        .set_created_by(format!("trimdrift {}", input.tool_version))
        .build();
    let mut out = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut out, batch.schema(), Some(properties))
        .map_err(|e| encode(e.to_string()))?;
    writer.write(&batch).map_err(|e| encode(e.to_string()))?;
    writer.close().map_err(|e| encode(e.to_string()))?;
    Ok(out)
}

fn batch(input: &ReportInput<'_>) -> Result<RecordBatch, arrow::error::ArrowError> {
    let mut rows: Vec<Row<'_>> = Vec::new();
    for vehicle in input.ranked {
        match vehicle.findings.series.as_slice() {
            [] => rows.push((vehicle, None)),
            series => rows.extend(series.iter().map(|s| (vehicle, Some(s)))),
        }
    }
    let mut table = Table { rows, fields: Vec::new(), columns: Vec::new() };
    series_columns(&mut table);
    verdict_columns(&mut table);
    evidence_columns(&mut table);
    RecordBatch::try_new(Arc::new(Schema::new(table.fields)), table.columns)
}

/// Columns in the making.
struct Table<'a> {
    rows: Vec<Row<'a>>,
    fields: Vec<Field>,
    columns: Vec<ArrayRef>,
}

impl<'a> Table<'a> {
    fn push(&mut self, name: &str, unit: &str, kind: DataType, column: ArrayRef) {
        let field = Field::new(name, kind, true);
        // One entry at most: the order of several would change from run to run.
        let metadata = match unit {
            "" => HashMap::new(),
            unit => HashMap::from([("unit".to_owned(), unit.to_owned())]),
        };
        self.fields.push(field.with_metadata(metadata));
        self.columns.push(column);
    }

    fn text(&mut self, name: &str, get: impl Fn(Row<'a>) -> Option<String>) {
        let values: StringArray = self.rows.iter().map(|r| get(*r).map(|t| clean(&t))).collect();
        self.push(name, "", DataType::Utf8, Arc::new(values));
    }

    fn count(&mut self, name: &str, get: impl Fn(Row<'a>) -> Option<usize>) {
        let values: Int64Array =
            self.rows.iter().map(|r| get(*r).and_then(|n| i64::try_from(n).ok())).collect();
        self.push(name, "count", DataType::Int64, Arc::new(values));
    }

    fn day(&mut self, name: &str, get: impl Fn(Row<'a>) -> Option<i32>) {
        let values: Date32Array = self.rows.iter().map(|r| get(*r)).collect();
        self.push(name, "", DataType::Date32, Arc::new(values));
    }

    fn number(&mut self, name: &str, unit: &str, get: impl Fn(Row<'a>) -> Option<f64>) {
        let values: Float64Array =
            self.rows.iter().map(|r| get(*r).filter(|x| x.is_finite())).collect();
        self.push(name, unit, DataType::Float64, Arc::new(values));
    }

    /// Three columns: `<stem>_<unit in name>`, `<stem>_lo`, `<stem>_hi`.
    fn estimate(
        &mut self,
        name: &str,
        stem: &str,
        unit: &str,
        get: impl Fn(Row<'a>) -> Option<Estimate>,
    ) {
        self.number(name, unit, |r| get(r).map(|e| e.value));
        self.number(&format!("{stem}_lo"), unit, |r| get(r).map(|e| e.lo));
        self.number(&format!("{stem}_hi"), unit, |r| get(r).map(|e| e.hi));
    }
}

fn series_columns(t: &mut Table<'_>) {
    t.text("vehicle", |(v, _)| Some(v.vehicle.clone()));
    t.text("series", |(_, s)| s.map(|s| s.kind.name()));
    t.count("series_bank", |(v, s)| match s?.kind {
        SeriesKind::TrimBank(bank) | SeriesKind::Trim(bank, _) => Some(bank),
        SeriesKind::TrimAll => (!v.findings.has_two_banks()).then_some(1),
        _ => None,
    });
    t.text("series_band", |(_, s)| match s?.kind {
        SeriesKind::Trim(_, band) => Some(band.as_str().to_owned()),
        SeriesKind::TrimAll | SeriesKind::TrimBank(_) => Some("all".to_owned()),
        _ => None,
    });
    t.text("series_unit", |(_, s)| s.map(|s| s.kind.unit().to_owned()));
    t.count("series_days", |(_, s)| s.map(|s| s.days));
    let own = "see series_unit";
    t.number("baseline", own, |(_, s)| s.map(|s| s.baseline));
    t.estimate("change", "change", own, |(_, s)| s.map(|s| s.change));
    t.estimate("drift_per_10000km", "drift", own, |(_, s)| s.map(|s| s.drift_per_10000km));
    t.number("sigma", own, |(_, s)| s.map(|s| s.sigma));
    t.number("log_r_up", "nat", |(_, s)| s.map(|s| s.log_r_up));
    t.number("log_limit_up", "nat", |(_, s)| s.map(|s| s.log_limit_up));
    t.day("flagged_up", |(_, s)| s.and_then(|s| s.flagged_up));
    t.number("log_r_down", "nat", |(_, s)| s.map(|s| s.log_r_down));
    t.number("log_limit_down", "nat", |(_, s)| s.map(|s| s.log_limit_down));
    t.day("flagged_down", |(_, s)| s.and_then(|s| s.flagged_down));
    t.count("series_days_in_all", |(_, s)| s.map(|s| s.days_in_all));
    t.estimate("change_from_first", "change_from_first", own, |(_, s)| {
        s.map(|s| s.change_from_first)
    });
    t.day("repaired_on", |(_, s)| s.and_then(|s| s.repaired_on));
    t.day("near_limit_on", |(_, s)| s.and_then(|s| s.near_limit_on));
    t.day("level_on", |(_, s)| s.and_then(|s| s.level_on));
    t.number("recent_raw", own, |(_, s)| s.map(|s| s.recent_raw));
    t.day("onset_from", |(_, s)| s.and_then(|s| s.onset).map(|o| o.0));
    t.day("onset_to", |(_, s)| s.and_then(|s| s.onset).map(|o| o.1));
}

fn verdict_columns(t: &mut Table<'_>) {
    t.count("rank", |(v, _)| Some(v.rank));
    t.text("depot", |(v, _)| Some(v.depot.clone()));
    t.text("engine_family", |(v, _)| Some(v.engine_family.clone()));
    t.text("state", |(v, _)| Some(v.verdict.state.as_str().to_owned()));
    t.text("action", |(v, _)| Some(v.verdict.action.as_str().to_owned()));
    t.text("reason", |(v, _)| Some(v.verdict.reason.clone()));
    t.day("flagged_on", |(v, _)| v.verdict.flagged_on);
    t.count("bank", |(v, _)| v.verdict.bank);
    t.text("cause", |(v, _)| v.verdict.cause.map(|(c, _)| c.as_str().to_owned()));
    for cause in Cause::ALL {
        t.number(&format!("p_{}", cause.as_str()), "probability", move |(v, _)| {
            v.findings.causes.iter().find(|c| c.cause == cause).map(|c| c.probability)
        });
    }
    for (i, band) in ["idle", "cruise", "load"].into_iter().enumerate() {
        t.number(&format!("trim_{band}_pct"), "%", move |(v, _)| Some(v.verdict.trim_pct[i]));
    }
    t.estimate("trim_drift_pct_per_10000km", "trim_drift", "log-% per 10,000 km", |(v, _)| {
        Some(v.verdict.drift_per_10000km)
    });
    t.estimate("km_to_limit", "km_to_limit", "km", |(v, _)| Some(v.verdict.km_to_limit));
    t.number("urgency_per_week", "currency", |(v, _)| Some(v.urgency.per_week()));
    t.number("urgency_fuel_per_week", "currency", |(v, _)| Some(v.urgency.fuel));
    t.number("urgency_breakdown_per_week", "currency", |(v, _)| Some(v.urgency.breakdown));
    t.number("urgency_catalyst_per_week", "currency", |(v, _)| Some(v.urgency.catalyst));
}

fn evidence_columns(t: &mut Table<'_>) {
    let rate = "per 1000 revolutions";
    let misfires = |v: &RankedVehicle| v.findings.misfires.clone();
    t.number("misfire_per_1000_rev", rate, |(v, _)| misfires(v).map(|m| m.per_1000_rev));
    t.number("misfire_baseline_per_1000_rev", rate, |(v, _)| {
        misfires(v).map(|m| m.baseline_per_1000_rev)
    });
    t.number("misfire_warm_per_1000_rev", rate, |(v, _)| misfires(v).map(|m| m.warm_per_1000_rev));
    t.number("misfire_cold_per_1000_rev", rate, |(v, _)| misfires(v).map(|m| m.cold_per_1000_rev));
    t.estimate("misfire_ratio", "misfire_ratio", "ratio", |(v, _)| misfires(v).map(|m| m.ratio));
    t.number("misfire_log_r", "nat", |(v, _)| misfires(v).map(|m| m.log_r));
    t.day("misfire_flagged_on", |(v, _)| misfires(v).and_then(|m| m.flagged_on));
    t.count("misfire_cylinder", |(v, _)| misfires(v).and_then(|m| m.cylinder));
    t.number("misfire_concentration_p", "probability", |(v, _)| {
        misfires(v).map(|m| m.concentration_p)
    });
    t.number("misfire_dispersion", "ratio", |(v, _)| misfires(v).map(|m| m.dispersion));
    let economy = |v: &RankedVehicle| v.findings.economy.clone();
    t.estimate("economy_change_pct", "economy", "%", |(v, _)| economy(v).map(|e| e.change_pct));
    t.estimate("economy_refuel_change_pct", "economy_refuel", "%", |(v, _)| {
        economy(v).map(|e| e.refuel_change_pct)
    });
    t.number("litres_per_km", "L/km", |(v, _)| economy(v).map(|e| e.litres_per_km));
    t.count("days_of_data", |(v, _)| Some(v.findings.days_of_data));
    t.count("span_days", |(v, _)| Some(v.findings.span_days));
    t.count("trips", |(v, _)| Some(v.findings.trips));
    t.count("gated_samples", |(v, _)| usize::try_from(v.findings.gated).ok());
    t.number("off_from_start", "log-%", |(v, _)| Some(v.findings.off_from_start));
    t.count("peers", |(v, _)| Some(v.findings.peers));
    t.count("resets", |(v, _)| Some(v.findings.resets.len()));
    t.day("first_day", |(v, _)| v.findings.period.map(|p| p.0));
    t.day("last_day", |(v, _)| v.findings.period.map(|p| p.1));
    t.number("km_per_week", "km", |(v, _)| Some(v.findings.km_per_week));
    t.number("odometer_km", "km", |(v, _)| Some(v.findings.odometer_km));
}
