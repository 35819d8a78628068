//! How far to trust the list: what is promised, what was measured, what was read, and the cautions.

use crate::report::cautions::CAUTIONS;
use crate::report::words::{self, clean};
use crate::report::{FileCounts, ReportInput};
use maud::{Markup, html};

/// Most files listed by name; the rest is summed up.
const FILES_SHOWN: usize = 12;

/// The closing sections of the front page.
pub(super) fn sections(input: &ReportInput<'_>) -> Markup {
    html! {
        section aria-labelledby="trust" {
            h2 id="trust" { "How far to trust this list" }
            div class="prose" {
                div { (false_flags(input)) (run_notes(input)) }
                div {
                h3 { "What is not promised" }
                ul {
                    li { "That the named cause is the right one. It is the likeliest of the causes compared; a technician confirms it." }
                    li { "That a sound vehicle has no fault. It has none that shows in its mixture, misfires or fuel use yet; slow drift is found only after it has added up." }
                    li { "That fuel use falls after cleaning. The engine computer corrects a restricted injector, so economy may not change at all." }
                    li { "The amounts in " (clean(input.currency)) ". They are averages over many vehicles like this one, from the costs in the settings, not a forecast for one vehicle." }
                    li { "Anything right after a battery change or a code clear: trims start again from zero and prove nothing until relearned." }
                }
                }
            }
        }
        (rows(input.files))
        (cautions())
    }
}

fn run_notes(input: &ReportInput<'_>) -> Markup {
    html! {
        @if !input.notes.is_empty() {
            h3 { "About this run" }
            ul { @for note in input.notes { li { (words::sentence(note)) } } }
        }
    }
}

fn false_flags(input: &ReportInput<'_>) -> Markup {
    let g = &input.guarantee;
    let a_year = g.designed_per_vehicle_year * input.ranked.len() as f64;
    let mirror_rate = g.mirror_flags as f64 / g.mirror_vehicle_years;
    html! {
        p {
            strong { "Wrong flags. " }
            "The limits are set so that a healthy vehicle is flagged by chance at most "
            (rate(g.designed_per_vehicle_year)) ". For a fleet of " (words::count(input.ranked.len() as u64))
            " that is " (expected(a_year)) ". It is an average, and it holds if fuel, weather and sensors jump about \
            as often as the settings assume."
        }
        p {
            strong { "Measured on this fleet. " }
            @if g.mirror_vehicle_years > 0.0 && g.mirror_vehicle_years.is_finite() {
                "The test for rising trims runs upside down as well, looking for trims that slowly fall, which fouling does not \
                 cause: it gave " (words::counted(g.mirror_flags, "flag", "flags")) " in "
                (words::figure(g.mirror_vehicle_years, 1)) " vehicle-years"
                @if g.mirror_flags > 0 { ", " (rate(mirror_rate)) }
                "; its limit is set for at most " (rate(g.mirror_designed_per_vehicle_year)) ". "
                @if g.mirror_vehicle_years * g.mirror_designed_per_vehicle_year < 3.0 {
                    "That is too short a time to confirm the designed rate; it would only show a gross fault. "
                }
                "The figure means nothing if something in this fleet really does make trims fall."
            } @else {
                "Not yet: there is not enough data to count flags of the same test run upside down."
            }
        }
    }
}

/// A rate per vehicle-year in words.
fn rate(per_vehicle_year: f64) -> String {
    match 1.0 / per_vehicle_year {
        years if !years.is_finite() => "at an unknown rate".to_owned(),
        years if years >= 1.5 => format!("about once in {} vehicle-years", words::whole(years)),
        _ => format!("about {} times a vehicle-year", words::figure(per_vehicle_year, 1)),
    }
}

/// An expected number of wrong flags a year in words.
fn expected(a_year: f64) -> String {
    match a_year {
        n if !n.is_finite() => "not known".to_owned(),
        n if n <= 0.0 => "none".to_owned(),
        n if n < 0.8 => format!("about one wrong flag in {} years", words::figure(1.0 / n, 0)),
        n if n < 1.5 => "about one wrong flag a year".to_owned(),
        n => format!("about {} wrong flags a year", words::figure(n, 0)),
    }
}

fn rows(files: &[FileCounts]) -> Markup {
    let kept: u64 = files.iter().map(|f| f.kept).sum();
    let rejected: u64 = files.iter().map(|f| f.rejected).sum();
    let mut worst: Vec<&FileCounts> = files.iter().collect();
    worst.sort_by(|a, b| b.rejected.cmp(&a.rejected).then_with(|| a.file.cmp(&b.file)));
    let (shown, hidden) = worst.split_at(worst.len().min(FILES_SHOWN));
    html! {
        section aria-labelledby="data" {
            h2 id="data" { "What was read" }
            @if files.is_empty() { p { "No new file in this run; the list rests on what was read before." } } @else {
                p {
                    (words::counted(files.len(), "file", "files")) ", " (words::count(kept + rejected)) " rows: "
                    (words::count(kept)) " kept, " (words::count(rejected)) " rejected. \
                    Rejected rows are kept in the lake with the reason for each."
                }
                table class="files" {
                    thead { tr {
                        th scope="col" { "File" }
                        th scope="col" class="num" { "Rows" }
                        th scope="col" class="num" { "Kept" }
                        th scope="col" class="num" { "Rejected" }
                    } }
                    tbody {
                        @for f in shown { (file_row(&clean(&f.file), f.kept, f.rejected)) }
                        @if !hidden.is_empty() {
                            (file_row(
                                &format!("{} more files", words::count(hidden.len() as u64)),
                                hidden.iter().map(|f| f.kept).sum(),
                                hidden.iter().map(|f| f.rejected).sum(),
                            ))
                        }
                    }
                }
            }
        }
    }
}

fn file_row(name: &str, kept: u64, rejected: u64) -> Markup {
    html! {
        tr {
            th scope="row" { bdi { (name) } }
            td class="num" { (words::count(kept + rejected)) }
            td class="num" { (words::count(kept)) }
            td class="num" { (words::count(rejected)) }
        }
    }
}

/// The cautions as a list of terms.
pub(super) fn cautions() -> Markup {
    html! {
        section class="cautions" aria-labelledby="cautions" {
            h2 id="cautions" { "Cautions" }
            dl { @for (title, text) in CAUTIONS { div { dt { (title) } dd { (text) } } } }
        }
    }
}
