//! Raw decoders held against published values: service 01 scaling, service 06 misfire tests, transport frames, capture
//! lines.
//!
//! The values stand in `tests/reference/decoders/`, each with its source and whether it was read or recalled
//! (`from_memory`). An entry without a check here fails the test.

use serde_json::Value;
use trimdrift::ingest::raw::{
    CLOSED_LOOP_MASK, CanId, FIELDS, FUEL_TYPES, Field, FuelSystem, FullScale, MisfireMonitor,
    MisfireTest, Reading, Reassembler, Reply, Request, decode_reply, parameter_bytes, parse_bytes,
    parse_capture_line, supported_parameters, updated_average,
};

/// Relative agreement with values that follow exactly from a formula.
const EXACT: f64 = 1e-12;

fn entries(text: &str) -> Vec<Value> {
    serde_json::from_str(text).unwrap()
}

fn byte(value: &Value) -> u8 {
    u8::from_str_radix(value.as_str().unwrap(), 16).unwrap()
}

fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect()
}

fn near(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= EXACT * expected.abs().max(1.0)
}

/// The quantities in the answer to a request for `pid` alone, by their place in the data.
fn answer(pid: u8, data: &[u8]) -> Vec<(&'static Field, Option<f64>)> {
    let request = Request { service: 1, identifiers: vec![pid] };
    let response = [&[0x41, pid], data].concat();
    let reply = decode_reply(Some(&request), &response, &FullScale::default());
    let Ok(Reply::Parameters(readings)) = reply else { panic!("{pid:02X}: {reply:?}") };
    readings
        .iter()
        .map(|r| match *r {
            Reading::Value { field, value } => (field, value),
            _ => panic!("{pid:02X}: {r:?}"),
        })
        .collect()
}

fn big_endian(raw: u64, width: usize) -> Vec<u8> {
    raw.to_be_bytes()[8 - width..].to_vec()
}

/// Names of the units in the checks, as the tables of the crate write them.
fn unit(check: &str, field: &Field) -> String {
    let unit = match check {
        "degC" => "°C",
        "1/min" => "rpm",
        "1" => "lambda",
        same => same,
    };
    // Column units carry no more than the symbol of the check.
    assert!(field.signal.is_none_or(|s| s.spec().unit == field.unit), "{field:?}");
    unit.to_owned()
}

#[test]
fn service_01_scaling() {
    let mut checked = 0;
    for entry in entries(include_str!("../reference/decoders/service01.json")) {
        let id = entry["id"].as_str().unwrap();
        match id {
            "pid-03" => fuel_system_status(&entry),
            "pid-51" => fuel_types(&entry),
            "pid-9D" => fuel_rate_by_mass(&entry),
            "pid-A6" => odometer(&entry),
            "pid-not-available" => assert_eq!(numbers_of_rules(&entry), 5),
            "pid-support-bitmap" => support_bitmap(&entry),
            _ => single_quantity(&entry),
        }
        checked += 1;
    }
    assert_eq!(checked, 38);
}

fn single_quantity(entry: &Value) {
    let input = &entry["input"];
    let pid = byte(&input["pid"]);
    let width = input["bytes"].as_u64().unwrap() as usize;
    assert_eq!(parameter_bytes(pid), Some(width), "{pid:02X}");
    let field = FIELDS.iter().find(|f| f.pid == pid).unwrap();
    assert_eq!(field.unit, unit(input["unit"].as_str().unwrap(), field), "{pid:02X}");

    let raws = input["raw"].as_array().unwrap();
    let expected = numbers(&entry["expected"]["value"]);
    assert_eq!(raws.len(), expected.len());
    for (raw, expected) in raws.iter().zip(&expected) {
        let raw = raw.as_u64().unwrap();
        assert!(near(field.linear.apply(raw as u32), *expected), "{pid:02X} raw {raw}");
        let found = answer(pid, &big_endian(raw, width));
        assert_eq!(found.len(), 1);
        // Fuel rates above the stated maximum are no measurement (see the note of that check).
        let highest = entry["expected"]["max"].as_f64().unwrap();
        match found[0].1 {
            Some(value) => assert!(near(value, *expected), "{pid:02X}: {value} {expected}"),
            None => assert!(pid == 0x5E && *expected > highest, "{pid:02X} raw {raw}"),
        }
    }
    let resolution = entry["expected"]["resolution"].as_f64().unwrap();
    assert!(near(field.linear.apply(1) - field.linear.apply(0), resolution), "{pid:02X}");
}

fn fuel_system_status(entry: &Value) {
    let bits = entry["expected"]["bits"].as_object().unwrap();
    assert_eq!(bits.len(), 5);
    let mut mask = 0;
    for (code, meaning) in bits {
        let code = u8::from_str_radix(code.trim_start_matches("0x"), 16).unwrap();
        let state = FuelSystem::from_status(code).unwrap();
        let is_closed = matches!(state, FuelSystem::Closed | FuelSystem::ClosedFault);
        assert_eq!(is_closed, meaning.as_str().unwrap().starts_with("closed loop"), "{meaning}");
        mask |= if is_closed { code } else { 0 };
        // Both systems are read; the first one fills the column.
        let found = answer(0x03, &[code, 0x00]);
        assert_eq!((found[0].1, found[1].1), (Some(f64::from(code)), Some(0.0)));
        assert!(found[0].0.signal.is_some() && found[1].0.signal.is_none());
        assert_eq!(answer(0x03, &[0x00, code])[1].1, Some(f64::from(code)));
    }
    assert_eq!(u64::from(mask), entry["expected"]["closed_loop_mask"].as_u64().unwrap());
    assert_eq!(mask, CLOSED_LOOP_MASK);
    assert_eq!(FuelSystem::from_status(0x00), None);
}

fn fuel_types(entry: &Value) {
    for (code, meaning) in entry["expected"]["codes"].as_object().unwrap() {
        let code: u8 = code.parse().unwrap();
        let named = FUEL_TYPES.iter().find(|&&(c, _)| c == code).map(|&(_, name)| name);
        let value = answer(0x51, &[code])[0].1;
        if code == 0 {
            assert_eq!((value, named), (None, None));
        } else {
            assert_eq!((value, named), (Some(f64::from(code)), meaning.as_str()));
        }
    }
}

fn fuel_rate_by_mass(entry: &Value) {
    let expected = numbers(&entry["expected"]["g_per_s"]);
    for (raw, expected) in numbers(&entry["input"]["raw_AB"]).iter().zip(expected) {
        let data = [big_endian(*raw as u64, 2), big_endian(50, 2)].concat();
        let found = answer(0x9D, &data);
        assert!(near(found[0].1.unwrap(), expected), "{found:?}");
        assert!(near(found[1].1.unwrap(), 1.0), "{found:?}");
    }
}

fn odometer(entry: &Value) {
    let expected = numbers(&entry["expected"]["km"]);
    for (raw, expected) in numbers(&entry["input"]["raw"]).iter().zip(expected) {
        let found = answer(0xA6, &big_endian(*raw as u64, 4));
        assert!(near(found[0].1.unwrap(), expected), "{found:?}");
    }
}

/// The rules are prose; the test below holds each of them, in this order.
fn numbers_of_rules(entry: &Value) -> usize {
    entry["expected"]["rules"].as_array().unwrap().len()
}

#[test]
fn not_available_conventions() {
    // Not supported: left out of the answer, or refused; neither is a fault.
    let request = Request { service: 1, identifiers: vec![0x06, 0x08] };
    let scale = FullScale::default();
    assert!(decode_reply(Some(&request), &[0x41, 0x06, 0x80], &scale).is_ok());
    assert_eq!(
        decode_reply(Some(&request), &[0x7F, 0x01, 0x12], &scale),
        Ok(Reply::Negative { service: 1, code: 0x12 })
    );
    // Oxygen sensors: FF in the second byte means that the sensor is not used for trim.
    for pid in 0x14..=0x1B {
        let found = answer(pid, &[90, 0xFF]);
        assert_eq!((found[0].1, found[1].1), (Some(0.45), None), "{pid:02X}");
        assert_eq!(answer(pid, &[90, 0xFE])[1].1, Some(98.4375), "{pid:02X}");
    }
    // Fuel type 0, and fuel rates above FAFF.
    assert_eq!(answer(0x51, &[0])[0].1, None);
    assert_eq!(answer(0x5E, &[0xFA, 0xFF])[0].1, Some(3212.75));
    assert_eq!(answer(0x5E, &[0xFB, 0x00])[0].1, None);
    // A substitute value is not marked as such: full scale of any other quantity is a value.
    assert_eq!(answer(0x05, &[0xFF])[0].1, Some(215.0));
}

fn support_bitmap(entry: &Value) {
    let bytes = parse_bytes(entry["input"]["bytes"].as_str().unwrap()).unwrap();
    let response = [&[0x41, 0x00], bytes.as_slice()].concat();
    let reply = decode_reply(None, &response, &FullScale::default()).unwrap();
    let Reply::Parameters(readings) = reply else { panic!("{reply:?}") };
    let [Reading::Supported { block, mask }] = readings[..] else { panic!("{readings:?}") };
    let expected: Vec<u8> =
        entry["expected"]["supported"].as_array().unwrap().iter().map(byte).collect();
    assert_eq!(supported_parameters(block, mask), expected);
}

#[test]
fn parameter_lengths_agree_with_an_independent_table() {
    let reference: Value =
        serde_json::from_str(include_str!("../reference/decoders/parameter_lengths.json")).unwrap();
    let mut compared = 0;
    for (pid, bytes) in reference["bytes"].as_object().unwrap() {
        let pid = u8::from_str_radix(pid, 16).unwrap();
        // Both are known faults of the reference, named in its source line.
        if matches!(pid, 0x02 | 0x10) {
            continue;
        }
        if let Some(expected) = parameter_bytes(pid) {
            assert_eq!(bytes.as_u64(), Some(expected as u64), "{pid:02X}");
            compared += 1;
        }
    }
    assert!(compared > 95, "{compared}");
}

#[test]
fn misfire_monitor_identifiers() {
    let all = entries(include_str!("../reference/decoders/service06.json"));
    let expected = &all.iter().find(|e| e["id"] == "mid-misfire-ids").unwrap()["expected"];
    let general = byte(&expected["general"]);
    assert_eq!(MisfireMonitor::from_mid(general), Some(MisfireMonitor::General));
    let cylinders = expected["cylinder_1_to_12"].as_array().unwrap();
    assert_eq!(cylinders.len(), 12);
    for (n, mid) in cylinders.iter().enumerate() {
        assert_eq!(MisfireMonitor::from_mid(byte(mid)), Some(MisfireMonitor::Cylinder(n + 1)));
    }
    assert_eq!(MisfireMonitor::from_mid(0xA0), None);
    assert_eq!(MisfireMonitor::from_mid(0xAE), None);
    let average = MisfireTest::from_tid(byte(&expected["tid_ewma"]));
    let count = MisfireTest::from_tid(byte(&expected["tid_count"]));
    assert_eq!(average, Some(MisfireTest::TenCycleAverage));
    assert_eq!(count, Some(MisfireTest::LastCycle));
    // Unit and scaling 24: one per bit, unsigned, so both ends of the scale are themselves.
    for raw in [0u16, 1, 32768, 65535] {
        let [high, low] = raw.to_be_bytes();
        let response = [0x46, 0xA2, 0x0C, 0x24, high, low, 0, 0, 0xFF, 0xFF];
        let reply = decode_reply(None, &response, &FullScale::default()).unwrap();
        let Reply::Misfires(counts) = reply else { panic!("{reply:?}") };
        assert_eq!(counts[0].count, raw);
    }
}

#[test]
fn misfire_average_over_driving_cycles() {
    let all = entries(include_str!("../reference/decoders/service06.json"));
    let entry = all.iter().find(|e| e["id"] == "mid-misfire-ewma").unwrap();
    let mut average = entry["input"]["initial"].as_f64().unwrap();
    let counts = numbers(&entry["input"]["counts_per_driving_cycle"]);
    for (count, expected) in counts.iter().zip(numbers(&entry["expected"]["ewma"])) {
        average = updated_average(average, *count);
        assert!(near(average, expected), "{average} {expected}");
    }
    let fraction = (0..10).fold(0.0, |average, _| updated_average(average, 1.0));
    let expected = entry["expected"]["ten_cycles_constant_fraction"].as_f64().unwrap();
    assert!((fraction - expected).abs() < 5e-11, "{fraction}");
}

#[test]
fn misfire_message_as_an_independent_dissector_reads_it() {
    let reference: Value =
        serde_json::from_str(include_str!("../reference/decoders/monitor_message.json")).unwrap();
    let bytes = parse_bytes(reference["hex"].as_str().unwrap()).unwrap();
    let reply = decode_reply(None, &bytes, &FullScale::default()).unwrap();
    let Reply::Misfires(counts) = reply else { panic!("{reply:?}") };
    let records = reference["records"].as_array().unwrap();
    assert_eq!(counts.len(), records.len());
    for (found, record) in counts.iter().zip(records) {
        let number = |key: &str| record[key].as_u64().unwrap();
        assert_eq!(Some(found.monitor), MisfireMonitor::from_mid(number("mid") as u8));
        assert_eq!(Some(found.test), MisfireTest::from_tid(number("tid") as u8));
        let values = (u64::from(found.count), u64::from(found.min), u64::from(found.max));
        assert_eq!(values, (number("value"), number("min"), number("max")));
    }
}

#[test]
fn transport_frames_as_an_independent_library_parts_them() {
    let reference: Value =
        serde_json::from_str(include_str!("../reference/decoders/transport_frames.json")).unwrap();
    for case in reference["cases"].as_array().unwrap() {
        let length = case["length"].as_u64().unwrap() as usize;
        let payload: Vec<u8> =
            std::iter::once(0x46).chain((0..length - 1).map(|i| (i * 7 % 256) as u8)).collect();
        // The longest message stands in the reference by number of frames and last frame only.
        let Some(frames) = case["frames"].as_array() else {
            let count = 1 + (length - 6).div_ceil(7);
            assert_eq!(case["frame_count"].as_u64(), Some(count as u64));
            continue;
        };
        let mut bus = Reassembler::new();
        let mut messages = Vec::new();
        for (time_us, frame) in frames.iter().enumerate() {
            let data = parse_bytes(frame.as_str().unwrap()).unwrap();
            let received = bus.push(time_us as i64, CanId::Standard(0x7E8), &data);
            assert_eq!(received.fault, None);
            messages.extend(received.message);
        }
        assert_eq!(messages.len(), 1, "{length}");
        assert_eq!(messages[0].bytes, payload, "{length}");
    }
}

#[test]
fn capture_lines_as_an_independent_library_writes_them() {
    let reference: Value =
        serde_json::from_str(include_str!("../reference/decoders/capture_lines.json")).unwrap();
    for case in reference["lines"].as_array().unwrap() {
        let line = case["line"].as_str().unwrap();
        let is = |key: &str| case[key].as_bool().unwrap();
        let parsed = parse_capture_line(line);
        if is("fd") {
            assert!(parsed.is_err(), "{line}");
        } else if is("remote") || is("error") {
            assert_eq!(parsed, Ok(None), "{line}");
        } else {
            let frame = parsed.unwrap().unwrap();
            let id = case["id"].as_u64().unwrap() as u32;
            let id = if is("extended") { CanId::Extended(id) } else { CanId::Standard(id as u16) };
            assert_eq!(frame.id, id, "{line}");
            assert_eq!(Some(frame.time_us), case["time_us"].as_i64(), "{line}");
            assert_eq!(Some(frame.interface), case["channel"].as_str(), "{line}");
            assert_eq!(frame.data(), parse_bytes(case["data"].as_str().unwrap()).unwrap());
        }
    }
}
