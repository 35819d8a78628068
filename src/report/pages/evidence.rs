//! The evidence of one vehicle as tables: series, causes, misfires, economy, parts of the urgency.

use super::marks;
use crate::report::ReportInput;
use crate::report::words::{self, clean};
use crate::tables::findings::{
    CauseWeight, Estimate, MisfireFinding, RankedVehicle, SeriesFinding, SeriesKind,
};
use crate::tables::trips::Band;
use maud::{Markup, html};

/// Least probability at which a cause is listed; the others are named in one line.
const LISTED: f64 = 0.01;

/// All sections of evidence.
pub(super) fn sections(input: &ReportInput<'_>, v: &RankedVehicle) -> Markup {
    html! {
        div class="pair" {
            (causes(&v.findings.causes))
            div { (urgency(input, v)) (misfires(v)) (economy(v)) }
        }
        (series(&v.findings.series))
    }
}

fn causes(all: &[CauseWeight]) -> Markup {
    let (listed, rest): (Vec<&CauseWeight>, Vec<&CauseWeight>) =
        all.iter().partition(|c| c.probability >= LISTED);
    let rest: Vec<String> = rest.iter().map(|c| c.cause.words().to_owned()).collect();
    html! {
        @if !all.is_empty() {
            section aria-labelledby="causes" {
                h2 id="causes" { "What is likely wrong" }
                @for (i, c) in listed.iter().enumerate() {
                    // Witnesses only compare causes: each against the leading one, that against the second.
                    @let rival = all.get(usize::from(i == 0));
                    div class="cause" {
                        h3 { (words::sentence(c.cause.words()).trim_end_matches('.')) }
                        p class="odds" { (marks::bar(c.probability)) " " (words::probability(c.probability)) }
                        @if let Some(rival) = rival { (witnesses(c, rival)) }
                    }
                }
                @if !rest.is_empty() { p class="fine" { "Each under 1\u{a0}%: " (words::list(&rest)) "." } }
            }
        }
    }
}

/// What each witness says of a cause, as against another cause.
fn witnesses(c: &CauseWeight, rival: &CauseWeight) -> Markup {
    let said: Vec<(&str, f64)> = c
        .contributions
        .iter()
        .map(|(witness, nats)| {
            let other =
                rival.contributions.iter().find(|(w, _)| w == witness).map_or(0.0, |(_, n)| *n);
            (*witness, nats - other)
        })
        .filter(|(_, nats)| nats.is_finite())
        .collect();
    html! {
        @if !said.is_empty() {
            p class="fine" { "Compared with " (rival.cause.words()) ":" }
            ul class="witnesses" {
                @for (witness, nats) in said {
                    li { (clean(witness)) ": " (weight(nats)) }
                }
            }
        }
    }
}

/// Strength of evidence in words: the steps of Kass & Raftery 1995 for `2 ln B` (2, 6, 10), from memory.
fn weight(nats: f64) -> &'static str {
    match (nats.abs() * 2.0, nats > 0.0) {
        (x, _) if x < 0.2 => "says nothing either way",
        (x, true) if x < 2.0 => "barely for it",
        (x, false) if x < 2.0 => "barely against it",
        (x, true) if x < 6.0 => "for it",
        (x, false) if x < 6.0 => "against it",
        (x, true) if x < 10.0 => "strongly for it",
        (x, false) if x < 10.0 => "strongly against it",
        (_, true) => "very strongly for it",
        (_, false) => "very strongly against it",
    }
}

fn urgency(input: &ReportInput<'_>, v: &RankedVehicle) -> Markup {
    let sum = v.urgency.per_week();
    let parts = [
        ("Fuel wasted", v.urgency.fuel),
        ("Chance of a breakdown, times its cost", v.urgency.breakdown),
        ("Risk to the catalyst, times its cost", v.urgency.catalyst),
    ];
    html! {
        @if sum.is_finite() && sum > 0.0 {
            section aria-labelledby="urgency" {
                h2 id="urgency" { "What a week's wait costs" }
                table class="narrow" {
                    tbody {
                        @for (label, amount) in parts {
                            tr {
                                th scope="row" { (label) }
                                td class="barcell" { (marks::bar(amount / sum)) }
                                td class="num" { (words::money(input.currency, amount)) }
                            }
                        }
                        tr class="sum" {
                            th scope="row" { "Together" } td {}
                            td class="num" { (words::money(input.currency, sum)) }
                        }
                    }
                }
                p class="fine" { "Expected values, from the costs in the settings." }
            }
        }
    }
}

fn misfires(v: &RankedVehicle) -> Markup {
    let Some(m) = &v.findings.misfires else {
        return html! {};
    };
    let most = m.by_cylinder.iter().copied().filter(|r| r.is_finite()).fold(0.0, f64::max);
    // Bars are as long as the worst cylinder's: drawn only where something was found.
    let is_drawn = most > 0.0 && (m.flagged_on.is_some() || m.cylinder.is_some());
    html! {
        section aria-labelledby="misfires" {
            h2 id="misfires" { "Misfires" }
            p { (misfire_sentence(m)) }
            @if !m.by_cylinder.is_empty() {
                table class="narrow" {
                    caption { "Misfires per 1,000 revolutions, recent" }
                    tbody {
                        @for (i, rate) in m.by_cylinder.iter().enumerate() {
                            tr {
                                th scope="row" {
                                    "Cylinder " (i + 1)
                                    @if m.cylinder == Some(i + 1) { strong { " stands out" } }
                                }
                                @if is_drawn { td class="barcell" { (marks::bar(rate / most)) } }
                                td class="num" { (words::figure(*rate, 3)) }
                            }
                        }
                    }
                }
            }
            p class="fine" {
                "Warm " (words::figure(m.warm_per_1000_rev, 3)) ", cold " (words::figure(m.cold_per_1000_rev, 3))
                "; overdispersion " (words::figure(m.dispersion, 1)) "; evidence " (words::figure(m.log_r, 1))
                " nats; concentration on one cylinder p = " (words::figure(m.concentration_p, 3)) "."
            }
        }
    }
}

fn misfire_sentence(m: &MisfireFinding) -> String {
    let ratio = match m.ratio {
        r if !r.is_known() => String::new(),
        r => format!(
            ", {} times its own baseline (95\u{a0}% range {} to {})",
            words::figure(r.value, 1),
            words::figure(r.lo, 1),
            words::figure(r.hi, 1)
        ),
    };
    let flagged = match m.flagged_on {
        Some(day) => format!(" The rate crossed its limit on {}.", words::short_day(day)),
        None => " The rate has not crossed its limit.".to_owned(),
    };
    format!("{} per 1,000 revolutions{ratio}.{flagged}", words::figure(m.per_1000_rev, 3))
}

fn economy(v: &RankedVehicle) -> Markup {
    let Some(e) = &v.findings.economy else {
        return html! {};
    };
    html! {
        section aria-labelledby="economy" {
            h2 id="economy" { "Fuel per km" }
            table class="narrow" {
                thead { tr { th scope="col" { "Change against the baseline" } th scope="col" class="num" { "95 % range" } } }
                tbody {
                    tr { th scope="row" { "From the trip logs, driving and weather taken out" } (value_cell(e.change_pct)) }
                    tr { th scope="row" { "From the refuels alone" } (value_cell(e.refuel_change_pct)) }
                }
            }
            @if e.litres_per_km.is_finite() {
                p class="fine" { "Recently " (words::figure(100.0 * e.litres_per_km, 1)) " litres per 100 km." }
            }
            @if !e.notes.is_empty() { ul { @for note in &e.notes { li { (words::sentence(note)) } } } }
        }
    }
}

fn value_cell(e: Estimate) -> Markup {
    html! { td class="num" { (super::front::range(e, "%")) } }
}

fn series(all: &[SeriesFinding]) -> Markup {
    html! {
        @if !all.is_empty() {
            section aria-labelledby="series" {
                h2 id="series" { "All monitored series" }
                div class="scroll" {
                    table class="series" {
                        thead { tr {
                            th scope="col" { "Series" }
                            th scope="col" class="num" { "Days" }
                            th scope="col" class="num" { "Own baseline" }
                            th scope="col" class="num" { "Change, peers taken off" }
                            th scope="col" class="num" { "Drift per 10,000 km" }
                            th scope="col" class="num" { "Evidence of limit, rise" }
                            th scope="col" class="num" { "Evidence of limit, fall" }
                            th scope="col" { "Crossed" }
                        } }
                        tbody { @for s in all { (series_row(s)) } }
                    }
                }
                p class="fine" {
                    "Trims in log-percent, which add up over causes: +10 means 10.5 % more fuel. In brackets the 95 % \
                     range. Evidence is the natural logarithm of how much better a steady drift explains the history \
                     than none; at the limit the series is flagged. A level is crossed when it has changed for good, \
                     by a step or otherwise."
                }
            }
        }
    }
}

fn series_row(s: &SeriesFinding) -> Markup {
    let crossed: Vec<String> = [
        (s.flagged_up, "rise"),
        (s.flagged_down, "fall"),
        (s.level_on, "level"),
        (s.near_limit_on, "near limit of correction"),
    ]
    .into_iter()
    .filter_map(|(day, way)| day.map(|d| format!("{way} {}", words::short_day(d))))
    .collect();
    html! {
        tr class=[(!crossed.is_empty()).then_some("crossed")] {
            th scope="row" { (series_words(s.kind)) }
            td class="num" { (s.days) }
            td class="num" { (words::signed(s.baseline, 1)) }
            td class="num" { (bracketed(s.change)) }
            td class="num" { (bracketed(s.drift_per_10000km)) }
            td class="num" { (of_limit(s.log_r_up, s.log_limit_up)) }
            td class="num" { (of_limit(s.log_r_down, s.log_limit_down)) }
            td { @if crossed.is_empty() { "no" } @else { (crossed.join(", ")) } }
        }
    }
}

fn bracketed(e: Estimate) -> Markup {
    html! {
        (words::signed(e.value, 1))
        @if e.is_known() && e.lo.is_finite() && e.hi.is_finite() {
            small { "(" (words::signed(e.lo, 1)) " to " (words::signed(e.hi, 1)) ")" }
        }
    }
}

fn of_limit(log_r: f64, limit: f64) -> String {
    if !log_r.is_finite() {
        return words::UNKNOWN.to_owned();
    }
    format!("{} of {}", words::figure(log_r, 1), words::figure(limit, 1))
}

/// Name of a series for people.
pub(super) fn series_words(kind: SeriesKind) -> String {
    match kind {
        SeriesKind::TrimAll => "Trim, all bands".to_owned(),
        SeriesKind::TrimBank(bank) => format!("Trim, bank {bank}, all bands"),
        SeriesKind::Trim(bank, band) => {
            let band = match band {
                Band::Idle => "idle",
                Band::Cruise => "cruise",
                Band::Load => "load",
            };
            format!("Trim, bank {bank}, {band}")
        }
        SeriesKind::IdleThrottle => "Throttle angle at idle".to_owned(),
        SeriesKind::BankGap => "Trim, bank 1 less bank 2".to_owned(),
        SeriesKind::IdleGap => "Trim, idle less the other bands".to_owned(),
        SeriesKind::LoadGap => "Trim, load less the other bands".to_owned(),
        SeriesKind::Breathing => "Air near full throttle".to_owned(),
        SeriesKind::WarmupGap => "Trim, warm-up less hot".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn weight_is_symmetric_and_grows() {
        assert_eq!(weight(0.05), weight(-0.05));
        assert_eq!(weight(2.0), "for it");
        assert_eq!(weight(-6.0), "very strongly against it");
    }
}
