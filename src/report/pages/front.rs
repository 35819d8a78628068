//! The front page: first sentence and bay list for Monday morning, then the rest of the fleet, then how
//! far to trust it.

use super::{marks, shell, trust};
use crate::report::ReportInput;
use crate::report::words::{self, clean};
use crate::tables::findings::{Action, Estimate, OutcomeSummary, RankedVehicle, State};
use maud::{Markup, html};

/// A vehicle with the name of its page.
type Linked<'a> = (&'a RankedVehicle, &'a str);

/// The page; `names` are the vehicles' pages in ranking order.
pub(super) fn page(input: &ReportInput<'_>, names: &[String]) -> Markup {
    let linked = |state: State| -> Vec<Linked<'_>> {
        let all = input.ranked.iter().zip(names.iter().map(String::as_str));
        all.filter(|(v, _)| v.verdict.state == state).collect()
    };
    let (act, watch) = (linked(State::Act), linked(State::Watch));
    let body = html! {
        header class="mast" {
            p class="kicker" { "Fuel-system work list" }
            h1 { (headline(input)) }
            @if !act.is_empty() { p class="lead" { (lead(input, &act)) } }
        }
        main {
            (bay_list(input, &act))
            (group_alarms(input))
            (watch_list(input, &watch))
            (too_little(&linked(State::TooLittleData)))
            (sound(&linked(State::Sound)))
            (outcomes(input))
            (trust::sections(input))
        }
    };
    let title = format!("Fuel-system work list, {}", words::short_day(input.as_of_day));
    shell(input, &title, &body)
}

/// One sentence with the date and the counts.
fn headline(input: &ReportInput<'_>) -> Markup {
    let total = words::counted(input.ranked.len(), "vehicle", "vehicles");
    let act = input.count(State::Act);
    let verb = if act == 1 { "needs" } else { "need" };
    let part = |state: State, tail: &str| match input.count(state) {
        0 => None,
        n => Some(format!("{} {tail}", words::count(n as u64))),
    };
    let too_little = part(State::TooLittleData, "with too little data");
    let rest: Vec<String> =
        [part(State::Watch, "to watch"), part(State::Sound, "sound"), too_little]
            .into_iter()
            .flatten()
            .collect();
    let rest = words::list(&rest);
    html! {
        (words::long_day(input.as_of_day)) ": "
        @if act == 0 { strong { "no vehicle needs work" } } @else {
            strong { (words::count(act as u64)) " of " (total) " " (verb) " work" }
        }
        @if !rest.is_empty() { "; " (rest) } "."
    }
}

fn lead(input: &ReportInput<'_>, act: &[Linked<'_>]) -> String {
    let sum: f64 = act.iter().map(|(v, _)| v.urgency.per_week()).filter(|x| x.is_finite()).sum();
    let whose = if act.len() == 1 { "Leaving it" } else { "Leaving them all" };
    let amount = words::money(input.currency, sum);
    format!("{whose} for one more week is expected to cost {amount}.")
}

fn bay_list(input: &ReportInput<'_>, act: &[Linked<'_>]) -> Markup {
    let most = act.iter().map(|(v, _)| v.urgency.per_week()).fold(0.0, f64::max);
    html! {
        section aria-labelledby="bays" {
            h2 id="bays" { "For the bays" }
            @if act.is_empty() { p { "Nothing to book." } } @else {
                table class="cards bays" role="table" {
                    thead { tr role="row" {
                        th scope="col" role="columnheader" { "No." }
                        th scope="col" role="columnheader" { "Vehicle" }
                        th scope="col" role="columnheader" { "Work" }
                        th scope="col" role="columnheader" { "Why" }
                        th scope="col" role="columnheader" class="num" { "A week's wait costs" }
                        th scope="col" role="columnheader" class="num" { "Flagged" }
                    } }
                    tbody { @for (v, page) in act { (bay_row(input, v, page, most)) } }
                }
                p class="fine" {
                    "Most costly first. The cost of a week's wait is an expected value: fuel wasted, the chance of a \
                     breakdown times its cost, and the risk to the catalyst. The number leads the technician to the \
                     work sheet on the vehicle's page."
                }
            }
        }
    }
}

fn bay_row(input: &ReportInput<'_>, v: &RankedVehicle, page: &str, most: f64) -> Markup {
    let cost = v.urgency.per_week();
    html! {
        tr role="row" {
            td role="cell" class="rank" { (v.rank) }
            th scope="row" role="rowheader" { (name(v, page)) " " (depot(v)) }
            td role="cell" class="work" { (work(v)) }
            td role="cell" class="why" { (words::sentence(&v.verdict.reason)) }
            td role="cell" class="num cost" data-label="A week's wait costs" {
                span { (words::money(input.currency, cost)) } (marks::bar(cost / most))
            }
            td role="cell" class="num" data-label="Flagged" {
                span { (flagged(v.verdict.flagged_on, input.as_of_day)) }
            }
        }
    }
}

/// The day, and how long ago that is.
fn flagged(day: Option<i32>, as_of_day: i32) -> Markup {
    let Some(day) = day else {
        return html! { (words::UNKNOWN) };
    };
    let ago = match as_of_day.saturating_sub(day) / 7 {
        0 => "this week".to_owned(),
        1 => "1 week ago".to_owned(),
        weeks => format!("{} weeks ago", words::whole(f64::from(weeks))),
    };
    html! { (words::short_day(day)) " " small { (ago) } }
}

fn name(v: &RankedVehicle, page: &str) -> Markup {
    html! { a href=(page) { bdi { (clean(&v.vehicle)) } } }
}

fn depot(v: &RankedVehicle) -> Markup {
    html! { small { bdi { (clean(&v.depot)) } } }
}

/// What to do, with the bank if only one is affected.
fn work(v: &RankedVehicle) -> Markup {
    html! {
        (words::sentence(v.verdict.action.words()).trim_end_matches('.'))
        @if let Some(bank) = v.verdict.bank { " " small { "bank " (bank) " only" } }
    }
}

fn group_alarms(input: &ReportInput<'_>) -> Markup {
    html! {
        @if !input.group_alarms.is_empty() {
            section class="alarm" aria-labelledby="families" {
                h2 id="families" { "Whole engine families drifting" }
                p {
                    "No vehicle stands out from its peers for this, because all of them drift together. Look for \
                     what they share: fuel, a software update, a service part. The rate is a first reading, from \
                     unequal mileage, and tends to be too high."
                }
                ul {
                    @for alarm in input.group_alarms {
                        @let members = input.ranked.iter().filter(|v| v.engine_family == alarm.engine_family).count();
                        li {
                            strong { bdi { (clean(&alarm.engine_family)) } }
                            " (" (words::counted(members, "vehicle", "vehicles")) "): "
                            "roughly " (range(alarm.drift_per_10000km, "%")) " per 10,000 km, found on "
                            (words::short_day(alarm.since_day)) "."
                        }
                    }
                }
            }
        }
    }
}

/// `+3.1 % (1.9 to 4.4)`.
pub(super) fn range(e: Estimate, unit: &str) -> String {
    if !e.is_known() {
        return words::UNKNOWN.to_owned();
    }
    let value = format!("{}\u{a0}{unit}", words::signed(e.value, 1));
    if e.lo.is_finite() && e.hi.is_finite() {
        format!("{value} ({} to {})", words::signed(e.lo, 1), words::signed(e.hi, 1))
    } else {
        value
    }
}

fn watch_list(input: &ReportInput<'_>, watch: &[Linked<'_>]) -> Markup {
    html! {
        section aria-labelledby="watch" {
            h2 id="watch" { "Watch" }
            @if watch.is_empty() { p { "No vehicle is on watch." } } @else {
                p class="intro" { "Something builds up but may still be chance, or has gone back, or stood apart from the start. Nothing to book." }
                table class="cards" role="table" {
                    thead { tr role="row" {
                        th scope="col" role="columnheader" { "No." }
                        th scope="col" role="columnheader" { "Vehicle" }
                        th scope="col" role="columnheader" { "What shows" }
                        th scope="col" role="columnheader" { "Likely work" }
                        th scope="col" role="columnheader" class="num" { "A week's wait costs" }
                    } }
                    tbody { @for (v, page) in watch {
                        tr role="row" {
                            td role="cell" class="rank" { (v.rank) }
                            th scope="row" role="rowheader" { (name(v, page)) " " (depot(v)) }
                            td role="cell" class="why" { (words::sentence(&v.verdict.reason)) }
                            td role="cell" data-label="Likely work" {
                                @if v.verdict.action == Action::None { "not clear yet" } @else { (work(v)) }
                            }
                            td role="cell" class="num" data-label="A week's wait costs" {
                                (words::money(input.currency, v.urgency.per_week()))
                            }
                        }
                    } }
                }
            }
        }
    }
}

fn too_little(vehicles: &[Linked<'_>]) -> Markup {
    html! {
        @if !vehicles.is_empty() {
            section aria-labelledby="too-little" {
                h2 id="too-little" { "Too little data" }
                p class="intro" { "About these vehicles nothing can be said, good or bad. Get their logs flowing." }
                table class="cards" role="table" {
                    thead { tr role="row" {
                        th scope="col" role="columnheader" { "Vehicle" }
                        th scope="col" role="columnheader" { "Why" }
                        th scope="col" role="columnheader" class="num" { "Days with trips" }
                        th scope="col" role="columnheader" class="num" { "Last trip" }
                    } }
                    tbody { @for (v, page) in vehicles {
                        tr role="row" {
                            th scope="row" role="rowheader" { (name(v, page)) " " (depot(v)) }
                            td role="cell" class="why" { (words::sentence(&v.verdict.reason)) }
                            td role="cell" class="num" data-label="Days with trips" { (v.findings.days_of_data) }
                            td role="cell" class="num" data-label="Last trip" {
                                (v.findings.period.map_or("none".to_owned(), |p| words::short_day(p.1)))
                            }
                        }
                    } }
                }
            }
        }
    }
}

fn sound(vehicles: &[Linked<'_>]) -> Markup {
    html! {
        @if !vehicles.is_empty() {
            section aria-labelledby="sound" {
                h2 id="sound" { "Sound" }
                p class="intro" { "Enough data, and nothing found." }
                ul class="names" {
                    @for (v, page) in vehicles { li { (name(v, page)) " " (depot(v)) } }
                }
            }
        }
    }
}

fn outcomes(input: &ReportInput<'_>) -> Markup {
    html! {
        @if !input.summaries.is_empty() {
            section aria-labelledby="outcomes" {
                h2 id="outcomes" { "Did earlier work help?" }
                table class="cards" role="table" {
                    thead { tr role="row" {
                        th scope="col" role="columnheader" { "Work on record" }
                        th scope="col" role="columnheader" class="num" { "Jobs" }
                        th scope="col" role="columnheader" class="num" { "Judged" }
                        th scope="col" role="columnheader" class="num" { "Worked" }
                        th scope="col" role="columnheader" class="num" { "Trim change, median" }
                        th scope="col" role="columnheader" class="num" { "Fuel per km, median" }
                        th scope="col" role="columnheader" class="num" { "Drifting again" }
                        th scope="col" role="columnheader" class="num" { "Price, median" }
                    } }
                    tbody { @for s in input.summaries { (outcome_row(input, s)) } }
                }
                p class="fine" {
                    "A job worked if at least half of what had built up in the trim, or of the misfires or what else was found, went with it. In \
                     brackets the 95 % range of the median. A job is judged once there are enough days before and after \
                     it without other work; the other jobs are neither successes nor failures. A judged job is unclear where the 95 % range of \
                     what went from the trim (or throttle, breathing, warm-up) reaches from nothing to all of it, or where less than half, or more than was wrong, surely went. Drifting again: jobs that worked \
                     after which drift was found anew, and the time within which half of all are. Every job stands in outcomes.csv."
                }
            }
        }
    }
}

/// How many jobs did not last, and how long they do.
fn again(s: &OutcomeSummary) -> String {
    let days = s.days_until_next_flag_median;
    match s.flagged_again {
        n if days.is_finite() => format!("{n} (half within {days:.0} days)"),
        n => n.to_string(),
    }
}

fn outcome_row(input: &ReportInput<'_>, s: &OutcomeSummary) -> Markup {
    let service = clean(&s.service).replace('_', " ");
    html! {
        tr role="row" {
            th scope="row" role="rowheader" { (words::sentence(&service).trim_end_matches('.')) }
            td role="cell" class="num" data-label="Jobs" { (s.jobs) }
            td role="cell" class="num" data-label="Judged" { (s.judged) }
            td role="cell" class="num" data-label="Worked" {
                (s.worked)
                @if s.unclear > 0 { ", and " (s.unclear) " unclear" }
            }
            td role="cell" class="num" data-label="Trim change, median" { (range(s.trim_change_pct, "%")) }
            td role="cell" class="num" data-label="Fuel per km, median" { (range(s.economy_change_pct, "%")) }
            td role="cell" class="num" data-label="Drifting again" { (again(s)) }
            td role="cell" class="num" data-label="Price, median" { (words::money(input.currency, s.cost_median)) }
        }
    }
}
