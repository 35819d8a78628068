//! How long something lasts when not all have ended yet.
//!
//! In: times and whether the end was seen. Out: the Kaplan-Meier curve with limits.

use super::special::normal_quantile;

/// One observed span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span {
    /// Length, any unit.
    pub time: f64,
    /// Whether it ended; otherwise observation stopped.
    pub ended: bool,
}

/// The curve just after one time of an end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurvivalStep {
    /// Time.
    pub time: f64,
    /// Spans that reached it.
    pub at_risk: usize,
    /// Ends at it.
    pub ends: usize,
    /// Share that lasts longer.
    pub survival: f64,
    /// Greenwood's standard error.
    pub standard_error: f64,
    /// Lower limit, log(-log) scale: stays inside 0..1 (R's default is log, lifelines' log(-log)).
    pub lo: f64,
    /// Upper limit.
    pub hi: f64,
}

/// Kaplan-Meier curve: Kaplan & Meier (1958), Greenwood (1926), limits Kalbfleisch & Prentice (1980).
///
/// Spans that stop at the time of an end are still at risk there.
#[must_use]
pub fn kaplan_meier(spans: &[Span], level: f64) -> Vec<SurvivalStep> {
    let mut spans = spans.to_vec();
    spans.sort_by(|a, b| a.time.total_cmp(&b.time));
    let z = normal_quantile(0.5 + 0.5 * level);
    let (mut at_risk, mut survival, mut greenwood) = (spans.len(), 1.0_f64, 0.0_f64);
    let mut steps = Vec::new();
    for same_time in spans.chunk_by(|a, b| a.time == b.time) {
        let ends = same_time.iter().filter(|s| s.ended).count();
        if ends > 0 {
            let (n, d) = (at_risk as f64, ends as f64);
            survival *= 1.0 - d / n;
            greenwood += d / (n * (n - d));
            let (lo, hi) = log_log_limits(survival, greenwood, z);
            let standard_error = if survival > 0.0 { survival * greenwood.sqrt() } else { 0.0 };
            let time = same_time[0].time;
            steps.push(SurvivalStep { time, at_risk, ends, survival, standard_error, lo, hi });
        }
        at_risk -= same_time.len();
    }
    steps
}

fn log_log_limits(survival: f64, greenwood: f64, z: f64) -> (f64, f64) {
    if survival <= 0.0 {
        return (0.0, 0.0); // all have ended: the scale has no room left
    }
    let log = survival.ln();
    let reach = z * greenwood.sqrt() / log;
    (survival.powf((-reach).exp()), survival.powf(reach.exp()))
}

/// First time at which no more than half last; `None` while more than half do.
#[must_use]
pub fn median_time(steps: &[SurvivalStep]) -> Option<f64> {
    // A product that is one half in exact arithmetic may round to just above it.
    steps.iter().find(|s| s.survival <= 0.5 + 1e-12).map(|s| s.time)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_ended_and_all_ended() {
        let open = Span { time: 5.0, ended: false };
        assert!(kaplan_meier(&[open, open], 0.95).is_empty());
        let closed = Span { time: 5.0, ended: true };
        let steps = kaplan_meier(&[closed, closed], 0.95);
        assert_eq!(steps[0].survival, 0.0);
        assert_eq!(median_time(&steps), Some(5.0));
    }
}
