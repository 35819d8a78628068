//! Bad and broken input: each has its exit code, a message that names the file and the remedy, the good files
//! of the same night are kept, and nothing is written but lake and outputs.

use std::fs;

use trimdrift::lake::{Lake, Mode};

use crate::support::folder::{GOOD_ROWS, LOG, REGISTER, entry, gzip, log, row, zstandard};
use crate::support::program::shell;
use crate::support::{Board, Folder};

/// One bad input and what must become of it.
struct Case {
    what: &'static str,
    make: fn(&Folder),
    code: i32,
    /// What the message must name: file, row or line, remedy.
    says: &'static [&'static str],
    /// Whether the good log of the folder is in the lake afterwards.
    good_kept: bool,
}

const fn case(
    what: &'static str,
    code: i32,
    says: &'static [&'static str],
    good_kept: bool,
    make: fn(&Folder),
) -> Case {
    Case { what, make, code, says, good_kept }
}

/// Runs every case in a folder of its own.
fn try_all(title: &str, cases: &[Case]) {
    let mut board = Board::new(title, ["input", "code", "good rows", "message"]);
    for case in cases {
        let fleet = Folder::by_hand();
        (case.make)(&fleet);
        let before = fleet.inputs();
        let ran = fleet.trimdrift(&["run", "pipeline.toml"]);
        let mut wrong = Vec::new();
        if ran.code != case.code {
            wrong.push(format!("code {} instead of {}: {}", ran.code, case.code, ran.err));
        }
        for part in case.says.iter().filter(|s| !ran.err.contains(**s)) {
            wrong.push(format!("{part:?} is not in: {}", ran.err));
        }
        if ran.err.contains("panicked") {
            wrong.push("panicked".to_owned());
        }
        if fleet.inputs() != before {
            let now = fleet.inputs();
            let new: Vec<_> = now.keys().filter(|k| !before.contains_key(*k)).collect();
            wrong.push(format!("wrote outside lake and out: {new:?}"));
        }
        let kept = match Lake::open(fleet.join("lake").to_str().unwrap(), Mode::Read) {
            Ok(_) => fleet.lake().samples.iter().filter(|s| s.contains("\"t1\"")).count(),
            Err(_) => 0,
        };
        if kept != if case.good_kept { GOOD_ROWS } else { 0 } {
            wrong.push(format!("{kept} good rows"));
        }
        let message = ran.err.lines().find(|l| case.says.first().is_some_and(|s| l.contains(s)));
        let message: String = message.unwrap_or_default().chars().take(150).collect();
        let cells = [case.what.to_owned(), ran.code.to_string(), kept.to_string(), message];
        board.judged(cells, (!wrong.is_empty()).then(|| wrong.join("; ")));
    }
    board.close();
}

/// A log of which nothing can be used still counts its rows as rejected; many of them are told by the exit code.
const SHARE: &str = "[ingest]\nrejected_share_max_pct = 60\n";

#[test]
fn logs_that_are_broken() {
    try_all(
        "broken logs",
        &[
            case(
                "missing column",
                4,
                &["x.csv", "no column `time`", "profile `plain`"],
                true,
                |f| {
                    f.write("logs/x.csv", "when,vehicle,rpm\n2024-01-01T00:00:00Z,V1,900\n");
                },
            ),
            case("no vehicle column", 4, &["x.csv", "no column `vehicle`"], true, |f| {
                f.write("logs/x.csv", "time,rpm\n2024-01-01T00:00:00Z,900\n");
            }),
            case("column twice", 4, &["x.csv", "`rpm` twice"], true, |f| {
                f.write("logs/x.csv", "time,vehicle,rpm,rpm\n2024-01-01T00:00:00Z,V1,900,901\n");
            }),
            case("truncated gzip", 4, &["x.csv.gz", "cut short", "Copy it again"], true, |f| {
                let packed = gzip(log("V1", "t2", 2, 9000).as_bytes());
                f.write("logs/x.csv.gz", &packed[..packed.len() / 2]);
            }),
            case("truncated zst", 4, &["x.csv.zst", "cut short"], true, |f| {
                let packed = zstandard(log("V1", "t2", 2, 9000).as_bytes());
                f.write("logs/x.csv.zst", &packed[..packed.len() / 2]);
            }),
            case("gzip damaged inside", 4, &["x.csv.gz", "cannot be unpacked"], true, |f| {
                let mut packed = gzip(log("V1", "t2", 2, 9000).as_bytes());
                let middle = packed.len() / 2;
                packed[middle..middle + 40].iter_mut().for_each(|b| *b ^= 0x5a);
                f.write("logs/x.csv.gz", packed);
            }),
            case("text called .gz", 4, &["x.csv.gz", "cannot be unpacked"], true, |f| {
                f.write("logs/x.csv.gz", log("V1", "t2", 2, 20));
            }),
            case("binary file", 4, &["x.csv", "is not text"], true, |f| {
                let bytes: Vec<u8> = (0..20_000u32).map(|i| ((i * i) >> 3) as u8).collect();
                f.write("logs/x.csv", bytes);
            }),
            case(
                "NUL in the 3,000th row",
                0,
                &["x.csv", "1 of 3001 rows", "1 bad_vehicle"],
                true,
                |f| {
                    let text = log("V1", "t2", 2, 3000) + "2024-01-02T10:00:00Z,V\0,t\n";
                    f.write("logs/x.csv", text);
                },
            ),
            case("empty file", 4, &["x.csv", "is empty"], true, |f| f.write("logs/x.csv", "")),
            case("blank lines only", 4, &["x.csv", "is empty"], true, |f| {
                f.write("logs/x.csv", "\n\n \r\n")
            }),
            case("header only", 0, &[], true, |f| f.write("logs/x.csv", LOG)),
            case("header without line end", 0, &[], true, |f| {
                f.write("logs/x.csv", LOG.trim_end())
            }),
            case("one line of 2 MB", 3, &["x.csv", "1 line_too_long"], true, |f| {
                let text =
                    log("V1", "t2", 2, 3) + &"y".repeat(2 << 20) + "\n" + &row("V1", "t2", 2, 9);
                f.write("logs/x.csv", text);
                f.pipeline("[ingest]\nrejected_share_max_pct = 1\n");
            }),
            case("header of 2 MB", 4, &["x.csv", "header line is longer"], true, |f| {
                f.write("logs/x.csv", "time,vehicle,".to_owned() + &"y".repeat(2 << 20) + "\n");
            }),
            case("times of 1970", 0, &["x.csv", "5 time_out_of_range"], true, |f| {
                f.pipeline(SHARE);
                f.write("logs/x.csv", log("V1", "t2", 2, 5).replace("2024-01-02", "1970-01-01"));
            }),
            case("times of 2099", 0, &["x.csv", "5 time_out_of_range"], true, |f| {
                f.pipeline(SHARE);
                f.write("logs/x.csv", log("V1", "t2", 2, 5).replace("2024-01-02", "2099-01-01"));
            }),
            case(
                "a counter at a marker of its own",
                0,
                &["x.csv", "min_since_clear 4294967295 is not within 0 to 65535", "`null`"],
                true,
                |f| {
                    let marked = |l: &str| format!("{l},4294967295\n");
                    let rows: String = log("V1", "t2", 2, 5).lines().skip(1).map(marked).collect();
                    f.write("logs/x.csv", format!("{},min_since_clear\n{rows}", LOG.trim_end()));
                },
            ),
            case("times in scientific notation", 0, &["x.csv", "imprecise_time"], true, |f| {
                f.pipeline(SHARE);
                f.write("logs/x.csv", format!("{LOG}1.70419E+09,V1,t2,40,1500,8,85,1,2,2\n"));
            }),
            case(
                "more rejects than allowed",
                3,
                &["x.csv", "5 of 5 rows rejected", "bad_time"],
                true,
                |f| {
                    f.write("logs/x.csv", log("V1", "t2", 2, 5).replace("2024-", "24-"));
                },
            ),
            case("not UTF-8, not stated", 0, &[], true, |f| {
                let mut bytes = log("V1", "t2", 2, 5).into_bytes();
                bytes.extend(
                    row("V1", "caf#", 2, 9).bytes().map(|b| if b == b'#' { 0xe9 } else { b }),
                );
                f.write("logs/x.csv", bytes);
            }),
            case("folder called x.csv", 0, &[], true, |f| f.write("logs/x.csv/y.txt", "z")),
            case("link to nowhere", 4, &["x.csv", "left out"], true, |f| {
                std::os::unix::fs::symlink("/nowhere/at/all", f.join("logs/x.csv")).unwrap();
            }),
            case(
                "link out of the folder",
                4,
                &["x.csv", "leads out of the source folder"],
                true,
                |f| {
                    f.write("elsewhere/secret.csv", log("V1", "t7", 2, 20));
                    std::os::unix::fs::symlink(
                        f.join("elsewhere/secret.csv"),
                        f.join("logs/x.csv"),
                    )
                    .unwrap();
                },
            ),
            case("link within the folder", 0, &[], true, |f| {
                std::os::unix::fs::symlink(f.join("logs/good.csv"), f.join("logs/x.csv")).unwrap();
            }),
            case("a pipe", 4, &["x.csv", "not a regular file"], true, |f| {
                shell(f.path(), "mkfifo logs/x.csv").expect(0);
            }),
            case("two broken among three good", 4, &["a.csv", "m.csv.gz"], true, |f| {
                f.write("logs/a.csv", "");
                f.write("logs/b.csv", log("V2", "t3", 3, 30));
                let packed = gzip(log("V2", "t2", 2, 9000).as_bytes());
                f.write("logs/m.csv.gz", &packed[..packed.len() - 5]);
                f.write("logs/z.csv", log("V2", "t4", 4, 30));
            }),
        ],
    );
}

#[test]
fn a_broken_file_at_any_place_takes_no_other_with_it() {
    let fleet = Folder::by_hand();
    let packed = gzip(log("V2", "broken", 9, 20_000).as_bytes());
    for k in 0..9 {
        fleet.write(&format!("logs/f{k}.csv"), log("V2", &format!("f{k}"), 2 + k, 600));
        fleet.write(&format!("logs/f{k}.csv.gz"), &packed[..packed.len() - 3 - k as usize]);
    }
    let run = fleet.trimdrift(&["run", "pipeline.toml"]).expect(4);
    assert_eq!(run.err.matches("cut short").count(), 9, "{}", run.err);
    assert_eq!(fleet.lake().samples.len(), 9 * 600 + GOOD_ROWS);
    assert!(!fleet.lake().samples.iter().any(|s| s.contains("broken")), "rows of a broken file");
    // Mended, they are read; the rest is not read again.
    fleet.write("logs/f0.csv.gz", &packed);
    (1..9).for_each(|k| fs::remove_file(fleet.join(&format!("logs/f{k}.csv.gz"))).unwrap());
    fleet.run();
    assert_eq!(fleet.lake().samples.len(), 20_000 + 9 * 600 + GOOD_ROWS);
}

#[test]
fn an_unreadable_file_is_named() {
    let fleet = Folder::by_hand();
    fleet.write("logs/x.csv", log("V2", "t2", 2, 20));
    shell(fleet.path(), "chmod 000 logs/x.csv; chmod 777 . logs").expect(0);
    // Root may read everything, so the program runs as nobody where that can be had.
    let as_nobody = shell(
        fleet.path(),
        "[ $(id -u) = 0 ] || exec $TRIMDRIFT run pipeline.toml
         cp $TRIMDRIFT ./program && exec setpriv --reuid=65534 --regid=65534 --clear-groups ./program run pipeline.toml",
    );
    if as_nobody.err.contains("setpriv") {
        println!("skipped: this machine has no other user ({})", as_nobody.err.trim());
        return;
    }
    let ran = as_nobody.expect(4);
    assert!(ran.err.contains("x.csv") && ran.err.contains("may be read"), "{}", ran.err);
    assert_eq!(fleet.lake().samples.len(), GOOD_ROWS);
}

#[test]
fn tables_of_the_fleet_that_are_broken() {
    try_all(
        "broken tables of the fleet",
        &[
            case("no register", 4, &["vehicles.csv", "Check that it exists"], false, |f| {
                fs::remove_file(f.join("vehicles.csv")).unwrap();
            }),
            case("empty register", 4, &["vehicles.csv", "is empty"], false, |f| {
                f.write("vehicles.csv", "")
            }),
            case(
                "register without a column",
                4,
                &["vehicles.csv", "engine_family", "Add the column"],
                false,
                |f| {
                    f.write(
                        "vehicles.csv",
                        "vehicle,cylinders,banks,air_metering,injection\nV1,4,1,maf,port\n",
                    );
                },
            ),
            case("binary register", 4, &["vehicles.csv", "not text"], false, |f| {
                f.write("vehicles.csv", "a\0b")
            }),
            case(
                "vehicle not in the register",
                0,
                &["V9", "vehicles.csv", "add them"],
                true,
                |f| {
                    f.write("logs/x.csv", log("V9", "t2", 2, 20));
                },
            ),
            case(
                "no displacement",
                0,
                &["vehicles.csv, row 1", "displacement_l", "filled in"],
                true,
                |f| {
                    f.write(
                        "vehicles.csv",
                        format!("{REGISTER}V1,F1,,4,1,maf,port,petrol,no,North\n"),
                    );
                },
            ),
            case(
                "a register row of no use",
                4,
                &["vehicles.csv, row 2", "`cylinders`", "whole number"],
                true,
                |f| {
                    f.write(
                        "vehicles.csv",
                        format!("{REGISTER}{}V2,F1,1.6,four,1,maf,port,petrol,no,N\n", entry("V1")),
                    );
                },
            ),
            case("a vehicle twice", 4, &["vehicles.csv, row 3", "`vehicle`"], true, |f| {
                f.write("vehicles.csv", f.text("vehicles.csv") + &entry("V1"));
            }),
            case(
                "unknown workshop work",
                4,
                &["services.csv, row 1", "polishing", "spark_plugs"],
                true,
                |f| {
                    f.write(
                        "services.csv",
                        "date,vehicle,odometer_km,service,cost\n2024-01-02,V1,5,polishing,9\n",
                    );
                    f.write(
                        "pipeline.toml",
                        f.text("pipeline.toml")
                            .replace("[fleet]", "[fleet]\nservices = \"services.csv\""),
                    );
                },
            ),
            case("no workshop file", 4, &["services.csv"], false, |f| {
                f.write(
                    "pipeline.toml",
                    f.text("pipeline.toml")
                        .replace("[fleet]", "[fleet]\nservices = \"services.csv\""),
                );
            }),
            case("a date that is none", 4, &["refuels.csv, row 1", "2024-02-30"], true, |f| {
                f.write(
                    "refuels.csv",
                    "date,vehicle,odometer_km,litres,full\n2024-02-30,V1,5,40,yes\n",
                );
                f.write(
                    "pipeline.toml",
                    f.text("pipeline.toml")
                        .replace("[fleet]", "[fleet]\nrefuels = \"refuels.csv\""),
                );
            }),
        ],
    );
}

#[test]
fn settings_and_profiles_that_are_refused() {
    const PROFILE: &str = "name = \"own\"\n[time]\ncolumn = \"t\"\nform = \"rfc3339\"\n[vehicle]\ncolumn = \"v\"\n[columns]\n";
    try_all(
        "refused settings",
        &[
            case(
                "unknown section",
                5,
                &["pipeline.toml, line", "`gates`", "did you mean `gate`"],
                false,
                |f| {
                    f.pipeline("[gates]\nrpm_min = 400\n");
                },
            ),
            case(
                "unknown key",
                5,
                &["pipeline.toml, line 15", "`warm_coolant`", "`warm_coolant_c`"],
                false,
                |f| {
                    f.pipeline("\n[gate]\nwarm_coolant = 75\n");
                },
            ),
            case("wrong type", 5, &["pipeline.toml, line", "`rpm_min`", "a number"], false, |f| {
                f.pipeline("[gate]\nrpm_min = \"400\"\n");
            }),
            case(
                "out of range",
                5,
                &[
                    "pipeline.toml, line",
                    "`warm_coolant_c` = 300",
                    "between 40 and 110",
                    "default 70",
                ],
                false,
                |f| {
                    f.pipeline("[gate]\nwarm_coolant_c = 300\n");
                },
            ),
            case("not a number", 5, &["pipeline.toml, line", "`warm_coolant_c`"], false, |f| {
                f.pipeline("[gate]\nwarm_coolant_c = nan\n");
            }),
            case("infinite", 5, &["pipeline.toml, line", "`breakdown`"], false, |f| {
                f.pipeline("[cost]\nbreakdown = inf\n")
            }),
            case(
                "no lake",
                5,
                &["pipeline.toml", "`lake.path` is missing", "for example"],
                false,
                |f| {
                    f.write(
                        "pipeline.toml",
                        f.text("pipeline.toml").replace("[lake]\npath = \"lake\"\n", ""),
                    );
                },
            ),
            case("no source", 5, &["pipeline.toml", "`source` is missing"], false, |f| {
                f.write("pipeline.toml", "[fleet]\nregister=\"vehicles.csv\"\n[lake]\npath=\"lake\"\n[output]\npath=\"out\"\n");
            }),
            case("not TOML", 5, &["pipeline.toml, line 2", "not valid TOML"], false, |f| {
                f.write("pipeline.toml", "[fleet]\nregister = vehicles.csv\n");
            }),
            case("binary pipeline", 5, &["pipeline.toml"], false, |f| {
                f.write("pipeline.toml", [0xff, 0xfe, 0, 1])
            }),
            case("no pipeline", 5, &["pipeline.toml", "Check the path"], false, |f| {
                fs::remove_file(f.join("pipeline.toml")).unwrap();
            }),
            case("unknown profile", 5, &["plane", "built-in name"], false, |f| {
                f.write("pipeline.toml", f.text("pipeline.toml").replace("\"plain\"", "\"plane\""));
            }),
            case("unknown unit", 5, &["own.toml, line 8", "`mph2`", "speed_kmh"], false, |f| {
                own_profile(
                    f,
                    &format!("{PROFILE}speed_kmh = {{ column = \"s\", unit = \"mph2\" }}\n"),
                );
            }),
            case(
                "unit of another kind",
                5,
                &["own.toml, line 8", "`psi`", "speed_kmh"],
                false,
                |f| {
                    own_profile(
                        f,
                        &format!("{PROFILE}speed_kmh = {{ column = \"s\", unit = \"psi\" }}\n"),
                    );
                },
            ),
            case(
                "unknown signal",
                5,
                &["own.toml, line 8", "`speed_mph`", "speed_kmh"],
                false,
                |f| {
                    own_profile(
                        f,
                        &format!("{PROFILE}speed_mph = {{ column = \"s\", unit = \"mph\" }}\n"),
                    );
                },
            ),
            case("a position asked for", 5, &["own.toml, line 8", "`latitude`"], false, |f| {
                own_profile(
                    f,
                    &format!("{PROFILE}latitude = {{ column = \"lat\", unit = \"deg\" }}\n"),
                );
            }),
            case("pattern that is none", 5, &["own.toml, line 9", "usable pattern"], false, |f| {
                own_profile(f, &format!("{PROFILE}[file_name]\npattern = '(?<vehicle>['\n"));
            }),
            case(
                "pattern made to be large",
                5,
                &["own.toml, line 9", "usable pattern"],
                false,
                |f| {
                    own_profile(
                        f,
                        &format!(
                            "{PROFILE}[file_name]\npattern = '(?<vehicle>(((a{{1000}}){{1000}}){{1000}})*)'\n"
                        ),
                    );
                },
            ),
            case("key file too short", 5, &["key", "at least 16 bytes"], false, |f| {
                f.write("key", "short");
                f.write(
                    "pipeline.toml",
                    f.text("pipeline.toml")
                        .replace("[fleet]", "[fleet]\npseudonym_key_file = \"key\""),
                );
            }),
            case("lake in a place of no kind", 6, &["s3://", "give a folder"], false, |f| {
                f.write(
                    "pipeline.toml",
                    f.text("pipeline.toml")
                        .replace("path = \"lake\"", "path = \"s3://bucket/lake\""),
                );
            }),
            case("lake below a file", 6, &["vehicles.csv/lake"], false, |f| {
                f.write(
                    "pipeline.toml",
                    f.text("pipeline.toml")
                        .replace("path = \"lake\"", "path = \"vehicles.csv/lake\""),
                );
            }),
            case(
                "a file pattern that is none",
                4,
                &["logs/[", "not a valid file pattern"],
                true,
                |f| {
                    f.write(
                        "pipeline.toml",
                        f.text("pipeline.toml").replace("files = [", "files = [\"logs/[\", "),
                    );
                },
            ),
            case(
                "a pattern that matches nothing",
                0,
                &["none/*.csv", "no file matches"],
                true,
                |f| {
                    f.write(
                        "pipeline.toml",
                        f.text("pipeline.toml").replace("files = [", "files = [\"none/*.csv\", "),
                    );
                },
            ),
        ],
    );
}

pub(crate) fn own_profile(folder: &Folder, profile: &str) {
    folder.write("own.toml", profile);
    folder
        .write("pipeline.toml", folder.text("pipeline.toml").replace("\"plain\"", "\"own.toml\""));
}
