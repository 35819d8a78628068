//! The same inputs end in the same lake and the same bytes: whatever the threads, the order, the nights in which files
//! came, the bytes at which a file was cut while it was still being written, and the settings of earlier nights.

use std::fs;

use trimdrift::demo::FileSpan;

use crate::bad_input::own_profile;
use crate::fuzz::texts::OTHER_LOGS;
use crate::support::folder::{LOG, entry, gzip, log, pipeline, row, small, zstandard};
use crate::support::outputs::{Except, difference};
use crate::support::program::command;
use crate::support::{Board, Folder};

/// A number below `n` that depends on `k` (splitmix64).
fn pick(k: u64, n: usize) -> usize {
    let mut z = (k + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z ^ (z >> 31)) % n as u64) as usize
}

/// `items` in another order.
fn shuffled(items: &[String], seed: u64) -> Vec<String> {
    let mut items = items.to_vec();
    for i in (1..items.len()).rev() {
        items.swap(i, pick(seed * 7919 + i as u64, i + 1));
    }
    items
}

/// A fleet with faults, long enough that all of the evidence is at work.
fn fleet() -> Folder {
    let mut settings = small(8, 200, 21);
    (settings.file_span, settings.trips_per_day) = (FileSpan::Month, 1.0);
    Folder::demo(&settings)
}

#[test]
fn outputs_are_the_same_bytes_whatever_threads_order_and_nights() {
    let source = fleet();
    let once = Folder::copy_of(&source);
    once.run();
    let names = source.logs();
    let mut board = Board::new(
        "outputs against those of one run with 2 threads",
        ["how", "nights", "compared"],
    );
    let mut compare = |how: &str, nights: usize, other: &Folder, except: Except| {
        let mut wrong = difference(&other.join("out"), &once.join("out"), except);
        if wrong.is_none() {
            wrong = other.lake().difference(&once.lake());
        }
        let compared = match except {
            Except::Times => "all but stage times",
            Except::Record => "all but run.json",
        };
        board.judged([how.to_owned(), nights.to_string(), compared.to_owned()], wrong);
    };
    for threads in ["1", "2", "5"] {
        let other = Folder::copy_of(&source);
        let run = command(other.path(), &["run", "pipeline.toml"])
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .unwrap();
        assert!(run.status.success());
        compare(&format!("{threads} threads"), 1, &other, Except::Times);
    }
    let patterns: Vec<String> = names.iter().map(|n| format!("logs/{n}")).collect();
    for seed in [1, 2] {
        let other = Folder::copy_of(&source);
        let shuffled = shuffled(&patterns, seed);
        let list: Vec<&str> = shuffled.iter().map(String::as_str).collect();
        other.write("pipeline.toml", with_tables(&pipeline(&list, "")));
        other.run();
        compare(&format!("patterns in shuffled order {seed}"), 1, &other, Except::Times);
    }
    let by_month = {
        let mut names = names.clone();
        names.sort_by_key(|n| n.split_once('_').map(|(_, month)| month.to_owned()));
        names
    };
    // By month is how logs come; shuffled, most of a night is late data for an old day.
    for (how, order, nights) in
        [("in pieces by month", by_month, 7), ("in pieces, old days late", shuffled(&names, 3), 5)]
    {
        let other = Folder::tables_of(&source);
        for night in order.chunks(order.len().div_ceil(nights)) {
            for name in night {
                other.receive(&source, name);
            }
            other.run();
        }
        compare(how, nights, &other, Except::Record);
    }
    // Nothing new: the outputs of the night before, but for the record of what was read.
    once.run();
    let again = Folder::copy_of(&source);
    again.run();
    let wrong = difference(&once.join("out"), &again.join("out"), Except::Record);
    board.judged(["a night without new files", "2", "all but run.json"].map(str::to_owned), wrong);
    board.close();
}

/// The pipeline with workshop records and refuels, as the simulated fleet's own has them.
fn with_tables(pipeline: &str) -> String {
    let more =
        "register = \"vehicles.csv\"\nservices = \"services.csv\"\nrefuels = \"refuels.csv\"";
    pipeline.replace("register = \"vehicles.csv\"", more)
}

/// A log whose last column has several digits and whose lines end as `end` says.
fn log_to_grow(end: &str) -> String {
    let text = LOG.trim_end().to_owned() + ",misfire_c1\n";
    let rows = (0..400).map(|i| {
        let trip = if i < 250 { "first" } else { "secönd" };
        let row = row("V1", trip, 5, i);
        format!("{},{}\n", row.trim_end(), 10 + i % 90)
    });
    (text + &rows.collect::<String>()).replace('\n', end)
}

/// Byte positions at which a file was seen before it was complete.
fn cuts(text: &[u8], kind: &str) -> Vec<usize> {
    let lines: Vec<usize> = (0..text.len()).filter(|i| text[*i] == b'\n').collect();
    let line = |k: u64| lines[1 + pick(k, lines.len() - 2)];
    let mut cuts: Vec<usize> = match kind {
        "at line ends" => (0..6).map(|k| line(k) + 1).collect(),
        "in front of line ends" => (0..6).map(|k| line(k + 20)).collect(),
        "in the last cell" => (0..6).map(|k| line(k + 40) - 1).collect(),
        "after the last comma" => (0..6)
            .map(|k| 1 + (0..line(k + 60)).rev().find(|i| text[*i] == b',').unwrap())
            .collect(),
        "anywhere" => (0..8).map(|k| 1 + pick(k + 80, text.len() - 1)).collect(),
        "in the header" => vec![1, 5, lines[0] - 3, lines[0], lines[0] + 1, line(90) + 5],
        // Around a letter of two bytes, and over an end of line.
        "a byte at a time" => {
            let letter = text.iter().rposition(|b| *b > 0x7f).unwrap();
            (letter - 3..letter + 4).chain(line(95) - 4..line(95) + 3).collect()
        }
        _ => panic!("{kind}"),
    };
    cuts.sort_unstable();
    cuts.dedup();
    cuts
}

#[test]
fn a_file_that_was_read_while_it_grew_ends_in_the_same_samples_and_sums() {
    let simulated = {
        let mut settings = small(1, 14, 22);
        settings.vehicles = 1;
        let fleet = Folder::demo(&settings);
        let name = fleet.logs()[0].clone();
        fleet.text(&format!("logs/{name}"))
    };
    let vehicle = simulated.lines().nth(1).unwrap().split(',').nth(1).unwrap().to_owned();
    let mut board = Board::new("a file that grows", ["file", "cut", "times", "codes"]);
    let files = [
        ("simulated", simulated.as_str()),
        ("by hand", &log_to_grow("\n")),
        ("by hand, CRLF", &log_to_grow("\r\n")),
    ];
    let kinds = [
        "at line ends",
        "in front of line ends",
        "in the last cell",
        "after the last comma",
        "anywhere",
        "in the header",
        "a byte at a time",
    ];
    for (file, text) in files {
        // The simulated log has no letter of two bytes; line ends matter to the rest only.
        let kinds = match file {
            "simulated" => &kinds[..5],
            "by hand" => &kinds[..],
            _ => &kinds[1..4],
        };
        let new = || {
            let fleet = Folder::by_hand();
            fleet.write("vehicles.csv", fleet.text("vehicles.csv") + &entry(&vehicle));
            fleet
        };
        let whole = new();
        whole.write("logs/grows.csv", text);
        whole.ingest();
        let expected = whole.lake();
        for kind in kinds.iter().copied() {
            let fleet = new();
            let cuts = cuts(text.as_bytes(), kind);
            let mut codes = Vec::new();
            for cut in &cuts {
                fleet.write("logs/grows.csv", &text.as_bytes()[..*cut]);
                codes.push(fleet.trimdrift(&["ingest", "pipeline.toml"]).code);
            }
            fleet.write("logs/grows.csv", text);
            let last = fleet.trimdrift(&["ingest", "pipeline.toml"]);
            let mut wrong = fleet.lake().difference_but_for_nights(&expected);
            // A header that is not whole may be one that cannot be read; nothing else may.
            if codes.iter().any(|c| *c != 0 && (*c != 4 || kind != "in the header"))
                || last.code != 0
            {
                wrong.get_or_insert_with(|| format!("codes {codes:?}, last {}", last.said()));
            }
            codes.dedup();
            board.judged(
                [file.to_owned(), kind.to_owned(), cuts.len().to_string(), format!("{codes:?}")],
                wrong,
            );
        }
    }
    board.close();
}

#[test]
fn logs_of_other_formats_that_grow_end_in_the_same_lake() {
    let mut board = Board::new("other formats that grow", ["log", "nights", "samples"]);
    for (corpus, name, profile) in OTHER_LOGS {
        let text =
            fs::read(format!("{}/tests/corpus/{corpus}", env!("CARGO_MANIFEST_DIR"))).unwrap();
        let new = || {
            let fleet = Folder::by_hand();
            fs::remove_file(fleet.join("logs/good.csv")).unwrap();
            own_profile(&fleet, profile);
            fleet.write(
                "pipeline.toml",
                fleet.text("pipeline.toml") + "[ingest]\nrejected_share_max_pct = 100\n",
            );
            fleet
        };
        let whole = new();
        whole.write(&format!("logs/{name}"), &text);
        whole.ingest();
        let expected = whole.lake();
        let fleet = new();
        // Each of the last bytes, where most is unsettled, and some before.
        let cuts: Vec<usize> =
            (1..5).map(|k| text.len() * k / 5).chain(text.len() - 12..=text.len()).collect();
        for cut in &cuts {
            fleet.write(&format!("logs/{name}"), &text[..*cut]);
            fleet.ingest();
        }
        let wrong = fleet.lake().difference_but_for_nights(&expected);
        let cells = [corpus.to_owned(), cuts.len().to_string(), expected.samples.len().to_string()];
        board.judged(cells, wrong);
    }
    board.close();
}

#[test]
fn verdicts_do_not_depend_on_whether_files_were_seen_half_written() {
    let mut settings = small(8, 200, 24);
    (settings.file_span, settings.trips_per_day) = (FileSpan::Month, 1.0);
    let source = Folder::demo(&settings);
    let whole = Folder::copy_of(&source);
    whole.run();
    let halves = Folder::tables_of(&source);
    for (k, name) in source.logs().iter().enumerate() {
        let text = source.read(&format!("logs/{name}"));
        // Not in the header, which no night could read.
        let at = pick(k as u64, text.len()).max(2000);
        halves.write(&format!("logs/{name}"), &text[..at]);
    }
    halves.run();
    source.logs().iter().for_each(|name| halves.receive(&source, name));
    halves.run();
    assert_eq!(halves.lake().difference_but_for_nights(&whole.lake()), None);
    assert_eq!(difference(&halves.join("out"), &whole.join("out"), Except::Record), None);
}

#[test]
fn a_packed_file_that_grows_is_refused_while_it_is_cut_and_read_when_it_is_whole() {
    let text = log("V2", "t", 6, 3000);
    for (name, packed) in
        [("g.csv.gz", gzip(text.as_bytes())), ("g.csv.zst", zstandard(text.as_bytes()))]
    {
        let fleet = Folder::by_hand();
        for cut in [packed.len() / 3, packed.len() - 3] {
            fleet.write(&format!("logs/{name}"), &packed[..cut]);
            let run = fleet.trimdrift(&["ingest", "pipeline.toml"]).expect(4);
            assert!(run.err.contains(name) && run.err.contains("cut short"), "{}", run.err);
        }
        fleet.write(&format!("logs/{name}"), &packed);
        fleet.ingest();
        let whole = Folder::by_hand();
        whole.write(&format!("logs/{name}"), &packed);
        whole.ingest();
        fleet.lake().assert_same(&whole.lake(), name);
    }
}

#[test]
fn after_settings_have_changed_the_lake_is_that_of_the_new_ones() {
    let source = Folder::demo(&small(3, 30, 23));
    let names = source.logs();
    let register = source.text("vehicles.csv");
    let displaced = register.replacen(",1.598,", ",1.8,", 1);
    let moved = register.replacen(",maf,", ",map,", 1);
    assert!(displaced != register && moved != register, "{register}");
    let changes: [(&str, &str, &str); 5] = [
        ("warmer gate", "[gate]\nwarm_coolant_c = 80\n", &register),
        ("another band edge", "[gate]\nload_edge = 4\n", &register),
        ("displacement corrected", "", &displaced),
        ("metering corrected", "", &moved),
        ("only costs changed", "[cost]\nbreakdown = 100\n", &register),
    ];
    let mut board = Board::new(
        "settings that change between nights",
        ["change", "new files that night", "then back"],
    );
    for (change, extra, register) in changes {
        for fresh_files in [false, true] {
            let fleet = Folder::tables_of(&source);
            let half = names.len() / 2;
            let (early, late) = names.split_at(if fresh_files { half } else { names.len() });
            early.iter().for_each(|n| fleet.receive(&source, n));
            let old = fleet.text("pipeline.toml");
            if fresh_files {
                // One file comes in two pieces, so that a trip has several rows to be made anew.
                let text = source.read(&format!("logs/{}", early[0]));
                fleet.write(&format!("logs/{}", early[0]), &text[..text.len() / 2]);
                fleet.run();
                fleet.receive(&source, &early[0]);
            }
            fleet.run();
            late.iter().for_each(|n| fleet.receive(&source, n));
            fleet.write("pipeline.toml", format!("{old}{extra}"));
            fleet.write("vehicles.csv", register);
            fleet.run();
            let other = Folder::copy_of(&fleet);
            other.run();
            let mut wrong = fleet.lake().difference_but_for_nights(&other.lake());
            if wrong.is_none() && !fresh_files {
                wrong = fleet.lake().difference(&other.lake());
                for name in ["ranking.csv", "findings.parquet", "outcomes.csv"] {
                    let same =
                        fleet.read(&format!("out/{name}")) == other.read(&format!("out/{name}"));
                    wrong = wrong.or_else(|| (!same).then(|| format!("{name} differs")));
                }
            }
            // And back again.
            let mut back = String::from("-");
            if wrong.is_none() {
                fleet.write("pipeline.toml", &old);
                fs::copy(source.join("vehicles.csv"), fleet.join("vehicles.csv")).unwrap();
                fleet.run();
                let other = Folder::copy_of(&fleet);
                other.run();
                wrong = fleet.lake().difference_but_for_nights(&other.lake());
                back = if wrong.is_some() { "differs" } else { "same" }.to_owned();
            }
            board.judged([change.to_owned(), late.len().to_string(), back], wrong);
        }
    }
    board.close();
}
