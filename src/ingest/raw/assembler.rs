//! Replies that arrive one parameter at a time in, rows of samples out.
//!
//! 1. A row stands for one sampling interval in which at least one signal was read; intervals divide UTC time evenly.
//!    Its time is that of the last piece, so no row is dated before what it holds.
//! 2. It holds the last value of each signal; one that was read in no interval since and is older than the stale limit
//!    is left out, which means 'not available'.
//! 3. Where several control units answer the same parameter, the one with the lowest address speaks for the vehicle: by
//!    ISO 15765-4 that is the engine control unit.
//! 4. `misfire_cN` is the count of service 06, test 0C: a **cumulative counter that restarts with every driving cycle**.
//!    It stands only in the row in which it was read; the caller takes differences, and a fall means a restart, where
//!    the new count itself is the difference. Units that report the last finished cycle step once per cycle.
//! 5. A clock that jumps back closes the row and forgets every value before it.

use super::error::RawError;
use super::hex::parse_answers;
use super::j1979::{FullScale, Reading, Reply, Request, decode_reply};
use super::monitors::{MisfireCount, MisfireMonitor, MisfireTest};
use super::transport::{CanId, Reassembler};
use crate::tables::samples::Signal;
use std::collections::BTreeMap;

/// Which control unit answered; the lowest one is preferred.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Ecu {
    /// No address recorded: place of its answer among those to the same request, from 0.
    Place(usize),
    /// The identifier of its responses.
    Address(CanId),
}

/// How often rows are written and how long a value may stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sampling {
    /// Length of a sampling interval, microseconds, at least 1.
    pub row_every_us: i64,
    /// Age beyond which a value is not available, microseconds.
    pub stale_after_us: u64,
}

impl Default for Sampling {
    /// A row a second, stale after 5 s.
    fn default() -> Sampling {
        Sampling { row_every_us: 1_000_000, stale_after_us: 5_000_000 }
    }
}

/// One row of samples; a signal that is not listed is not available.
#[derive(Debug, Clone, PartialEq)]
pub struct RawRow {
    /// Time of the last piece that went into it, in the clock of the pieces, microseconds.
    pub time_us: i64,
    /// Values in canonical units, in the order of [`Signal::ALL`].
    pub values: Vec<(Signal, f64)>,
}

/// The last value of a signal.
#[derive(Debug, Clone, Copy)]
struct Held {
    ecu: Ecu,
    time_us: i64,
    interval: i64,
    value: f64,
}

/// Collects the pieces of **one vehicle and one bus** in time order and gives rows.
#[derive(Debug, Clone)]
pub struct RawAssembler {
    sampling: Sampling,
    transport: Reassembler,
    scales: BTreeMap<Ecu, FullScale>,
    held: BTreeMap<Signal, Held>,
    /// Time of the latest reading and its interval; `None` before the first.
    now: Option<(i64, i64)>,
    rows: Vec<RawRow>,
}

impl RawAssembler {
    /// An assembler without any value.
    pub fn new(sampling: Sampling) -> RawAssembler {
        let row_every_us = sampling.row_every_us.max(1);
        RawAssembler {
            sampling: Sampling { row_every_us, ..sampling },
            transport: Reassembler::new(),
            scales: BTreeMap::new(),
            held: BTreeMap::new(),
            now: None,
            rows: Vec::new(),
        }
    }

    /// Takes one control unit's whole reply; on an error nothing of it is used.
    pub fn push(
        &mut self,
        time_us: i64,
        ecu: Ecu,
        request: Option<&Request>,
        response: &[u8],
    ) -> Result<(), RawError> {
        let reply = self.decode(ecu, request, response)?;
        self.apply(time_us, ecu, &reply);
        Ok(())
    }

    /// Takes the hexadecimal cells of a log row; an empty request is unknown, an empty response is no answer.
    ///
    /// Answers that start with a CAN identifier may be messages or frames; frames are put together across rows. On an
    /// error no answer of the row is used.
    pub fn push_cells(
        &mut self,
        time_us: i64,
        request: &str,
        response: &str,
    ) -> Result<(), RawError> {
        let request = super::hex::parse_bytes(request)?;
        let request = (!request.is_empty()).then(|| Request::parse(&request)).transpose()?;
        let mut replies = Vec::new();
        let mut fault = None;
        for (place, answer) in parse_answers(response)?.into_iter().enumerate() {
            let (ecu, bytes) = match answer.id {
                Some(id) if answer.bytes.first().is_some_and(|&b| b < 0x40) => {
                    let received = self.transport.push(time_us, id, &answer.bytes);
                    fault = fault.or(received.fault);
                    match received.message {
                        Some(message) => (Ecu::Address(id), message.bytes),
                        None => continue,
                    }
                }
                Some(id) => (Ecu::Address(id), answer.bytes),
                None => (Ecu::Place(place), answer.bytes),
            };
            replies.push((ecu, self.decode(ecu, request.as_ref(), &bytes)?));
        }
        if let Some(fault) = fault {
            return Err(fault);
        }
        for (ecu, reply) in &replies {
            self.apply(time_us, *ecu, reply);
        }
        Ok(())
    }

    /// Takes one CAN frame; frames that are no diagnostic response are passed over.
    ///
    /// An error may be the loss of an earlier message of the same sender: the frame itself is then used all the same.
    pub fn push_frame(&mut self, time_us: i64, id: CanId, data: &[u8]) -> Result<(), RawError> {
        let received = self.transport.push(time_us, id, data);
        if let Some(message) = received.message {
            // Requests are not matched: a slow unit may answer after the tester went on.
            self.push(message.time_us, Ecu::Address(id), None, &message.bytes)?;
        }
        received.fault.map_or(Ok(()), Err)
    }

    /// The rows that are complete, oldest first; each is given once.
    pub fn take_rows(&mut self) -> Vec<RawRow> {
        std::mem::take(&mut self.rows)
    }

    /// The remaining rows, and the losses of messages that never became whole.
    pub fn finish(mut self) -> (Vec<RawRow>, Vec<RawError>) {
        self.close_row();
        (self.rows, self.transport.finish())
    }

    fn decode(
        &self,
        ecu: Ecu,
        request: Option<&Request>,
        response: &[u8],
    ) -> Result<Reply, RawError> {
        let scale = self.scales.get(&ecu).copied().unwrap_or_default();
        decode_reply(request, response, &scale)
    }

    fn apply(&mut self, time_us: i64, ecu: Ecu, reply: &Reply) {
        match reply {
            Reply::Parameters(readings) => {
                for reading in readings {
                    self.apply_reading(time_us, ecu, reading);
                }
            }
            Reply::Misfires(counts) => {
                for count in counts {
                    if let Some(signal) = counter(count) {
                        self.hold(time_us, ecu, signal, Some(f64::from(count.count)));
                    }
                }
            }
            Reply::Negative { .. } | Reply::Other { .. } => {}
        }
    }

    fn apply_reading(&mut self, time_us: i64, ecu: Ecu, reading: &Reading) {
        let mut scale = self.scales.get(&ecu).copied().unwrap_or_default();
        if scale.learn(reading) {
            self.scales.insert(ecu, scale);
        }
        if let Reading::Value { field, value } = *reading
            && let Some(signal) = field.signal
        {
            self.hold(time_us, ecu, signal, value);
        }
    }

    /// Keeps a value, unless a control unit of lower address still speaks for the signal.
    fn hold(&mut self, time_us: i64, ecu: Ecu, signal: Signal, value: Option<f64>) {
        let (time_us, interval) = self.advance(time_us);
        if let Some(held) = self.held.get(&signal)
            && held.ecu < ecu
            && self.stands(signal, held, time_us, interval)
        {
            return;
        }
        match value {
            Some(value) => {
                self.held.insert(signal, Held { ecu, time_us, interval, value });
            }
            None => {
                self.held.remove(&signal);
            }
        }
    }

    /// Moves to `time_us`, closing the row of the interval that it leaves; gives the time to use and its interval.
    fn advance(&mut self, time_us: i64) -> (i64, i64) {
        let every = self.sampling.row_every_us;
        let at = match self.now {
            // Pieces that are out of order by less than a row belong to the present.
            Some((now_us, _)) if time_us < now_us && now_us.abs_diff(time_us) < every as u64 => {
                now_us
            }
            _ => time_us,
        };
        let interval = at.div_euclid(every);
        if let Some((now_us, current)) = self.now
            && current != interval
        {
            self.close_row();
            if at < now_us {
                self.held.clear();
            }
        }
        self.now = Some((at, interval));
        (at, interval)
    }

    /// Whether a held value may be used at `now_us`.
    fn stands(&self, signal: Signal, held: &Held, now_us: i64, interval: i64) -> bool {
        held.interval == interval
            || !is_counter(signal) && held.time_us.abs_diff(now_us) <= self.sampling.stale_after_us
    }

    fn close_row(&mut self) {
        let Some((time_us, interval)) = self.now else {
            return;
        };
        let values: Vec<(Signal, f64)> = self
            .held
            .iter()
            .filter(|&(&signal, held)| self.stands(signal, held, time_us, interval))
            .map(|(&signal, held)| (signal, held.value))
            .collect();
        let is_fresh = self.held.values().any(|held| held.interval == interval);
        if is_fresh {
            self.rows.push(RawRow { time_us, values });
        }
    }
}

/// The column of a misfire count that counts up within a driving cycle.
fn counter(count: &MisfireCount) -> Option<Signal> {
    match (count.monitor, count.test) {
        (MisfireMonitor::Cylinder(n), MisfireTest::LastCycle) => Signal::misfire(n),
        _ => None,
    }
}

fn is_counter(signal: Signal) -> bool {
    (Signal::MisfireC1..=Signal::MisfireC12).contains(&signal)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const S: i64 = 1_000_000;

    fn rows(pieces: &[(i64, &str, &str)]) -> Vec<RawRow> {
        let mut assembler = RawAssembler::new(Sampling::default());
        for &(time_us, request, response) in pieces {
            assembler.push_cells(time_us, request, response).unwrap();
        }
        let (rows, faults) = assembler.finish();
        assert!(faults.is_empty());
        rows
    }

    #[test]
    fn one_row_an_interval_with_the_last_value_of_each_signal() {
        let found = rows(&[
            (S, "010C", "410C1AF8"),
            (S + 300_000, "010D", "410D32"),
            (S + 900_000, "010C", "410C1B00"),
            (2 * S + 100_000, "0105", "41057B"),
        ]);
        assert_eq!(
            found,
            [
                RawRow {
                    time_us: S + 900_000,
                    values: vec![(Signal::SpeedKmh, 50.0), (Signal::Rpm, 1728.0)]
                },
                RawRow {
                    time_us: 2 * S + 100_000,
                    values: vec![
                        (Signal::SpeedKmh, 50.0),
                        (Signal::Rpm, 1728.0),
                        (Signal::CoolantC, 83.0)
                    ]
                },
            ]
        );
    }

    #[test]
    fn stale_values_are_not_available() {
        let found = rows(&[
            (0, "0105", "41057B"),
            (5 * S, "010D", "410D32"),
            (5 * S + 1, "010D", "410D33"),
            (6 * S, "010D", "410D34"),
        ]);
        let counts: Vec<usize> = found.iter().map(|row| row.values.len()).collect();
        // Read at 0 s; the row at 5.000001 s is just past the limit.
        assert_eq!(counts, [1, 1, 1]);
        let found = rows(&[(0, "0105", "41057B"), (5 * S, "010D", "410D32")]);
        assert_eq!(found[1].values, [(Signal::SpeedKmh, 50.0), (Signal::CoolantC, 83.0)]);
    }

    #[test]
    fn the_engine_control_unit_speaks_for_the_vehicle() {
        let both = "7E9:410C1000;7E8:410C1AF8";
        let turned = "7E8:410C1AF8;7E9:410C1000";
        for response in [both, turned, "410C1AF8;410C1000"] {
            assert_eq!(rows(&[(S, "010C", response)])[0].values, [(Signal::Rpm, 1726.0)]);
        }
        // Once it has been silent for longer than the limit, the other one is heard.
        let found = rows(&[(0, "010C", turned), (6 * S, "010C", "7E9:410C1000")]);
        assert_eq!(found[1].values, [(Signal::Rpm, 1024.0)]);
    }

    #[test]
    fn no_answer_and_refusals_give_no_row() {
        assert!(rows(&[(0, "0108", ""), (S, "0108", "7F0112"), (2 * S, "03", "4300")]).is_empty());
    }

    #[test]
    fn not_available_withdraws_an_earlier_value() {
        let found = rows(&[(0, "015E", "415E0064"), (S, "010D 5E", "41 0D 32 5E FF FF")]);
        assert_eq!(found[0].values, [(Signal::FuelRateLh, 5.0)]);
        assert_eq!(found[1].values, [(Signal::SpeedKmh, 50.0)]);
    }

    #[test]
    fn an_interval_in_which_nothing_is_available_gives_no_row() {
        let found =
            rows(&[(0, "010D", "410D32"), (S, "015E", "415EFFFF"), (2 * S, "0151", "415101")]);
        assert_eq!(found, [RawRow { time_us: 0, values: vec![(Signal::SpeedKmh, 50.0)] }]);
    }

    #[test]
    fn a_stated_full_scale_holds_for_its_own_control_unit() {
        let found = rows(&[
            (0, "0150", "7E8 4150 83 00 00 00"),
            (1, "0110", "7E8 4110 FFFF"),
            (S, "0150", "7E8 4150 00 00 00 00"),
            (S + 1, "0110", "7E8 4110 FFFF"),
        ]);
        assert_eq!(found[0].values, [(Signal::MafGs, 1310.0)]);
        assert_eq!(found[1].values, [(Signal::MafGs, 655.35)]);
        let found = rows(&[(0, "0150", "7E9 4150 83 00 00 00"), (1, "0110", "7E8 4110 FFFF")]);
        assert_eq!(found[0].values, [(Signal::MafGs, 655.35)]);
    }

    #[test]
    fn a_lost_frame_in_a_cell_is_a_fault_of_its_row() {
        let id = CanId::Standard(0x7E8);
        let mut assembler = RawAssembler::new(Sampling::default());
        assembler.push_cells(0, "", "7E8 10 14 41 04 80 0C 1A F8").unwrap();
        assert_eq!(
            assembler.push_cells(1, "", "7E8 22 0D 32 05 7B AA AA AA"),
            Err(RawError::Sequence { id, expected: 1, found: 2, first_us: 0 })
        );
        assembler.push_cells(2, "", "7E8 10 14 41 04 80 0C 1A F8").unwrap();
        let fault = RawError::TimedOut { id, first_us: 2, expected: 20, found: 6 };
        assert_eq!(assembler.finish(), (vec![], vec![fault]));
    }

    #[test]
    fn misfire_counters_stand_only_where_they_were_read() {
        let found =
            rows(&[(0, "06A2", "46 A20B2400030000FFFF A20C2400070000FFFF"), (S, "010D", "410D32")]);
        assert_eq!(found[0].values, [(Signal::MisfireC1, 7.0)]);
        assert_eq!(found[1].values, [(Signal::SpeedKmh, 50.0)]);
    }

    #[test]
    fn a_clock_that_jumps_back_forgets_what_was_before() {
        let found = rows(&[
            (9 * S, "0105", "41057B"),
            (9 * S - 400_000, "010C", "410C1AF8"),
            (6 * S, "010D", "410D32"), // a fresh enough age, were it not for the jump
        ]);
        assert_eq!(found[0].time_us, 9 * S);
        assert_eq!(found[0].values, [(Signal::Rpm, 1726.0), (Signal::CoolantC, 83.0)]);
        assert_eq!(found[1], RawRow { time_us: 6 * S, values: vec![(Signal::SpeedKmh, 50.0)] });
    }

    #[test]
    fn a_faulty_answer_spoils_its_row_only() {
        let mut assembler = RawAssembler::new(Sampling::default());
        assembler.push_cells(0, "010D", "410D32").unwrap();
        assert!(assembler.push_cells(1, "010C", "410C1AF8;410C1A").is_err());
        let (rows, _) = assembler.finish();
        assert_eq!(rows[0].values, [(Signal::SpeedKmh, 50.0)]);
    }

    #[test]
    fn frames_make_the_same_rows_as_messages() {
        let engine = CanId::Standard(0x7E8);
        let mut assembler = RawAssembler::new(Sampling::default());
        let first = [0x10, 0x0A, 0x41, 0x04, 0x80, 0x0C, 0x1A, 0xF8];
        let second = [0x21, 0x0D, 0x32, 0x05, 0x7B, 0xAA, 0xAA, 0xAA];
        assembler.push_frame(0, CanId::Standard(0x7DF), &[2, 1, 4, 0, 0, 0, 0, 0]).unwrap();
        assembler.push_frame(1, engine, &first).unwrap();
        assembler.push_frame(2, CanId::Standard(0x7E0), &[0x30, 0, 0]).unwrap();
        let short = assembler.push_frame(3, engine, &second[..3]);
        assert_eq!(short, Err(RawError::ShortFrame { expected: 5, found: 3 }));
        assembler.push_frame(4, engine, &first).unwrap();
        assembler.push_frame(5, engine, &second).unwrap();
        let (from_frames, faults) = assembler.finish();
        assert!(faults.is_empty());
        assert_eq!(from_frames, rows(&[(5, "0104 0C 0D 05", "410480 0C1AF8 0D32 057B")]));
        // The same frames as cells of a log, one a row.
        let from_cells = rows(&[
            (4, "0104 0C 0D 05", "7E8 10 0A 41 04 80 0C 1A F8"),
            (5, "0104 0C 0D 05", "7E8 21 0D 32 05 7B AA AA AA"),
        ]);
        assert_eq!(from_cells, from_frames);
        assert_eq!(from_frames[0].values.len(), 4);
    }

    proptest! {
        #[test]
        fn any_pieces_give_rows_of_admissible_values(
            every in any::<i64>(),
            stale in any::<u64>(),
            pieces in prop::collection::vec(
                (any::<i64>(), 0x7E7u16..0x7EB, prop::collection::vec(any::<u8>(), 0..12), any::<bool>()), 0..64)
        ) {
            let mut assembler = RawAssembler::new(Sampling { row_every_us: every, stale_after_us: stale });
            for (time_us, id, data, as_frame) in pieces {
                let id = CanId::Standard(id);
                let mut reply = vec![if as_frame { 0x46 } else { 0x41 }];
                reply.extend(&data);
                let _ = assembler.push_frame(time_us, id, &data);
                let _ = assembler.push(time_us, Ecu::Address(id), None, &reply);
            }
            let (rows, _) = assembler.finish();
            for row in rows {
                prop_assert!(!row.values.is_empty());
                prop_assert!(row.values.is_sorted_by(|a, b| a.0 < b.0));
                prop_assert!(row.values.iter().all(|(_, v)| v.is_finite()));
            }
        }

        #[test]
        fn any_cells_are_used_or_refused(
            time_us in any::<i64>(), request in "[0-9A-Fa-f x]{0,16}", response in "(7E8[: ])?[0-9A-Fa-f x;|\n]{0,40}"
        ) {
            let mut assembler = RawAssembler::new(Sampling::default());
            let _ = assembler.push_cells(time_us, &request, &response);
            let _ = assembler.finish();
        }

        #[test]
        fn ordered_pieces_give_ordered_rows(
            steps in prop::collection::vec((0i64..3_000_000, any::<u8>()), 1..64)
        ) {
            let mut assembler = RawAssembler::new(Sampling::default());
            let mut time_us = 0;
            for (step, speed) in &steps {
                time_us += step;
                assembler.push(time_us, Ecu::Place(0), None, &[0x41, 0x0D, *speed]).unwrap();
            }
            let (rows, _) = assembler.finish();
            prop_assert!(rows.is_sorted_by(|a, b| a.time_us.div_euclid(S) < b.time_us.div_euclid(S)));
            let last = f64::from(steps[steps.len() - 1].1);
            prop_assert_eq!(rows.last().map(|r| r.values.clone()), Some(vec![(Signal::SpeedKmh, last)]));
        }
    }
}
