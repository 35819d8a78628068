//! Proposals for the time of the rows: which column, in what form, and where an elapsed time starts.
//!
//! Comes in: the columns of a proposal in the making. Goes out: the `[time]` part of a profile; what was assumed is noted
//! as undecided. A form is proposed only if every cell looked at reads in it. Never: reads a file.

use super::number::NumberForm;
use super::profile::TimeForm;
use super::stamp::{Stamp, StampReader};
use super::suggest::{Draft, filled, numbers, printable};
use super::suggest_sample::Column;
use super::suggest_words::{signal_of, words};
use crate::tables::samples::Signal;

/// Patterns of local times, most telling first.
const PATTERNS: &[&str] = &[
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y/%m/%d %H:%M:%S%.f",
    "%d.%m.%Y %H:%M:%S%.f",
    "%d/%m/%Y %H:%M:%S%.f",
    "%m/%d/%Y %H:%M:%S%.f",
    "%m/%d/%Y %I:%M:%S %p",
    "%d-%b-%Y %H:%M:%S%.f",
    "%Y%m%d%H%M%S",
];

impl Draft<'_> {
    /// The `[time]` part, and with a clock that counts from zero the pattern of the file name.
    pub(super) fn time(&mut self, file_name: &str) -> String {
        let by_name = |at: &usize| {
            let words = words(&self.column(*at).name);
            [
                "time",
                "timestamp",
                "datetime",
                "date",
                "zeit",
                "datum",
                "ts",
                "t",
                "utc",
                "heure",
                "fecha",
            ]
            .iter()
            .any(|w| words.contains(*w))
        };
        let free: Vec<usize> =
            (0..self.sample.columns.len()).filter(|at| !self.taken[*at]).collect();
        // A column whose name says time goes first; any other whose cells read as times will do.
        let (likely, others): (Vec<usize>, Vec<usize>) = free.into_iter().partition(by_name);
        for at in likely.iter().chain(&others).copied() {
            if let Some(form) = self.time_form(at) {
                self.taken[at] = true;
                return format!("[time]\ncolumn = {}\n{form}", self.reference(at));
            }
        }
        if let Some(toml) = self.date_and_time(&likely) {
            return toml;
        }
        self.elapsed(file_name)
    }

    fn time_form(&mut self, at: usize) -> Option<String> {
        let cells: Vec<&str> = filled(self.column(at));
        let reads = |form: TimeForm| reads_as(&cells, form, self.sample.numbers);
        if cells.is_empty() {
            return None;
        }
        if reads(TimeForm::Rfc3339) == Some(true) {
            return Some(format!("form = \"rfc3339\"   # such as {}\n", printable(cells[0])));
        }
        let epochs = [
            ("epoch_s", 1, 1e9, 4e9),
            ("epoch_ms", 1_000, 1e12, 4e12),
            ("epoch_us", 1_000_000, 1e15, 4e15),
        ];
        for (name, per_second, low, high) in epochs {
            let form = TimeForm::Epoch { per_second };
            let plausible = |c: &&str| c.parse::<f64>().is_ok_and(|n| (low..high).contains(&n));
            if cells.iter().all(plausible) && reads(form).is_some() {
                return Some(format!(
                    "form = \"{name}\"   # values such as {} lie between 2001 and 2096\n",
                    printable(cells[0])
                ));
            }
        }
        let fitting: Vec<&str> = PATTERNS
            .iter()
            .copied()
            .filter(|p| reads(TimeForm::Pattern((*p).to_owned())).is_some())
            .collect();
        let pattern = fitting.first()?;
        if fitting.len() > 1 {
            self.undecided.push(format!(
                "the order of day and month: `{}` fits {}",
                printable(cells[0]),
                fitting.iter().map(|p| format!("`{p}`")).collect::<Vec<_>>().join(" and ")
            ));
        }
        self.undecided.push("the time zone: the times carry no offset; UTC is assumed".to_owned());
        Some(format!(
            "form = \"pattern\"\npattern = \"{pattern}\"   # reads all cells looked at, such as {}\nzone = \"UTC\"   # assumed\n",
            printable(cells[0])
        ))
    }

    /// A date in one column and the time of day in another.
    fn date_and_time(&mut self, likely: &[usize]) -> Option<String> {
        for &date in likely {
            for &time in likely.iter().filter(|t| **t != date) {
                let joined = self.column(date).cells.iter().zip(&self.column(time).cells);
                let joined = Column {
                    name: String::new(),
                    cells: joined
                        .filter(|(d, t)| !d.is_empty() && !t.is_empty())
                        .map(|(d, t)| format!("{d} {t}"))
                        .collect(),
                };
                let cells = filled(&joined);
                let fits = |p: &&&str| {
                    reads_as(&cells, TimeForm::Pattern((**p).to_owned()), self.sample.numbers)
                        .is_some()
                };
                let Some(pattern) = PATTERNS.iter().find(fits) else { continue };
                self.taken[date] = true;
                self.taken[time] = true;
                self.undecided
                    .push("the time zone: the times carry no offset; UTC is assumed".to_owned());
                return Some(format!(
                    "[time]\ncolumn = {}\ndate_column = {}\nform = \"pattern\"\npattern = \"{pattern}\"   # date and time of day joined by a space\nzone = \"UTC\"   # assumed\n",
                    self.reference(time),
                    self.reference(date)
                ));
            }
        }
        None
    }

    /// Seconds since a start, if a column rises from about zero and the file name has a date.
    fn elapsed(&mut self, file_name: &str) -> String {
        let rising = |at: &usize| {
            let values = numbers(self.column(*at), self.sample.numbers);
            values.len() > 1
                && values.windows(2).all(|w| w[0] <= w[1])
                && values[0].abs() < 5.0
                && values[0] < values[values.len() - 1]
                && signal_of(&self.column(*at).name).is_none_or(|s| s == Signal::RunS)
        };
        let says_time = |at: &usize| {
            let name = words(&self.column(*at).name);
            ["time", "elapsed", "run", "seconds", "sec", "zeit", "t"]
                .iter()
                .any(|w| name.contains(*w))
        };
        let free = || (0..self.sample.columns.len()).filter(|at| !self.taken[*at]);
        let column = free().find(|at| rising(at) && says_time(at)).or_else(|| free().find(rising));
        let Some(at) = column else {
            self.undecided.push("the time: no column reads as one".to_owned());
            return "[time]\ncolumn = \"?\"   # no column reads as a time\nform = \"rfc3339\"\n"
                .to_owned();
        };
        let start = start_in(file_name);
        if start.is_none() {
            self.undecided.push(
                "the start of the log: its clock counts from zero and the file name has no date"
                    .to_owned(),
            );
        }
        self.undecided.push("the unit of the clock: seconds are assumed".to_owned());
        self.vehicle_in_name = true;
        let (group, pattern) = start.unwrap_or((r"\d{8}T\d{6}Z", "%Y%m%dT%H%M%SZ"));
        self.undecided
            .push("the time zone of the start in the file name; UTC is assumed".to_owned());
        format!(
            "[file_name]\npattern = '^(?<vehicle>[^_.]+).*?(?<start>{group})'   # assumed: the name starts with the vehicle\n\n\
             [time]\ncolumn = {}\nform = \"elapsed\"   # rises from {} to {}\nunit = \"s\"   # assumed\nstart_pattern = \"{pattern}\"\nstart_zone = \"UTC\"   # assumed\n",
            self.reference(at),
            numbers(self.column(at), self.sample.numbers).first().copied().unwrap_or_default(),
            numbers(self.column(at), self.sample.numbers).last().copied().unwrap_or_default(),
        )
    }
}

/// Whether all cells read in that form: `Some(true)` as UTC, `Some(false)` as local time.
fn reads_as(cells: &[&str], form: TimeForm, numbers: NumberForm) -> Option<bool> {
    let mut reader = StampReader::new(form, true, numbers);
    let mut utc = true;
    for cell in cells {
        utc &= matches!(reader.read(cell.as_bytes()).ok()?, Stamp::Utc(_));
    }
    (!cells.is_empty()).then_some(utc)
}

/// The date and time in a file name, as a pattern for the regex and one for the time.
fn start_in(file_name: &str) -> Option<(&'static str, &'static str)> {
    const FORMS: &[(&str, &str)] = &[
        (r"\d{4}-\d{2}-\d{2}T\d{6}Z", "%Y-%m-%dT%H%M%SZ"),
        (r"\d{8}T\d{6}Z", "%Y%m%dT%H%M%SZ"),
        (r"\d{4}-\d{2}-\d{2}[_-]\d{2}-\d{2}-\d{2}", "%Y-%m-%d_%H-%M-%S"),
        (r"\d{8}_\d{6}", "%Y%m%d_%H%M%S"),
        (r"\d{14}", "%Y%m%d%H%M%S"),
    ];
    FORMS
        .iter()
        .copied()
        .find(|(group, _)| regex::Regex::new(group).is_ok_and(|r| r.is_match(file_name)))
}
