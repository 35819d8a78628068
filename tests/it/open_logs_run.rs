//! The whole job on real logs of one healthy car, where they lie beside the project: nothing is flagged.

use std::fs;
use std::path::Path;

use crate::support::Folder;
use crate::support::folder::REGISTER;
use crate::support::outputs::{ranking, record};

#[test]
fn the_open_logs_run_through_without_a_flag() {
    let project = Path::new(env!("CARGO_MANIFEST_DIR"));
    let logs = project.join("../shared/open-logs");
    if !logs.is_dir() {
        println!("skipped: the open logs are not beside the project ({})", logs.display());
        return;
    }
    let fleet = Folder::new();
    // The car of the logs: four cylinders, 1.496 L, port injection, manifold pressure (README of the data set).
    fleet.write("vehicles.csv", format!("{REGISTER}unitA,A,1.496,4,1,map,port,E27,no,home\n"));
    fs::create_dir(fleet.join("logs")).unwrap();
    let mut files = 0;
    for entry in fs::read_dir(&logs).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "gz") {
            fs::copy(&path, fleet.join("logs").join(path.file_name().unwrap())).unwrap();
            files += 1;
        }
    }
    let profile = project.join("pipelines/profiles/open_car.toml");
    fleet.write(
        "pipeline.toml",
        format!(
            "[fleet]\nregister = \"vehicles.csv\"\n[[source]]\nprofile = {profile:?}\nfiles = [\"logs/*.csv.gz\"]\n\
             [lake]\npath = \"lake\"\n[output]\npath = \"out\"\n"
        ),
    );
    let ran = fleet.run();
    let record = record(&fleet.join("out"));
    let number = |key: &str| record["totals"][key].as_u64().unwrap();
    let (read, kept, rejected) =
        (number("rows_read"), number("rows_kept"), number("rows_rejected"));
    println!(
        "open logs: {files} files, {read} rows read, {kept} kept, {rejected} rejected\n{}",
        ran.out
    );
    assert_eq!(number("files"), files);
    assert_eq!(number("unreadable"), 0);
    assert!(
        files >= 39 && read == kept + rejected && kept > 30_000,
        "{files} files, {kept} of {read}"
    );
    let lake = fleet.lake();
    assert_eq!(lake.sums.len() as u64, files, "a trip for each file");
    let gated: f64 = lake.sums.values().map(|s| s[1]).sum();
    assert!(gated > 5_000.0, "only {gated} samples may speak about mixture");
    let ranked = ranking(&fleet.join("out"));
    assert_eq!(ranked.len(), 1);
    let car = &ranked["unitA"];
    assert!(
        car["flagged_on"].is_empty() && car["state"] != "act" && car["action"] == "none",
        "{car:?}"
    );
    // Again: nothing new, and the same said.
    let again = fleet.run();
    assert_eq!(again.out, ran.out);
    fleet.lake().assert_same(&lake, "the second night");
}
