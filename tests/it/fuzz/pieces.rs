//! Diagnostic messages and frames below the level of a file.

use trimdrift::ingest::raw::{
    CanId, Frame, FullScale, MAX_MESSAGE, RawAssembler, Reading, Reassembler, Reply, Request,
    Sampling, decode_monitors, decode_reply, parse_answers, parse_capture_line,
};

use super::mutate::Dice;
use super::{Case, Outcome, Target};

pub(super) fn targets() -> Vec<Target> {
    vec![
        Target::new("service 01 reply", "service01", 400, service_01),
        Target::new("service 06 reply", "service06", 400, service_06),
        Target::new("ISO 15765-2 frames", "isotp", 200, frames),
        Target::new("ISO 15765-2 whole messages", "isotp", 100, whole_messages),
        Target::new("capture line", "capture", 200, capture_line),
        Target::new("hexadecimal cells", "raw", 200, cells),
    ]
}

fn of<T, E: std::fmt::Display>(result: &Result<T, E>, kept: u64) -> Outcome {
    match result {
        Ok(_) => Outcome { kept, ..Outcome::default() },
        Err(error) => {
            assert!(error.to_string().len() < 500, "{error}");
            Outcome { rejected: 1, ..Outcome::default() }
        }
    }
}

/// Every value lies in the full scale of its field, or in what the unit has stated.
fn service_01(case: &mut Case<'_>) -> Outcome {
    let bytes = &case.bytes[..case.bytes.len().min(64)];
    let request =
        case.dice.one_in(2).then(|| Request::parse(&[1, case.dice.next() as u8]).ok()).flatten();
    let reply = decode_reply(request.as_ref(), bytes, &FullScale::default());
    let mut kept = 0;
    if let Ok(Reply::Parameters(readings)) = &reply {
        assert!(readings.len() <= 8 * bytes.len(), "more readings than a byte has bits");
        for reading in readings {
            if let Reading::Value { field, value: Some(value) } = reading {
                let highest = field.linear.apply(u32::MAX >> (32 - 8 * width(field.pid)));
                let lowest = field.linear.apply(0);
                let (low, high) = (lowest.min(highest), lowest.max(highest));
                assert!((low..=high).contains(value), "{field:?}: {value}");
            }
        }
        kept = readings.len() as u64;
    }
    of(&reply, kept)
}

fn width(pid: u8) -> usize {
    trimdrift::ingest::raw::parameter_bytes(pid).unwrap_or(4).min(4)
}

fn service_06(case: &mut Case<'_>) -> Outcome {
    let body = case.bytes.get(1..).unwrap_or_default();
    let counts = decode_monitors(body);
    // ISO 15031-5: a record has nine bytes, and a count stands in one.
    let kept = counts.as_ref().map_or(0, |c| c.len() as u64);
    assert!(kept <= body.len() as u64 / 9, "{kept} counts in {} bytes", body.len());
    let again = decode_reply(None, &[&[0x46], body].concat(), &FullScale::default());
    match (&counts, &again) {
        (Ok(a), Ok(Reply::Misfires(b))) => assert_eq!(a, b),
        (Err(a), Err(b)) => assert_eq!(a.to_string(), b.to_string()),
        (a, b) => panic!("{a:?} but {b:?}"),
    }
    of(&counts, kept)
}

/// Frames as bytes: who sends, then eight bytes.
fn frames(case: &mut Case<'_>) -> Outcome {
    let mut bus = Reassembler::new();
    let mut assembler = RawAssembler::new(Sampling::default());
    let (mut outcome, mut bytes) = (Outcome::default(), 0);
    let mut us = 1_704_493_980_000_000;
    for frame in case.bytes.chunks(9) {
        let id = match frame[0] % 4 {
            3 => CanId::Extended(0x18DA_F110),
            n => CanId::Standard(0x7E8 + u16::from(n)),
        };
        us += i64::from(frame[0]) * if case.dice.one_in(9) { 9_000 } else { 20 };
        bytes += frame.len() - 1;
        let got = bus.push(us, id, &frame[1..]);
        if let Some(message) = got.message {
            assert!(
                !message.bytes.is_empty() && message.bytes.len() <= MAX_MESSAGE.min(bytes),
                "{message:?}"
            );
            assert_eq!((message.id, message.time_us), (id, us));
            outcome.kept += 1;
        }
        outcome.rejected += u64::from(got.fault.is_some() || Frame::parse(&frame[1..]).is_err());
        let _ = assembler.push_frame(us, id, &frame[1..]);
    }
    outcome.rejected += bus.finish().len() as u64;
    let rows = assembler.finish().0;
    assert!(rows.windows(2).all(|w| w[0].time_us < w[1].time_us), "rows in order of time");
    outcome
}

/// Messages cut into frames as ISO 15765-2 says come out whole, whoever talks in between; one that lost a frame does not.
fn whole_messages(case: &mut Case<'_>) -> Outcome {
    let (a, b) = (CanId::Standard(0x7E8), CanId::Standard(0x7E9));
    let content = |dice: &mut Dice, bytes: &[u8]| -> Vec<u8> {
        let long = if dice.one_in(20) { MAX_MESSAGE } else { 40 };
        let n = 1 + dice.below(long);
        (0..n)
            .map(|i| bytes.get(i % bytes.len().max(1)).map_or(0x41, |x| x ^ (i / 40) as u8))
            .collect()
    };
    let (first, second) = (content(case.dice, case.bytes), content(case.dice, case.bytes));
    let lost = case.dice.one_in(3);
    let mut left = [segmented(&first), segmented(&second)];
    let dropped = lost && left[0].len() > 1;
    if dropped {
        let at = case.dice.below(left[0].len());
        left[0].remove(at);
    }
    let mut bus = Reassembler::new();
    let mut got: [Vec<Vec<u8>>; 2] = Default::default();
    let mut at = [0, 0];
    let mut us = 0;
    while at[0] < left[0].len() || at[1] < left[1].len() {
        let mut k = case.dice.below(2);
        if at[k] == left[k].len() {
            k = 1 - k;
        }
        us += 50;
        let received = bus.push(us, [a, b][k], &left[k][at[k]]);
        at[k] += 1;
        got[k].extend(received.message.map(|m| m.bytes));
    }
    assert_eq!(got[1], [second], "the other sender is not touched");
    if dropped {
        assert!(got[0].is_empty(), "a frame was lost, but a message came out");
        return Outcome { kept: 1, rejected: 1, refused: false };
    }
    assert_eq!(got[0], [first]);
    Outcome { kept: 2, ..Outcome::default() }
}

/// ISO 15765-2:2016, 9.6: single frame `0L`, first frame `1L LL`, consecutive frames `2N` with N from 1 modulo 16.
fn segmented(message: &[u8]) -> Vec<Vec<u8>> {
    if message.len() <= 7 {
        let mut frame = vec![message.len() as u8];
        frame.extend_from_slice(message);
        return vec![frame];
    }
    let mut frames =
        vec![[&[0x10 | (message.len() >> 8) as u8, message.len() as u8], &message[..6]].concat()];
    for (n, part) in message[6..].chunks(7).enumerate() {
        frames.push([&[0x20 | ((n + 1) % 16) as u8], part].concat());
    }
    frames
}

fn capture_line(case: &mut Case<'_>) -> Outcome {
    let text = String::from_utf8_lossy(case.bytes);
    let mut outcome = Outcome::default();
    for line in text.lines() {
        match parse_capture_line(line) {
            Ok(frame) => {
                // A line that is no frame (remote or long frames) holds nothing that is asked for.
                outcome.kept += 1;
                if let Some(frame) = frame {
                    assert!(frame.data().len() <= 8 && !frame.interface.is_empty());
                }
            }
            Err(error) => {
                assert!(error.to_string().len() < 500, "{error}");
                outcome.rejected += 1;
            }
        }
    }
    outcome
}

fn cells(case: &mut Case<'_>) -> Outcome {
    let text = String::from_utf8_lossy(case.bytes);
    let mut outcome = Outcome::default();
    let mut assembler = RawAssembler::new(Sampling::default());
    for (i, line) in text.lines().enumerate() {
        let mut cells = line.rsplit(',');
        let (response, request) = (cells.next().unwrap_or(""), cells.next().unwrap_or(""));
        if let Ok(answers) = parse_answers(response) {
            let digits = response.bytes().filter(u8::is_ascii_hexdigit).count();
            let bytes: usize = answers.iter().map(|a| a.bytes.len()).sum();
            assert!(2 * bytes <= digits, "{bytes} bytes from {digits} digits");
        }
        match assembler.push_cells(i as i64 * 100_000, request, response) {
            Ok(()) => outcome.kept += 1,
            Err(error) => {
                assert!(error.to_string().len() < 1000, "{error}");
                outcome.rejected += 1;
            }
        }
    }
    outcome
}
