//! The technician's work sheet: what to check first, what to do, and what the logs must show afterwards.
//!
//! The steps are common workshop practice, no source; the maker's procedure comes first.

use super::evidence::series_words;
use crate::report::ReportInput;
use crate::report::words::{self, clean};
use crate::tables::findings::{Action, RankedVehicle, SeriesKind, State};
use crate::tables::trips::Band;
use maud::{Markup, html};

/// The sheet, or nothing where nothing is to be done.
pub(super) fn sheet(input: &ReportInput<'_>, v: &RankedVehicle) -> Markup {
    if !matches!(v.verdict.state, State::Act) {
        return html! {};
    }
    html! {
        section class="sheet" aria-labelledby="sheet" {
            h2 id="sheet" { "Work sheet" }
            p class="sheet-head" {
                strong { bdi { (clean(&v.vehicle)) } } ", " bdi { (clean(&v.depot)) } ". "
                (words::sentence(v.verdict.action.words()))
                @if let Some(bank) = v.verdict.bank { " Bank " (bank) " only." }
                " Printed from the list of " (words::short_day(input.as_of_day)) "."
            }
            (blanks(&["Date", "Odometer, km", "Technician"]))
            h3 { "1. Check first" }
            ol class="ticks" {
                @for check in &v.verdict.checks { li { (words::sentence(check)) } }
                li { "Write down stored codes and the trims below before anything is cleared or taken off." }
            }
            (readings(v))
            h3 { "2. Do" }
            ol class="ticks" { @for step in steps(v.verdict.action) { li { (step) } } }
            h3 { "3. Done when the logs show this" }
            (done_when(v))
            (blanks(&["Found and done", "Parts", "Cost"]))
        }
    }
}

fn blanks(labels: &[&str]) -> Markup {
    html! { div class="blanks" { @for label in labels { div { span { (label) } } } } }
}

/// A table to fill in by hand.
fn readings(v: &RankedVehicle) -> Markup {
    let banks = banks(v);
    html! {
        table class="readings" {
            caption { "Readings, warm engine, closed loop, percent" }
            thead {
                tr {
                    th scope="col" { "" }
                    @for bank in &banks {
                        th scope="col" { "Bank " (bank) " short-term" } th scope="col" { "Bank " (bank) " long-term" }
                    }
                }
            }
            tbody { @for when in ["Before, idle", "Before, 2,500 rpm", "After, idle", "After, 2,500 rpm"] {
                tr { th scope="row" { (when) } @for _ in 0..2 * banks.len() { td {} } }
            } }
        }
    }
}

/// Banks for which there is a series.
fn banks(v: &RankedVehicle) -> Vec<usize> {
    let mut banks: Vec<usize> = v
        .findings
        .series
        .iter()
        .filter_map(|s| match s.kind {
            SeriesKind::Trim(bank, _) => Some(bank),
            _ => None,
        })
        .collect();
    banks.sort_unstable();
    banks.dedup();
    if banks.is_empty() { vec![1] } else { banks }
}

fn steps(action: Action) -> &'static [&'static str] {
    match action {
        Action::InjectorCleaning => &[
            "Rule out weak supply first: fuel pressure at idle and under load.",
            "Flow and leak test the injectors of the affected bank, clean them, test again; write both figures down for each cylinder.",
            "Fit new seals. Look at the plugs while they are within reach.",
        ],
        Action::IntakeCleaning => &[
            "Look into throttle body, ports and valves with a borescope and note what is there.",
            "Clean by the maker's method. Keep loosened deposits out of open cylinders.",
            "Let the idle relearn where the maker asks for it.",
        ],
        Action::CheckAirLeak => &[
            "Smoke-test from the airflow sensor to the valves: hoses, manifold gasket, crankcase breather, brake servo line, purge valve, dipstick and filler seals.",
            "Look for exhaust leaks before the oxygen sensor: they look alike.",
            "Repair, then repeat the smoke test.",
        ],
        Action::CheckFuelSupply => &[
            "Measure pressure and delivered volume, at idle and under load on the road.",
            "Check filter, pump voltage under load, pressure regulator and the pressure sensor's reading.",
            "Replace what fails and measure again.",
        ],
        Action::CheckAirflowSensor => &[
            "Look at air filter, ducts and sealing between filter housing and sensor.",
            "Compare the reading at idle and under load with the air the engine must take by displacement, speed and manifold pressure.",
            "Clean the sensor with a cleaner made for it, never touching the element; if it still reads wrong, replace it.",
        ],
        Action::CheckIgnition => &[
            "Read the plugs: gap, wear, colour, oil, and when they were changed.",
            "Move the coil of the misfiring cylinder to another one: see whether the misfire moves with it; the same with its plug.",
            "If it stays, test compression and that cylinder's injector before fitting parts.",
        ],
        Action::None => &["Nothing to clean. Find out what the checks above say."],
    }
}

fn done_when(v: &RankedVehicle) -> Markup {
    let misfires = v.findings.misfires.as_ref().filter(|m| m.baseline_per_1000_rev.is_finite());
    let bands: Vec<String> = v
        .findings
        .series
        .iter()
        .filter(|s| matches!(s.kind, SeriesKind::Trim(..)) && s.baseline.is_finite())
        .map(|s| format!("{} {}\u{a0}%", short_series(s.kind), words::signed(s.baseline, 1)))
        .collect();
    html! {
        ul class="ticks" {
            li {
                "The engine has relearned: warm driving with idling, steady cruise and load over some tens of km, more if \
                 codes were cleared or the battery was off. Trims at zero right after clearing prove nothing."
            }
            li {
                "Short-term and long-term trim, both of them and on each bank, then stay near zero at idle, at cruise \
                 and under load (together within about \u{b1}5\u{a0}%, common practice)."
                @if !bands.is_empty() { " This vehicle's own baseline, both added: " (bands.join(", ")) "." }
            }
            @if let Some(m) = misfires {
                li { "No cylinder misfires more than before the fault: " (words::figure(m.baseline_per_1000_rev, 3)) " per 1,000 revolutions over the whole engine." }
            }
            li { "No code comes back, and this list no longer names the vehicle." }
        }
    }
}

fn short_series(kind: SeriesKind) -> String {
    match kind {
        SeriesKind::Trim(bank, Band::Idle) => format!("bank {bank} idle"),
        SeriesKind::Trim(bank, Band::Cruise) => format!("bank {bank} cruise"),
        SeriesKind::Trim(bank, Band::Load) => format!("bank {bank} load"),
        other => series_words(other),
    }
}
