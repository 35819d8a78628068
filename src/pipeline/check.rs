//! `check`: settings, tables and the first rows of each source, without writing anything.

use super::side_by_side::side_by_side;
use super::{Error, Fleet, Progress, nightly};
use crate::ingest::discover;
use crate::settings::{
    CostSettings, DecideSettings, GateSettings, IngestSettings, KeySpec, Pipeline, TestSettings,
};
use std::fmt::Write;

/// What a check found.
#[derive(Debug)]
pub struct Checked {
    /// Text for the terminal.
    pub text: String,
    /// Some input cannot be read.
    pub unreadable: bool,
}

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
        let shown = side_by_side(path, profile, &limits, &mut out.text);
        if let Err(error) = shown {
            out.unreadable = true;
            let _ = writeln!(out.text, "  {error}");
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
