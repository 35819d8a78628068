//! From the lake's days to the ranked fleet.

use super::{Error, Fleet, Progress};
use crate::decide::decide;
use crate::evidence::{self, Evidence};
use crate::lake::{Snapshot, SourceRow};
use crate::outcomes;
use crate::rank::rank;
use crate::report::{FileCounts, ReportInput};
use crate::settings::Pipeline;
use crate::tables::days::day_of;
use crate::tables::findings::{
    GroupAlarm, GuaranteeFigures, Outcome, OutcomeSummary, RankedVehicle,
};
use rayon::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

/// The judged fleet.
#[derive(Debug)]
pub struct Judged {
    /// Last day that counted, days since 1970-01-01.
    pub as_of: i32,
    /// Every registered vehicle once, most urgent first.
    pub ranked: Vec<RankedVehicle>,
    /// What workshop work achieved.
    pub outcomes: Vec<Outcome>,
    /// The same by kind of work.
    pub summaries: Vec<OutcomeSummary>,
    /// Families that drift as a whole.
    pub group_alarms: Vec<GroupAlarm>,
    /// Designed and measured rate of false flags.
    pub guarantee: GuaranteeFigures,
    /// Vehicles in the lake that the register does not know.
    pub unregistered: Vec<String>,
    /// Rows of every source in the lake, by path.
    pub files: Vec<FileCounts>,
    /// What the reader of the report must know.
    pub notes: Vec<String>,
}

/// Judges every registered vehicle on the data of `snapshot` up to `as_of`.
///
/// # Errors
/// [`Error::Lake`] if the lake cannot be read.
pub fn judge(
    pipeline: &Pipeline,
    fleet: &Fleet,
    snapshot: &Snapshot,
    as_of: Option<i32>,
    progress: &dyn Progress,
) -> Result<Judged, Error> {
    progress.stage("evidence", None);
    let days = snapshot.days(as_of)?;
    let last = days.values().filter_map(|d| d.last()).map(|d| d.day).max().unwrap_or(0);
    let as_of = as_of.unwrap_or(last);
    let input = evidence::Input {
        register: &fleet.register,
        days: &days,
        services: &fleet.services,
        refuels: &fleet.refuels,
        test: &pipeline.test,
        decide: &pipeline.decide,
        as_of,
    };
    let Evidence { vehicles, adjusted, adjusted_fuel, group_alarms, guarantee } =
        evidence::assess(&input);
    let outcomes = outcomes::assess(
        &fleet.services,
        &adjusted,
        &adjusted_fuel,
        &days,
        &pipeline.decide,
        as_of,
    );
    let verdicts = fleet
        .register
        .par_iter()
        .zip(vehicles)
        .map(|(vehicle, findings)| {
            let verdict = decide(vehicle, &findings, &pipeline.test, &pipeline.decide, as_of);
            (vehicle, findings, verdict)
        })
        .collect();
    let ranked = rank(verdicts, &pipeline.cost);
    assert_eq!(ranked.len(), fleet.register.len(), "every registered vehicle is ranked once");
    let registered: BTreeSet<&str> = fleet.register.iter().map(|v| v.vehicle.as_str()).collect();
    let unregistered: Vec<String> =
        days.keys().filter(|v| !registered.contains(v.as_str())).cloned().collect();
    let mut notes = Vec::new();
    if !unregistered.is_empty() {
        let message = format!(
            "{} vehicle(s) in the logs are not in {}: {}. Their trips are kept; add them to the register to have them ranked",
            unregistered.len(),
            pipeline.fleet.register.display(),
            first_names(&unregistered),
        );
        progress.warn(&message);
        notes.push(message);
    }
    Ok(Judged {
        as_of,
        ranked,
        summaries: outcomes::summarise(&outcomes),
        outcomes,
        group_alarms,
        guarantee,
        files: file_counts(snapshot.sources(), as_of),
        unregistered,
        notes,
    })
}

/// Rows kept and rejected by path, of sources that had begun by then; of a file that has grown, its longest state, which counts the others.
fn file_counts(sources: &[SourceRow], as_of: i32) -> Vec<FileCounts> {
    let mut longest: BTreeMap<&str, &SourceRow> = BTreeMap::new();
    let known = |s: &&SourceRow| s.first_us.is_none_or(|t| day_of(t) <= as_of);
    for s in sources.iter().filter(known) {
        let entry = longest.entry(&s.path).or_insert(s);
        if s.decoded_bytes > entry.decoded_bytes {
            *entry = s;
        }
    }
    longest
        .into_iter()
        .map(|(path, s)| FileCounts {
            file: path.to_owned(),
            kept: s.rows_kept,
            rejected: s.rows_rejected,
        })
        .collect()
}

fn first_names(names: &[String]) -> String {
    let shown: Vec<String> = names.iter().take(5).map(|n| n.escape_debug().to_string()).collect();
    let more = if names.len() > 5 { ", …" } else { "" };
    format!("{}{more}", shown.join(", "))
}

impl Judged {
    /// What the report stage needs.
    pub fn report_input<'a>(&'a self, pipeline: &'a Pipeline) -> ReportInput<'a> {
        ReportInput {
            as_of_day: self.as_of,
            currency: &pipeline.currency,
            correction_limit_pct: pipeline.decide.correction_limit_pct,
            ranked: &self.ranked,
            outcomes: &self.outcomes,
            summaries: &self.summaries,
            files: &self.files,
            group_alarms: &self.group_alarms,
            guarantee: self.guarantee,
            tool_version: env!("CARGO_PKG_VERSION"),
            notes: &self.notes,
        }
    }
}
