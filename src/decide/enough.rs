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
    if let Some(days) = stale(findings, settings, as_of) {
        return Some(format!("the last trip is {days} days old"));
    }
    if findings.gated == 0 {
        return Some("no trip has fuel trims that pass the gate".to_owned());
    }
    let trims = findings.series.iter().filter(|s| s.kind.is_trim_level());
    let days = trims.map(|s| s.days_in_all).max().unwrap_or(0);
    let span = f64::from(last - first + 1);
    if (days as f64) < test.rows_min || span < test.days_min {
        return Some(format!(
            "{days} days with usable trims over {span:.0} days; {:.0} over {:.0} are needed",
            test.rows_min, test.days_min
        ));
    }
    // After a repair the drift cannot be judged for a while, but the level can.
    let judged = findings
        .of(SeriesKind::TrimAll)
        .is_some_and(|s| s.log_r_up.is_finite() || s.change_from_first.is_known());
    (!judged).then(|| {
        let mended = findings.of(SeriesKind::TrimAll).is_some_and(|s| s.repaired_on.is_some());
        let why = if mended {
            "work has changed the fuel correction, and too few days lie between the new baseline and now"
        } else {
            "too few days lie between the baseline and now"
        };
        why.to_owned()
    })
}

/// Age of the last trip in days where it is too old to tell of the vehicle as it is now.
pub(super) fn stale(
    findings: &VehicleFindings,
    settings: &DecideSettings,
    as_of: i32,
) -> Option<i32> {
    let age = as_of - findings.period?.1;
    (f64::from(age) > settings.stale_days).then_some(age)
}
