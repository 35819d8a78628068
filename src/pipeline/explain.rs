//! Every number behind one verdict, down to trips and source files.

use super::{Error, Fleet, Progress, judge};
use crate::lake::{Lake, Mode};
use crate::report::explain::{TripRow, text};
use crate::settings::Pipeline;
use crate::tables::trips::{BANKS, Trip};
use std::collections::{BTreeMap, BTreeSet};

/// The explanation of `vehicle`'s verdict as text for a terminal of `width` columns.
///
/// # Errors
/// [`Error::UnknownVehicle`], or the lake cannot be read.
pub fn explain(
    pipeline: &Pipeline,
    vehicle: &str,
    as_of: Option<i32>,
    width: usize,
    progress: &dyn Progress,
) -> Result<String, Error> {
    let fleet = Fleet::read(pipeline, progress)?;
    let snapshot = Lake::open(&pipeline.lake, Mode::Read)?.snapshot()?;
    let judged = judge(pipeline, &fleet, &snapshot, as_of, progress)?;
    let Some(ranked) = judged.ranked.iter().find(|r| r.vehicle == vehicle) else {
        return Err(unknown(pipeline, vehicle, &judged.ranked));
    };
    let paths: BTreeMap<&str, &str> =
        snapshot.sources().iter().map(|s| (s.file_digest.as_str(), s.path.as_str())).collect();
    let only = BTreeSet::from([vehicle.to_owned()]);
    let trips: Vec<TripRow> = snapshot
        .trips(Some(&only))?
        .iter()
        .filter(|t| t.start_us.div_euclid(86_400_000_000) <= i64::from(judged.as_of))
        .map(|t| row(t, &paths))
        .collect();
    Ok(text(&judged.report_input(pipeline), ranked, &trips, width))
}

fn unknown(
    pipeline: &Pipeline,
    vehicle: &str,
    ranked: &[crate::tables::findings::RankedVehicle],
) -> Error {
    let nearest = ranked
        .iter()
        .map(|r| (strsim::jaro_winkler(vehicle, &r.vehicle), &r.vehicle))
        .filter(|(score, _)| *score > 0.7)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    Error::UnknownVehicle {
        vehicle: vehicle.to_owned(),
        register: pipeline.fleet.register.display().to_string(),
        hint: nearest.map_or(String::new(), |(_, n)| format!("; did you mean `{n}`?")),
    }
}

fn row(t: &Trip, paths: &BTreeMap<&str, &str>) -> TripRow {
    let mut means = [[f64::NAN; 3]; BANKS];
    for (bank, bands) in t.bands.iter().enumerate() {
        for (band, sums) in bands.iter().enumerate() {
            if sums.n > 0.0 {
                means[bank][band] = sums.y / sums.n;
            }
        }
    }
    TripRow {
        vehicle: t.vehicle.clone(),
        trip: t.trip.clone(),
        start_us: t.start_us,
        km: t.km,
        gated: t.gated,
        means,
        source: paths.get(t.source.as_str()).copied().unwrap_or(&t.source).to_owned(),
    }
}
