//! What people write: source profiles, pipelines, tables of the fleet; and the profile that is proposed for a log.

use std::path::Path;

use trimdrift::ingest::{
    BUILT_IN, FleetTable, IngestError, Profile, ReadError, read_file, read_refuels, read_register,
    read_services, suggest,
};

use super::{Case, Outcome, Target};
use crate::ingest_csv::limits;

pub(super) fn targets() -> Vec<Target> {
    vec![
        Target::new("source profile", "profile", 100, profile),
        Target::new("pipeline", "pipeline", 100, pipeline),
        Target::new("register", "register", 200, |case| {
            table(case, read_register, |v| {
                assert!((1..=12).contains(&v.cylinders) && (1..=2).contains(&v.banks), "{v:?}");
                assert!(v.displacement_l.is_none_or(|d| (0.1..=20.0).contains(&d)), "{v:?}");
                assert!(v.plugs_changed_km.is_none_or(|km| (0.0..=1e7).contains(&km)), "{v:?}");
                v.vehicle.clone()
            })
        }),
        Target::new("services", "services", 200, |case| {
            table(case, read_services, |s| {
                assert!(s.odometer_km.is_none_or(|km| (0.0..=1e7).contains(&km)), "{s:?}");
                assert!(s.cost.is_none_or(|c| (0.0..=1e9).contains(&c)), "{s:?}");
                s.vehicle.clone()
            })
        }),
        Target::new("refuels", "refuels", 200, |case| {
            table(case, read_refuels, |r| {
                assert!(r.litres.is_finite() && r.litres >= 0.0, "{r:?}");
                assert!(r.odometer_km.is_none_or(|km| (0.0..=1e7).contains(&km)), "{r:?}");
                r.vehicle.clone()
            })
        }),
        Target::new("profile suggestion", "suggest", 50, suggestion),
    ]
}

const REFUSED: Outcome = Outcome { kept: 0, rejected: 0, refused: true };

/// Rows add up, and every name is one.
fn table<T>(
    case: &mut Case<'_>,
    read: fn(&Path) -> Result<FleetTable<T>, IngestError>,
    checked: fn(&T) -> String,
) -> Outcome {
    let path = case.folder.join("table.csv");
    std::fs::write(&path, case.bytes).unwrap();
    let Ok(table) = read(&path) else { return REFUSED };
    for row in &table.rows {
        let name = checked(row);
        assert!(!name.is_empty() && !name.chars().any(char::is_control), "{name:?}");
    }
    let rejected = table.problems.iter().filter(|p| p.fatal).count() as u64;
    assert_eq!(table.rows_read, table.rows.len() as u64 + rejected, "rows add up");
    for problem in &table.problems {
        assert!(
            (1..=table.rows_read).contains(&problem.row) && problem.found.chars().count() <= 81
        );
    }
    Outcome { kept: table.rows.len() as u64, rejected, refused: false }
}

/// What is accepted reads a log without harm; what is refused is refused with a message that names the file.
fn profile(case: &mut Case<'_>) -> Outcome {
    let text = String::from_utf8_lossy(case.bytes);
    match Profile::parse(Path::new("own.toml"), &text) {
        Ok(profile) => {
            let log = case.folder.join("V1_2024-01-05T223300Z.csv");
            std::fs::write(&log, "time,vehicle,trip,rpm\n2024-01-05T22:33:00Z,V1,t,800\n1,2,3\n")
                .unwrap();
            match read_file(&log, &profile, &limits(), None, &mut |_| Ok::<(), ()>(())) {
                Ok(report) => assert_eq!(report.rows_read, report.rows_kept + report.rows_rejected),
                Err(ReadError::Input(error)) => assert!(error.to_string().len() < 5000, "{error}"),
                Err(ReadError::Sink(())) => unreachable!("the sink takes everything"),
            }
            Outcome { kept: 1, ..Outcome::default() }
        }
        Err(error) => {
            assert!(error.to_string().contains("own.toml"), "{error}");
            REFUSED
        }
    }
}

fn pipeline(case: &mut Case<'_>) -> Outcome {
    let path = case.folder.join("pipeline.toml");
    std::fs::write(&path, case.bytes).unwrap();
    match trimdrift::settings::load(&path, BUILT_IN) {
        Ok(pipeline) => {
            assert!(pipeline.gate.values().iter().all(|v| v.is_finite()));
            assert!(!pipeline.sources.is_empty() && !pipeline.lake.is_empty());
            Outcome { kept: 1, ..Outcome::default() }
        }
        Err(error) => {
            assert!(error.to_string().contains("pipeline.toml"), "{error}");
            REFUSED
        }
    }
}

/// A proposed profile is accepted as it stands, and what it reads adds up.
fn suggestion(case: &mut Case<'_>) -> Outcome {
    let path = case.folder.join("log.csv");
    std::fs::write(&path, case.bytes).unwrap();
    let Ok(proposed) = suggest(&path, &limits()) else { return REFUSED };
    let profile = Profile::parse(Path::new("proposed.toml"), &proposed.toml);
    let profile = match profile {
        Ok(profile) => profile,
        // Without a time or a vehicle a profile is only a draft, and says so.
        Err(_)
            if ["the time:", "the vehicle:"]
                .iter()
                .any(|w| proposed.toml.contains(&format!("# Not decided: {w}"))) =>
        {
            return REFUSED;
        }
        // Nor is one that would read no signal.
        Err(IngestError::MissingKey { key, .. })
            if key == "columns" && proposed.toml.contains("# Not decided: `rpm`") =>
        {
            return REFUSED;
        }
        Err(error) => panic!("{error}\n{}", proposed.toml),
    };
    match read_file(&path, &profile, &limits(), None, &mut |_| Ok::<(), ()>(())) {
        Ok(report) => {
            Outcome { kept: report.rows_kept, rejected: report.rows_rejected, refused: false }
        }
        Err(_) => REFUSED,
    }
}
