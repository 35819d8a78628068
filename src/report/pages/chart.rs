//! The trace of one vehicle as an inline drawing: change of trim against the date, in three bands.
//!
//! Comes in: weekly trace, workshop work, learning resets, flagged day, correction limit. Goes out: SVG.
//! Bands differ in dash and colour and carry their names at the line ends. The scale always reaches from
//! below zero to the correction limit, so the height of a line is the part of the limit that is used up,
//! and charts of different vehicles compare.

use crate::quantity::log_percent;
use crate::report::words::{self, civil, clean};
use crate::tables::findings::{RankedVehicle, TracePoint};
use jiff::civil::Date;
use maud::{Markup, html};
use std::fmt::Write;

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 340.0;
const LEFT: f64 = 46.0;
const RIGHT: f64 = 622.0;
const TOP: f64 = 52.0;
const BOTTOM: f64 = 300.0;
/// Weekly points further apart than this are not joined: between them nothing is known.
const GAP_DAYS: i32 = 28;
/// Name, class of the line, and dash of each band.
const BANDS: [(&str, &str, &str); 3] =
    [("idle", "idle", "1.5 4"), ("cruise", "cruise", "none"), ("load", "load", "9 4")];

/// Something that happened on one day.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Event {
    /// Days since 1970-01-01.
    pub(super) day: i32,
    /// Letter or figure in the drawing; empty for a learning reset, drawn as a ring.
    pub(super) mark: String,
    /// What happened.
    pub(super) what: String,
}

/// Flag and workshop work, marked A, B, C … in order of time, and learning resets.
pub(super) fn events(v: &RankedVehicle) -> Vec<Event> {
    let mut marked: Vec<(i32, String)> = v
        .findings
        .services
        .iter()
        .map(|(day, name)| (*day, clean(name).replace('_', " ")))
        .collect();
    marked.extend(
        v.verdict.flagged_on.map(|day| (day, "flagged: a test crossed its limit".to_owned())),
    );
    marked.sort();
    let mut all: Vec<Event> = marked
        .into_iter()
        .enumerate()
        .map(|(i, (day, what))| Event { day, mark: letter(i), what })
        .collect();
    all.extend(v.findings.resets.iter().map(|day| Event {
        day: *day,
        mark: String::new(),
        what: "learning reset".to_owned(),
    }));
    all.sort_by_key(|e| e.day);
    all
}

/// `A` to `Z`, then numbers.
fn letter(i: usize) -> String {
    match u8::try_from(i) {
        Ok(i) if i < 26 => char::from(b'A' + i).to_string(),
        _ => (i + 1).to_string(),
    }
}

/// Day and level to places in the drawing.
struct Scale {
    first: i32,
    last: i32,
    low: f64,
    high: f64,
}

impl Scale {
    fn x(&self, day: i32) -> f64 {
        LEFT + (RIGHT - LEFT) * f64::from(day - self.first)
            / f64::from((self.last - self.first).max(1))
    }

    fn y(&self, level: f64) -> f64 {
        BOTTOM - (BOTTOM - TOP) * (level - self.low) / (self.high - self.low)
    }
}

/// The drawing, or nothing if there is no point to draw.
pub(super) fn trace(v: &RankedVehicle, correction_limit_pct: f64) -> Option<Markup> {
    let trace = &v.findings.trace;
    let known: Vec<f64> = trace.iter().flat_map(|p| p.bands).filter(|y| y.is_finite()).collect();
    if known.is_empty() {
        return None;
    }
    let events = events(v);
    let limit = headroom(v, correction_limit_pct);
    let scale = scale(trace, &known, &events, limit);
    let summary = summary(v);
    Some(html! {
        div class="scroll to-end" {
            svg class="trace" viewBox=(format!("0 0 {WIDTH} {HEIGHT}")) role="img"
                aria-labelledby="trace-title trace-text" {
                title id="trace-title" { "Change of fuel trim from this vehicle's baseline, week by week" }
                desc id="trace-text" { (summary) }
                (level_axis(&scale))
                (date_axis(&scale))
                (limit_line(&scale, limit))
                @for (band, _) in BANDS.iter().enumerate() { (line(&scale, trace, band)) }
                (end_labels(&scale, trace))
                (event_marks(&scale, &events, v.verdict.flagged_on))
            }
        }
    })
}

/// How far trim can rise above the baseline before the correction limit, log-percent.
///
/// The limit is a factor on fuel, `100 ln(1 + limit/100)` in log-percent; of that the highest baseline of
/// the vehicle's trim series is used up from the start.
fn headroom(v: &RankedVehicle, correction_limit_pct: f64) -> f64 {
    let trims = v.findings.series.iter().filter(|s| s.kind.is_trim_level());
    let baselines = trims.map(|s| s.baseline);
    let highest = baselines.filter(|b| b.is_finite()).fold(f64::NEG_INFINITY, f64::max);
    let limit = log_percent(correction_limit_pct);
    if highest.is_finite() { limit - highest } else { limit }
}

fn scale(trace: &[TracePoint], known: &[f64], events: &[Event], limit: f64) -> Scale {
    let days = || trace.iter().map(|p| p.day).chain(events.iter().map(|e| e.day));
    let low = known.iter().copied().fold(-4.0, f64::min);
    let high =
        known.iter().copied().fold(0.0, f64::max).max(if limit.is_finite() { limit } else { 0.0 });
    Scale {
        first: days().min().unwrap_or(0),
        last: days().max().unwrap_or(1),
        low: low - 1.5,
        high: high.max(6.0) + 2.0,
    }
}

fn px(value: f64) -> String {
    format!("{value:.1}")
}

fn level_axis(s: &Scale) -> Markup {
    let step = if s.high - s.low > 60.0 { 20.0 } else { 5.0 };
    let first = (s.low / step).ceil() as i32;
    let last = (s.high / step).floor() as i32;
    html! {
        text class="axis" x="0" y=(px(TOP - 34.0)) { "change of trim, %" }
        @for i in first..=last {
            @let level = f64::from(i) * step;
            line class=(if i == 0 { "zero" } else { "grid" })
                x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(s.y(level))) y2=(px(s.y(level))) {}
            text class="axis" x=(px(LEFT - 8.0)) y=(px(s.y(level) + 4.0)) text-anchor="end" { (words::signed(level, 0)) }
        }
    }
}

/// First days of months, thinned to at most nine, named; the year stands at the first and at each January.
fn date_axis(s: &Scale) -> Markup {
    let all = month_starts(s.first, s.last);
    let every = [1, 2, 3, 6, 12, 24, 60].into_iter().find(|n| all.len() <= 9 * n).unwrap_or(120);
    let is_on_step =
        |d: &Date| (i32::from(d.year()) * 12 + i32::from(d.month()) - 1) % every as i32 == 0;
    let ticks: Vec<(i32, Date)> = all.into_iter().filter(|(_, d)| is_on_step(d)).collect();
    html! {
        line class="zero" x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(BOTTOM)) y2=(px(BOTTOM)) {}
        @for (i, (day, date)) in ticks.iter().enumerate() {
            line class="zero" x1=(px(s.x(*day))) x2=(px(s.x(*day))) y1=(px(BOTTOM)) y2=(px(BOTTOM + 5.0)) {}
            text class="axis" x=(px(s.x(*day))) y=(px(BOTTOM + 19.0)) text-anchor="middle" {
                (date.strftime("%b").to_string())
            }
            @if i == 0 || date.month() == 1 || every >= 12 {
                text class="axis" x=(px(s.x(*day))) y=(px(BOTTOM + 34.0)) text-anchor="middle" { (date.year()) }
            }
        }
    }
}

/// First days of the months between two days.
fn month_starts(first: i32, last: i32) -> Vec<(i32, Date)> {
    (first..=last).filter_map(|day| civil(day).filter(|d| d.day() == 1).map(|d| (day, d))).collect()
}

fn limit_line(s: &Scale, limit: f64) -> Markup {
    html! {
        @if limit.is_finite() {
            line class="limit" x1=(px(LEFT)) x2=(px(RIGHT)) y1=(px(s.y(limit))) y2=(px(s.y(limit))) {}
            text class="limit-text" x=(px(LEFT + 6.0)) y=(px(s.y(limit) - 5.0)) { "limit of correction" }
        }
    }
}

fn line(s: &Scale, trace: &[TracePoint], band: usize) -> Markup {
    let (_, class, dash) = BANDS[band];
    let mut path = String::new();
    let mut lone = Vec::new();
    let mut run: Vec<&TracePoint> = Vec::new();
    let mut flush = |run: &mut Vec<&TracePoint>| {
        if let [only] = run.as_slice() {
            lone.push((s.x(only.day), s.y(only.bands[band])));
        } else {
            for (i, p) in run.iter().enumerate() {
                let pen = if i == 0 { 'M' } else { 'L' };
                let _ = write!(path, "{pen}{:.1} {:.1}", s.x(p.day), s.y(p.bands[band]));
            }
        }
        run.clear();
    };
    for point in trace {
        let breaks = run.last().is_some_and(|before| point.day - before.day > GAP_DAYS);
        let known = point.bands[band].is_finite();
        if breaks {
            flush(&mut run);
        }
        if known {
            run.push(point);
        }
    }
    flush(&mut run);
    html! {
        @if !path.is_empty() { path class={ "line " (class) } d=(path) stroke-dasharray=(dash) {} }
        @for (x, y) in lone { circle class={ "dot " (class) } cx=(px(x)) cy=(px(y)) r="2.2" {} }
    }
}

/// Name and last value of each band at the end of its line, moved apart where they would overlap.
fn end_labels(s: &Scale, trace: &[TracePoint]) -> Markup {
    const APART: f64 = 15.0;
    let mut labels: Vec<(usize, f64, f64, f64)> = (0..BANDS.len())
        .filter_map(|band| {
            let last = trace.iter().rev().find(|p| p.bands[band].is_finite())?;
            let (x, y) = (s.x(last.day), s.y(last.bands[band]));
            Some((band, last.bands[band], x, y))
        })
        .collect();
    labels.sort_by(|a, b| a.3.total_cmp(&b.3));
    let ends: Vec<f64> = labels.iter().map(|l| l.3).collect();
    let spread = ends.last().zip(ends.first()).map_or(0.0, |(a, b)| a - b);
    // Close together: centred on their middle; else each pushed down by its upper neighbour.
    let centre = ends.iter().sum::<f64>() / ends.len().max(1) as f64;
    let tight = spread < APART * (ends.len().saturating_sub(1)) as f64;
    let mut above =
        if tight { centre - APART * (ends.len() + 1) as f64 / 2.0 } else { f64::NEG_INFINITY };
    html! {
        @for (band, value, x, y) in labels {
            @let at = if tight { above + APART } else { y.max(above + APART) };
            @let name = BANDS[band].0;
            ({ above = at; html! {} })
            line class="lead-line" x1=(px(x + 2.0)) y1=(px(y)) x2=(px(RIGHT + 10.0)) y2=(px(at)) {}
            text class={ "end " (BANDS[band].1) } x=(px(RIGHT + 14.0)) y=(px(at + 4.0)) {
                (name) " " (words::signed(value, 1)) " %"
            }
        }
    }
}

/// Letters in discs above the plot with a line down; resets as rings on the date axis.
fn event_marks(s: &Scale, events: &[Event], flagged_on: Option<i32>) -> Markup {
    let mut last_x = [f64::NEG_INFINITY; 2];
    html! {
        @for e in events {
            @let x = s.x(e.day);
            @if e.mark.is_empty() {
                circle class="reset" cx=(px(x)) cy=(px(BOTTOM)) r="4" {}
            } @else {
                @let row = usize::from(x - last_x[0] < 20.0 && x - last_x[1] >= x - last_x[0]);
                ({ last_x[row] = x; html! {} })
                @let y = TOP - 14.0 - 20.0 * row as f64;
                @let is_flag = flagged_on == Some(e.day) && e.what.starts_with("flagged");
                line class=(if is_flag { "flag-line" } else { "event-line" })
                    x1=(px(x)) x2=(px(x)) y1=(px(y + 9.0)) y2=(px(BOTTOM)) {}
                @if is_flag {
                    rect class="flag-mark" x=(px(x - 9.0)) y=(px(y - 9.0)) width="18" height="18" {}
                } @else {
                    circle class="event-mark" cx=(px(x)) cy=(px(y)) r="9" {}
                }
                text class=(if is_flag { "flag-letter" } else { "event-letter" })
                    x=(px(x)) y=(px(y + 4.0)) text-anchor="middle" { (e.mark) }
            }
        }
    }
}

/// What the drawing shows, for those who hear it.
fn summary(v: &RankedVehicle) -> String {
    let last =
        |band: usize| v.findings.trace.iter().rev().map(|p| p.bands[band]).find(|y| y.is_finite());
    let ends: Vec<String> = BANDS
        .iter()
        .enumerate()
        .filter_map(|(i, (name, ..))| {
            last(i).map(|y| format!("{name} {} percent", words::signed(y, 1)))
        })
        .collect();
    let flagged = v
        .verdict
        .flagged_on
        .map_or(String::new(), |d| format!(" Flagged on {}.", words::short_day(d)));
    format!("Latest weekly means: {}.{flagged}", words::list(&ends))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn months_are_counted_by_the_calendar() {
        // 2024-01-31 is day 19753, 2024-03-01 day 19783 (GNU date).
        let starts: Vec<i32> = month_starts(19_753, 19_783).into_iter().map(|(d, _)| d).collect();
        assert_eq!(starts, [19_754, 19_783]);
    }

    #[test]
    fn marks_go_on_after_the_alphabet() {
        assert_eq!((letter(0), letter(25), letter(26)), ("A".into(), "Z".into(), "27".into()));
    }
}
