//! The other formats: JSON lines, long form and Parquet give what the plain log gives.

use std::fmt::Write;
use std::sync::Arc;

use arrow::array::{
    ArrayRef, Float32Array, Int32Array, Int64Array, RecordBatch, StringArray,
    TimestampMillisecondArray,
};
use trimdrift::ingest::IngestError;
use trimdrift::tables::samples::{RejectCode, Signal};

use crate::ingest_csv::{Folder, Read, limits, plain, profile, read, try_read, us};

const START_S: i64 = 1_704_493_980;

fn at(second: i64) -> String {
    jiff::Timestamp::from_second(START_S + second).unwrap().to_string()
}

/// Two vehicles that take turns, one row per second each.
fn plain_log() -> String {
    let mut text = "time,vehicle,rpm,coolant_c\n".to_owned();
    for i in 0..2_000 {
        writeln!(text, "{},V{},{},{}", at(i / 2), i % 2, 700 + i, i % 90).unwrap();
    }
    text
}

fn same(a: &Read, b: &Read) {
    assert_eq!(a.codes(), b.codes());
    let places = |read: &Read| {
        let mut rows: Vec<_> = read.rows().into_iter().map(|(v, t, us, _)| (v, t, us)).collect();
        rows.sort();
        rows
    };
    assert_eq!(places(a), places(b));
    assert_eq!(a.values(Signal::Rpm), b.values(Signal::Rpm));
    assert_eq!(a.values(Signal::CoolantC), b.values(Signal::CoolantC));
}

#[test]
fn json_lines_read_like_the_plain_log() {
    let folder = Folder::new();
    let json_profile = profile(
        "format = \"jsonl\"\n[time]\ncolumn = \"t\"\nform = \"epoch_ms\"\n[vehicle]\ncolumn = \"car.name\"\n[columns]\nrpm = \"obd.rpm\"\ncoolant_c = \"OBD.Coolant\"\nmaf_gs = \"obd.maf\"\n",
    );
    let mut text = String::new();
    for i in 0..2_000 {
        let t = (START_S + i / 2) * 1000;
        writeln!(
            text,
            "{{\"car\":{{\"name\":\"V{}\",\"lat\":48.2}},\"t\":{t},\"obd\":{{\"rpm\":{}, \"coolant\":\"{} °C\",\"x\":[1,{{\"y\":2}}]}}}}",
            i % 2,
            700 + i,
            i % 90
        )
        .unwrap();
    }
    let json = read(&folder.file("a.jsonl", &text), &json_profile);
    same(&json, &read(&folder.file("a.csv", plain_log()), &plain()));
    let report = json.report.unwrap();
    assert_eq!(report.signals_absent, ["maf_gs"]);
    assert_eq!(report.columns_unread, ["car.lat", "obd.x"]);
}

#[test]
fn json_lines_that_cannot_be_used() {
    let folder = Folder::new();
    let json_profile = profile(
        "format = \"jsonl\"\n[time]\ncolumn = \"t\"\nform = \"epoch_s\"\n[vehicle]\ncolumn = \"v\"\n[columns]\nrpm = \"rpm\"\n",
    );
    let deep = |name: &str| {
        let (open, close) = ("[".repeat(10_000), "]".repeat(10_000));
        format!("{{\"t\":1704493986,\"v\":\"V1\",\"{name}\":{open}1{close}}}")
    };
    let (deep_unread, deep_rpm) = (deep("x"), deep("rpm"));
    let text = format!(
        "{{\"t\":1704493980,\"v\":\"V1\",\"rpm\":800}}\n\
         {{\"t\":1.704493981e9,\"v\":\"V1\",\"rpm\":800}}\n\
         {{\"t\":1704493982,\"rpm\":800}}\n\
         {{\"t\":1704493983,\"v\":\"V1\",\"rpm\":\"fast\"}}\n\
         {{\"t\":1704493984,\"v\":\"V1\",\"rpm\":[800]}}\n\
         [1,2]\n\
         {{\"t\":1704493985,\"v\":\"V1\"\n\
         {deep_rpm}\n\
         {deep_unread}\n\
         {{\"t\":1704493986.5,\"v\":\"V1\",\"rpm\":null}}\n"
    );
    let read = read(&folder.file("a.jsonl", &text), &json_profile);
    use RejectCode::*;
    let codes: Vec<_> = read.codes().iter().map(|c| (c.0, c.1, c.2)).collect();
    let expected = [
        (2, ImpreciseTime, "t"),
        (3, NoVehicle, "v"),
        (4, NotANumber, "rpm"),
        (5, NotANumber, "rpm"),
        (6, RaggedRow, ""),
        (7, RaggedRow, ""),
        (8, NotANumber, "rpm"),
    ];
    assert_eq!(codes, expected);
    assert_eq!(read.rows()[1].3, 9, "what is not asked for may be as deep as it likes");
    assert_eq!(read.rows().last().unwrap().2, us("2024-01-05T22:33:06.5Z"));
    let other = folder.file("b.jsonl", "{\"time\":1,\"car\":\"V1\",\"rpm\":800}\n");
    let message = try_read(&other, &json_profile, &limits()).unwrap_err().to_string();
    assert!(
        message.contains("no column `t`, `v`") && message.contains("`car`, `time`"),
        "{message}"
    );
}

#[test]
fn the_long_form_reads_like_the_plain_log() {
    let folder = Folder::new();
    let long_profile = profile(
        "format = \"long_csv\"\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[long]\nsignal = \"signal\"\nvalue = \"value\"\nunit = \"unit\"\n[columns]\nrpm = \"Engine speed\"\ncoolant_c = \"Coolant\"\n",
    );
    let head = "time,vehicle,signal,value,unit\n";
    let (mut by_time, mut by_signal) = (head.to_owned(), [head.to_owned(), String::new()]);
    for i in 0..2_000 {
        let fraction = at(i / 2).replace('Z', ".250Z");
        let speed = format!("{},V{},Engine speed,{},rpm\n", at(i / 2), i % 2, 700 + i);
        let coolant = format!("{fraction},V{},coolant,{},°F\n", i % 2, (i % 90) * 9 / 5 + 32);
        // Whole degrees Celsius only where the Fahrenheit value is whole.
        let coolant = if i % 5 == 0 {
            coolant
        } else {
            format!("{fraction},V{},coolant,{},\n", i % 2, i % 90)
        };
        by_time += &format!("{speed}{coolant}{fraction},V{},lat,48.2,\n", i % 2);
        by_signal[0] += &speed;
        by_signal[1] += &coolant;
    }
    let plain_read = read(&folder.file("a.csv", plain_log()), &plain());
    let long = read(&folder.file("time.csv", &by_time), &long_profile);
    assert_eq!(long.report.as_ref().unwrap().columns_unread, ["lat"]);
    assert_eq!(long.report.as_ref().unwrap().rows_read, 6_000);
    let close = |long: &Read| {
        let pairs =
            long.values(Signal::CoolantC).into_iter().zip(plain_read.values(Signal::CoolantC));
        assert!(pairs.into_iter().all(|(a, b)| (a - b).abs() < 1e-9));
        assert_eq!(long.values(Signal::Rpm), plain_read.values(Signal::Rpm));
        assert_eq!(long.codes(), []);
    };
    close(&long);
    close(&read(&folder.file("signal.csv", by_signal.concat()), &long_profile));
    let twice = folder.file(
        "twice.csv",
        format!("{head}{0},V1,Engine speed,800,\n{0},V1,Engine speed,801,\n", at(0)),
    );
    let read = read(&twice, &long_profile);
    assert_eq!(
        read.codes().iter().map(|c| (c.0, c.1)).collect::<Vec<_>>(),
        [(2, RejectCode::DuplicateTime)]
    );
    assert_eq!(read.values(Signal::Rpm), [800.0]);
}

fn parquet_file(folder: &Folder, name: &str, columns: Vec<(&str, ArrayRef)>) -> std::path::PathBuf {
    let batch = RecordBatch::try_from_iter(columns).unwrap();
    let mut bytes = Vec::new();
    let mut writer =
        parquet::arrow::ArrowWriter::try_new(&mut bytes, batch.schema(), None).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    folder.file(name, bytes)
}

#[test]
fn parquet_reads_like_the_plain_log() {
    let folder = Folder::new();
    let text = "format = \"parquet\"\n[time]\ncolumn = \"Time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[columns]\nrpm = \"rpm\"\ncoolant_c = \"coolant\"\n";
    let times = || {
        TimestampMillisecondArray::from_iter_values((0..2_000).map(|i| (START_S + i / 2) * 1000))
    };
    let columns = |time: ArrayRef| -> Vec<(&str, ArrayRef)> {
        vec![
            ("time", time),
            (
                "vehicle",
                Arc::new(StringArray::from_iter_values((0..2_000).map(|i| format!("V{}", i % 2)))),
            ),
            ("lat", Arc::new(Float32Array::from_iter_values((0..2_000).map(|i| i as f32)))),
            ("rpm", Arc::new(Float32Array::from_iter_values((0..2_000).map(|i| 700.0 + i as f32)))),
            ("coolant", Arc::new(Int32Array::from_iter_values((0..2_000).map(|i| i % 90)))),
        ]
    };
    let plain_read = read(&folder.file("a.csv", plain_log()), &plain());
    let zoned =
        parquet_file(&folder, "a.parquet", columns(Arc::new(times().with_timezone("+00:00"))));
    let zoned = read(&zoned, &profile(text));
    same(&zoned, &plain_read);
    assert_eq!(zoned.report.unwrap().columns_unread, ["lat"]);
    let bare = parquet_file(&folder, "b.parquet", columns(Arc::new(times())));
    let error = try_read(&bare, &profile(text), &limits()).unwrap_err();
    assert!(
        matches!(error, IngestError::ColumnType { .. }) && error.to_string().contains("`zone`"),
        "{error}"
    );
    same(
        &read(&bare, &profile(&text.replace("\"rfc3339\"", "\"rfc3339\"\nzone = \"UTC\""))),
        &plain_read,
    );
    let ticks = Int64Array::from_iter_values((0..2_000).map(|i| START_S + i / 2));
    let ticks = parquet_file(&folder, "c.parquet", columns(Arc::new(ticks)));
    same(&read(&ticks, &profile(&text.replace("rfc3339", "epoch_s"))), &plain_read);
}

#[test]
fn damaged_parquet_is_an_error_of_the_file() {
    let folder = Folder::new();
    let text = "format = \"parquet\"\n[time]\ncolumn = \"time\"\nform = \"epoch_s\"\n[vehicle]\nfixed = \"V1\"\n[columns]\nrpm = \"rpm\"\n";
    let columns: Vec<(&str, ArrayRef)> = vec![
        ("time", Arc::new(Int64Array::from_iter_values((0..500).map(|i| START_S + i)))),
        ("rpm", Arc::new(Float32Array::from_iter_values((0..500).map(|i| 700.0 + i as f32)))),
    ];
    let good = std::fs::read(parquet_file(&folder, "good.parquet", columns)).unwrap();
    let refuse =
        |bytes: &[u8]| try_read(&folder.file("x.parquet", bytes), &profile(text), &limits());
    assert!(matches!(refuse(b""), Err(IngestError::Empty { .. })));
    assert!(matches!(refuse(&good[..good.len() / 2]), Err(IngestError::BadArchive { .. })));
    assert!(matches!(refuse(b"time,rpm\n1,2\n"), Err(IngestError::BadArchive { .. })));
    // Any single byte may be wrong: an error or odd values, never a crash.
    for at in (0..good.len()).step_by(7) {
        let mut bytes = good.clone();
        bytes[at] ^= 0x5A;
        let _ = refuse(&bytes);
    }
}
