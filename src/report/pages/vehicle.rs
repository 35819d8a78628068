//! The page of one vehicle: verdict, trace, evidence, work sheet, cautions, limits.

use super::{chart, evidence, marks, shell, trust, work_sheet};
use crate::report::ReportInput;
use crate::report::words::{self, clean};
use crate::tables::findings::{Action, Estimate, RankedVehicle, State};
use maud::{Markup, html};

/// The page.
pub(super) fn page(input: &ReportInput<'_>, v: &RankedVehicle) -> Markup {
    let state = v.verdict.state;
    let body = html! {
        nav aria-label="Pages" { a href="index.html" { "\u{2190} Work list" } }
        header class="mast" {
            p class="kicker" {
                "No. " (v.rank) " of " (words::count(input.ranked.len() as u64)) ", "
                bdi { (clean(&v.depot)) } ", engine family " bdi { (clean(&v.engine_family)) }
            }
            h1 { bdi { (clean(&v.vehicle)) } }
            p class="verdict" {
                (marks::state(state)) ": "
                (verdict(v))
            }
            p class="lead" { (words::sentence(&v.verdict.reason)) }
        }
        main {
            (key_figures(input, v))
            (trace(input, v))
            @if state == State::Watch && !v.verdict.checks.is_empty() { (checks(v)) }
            (evidence::sections(input, v))
            (limits(v))
            (work_sheet::sheet(input, v))
            @if matches!(state, State::Act | State::Watch) { (trust::cautions()) }
        }
    };
    let title = format!("{}, {}", clean(&v.vehicle), words::short_day(input.as_of_day));
    shell(input, &title, &body)
}

fn verdict(v: &RankedVehicle) -> Markup {
    let bank = v.verdict.bank.map_or(String::new(), |b| format!(", bank {b} only"));
    html! {
        @match (v.verdict.state, v.verdict.action) {
            (State::Act, Action::None) => { "the cause is not clear; see the checks." }
            (State::Act, action) => { strong { (action.words()) (bank) } "." }
            (State::Watch, Action::None) => { "nothing to book yet." }
            (State::Watch, action) => { "nothing to book yet; if it goes on, " (action.words()) (bank) "." }
            (State::Sound, _) => { "nothing to do." }
            (State::TooLittleData, _) => { "nothing can be said, good or bad." }
        }
        @if let Some((cause, p)) = v.verdict.cause {
            " Likeliest cause: " (cause.words()) ", " (words::probability(p)) "."
        }
    }
}

fn key_figures(input: &ReportInput<'_>, v: &RankedVehicle) -> Markup {
    let (d, f) = (&v.verdict, &v.findings);
    let days = format!("{} of {}", f.days_of_data, f.span_days);
    let mut figures: Vec<(&str, String, String)> = Vec::new();
    if matches!(d.state, State::Act | State::Watch) {
        figures.push((
            "A week's wait costs",
            words::money(input.currency, v.urgency.per_week()),
            String::new(),
        ));
    }
    if let Some(day) = d.flagged_on {
        figures.push(("Flagged", words::short_day(day), String::new()));
    }
    if d.drift_per_10000km.is_known() {
        let e = d.drift_per_10000km;
        figures.push((
            "Drift per 10,000 km",
            words::percent(e.value, 1),
            between(e, |x| words::signed(x, 1)),
        ));
    }
    if d.km_to_limit.is_known() {
        let e = d.km_to_limit;
        figures.push((
            "To the correction limit",
            format!("{}\u{a0}km", hundreds(e.value)),
            between(e, hundreds),
        ));
    }
    figures.push(("Days with trips", days, words::counted(f.trips, "trip", "trips")));
    figures.push((
        "Driven a week",
        format!("{}\u{a0}km", words::whole(f.km_per_week)),
        odometer(f.odometer_km),
    ));
    figures.retain(|(_, value, _)| !value.starts_with(words::UNKNOWN));
    html! {
        dl class="figures" {
            @for (label, value, note) in figures {
                div { dt { (label) } dd { (value) @if !note.is_empty() { small { (note) } } } }
            }
        }
    }
}

/// Kilometres rounded to hundreds.
fn hundreds(km: f64) -> String {
    words::whole((km / 100.0).round() * 100.0)
}

fn odometer(km: f64) -> String {
    if km.is_finite() { format!("odometer {}\u{a0}km", words::whole(km)) } else { String::new() }
}

/// The 95 % range in words; one open end is said so.
fn between(e: Estimate, write: impl Fn(f64) -> String) -> String {
    match (e.lo.is_finite(), e.hi.is_finite()) {
        (true, true) => format!("95\u{a0}% range {} to {}", write(e.lo), write(e.hi)),
        (true, false) => format!("at least {} (95 %)", write(e.lo)),
        (false, true) => format!("at most {} (95 %)", write(e.hi)),
        (false, false) => String::new(),
    }
}

fn trace(input: &ReportInput<'_>, v: &RankedVehicle) -> Markup {
    let events = chart::events(v);
    html! {
        @if let Some(drawing) = chart::trace(v, input.correction_limit_pct) {
            section aria-labelledby="trace" {
                h2 id="trace" { "Trim, week by week" }
                figure {
                    (drawing)
                    figcaption {
                        "How much fuel the engine computer adds beyond this vehicle's own baseline, after taking off what \
                         its peers do; worst bank, weekly means. At the limit of correction, "
                        (words::percent(input.correction_limit_pct, 0)) " in all, it can add no more."
                        @if !events.is_empty() {
                            ul class="events" {
                                @for e in &events { li {
                                    @if e.mark.is_empty() { span class="ring" aria-hidden="true" { "\u{25cb}" } }
                                    @else { b { (e.mark) } }
                                    " " (words::short_day(e.day)) ", " (e.what)
                                } }
                            }
                        }
                    }
                }
            }
        }
    }
}

fn checks(v: &RankedVehicle) -> Markup {
    html! {
        section aria-labelledby="checks" {
            h2 id="checks" { "Worth a look at the next service" }
            ol { @for check in &v.verdict.checks { li { (words::sentence(check)) } } }
        }
    }
}

fn limits(v: &RankedVehicle) -> Markup {
    let f = &v.findings;
    html! {
        section aria-labelledby="limits" {
            h2 id="limits" { "Limits of this evidence" }
            ul {
                @for note in &f.notes { li { (words::sentence(note)) } }
                li {
                    (words::counted(f.trips, "trip", "trips")) " on "
                    (words::counted(f.days_of_data, "day", "days"))
                    @if let Some((first, last)) = f.period {
                        ", " (words::short_day(first)) " to " (words::short_day(last))
                    }
                    "; " (words::counted(usize::try_from(f.gated).unwrap_or(usize::MAX), "sample", "samples"))
                    " fit to judge the mixture; compared with " (words::counted(f.peers, "peer", "peers")) "."
                }
            }
        }
    }
}
