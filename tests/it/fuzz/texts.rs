//! Whole logs of every format: counts, times, ranges, and the same result however the file was cut.

use std::fmt::Write;
use std::path::{Path, PathBuf};

use arrow::array::{
    ArrayRef, Float32Array, Float64Array, Int32Array, Int64Array, RecordBatch, StringArray,
    TimestampMillisecondArray, TimestampNanosecondArray, UInt8Array,
};
use std::sync::Arc;
use trimdrift::ingest::{
    Chunk, FileReport, IngestError, Limits, Profile, ReadError, Resume, read_file,
};
use trimdrift::tables::samples::{Reject, SIGNALS, Samples};

use super::mutate::Dice;
use super::{Case, Outcome, Target};
use crate::ingest_csv::{limits, plain, profile};
use crate::support::folder::{gzip, zstandard};

const EUROPEAN: &str = "skip_lines = 1\ndelimiter = \";\"\ndecimal = \",\"\n[time]\ncolumn = \"Uhrzeit\"\ndate_column = \"Datum\"\nform = \"pattern\"\npattern = \"%d.%m.%Y %H:%M:%S\"\nzone = \"Europe/Berlin\"\n[vehicle]\ncolumn = \"Wagen\"\n[columns]\nspeed_kmh = \"km/h\"\nrpm = \"U/min\"\ncoolant_c = \"Wasser\"\nltft1_pct = \"LTFT\"\n";
const COUNTS: &str = "drop_repeats = true\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[columns]\nrpm = \"rpm\"\nmisfire_c1 = { column = \"misfire_c1\", kind = \"since_start\" }\n";
const ELAPSED: &str = "[file_name]\npattern = '^(?<vehicle>[A-Z0-9]+)_(?<start>\\d{8}T\\d{6})'\n[time]\ncolumn = \"run_s\"\nform = \"elapsed\"\nunit = \"s\"\nstart_pattern = \"%Y%m%dT%H%M%S\"\nstart_zone = \"UTC\"\nrefresh_s = 2\n[vehicle]\nfrom = \"file_name\"\n[columns]\nrpm = \"rpm\"\ncoolant_c = \"coolant_c\"\n";
const LONG: &str = "format = \"long_csv\"\n[time]\ncolumn = \"t\"\nform = \"epoch_ms\"\n[vehicle]\ncolumn = \"car\"\n[long]\nsignal = \"signal\"\nvalue = \"value\"\nunit = \"unit\"\n[columns]\nrpm = \"engine speed\"\ncoolant_c = \"coolant\"\nspeed_kmh = \"speed\"\n";
const JSON: &str = "format = \"jsonl\"\n[time]\ncolumn = \"t\"\nform = \"epoch_ms\"\n[vehicle]\ncolumn = \"car.name\"\n[columns]\nrpm = \"obd.rpm\"\ncoolant_c = \"obd.coolant\"\n";
const RAW: &str = "format = \"raw\"\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[raw]\nrequest = \"request\"\nresponse = \"response\"\n";
const CAPTURE: &str = "format = \"capture\"\n[vehicle]\nfixed = \"V1\"\n";
const PARQUET: &str = "format = \"parquet\"\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[columns]\nrpm = \"rpm\"\ncoolant_c = \"coolant_c\"\n";

/// Logs of the corpus that are not of the built-in profile: the file, the name it must have, its profile.
pub(crate) const OTHER_LOGS: [(&str, &str, &str); 6] = [
    ("csv_elapsed/V1_20240105T223300.csv", "V1_20240105T223300.csv", ELAPSED),
    ("long/ordinary.csv", "grows.csv", LONG),
    ("long/last-column-is-the-time.csv", "grows.csv", LONG),
    ("jsonl/ordinary.jsonl", "grows.csv", JSON),
    ("raw/ordinary.csv", "grows.csv", RAW),
    ("capture/ordinary.log", "grows.csv", CAPTURE),
];

pub(super) fn targets() -> Vec<Target> {
    let log = |name, file: &'static str, profile: Profile, ordered: fn(usize) -> String| {
        Target::new(name, name, 100, move |case| whole_log(case, file, &profile, ordered))
    };
    let mut targets = vec![
        log("csv", "a.csv", plain(), plain_row),
        log("csv_counts", "a.csv", profile(COUNTS), plain_row),
        log("csv_european", "a.csv", profile(EUROPEAN), european_row),
        log("csv_elapsed", "V1_20240105T223300.csv", profile(ELAPSED), elapsed_row),
        log("long", "long.csv", profile(LONG), long_row),
        log("jsonl", "a.jsonl", profile(JSON), json_row),
        log("raw", "raw.csv", profile(RAW), raw_row),
        log("capture", "capture.log", profile(CAPTURE), capture_row),
        Target::new("text decoder", "text", 50, encodings),
    ];
    let mut tables = Target::new("parquet", "text", 50, parquet);
    tables.seeds = (0..12).map(|k| parquet_file(&mut Dice::new(k))).collect();
    targets.push(tables);
    targets
}

/// A sample as text, to be compared.
type Row = (String, i64, u64, String);

/// What a read gave, each list in an order of its own.
#[derive(Debug, PartialEq)]
struct Given {
    rows: Vec<Row>,
    rejects: Vec<(u64, String, String, String)>,
}

impl Given {
    fn sorted(mut self) -> Given {
        self.rows.sort();
        self.rejects.sort();
        self
    }
}

fn read(
    path: &Path,
    profile: &Profile,
    limits: &Limits,
    known: Option<&Resume>,
) -> Result<(Given, FileReport), IngestError> {
    let mut given = Given { rows: Vec::new(), rejects: Vec::new() };
    let mut samples = 0;
    let mut sink = |chunk: Chunk| {
        check_samples(&chunk.samples, limits);
        samples += chunk.samples.len() as u64;
        let new = |row: u64| row >= chunk.first_new_row;
        let rows = (0..chunk.samples.len()).filter(|i| new(chunk.samples.row[*i]));
        given.rows.extend(rows.map(|i| row(&chunk.samples, i)));
        let text =
            |r: &Reject| (r.row, r.column.clone(), r.code.as_str().to_owned(), r.raw.clone());
        given.rejects.extend(chunk.rejects.iter().filter(|r| new(r.row)).map(text));
        Ok::<(), ()>(())
    };
    let report = match read_file(path, profile, limits, known, &mut sink) {
        Ok(report) => report,
        Err(ReadError::Input(error)) => return Err(error),
        Err(ReadError::Sink(())) => unreachable!("the sink takes everything"),
    };
    assert_eq!(report.rows_read, report.rows_kept + report.rows_rejected, "rows add up");
    assert_eq!(report.rows_rejected, report.rejected_by_code.values().sum::<u64>());
    assert_eq!(report.samples, samples);
    assert!(report.samples <= report.rows_kept, "a sample stands for a row at least");
    assert!(report.rows_settled <= report.rows_read);
    Ok((given, report))
}

fn row(s: &Samples, i: usize) -> Row {
    let mut values = s.trips[s.trip[i] as usize].clone();
    for (k, column) in s.signals.iter().enumerate() {
        if let Some(value) = column.as_ref().map(|c| c[i]).filter(|v| !v.is_nan()) {
            let _ = write!(values, " {k}={value:?}");
        }
    }
    (s.vehicles[s.vehicle[i] as usize].clone(), s.time_us[i], s.row[i], values)
}

fn check_samples(s: &Samples, limits: &Limits) {
    const Y2000_US: i64 = 946_684_800_000_000;
    for us in &s.time_us {
        assert!((Y2000_US..=limits.latest_us).contains(us), "time {us}");
    }
    for (column, spec) in s.signals.iter().zip(SIGNALS) {
        for v in column.iter().flatten().filter(|v| !v.is_nan()) {
            assert!((spec.min..=spec.max).contains(v), "{} = {v}", spec.name);
        }
    }
    for name in s.vehicles.iter().chain(&s.trips) {
        assert!(!name.chars().any(char::is_control), "name {name:?}");
    }
    let key = |i: usize| (&s.vehicles[s.vehicle[i] as usize], s.time_us[i], s.row[i]);
    assert!((1..s.len()).all(|i| key(i - 1) < key(i)), "sorted by vehicle, time and row");
}

fn outcome(read: &Result<(Given, FileReport), IngestError>) -> Outcome {
    match read {
        Ok((_, r)) => Outcome { kept: r.rows_kept, rejected: r.rows_rejected, refused: false },
        Err(error) => {
            assert!(error.to_string().len() < 3000, "a message to be read: {error}");
            Outcome { refused: true, ..Outcome::default() }
        }
    }
}

fn put(folder: &Path, name: &str, bytes: &[u8]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap();
    path
}

fn whole_log(
    case: &mut Case<'_>,
    name: &str,
    profile: &Profile,
    ordered: fn(usize) -> String,
) -> Outcome {
    let limits = limits();
    let path = put(case.folder, name, case.bytes);
    let whole = read(&path, profile, &limits, None);
    if let Ok((given, _)) = &whole {
        let end = case.bytes.len();
        let cuts: Vec<usize> = match case.committed {
            // Cuts near the end leave the most to be settled.
            true => (0..end).filter(|cut| cut % 7 == 0 || cut + 300 > end).collect(),
            false if case.dice.one_in(3) => vec![case.dice.below(end + 1)],
            false => Vec::new(),
        };
        for cut in cuts {
            seen_while_it_grew(case, cut, name, profile, given);
        }
    }
    if case.dice.one_in(500) {
        in_small_blocks(case, name, profile, ordered);
    }
    outcome(&whole)
}

/// What an earlier night settled and what the night of the whole file adds are what one night gives.
fn seen_while_it_grew(case: &Case<'_>, cut: usize, name: &str, profile: &Profile, whole: &Given) {
    let limits = limits();
    let path = put(case.folder, name, &case.bytes[..cut]);
    let Ok((early, report)) = read(&path, profile, &limits, None) else { return };
    let path = put(case.folder, name, case.bytes);
    let mut resume = report.resume();
    let (late, grown) = loop {
        let (late, grown) =
            read(&path, profile, &limits, Some(&resume)).expect("it could be read whole");
        match grown.known_unchanged {
            Some(unchanged) => {
                assert!(unchanged < resume.rows, "{unchanged} of {}", resume.rows);
                resume.rows = unchanged;
            }
            None => break (late, grown),
        }
    };
    match grown.rows_known {
        Some(known) => assert_eq!(known, resume.rows),
        // A byte that is no UTF-8 turns the text that was read into another one.
        None => assert!(std::str::from_utf8(case.bytes).is_err(), "cut at {cut}: not recognised"),
    }
    let settled = grown.rows_known.unwrap_or(0);
    let mut both = late;
    both.rows.extend(early.rows.into_iter().filter(|r| r.2 <= settled));
    both.rejects.extend(early.rejects.into_iter().filter(|r| r.0 <= settled));
    let whole = Given { rows: whole.rows.clone(), rejects: whole.rejects.clone() };
    assert_eq!(both.sorted(), whole.sorted(), "cut at {cut}");
    let new: u64 = grown.rejected_new_by_code.values().sum();
    assert!(
        new <= grown.rows_read - settled,
        "{new} new rejects in {} new rows",
        grown.rows_read - settled
    );
}

/// A log of several blocks, with lines broken but in order of time, gives the same in blocks of any size.
fn in_small_blocks(
    case: &mut Case<'_>,
    name: &str,
    profile: &Profile,
    ordered: fn(usize) -> String,
) {
    let mut lines: Vec<String> = (0..4_000).map(ordered).collect();
    for _ in 0..case.dice.below(60) {
        let at = 1 + case.dice.below(lines.len() - 1);
        let cut = case.dice.below(lines[at].len());
        match case.dice.below(3) {
            0 if lines[at].is_char_boundary(cut) => lines[at].truncate(cut),
            1 => lines[at].push_str(&"x".repeat(1 + case.dice.below(9_000))),
            _ => lines[at] = "\u{e9},\"".repeat(1 + case.dice.below(40)),
        }
    }
    let text = lines.join("\n") + if case.dice.one_in(2) { "\n" } else { "" };
    let path = put(case.folder, name, text.as_bytes());
    let large = Limits { line_bytes_max: 8_000, ..limits() };
    let small = Limits { chunk_bytes: 1, ..large.clone() };
    let (one, report) = read(&path, profile, &large, None).unwrap();
    let (many, other) = read(&path, profile, &small, None).unwrap();
    assert_eq!(many.sorted(), one.sorted(), "blocks of 64 KiB and of 4 MiB");
    assert_eq!(report, other);
}

fn second(i: usize) -> String {
    jiff::Timestamp::from_second(1_704_493_980 + i as i64).unwrap().to_string()
}

fn plain_row(i: usize) -> String {
    match i {
        0 => "time,vehicle,trip,rpm,coolant_c,misfire_c1".to_owned(),
        _ => format!(
            "{},V{},t{},{},{},{}",
            second(i / 2),
            i % 2,
            i / 900,
            700 + i % 999,
            i % 90,
            i % 2
        ),
    }
}

fn european_row(i: usize) -> String {
    match i {
        0 => "Export;3\nDatum;Uhrzeit;Wagen;km/h;U/min;Wasser;LTFT".to_owned(),
        _ => format!(
            "05.01.2024;{:02}:{:02}:{:02};Wagen 7;{},5;{};{} °C;-{},5",
            i / 3600,
            i / 60 % 60,
            i % 60,
            i % 90,
            700 + i % 999,
            i % 90,
            i % 9
        ),
    }
}

fn elapsed_row(i: usize) -> String {
    match i {
        0 => "run_s,rpm,coolant_c".to_owned(),
        // Padded, so that there are blocks.
        _ => format!("{},{},{}{}", i / 3 % 900, 700 + i % 999, i % 90, " ".repeat(30)),
    }
}

fn long_row(i: usize) -> String {
    let signal = [("engine speed", "rpm"), ("coolant", "degC"), ("speed", "mph")][i % 3];
    match i {
        0 => "t,car,signal,value,unit".to_owned(),
        _ => format!(
            "{},V{},{},{},{}",
            1_704_493_980_000 + 150 * i,
            i / 5 % 2,
            signal.0,
            i % 90,
            signal.1
        ),
    }
}

fn json_row(i: usize) -> String {
    format!(
        "{{\"t\":{},\"car\":{{\"name\":\"V1\"}},\"obd\":{{\"rpm\":{},\"coolant\":{}}}}}",
        1_704_493_980_000 + 1000 * i,
        700 + i % 999,
        i % 90
    )
}

fn raw_row(i: usize) -> String {
    match i {
        0 => "time,vehicle,request,response".to_owned(),
        _ if i.is_multiple_of(2) => {
            format!("{},V{},010D,410D{:02X}", second(i / 3), i / 4 % 2, i % 256)
        }
        _ => format!("{},V{},010C,410C{:04X}", second(i / 3), i / 4 % 2, 2800 + i),
    }
}

fn capture_row(i: usize) -> String {
    let us = 1_704_493_980_000_000 + 130_000 * i as u64;
    let (pid, n) = if i.is_multiple_of(2) { ("0D", 1) } else { ("0C", 2) };
    let value = if n == 1 { format!("{:02X}", i % 256) } else { format!("{:04X}", 2800 + i) };
    format!(
        "({}.{:06}) can{} 7E8#0{}41{pid}{value}",
        us / 1_000_000,
        us % 1_000_000,
        i / 7 % 2,
        n + 2
    )
}

/// The same text in every encoding and packing gives the same rows; each of them broken breaks nothing.
fn encodings(case: &mut Case<'_>) -> Outcome {
    let (limits, profile) = (limits(), plain());
    let text = String::from_utf8_lossy(case.bytes).into_owned();
    let plain = read(&put(case.folder, "a.csv", text.as_bytes()), &profile, &limits, None);
    let utf16 = |bom: bool, big: bool| -> Vec<u8> {
        let bom = bom.then_some(0xfeff_u16);
        let units = bom.into_iter().chain(text.encode_utf16());
        units.flat_map(|u| if big { u.to_be_bytes() } else { u.to_le_bytes() }).collect()
    };
    let forms: [(&str, Vec<u8>); 6] = [
        ("b.csv", [&[0xef, 0xbb, 0xbf], text.as_bytes()].concat()),
        ("c.csv", utf16(true, false)),
        ("d.csv", utf16(true, true)),
        ("e.csv.gz", gzip(text.as_bytes())),
        ("f.csv.zst", zstandard(text.as_bytes())),
        ("g.csv.gz", {
            let half = text.len() / 2;
            [gzip(&text.as_bytes()[..half]), gzip(&text.as_bytes()[half..])].concat()
        }),
    ];
    let (name, bytes) = case.dice.pick(&forms);
    let other = read(&put(case.folder, name, bytes), &profile, &limits, None);
    // A mark of the byte order, or a NUL, has a meaning of its own at the start of a text.
    if !text.starts_with('\u{feff}') && !text.contains('\0') {
        match (&plain, &other) {
            (Ok((a, _)), Ok((b, _))) => assert_eq!(a, b, "{name}"),
            (Err(_), Err(_)) => {}
            (a, b) => panic!("{name}: {:?} but {:?}", a.as_ref().err(), b.as_ref().err()),
        }
    }
    let broken = super::mutate::mutated(bytes, std::slice::from_ref(bytes), case.dice, 64 << 10);
    outcome(&read(&put(case.folder, name, &broken), &profile, &limits, None))
}

/// Found by the target above: half a character at the end of UTF-16 ended the program.
#[test]
fn half_a_character_at_the_end_of_utf_16_is_left_for_the_next_time() {
    let folder = crate::ingest_csv::Folder::new();
    let text = "time,vehicle,rpm,note\n2024-01-05T22:33:00Z,V1,800,a\n2024-01-05T22:33:01Z,V1,801,b\u{1F697}";
    let whole: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    for cut in 1..=3 {
        let path = folder.file("a.csv", &whole[..whole.len() - cut]);
        let (given, early) = read(&path, &plain(), &limits(), None).unwrap();
        // Two bytes less cut the pair of surrogates, four would leave a whole last cell.
        assert_eq!(given.rows.len(), 1, "{cut} bytes less");
        let path = folder.file("a.csv", &whole);
        let (new, late) = read(&path, &plain(), &limits(), Some(&early.resume())).unwrap();
        assert_eq!((late.rows_known, new.rows.len()), (Some(1), 1), "{cut} bytes less");
    }
}

/// Mutated bytes of a file, or a file of mutated types and values.
fn parquet(case: &mut Case<'_>) -> Outcome {
    let profile = profile(PARQUET);
    let made = parquet_file(case.dice);
    let bytes = if case.dice.one_in(2) { made.as_slice() } else { case.bytes };
    outcome(&read(&put(case.folder, "a.parquet", bytes), &profile, &limits(), None))
}

fn parquet_file(dice: &mut Dice) -> Vec<u8> {
    let rows = dice.below(60);
    let start = 1_704_493_980_000_i64;
    let odd = dice.below(200); // one cell is not what it should be
    let time: ArrayRef = match dice.below(4) {
        0 => Arc::new(StringArray::from_iter(
            (0..rows).map(|i| Some(if i == odd { "now".to_owned() } else { second(i) })),
        )),
        1 => Arc::new(TimestampNanosecondArray::from_iter_values(
            (0..rows)
                .map(|i| if i == odd { i64::MAX } else { (start + i as i64 * 1000) * 1_000_000 }),
        )),
        2 => Arc::new(Int64Array::from_iter_values(
            (0..rows).map(|i| if i == odd { i64::MIN } else { start + i as i64 }),
        )),
        _ => Arc::new(
            TimestampMillisecondArray::from_iter(
                (0..rows).map(|i| (i != odd).then_some(start + i as i64 * 1000)),
            )
            .with_timezone("UTC"),
        ),
    };
    let vehicle: ArrayRef = match dice.below(3) {
        0 => Arc::new(Int32Array::from_iter_values((0..rows).map(|i| i as i32 % 3))),
        _ => Arc::new(StringArray::from_iter(
            (0..rows).map(|i| (i != odd).then_some(if i % 7 == 6 { "a\tb" } else { "V1" })),
        )),
    };
    let number = |dice: &mut Dice| -> ArrayRef {
        let odd_value = *dice.pick(&[f64::NAN, f64::INFINITY, -1.0, 1e30]);
        let value = |i: usize| if i == odd { odd_value } else { i as f64 };
        match dice.below(4) {
            0 => Arc::new(Float32Array::from_iter_values((0..rows).map(|i| value(i) as f32))),
            1 => Arc::new(UInt8Array::from_iter((0..rows).map(|i| (i != odd).then_some(i as u8)))),
            2 => Arc::new(StringArray::from_iter_values((0..rows).map(|i| value(i).to_string()))),
            _ => Arc::new(Float64Array::from_iter(
                (0..rows).map(|i| (i % 9 != 8).then_some(value(i))),
            )),
        }
    };
    let mut columns = vec![
        ("time", time),
        ("vehicle", vehicle),
        ("rpm", number(dice)),
        ("coolant_c", number(dice)),
    ];
    columns.truncate(4 - dice.below(12) / 10);
    let batch = RecordBatch::try_from_iter(columns).unwrap();
    let mut bytes = Vec::new();
    let mut writer =
        parquet::arrow::ArrowWriter::try_new(&mut bytes, batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    bytes
}
