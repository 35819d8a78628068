//! Clocks that do not tell UTC: local time through daylight-saving changes, and seconds since a start.
//!
//! Comes in: times as the log has them, in the order of the file. Goes out: UTC microseconds, or the reason why they
//! cannot be known. Never: reads text, knows columns.

use jiff::tz::{AmbiguousOffset, TimeZone};

use crate::tables::samples::RejectCode;

/// Rows further apart than this belong to different recordings, microseconds (the gap that starts a new trip).
pub(super) const GAP_US: i64 = 300_000_000;

const MINUTE_US: i64 = 60_000_000;

/// What the rows of one vehicle have told so far.
#[derive(Debug, Clone, Copy)]
pub(super) struct LastRow {
    pub(super) utc_us: i64,
    pub(super) local_us: i64,
    /// Whether `utc_us` is of this row, or of an earlier one because this one could not be decided.
    pub(super) decided: bool,
}

/// Local time to UTC in one zone.
#[derive(Debug)]
pub(super) struct LocalClock {
    zone: TimeZone,
    /// The last minute looked up, if it was plain, and its offset from UTC. No zone changes within a minute.
    minute: i64,
    offset_us: Option<i64>,
}

impl LocalClock {
    pub(super) fn new(zone: TimeZone) -> LocalClock {
        LocalClock { zone, minute: i64::MIN, offset_us: None }
    }

    /// UTC of a local time, given the row before of the same vehicle.
    ///
    /// A time that daylight saving skipped has no UTC. A time that happened twice is decided where the order of the
    /// rows does: the first pass continues a recording, the second pass starts where the wall clock stepped back.
    pub(super) fn resolve(
        &mut self,
        local_us: i64,
        last: Option<LastRow>,
    ) -> Result<i64, RejectCode> {
        let minute = local_us.div_euclid(MINUTE_US);
        if minute == self.minute
            && let Some(offset_us) = self.offset_us
        {
            return Ok(local_us - offset_us);
        }
        let time =
            jiff::Timestamp::from_microsecond(local_us).map_err(|_| RejectCode::TimeOutOfRange)?;
        let civil = TimeZone::UTC.to_datetime(time);
        match self.zone.to_ambiguous_timestamp(civil).offset() {
            AmbiguousOffset::Unambiguous { offset } => {
                let offset_us = i64::from(offset.seconds()) * 1_000_000;
                (self.minute, self.offset_us) = (minute, Some(offset_us));
                Ok(local_us - offset_us)
            }
            AmbiguousOffset::Gap { .. } => Err(RejectCode::AmbiguousTime),
            AmbiguousOffset::Fold { before, after } => {
                let first = local_us - i64::from(before.seconds()) * 1_000_000;
                let second = local_us - i64::from(after.seconds()) * 1_000_000;
                choose(first, second, local_us, last).ok_or(RejectCode::AmbiguousTime)
            }
        }
    }
}

fn choose(first: i64, second: i64, local_us: i64, last: Option<LastRow>) -> Option<i64> {
    let last = last?;
    if first < last.utc_us {
        return Some(second); // the first pass lies before a row that came earlier
    }
    if local_us < last.local_us && last.local_us - local_us <= second - first {
        return Some(second); // the wall clock stepped back by no more than the fold
    }
    (last.decided && first - last.utc_us <= GAP_US).then_some(first)
}

/// UTC from a counter that starts at zero, is renewed now and then, and may restart.
///
/// Rows that share one reading are spread evenly over the time to the next reading, at most over the refresh span.
/// When the counter falls back, the engine was started anew: how long it stood is unknown and taken as nothing.
#[derive(Debug, Clone, Copy)]
pub(super) struct ElapsedClock {
    base_us: i64,
    refresh_us: i64,
}

impl ElapsedClock {
    pub(super) fn new(start_us: i64, refresh_us: i64) -> ElapsedClock {
        ElapsedClock { base_us: start_us, refresh_us }
    }

    /// Times of `rows` rows that share the reading `elapsed_us`, given the next reading if there is one.
    pub(super) fn spread(
        &mut self,
        elapsed_us: i64,
        next_us: Option<i64>,
        rows: usize,
    ) -> impl Iterator<Item = i64> {
        let span = match next_us {
            Some(next) if next > elapsed_us => (next - elapsed_us).min(self.refresh_us),
            _ => self.refresh_us,
        };
        let from = self.base_us.saturating_add(elapsed_us);
        if let Some(next) = next_us
            && next < elapsed_us
        {
            // The reading after a restart continues where this one ends.
            self.base_us = from.saturating_add(span).saturating_sub(next);
        }
        let count = rows as i64;
        (0..count).map(move |k| {
            from.saturating_add((span as i128 * i128::from(k) / i128::from(count)) as i64)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Europe/Vienna left daylight saving on 2023-10-29 at 03:00 local time (01:00 UTC) and entered it on 2023-03-26 at
    // 02:00 local time (01:00 UTC): IANA time zone database, rule EU.
    fn us(text: &str) -> i64 {
        text.parse::<jiff::Timestamp>().unwrap().as_microsecond()
    }

    fn run(times: &[&str]) -> Vec<Result<String, RejectCode>> {
        let mut clock = LocalClock::new(TimeZone::get("Europe/Vienna").unwrap());
        let mut last = None;
        let mut out = Vec::new();
        for text in times {
            let local_us = us(&format!("{text}Z"));
            let utc = clock.resolve(local_us, last);
            let before = last.map_or(i64::MIN / 2, |l: LastRow| l.utc_us);
            last = Some(LastRow { utc_us: utc.unwrap_or(before), local_us, decided: utc.is_ok() });
            out.push(utc.map(super::super::stamp::rfc3339));
        }
        out
    }

    #[test]
    fn a_recording_through_the_repeated_hour_stays_in_order() {
        let out = run(&[
            "2023-10-29T01:59:00",
            "2023-10-29T02:01:00",
            "2023-10-29T02:05:00",
            "2023-10-29T02:01:00",
            "2023-10-29T02:59:59",
            "2023-10-29T03:00:00",
        ]);
        let expected = [
            "2023-10-28T23:59:00Z",
            "2023-10-29T00:01:00Z",
            "2023-10-29T00:05:00Z",
            "2023-10-29T01:01:00Z",
            "2023-10-29T01:59:59Z",
            "2023-10-29T02:00:00Z",
        ];
        assert_eq!(out, expected.map(|t| Ok(t.to_owned())));
    }

    #[test]
    fn what_the_order_cannot_decide_is_refused() {
        let out = run(&[
            "2023-10-29T02:10:00",
            "2023-10-29T02:20:00",
            "2023-10-29T02:05:00",
            "2023-10-29T02:06:00",
        ]);
        assert_eq!(out[0], Err(RejectCode::AmbiguousTime), "nothing before it");
        assert_eq!(out[1], Err(RejectCode::AmbiguousTime));
        assert_eq!(out[2], Ok("2023-10-29T01:05:00Z".to_owned()), "the wall clock stepped back");
        assert_eq!(out[3], Ok("2023-10-29T01:06:00Z".to_owned()));
        let out = run(&["2023-10-28T12:00:00", "2023-10-29T02:30:00"]);
        assert_eq!(out[1], Err(RejectCode::AmbiguousTime), "a new recording after a long gap");
    }

    #[test]
    fn the_skipped_hour_has_no_utc() {
        let out = run(&["2023-03-26T01:59:59", "2023-03-26T02:30:00", "2023-03-26T03:00:00"]);
        assert_eq!(out[1], Err(RejectCode::AmbiguousTime));
        assert_eq!(out[2], Ok("2023-03-26T01:00:00Z".to_owned()));
    }

    #[test]
    fn equal_readings_spread_over_the_refresh_span() {
        let mut clock = ElapsedClock::new(0, 2_000_000);
        let times: Vec<i64> = clock.spread(4_000_000, Some(6_000_000), 4).collect();
        assert_eq!(times, [4_000_000, 4_500_000, 5_000_000, 5_500_000]);
        let paused: Vec<i64> = clock.spread(6_000_000, Some(60_000_000), 2).collect();
        assert_eq!(paused, [6_000_000, 7_000_000], "a pause does not stretch the rows before it");
    }

    #[test]
    fn a_restarted_counter_continues() {
        let mut clock = ElapsedClock::new(0, 2_000_000);
        let before: Vec<i64> = clock.spread(100_000_000, Some(0), 1).collect();
        let after: Vec<i64> = clock.spread(0, Some(1_000_000), 2).collect();
        assert_eq!((before, after), (vec![100_000_000], vec![102_000_000, 102_500_000]));
    }
}
