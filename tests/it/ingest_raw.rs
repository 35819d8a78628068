//! Raw diagnostic traffic from the text file to samples, with the published values of the decoders.

use std::fmt::Write;
use std::path::Path;

use serde_json::Value;
use trimdrift::ingest::{Chunk, Profile, read_file};
use trimdrift::tables::samples::{RejectCode, Signal};

use crate::ingest_csv::{Folder, Read, limits, profile, read, us};

fn shipped(name: &str) -> Profile {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipelines/profiles");
    Profile::load(&folder.join(name)).unwrap_or_else(|e| panic!("{e}"))
}

fn at(millis: i64) -> String {
    let start = us("2024-01-05T22:33:00Z");
    jiff::Timestamp::from_microsecond(start + millis * 1000).unwrap().to_string()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02X}")).collect()
}

/// Published entries of one parameter with one linear value: parameter, bytes, raw numbers, values.
fn published() -> Vec<(u8, usize, Vec<u64>, Vec<f64>)> {
    let text = include_str!("../reference/decoders/service01.json");
    let entries: Vec<Value> = serde_json::from_str(text).unwrap();
    let row = |e: &Value| {
        let pid = u8::from_str_radix(e["input"]["pid"].as_str()?, 16).ok()?;
        let bytes = e["input"]["bytes"].as_u64()? as usize;
        let raw = e["input"]["raw"].as_array()?.iter().map(Value::as_u64).collect::<Option<_>>()?;
        let values = e["expected"]["value"].as_array()?;
        Some((pid, bytes, raw, values.iter().map(Value::as_f64).collect::<Option<_>>()?))
    };
    entries.iter().filter_map(row).collect()
}

/// The signal that a parameter fills, by SAE J1979.
fn signal(pid: u8) -> Option<Signal> {
    Some(match pid {
        0x04 => Signal::LoadPct,
        0x05 => Signal::CoolantC,
        0x06 => Signal::Stft1Pct,
        0x07 => Signal::Ltft1Pct,
        0x0B => Signal::MapKpa,
        0x0C => Signal::Rpm,
        0x0D => Signal::SpeedKmh,
        0x0F => Signal::IntakeC,
        0x10 => Signal::MafGs,
        0x11 => Signal::ThrottlePct,
        0x33 => Signal::BaroKpa,
        _ => return None,
    })
}

/// A sample a second for each published value: time in milliseconds, response, signal, value.
fn cases() -> Vec<(i64, Vec<u8>, Signal, f64)> {
    let mut list = Vec::new();
    for (pid, bytes, raw, values) in published() {
        let Some(signal) = signal(pid) else { continue };
        for (raw, value) in raw.into_iter().zip(values) {
            let data = &raw.to_be_bytes()[8 - bytes..];
            list.push((list.len() as i64 * 1000, [&[0x41, pid], data].concat(), signal, value));
        }
    }
    assert!(list.len() >= 40, "{} published values", list.len());
    list
}

fn holds(read: &Read, cases: &[(i64, Vec<u8>, Signal, f64)]) {
    assert_eq!(read.codes(), []);
    let start = us("2024-01-05T22:33:00Z");
    let times: Vec<i64> = read.rows().iter().map(|r| (r.2 - start) / 1000).collect();
    assert_eq!(times, cases.iter().map(|c| c.0).collect::<Vec<_>>());
    for (row, (_, response, signal, value)) in cases.iter().enumerate() {
        let found = read.values(*signal)[row];
        assert!((found - value).abs() < 1e-9, "{response:02X?}: {found} is not {value}");
    }
}

#[test]
fn published_values_arrive_from_raw_cells() {
    let folder = Folder::new();
    let cases = cases();
    let mut text = "time,vehicle,request,response\n".to_owned();
    for (millis, response, _, _) in &cases {
        writeln!(text, "{},V1,01{:02X},{}", at(*millis), response[1], hex(response)).unwrap();
    }
    let read = read(&folder.file("a.csv", text), &shipped("raw_cells.toml"));
    holds(&read, &cases);
    let report = read.report.unwrap();
    assert_eq!((report.rows_read, report.samples), (cases.len() as u64, cases.len() as u64));
    assert!(report.signals_absent.contains(&"misfire_c1"));
    assert!(!report.signals_absent.contains(&"rpm"));
}

#[test]
fn published_values_arrive_from_a_capture() {
    let folder = Folder::new();
    let cases = cases();
    let mut text = String::new();
    for (millis, response, _, _) in &cases {
        let ms = us("2024-01-05T22:33:00Z") / 1000 + millis;
        let (s, ms) = (ms / 1000, ms % 1000);
        writeln!(text, "({s}.{ms:03}000) can0 7DF#0201{:02X}0000000000", response[1]).unwrap();
        writeln!(text, "({s}.{ms:03}000) can0 7E8#{:02X}{}", response.len(), hex(response))
            .unwrap();
    }
    let read = read(&folder.file("V1_a.log", text), &shipped("can_capture.toml"));
    holds(&read, &cases);
    assert!(read.rows().iter().all(|r| r.0 == "V1"));
    assert_eq!(read.report.unwrap().rows_read, 2 * cases.len() as u64);
}

/// Lines as python-can 4.6.1 writes them: see `capture_lines.json`.
#[test]
fn capture_lines_of_an_independent_library_are_used_or_rejected() {
    let folder = Folder::new();
    let text = include_str!("../reference/decoders/capture_lines.json");
    let reference: Value = serde_json::from_str(text).unwrap();
    let lines: Vec<&str> = reference["lines"]
        .as_array()
        .unwrap()
        .iter()
        .map(|l| l["line"].as_str().unwrap())
        .collect();
    let read =
        read(&folder.file("V1_a.log", lines.join("\n") + "\n"), &shipped("can_capture.toml"));
    assert_eq!(read.report.as_ref().unwrap().rows_read, lines.len() as u64);
    let rpm: Vec<f64> = read.values(Signal::Rpm).into_iter().filter(|v| !v.is_nan()).collect();
    // SAE J1979 PID 0C: 1AF8 / 4 = 1726 1/min; PID 0D: 32 = 50 km/h.
    assert_eq!(rpm, [1726.0]);
    let speed: Vec<f64> =
        read.values(Signal::SpeedKmh).into_iter().filter(|v| !v.is_nan()).collect();
    assert_eq!(speed, [50.0]);
    for reject in &read.rejects {
        let line = lines[reject.row as usize - 1];
        assert_eq!(reject.code, RejectCode::BadResponse);
        assert!(line.contains("##") || line.contains("7E8#"), "{line}");
        // What is no diagnostic frame may hold anything, so its text is not kept.
        assert_eq!(reject.raw == "(not kept)", line.contains("##"), "{line}");
    }
}

/// Frames as scapy 2.8.0 parts a message: see `transport_frames.json` and `monitor_message.json`.
#[test]
fn misfire_counts_of_service_06_become_differences() {
    let folder = Folder::new();
    let text = include_str!("../reference/decoders/monitor_message.json");
    let message: Value = serde_json::from_str(text).unwrap();
    let first = message["hex"].as_str().unwrap().to_owned();
    assert!(first.ends_with("0c2400070000ffff"), "cylinder 1, test 0C, count 7");
    let count = |n: u16| format!("{}{n:04X}0000ffff", &first[..first.len() - 12]);
    let mut text = "time,vehicle,response\n".to_owned();
    for (row, n) in [7, 7, 12, 300, 2, 2, 5].into_iter().enumerate() {
        writeln!(text, "{},V1,{}", at(row as i64 * 1000), count(n)).unwrap();
    }
    let no_request = profile(
        "format = \"raw\"\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[raw]\nresponse = \"response\"\n",
    );
    let read = read(&folder.file("a.csv", text), &no_request);
    assert_eq!(read.codes(), []);
    let differences = read.values(Signal::MisfireC1);
    assert!(differences[0].is_nan(), "the first count may be of any age");
    assert_eq!(differences[1..], [0.0, 5.0, 288.0, 2.0, 0.0, 3.0]);
}

#[test]
fn rows_that_cannot_be_decoded_are_rejected_and_rows_add_up() {
    let folder = Folder::new();
    let rows = [
        ("010C", "410C1AF8", None),
        ("010C", "NODATA", None),
        ("0105", "", None),
        ("010C", "7F0112", None),
        ("010C", "410C1A", Some(RejectCode::BadResponse)),
        ("010C", "410C1AF", Some(RejectCode::BadResponse)),
        ("010C", "SEARCHING", Some(RejectCode::BadResponse)),
        ("010D", "410D32", None),
        ("010D", "410D32;410D33", None),
        ("010D", "460D32", Some(RejectCode::BadResponse)),
    ];
    let mut text = "time,vehicle,request,response\n".to_owned();
    for (i, (request, response, _)) in rows.iter().enumerate() {
        writeln!(text, "{},V1,{request},{response}", at(i as i64 * 50)).unwrap();
    }
    let read = read(&folder.file("a.csv", text), &shipped("raw_cells.toml"));
    let expected: Vec<_> = rows
        .iter()
        .enumerate()
        .filter_map(|(i, (_, raw, code))| code.map(|c| (i as u64 + 1, c, "response", *raw)))
        .collect();
    assert_eq!(read.codes(), expected);
    let report = read.report.as_ref().unwrap();
    assert_eq!((report.rows_read, report.rows_kept, report.samples), (10, 6, 1));
    assert_eq!(
        (read.values(Signal::Rpm), read.values(Signal::SpeedKmh)),
        (vec![1726.0], vec![50.0])
    );
}

#[test]
fn vehicles_and_trips_are_kept_apart() {
    let folder = Folder::new();
    let mut text = "time,vehicle,trip,request,response\n".to_owned();
    let lines = [
        (0, "V1,A,010C,410C1AF8"),
        (100, "V2,B,010D,410D32"),
        (1000, "V1,A,010D,410D0A"),
        (1100, "V2,C,010C,410C0FA0"),
    ];
    for (millis, line) in lines {
        writeln!(text, "{},{line}", at(millis)).unwrap();
    }
    let raw = profile(
        "format = \"raw\"\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[trip]\ncolumn = \"trip\"\n[raw]\nrequest = \"request\"\nresponse = \"response\"\n",
    );
    let read = read(&folder.file("a.csv", text), &raw);
    let rows: Vec<_> = read.rows().into_iter().map(|(v, t, _, row)| (v + &t, row)).collect();
    let expected = [("V1A", 1), ("V1A", 3), ("V2B", 2), ("V2C", 4)];
    assert_eq!(rows, expected.map(|(n, row)| (n.to_owned(), row)));
    let shown: Vec<String> = read
        .values(Signal::Rpm)
        .iter()
        .zip(read.values(Signal::SpeedKmh))
        .map(|(rpm, speed)| format!("{rpm} {speed}"))
        .collect();
    // A value stands for 5 s on its trip, and never on another.
    assert_eq!(shown, ["1726 NaN", "1726 10", "NaN 50", "1000 NaN"]);
}

/// What was settled before a file grew and what is new after it are together what the whole file gives.
#[test]
fn grown_files_give_every_sample_once() {
    let folder = Folder::new();
    let mut text = String::new();
    for i in 0..40u32 {
        let ms = us("2024-01-05T22:33:00Z") / 1000 + i64::from(i) * 250;
        let (s, ms) = (ms / 1000, ms % 1000);
        writeln!(text, "({s}.{ms:03}000) can0 7E8#04410C{:04X}", 2800 + 4 * i).unwrap();
    }
    let capture = shipped("can_capture.toml");
    let whole = read(&folder.file("V1_w.log", &text), &capture);
    for cut in 0..text.len() {
        if cut % 7 != 0 || cut < 60 {
            continue;
        }
        let early = read(&folder.file("V1_g.log", &text[..cut]), &capture);
        let path = folder.file("V1_g.log", &text);
        let known = early.report.as_ref().unwrap().resume();
        let mut rows = early.rows();
        rows.retain(|r| r.3 <= known.rows);
        let report = read_file(&path, &capture, &limits(), Some(&known), &mut |chunk: Chunk| {
            let s = &chunk.samples;
            let new = (0..s.len()).filter(|i| s.row[*i] >= chunk.first_new_row);
            let name = |i: usize| s.trips[s.trip[i] as usize].clone();
            rows.extend(new.map(|i| ("V1".to_owned(), name(i), s.time_us[i], s.row[i])));
            Ok::<(), ()>(())
        });
        let report = report.unwrap();
        assert_eq!(report.rows_known, Some(known.rows), "cut at {cut}");
        assert_eq!(rows, whole.rows(), "cut at {cut}");
    }
}

#[test]
fn profiles_of_raw_logs_are_checked() {
    let refuse = |text: &str| Profile::parse(Path::new("p.toml"), text).unwrap_err().to_string();
    let base =
        "format = \"raw\"\n[time]\ncolumn = \"t\"\nform = \"epoch_s\"\n[vehicle]\nfixed = \"V1\"\n";
    assert!(refuse(base).contains("`raw` is missing"));
    assert!(refuse(&format!("{base}[raw]\nrequest = \"q\"\n")).contains("`response` is missing"));
    let columns = format!("{base}[raw]\nresponse = \"r\"\n[columns]\nrpm = \"rpm\"\n");
    assert!(refuse(&columns).contains("the responses say which signals they carry"));
    let slow = format!("{base}[raw]\nresponse = \"r\"\nrow_every_s = 0\n");
    assert!(refuse(&slow).contains("from 0.001 to 60"));
    let capture = "format = \"capture\"\n[vehicle]\nfixed = \"V1\"\n";
    assert!(
        refuse(&format!("{capture}[time]\ncolumn = \"t\"\n")).contains("a capture brings its time")
    );
    assert!(refuse(&capture.replace("fixed", "column")).contains("has no columns"));
    assert!(
        refuse(&format!("{capture}[raw]\nresponse = \"r\"\n")).contains("unknown key `response`")
    );
    assert!(Profile::parse(Path::new("p.toml"), capture).is_ok());
}
