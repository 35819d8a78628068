//! What was said of a day stays said: later data never changes the day of a flag, and a report as of a day is the report
//! of a lake that never had anything later.

use std::collections::{BTreeMap, BTreeSet};

use trimdrift::demo::FileSpan;

use crate::support::folder::small;
use crate::support::outputs::{Except, Ranking, difference, ranking, table};
use crate::support::{Board, Folder};

/// A fleet with planted faults, one of them cured by a repair half-way.
fn fleet(seed: u64) -> Folder {
    let mut settings = small(14, 300, seed);
    settings.file_span = FileSpan::Month;
    (settings.faulty_share, settings.trips_per_day) = (0.5, 1.2);
    Folder::demo(&settings)
}

/// Work after which a flag may not end.
const NO_CURE: [&str; 3] = ["other", "air_filter", "battery_disconnect"];

fn as_of(fleet: &Folder, day: &str) -> Ranking {
    fleet.trimdrift(&["rank", "pipeline.toml", "--as-of", day]).expect(0);
    ranking(&fleet.join("out"))
}

/// Flagged vehicles with their days.
fn flags(ranking: &Ranking) -> BTreeMap<String, String> {
    let flagged = ranking.iter().filter(|(_, row)| !row["flagged_on"].is_empty());
    flagged.map(|(vehicle, row)| (vehicle.clone(), row["flagged_on"].clone())).collect()
}

#[test]
fn the_day_of_a_flag_never_changes_when_later_data_arrives() {
    let mut board = Board::new(
        "flags as of a day against flags of the whole year",
        ["fleet", "as of", "flags", "same later", "ended by a repair", "by then in the whole year"],
    );
    let mut seen = 0;
    for seed in [31, 32] {
        let fleet = fleet(seed);
        fleet.ingest();
        let whole = flags(&as_of(&fleet, "2024-12-28"));
        let repairs: Vec<(String, String)> = table(&fleet.read("services.csv"))
            .into_iter()
            .filter(|r| !NO_CURE.contains(&r["service"].as_str()))
            .map(|r| (r["vehicle"].clone(), r["date"].clone()))
            .collect();
        let mut early: BTreeMap<String, String> = BTreeMap::new();
        for day in [
            "2024-06-10",
            "2024-07-01",
            "2024-07-22",
            "2024-08-12",
            "2024-09-02",
            "2024-09-23",
            "2024-10-14",
            "2024-11-04",
            "2024-11-25",
            "2024-12-16",
        ] {
            let then = flags(&as_of(&fleet, day));
            seen += then.len();
            let (mut same, mut ended, mut wrong) = (0, 0, None);
            for (vehicle, on) in &then {
                if on.as_str() > day {
                    wrong
                        .get_or_insert(format!("{vehicle} is flagged on {on}, after the last day"));
                }
                // Only a repair in between may end a flag; what comes after it is another one.
                let repaired =
                    repairs.iter().any(|(v, date)| v == vehicle && date.as_str() > on.as_str());
                match whole.get(vehicle) {
                    Some(later) if later == on => same += 1,
                    later if repaired && later.is_none_or(|l| l > on) => ended += 1,
                    later => {
                        wrong.get_or_insert(format!(
                            "{vehicle} flagged on {on}, later on {later:?}"
                        ));
                    }
                }
                // Nor may one report differ from the next.
                if let Some(before) = early.insert(vehicle.clone(), on.clone())
                    && before != *on
                    && !repaired
                {
                    wrong.get_or_insert(format!("{vehicle}: {before} became {on}"));
                }
            }
            let by_then: BTreeMap<_, _> =
                whole.iter().filter(|(_, on)| on.as_str() <= day).collect();
            for (vehicle, on) in &by_then {
                if then.get(*vehicle) != Some(on) {
                    wrong.get_or_insert(format!(
                        "{vehicle} flagged on {on}, then on {:?}",
                        then.get(*vehicle)
                    ));
                }
            }
            let counts = [then.len(), same, ended, by_then.len()].map(|n| n.to_string());
            let [flags, same, ended, by_then] = counts;
            board.judged(
                [format!("seed {seed}"), day.to_owned(), flags, same, ended, by_then],
                wrong,
            );
        }
        assert!(whole.len() >= 4, "only {} flags in the whole year", whole.len());
        let days: BTreeSet<&String> = whole.values().collect();
        assert!(days.len() >= 3, "all flags on {days:?}");
    }
    assert!(seen >= 30, "only {seen} flags seen");
    board.close();
}

/// The lines of a fleet table up to and including `day`, which is its first column.
fn up_to(text: &str, day: &str) -> String {
    let keep = |(i, line): &(usize, &str)| *i == 0 || &line[..10] <= day;
    text.lines().enumerate().filter(keep).map(|(_, l)| format!("{l}\n")).collect()
}

/// Takes the section out of the front page that tells what the lake holds.
fn without_counts(fleet: &Folder) {
    let page = fleet.text("out/report/index.html");
    let (before, rest) = page.split_once("What was read</h2>").unwrap();
    let (_, after) = rest.split_once("</section>").unwrap();
    fleet.write("out/report/index.html", format!("{before}{after}"));
}

#[test]
fn a_report_as_of_a_day_is_that_of_a_lake_that_never_had_anything_later() {
    let source = fleet(33);
    source.ingest();
    let mut board = Board::new(
        "as of a day, against a lake that ends there",
        ["day", "logs", "tables", "flags"],
    );
    for (day, cut_tables) in [("2024-06-30", false), ("2024-08-31", true), ("2024-10-17", true)] {
        let short = Folder::tables_of(&source);
        let (mut logs, mut files_cut) = (0, false);
        for name in source.logs() {
            let all = source.text(&format!("logs/{name}"));
            let text = up_to(&all, day);
            files_cut |= text != all && text.lines().count() > 1;
            if text.lines().count() > 1 {
                short.write(&format!("logs/{name}"), text);
                logs += 1;
            }
        }
        for name in ["services.csv", "refuels.csv"] {
            if cut_tables {
                short.write(name, up_to(&source.text(name), day));
            }
        }
        short.ingest();
        for fleet in [&source, &short] {
            let _ = std::fs::remove_dir_all(fleet.join("out"));
            fleet.trimdrift(&["rank", "pipeline.toml", "--as-of", day]).expect(0);
        }
        // `rank` writes no run record. A file that goes on after the day is counted as a whole.
        for fleet in [&source, &short].into_iter().filter(|_| files_cut) {
            without_counts(fleet);
        }
        let wrong = difference(&source.join("out"), &short.join("out"), Except::Record);
        let flags = flags(&ranking(&short.join("out"))).len().to_string();
        let tables = if cut_tables { "cut" } else { "whole" };
        board.judged([day.to_owned(), logs.to_string(), tables.to_owned(), flags], wrong);
    }
    board.close();
}

#[test]
fn the_default_day_is_the_last_one_in_the_lake() {
    let fleet = Folder::by_hand();
    let run = fleet.run();
    assert!(run.out.starts_with("2024-01-01: "), "{}", run.out);
    let asked = fleet.trimdrift(&["run", "pipeline.toml", "--as-of", "2024-01-01"]).expect(0);
    assert_eq!(run.out, asked.out);
    // A day without any data is a day all the same.
    let later = fleet.trimdrift(&["run", "pipeline.toml", "--as-of", "2025-05-05"]).expect(0);
    assert!(later.out.starts_with("2025-05-05: "), "{}", later.out);
    let before = fleet.trimdrift(&["run", "pipeline.toml", "--as-of", "2023-05-05"]).expect(0);
    assert!(before.out.starts_with("2023-05-05: 0 act, 0 watch, 0 sound, 2 too"), "{}", before.out);
}
