//! The ranked table and the outcome table on a terminal: plain text, no colour, fitted to a width.

use super::ReportInput;
use super::words::{self, clean};
use crate::tables::findings::{Action, OutcomeSummary, RankedVehicle, State};

/// Narrowest table that still reads.
const NARROWEST: usize = 48;

/// The ranking in `width` columns: counts, then each vehicle that needs work or watching with its
/// reason, then the rest in one line each kind; with `all`, every vehicle has its own rows.
pub fn table(input: &ReportInput<'_>, width: usize, all: bool) -> String {
    let width = width.max(NARROWEST);
    let mut out = wrapped(&headline(input), width, "");
    for alarm in input.group_alarms {
        out.extend(wrapped(
            &format!(
                "Whole engine family {} drifts, found on {} (roughly {} % per 10,000 km, tends to be read too high); look at fuel and shared parts first.",
                alarm.engine_family,
                words::iso_day(alarm.since_day),
                ascii(words::signed(alarm.drift_per_10000km.value, 1))
            ),
            width,
            "! ",
        ));
    }
    let shown: Vec<&RankedVehicle> = input
        .ranked
        .iter()
        .filter(|v| all || matches!(v.verdict.state, State::Act | State::Watch))
        .collect();
    if !shown.is_empty() {
        out.push(String::new());
        out.extend(rows(input, &shown, width));
    }
    if !all {
        out.push(String::new());
        out.extend(named(input, State::TooLittleData, "Too little data", width));
        out.extend(sound(input, width));
    }
    while out.last().is_some_and(String::is_empty) {
        out.pop();
    }
    out.join("\n") + "\n"
}

/// What each kind of work achieved, in `width` columns.
pub fn outcomes(input: &ReportInput<'_>, width: usize) -> String {
    let width = width.max(NARROWEST);
    if input.summaries.is_empty() {
        return "No workshop record to judge.\n".to_owned();
    }
    let widest = input.summaries.iter().map(|s| display_width(&service(s))).max().unwrap_or(0);
    let name_width = widest.clamp(4, width.saturating_sub(44).max(12));
    let mut out = vec![format!(
        "{}  {:>4}  {:>6}  {:>6}  {:>22}",
        padded("Work", name_width),
        "jobs",
        "judged",
        "worked",
        "trim change, log-%"
    )];
    for s in input.summaries {
        let change = if s.trim_change_pct.is_known() {
            format!(
                "{} ({} to {})",
                ascii(words::signed(s.trim_change_pct.value, 1)),
                ascii(words::signed(s.trim_change_pct.lo, 1)),
                ascii(words::signed(s.trim_change_pct.hi, 1))
            )
        } else {
            "-".to_owned()
        };
        out.push(format!(
            "{}  {:>4}  {:>6}  {:>6}  {change:>22}",
            padded(&service(s), name_width),
            s.jobs,
            s.judged,
            s.worked
        ));
    }
    out.join("\n") + "\n"
}

fn service(s: &OutcomeSummary) -> String {
    clean(&s.service).replace('_', " ")
}

fn headline(input: &ReportInput<'_>) -> String {
    format!(
        "{}: {} act, {} watch, {} sound, {} too little data",
        words::iso_day(input.as_of_day),
        input.count(State::Act),
        input.count(State::Watch),
        input.count(State::Sound),
        input.count(State::TooLittleData)
    )
}

/// Widths of the columns that give way; `work` is 0 where there is no room for it, and then it opens
/// the reason.
struct Columns {
    rank: usize,
    vehicle: usize,
    state: usize,
    work: usize,
    cost: usize,
}

/// Two spaces between columns and ten characters for the day.
fn columns(shown: &[&RankedVehicle], width: usize) -> Columns {
    let widest =
        |f: &dyn Fn(&RankedVehicle) -> usize| shown.iter().map(|v| f(v)).max().unwrap_or(0);
    let rank = widest(&|v| v.rank.to_string().len());
    let state = widest(&|v| state_word(v.verdict.state).len());
    let cost = widest(&|v| cost(v).len()).max(8);
    let free = width.saturating_sub(rank + state + cost + 10 + 5 * 2);
    let names = widest(&|v| display_width(&clean(&v.vehicle))).max(7);
    let work = match widest(&|v| work(v).len()).max(4) {
        work if work + names.min(10) <= free => work,
        _ => 0,
    };
    let vehicle = names.min(free.saturating_sub(work).max(7));
    Columns { rank, vehicle, state, work, cost }
}

fn rows(input: &ReportInput<'_>, shown: &[&RankedVehicle], width: usize) -> Vec<String> {
    let currency = clean(input.currency);
    let c = columns(shown, width);
    let line = |rank: &str, vehicle: &str, state: &str, work: &str, cost: &str, day: &str| {
        let work = if c.work > 0 { padded(work, c.work) + "  " } else { String::new() };
        format!(
            "{}  {}  {}  {work}{}  {day}",
            padded_left(rank, c.rank),
            padded(&cut(vehicle, c.vehicle), c.vehicle),
            padded(state, c.state),
            padded_left(cost, c.cost),
        )
    };
    let mut out =
        vec![line("", "vehicle", "", "work", &cut(&format!("{currency}/week"), c.cost), "flagged")];
    for v in shown {
        let verdict = &v.verdict;
        let day = verdict.flagged_on.map_or("-".to_owned(), words::iso_day);
        out.push(line(
            &v.rank.to_string(),
            &clean(&v.vehicle),
            state_word(verdict.state),
            &work(v),
            &cost(v),
            &day,
        ));
        let indent = " ".repeat(c.rank + 2);
        let place = clean(&v.depot);
        let reason = words::sentence(&verdict.reason);
        let text = if place.is_empty() { reason } else { format!("{place}: {reason}") };
        let text = match verdict.action {
            Action::None => text,
            _ if c.work > 0 => text,
            action => format!("{} {text}", words::sentence(action.words())),
        };
        out.extend(wrapped(&text, width, &indent));
    }
    out
}

fn work(v: &RankedVehicle) -> String {
    match v.verdict.action {
        Action::None => "-".to_owned(),
        action => action.words().to_owned(),
    }
}

fn cost(v: &RankedVehicle) -> String {
    words::plain(v.urgency.per_week(), 2).unwrap_or_else(|| "-".to_owned())
}

fn state_word(state: State) -> &'static str {
    match state {
        State::Act => "ACT",
        State::Watch => "watch",
        State::Sound => "sound",
        State::TooLittleData => "no data",
    }
}

/// One line that names the vehicles of a state.
fn named(input: &ReportInput<'_>, state: State, title: &str, width: usize) -> Vec<String> {
    let names: Vec<String> = input.in_state(state).map(|v| clean(&v.vehicle)).collect();
    match names.len() {
        0 => Vec::new(),
        n if n <= 12 => wrapped(&format!("{title}: {}.", names.join(", ")), width, ""),
        n => vec![format!("{title}: {n} vehicles.")],
    }
}

fn sound(input: &ReportInput<'_>, width: usize) -> Vec<String> {
    match input.count(State::Sound) {
        0 => Vec::new(),
        n => wrapped(
            &format!(
                "Sound: {}, enough data and nothing found.",
                words::counted(n, "vehicle", "vehicles")
            ),
            width,
            "",
        ),
    }
}

/// Text in lines of `width`, each behind `indent`; words longer than a line are cut across lines.
pub(super) fn wrapped(text: &str, width: usize, indent: &str) -> Vec<String> {
    let room = width.saturating_sub(display_width(indent)).max(10);
    let mut lines = vec![String::new()];
    let mut used = 0;
    let text = clean(text);
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let mut rest = word;
        let mut gap = usize::from(used > 0);
        if used + gap + display_width(rest) > room && used > 0 {
            lines.push(String::new());
            (used, gap) = (0, 0);
        }
        while display_width(rest) > room {
            let head = cut_at(rest, room);
            lines.last_mut().map(|l| l.push_str(head)).unwrap_or_default();
            lines.push(String::new());
            rest = &rest[head.len()..];
        }
        if let Some(line) = lines.last_mut() {
            line.push_str(&" ".repeat(gap));
            line.push_str(rest);
        }
        used += gap + display_width(rest);
    }
    lines.into_iter().filter(|l| !l.is_empty()).map(|l| ascii(format!("{indent}{l}"))).collect()
}

/// Typographic characters that a plain terminal may lack, in ASCII.
pub(super) fn ascii(text: String) -> String {
    text.replace(['−', '–'], "-").replace('\u{a0}', " ")
}

/// `text` filled up with spaces to `width`.
pub(crate) fn padded(text: &str, width: usize) -> String {
    format!("{text}{}", " ".repeat(width.saturating_sub(display_width(text))))
}

/// `text` moved to the right edge of `width`.
pub(super) fn padded_left(text: &str, width: usize) -> String {
    format!("{}{text}", " ".repeat(width.saturating_sub(display_width(text))))
}

/// `text` in at most `width` columns, `~` marking what was cut off.
pub(crate) fn cut(text: &str, width: usize) -> String {
    if display_width(text) <= width {
        return text.to_owned();
    }
    format!("{}~", cut_at(text, width.saturating_sub(1)))
}

/// The longest start of `text` that fits in `width`, but at least one character.
fn cut_at(text: &str, width: usize) -> &str {
    let mut used = 0;
    for (i, c) in text.char_indices() {
        used += char_width(c);
        if used > width && i > 0 {
            return &text[..i];
        }
    }
    text
}

/// Columns that `text` takes.
pub(crate) fn display_width(text: &str) -> usize {
    text.chars().map(char_width).sum()
}

/// Columns of one character: 0 combining, 2 wide, else 1. The blocks of Unicode's East Asian Width
/// table in the large (UAX 11, from memory); a rare miss shifts a row, no more.
fn char_width(c: char) -> usize {
    match u32::from(c) {
        0x0300..=0x036F | 0x20D0..=0x20FF | 0xFE00..=0xFE0F => 0,
        0x1100..=0x115F
        | 0x2E80..=0xA4CF
        | 0xAC00..=0xD7A3
        | 0xF900..=0xFAFF
        | 0xFE30..=0xFE6F
        | 0xFF00..=0xFF60
        | 0xFFE0..=0xFFE6
        | 0x1F300..=0x1FAFF
        | 0x20000..=0x3FFFD => 2,
        _ => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrapped_lines_keep_every_word_and_never_pass_the_width() {
        let text = "Trim rose by 8.1 % on both banks alike in idle, cruise and load abcdefghijklmnopqrstuvwxyzabcdefghijklmnopqrstuvwxyz end";
        let lines = wrapped(text, 30, "   ");
        assert!(lines.iter().all(|l| display_width(l) <= 30 && l.starts_with("   ")));
        let rejoined: String = lines.concat().split_whitespace().collect();
        assert_eq!(rejoined, text.split_whitespace().collect::<String>());
    }

    #[test]
    fn wide_characters_take_two_columns() {
        assert_eq!(display_width("車7"), 3);
        assert_eq!(cut("車車車", 4), "車~");
        assert_eq!(padded("車", 4), "車  ");
    }
}
