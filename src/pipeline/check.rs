//! `check`: settings, tables and the first rows of each source, without writing anything.

use super::{Error, Fleet, Progress, nightly};
use crate::ingest::{Chunk, ReadError, discover, read_file};
use crate::settings::{
    CostSettings, DecideSettings, GateSettings, IngestSettings, KeySpec, Pipeline, TestSettings,
};
use crate::tables::samples::Signal;
use std::fmt::Write;

/// What a check found.
#[derive(Debug)]
pub struct Checked {
    /// Text for the terminal.
    pub text: String,
    /// Some input cannot be read.
    pub unreadable: bool,
}

/// Rows shown of each source.
const ROWS_SHOWN: usize = 3;

/// Reads the first file of each source as a run would and shows its first rows.
///
/// # Errors
/// [`Error`] if settings, a profile or a fleet table are refused.
pub fn check(
    pipeline: &Pipeline,
    clock_us: i64,
    progress: &dyn Progress,
) -> Result<Checked, Error> {
    let fleet = Fleet::read(pipeline, progress)?;
    let profiles = nightly::profiles(pipeline)?;
    let limits = nightly::limits(pipeline, clock_us);
    let mut out = Checked { text: String::new(), unreadable: fleet.unusable_rows > 0 };
    let _ = writeln!(
        out.text,
        "{}: settings are in order\n{} vehicles, {} workshop records, {} refuels",
        pipeline.file.display(),
        fleet.register.len(),
        fleet.services.len(),
        fleet.refuels.len()
    );
    list_settings(pipeline, &mut out.text);
    for (source, profile) in pipeline.sources.iter().zip(&profiles) {
        let found = discover(&source.files);
        let patterns: Vec<String> = source.files.iter().map(|p| p.display().to_string()).collect();
        let _ = writeln!(
            out.text,
            "\nSource {} with profile `{}`: {} files",
            patterns.join(", "),
            profile.name(),
            found.files.len()
        );
        for (path, reason) in &found.left_out {
            out.unreadable = true;
            let _ = writeln!(out.text, "  left out: {}: {reason}", path.display());
        }
        let Some(path) = found.files.first() else { continue };
        let mut first: Option<Chunk> = None;
        let end: Result<_, ReadError<()>> = read_file(path, profile, &limits, None, &mut |chunk| {
            first.get_or_insert(chunk);
            Ok(())
        });
        match end {
            Ok(report) => {
                let _ = writeln!(
                    out.text,
                    "  {}: {} rows read, {} kept, {} rejected",
                    path.display(),
                    report.rows_read,
                    report.rows_kept,
                    report.rows_rejected
                );
                if let Some(chunk) = &first {
                    show_rows(chunk, &mut out.text);
                }
            }
            Err(error) => {
                out.unreadable = true;
                let _ = writeln!(out.text, "  {error}");
            }
        }
    }
    Ok(out)
}

/// Settings that differ from their default.
fn list_settings(pipeline: &Pipeline, text: &mut String) {
    let sections: [(&str, &[KeySpec], Vec<f64>); 5] = [
        ("ingest", IngestSettings::KEYS, pipeline.ingest.values()),
        ("gate", GateSettings::KEYS, pipeline.gate.values()),
        ("test", TestSettings::KEYS, pipeline.test.values()),
        ("decide", DecideSettings::KEYS, pipeline.decide.values()),
        ("cost", CostSettings::KEYS, pipeline.cost.values()),
    ];
    for (section, keys, values) in sections {
        for (key, value) in keys.iter().zip(values) {
            if (value - key.default).abs() > 0.0 {
                let _ = writeln!(
                    text,
                    "  [{section}] {} = {value} (default {}; {})",
                    key.key, key.default, key.about
                );
            }
        }
    }
}

/// The first rows as the tool reads them, a signal a line.
fn show_rows(chunk: &Chunk, text: &mut String) {
    let s = &chunk.samples;
    let n = s.len().min(ROWS_SHOWN);
    if n == 0 {
        return;
    }
    let row = |name: &str, cells: Vec<String>, text: &mut String| {
        let _ = write!(text, "    {name:22}");
        for c in cells {
            let _ = write!(text, " {c:>17.17}");
        }
        text.push('\n');
    };
    let time = |i: usize| {
        jiff::Timestamp::from_microsecond(s.time_us[i])
            .map_or(String::new(), |t| t.strftime("%m-%d %H:%M:%S%.3f").to_string())
    };
    row("time (UTC)", (0..n).map(time).collect(), text);
    let name = |i: usize| s.vehicles[s.vehicle[i] as usize].escape_debug().to_string();
    row("vehicle", (0..n).map(name).collect(), text);
    for signal in Signal::ALL {
        let Some(values) = s.signal(*signal) else { continue };
        let spec = signal.spec();
        let cells = (0..n)
            .map(|i| {
                if values[i].is_nan() {
                    "-".to_owned()
                } else {
                    format!("{} {}", values[i], spec.unit)
                }
            })
            .collect();
        row(spec.name, cells, text);
    }
}
