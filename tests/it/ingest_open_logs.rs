//! The profile of the open logs on the logs themselves, where their folder is there.

use std::path::Path;

use trimdrift::ingest::{Limits, Profile, discover, read_file};
use trimdrift::tables::samples::{RejectCode, Samples, Signal};

#[test]
fn the_open_logs_read_as_they_are() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let pattern = root.join("../shared/open-logs/*.csv.gz");
    let found = discover(&[pattern]);
    if found.files.is_empty() {
        eprintln!("the open logs are not here; nothing was checked");
        return;
    }
    let profile = Profile::load(&root.join("pipelines/profiles/open_car.toml")).unwrap();
    let limits = Limits::until(1_893_456_000_000_000);
    let mut total = (0, 0);
    for path in &found.files {
        let mut parts: Vec<Samples> = Vec::new();
        let report = read_file(path, &profile, &limits, None, &mut |chunk| {
            parts.push(chunk.samples);
            Ok::<(), ()>(())
        })
        .unwrap();
        let codes: Vec<RejectCode> = report.rejected_by_code.keys().copied().collect();
        assert!(
            codes.iter().all(|c| *c == RejectCode::DuplicateTime),
            "{path:?} {:?}",
            report.rejected_by_code
        );
        total = (total.0 + report.rows_read, total.1 + report.rows_kept);
        let samples = &parts[0];
        assert_eq!(
            (parts.len(), samples.trips.len(), samples.vehicles.as_slice()),
            (1, 1, &["unitA".to_owned()][..])
        );
        let name = path.file_name().unwrap().to_str().unwrap();
        let digits: String = name[6..23].chars().filter(char::is_ascii_digit).collect();
        let start: String =
            jiff::Timestamp::from_microsecond(samples.time_us[0]).unwrap().to_string();
        let started: String = start.chars().filter(char::is_ascii_digit).collect();
        assert_eq!(digits, started[..14], "{name} {start}");
        // The clock of the samples is the counter of the log, to within its refresh span.
        let run = samples.signal(Signal::RunS).unwrap();
        for (us, run) in samples.time_us.iter().zip(run) {
            let elapsed = (us - samples.time_us[0]) as f64 / 1e6;
            assert!((0.0..2.0).contains(&(elapsed - run)), "{name} {elapsed} {run}");
        }
    }
    println!("open logs: {} files, {} rows read, {} kept", found.files.len(), total.0, total.1);
    assert!(total.1 > total.0 / 2, "{total:?}");
}
