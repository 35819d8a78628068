//! Promises of the whole job that concern one lake: every row is accounted for, content counts once, positions stay
//! out, names can be hidden, every vehicle is ranked, one run at a time.
//!
//! What concerns equal bytes is in `run_same`, what concerns time in `run_causal`, force in `run_killed`.

use std::collections::BTreeSet;
use std::path::Path;

use parquet::file::reader::{FileReader, SerializedFileReader};
use trimdrift::lake::{Lake, Mode};

use crate::support::folder::{REGISTER, entry, gzip, log, small, tree, zstandard};
use crate::support::outputs::{Except, difference, ranking, record};
use crate::support::program::command;
use crate::support::{Board, Contents, Folder};

/// Rows that no profile can use, to be mixed in.
fn broken_rows(vehicle: &str) -> [String; 5] {
    [
        format!("yesterday,{vehicle},x\n"),
        format!("2024-04-01T10:00:00Z,{vehicle},{}\n", "x,".repeat(80)),
        "2024-04-01T10:00:00Z,,x\n".to_owned(),
        format!("1970-01-01T00:00:00Z,{vehicle},x\n"),
        format!("1.7119E+09,{vehicle},x\n"),
    ]
}

#[test]
fn rows_read_are_rows_kept_plus_rows_rejected() {
    let fleet = Folder::demo(&small(4, 30, 11));
    for (k, name) in fleet.logs().iter().enumerate() {
        let mut text = fleet.text(&format!("logs/{name}"));
        let width = text.lines().next().unwrap().matches(',').count();
        // Each file has another mixture, some have none.
        for row in broken_rows("V-001").iter().take(k % 6) {
            let row = row.trim_end();
            let missing = width.saturating_sub(row.matches(',').count());
            text += &format!("{row}{}\n", ",".repeat(missing));
        }
        if k % 3 == 0 {
            let repeated: String = text.lines().skip(1).take(2).map(|l| format!("{l}\n")).collect();
            text += &repeated;
        }
        fleet.write(&format!("logs/{name}"), text);
    }
    let lines = |name: &str| fleet.text(&format!("logs/{name}")).lines().count() as u64 - 1;
    fleet.run();
    let (record, lake) = (record(&fleet.join("out")), fleet.lake());
    let number = |v: &serde_json::Value| v.as_u64().unwrap();
    let mut board =
        Board::new("rows of each file", ["file", "lines", "read", "kept", "rejected", "reasons"]);
    let mut total = [0; 3];
    for input in record["inputs"].as_array().unwrap() {
        let name = input["path"].as_str().unwrap().trim_start_matches("logs/").to_owned();
        let counts = ["rows_read", "rows_kept", "rows_rejected"].map(|k| number(&input[k]));
        let digest = input["digest"].as_str().unwrap();
        let stored = [&lake.kept, &lake.rejected].map(|m| m.get(digest).copied().unwrap_or(0));
        let reasons: u64 =
            input["rejected_by_reason"].as_object().unwrap().values().map(number).sum();
        let [read, kept, rejected] = counts;
        let right = read == lines(&name)
            && read == kept + rejected
            && [kept, rejected] == stored
            && reasons == rejected;
        let wrong = (!right).then(|| format!("{counts:?}, lake {stored:?}, reasons {reasons}"));
        let reasons = input["rejected_by_reason"].to_string();
        let shown = [lines(&name), read, kept, rejected].map(|n| n.to_string());
        let [lines, read, kept, rejected] = shown;
        board.judged([name, lines, read, kept, rejected, reasons], wrong);
        for (total, count) in total.iter_mut().zip(counts) {
            *total += count;
        }
    }
    let totals = ["rows_read", "rows_kept", "rows_rejected"].map(|k| number(&record["totals"][k]));
    assert_eq!(totals, total);
    assert_eq!(totals[1], lake.samples.len() as u64);
    assert_eq!(totals[2], lake.rejects.len() as u64);
    assert!(totals[2] > 20, "too few rejects to prove anything: {totals:?}");
    board.close();
}

#[test]
fn the_same_content_counts_once_under_any_name_and_packing() {
    let fleet = Folder::demo(&small(3, 30, 12));
    fleet.pipeline("");
    let plain = fleet.logs();
    fleet.run();
    let versions = || {
        let lake = Lake::open(fleet.join("lake").to_str().unwrap(), Mode::Read).unwrap();
        lake.snapshot().unwrap().versions()
    };
    let (before, first, files) = (fleet.lake(), versions(), tree(&fleet.join("lake")));
    fleet.trimdrift(&["run", "pipeline.toml"]).expect(0);
    let out_before = tree(&fleet.join("out"));
    let mut board = Board::new("the same content again", ["how", "files", "lake"]);
    type Pack = fn(&[u8]) -> Vec<u8>;
    let ways: [(&str, &str, Pack); 4] = [
        ("the same files", "", |b| b.to_vec()),
        ("under another name", "copy-of-NAME", |b| b.to_vec()),
        ("as .gz", "NAME.gz", gzip),
        ("as .zst", "NAME.zst", zstandard),
    ];
    for (how, pattern, pack) in ways {
        for name in plain.iter().filter(|_| !pattern.is_empty()) {
            let bytes = fleet.read(&format!("logs/{name}"));
            fleet.write(&format!("logs/{}", pattern.replace("NAME", name)), pack(&bytes));
        }
        fleet.trimdrift(&["run", "pipeline.toml"]).expect(0);
        let mut wrong = fleet.lake().difference(&before);
        if wrong.is_none() && versions() != first {
            wrong = Some(format!("{:?} instead of {first:?}", versions()));
        }
        if wrong.is_none() && tree(&fleet.join("lake")) != files {
            wrong = Some("files of the lake were touched".to_owned());
        }
        let now = tree(&fleet.join("out"));
        let changed = now
            .iter()
            .find(|(name, bytes)| *name != "run.json" && out_before.get(*name) != Some(bytes));
        if let (None, Some((name, _))) = (&wrong, changed) {
            wrong = Some(format!("{name} changed"));
        }
        let state = if wrong.is_some() { "changed" } else { "unchanged" };
        board.judged([how.to_owned(), fleet.logs().len().to_string(), state.to_owned()], wrong);
    }
    // All copies at once, into a lake that has seen none of them.
    let fresh = Folder::copy_of(&fleet);
    fresh.run();
    let wrong = fresh.lake().difference_but_for_nights(&before);
    let cells = ["all of them in one night", &fleet.logs().len().to_string(), "fresh"];
    board.judged(cells.map(str::to_owned), wrong);
    board.close();
}

/// Everything in a file as text: rows and names of Parquet, bytes of the rest.
fn as_text(path: &Path) -> String {
    if path.extension().is_none_or(|e| e != "parquet") {
        return String::from_utf8_lossy(&std::fs::read(path).unwrap()).into_owned();
    }
    let reader = SerializedFileReader::try_from(path).unwrap();
    let mut text = format!("{:?}\n", reader.metadata().file_metadata().schema());
    for row in reader.get_row_iter(None).unwrap() {
        text += &format!("{}\n", row.unwrap());
    }
    text
}

/// Where `words` appear below `folder`: file and word.
fn found(folder: &Path, words: &[&str]) -> Vec<(String, String)> {
    let mut hits = Vec::new();
    for path in tree(folder).into_keys() {
        let text = as_text(&folder.join(&path)) + &path;
        for word in words.iter().filter(|w| text.contains(**w)) {
            hits.push((path.clone(), (*word).to_owned()));
        }
    }
    hits
}

#[test]
fn positions_and_drivers_never_reach_lake_or_report() {
    let fleet = Folder::by_hand();
    let mut text =
        "time,vehicle,trip,Latitude,lon,driver,speed_kmh,rpm,coolant_c,stft1_pct\n".to_owned();
    for i in 0..60 {
        // Row 20 has a cell too few, 21 too many, 22 a wrong number, 23 no time, 24 repeats 22's second.
        let (extra, rpm, time) = match i {
            20 => ("", "", "2024-01-02T08:00:20Z"),
            21 => (",47.391841,8.517623,Rosa Fahrer", "1500", "2024-01-02T08:00:21Z"),
            22 => ("", ",fast", "2024-01-02T08:00:22Z"),
            23 => ("", ",1500", "47.391841"),
            24 => ("", ",1500", "2024-01-02T08:00:19Z"),
            _ => ("", ",1789", ""),
        };
        let own = format!("2024-01-02T08:00:{i:02}Z");
        let time = if time.is_empty() { &own } else { time };
        text += &format!("{time},V1,t9,47.391841,8.517623,Rosa Fahrer,50{rpm},85,1.5{extra}\n");
    }
    fleet.write("logs/with-positions.csv", text);
    fleet.pipeline("[ingest]\nrejected_share_max_pct = 50\n");
    let run = fleet.trimdrift(&["run", "pipeline.toml"]).expect(0);
    assert!(fleet.lake().rejects.len() >= 5, "{:?}", fleet.lake().rejects);
    let explain = fleet.trimdrift(&["explain", "pipeline.toml", "V1"]).expect(0);
    let check = fleet.trimdrift(&["check", "pipeline.toml"]).expect(0);
    // The search finds what is there.
    assert!(found(&fleet.join("lake"), &["1789"]).iter().any(|(p, _)| p.ends_with(".parquet")));
    // The time cell of row 23 is a position by its looks only: it is quoted as the text that is no time.
    let secrets = ["8.5176", "Rosa", "Fahrer", "Latitude"];
    for place in ["lake", "out"] {
        assert_eq!(found(&fleet.join(place), &secrets), []);
    }
    for ran in [&run, &explain, &check] {
        let said = ran.said();
        assert!(!secrets.iter().any(|s| said.contains(s)), "{said}");
    }
    let latitude = found(&fleet.join("lake"), &["47.39"]);
    assert!(latitude.iter().all(|(p, _)| p.starts_with("rejects/")), "{latitude:?}");
}

#[test]
fn with_a_key_no_vehicle_name_is_kept() {
    let fleet = Folder::new();
    let names = ["Otter-17", "Badger-4"];
    fleet.write("vehicles.csv", format!("{REGISTER}{}{}", entry(names[0]), entry(names[1])));
    fleet.write(
        "logs/a.csv",
        log(names[0], "Otter-17 first", 3, 50) + "bad,Otter-17,x,1,2,3,4,5,6,7\n",
    );
    fleet.write("logs/Badger-4_jan.csv", log(names[1], "t", 4, 50));
    fleet.write(
        "services.csv",
        "date,vehicle,odometer_km,service,cost\n2024-01-04,Otter-17,1,other,5\n",
    );
    fleet.write("secret.key", [7u8; 32]);
    let keyed = |key: &str| {
        fleet.text("pipeline.toml").replace(
            "register = \"vehicles.csv\"",
            &format!("register = \"vehicles.csv\"\nservices = \"services.csv\"\npseudonym_key_file = \"{key}\""),
        )
    };
    fleet.pipeline("[ingest]\nrejected_share_max_pct = 50\n");
    fleet.write("keyed.toml", keyed("secret.key"));
    let run = fleet.trimdrift(&["run", "keyed.toml", "--all"]).expect(0);
    let ranked: Vec<String> = ranking(&fleet.join("out")).into_keys().collect();
    assert_eq!(ranked.len(), 2);
    assert!(ranked.iter().all(|n| n.len() == 16 && n.bytes().all(|b| b.is_ascii_hexdigit())));
    // The same key gives the same names; another key gives others.
    fleet.write("other.key", [8u8; 32]);
    fleet.write(
        "other.toml",
        keyed("other.key").replace("\"lake\"", "\"lake2\"").replace("\"out\"", "\"out2\""),
    );
    fleet.trimdrift(&["run", "other.toml"]).expect(0);
    let others: BTreeSet<String> = ranking(&fleet.join("out2")).into_keys().collect();
    assert!(ranked.iter().all(|n| !others.contains(n)), "{others:?}");
    fleet.trimdrift(&["run", "keyed.toml"]).expect(0);
    assert_eq!(ranking(&fleet.join("out")).into_keys().collect::<Vec<_>>(), ranked);
    assert_eq!(
        run.out.matches("Otter").count() + run.out.matches("Badger").count(),
        0,
        "{}",
        run.out
    );
    for place in ["lake", "out"] {
        assert_eq!(found(&fleet.join(place), &["Otter", "Badger"]), [], "names in {place}");
    }
}

#[test]
fn every_registered_vehicle_is_ranked_once_and_no_other() {
    let fleet = Folder::demo(&small(5, 25, 14));
    let mut register = fleet.text("vehicles.csv");
    register =
        register.lines().filter(|l| !l.starts_with("V-002")).map(|l| format!("{l}\n")).collect();
    register += "ghost,P16-inline4-port,1.6,4,1,maf,port,petrol,no,North\n";
    // Registered twice: the first entry counts, the second is named.
    register += "V-001,P16-inline4-port,1.6,4,1,maf,port,petrol,no,South\n";
    fleet.write("vehicles.csv", register);
    let run = fleet.trimdrift(&["run", "pipeline.toml"]).expect(4);
    assert!(run.err.contains("vehicles.csv") && run.err.contains("V-001"), "{}", run.err);
    assert!(run.err.contains("V-002"), "the unregistered one is named: {}", run.err);
    let ranking = ranking(&fleet.join("out"));
    let expected = ["V-001", "V-003", "V-004", "V-005", "ghost"];
    assert!(ranking.keys().map(String::as_str).eq(expected), "{:?}", ranking.keys());
    assert_ne!(ranking["V-001"]["depot"], "South");
    let mut ranks: Vec<usize> = ranking.values().map(|r| r["rank"].parse().unwrap()).collect();
    ranks.sort_unstable();
    assert_eq!(ranks, [1, 2, 3, 4, 5]);
    assert_eq!(record(&fleet.join("out"))["fleet"]["unregistered_vehicles_in_lake"][0], "V-002");
}

/// The rows of `text` that `keep` wants, under another vehicle name and with the columns of `blank` empty.
fn edited(text: &str, vehicle: &str, blank: &str, keep: impl Fn(&str) -> bool) -> String {
    let head = text.lines().next().unwrap();
    let columns: Vec<&str> = head.split(',').collect();
    let mut out = format!("{head}\n");
    for line in text.lines().skip(1).filter(|l| keep(&l[..10])) {
        let cells = line.split(',').zip(&columns).map(|(cell, column)| match *column {
            "vehicle" => vehicle,
            c if !blank.is_empty() && c.contains(blank) => "",
            _ => cell,
        });
        out += &(cells.collect::<Vec<_>>().join(",") + "\n");
    }
    out
}

#[test]
fn too_little_data_is_never_called_sound() {
    let mut settings = small(6, 210, 15);
    (settings.healthy, settings.file_span) = (true, trimdrift::demo::FileSpan::Quarter);
    let fleet = Folder::demo(&settings);
    let base: Vec<(String, String)> = fleet
        .logs()
        .into_iter()
        .filter(|n| n.starts_with("V-001"))
        .map(|n| (n.clone(), fleet.text(&format!("logs/{n}"))))
        .collect();
    // Days of 2024: the fleet runs from 03-04 to 09-29.
    type Keep = fn(&str) -> bool;
    let made: [(&str, &str, &str, Keep); 7] = [
        ("no-trims", "trims never logged", "ft", |_| true),
        ("no-rpm", "engine speed never logged", "rpm", |_| true),
        ("short", "the last 40 days only", "", |d| d >= "2024-08-20"),
        ("sparse", "two days a month over seven months", "", |d| {
            d.ends_with("-10") || d.ends_with("-20")
        }),
        ("stale", "nothing in the last 80 days", "", |d| d < "2024-07-11"),
        ("one-day", "a single day", "", |d| d == "2024-06-03"),
        ("nothing", "no log at all", "", |_| false),
    ];
    let mut register = fleet.text("vehicles.csv");
    let like = register.lines().find(|l| l.starts_with("V-001")).unwrap().to_owned();
    for (name, _, blank, keep) in made {
        register += &(like.replacen("V-001", name, 1) + "\n");
        for (file, text) in &base {
            let text = edited(text, name, blank, keep);
            if text.lines().count() > 1 {
                fleet.write(&format!("logs/{}", file.replacen("V-001", name, 1)), text);
            }
        }
    }
    fleet.write("vehicles.csv", register);
    fleet.run();
    let ranked = ranking(&fleet.join("out"));
    let mut board = Board::new("too little data", ["vehicle", "what it lacks", "state", "reason"]);
    for (name, lacks, _, _) in made {
        let row = &ranked[name];
        let wrong = (row["state"] != "too_little_data" || row["action"] != "none")
            .then(|| format!("{} {}", row["state"], row["action"]));
        let cells = [name, lacks, &row["state"], &row["reason"]].map(str::to_owned);
        board.judged(cells, wrong);
    }
    // Where there is enough, it is said: else the test above would pass on a tool that says nothing.
    let whole = ranked.values().filter(|r| r["vehicle"].starts_with("V-"));
    let sound = whole.clone().filter(|r| r["state"] == "sound").count();
    board.row(["V-001 … V-006", "nothing", &format!("{sound} sound"), ""].map(str::to_owned));
    assert!(sound >= 5, "{:?}", whole.map(|r| &r["state"]).collect::<Vec<_>>());
    // Early in a fleet's life nothing can be said of anybody.
    fleet.trimdrift(&["run", "pipeline.toml", "--as-of", "2024-04-20"]).expect(0);
    let early = ranking(&fleet.join("out"));
    let wrong = early.values().find(|r| r["state"] == "sound").map(|r| r["vehicle"].clone());
    board.judged(["all, on day 48", "time", "", ""].map(str::to_owned), wrong);
    board.close();
}

#[test]
fn while_a_lake_is_held_writers_leave_and_readers_work() {
    let fleet = Folder::demo(&small(3, 20, 16));
    fleet.run();
    let before = fleet.lake();
    let lake = Lake::open(fleet.join("lake").to_str().unwrap(), Mode::Write).unwrap();
    let out = tree(&fleet.join("out"));
    for verb in ["run", "ingest"] {
        let ran = fleet.trimdrift(&[verb, "pipeline.toml"]).expect(7);
        assert!(ran.err.contains("another run holds the lake") && ran.out.is_empty(), "{ran:?}");
    }
    assert!(tree(&fleet.join("out")) == out, "the run that left wrote outputs");
    for args in [
        &["rank", "pipeline.toml"][..],
        &["explain", "pipeline.toml", "V-001"],
        &["outcomes", "pipeline.toml"],
        &["check", "pipeline.toml"],
    ] {
        fleet.trimdrift(args).expect(0);
    }
    drop(lake);
    fleet.run();
    fleet.lake().assert_same(&before, "after the lock");
}

#[test]
fn of_two_runs_at_once_one_works_and_no_harm_is_done() {
    let source = Folder::demo(&small(6, 60, 17));
    let expected = {
        let fleet = Folder::copy_of(&source);
        fleet.run();
        fleet
    };
    let mut met = 0;
    for _ in 0..4 {
        let fleet = Folder::copy_of(&source);
        let both =
            [0, 1].map(|_| command(fleet.path(), &["run", "pipeline.toml"]).spawn().unwrap());
        let mut codes = both.map(|run| run.wait_with_output().unwrap().status.code());
        codes.sort();
        // Started too far apart, the second finds nothing to do.
        assert!(codes == [Some(0), Some(7)] || codes == [Some(0), Some(0)], "{codes:?}");
        met += usize::from(codes[1] == Some(7));
        fleet.lake().assert_same(&expected.lake(), "two runs at once");
        let out = difference(&fleet.join("out"), &expected.join("out"), Except::Record);
        assert_eq!(out, None);
    }
    assert!(met > 0, "the runs never met");
    println!("two runs at once: met {met} of 4 times, one worked, the other left with code 7");
}

#[test]
fn a_stale_lock_never_blocks_a_later_night() {
    for content in ["", "4194304\n", "pid 1 since 1999\n\0\u{7f}", &"x".repeat(10_000)] {
        let fleet = Folder::by_hand();
        fleet.write("lake/_lock", content);
        fleet.run();
        assert!(!Contents::of(&fleet.join("lake")).samples.is_empty());
        fleet.write("lake/_lock", content);
        fleet.run();
    }
}
