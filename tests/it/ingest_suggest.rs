//! Profiles proposed for unknown files: each must be accepted as it stands and read the file it was proposed for.

use std::path::Path;

use trimdrift::ingest::{IngestError, Profile, suggest};
use trimdrift::tables::samples::Signal;

use crate::ingest_csv::{Folder, Read, limits, try_read};

fn propose_and_read(path: &Path) -> (String, Read) {
    let toml = suggest(path, &limits()).unwrap().toml;
    let profile =
        Profile::parse(Path::new("proposed.toml"), &toml).unwrap_or_else(|e| panic!("{e}\n{toml}"));
    let read = try_read(path, &profile, &limits()).unwrap_or_else(|e| panic!("{e}\n{toml}"));
    (toml, read)
}

#[test]
fn a_european_log_with_decimal_commas() {
    let folder = Folder::new();
    let mut text = "Export;3\nDatum;Fahrzeug;Geschwindigkeit [km/h];Motordrehzahl;Kühlmittel;Kurzzeit;LTFT1 (%);Breite\n".to_owned();
    for i in 0..200 {
        text += &format!(
            "{:02}.01.2024 22:33:00;Wagen 7;{},5;{};{} °C;x;-1,{};48,2\n",
            i % 28 + 1,
            i % 90,
            700 + i,
            60 + i % 30,
            i % 10
        );
    }
    let path = folder.file("log.csv", &text);
    let (toml, read) = propose_and_read(&path);
    for wanted in [
        "delimiter = \";\"",
        "decimal = \",\"",
        "skip_lines = 1",
        "%d.%m.%Y",
        "unit = \"km/h\"",
        "time zone",
    ] {
        assert!(toml.contains(wanted), "{wanted} in\n{toml}");
    }
    assert_eq!(
        read.values(Signal::SpeedKmh).len(),
        28,
        "the days repeat, so most rows are duplicates"
    );
    assert_eq!(read.values(Signal::CoolantC)[0], 60.0);
    assert_eq!(read.values(Signal::Ltft1Pct)[1], -1.1);
}

#[test]
fn units_are_taken_from_names_then_from_ranges() {
    let folder = Folder::new();
    let mut text = "timestamp,car,trip,EngineRPM,VehicleSpeed(mph),CoolantTemp,Barometer,ShortTermFuelTrimBank1,MAF,latitude\n".to_owned();
    for i in 0..300 {
        text += &format!(
            "{},A,1,{},{},{},29.9,{},{},48.2\n",
            1_704_493_980 + i,
            800 + i,
            i % 70,
            150 + i % 50,
            f64::from(i % 10) / 100.0,
            3 + i % 20
        );
    }
    let path = folder.file("log.csv", &text);
    let (toml, read) = propose_and_read(&path);
    for wanted in [
        "epoch_s",
        "unit = \"mph\"",
        "unit = \"°F\"",
        "unit = \"inHg\"",
        "unit = \"fraction\"",
        "positions are never read",
    ] {
        assert!(toml.contains(wanted), "{wanted} in\n{toml}");
    }
    assert!(toml.contains("# Not decided: the unit of MAF (3 to 22): g/s is assumed"), "{toml}");
    assert_eq!(read.values(Signal::Rpm).len(), 300);
    assert!((read.values(Signal::CoolantC)[0] - (150.0 - 32.0) / 1.8).abs() < 1e-9);
}

#[test]
fn json_lines_and_the_long_form_are_recognised() {
    let folder = Folder::new();
    let (mut json, mut long) = (String::new(), "time,vehicle,signal,value\n".to_owned());
    for i in 0..100 {
        let at = jiff::Timestamp::from_second(1_704_493_980 + i).unwrap();
        json += &format!(
            "{{\"ts\":\"{at}\",\"unit\":\"V1\",\"obd\":{{\"rpm\":{},\"stft1\":{}}}}}\n",
            800 + i,
            i % 9
        );
        long += &format!(
            "{at},V1,Engine RPM,{}\n{at},V1,STFT1,{}\n{at},V1,Longitude,16.3\n",
            800 + i,
            i % 9
        );
    }
    for (name, text, form) in [("a.jsonl", json, "jsonl"), ("a.csv", long, "long_csv")] {
        let (toml, read) = propose_and_read(&folder.file(name, &text));
        assert!(toml.contains(&format!("format = \"{form}\"")), "{toml}");
        assert_eq!(read.values(Signal::Rpm).len(), 100, "{toml}");
        assert_eq!(read.values(Signal::Stft1Pct)[8], 8.0, "{toml}");
    }
}

#[test]
fn what_is_no_log_gives_questions_and_not_a_crash() {
    let folder = Folder::new();
    let proposed = suggest(&folder.file("a.csv", "alpha,beta\n\"x\",y\n"), &limits()).unwrap();
    assert!(
        proposed.undecided.iter().any(|u| u.contains("no column reads as one")),
        "{}",
        proposed.toml
    );
    let nasty = suggest(
        &folder.file("b.csv", "ti\\me\u{7},\"rp\"\"m\"\n2024-01-05T22:33:00Z,800\n"),
        &limits(),
    )
    .unwrap();
    Profile::parse(Path::new("p.toml"), &nasty.toml)
        .map(|_| ())
        .or_else(|e| match e {
            IngestError::ProfileSyntax { .. } => Err(format!("{e}\n{}", nasty.toml)),
            _ => Ok(()),
        })
        .unwrap();
    assert!(suggest(&folder.file("c.csv", ""), &limits()).is_err());
}

#[test]
fn the_open_logs_get_a_profile_that_reads_them() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../shared/open-logs/unitA_2024-01-05T223300Z.csv.gz");
    if !path.exists() {
        eprintln!("the open logs are not here; nothing was checked");
        return;
    }
    let (toml, read) = propose_and_read(&path);
    for line in [
        "column = \"ENGINE_RUN_TINE ()\"",
        "form = \"elapsed\"",
        "stft1_pct = { column = \"SHORT_TERM_FUEL_TRIM_BANK_1 ()\", unit = \"%\" }",
        "map_kpa = { column = \"INTAKE_MANIFOLD_PRESSURE ()\", unit = \"kPa\" }",
        "# not read: FUEL_AIR_COMMANDED_EQUIV_RATIO () (0 in every row",
        "min_since_clear = { column = \"TIME_SINCE_TROUBLE_CODES_CLEARED ()\"",
    ] {
        assert!(toml.contains(line), "{line} in\n{toml}");
    }
    assert!(read.report.unwrap().rows_kept > 1000, "{toml}");
}
