//! `check` holds what was read beside what stands in the file, for every format, so that a wrong profile is seen.

use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, StringArray};
use arrow::record_batch::RecordBatch;

use crate::support::Folder;

const HEAD: &str =
    "[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n";

/// What `check` says of one log under a profile of its own; no line is wider than 80 columns.
fn checked(profile: &str, log: &str, content: impl AsRef<[u8]>) -> String {
    let folder = Folder::by_hand();
    std::fs::remove_file(folder.join("logs/good.csv")).unwrap();
    folder.write("own.toml", profile);
    folder.write(&format!("logs/{log}"), content);
    let pipeline = folder.text("pipeline.toml").replace("\"plain\"", "\"own.toml\"");
    folder.write("pipeline.toml", pipeline.replace("logs/*.csv*", "logs/*"));
    let ran = folder.trimdrift(&["check", "pipeline.toml"]).expect(0);
    for line in ran.out.lines().skip_while(|l| !l.starts_with("Source ")) {
        // The path of the test's folder is as long as it is.
        assert!(line.chars().count() <= 80 || line.contains("logs"), "{line}");
        assert!(!line.chars().any(char::is_control), "{line:?}");
    }
    ran.out
}

/// Whether one line holds all of `parts` in this order.
#[track_caller]
fn shows(text: &str, parts: &[&str]) {
    let in_order = |line: &str| {
        let mut rest = line;
        parts.iter().all(|part| match rest.find(part) {
            Some(at) => {
                rest = &rest[at + part.len()..];
                true
            }
            None => false,
        })
    };
    assert!(text.lines().any(in_order), "no line with {parts:?} in\n{text}");
}

#[test]
fn a_wrong_unit_and_a_decimal_comma_are_visible() {
    let profile = format!(
        "delimiter = \";\"\n{HEAD}[columns]\nspeed_kmh = {{ column = \"Tempo\", unit = \"mph\" }}\n\
         coolant_c = {{ column = \"Wasser\", unit = \"°F\" }}\nrpm = \"Drehzahl\"\nmaf_gs = \"Luft\"\n"
    );
    let log = "time;vehicle;Tempo;Wasser;Drehzahl;Breite\n\
        2024-01-05T22:33:00Z;V1;50;90;800;48,2\n\
        2024-01-05T22:33:01Z;V1;50;91;NODATA;48,2\n\
        2024-01-05T22:33:02Z;V1;50,5;90;800;48,2\n\
        2024-01-05T22:33:03Z;V1;240;90;800;48,2\n\
        2024-01-05T22:33:04Z;V\u{7};50;90;800;48,2\n";
    let text = checked(&profile, "a.csv", log);
    // 1 mile is 1.609344 km, 90 °F is (90 - 32) / 1.8 °C: exact by definition.
    shows(&text, &["speed_kmh", "80.4672 km/h", "Tempo: 50"]);
    shows(&text, &["coolant_c", "32.222 °C", "Wasser: 90"]);
    shows(&text, &["rpm", " - ", "Drehzahl: NODATA"]);
    shows(&text, &["time (UTC)", "2024-01-05 22:33:00.000Z", "time: 2024-01-05T22:33:00Z"]);
    shows(&text, &["row 3", "`Tempo`", "not_a_number", "50,5"]);
    shows(&text, &["row 4", "`Tempo`", "out_of_range", "240"]);
    shows(&text, &["speed_kmh", "0 to 350 km/h"]);
    shows(&text, &["row 5", "`vehicle`", "bad_vehicle", "V\\u{7}"]);
    shows(&text, &["rejected:", "1 not_a_number", "1 out_of_range", "1 bad_vehicle"]);
    shows(&text, &["the file lacks", "maf_gs"]);
    shows(&text, &["does not read", "Breite"]);
    assert!(!text.contains("48,2"), "a column that nobody asked for is shown:\n{text}");
}

#[test]
fn every_format_shows_what_stands_in_the_file() {
    let columns = "[columns]\nrpm = { column = \"n\", scale = 60 }\nstft1_pct = \"trim\"\n";
    let named = |form: &str| format!("format = \"{form}\"\n{HEAD}{columns}");
    let json = checked(
        &named("jsonl"),
        "a.jsonl",
        "{\"time\":\"2024-01-05T22:33:00Z\",\"vehicle\":\"V1\",\"n\":\"13,5\"}\n\
         {\"time\":\"2024-01-05T22:33:01Z\",\"vehicle\":\"V1\",\"n\":20.5,\"trim\":null,\"lat\":48}\n",
    );
    shows(&json, &["row 1", "`n`", "not_a_number", "13,5"]);
    shows(&json, &["rpm", "1230 rpm", "n: 20.5"]);
    shows(&json, &["stft1_pct", " - ", "trim: (empty)"]);

    let long = checked(
        &format!("{}[long]\nsignal = \"what\"\nvalue = \"is\"\nunit = \"in\"\n", named("long_csv")),
        "a.csv",
        "time,vehicle,what,is,in\n2024-01-05T22:33:00Z,V1,n,1200,rpm\n\
         2024-01-05T22:33:00Z,V2,n,1300,rpm\n2024-01-05T22:33:00Z,V1,trim,2,%\n\
         2024-01-05T22:33:01Z,V1,trim,2,km\n",
    );
    shows(&long, &["rpm", "1200 rpm", "n: 1200 rpm"]);
    shows(&long, &["stft1_pct", "2 %", "trim: 2 %"]);
    shows(&long, &["row 4", "bad_unit"]);
    shows(&long, &["stft1_pct", "-100 to 99.22 %"]);

    let raw = checked(
        &format!("format = \"raw\"\n{HEAD}[raw]\nrequest = \"request\"\nresponse = \"response\"\n"),
        "a.csv",
        "time,vehicle,request,response\n2024-01-05T22:33:00.1Z,V1,010C,410C1AF8\n\
         2024-01-05T22:33:00.2Z,V1,010D,410D32\n2024-01-05T22:33:01.2Z,V1,010D,410D\n",
    );
    // SAE J1979: PID 0C is 1AF8 / 4 = 1726 1/min, PID 0D is 32 = 50 km/h.
    shows(&raw, &["rpm", "1726 rpm"]);
    shows(&raw, &["speed_kmh", "50 km/h"]);
    shows(&raw, &["row 1: 010C > 410C1AF8"]);
    shows(&raw, &["row 2: 010D > 410D32"]);
    shows(&raw, &["row 3", "`response`", "bad_response", "410D"]);

    let capture = checked(
        "format = \"capture\"\n[vehicle]\nfixed = \"V1\"\n",
        "a.log",
        "(1704493980.000000) can0 7DF#02010C0000000000\n(1704493980.100000) can0 7E8#04410C1AF8\n\
         (1704493980.200000) can0 123#0102\n(1704493981.200000) can0 7E8#04410C1AF8\n",
    );
    shows(&capture, &["rpm", "1726 rpm"]);
    shows(&capture, &["row 2: (1704493980.100000) can0 7E8#04410C1AF8"]);
    assert!(!capture.contains("123#"), "a frame that is not diagnostic is shown:\n{capture}");

    let time: ArrayRef = Arc::new(StringArray::from(vec!["2024-01-05T22:33:00Z"; 1]));
    let table = RecordBatch::try_from_iter([
        ("time", time),
        ("vehicle", Arc::new(StringArray::from(vec!["V1"])) as ArrayRef),
        ("n", Arc::new(Float64Array::from(vec![20.5])) as ArrayRef),
    ]);
    let table = table.unwrap();
    let mut bytes = Vec::new();
    let mut writer =
        parquet::arrow::ArrowWriter::try_new(&mut bytes, table.schema(), None).unwrap();
    writer.write(&table).unwrap();
    writer.close().unwrap();
    let parquet = checked(&named("parquet"), "a.parquet", bytes);
    shows(&parquet, &["rpm", "1230 rpm", "n: 20.5"]);
    shows(&parquet, &["the file lacks", "stft1_pct"]);
}
