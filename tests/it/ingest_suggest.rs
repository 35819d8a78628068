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

/// The last columns are of cylinders that this engine does not have.
#[test]
fn a_header_whose_last_columns_are_empty() {
    let folder = Folder::new();
    let mut text =
        "Zeit;Fahrzeug;Drehzahl [1/min];LTFT B1 [%];Aussetzer Zyl 1;Aussetzer Zyl 2\n".to_owned();
    for i in 0..50 {
        text += &format!("05.01.2024 22:33:{i:02};W7;{};-1,{};0;\n", 800 + i, i % 10);
    }
    let path = folder.file("log.csv", &text);
    let (toml, read) = propose_and_read(&path);
    for wanted in ["header = false", "skip_lines"] {
        assert!(!toml.contains(wanted), "{wanted} in\n{toml}");
    }
    assert_eq!(read.values(Signal::Rpm)[49], 849.0, "{toml}");
    assert_eq!(read.values(Signal::Ltft1Pct)[1], -1.1, "{toml}");
}

#[test]
fn a_profile_that_names_no_signal_is_refused() {
    let toml = "[time]\ncolumn = \"t\"\nform = \"rfc3339\"\n[vehicle]\nfixed = \"V1\"\n[columns]\n";
    let error = Profile::parse(Path::new("own.toml"), toml).unwrap_err();
    assert!(matches!(&error, IngestError::MissingKey { key, .. } if key == "columns"), "{error}");
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
fn raw_logs_are_recognised_with_and_without_requests() {
    let folder = Folder::new();
    let (mut with, mut without) =
        ("when,car,asked,raw\n".to_owned(), "when;car;answer\n".to_owned());
    let mut numbers = "time,vehicle,km\n".to_owned();
    for i in 0..120u32 {
        let at = jiff::Timestamp::from_second(1_704_493_980 + i64::from(i)).unwrap();
        // SAE J1979: PID 0C is a quarter 1/min a bit, PIDs 06 and 07 are 0 % at 80.
        let (request, response) = match i % 4 {
            0 => ("010C", format!("410C{:04X}", 3200 + 4 * i)),
            1 => ("01 06 07", "41 06 80 07 80".to_owned()),
            2 => ("0105", "NODATA".to_owned()),
            _ => ("010D", if i == 3 { "BUS BUSY".to_owned() } else { "7E8 41 0D 32".to_owned() }),
        };
        with += &format!("{at},V1,{request},{response}\n");
        without += &format!("{at};V1;{response}\n");
        numbers += &format!("{at},V1,{}\n", 410_500 + i);
    }
    let with = folder.file("a.csv", with);
    let without = folder.file("b.csv", without);
    for (path, request) in [(&with, Some("asked")), (&without, None)] {
        let (toml, read) = propose_and_read(path);
        assert!(toml.contains("format = \"raw\""), "{toml}");
        match request {
            Some(name) => assert!(toml.contains(&format!("request = \"{name}\"")), "{toml}"),
            None => assert!(toml.contains("no column holds the requests"), "{toml}"),
        }
        assert!(
            toml.contains("# Not decided: 1 of 120 responses cannot be read, such as `BUS BUSY`"),
            "{toml}"
        );
        assert!(toml.contains("# gives rpm: 30 values from 800 to 916 rpm"), "{toml}");
        assert!(toml.contains("89 of 120 cells are read, 30 are empty"), "{toml}");
        let report = read.report.as_ref().unwrap();
        assert_eq!((report.rows_read, report.rows_rejected), (120, 1), "{toml}");
        let rpm: Vec<f64> = read.values(Signal::Rpm).into_iter().filter(|v| !v.is_nan()).collect();
        assert_eq!((rpm[0], rpm[rpm.len() - 1]), (800.0, 916.0), "{toml}");
        assert!(read.values(Signal::Stft1Pct).contains(&0.0), "{toml}");
    }
    // Kilometres from 410500 on look like responses to parameters 05 and 06.
    let toml = suggest(&folder.file("c.csv", numbers), &limits()).unwrap().toml;
    assert!(toml.contains("format = \"csv\""), "{toml}");
}

#[test]
fn captures_are_recognised() {
    let folder = Folder::new();
    let mut text = String::new();
    for i in 0..100u32 {
        text += &format!("(17044939{:02}.100000) can0 123#0102\n", i % 100);
        text += &format!("(17044939{:02}.200000) can0 7E8#04410C{:04X}\n", i % 100, 3200 + 4 * i);
    }
    let (toml, read) = propose_and_read(&folder.file("V7_a.log", &text));
    for wanted in [
        "format = \"capture\"",
        "100 of 200 lines are diagnostic responses that are read; senders 7E8 on can0",
        "# gives rpm: 100 values from 800 to 899 rpm",
        "fixed = \"V7\"   # assumed",
        "# Not decided: the vehicle",
        "# Not decided: `stft1_pct`: no response carries it",
    ] {
        assert!(toml.contains(wanted), "{wanted} in\n{toml}");
    }
    assert_eq!(read.values(Signal::Rpm)[99], 899.0);
    let silent = text.replace("7E8#", "321#");
    let toml = suggest(&folder.file("V7_b.log", silent), &limits()).unwrap().toml;
    assert!(toml.contains("# Not decided: `rpm`: no response carries it"), "{toml}");
}

#[test]
fn parquet_gets_a_profile_that_reads_it() {
    use arrow::array::{ArrayRef, Float64Array, RecordBatch, TimestampMicrosecondArray};
    use std::sync::Arc;
    let folder = Folder::new();
    let times = || {
        TimestampMicrosecondArray::from_iter_values(
            (0..50).map(|i| (1_704_493_980 + i) * 1_000_000),
        )
    };
    for (name, time) in [
        ("V1_a.parquet", Arc::new(times().with_timezone("UTC")) as ArrayRef),
        ("V1_b.parquet", Arc::new(times()) as ArrayRef),
    ] {
        let rpm = Arc::new(Float64Array::from_iter_values((0..50).map(|i| 800.0 + f64::from(i))));
        let table =
            RecordBatch::try_from_iter([("ts", time), ("EngineRPM", rpm as ArrayRef)]).unwrap();
        let mut bytes = Vec::new();
        let mut writer =
            parquet::arrow::ArrowWriter::try_new(&mut bytes, table.schema(), None).unwrap();
        writer.write(&table).unwrap();
        writer.close().unwrap();
        let (toml, read) = propose_and_read(&folder.file(name, bytes));
        assert!(toml.contains("format = \"parquet\""), "{toml}");
        assert_eq!(toml.contains("# Not decided: the time zone"), name == "V1_b.parquet", "{toml}");
        assert_eq!(read.rows().len(), 50, "{toml}");
        assert_eq!(read.values(Signal::Rpm)[49], 849.0, "{toml}");
    }
}

/// Every line of a proposal that is a guess says what speaks for it, or that it is assumed.
#[test]
fn every_guess_has_its_evidence() {
    let folder = Folder::new();
    let files = [
        (
            "a.csv",
            "# made by hand\ntime;vehicle;rpm;STFT1\n2024-01-05 22:33:00;V1;800;1,5\n2024-01-05 22:33:01;V1;810;1,5\n",
        ),
        (
            "b.csv",
            "time,signal,value,unit,vehicle\n2024-01-05T22:33:00Z,rpm,800,rpm,V1\n2024-01-05T22:33:01Z,rpm,810,rpm,V1\n",
        ),
        ("c.jsonl", "{\"time\":\"2024-01-05T22:33:00Z\",\"vehicle\":\"V1\",\"rpm\":800}\n"),
        (
            "d.csv",
            "time,vehicle,response\n2024-01-05T22:33:00Z,V1,410C1AF8\n2024-01-05T22:33:01Z,V1,410D32\n",
        ),
        ("e_20240105_223300.csv", "seconds,rpm\n0,800\n1,810\n2,820\n"),
    ];
    for (name, text) in files {
        let (toml, read) = propose_and_read(&folder.file(name, text));
        assert!(!read.rows().is_empty(), "{toml}");
        let mut section = "";
        for line in toml.lines() {
            if line.starts_with('[') {
                section = line;
            }
            // A column of times, and the pattern of a file name, are judged in the line that follows.
            let told = line.contains('#')
                || line.starts_with('[')
                || line.is_empty()
                || (section == "[time]"
                    && (toml.contains("such as") || toml.contains("rises from")));
            assert!(told, "{line:?} has no evidence in\n{toml}");
        }
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
