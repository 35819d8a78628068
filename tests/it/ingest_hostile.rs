//! Hostile input: nothing may crash, hang or be held in memory as a whole.

use std::io::Write;

use proptest::prelude::*;
use trimdrift::ingest::{IngestError, Limits, discover};
use trimdrift::tables::samples::{RejectCode, Signal};

use crate::ingest_csv::{Folder, limits, plain, profile, read, try_read};

fn gz(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

const HEAD: &str = "time,vehicle,rpm\n";

#[test]
fn a_decompression_bomb_is_refused_at_the_set_ratio() {
    let folder = Folder::new();
    let mut bytes = gz(HEAD.as_bytes());
    let member = gz(&vec![b'\n'; 8 << 20]);
    for _ in 0..32 {
        bytes.extend_from_slice(&member); // gzip members follow each other: RFC 1952, section 2.2
    }
    let path = folder.file("bomb.csv.gz", &bytes);
    let error = try_read(&path, &plain(), &limits()).unwrap_err();
    let IngestError::UnpackRatio { unpacked, .. } = &error else { panic!("{error}") };
    assert!(*unpacked < 80 << 20, "stopped soon after the free 64 MiB, at {unpacked}");
    let zst = zstd::encode_all(&vec![b'\n'; 256 << 20][..], 1).unwrap();
    let path = folder.file("bomb.csv.zst", zst);
    assert!(matches!(try_read(&path, &plain(), &limits()), Err(IngestError::UnpackRatio { .. })));
}

#[test]
fn a_line_of_256_mb_costs_one_row() {
    let folder = Folder::new();
    let mut bytes = gz(format!("{HEAD}2024-01-05T22:33:00Z,V1,800\n").as_bytes());
    let member = gz(&vec![b'x'; 8 << 20]);
    for _ in 0..32 {
        bytes.extend_from_slice(&member);
    }
    bytes.extend_from_slice(&gz(b"\n2024-01-05T22:33:01Z,V1,801\n"));
    let path = folder.file("long.csv.gz", &bytes);
    let wide = Limits { unpacked_ratio_max: 100_000, ..limits() };
    let read = try_read(&path, &plain(), &wide).unwrap();
    assert_eq!(read.values(Signal::Rpm), [800.0, 801.0]);
    let codes = read.codes();
    assert_eq!((codes.len(), codes[0].0, codes[0].1), (1, 2, RejectCode::LineTooLong));
    assert!(codes[0].3.len() <= 200);
    let header = folder.file("header.csv.gz", [gz(b"x"), member].concat());
    assert!(matches!(try_read(&header, &plain(), &wide), Err(IngestError::LongHeader { .. })));
}

#[test]
fn names_that_mean_harm_stay_text_or_are_rejected() {
    let folder = Folder::new();
    let names = ["../../etc", "a\0b", "<b>V</b>", "=1+1", "\u{202E}drows", "a\tb"];
    let mut text = HEAD.to_owned();
    for (i, name) in names.iter().enumerate() {
        text += &format!("2024-01-05T22:33:0{i}Z,{name},800\n");
    }
    text += &format!("2024-01-05T22:33:09Z,{},800\n", "x".repeat(129));
    // A NUL in the first bytes would make the whole file binary, so it comes late.
    let text =
        format!("{HEAD}{}{}", "2024-01-05T22:32:00Z,V,1,1\n".repeat(4000), &text[HEAD.len()..]);
    let read = read(&folder.file("a.csv", &text), &plain());
    let rejected: Vec<_> =
        read.rejects.iter().filter(|r| r.code == RejectCode::BadVehicle).collect();
    assert_eq!(rejected.len(), 3, "control characters and excess length");
    let vehicles: Vec<String> = read.rows().into_iter().map(|r| r.0).collect();
    assert_eq!(
        vehicles,
        ["../../etc", "<b>V</b>", "=1+1", "\u{202E}drows"],
        "text is kept as it is; outputs must escape it"
    );
    assert_eq!(read.report.unwrap().rows_rejected, 4003);
}

#[test]
fn rejects_are_bounded_and_counted() {
    let folder = Folder::new();
    let text = format!("{HEAD}{}", "now,V1,800\n".repeat(25_000));
    let read = read(&folder.file("a.csv", &text), &plain());
    assert_eq!(read.rejects.len(), 10_000);
    assert_eq!(read.report.unwrap().rejected_by_code[&RejectCode::BadTime], 25_000);
}

#[test]
fn a_column_that_is_no_vehicle_is_noticed() {
    let folder = Folder::new();
    let mut text = HEAD.to_owned();
    for i in 0..3_000 {
        text += &format!("2024-01-05T22:33:00Z,{i},800\n");
    }
    let few = Limits { names_max: 1000, ..limits() };
    let error = try_read(&folder.file("a.csv", &text), &plain(), &few).unwrap_err();
    assert!(
        error.to_string().contains("more than 1000 different vehicle or trip names"),
        "{error}"
    );
}

#[test]
fn a_pattern_made_to_be_slow_stays_quick() {
    let folder = Folder::new();
    let profile = profile(
        "[file_name]\npattern = '^(?<vehicle>(a+)+)b$'\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\nfrom = \"file_name\"\n[columns]\nrpm = \"rpm\"\n",
    );
    let path = folder.file(&format!("{}.csv", "a".repeat(200)), HEAD);
    let error = try_read(&path, &profile, &limits()).unwrap_err();
    assert!(
        matches!(error, IngestError::FileName { .. }) && error.to_string().contains("a vehicle"),
        "{error}"
    );
}

#[test]
fn a_pipe_or_folder_in_place_of_a_file_does_not_block() {
    let folder = Folder::new();
    let dir = folder.file("x", "").with_file_name("dir.csv");
    std::fs::create_dir(&dir).unwrap();
    assert!(matches!(try_read(&dir, &plain(), &limits()), Err(IngestError::NotAFile { .. })));
    assert!(discover(&[dir.with_file_name("*.csv")]).files.is_empty());
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(200) })]

    #[test]
    fn arbitrary_bytes_after_a_header_never_crash(bytes in proptest::collection::vec(any::<u8>(), 0..2000), gz_it in any::<bool>()) {
        let folder = Folder::new();
        let text = [HEAD.as_bytes(), &bytes].concat();
        let path = if gz_it { folder.file("a.csv.gz", gz(&text)) } else { folder.file("a.csv", &text) };
        let _ = try_read(&path, &plain(), &limits());
    }

    #[test]
    fn arbitrary_cells_never_crash_and_rows_add_up(
        rows in proptest::collection::vec("(2024-01-0[1-9]T00:00:0[0-9]Z|[0-9eE.+-]{0,12}),V?[1-2]?,[ -~]{0,8}(,[0-9]*)?", 0..50),
        cut in 1usize..100,
    ) {
        let folder = Folder::new();
        let mut text = format!("{HEAD}{}", rows.join("\n"));
        text.truncate(text.len().max(cut) - cut / 2);
        // The counts are checked by the reader of the tests.
        let _ = try_read(&folder.file("a.csv", &text), &plain(), &limits());
    }

    #[test]
    fn arbitrary_json_lines_never_crash(text in "(\\{\"t\":[0-9eE.]{0,8},\"v\":(\"[a-z]{0,3}\"|null|[0-9]),\"rpm\":[\\[\\]{}0-9,\":]{0,10}\\}\n){0,20}") {
        let folder = Folder::new();
        let profile = profile("format = \"jsonl\"\n[time]\ncolumn = \"t\"\nform = \"epoch_s\"\n[vehicle]\ncolumn = \"v\"\n[columns]\nrpm = \"rpm\"\n");
        let _ = try_read(&folder.file("a.jsonl", &text), &profile, &limits());
    }

    #[test]
    fn arbitrary_profiles_never_crash(text in "(\\[?[a-z_]{1,8}\\]?( = (\"[ -~]{0,10}\"|[0-9.]{1,5}|true|\\{[ -~]{0,20}\\}))?\n){0,12}") {
        let _ = trimdrift::ingest::Profile::parse(std::path::Path::new("p.toml"), &text);
    }
}
