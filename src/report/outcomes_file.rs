//! `outcomes.csv` (one row per workshop job) and `outcome_summary.csv` (one row per kind of work).
//!
//! Rounding as in `ranking.csv`: money, trim and economy 2 places, misfire rates 4, days whole.

use super::cells::{self, Row};
use super::{ReportError, ReportInput};
use crate::tables::findings::{Estimate, Outcome, OutcomeSummary};

/// Columns of `outcomes.csv`.
pub const JOB_COLUMNS: [&str; 20] = [
    "date",
    "vehicle",
    "service",
    "verdict",
    "cost",
    "trim_before_pct",
    "trim_after_pct",
    "trim_change_pct",
    "trim_change_lo",
    "trim_change_hi",
    "misfire_before_per_1000_rev",
    "misfire_after_per_1000_rev",
    "economy_change_pct",
    "economy_lo",
    "economy_hi",
    "days_after",
    "days_until_next_flag",
    "misfire_ratio",
    "misfire_ratio_lo",
    "misfire_ratio_hi",
];

/// Columns of `outcome_summary.csv`.
pub const SUMMARY_COLUMNS: [&str; 19] = [
    "service",
    "jobs",
    "judged",
    "worked",
    "no_effect",
    "worse",
    "trim_change_median_pct",
    "trim_change_lo",
    "trim_change_hi",
    "misfire_change_median_per_1000_rev",
    "misfire_change_lo",
    "misfire_change_hi",
    "economy_change_median_pct",
    "economy_lo",
    "economy_hi",
    "cost_median",
    "flagged_again",
    "days_until_next_flag_median",
    "unclear",
];

/// `outcomes.csv`.
///
/// # Errors
/// Only a fault of this program.
pub fn jobs(input: &ReportInput<'_>) -> Result<Vec<u8>, ReportError> {
    cells::file("outcomes.csv", &JOB_COLUMNS, input.outcomes.iter().map(job))
}

/// `outcome_summary.csv`.
///
/// # Errors
/// Only a fault of this program.
pub fn summary(input: &ReportInput<'_>) -> Result<Vec<u8>, ReportError> {
    cells::file("outcome_summary.csv", &SUMMARY_COLUMNS, input.summaries.iter().map(kind_of_work))
}

fn job(o: &Outcome) -> Row {
    let [misfire_before, misfire_after] = o.misfire_before_after;
    let mut row = Row::default();
    row.day(Some(o.day)).text(&o.vehicle).text(&o.service).text(o.verdict).number(o.cost, 2);
    row.number(o.trim_before_pct, 2).number(o.trim_after_pct, 2);
    estimate(&mut row, o.trim_change_pct, 2);
    row.number(misfire_before, 4).number(misfire_after, 4);
    estimate(&mut row, o.economy_change_pct, 2);
    row.number(f64::from(o.days_after), 0);
    row.number(o.days_until_next_flag.map_or(f64::NAN, f64::from), 0);
    estimate(&mut row, o.misfire_ratio, 3);
    row
}

fn kind_of_work(s: &OutcomeSummary) -> Row {
    let mut row = Row::default();
    row.text(&s.service).count(Some(s.jobs)).count(Some(s.judged));
    row.count(Some(s.worked)).count(Some(s.no_effect)).count(Some(s.worse));
    estimate(&mut row, s.trim_change_pct, 2);
    estimate(&mut row, s.misfire_change_per_1000_rev, 4);
    estimate(&mut row, s.economy_change_pct, 2);
    row.number(s.cost_median, 2).count(Some(s.flagged_again));
    row.number(s.days_until_next_flag_median, 0).count(Some(s.unclear));
    row
}

fn estimate(row: &mut Row, e: Estimate, decimals: usize) {
    row.number(e.value, decimals).number(e.lo, decimals).number(e.hi, decimals);
}
