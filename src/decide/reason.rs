//! The one sentence that says why.

use super::{Dated, Ground, Lapse, from_nought, strongest_band};
use crate::quantity::percent;
use crate::tables::findings::{Cause, SeriesKind, State, VehicleFindings, Verdict};

/// What a verdict rests on.
#[derive(Debug)]
pub(super) struct Because<'a> {
    pub(super) grounds: &'a [Dated],
    /// Likeliest cause, and that of other work if it is nearly as likely.
    pub(super) causes: &'a [(Cause, f64)],
    /// The series whose drift the verdict tells.
    pub(super) drift_of: Option<SeriesKind>,
    /// What was found once and is none to act on any more.
    pub(super) lapsed: Option<(Ground, Lapse)>,
    /// Recorded work whose effect cannot be told yet.
    pub(super) pending: Option<&'a (i32, String)>,
    /// The series for whose sake the vehicle is watched.
    pub(super) watched: Option<SeriesKind>,
    pub(super) lacking: Option<&'a str>,
    /// Total correction at which the engine computer gives up, percent.
    pub(super) correction_limit_pct: f64,
}

/// Plain sentence for a verdict.
pub(super) fn sentence(
    verdict: &Verdict,
    findings: &VehicleFindings,
    because: &Because<'_>,
) -> String {
    if let (State::Watch, Some((day, work))) = (verdict.state, because.pending) {
        let days = findings.period.map_or(0, |(_, last)| last - day);
        let when = match days {
            ..0 => "after its last trip".to_owned(),
            0 => "on the day of its last trip".to_owned(),
            1 => "one day before its last trip".to_owned(),
            days => format!("{days} days before its last trip"),
        };
        return format!(
            "It was flagged, and {} was recorded {when}: whether that was enough shows after ten days with trips that tell.",
            work.replace('_', " ")
        );
    }
    match (verdict.state, because.lapsed, because.watched) {
        (State::Watch, Some((ground, Lapse::Home)), _) => return home_clause(findings, ground),
        // What builds up now is more than what has gone.
        (State::Watch, Some((ground, Lapse::Small)), None) => {
            return lapsed_clause(verdict, findings, ground);
        }
        (State::Watch, Some((_, Lapse::Jump)), None) => {
            return "A drift was found, but nothing has moved since: a jump, as another fuel or sensor makes it, tells of it as well."
                .to_owned();
        }
        _ => {}
    }
    match verdict.state {
        State::TooLittleData => {
            format!(
                "Nothing can be said: {}.",
                because.lacking.unwrap_or("there is too little data")
            )
        }
        State::Sound if findings.misfires.is_none() => {
            "No drift and no lasting change beyond the ordinary; the logs carry no misfire counters.".to_owned()
        }
        State::Sound => {
            "No drift, no lasting change and no misfires beyond the ordinary.".to_owned()
        }
        State::Watch if because.watched.is_none() && findings.off_from_start.is_nan() => format!(
            "Misfires stand at {:.1} per 1,000 revolutions and have since the first days: the logs cannot tell since when.",
            findings.misfires.as_ref().map_or(f64::NAN, |m| m.per_1000_rev)
        ),
        State::Watch if because.watched.is_none() => format!(
            "The fuel correction stands {:+.1} % from its peers' and has since its first days: the logs cannot tell since when.",
            percent(findings.off_from_start)
        ),
        State::Watch => format!(
            "Evidence is building up but is not enough to act on yet: {}.",
            match because.watched {
                Some(SeriesKind::IdleThrottle) =>
                    "the throttle stands otherwise at idle".to_owned(),
                Some(SeriesKind::Breathing) => {
                    "the engine takes in another amount of air at full load".to_owned()
                }
                Some(SeriesKind::WarmupGap) => {
                    "the engine needs another amount of extra fuel while warming up".to_owned()
                }
                _ => trim_clause(verdict),
            }
        ),
        State::Act => act(verdict, findings, because),
    }
}

/// The way home of what stood off when the logs began.
fn home_clause(findings: &VehicleFindings, ground: Ground) -> String {
    let kind = match ground {
        Ground::Drift(i) | Ground::Level(i) | Ground::NearLimit(i) => Some(findings.series[i].kind),
        Ground::Misfire => None,
    };
    let (start, now) = kind.and_then(|kind| from_nought(findings, kind)).unwrap_or_default();
    let (start, now) = (percent(start), percent(now));
    let apart = |band: &str| {
        format!(
            "The correction at {band} stood {start:+.1} % from that of the other bands when the logs began and has come nearer to it since, to {now:+.1} %."
        )
    };
    match kind {
        Some(SeriesKind::IdleGap) => apart("idle"),
        Some(SeriesKind::LoadGap) => apart("load"),
        _ => format!(
            "The fuel correction stood at {start:+.1} % when the logs began and has come nearer to nought since, to {now:+.1} %."
        ),
    }
}

/// What was found once and is not there any more.
fn lapsed_clause(verdict: &Verdict, findings: &VehicleFindings, lapsed: Ground) -> String {
    let kind = match lapsed {
        Ground::Drift(i) | Ground::Level(i) => findings.series[i].kind,
        Ground::NearLimit(_) => {
            return "The total correction stood near its limit and does so no longer.".to_owned();
        }
        Ground::Misfire => {
            let rate = findings.misfires.as_ref().map_or(f64::NAN, |m| m.per_1000_rev);
            return format!(
                "Misfires had risen and have gone back since, to {rate:.1} per 1,000 revolutions."
            );
        }
    };
    match kind {
        SeriesKind::IdleThrottle => {
            "The throttle was found to open further at idle, but stands too little open to act on now."
                .to_owned()
        }
        SeriesKind::Breathing => {
            "The engine was found to take in less air at full load, but too little is missing to act on now."
                .to_owned()
        }
        SeriesKind::WarmupGap => {
            "The engine was found to need more fuel while warming up, but too little to act on now."
                .to_owned()
        }
        SeriesKind::BankGap => {
            "The corrections of the two banks were found to part, but stand too near to act on now."
                .to_owned()
        }
        SeriesKind::IdleGap => {
            "The correction at idle was found to part from the other bands', but stands too near to act on now."
                .to_owned()
        }
        SeriesKind::LoadGap => {
            "The correction at load was found to part from the other bands', but stands too near to act on now."
                .to_owned()
        }
        SeriesKind::TrimAll | SeriesKind::TrimBank(_) | SeriesKind::Trim(..) => {
            format!("A change was found but is too small to act on now: {}.", trim_clause(verdict))
        }
    }
}

fn act(verdict: &Verdict, findings: &VehicleFindings, because: &Because<'_>) -> String {
    let grounds = because.grounds;
    let mut clauses: Vec<String> = Vec::new();
    for (_, ground) in grounds {
        let clause = match ground {
            Ground::Drift(i) => match findings.series[*i].kind {
                SeriesKind::IdleThrottle => {
                    "the throttle opens further and further at idle".to_owned()
                }
                SeriesKind::Breathing => {
                    "the engine takes in less and less air at full load".to_owned()
                }
                SeriesKind::WarmupGap => {
                    "the engine needs more and more extra fuel while warming up".to_owned()
                }
                // What drifts apart is told by the bank or the band that moves.
                SeriesKind::TrimAll
                | SeriesKind::TrimBank(_)
                | SeriesKind::Trim(..)
                | SeriesKind::BankGap
                | SeriesKind::LoadGap
                | SeriesKind::IdleGap => drift_clause(verdict, because.drift_of),
            },
            Ground::Level(_) => format!("{}, and stays there", trim_clause(verdict)),
            Ground::NearLimit(_) => near_limit_clause(findings, because),
            Ground::Misfire => misfire_clause(findings),
        };
        if !clauses.iter().any(|c| c.starts_with(&clause) || clause.starts_with(c.as_str())) {
            clauses.push(clause);
        }
    }
    // A drift says all that a change of level says.
    if clauses.iter().any(|c| c.contains("drifts by")) {
        clauses.retain(|c| !c.ends_with("stays there"));
        let mut seen = false;
        clauses.retain(|c| !c.contains("drifts by") || !std::mem::replace(&mut seen, true));
    }
    let named = because.causes.iter().map(|(cause, p)| {
        // A posterior is never certain: its own model may be wrong.
        let sure = if *p > 0.99 { "over 99 %".to_owned() } else { format!("{:.0} %", 100.0 * p) };
        // Words that follow "the pattern fits".
        let cause = if *cause == Cause::Unexplained { "no known cause" } else { cause.words() };
        format!("{cause} ({sure})")
    });
    let named = named.collect::<Vec<_>>().join(" or ");
    let cause = if named.is_empty() { named } else { format!("; the pattern fits {named}") };
    let mut text = format!("{}{cause}.", clauses.join(", and "));
    if let Some(first) = text.get(..1) {
        text = first.to_uppercase() + &text[1..];
    }
    text
}

/// Told once, for the band that stands furthest out.
fn near_limit_clause(findings: &VehicleFindings, because: &Because<'_>) -> String {
    let near = because.grounds.iter().filter_map(|(_, ground)| match ground {
        Ground::NearLimit(i) => Some(&findings.series[*i]),
        Ground::Drift(_) | Ground::Level(_) | Ground::Misfire => None,
    });
    let near = near.filter(|s| s.recent_raw.is_finite());
    let highest = near.max_by(|a, b| a.recent_raw.abs().total_cmp(&b.recent_raw.abs()));
    let Some(s) = highest else {
        return "the total correction stands near its limit".to_owned();
    };
    let beyond = percent(s.recent_raw).abs() >= because.correction_limit_pct;
    let limit = if beyond { "beyond its limit" } else { "near its limit" };
    let of = match s.kind {
        SeriesKind::Trim(bank, band) if findings.of(SeriesKind::BankGap).is_some() => {
            format!(" of bank {bank} at {}", band.as_str())
        }
        SeriesKind::Trim(_, band) => format!(" at {}", band.as_str()),
        _ => String::new(),
    };
    format!("the total correction{of} stands at {:+.0} %, {limit}", percent(s.recent_raw))
}

fn drift_clause(verdict: &Verdict, of: Option<SeriesKind>) -> String {
    let trim = trim_clause(verdict);
    let drift = verdict.drift_per_10000km;
    if !drift.is_known() {
        return trim;
    }
    // Where one band stands out, the reader must know which drift this is.
    let of = match of {
        Some(SeriesKind::Trim(_, band)) => format!(" at {}", band.as_str()),
        _ if trim.contains("most at") => " over all bands".to_owned(),
        _ => String::new(),
    };
    format!("{trim}, and drifts by {:+.1} % per 10,000 km{of}", drift.value)
}

fn trim_clause(verdict: &Verdict) -> String {
    let Some(band) = strongest_band(verdict.trim_pct) else {
        return "the fuel correction has changed".to_owned();
    };
    let [idle, cruise, load] = verdict.trim_pct;
    let bank = verdict.bank.map_or(String::new(), |b| format!(" on bank {b}"));
    let known: Vec<f64> = [idle, cruise, load].into_iter().filter(|v| v.is_finite()).collect();
    let low = known.iter().copied().fold(f64::INFINITY, |a, b| if b < a { b } else { a });
    let high = known.iter().copied().fold(f64::NEG_INFINITY, |a, b| if b > a { b } else { a });
    if known.len() > 1 && high - low < 0.35 * high.abs() {
        return format!(
            "the fuel correction stands {:+.1} % from its own baseline{bank}, alike in all bands",
            known.iter().sum::<f64>() / known.len() as f64
        );
    }
    format!(
        "the fuel correction stands {:+.1} % from its own baseline{bank}, most at {}",
        verdict.trim_pct[band as usize],
        band.as_str()
    )
}

fn misfire_clause(findings: &VehicleFindings) -> String {
    let Some(m) = &findings.misfires else { return "misfires have risen".to_owned() };
    let cylinder = m.cylinder.map_or(String::new(), |c| format!(", mostly on cylinder {c}"));
    format!(
        "misfires have risen to {:.1} per 1,000 revolutions from {:.2}{cylinder}",
        m.per_1000_rev, m.baseline_per_1000_rev
    )
}
