//! A Parquet file that is seen again: written anew with more rows, in other row groups, or packed otherwise.

use std::sync::Arc;

use arrow::array::{ArrayRef, Float64Array, RecordBatch, StringArray, TimestampMillisecondArray};
use parquet::arrow::ArrowWriter;
use parquet::basic::Compression;
use parquet::file::properties::WriterProperties;
use trimdrift::ingest::{Chunk, Profile, read_file};

use crate::ingest_csv::{limits, profile};
use crate::support::folder::{LOG, row};
use crate::support::{Contents, Folder};

const PROFILE: &str = "format = \"parquet\"\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"vehicle\"\n[trip]\ncolumn = \"trip\"\n[columns]\n";

/// The log of `rows` seconds as a Parquet file; some cells are null, some rows cannot be used.
fn table(rows: usize, group: usize, compression: Compression) -> Vec<u8> {
    let text: String =
        (0..rows).map(|i| row("V1", if i < 250 { "a" } else { "b" }, 5, i)).collect();
    let lines: Vec<Vec<&str>> = text.lines().map(|l| l.split(',').collect()).collect();
    let names: Vec<&str> = LOG.trim_end().split(',').collect();
    let column = |at: usize| -> ArrayRef {
        match names[at] {
            "time" => Arc::new(
                TimestampMillisecondArray::from_iter_values(
                    lines.iter().map(|l| l[0].parse::<jiff::Timestamp>().unwrap().as_millisecond()),
                )
                .with_timezone("UTC"),
            ),
            "vehicle" | "trip" => {
                Arc::new(StringArray::from_iter_values(lines.iter().map(|l| l[at])))
            }
            name => {
                Arc::new(Float64Array::from_iter(lines.iter().enumerate().map(|(i, l)| {
                    match (name, i % 97) {
                        ("maf_gs", 5) => None,
                        ("rpm", 50) => Some(99_999.0),
                        _ => l[at].parse::<f64>().ok(),
                    }
                })))
            }
        }
    };
    let batch =
        RecordBatch::try_from_iter((0..names.len()).map(|at| (names[at], column(at)))).unwrap();
    let properties = WriterProperties::builder()
        .set_max_row_group_row_count(Some(group))
        .set_compression(compression)
        .build();
    let mut bytes = Vec::new();
    let mut writer = ArrowWriter::try_new(&mut bytes, batch.schema(), Some(properties)).unwrap();
    writer.write(&batch).unwrap();
    writer.close().unwrap();
    bytes
}

fn own_profile() -> String {
    let names = LOG.trim_end().split(',').skip(3);
    names.fold(PROFILE.to_owned(), |text, name| text + &format!("{name} = \"{name}\"\n"))
}

fn fleet() -> Folder {
    let folder = Folder::by_hand();
    std::fs::remove_file(folder.join("logs/good.csv")).unwrap();
    folder.write("own.toml", own_profile());
    let pipeline = folder.text("pipeline.toml").replace("\"plain\"", "\"own.toml\"");
    folder.write("pipeline.toml", pipeline.replace("logs/*.csv*", "logs/*"));
    folder
}

/// The lake after each of the files, one a night under one name; the share of rejected rows does not matter here.
fn nights(files: &[Vec<u8>]) -> Contents {
    let fleet = fleet();
    for bytes in files {
        fleet.write("logs/a.parquet", bytes);
        let ran = fleet.trimdrift(&["ingest", "pipeline.toml"]);
        assert!(matches!(ran.code, 0 | 3), "{}", ran.said());
    }
    fleet.lake()
}

#[test]
fn a_file_written_again_with_more_rows_gives_each_row_once() {
    let whole = nights(&[table(400, 1_000, Compression::SNAPPY)]);
    assert!(whole.samples.len() > 380 && !whole.rejects.is_empty());
    for cuts in [vec![1], vec![120, 250, 399], vec![51, 52]] {
        let mut files: Vec<Vec<u8>> =
            cuts.iter().map(|rows| table(*rows, 100, Compression::UNCOMPRESSED)).collect();
        files.push(table(400, 77, Compression::SNAPPY));
        let grown = nights(&files);
        assert_eq!(grown.difference_but_for_nights(&whole), None, "grown at {cuts:?}");
    }
}

#[test]
fn the_same_rows_packed_otherwise_count_once() {
    let whole = nights(&[table(400, 1_000, Compression::SNAPPY)]);
    let fleet = fleet();
    fleet.write("logs/a.parquet", table(400, 1_000, Compression::SNAPPY));
    fleet.write("logs/b.parquet", table(400, 30, Compression::UNCOMPRESSED));
    fleet.trimdrift(&["ingest", "pipeline.toml"]);
    fleet.write("logs/c.parquet", table(400, 55, Compression::LZ4_RAW));
    fleet.trimdrift(&["ingest", "pipeline.toml"]);
    assert_eq!(fleet.lake().samples, whole.samples);
    assert_eq!(fleet.lake().rejects.len(), whole.rejects.len());
}

#[test]
fn a_file_that_starts_otherwise_is_another_file() {
    let folder = Folder::new();
    folder.write("a.parquet", table(200, 100, Compression::SNAPPY));
    let own: Profile = profile(&own_profile());
    let read = |name: &str, known| {
        let mut new_rows = 0;
        let mut sink = |chunk: Chunk| {
            new_rows += chunk.samples.row.iter().filter(|r| **r >= chunk.first_new_row).count();
            Ok::<(), ()>(())
        };
        let report = read_file(&folder.join(name), &own, &limits(), known, &mut sink).unwrap();
        (report, new_rows)
    };
    let known = read("a.parquet", None).0.resume();
    folder.write("b.parquet", table(300, 64, Compression::LZ4_RAW));
    let (grown, new) = read("b.parquet", Some(&known));
    assert_eq!((grown.rows_known, grown.rows_read), (Some(200), 300));
    assert_eq!(new, (200..300).filter(|i| i % 97 != 50).count());
    let longer = grown.resume();
    assert_eq!(read("a.parquet", Some(&longer)).0.rows_known, None, "shorter than it was");
    let mut other = known.clone();
    other.decoded_digest.clone_from(&longer.decoded_digest);
    assert_eq!(read("b.parquet", Some(&other)).0.rows_known, None, "other rows");
}
