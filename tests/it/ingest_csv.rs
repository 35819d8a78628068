//! Delimited text through profiles: what is read, what is rejected and what is refused.

use std::path::{Path, PathBuf};

use trimdrift::ingest::{Chunk, FileReport, IngestError, Limits, Profile, ReadError, read_file};
use trimdrift::tables::samples::{Reject, RejectCode, Samples, Signal};

/// 2030-01-01, UTC microseconds.
const LATEST_US: i64 = 1_893_456_000_000_000;

pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    pub(crate) fn new() -> Folder {
        Folder(tempfile::tempdir().unwrap())
    }

    pub(crate) fn file(&self, name: &str, bytes: impl AsRef<[u8]>) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    }
}

pub(crate) fn plain() -> Profile {
    Profile::built_in("plain").unwrap().unwrap()
}

pub(crate) fn profile(text: &str) -> Profile {
    Profile::parse(Path::new("test.toml"), text).unwrap_or_else(|e| panic!("{e}"))
}

pub(crate) fn limits() -> Limits {
    Limits::until(LATEST_US)
}

#[derive(Debug, Default)]
pub(crate) struct Read {
    pub(crate) chunks: Vec<Samples>,
    pub(crate) rejects: Vec<Reject>,
    pub(crate) report: Option<FileReport>,
}

impl Read {
    /// Vehicle, trip, time and row of every sample, in the order handed out.
    pub(crate) fn rows(&self) -> Vec<(String, String, i64, u64)> {
        let row = |s: &Samples, i: usize| {
            let (v, t) = (s.vehicle[i] as usize, s.trip[i] as usize);
            (s.vehicles[v].clone(), s.trips[t].clone(), s.time_us[i], s.row[i])
        };
        self.chunks.iter().flat_map(|s| (0..s.len()).map(move |i| row(s, i))).collect()
    }

    pub(crate) fn values(&self, signal: Signal) -> Vec<f64> {
        self.chunks.iter().flat_map(|s| s.signal(signal).unwrap_or(&[]).to_vec()).collect()
    }

    pub(crate) fn codes(&self) -> Vec<(u64, RejectCode, &str, &str)> {
        self.rejects.iter().map(|r| (r.row, r.code, r.column.as_str(), r.raw.as_str())).collect()
    }
}

pub(crate) fn try_read(
    path: &Path,
    profile: &Profile,
    limits: &Limits,
) -> Result<Read, IngestError> {
    let mut read = Read::default();
    let mut sink = |chunk: Chunk| {
        read.chunks.push(chunk.samples);
        read.rejects.extend(chunk.rejects);
        Ok::<(), ()>(())
    };
    let report = match read_file(path, profile, limits, None, &mut sink) {
        Ok(report) => report,
        Err(ReadError::Input(error)) => return Err(error),
        Err(ReadError::Sink(())) => unreachable!("the sink takes everything"),
    };
    assert_eq!(report.rows_read, report.rows_kept + report.rows_rejected);
    assert_eq!(report.rows_rejected, report.rejected_by_code.values().sum::<u64>());
    assert_eq!(report.samples, read.chunks.iter().map(|s| s.len() as u64).sum::<u64>());
    for samples in &read.chunks {
        let key = |i: usize| {
            (&samples.vehicles[samples.vehicle[i] as usize], samples.time_us[i], samples.row[i])
        };
        assert!((1..samples.len()).all(|i| key(i - 1) < key(i)), "sorted by vehicle, time and row");
    }
    read.report = Some(report);
    Ok(read)
}

pub(crate) fn read(path: &Path, profile: &Profile) -> Read {
    try_read(path, profile, &limits()).unwrap_or_else(|e| panic!("{e}"))
}

pub(crate) fn us(text: &str) -> i64 {
    text.parse::<jiff::Timestamp>().unwrap().as_microsecond()
}

#[test]
fn a_plain_log_with_gaps_in_columns_and_cells() {
    let folder = Folder::new();
    let path = folder.file(
        "a.csv",
        "time,vehicle,trip,rpm,coolant_c,colour\n\
         2024-01-05T22:33:00Z,V1,T1,812.5,,red\n\
         2024-01-05T23:33:01+01:00,V1,T1,NODATA,-40,\n",
    );
    let read = read(&path, &plain());
    let expected =
        [("V1", "T1", "2024-01-05T22:33:00Z", 1), ("V1", "T1", "2024-01-05T22:33:01Z", 2)];
    assert_eq!(
        read.rows(),
        expected.map(|(v, t, at, row)| (v.to_owned(), t.to_owned(), us(at), row))
    );
    let rpm = read.values(Signal::Rpm);
    assert!(rpm[0] == 812.5 && rpm[1].is_nan());
    let coolant = read.values(Signal::CoolantC);
    assert!(coolant[0].is_nan() && coolant[1] == -40.0);
    assert!(read.chunks[0].signal(Signal::MafGs).is_none());
    let report = read.report.unwrap();
    assert_eq!(report.columns_unread, ["colour"]);
    assert!(report.signals_absent.contains(&"maf_gs") && !report.signals_absent.contains(&"rpm"));
}

#[test]
fn a_counter_at_a_marker_of_its_own_costs_its_cell_and_not_the_row() {
    let folder = Folder::new();
    let path = folder.file(
        "a.csv",
        "time,vehicle,rpm,odometer_km,min_since_clear\n\
         2024-01-05T22:33:00Z,V1,800,52000,120\n\
         2024-01-05T22:33:01Z,V1,810,52000,4294967295\n\
         2024-01-05T22:33:02Z,V1,820,-1,4294967294\n\
         2024-01-05T22:33:03Z,V1,99999,52000,121\n",
    );
    let read = read(&path, &plain());
    assert_eq!(read.values(Signal::Rpm), [800.0, 810.0, 820.0]);
    let known = |signal| read.values(signal).iter().map(|v| v.is_finite()).collect::<Vec<_>>();
    assert_eq!(known(Signal::MinSinceClear), [true, false, false]);
    assert_eq!(known(Signal::OdometerKm), [true, true, false]);
    // A row can't do without its engine speed.
    assert_eq!(read.codes(), [(4, RejectCode::OutOfRange, "rpm", "99999")]);
    let left_out: Vec<String> =
        read.report.unwrap().left_out.iter().map(ToString::to_string).collect();
    assert_eq!(
        left_out,
        [
            "odometer_km -1 is not within 0 to 429496729.5",
            "min_since_clear 4294967295 is not within 0 to 65535"
        ]
    );
}

#[test]
fn each_unusable_row_is_rejected_with_its_reason() {
    let folder = Folder::new();
    let path = folder.file(
        "a.csv",
        "time,vehicle,rpm,speed_kmh\n\
         2024-01-05T22:33:00Z,V1,800,0\n\
         2024-01-05T22:33:01Z,V1,fast,0\n\
         2024-01-05T22:33:02Z,V1,17000,0\n\
         yesterday,V1,800,0\n\
         1.7045E+09,V1,800,0\n\
         1970-01-01T00:00:10Z,V1,800,0\n\
         2031-01-01T00:00:00Z,V1,800,0\n\
         2024-01-05T22:33:03Z,,800,0\n\
         2024-01-05T22:33:04Z,V\u{7}1,800,0\n\
         2024-01-05T22:33:05Z,V1,800\n\
         2024-01-05T22:33:06Z,V1,800,0,5\n\
         time,vehicle,rpm,speed_kmh\n\
         2024-01-05T22:33:00Z,V1,900,0\n\
         2024-01-05T22:33:07Z,V1,800 kPa,0\n\
         2024-01-05T22:33:08Z,V1,800 rpm,0\n\
         \n\
         2024-01-05T22:33:09Z,V1,800,0,\n",
    );
    let read = read(&path, &plain());
    use RejectCode::*;
    let expected = [
        (2, NotANumber, "rpm", "fast"),
        (3, OutOfRange, "rpm", "17000"),
        (4, BadTime, "time", "yesterday"),
        (5, ImpreciseTime, "time", "1.7045E+09"),
        (6, TimeOutOfRange, "time", "1970-01-01T00:00:10Z"),
        (7, TimeOutOfRange, "time", "2031-01-01T00:00:00Z"),
        (8, NoVehicle, "vehicle", ""),
        (9, BadVehicle, "vehicle", "V\u{7}1"),
        (10, RaggedRow, "", "2024-01-05T22:33:05Z,V1,800"),
        (11, RaggedRow, "", "2024-01-05T22:33:06Z,V1,800,0,5"),
        (12, RepeatedHeader, "time", "time,vehicle,rpm,speed_kmh"),
        (13, DuplicateTime, "time", "2024-01-05T22:33:00Z"),
        (14, BadUnit, "rpm", "800 kPa"),
    ];
    assert_eq!(read.codes(), expected);
    assert_eq!(read.rows().iter().map(|r| r.3).collect::<Vec<_>>(), [1, 15, 16]);
    assert_eq!(
        read.values(Signal::Rpm),
        [800.0, 800.0, 800.0],
        "a rejected row leaves no value behind"
    );
}

#[test]
fn raw_rows_are_not_kept_where_unread_columns_may_hold_positions() {
    let folder = Folder::new();
    let path = folder.file("a.csv", "time,vehicle,rpm,lat\n2024-01-05T22:33:00Z,V1,800,48.2082,16.3738\n2024-01-05T22:33:01Z,V1,x,48.2082\n");
    let read = read(&path, &plain());
    let kept = format!("{:?}", read.rejects);
    assert_eq!(read.rejects.len(), 2);
    assert!(!kept.contains("48.2") && kept.contains("\"x\""), "{kept}");
}

#[test]
fn a_gap_of_300_s_starts_a_trip_wherever_the_parts_are_cut() {
    let folder = Folder::new();
    let mut text = "time,vehicle,rpm\n".to_owned();
    let start = us("2024-01-05T22:00:00Z");
    for i in 0..60_000 {
        let at = start + (i + 300 * (i / 500) + i / 900) * 1_000_000;
        let at = jiff::Timestamp::from_microsecond(at).unwrap();
        text.push_str(&format!("{at},V{},{}\n", i % 3, 700 + i % 3000));
    }
    let path = folder.file("a.csv", &text);
    let whole = read(&path, &plain());
    let small = Limits { chunk_bytes: 1000, line_bytes_max: 200, ..limits() };
    let parts = try_read(&path, &plain(), &small).unwrap();
    assert!(parts.chunks.len() > 20);
    let sorted = |read: &Read| {
        let mut rows = read.rows();
        rows.sort();
        rows
    };
    assert_eq!(sorted(&whole), sorted(&parts));
    let trips: std::collections::BTreeSet<String> = whole.rows().into_iter().map(|r| r.1).collect();
    // Rows of one vehicle are 3 s apart; each 500 rows come 300 s more, so 303 s: a new trip.
    assert_eq!(trips.len(), 360);
    assert!(trips.contains("V1 2024-01-05T22:00:01Z"));
}

#[test]
fn units_decimal_commas_and_cells_with_their_unit() {
    let folder = Folder::new();
    let profile = profile(
        r##"
        delimiter = ";"
        decimal = ","
        thousands = "."
        comment = "#"
        null = ["k.A."]
        [time]
        column = "Zeit"
        form = "pattern"
        pattern = "%d.%m.%Y %H:%M:%S"
        zone = "Europe/Vienna"
        [vehicle]
        fixed = "V1"
        [columns]
        speed_kmh = { column = "Tempo", unit = "mph" }
        coolant_c = { column = "Wasser", unit = "°F" }
        map_kpa = { column = "Druck", unit = "inHg" }
        rpm = "Drehzahl"
        load_pct = { column = "Last", unit = "fraction" }
        odometer_km = { column = "Stand", unit = "mile" }
        fuel_status = { column = "Regelung", values = { "auf" = 1, "ZU" = 2 } }
        "##,
    );
    let path = folder.file(
        "a.csv",
        "# Logger 3\nzeit ; TEMPO;Wasser;Druck;Drehzahl;Last;Stand;Regelung\n\
         05.01.2024 22:33:00;60;212;29,92;1.234,5;0,5;100.000;zu\n\
         05.01.2024 22:33:01;100 km/h;100 °C;\"101,325 kPa\";k.a.;74,50%;1;Auf\n",
    );
    let read = read(&path, &profile);
    assert_eq!(read.codes(), []);
    assert_eq!(read.rows()[0].2, us("2024-01-05T21:33:00Z"));
    let close = |signal, expected: [f64; 2]| {
        for (got, expected) in read.values(signal).iter().zip(expected) {
            assert!(
                (got - expected).abs() < 1e-9 || (got.is_nan() && expected.is_nan()),
                "{signal:?} {got} {expected}"
            );
        }
    };
    close(Signal::SpeedKmh, [60.0 * 1.609344, 100.0]);
    close(Signal::CoolantC, [100.0, 100.0]);
    close(Signal::MapKpa, [29.92 * 3.386388640341, 101.325]);
    close(Signal::Rpm, [1234.5, f64::NAN]);
    close(Signal::LoadPct, [50.0, 74.5]);
    close(Signal::OdometerKm, [160_934.4, 1.609344]);
    close(Signal::FuelStatus, [2.0, 1.0]);
}

#[test]
fn numbers_that_stand_for_something_else() {
    let folder = Folder::new();
    let text = "null = [\"-40\", \"9999\"]\n[time]\ncolumn = \"t\"\nform = \"epoch_s\"\n[vehicle]\nfixed = \"V1\"\n[columns]\ncoolant_c = \"c\"\nfuel_status = { column = \"s\", values = { \"0\" = 1, \"1\" = 2 } }\n";
    let rows = [(1_704_493_980, -40, 0), (1_704_493_981, -39, 1), (1_704_493_982, 9999, 4)];
    let csv: String = rows.iter().map(|(t, c, s)| format!("{t},{c},{s}\n")).collect();
    let json: String =
        rows.iter().map(|(t, c, s)| format!("{{\"t\":{t},\"c\":{c},\"s\":{s}}}\n")).collect();
    let csv = read(&folder.file("a.csv", format!("t,c,s\n{csv}")), &profile(text));
    let json =
        read(&folder.file("a.jsonl", json), &profile(&format!("format = \"jsonl\"\n{text}")));
    for read in [csv, json] {
        let coolant = read.values(Signal::CoolantC);
        assert!(coolant[0].is_nan() && coolant[1] == -39.0 && coolant[2].is_nan(), "{coolant:?}");
        assert_eq!(read.values(Signal::FuelStatus), [1.0, 2.0, 4.0]);
    }
}

#[test]
fn the_same_text_in_every_encoding_reads_the_same() {
    let folder = Folder::new();
    let profile = profile(
        "[time]\ncolumn = \"Zeit\"\nform = \"epoch_ms\"\n[vehicle]\ncolumn = \"Fahrzeug\"\n[columns]\ncoolant_c = \"Kühlmittel\"\n",
    );
    let text =
        "Zeit,Fahrzeug,Kühlmittel\n1704493980000,Müller 1,82 °C\n1704493981000,Müller 1,83\n";
    let utf16 = |le: bool, bom: bool| -> Vec<u8> {
        let units = bom.then_some(0xFEFF).into_iter().chain(text.encode_utf16());
        units.flat_map(|u| if le { u.to_le_bytes() } else { u.to_be_bytes() }).collect()
    };
    let variants: Vec<(&str, Vec<u8>)> = vec![
        ("utf8.csv", text.as_bytes().to_vec()),
        ("bom.csv", [b"\xEF\xBB\xBF", text.as_bytes()].concat()),
        ("latin.csv", encoding_rs::WINDOWS_1252.encode(text).0.into_owned()),
        ("le.csv", utf16(true, true)),
        ("be.csv", utf16(false, true)),
        ("le_bare.csv", utf16(true, false)),
        ("crlf.csv", text.replace('\n', "\r\n").into_bytes()),
    ];
    let mut digests = std::collections::BTreeSet::new();
    for (name, bytes) in variants {
        let path = folder.file(name, &bytes);
        let read = read(&path, &profile);
        assert_eq!(read.codes(), [], "{name}");
        assert_eq!(read.values(Signal::CoolantC), [82.0, 83.0], "{name}");
        assert_eq!(read.rows()[0].0, "Müller 1", "{name}");
        let report = read.report.unwrap();
        assert_eq!(report.fingerprint, trimdrift::ingest::fingerprint(&path).unwrap(), "{name}");
        digests.insert(report.decoded_digest);
    }
    assert_eq!(digests.len(), 2, "one text, apart from the line ends");
}

#[test]
fn packed_files_have_the_digest_of_their_content() {
    use std::io::Write;
    let folder = Folder::new();
    let mut text = "time,vehicle,rpm\n".to_owned();
    for i in 0..50_000 {
        text.push_str(&format!(
            "{},V1,{}\n",
            jiff::Timestamp::from_second(1_704_493_980 + i).unwrap(),
            700 + i % 50
        ));
    }
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    gz.write_all(text.as_bytes()).unwrap();
    let gz = gz.finish().unwrap();
    let zst = zstd::encode_all(text.as_bytes(), 1).unwrap();
    let plain_read = read(&folder.file("a.csv", &text), &plain());
    for (name, bytes) in [("a.csv.gz", &gz), ("a.csv.zst", &zst)] {
        let path = folder.file(name, bytes);
        let read = read(&path, &plain());
        assert_eq!(read.rows(), plain_read.rows());
        let (packed, unpacked) = (read.report.unwrap(), plain_read.report.clone().unwrap());
        assert_eq!(packed.decoded_digest, unpacked.decoded_digest);
        assert_eq!(packed.decoded_bytes, text.len() as u64);
        assert_eq!(packed.fingerprint, trimdrift::ingest::fingerprint(&path).unwrap());
        let cut = folder.file(&format!("cut_{name}"), &bytes[..bytes.len() / 2]);
        let error = try_read(&cut, &plain(), &limits()).unwrap_err();
        assert!(matches!(error, IngestError::Truncated { .. }), "{error}");
        assert!(
            error.to_string().contains("cut short") && error.to_string().contains("Copy it again")
        );
    }
    let garbage = folder.file("b.csv.gz", "this is no gzip");
    assert!(matches!(try_read(&garbage, &plain(), &limits()), Err(IngestError::BadArchive { .. })));
}

#[test]
fn a_file_that_grew_is_known_by_its_start() {
    let folder = Folder::new();
    let first = "time,vehicle,rpm\n2024-01-05T22:33:00Z,V1,800\n2024-01-05T22:33:01Z,V1,801\n2024-01-05T22:3";
    let path = folder.file("a.csv", first);
    let before = read(&path, &plain()).report.unwrap();
    assert_eq!((before.rows_read, before.rows_kept), (2, 2), "the unfinished line waits");
    assert_eq!(before.decoded_bytes as usize, first.rfind('\n').unwrap() + 1);
    let grown = format!("{first}3:02Z,V1,802\n2024-01-05T22:33:03Z,V1,803");
    let path = folder.file("a.csv", &grown);
    let mut new_rows = Vec::new();
    let mut sink = |chunk: Chunk| {
        new_rows.extend(chunk.samples.row.iter().copied().filter(|r| *r >= chunk.first_new_row));
        Ok::<(), ()>(())
    };
    let after = read_file(&path, &plain(), &limits(), Some(&before.resume()), &mut sink).unwrap();
    assert_eq!((after.rows_known, after.rows_read), (Some(2), 4));
    assert_eq!(
        after.decoded_bytes,
        grown.len() as u64,
        "a whole last line counts without a line end"
    );
    assert_eq!(new_rows, [3, 4]);
    let other = folder.file("b.csv", grown.replace("800", "900"));
    let mut sink = |_: Chunk| Ok::<(), ()>(());
    let other = read_file(&other, &plain(), &limits(), Some(&before.resume()), &mut sink).unwrap();
    assert_eq!(other.rows_known, None, "a file that starts otherwise is another file");
}

#[test]
fn local_time_through_the_repeated_hour() {
    let folder = Folder::new();
    let profile = profile(
        "[time]\ncolumn = \"time\"\nform = \"pattern\"\npattern = \"%Y-%m-%d %H:%M:%S\"\nzone = \"Europe/Vienna\"\n[vehicle]\nfixed = \"V1\"\n[columns]\nrpm = \"rpm\"\n",
    );
    // Europe/Vienna, 2023-10-29: the hour from 02:00 to 03:00 comes twice (IANA time zone database).
    let path = folder.file(
        "a.csv",
        "time,rpm\n2023-10-29 01:59:59,1\n2023-10-29 02:00:00,2\n2023-10-29 02:04:59,3\n2023-10-29 02:00:00,4\n2023-03-26 02:30:00,5\n",
    );
    let read = read(&path, &profile);
    assert_eq!(read.codes(), [(5, RejectCode::AmbiguousTime, "time", "2023-03-26 02:30:00")]);
    let times: Vec<i64> = read.rows().iter().map(|r| r.2).collect();
    let expected = [
        "2023-10-28T23:59:59Z",
        "2023-10-29T00:00:00Z",
        "2023-10-29T00:04:59Z",
        "2023-10-29T01:00:00Z",
    ];
    assert_eq!(times, expected.map(us));
}

#[test]
fn counters_since_start_become_differences() {
    let folder = Folder::new();
    let profile = profile(
        "[time]\ncolumn = \"t\"\nform = \"epoch_s\"\n[vehicle]\nfixed = \"V1\"\n[columns]\nmisfire_c1 = { column = \"m\", kind = \"since_start\" }\n",
    );
    let path = folder.file(
        "a.csv",
        "t,m\n1704493980,5\n1704493981,5\n1704493982,9\n1704493983,\n1704493984,2\n1704493985,3\n",
    );
    let counts = read(&path, &profile).values(Signal::MisfireC1);
    assert!(counts[0].is_nan() && counts[3].is_nan());
    assert_eq!([counts[1], counts[2], counts[4], counts[5]], [0.0, 4.0, 2.0, 1.0]);
}

#[test]
fn pseudonyms_hide_names_and_raw_text() {
    let folder = Folder::new();
    let path = folder.file("a.csv", "time,vehicle,trip,rpm\n2024-01-05T22:33:00Z,Anna 1,,800\n2024-01-05T22:33:01Z,Anna 1,Anna home,x\nAnna 1,1\n");
    let keyed = Limits { pseudonym_key: Some([7; 32]), ..limits() };
    let read = try_read(&path, &plain(), &keyed).unwrap();
    let all = format!("{:?} {:?}", read.chunks, read.rejects);
    assert!(!all.contains("Anna"), "{all}");
    assert_eq!(read.rows()[0].0, trimdrift::ingest::pseudonym(&[7; 32], "Anna 1"));
}

#[test]
fn profiles_are_refused_with_line_and_remedy() {
    let base = "[time]\ncolumn = \"t\"\nform = \"epoch_s\"\n[vehicle]\nfixed = \"V1\"\n[columns]\n";
    let refuse = |text: &str| Profile::parse(Path::new("p.toml"), text).unwrap_err().to_string();
    let cases = [
        (format!("{base}rpmm = \"x\"\n"), vec!["p.toml, line 7", "`rpmm`", "did you mean `rpm`?"]),
        (
            format!("{base}rpm = {{ column = \"x\", unit = \"rmp\" }}\n"),
            vec!["line 7", "unknown unit `rmp`", "`rpm`"],
        ),
        (
            format!("{base}rpm = {{ column = \"x\", unit = \"kPa\" }}\n"),
            vec!["unit of pressure", "`rpm`"],
        ),
        (format!("{base}rpm = true\n"), vec!["line 7", "column name"]),
        (format!("decimal = \",\"\n{base}rpm = \"x\"\n"), vec!["line 1", "delimiter"]),
        (format!("delimeter = \",\"\n{base}rpm = \"x\"\n"), vec!["did you mean `delimiter`?"]),
        (base.replace("[time]", "[tme]"), vec!["did you mean `time`?"]),
        (base.replace("epoch_s", "pattern"), vec!["`pattern` is missing"]),
        (
            base.replace("\"epoch_s\"", "\"pattern\"\npattern = \"%d.%m.%Y\""),
            vec!["`zone` is missing"],
        ),
        (
            base.replace("\"epoch_s\"", "\"rfc3339\"\nzone = \"Vienna\""),
            vec!["line 4", "IANA time zone"],
        ),
        (format!("[file_name]\npattern = '(['\n{base}"), vec!["line 2", "not a usable pattern"]),
        (
            format!("[file_name]\npattern = '(?<vehicle>\\w{{5000}}){{5000}}'\n{base}"),
            vec!["not a usable pattern"],
        ),
        ("x = [".to_owned(), vec!["line 1", "not valid TOML"]),
    ];
    for (text, wanted) in cases {
        let message = refuse(&text);
        for part in wanted {
            assert!(message.contains(part), "`{message}` should hold `{part}`");
        }
    }
}

#[test]
fn files_that_cannot_be_read_say_why_and_what_to_do() {
    let folder = Folder::new();
    let refuse = |name: &str, bytes: &[u8]| {
        try_read(&folder.file(name, bytes), &plain(), &limits()).unwrap_err().to_string()
    };
    assert!(refuse("empty.csv", b"").contains("is empty"));
    assert!(refuse("blank.csv", b"\n \n").contains("is empty"));
    assert!(refuse("binary.csv", b"\x7fELF\x02\x01\x01\0\0\0").contains("not text"));
    let message = refuse("other.csv", b"Zeit;Drehzahl\n1;2\n");
    assert!(
        message.contains("no column `time`, `vehicle`") && message.contains("`Zeit;Drehzahl`"),
        "{message}"
    );
    let message = refuse("no_signal.csv", b"time,vehicle,trip,color\n");
    assert!(message.contains("`speed_kmh`"), "{message}");
    assert!(refuse("twice.csv", b"time,vehicle,rpm,RPM\n").contains("`rpm` twice"));
    let missing =
        try_read(Path::new("/nonexistent/a.csv"), &plain(), &limits()).unwrap_err().to_string();
    assert!(missing.contains("/nonexistent/a.csv") && missing.contains("Check that it exists"));
    assert!(
        try_read(Path::new("/dev/null"), &plain(), &limits())
            .unwrap_err()
            .to_string()
            .contains("not a regular file")
    );
    let header_only = read(&folder.file("head.csv", "time,vehicle,rpm"), &plain());
    assert_eq!(header_only.report.unwrap().rows_read, 0);
}
