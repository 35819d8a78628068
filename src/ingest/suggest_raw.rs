//! Proposals for raw diagnostic traffic: which columns hold requests and responses, and what the responses carry.
//!
//! Comes in: the first rows of an unknown file. Goes out: the `[raw]` part of a profile, each guess with what speaks for
//! it. A column is taken for responses only if the decoders read most of its cells. Never: reads a file.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

use super::number::{NumberForm, any_decimal};
use super::profile::Format;
use super::profile_text::NULL_MARKERS;
use super::raw::{
    RawAssembler, RawError, Request, Role, Sampling, parse_bytes, parse_capture_line,
};
use super::suggest::{Draft, printable};
use super::suggest_sample::{Column, Sample};
use super::suggest_words::words;
use crate::tables::samples::Signal;

/// The decoders' sampling here: every cell is an interval of its own, so that each value is counted where it was read.
const EACH_CELL: Sampling = Sampling { row_every_us: 1_000, stale_after_us: 1 };

/// Names that speak for a column of responses.
const RESPONSE_WORDS: [&str; 9] =
    ["response", "responses", "answer", "reply", "raw", "hex", "payload", "frame", "antwort"];

/// Signals that no verdict can do without.
pub(super) const NEEDED: [Signal; 3] = [Signal::Rpm, Signal::Stft1Pct, Signal::Ltft1Pct];

/// What the decoders made of some cells.
#[derive(Debug, Default)]
struct Decoded {
    cells: usize,
    read: usize,
    /// Markers of 'not available' and empty cells.
    silent: usize,
    /// Some cell that was read is no decimal number.
    beyond_decimal: bool,
    /// The first cell that could not be read, and why.
    fault: Option<(String, RawError)>,
    /// How often each signal was read, and its range.
    signals: BTreeMap<Signal, (usize, f64, f64)>,
}

/// The columns of a raw log.
#[derive(Debug)]
pub(super) struct Traffic {
    pub(super) response: usize,
    pub(super) request: Option<usize>,
    decoded: Decoded,
}

impl Decoded {
    fn of(cells: impl Iterator<Item = (String, String)>) -> Decoded {
        let mut decoded = Decoded::default();
        let mut bus = RawAssembler::new(EACH_CELL);
        for (at, (request, response)) in cells.enumerate() {
            let silent = |cell: &str| {
                cell.is_empty() || NULL_MARKERS.contains(&cell.to_lowercase().as_str())
            };
            decoded.cells += 1;
            if silent(&response) {
                decoded.silent += 1;
                continue;
            }
            let request = if silent(&request) { "" } else { &request };
            match bus.push_cells(at as i64 * EACH_CELL.row_every_us, request, &response) {
                Ok(()) => {
                    decoded.read += 1;
                    let number = any_decimal(response.as_bytes(), NumberForm::POINT);
                    decoded.beyond_decimal |= number.is_none_or(|(_, used)| used < response.len());
                }
                Err(error) => decoded.fault = decoded.fault.or(Some((response, error))),
            }
        }
        decoded.count(bus);
        decoded
    }

    fn count(&mut self, bus: RawAssembler) {
        for (signal, value) in bus.finish().0.into_iter().flat_map(|row| row.values) {
            let (n, min, max) = self.signals.entry(signal).or_insert((0, value, value));
            (*n, *min, *max) = (*n + 1, min.min(value), max.max(value));
        }
    }

    /// Four cells of five must be read: a logger writes a few remarks of its own between the responses.
    fn mostly_read(&self) -> bool {
        self.read > 0 && 5 * self.read >= 4 * (self.cells - self.silent)
    }

    /// What the profile will give, as comments.
    fn evidence(&self) -> String {
        let mut toml = String::new();
        for (signal, (n, min, max)) in &self.signals {
            let spec = signal.spec();
            let _ = writeln!(
                toml,
                "# gives {}: {n} values from {min} to {max} {}",
                spec.name, spec.unit
            );
        }
        toml
    }
}

/// The columns of requests and responses, if the decoders read most of one.
pub(super) fn traffic(sample: &Sample) -> Option<Traffic> {
    if sample.format != Format::Csv {
        return None;
    }
    let texts = |column: &Column| column.cells.clone();
    let mut best: Option<Traffic> = None;
    for (at, column) in sample.columns.iter().enumerate() {
        let decoded = Decoded::of(texts(column).into_iter().map(|cell| (String::new(), cell)));
        let name = words(&column.name);
        let named = RESPONSE_WORDS.iter().any(|w| name.contains(*w));
        // A column of whole numbers may look like responses.
        let telling = if named {
            !decoded.signals.is_empty()
        } else {
            decoded.signals.len() >= 2 && decoded.beyond_decimal
        };
        let more = best.as_ref().is_none_or(|b| decoded.read > b.decoded.read);
        if decoded.mostly_read() && telling && more {
            best = Some(Traffic { response: at, request: None, decoded });
        }
    }
    let mut best = best?;
    let responses = &sample.columns[best.response].cells;
    let asks = |at: &usize| {
        let requests = &sample.columns[*at].cells;
        let filled = requests.iter().filter(|c| !c.is_empty()).count();
        let are = requests.iter().filter(|c| is_request(c)).count();
        let pairs = requests.iter().cloned().zip(responses.iter().cloned());
        filled > 0 && 5 * are >= 4 * filled && Decoded::of(pairs).mostly_read()
    };
    best.request = (0..sample.columns.len()).filter(|at| *at != best.response).find(asks);
    if let Some(at) = best.request {
        let pairs = sample.columns[at].cells.iter().cloned().zip(responses.iter().cloned());
        best.decoded = Decoded::of(pairs);
    }
    Some(best)
}

/// A request of SAE J1979: services 01 to 0A.
fn is_request(cell: &str) -> bool {
    let bytes = parse_bytes(cell).unwrap_or_default();
    Request::parse(&bytes).is_ok_and(|request| (0x01..=0x0A).contains(&request.service))
}

impl Draft<'_> {
    /// The `[raw]` section of a raw log, and what stays open.
    pub(super) fn raw_section(&mut self, traffic: &Traffic) -> String {
        let decoded = &traffic.decoded;
        let mut toml = "[raw]\n".to_owned();
        match traffic.request {
            Some(at) => {
                let such = self.column(at).cells.iter().find(|c| is_request(c));
                let such = such.map_or(String::new(), |c| printable(c));
                let _ = writeln!(
                    toml,
                    "request = {}   # requests of SAE J1979 such as {such}",
                    self.reference(at)
                );
            }
            None => toml += "# no column holds the requests; the responses tell what they answer\n",
        }
        let _ = writeln!(
            toml,
            "response = {}   # {} of {} cells are read, {} are empty or say 'no data'",
            self.reference(traffic.response),
            decoded.read,
            decoded.cells,
            decoded.silent
        );
        toml += &decoded.evidence();
        for at in 0..self.sample.columns.len() {
            if !self.taken[at] {
                let _ = writeln!(toml, "# not read: {}", self.note(at));
            }
        }
        if let Some((cell, error)) = &decoded.fault {
            let rest = decoded.cells - decoded.read - decoded.silent;
            self.undecided.push(format!(
                "{rest} of {} responses cannot be read, such as `{}`: {error}; add it to `null` if it means 'no data'",
                decoded.cells,
                printable(cell)
            ));
        }
        self.needed(&decoded.signals.keys().copied().collect(), "response carries it");
        toml
    }

    /// The profile of a CAN capture without its vehicle, and what stays open.
    pub(super) fn capture_head(&mut self) -> String {
        let mut decoded = Decoded::default();
        let mut buses: BTreeMap<String, RawAssembler> = BTreeMap::new();
        let mut senders: BTreeSet<String> = BTreeSet::new();
        let lines = self.sample.columns.first().map_or(&[][..], |c| &c.cells);
        for line in lines {
            decoded.cells += 1;
            let Ok(Some(frame)) = parse_capture_line(line) else { continue };
            if frame.id.role() != Role::Response {
                continue;
            }
            let new = || RawAssembler::new(EACH_CELL);
            let bus = buses.entry(frame.interface.to_owned()).or_insert_with(new);
            match bus.push_frame(frame.time_us, frame.id, frame.data()) {
                Ok(()) => decoded.read += 1,
                Err(error) => decoded.fault = decoded.fault.or(Some((line.clone(), error))),
            }
            senders.insert(frame.id.to_string());
        }
        let on: Vec<String> = buses.keys().map(|name| printable(name)).collect();
        for bus in buses.into_values() {
            decoded.count(bus);
        }
        let mut toml =
            "format = \"capture\"   # lines such as (1690000000.123456) can0 7E8#04410C1AF8\n"
                .to_owned();
        let _ = writeln!(
            toml,
            "# {} of {} lines are diagnostic responses that are read; senders {} on {}",
            decoded.read,
            decoded.cells,
            senders.into_iter().collect::<Vec<_>>().join(", "),
            on.join(", ")
        );
        toml += &decoded.evidence();
        if let Some((line, error)) = &decoded.fault {
            self.undecided
                .push(format!("not all frames can be read: `{}`: {error}", printable(line)));
        }
        self.needed(&decoded.signals.keys().copied().collect(), "response carries it");
        toml
    }

    /// Notes the needed signals that are not there.
    pub(super) fn needed(&mut self, found: &BTreeSet<Signal>, what: &str) {
        for needed in NEEDED {
            if !found.contains(&needed) {
                self.undecided.push(format!("`{}`: no {what}", needed.spec().name));
            }
        }
    }
}
