//! From what happened to each vehicle to the figures of the trial.

use super::TrialResult;
use super::generator::FaultKind;
use super::nights::{Grown, Said, VehicleRun};
use crate::stats::counts::{Counted, garwood};
use crate::tables::findings::Action;
use std::collections::BTreeMap;

/// Final severity from which a fault counts in the figures of delay, percent (as in the study).
pub(super) const COUNTS_FROM_PCT: f64 = 5.0;

/// A rate per vehicle-year with its 95 % interval (Garwood's exact Poisson limits).
#[derive(Debug, Clone, Copy)]
pub(super) struct Rate {
    pub(super) count: usize,
    pub(super) years: f64,
    pub(super) lo: f64,
    pub(super) hi: f64,
}

impl Rate {
    pub(super) fn new(count: usize, years: f64) -> Rate {
        let (lo, hi) = garwood(Counted { count: count as u64, exposure: years }, 0.95);
        Rate { count, years, lo, hi }
    }

    pub(super) fn per_year(&self) -> f64 {
        self.count as f64 / self.years
    }
}

/// False flags of the analysis.
pub(super) fn false_flags(result: &TrialResult) -> Rate {
    let flagged = result.vehicles().filter(|v| v.is_false_flag()).count();
    let years = result.vehicles().map(|v| v.sound_years(v.flag.map(|f| f.0))).sum();
    Rate::new(flagged, years)
}

/// False flags by what they rested on, most frequent first: name, count, and how many of them had innocent
/// steps of more than 0.7 % in force.
pub(super) fn false_grounds(result: &TrialResult) -> Vec<(String, usize, usize)> {
    let mut counts: BTreeMap<String, (usize, usize)> = BTreeMap::new();
    for v in result.vehicles().filter(|v| v.is_false_flag()) {
        if let Some((_, ground)) = v.flag {
            let entry = counts.entry(ground.name()).or_default();
            entry.0 += 1;
            entry.1 += usize::from(v.steps_at_flag.abs() > 0.7);
        }
    }
    let mut list: Vec<_> = counts.into_iter().map(|(name, (n, s))| (name, n, s)).collect();
    list.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    list
}

/// Flags of the mirrored test.
pub(super) fn mirror(result: &TrialResult) -> Rate {
    let flags = result.fleets.iter().map(|f| f.mirror_flags).sum();
    Rate::new(flags, result.fleets.iter().map(|f| f.mirror_years).sum())
}

/// False alarms of plain rule `rule`.
pub(super) fn plain_false(result: &TrialResult, rule: usize) -> Rate {
    let flagged = result.vehicles().filter(|v| v.plain_false[rule].is_some()).count();
    let years = result.vehicles().map(|v| v.sound_years(v.plain_false[rule])).sum();
    Rate::new(flagged, years)
}

/// When faults were found.
#[derive(Debug, Clone, Default)]
pub(super) struct Delay {
    /// Faults that reached [`COUNTS_FROM_PCT`] and were not flagged before their onset.
    pub(super) faults: usize,
    pub(super) found: usize,
    /// Severity at the flag: median and 90th percentile; infinite where never found.
    pub(super) severity: (f64, f64),
    /// Distance since the onset at the flag, km: median and 90th percentile.
    pub(super) km: (f64, f64),
    /// Faults that reached 10 %, and how many of them were not flagged by then.
    pub(super) reached_ten: usize,
    pub(super) missed_ten: usize,
}

/// A flag as seen by the delay: severity, km since onset, day.
type Found = Option<(f64, f64, i32)>;

/// Delay over the vehicles that `keep` chooses, of the analysis, by a measure of the fault's size.
pub(super) fn delay(
    result: &TrialResult,
    size: fn(&VehicleRun) -> Grown,
    keep: impl Fn(&VehicleRun) -> bool,
) -> Delay {
    let found =
        |v: &VehicleRun| -> Found { v.flag.map(|(day, _)| (size(v).at_flag, v.km_at_flag, day)) };
    collect(result.vehicles().filter(|v| keep(v) && !v.is_false_flag()), size, found)
}

/// Delay of plain rule `rule` over growing faults of the trim.
pub(super) fn plain_delay(result: &TrialResult, rule: usize) -> Delay {
    let found = |v: &VehicleRun| -> Found {
        let rate = v.fault.as_ref().map_or(f64::NAN, |f| f.rate);
        v.plain_found[rule].map(|(day, severity)| (severity, severity / rate * 10_000.0, day))
    };
    collect(result.vehicles().filter(|v| drifts(v)), |v| v.severity, found)
}

/// Whether a vehicle has a growing fault that shows in its trim.
pub(super) fn drifts(v: &VehicleRun) -> bool {
    v.fault.as_ref().is_some_and(|f| f.kind.drifts_in_trim())
}

/// Whether a vehicle has a leak whose size is measured where the vehicle is hardly ever seen: at idle, on a hybrid.
pub(super) fn leak_unseen(v: &VehicleRun) -> bool {
    v.vehicle.hybrid && of_kind(FaultKind::AirLeak)(v)
}

/// Whether a vehicle has a fault of `kind`.
pub(super) fn of_kind(kind: FaultKind) -> impl Fn(&VehicleRun) -> bool {
    move |v| v.fault.as_ref().is_some_and(|f| f.kind == kind)
}

fn collect<'v>(
    vehicles: impl Iterator<Item = &'v VehicleRun>,
    size: fn(&VehicleRun) -> Grown,
    found: impl Fn(&VehicleRun) -> Found,
) -> Delay {
    let mut delay = Delay::default();
    let (mut severities, mut distances) = (Vec::new(), Vec::new());
    for v in vehicles {
        if let Some(ten) = size(v).day_of_ten {
            delay.reached_ten += 1;
            delay.missed_ten += usize::from(found(v).is_none_or(|f| f.2 > ten));
        }
        if size(v).at_end < COUNTS_FROM_PCT {
            continue;
        }
        delay.faults += 1;
        delay.found += usize::from(found(v).is_some());
        severities.push(found(v).map_or(f64::INFINITY, |f| f.0));
        distances.push(found(v).map_or(f64::INFINITY, |f| f.1));
    }
    delay.severity = (quantile(&severities, 0.5), quantile(&severities, 0.9));
    delay.km = (quantile(&distances, 0.5), quantile(&distances, 0.9));
    delay
}

/// Quantile by linear interpolation between order statistics (Hyndman and Fan's type 7), `NaN` of nothing.
pub(super) fn quantile(values: &[f64], p: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let Some(last) = sorted.len().checked_sub(1) else { return f64::NAN };
    let at = p * last as f64;
    let (low, high) = (at.floor() as usize, at.ceil() as usize);
    if low == high || sorted[low] == sorted[high] {
        return sorted[low];
    }
    sorted[low] + (at - at.floor()) * (sorted[high] - sorted[low])
}

/// Which look at a flagged vehicle is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Look {
    /// The first after the flag.
    Flag,
    /// The first at which the vehicle is flagged and its fault has reached 6 %.
    Six,
}

/// Found vehicles with what was said of them at `look`.
pub(super) fn said(result: &TrialResult, look: Look) -> Vec<(&VehicleRun, FaultKind, &Said)> {
    result
        .vehicles()
        .filter(|v| v.is_found())
        .filter_map(|v| {
            let said = match look {
                Look::Flag => v.at_flag.as_ref(),
                Look::Six => v.at_six.as_ref(),
            };
            Some((v, v.fault.as_ref()?.kind, said.filter(|s| s.acted)?))
        })
        .collect()
}

/// All actions, in the columns of the confusion table.
pub(super) const ACTIONS: [Action; 7] = [
    Action::InjectorCleaning,
    Action::IntakeCleaning,
    Action::CheckAirLeak,
    Action::CheckFuelSupply,
    Action::CheckAirflowSensor,
    Action::CheckIgnition,
    Action::None,
];

/// Counts by fault (rows as [`FaultKind::ALL`]) and action (columns as [`ACTIONS`]).
pub(super) fn confusion(result: &TrialResult, look: Look) -> Vec<[usize; 7]> {
    let mut table = vec![[0; 7]; FaultKind::ALL.len()];
    for (_, kind, said) in said(result, look) {
        let row = FaultKind::ALL.iter().position(|k| *k == kind);
        let column = ACTIONS.iter().position(|a| *a == said.action);
        if let (Some(row), Some(column)) = (row, column) {
            table[row][column] += 1;
        }
    }
    table
}

/// Right actions and all actions.
pub(super) fn accuracy(result: &TrialResult, look: Look) -> (usize, usize) {
    let list = said(result, look);
    (list.iter().filter(|(_, kind, said)| said.action == kind.action()).count(), list.len())
}

/// How intervals do against the truth.
#[derive(Debug, Clone, Copy)]
pub(super) struct Coverage {
    pub(super) covered: usize,
    pub(super) below: usize,
    pub(super) above: usize,
    pub(super) width: f64,
    pub(super) bias: f64,
}

/// An interval beside the truth.
pub(super) type Held = (f64, f64, f64, f64);

impl Coverage {
    pub(super) fn of(list: &[Held]) -> Coverage {
        let count = |f: &dyn Fn(&Held) -> bool| list.iter().filter(|x| f(x)).count();
        let of = |f: &dyn Fn(&Held) -> f64| quantile(&list.iter().map(f).collect::<Vec<_>>(), 0.5);
        Coverage {
            covered: count(&|(_, lo, hi, t)| lo <= t && t <= hi),
            below: count(&|(_, lo, _, t)| t < lo),
            above: count(&|(_, _, hi, t)| t > hi),
            width: of(&|x| x.2 - x.1),
            bias: of(&|x| x.0 - x.3),
        }
    }

    pub(super) fn total(&self) -> usize {
        self.covered + self.below + self.above
    }
}

/// Coverage of the drift interval at the flag, 60 and 120 days later, for growing faults of the trim.
pub(super) fn drift_coverage(result: &TrialResult) -> [Coverage; 3] {
    let at = |pick: &dyn Fn(&VehicleRun) -> Option<&Said>| {
        let list: Vec<_> = result
            .vehicles()
            .filter(|v| v.is_found() && drifts(v))
            .filter_map(|v| pick(v)?.drift)
            .map(|(_, e, truth)| (e.value, e.lo, e.hi, truth))
            .collect();
        Coverage::of(&list)
    };
    [at(&|v| v.at_flag.as_ref()), at(&|v| v.later[0].as_ref()), at(&|v| v.later[1].as_ref())]
}

/// Coverage of the change of fuel per km from logs and from refuels: at the end, at the flag, and of vehicles
/// with nothing wrong on any day.
pub(super) fn economy_coverage(result: &TrialResult) -> [[Coverage; 2]; 3] {
    [0, 1, 2].map(|look: usize| {
        [0, 1].map(|witness: usize| {
            let list: Vec<_> = result
                .vehicles()
                .filter(|v| look < 2 || v.fault.is_none())
                .filter_map(|v| v.economy[look][witness])
                .map(|(e, truth)| (e.value, e.lo, e.hi, truth))
                .collect();
            Coverage::of(&list)
        })
    })
}

/// Edges of the calibration table.
pub(super) const BINS: [f64; 8] = [0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.000_001];

/// One line of the calibration table.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Bin {
    pub(super) vehicles: usize,
    pub(super) stated: f64,
    pub(super) right: usize,
}

/// Stated probability of the most likely cause against how often it is right, and the Brier score.
pub(super) fn calibration(result: &TrialResult, look: Look) -> (Vec<Bin>, f64) {
    let mut bins = vec![Bin::default(); BINS.len() - 1];
    let (mut brier, mut total) = (0.0, 0.0);
    for (_, kind, said) in said(result, look) {
        let Some((cause, p)) = said.cause else { continue };
        let right = cause == kind.cause();
        let Some(bin) = BINS.windows(2).position(|w| (w[0]..w[1]).contains(&p)) else { continue };
        bins[bin].vehicles += 1;
        bins[bin].stated += p;
        bins[bin].right += usize::from(right);
        brier += (p - f64::from(u8::from(right))).powi(2);
        total += 1.0;
    }
    (bins, brier / total)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_keep_what_was_never_found() {
        assert_eq!(quantile(&[1.0, 2.0, 3.0, f64::INFINITY], 0.5), 2.5);
        assert_eq!(quantile(&[1.0, f64::INFINITY, f64::INFINITY], 0.9), f64::INFINITY);
        assert!(quantile(&[], 0.5).is_nan());
    }

    #[test]
    fn coverage_tells_the_sides_apart() {
        let c =
            Coverage::of(&[(0.0, -1.0, 1.0, 0.5), (0.0, -1.0, 1.0, 2.0), (0.0, -1.0, 1.0, -3.0)]);
        assert_eq!((c.covered, c.below, c.above, c.total()), (1, 1, 1, 3));
    }
}
