//! Whether there is enough data to call a vehicle sound.

use crate::settings::{DecideSettings, TestSettings};
use crate::tables::findings::{SeriesKind, VehicleFindings};

/// What is lacking, as a clause; `None` if the vehicle can be judged.
///
/// Little data is never 'sound': days with data, their span, their age and the trims themselves must
/// all suffice.
pub fn shortfall(
    findings: &VehicleFindings,
    test: &TestSettings,
    settings: &DecideSettings,
    as_of: i32,
) -> Option<String> {
    let Some((first, last)) = findings.period else {
        return Some("there is no trip in the lake".to_owned());
    };
    if f64::from(as_of - last) > settings.stale_days {
        return Some(format!("the last trip is {} days old", as_of - last));
    }
    let trims = |k: SeriesKind| matches!(k, SeriesKind::TrimAll(_));
    let days = findings.series.iter().filter(|s| trims(s.kind)).map(|s| s.days).max().unwrap_or(0);
    if days == 0 {
        return Some("no trip has fuel trims that pass the gate".to_owned());
    }
    let span = f64::from(last - first + 1);
    if (days as f64) < test.rows_min || span < test.days_min {
        return Some(format!(
            "{days} days with usable trims over {span:.0} days; {:.0} over {:.0} are needed",
            test.rows_min, test.days_min
        ));
    }
    if !findings.series.iter().any(|s| trims(s.kind) && s.log_r_up.is_finite()) {
        return Some("too few days since the last workshop visit to judge".to_owned());
    }
    None
}
