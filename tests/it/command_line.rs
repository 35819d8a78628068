//! The command line as its users meet it: help, exit codes, what goes to stdout and what to stderr, widths, closed pipes.

use std::fs::File;
use std::process::Stdio;

use crate::support::folder::{small, tree};
use crate::support::program::{command, shell};
use crate::support::{Board, Folder};

/// Commands for everybody.
const VERBS: [&str; 9] =
    ["run", "ingest", "rank", "outcomes", "explain", "check", "suggest", "demo", "trial"];

fn widest(text: &str) -> usize {
    text.lines().map(|l| l.chars().count()).max().unwrap_or(0)
}

#[test]
fn every_command_has_help_within_80_columns() {
    let folder = Folder::new();
    let top = folder.trimdrift(&["--help"]).expect(0);
    for verb in VERBS {
        assert!(
            top.out.contains(&format!("\n  {verb} ")),
            "{verb} is not in the help:\n{}",
            top.out
        );
    }
    for hidden in ["bench", "crosscheck"] {
        assert!(!top.out.contains(hidden), "{hidden} is shown");
    }
    for code in [
        "0 done",
        "1 a bug",
        "2 wrong usage",
        "3 done but",
        "4 an input",
        "5 settings",
        "6 lake",
        "7 another",
    ] {
        let help: String = top.out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(help.contains(code), "exit code {code} is not told");
    }
    let mut board = Board::new("help", ["command", "lines", "widest line"]);
    let mut show = |name: &str, ran: crate::support::Ran| {
        let ran = ran.expect(0);
        let wide = widest(&ran.out);
        let wrong = (wide > 80 || !ran.err.is_empty() || ran.out.is_empty()).then(|| ran.said());
        board.judged(
            [name.to_owned(), ran.out.lines().count().to_string(), wide.to_string()],
            wrong,
        );
    };
    show("trimdrift --help", top);
    show("trimdrift -h", folder.trimdrift(&["-h"]));
    show("trimdrift --version", folder.trimdrift(&["--version"]));
    for verb in VERBS {
        show(&format!("{verb} --help"), folder.trimdrift(&[verb, "--help"]));
        show(&format!("help {verb}"), folder.trimdrift(&["help", verb]));
    }
    board.close();
    assert!(tree(folder.path()).is_empty());
}

#[test]
fn wrong_usage_ends_with_code_2_and_nothing_on_stdout() {
    let folder = Folder::by_hand();
    folder.ingest();
    let before = tree(folder.path());
    let wrong: [&[&str]; 16] = [
        &[],
        &["rum", "pipeline.toml"],
        &["run"],
        &["run", "pipeline.toml", "another.toml"],
        &["run", "pipeline.toml", "--as-of", "yesterday"],
        &["run", "pipeline.toml", "--as-of", "2024-02-30"],
        &["run", "pipeline.toml", "--as-of"],
        &["run", "pipeline.toml", "--loud"],
        &["explain", "pipeline.toml"],
        &["explain", "pipeline.toml", "V-nobody"],
        &["demo"],
        &["demo", "d", "--vehicles", "0"],
        &["demo", "d", "--vehicles", "many"],
        &["demo", "d", "--days", "-1"],
        &["demo", "d", "--sample", "--days", "9"],
        &["trial", "--vehicles", "1"],
    ];
    let mut board = Board::new("wrong usage", ["typed", "code", "message"]);
    for args in wrong {
        let ran = folder.trimdrift(args);
        let message = ran.err.lines().next().unwrap_or_default().to_owned();
        let right = ran.code == 2 && ran.out.is_empty() && !message.is_empty();
        board.judged([args.join(" "), ran.code.to_string(), message], (!right).then(|| ran.said()));
    }
    board.close();
    assert!(tree(folder.path()) == before, "wrong usage wrote something");
    let near = folder.trimdrift(&["explain", "pipeline.toml", "V11"]).expect(2);
    assert!(near.err.contains("did you mean `V1`"), "{}", near.err);
}

/// A fleet with faults, workshop records and vehicles of every state.
fn fleet() -> Folder {
    let mut settings = small(10, 220, 51);
    (settings.faulty_share, settings.file_span) = (0.4, trimdrift::demo::FileSpan::Quarter);
    let fleet = Folder::demo(&settings);
    fleet.run();
    fleet
}

#[test]
fn results_go_to_stdout_within_80_columns_and_the_rest_to_stderr() {
    let fleet = fleet();
    let first =
        fleet.text("out/ranking.csv").lines().nth(1).unwrap().split(',').nth(1).unwrap().to_owned();
    let commands: [&[&str]; 9] = [
        &["run", "pipeline.toml"],
        &["run", "pipeline.toml", "--all"],
        &["rank", "pipeline.toml", "--as-of", "2024-08-01"],
        &["outcomes", "pipeline.toml"],
        &["explain", "pipeline.toml", &first],
        &["explain", "pipeline.toml", "V-001"],
        &["ingest", "pipeline.toml"],
        &["check", "pipeline.toml"],
        &["suggest", &format!("logs/{}", fleet.logs()[0])],
    ];
    let mut board =
        Board::new("output", ["command", "lines", "widest", "stderr lines", "with --quiet"]);
    for args in commands {
        // A proposed profile is a file to be edited, and what it could not decide is a warning.
        let proposes = args[0] == "suggest";
        let ran = fleet.trimdrift(args).expect(0);
        let quiet = fleet.trimdrift(&[&["--quiet"], args].concat()).expect(0);
        let mut wrong = Vec::new();
        if ran.out.is_empty() || quiet.out != ran.out {
            wrong.push("stdout is empty, or another with --quiet".to_owned());
        }
        if !quiet.err.is_empty() && !proposes {
            wrong.push(format!("not quiet: {}", quiet.err));
        }
        if widest(&ran.out) > 80 && !proposes {
            wrong.push(format!(
                "wide: {:?}",
                ran.out.lines().filter(|l| l.chars().count() > 80).take(3).collect::<Vec<_>>()
            ));
        }
        if ran.out.contains("trimdrift: ") || ran.err.lines().any(|l| !l.starts_with("trimdrift: "))
        {
            wrong.push(format!("mixed up: {}", ran.err));
        }
        if ran.said().contains('\u{1b}') || ran.said().contains('\r') {
            wrong.push("control sequences away from a terminal".to_owned());
        }
        let counts = [
            ran.out.lines().count(),
            widest(&ran.out),
            ran.err.lines().count(),
            quiet.err.lines().count(),
        ];
        let [lines, wide, err, quiet] = counts.map(|n| n.to_string());
        board.judged(
            [args.join(" "), lines, wide, err, quiet],
            (!wrong.is_empty()).then(|| wrong.join("; ")),
        );
    }
    board.close();
    // Quiet is not dumb: what is wrong is still said.
    fleet.write("logs/broken.csv", "");
    let quiet = fleet.trimdrift(&["--quiet", "run", "pipeline.toml"]).expect(4);
    assert!(quiet.err.contains("broken.csv") && quiet.err.lines().count() == 1, "{}", quiet.err);
}

#[test]
fn a_closed_pipe_is_no_failure() {
    let fleet = fleet();
    let commands: [&[&str]; 9] = [
        &["--help"],
        &["run", "--help"],
        &["run", "pipeline.toml", "--all"],
        &["rank", "pipeline.toml"],
        &["outcomes", "pipeline.toml"],
        &["explain", "pipeline.toml", "V-001"],
        &["ingest", "pipeline.toml"],
        &["check", "pipeline.toml"],
        &["suggest", &format!("logs/{}", fleet.logs()[0])],
    ];
    let mut board = Board::new("stdout closed at once", ["command", "code", "said"]);
    for args in commands {
        let mut run = command(fleet.path(), args).spawn().unwrap();
        drop(run.stdout.take());
        let ran: crate::support::Ran = run.wait_with_output().unwrap().into();
        let right = ran.code == 0
            && !ran.err.contains("anicked")
            && !ran.err.to_lowercase().contains("pipe (os");
        let said = ran.err.lines().last().unwrap_or_default().to_owned();
        board.judged(
            [args.join(" "), ran.code.to_string(), said],
            (!right).then(|| ran.err.clone()),
        );
    }
    let head =
        shell(fleet.path(), "$TRIMDRIFT run pipeline.toml --all | head -1; exit ${PIPESTATUS[0]}")
            .expect(0);
    assert_eq!(head.out.lines().count(), 1);
    // No progress may be lost to a closed stderr either.
    let err = shell(fleet.path(), "$TRIMDRIFT run pipeline.toml 2>&- >out.txt").expect(0);
    assert!(err.said().is_empty() && !fleet.text("out.txt").is_empty());
    board.close();
}

#[test]
fn a_full_stdout_is_a_failure() {
    let fleet = Folder::by_hand();
    let Ok(full) = File::options().write(true).open("/dev/full") else {
        println!("skipped: no /dev/full here");
        return;
    };
    let run = command(fleet.path(), &["run", "pipeline.toml"]).stdout(Stdio::from(full)).output();
    let ran: crate::support::Ran = run.unwrap().into();
    let ran = ran.expect(6);
    assert!(ran.err.contains("stdout"), "{}", ran.err);
}

#[test]
fn check_writes_nothing_and_shows_what_would_be_read() {
    let fleet = Folder::by_hand();
    fleet.pipeline("[gate]\nwarm_coolant_c = 75\n");
    let before = tree(fleet.path());
    let ran = fleet.trimdrift(&["check", "pipeline.toml"]).expect(0);
    assert!(tree(fleet.path()) == before, "check wrote something");
    for part in [
        "2 vehicles",
        "warm_coolant_c = 75",
        "default 70",
        "40 rows read, 40 kept",
        "V1",
        "1500 rpm",
    ] {
        assert!(ran.out.contains(part), "{part:?} is not in\n{}", ran.out);
    }
    fleet.write("logs/a-broken.csv", "when,rpm\n1,2\n");
    let before = tree(fleet.path());
    let ran = fleet.trimdrift(&["check", "pipeline.toml"]).expect(4);
    assert!(ran.said().contains("a-broken.csv") && ran.said().contains("`time`"), "{}", ran.said());
    assert!(tree(fleet.path()) == before);
    // Nor does asking for what is not there make a lake.
    for args in [
        &["rank", "pipeline.toml"][..],
        &["explain", "pipeline.toml", "V1"],
        &["outcomes", "pipeline.toml"],
    ] {
        let ran = fleet.trimdrift(args).expect(6);
        assert!(
            ran.err.contains("no lake at") && ran.err.contains("ingest something first"),
            "{}",
            ran.err
        );
    }
    assert!(tree(fleet.path()) == before);
}

#[test]
fn the_demo_goes_into_an_empty_folder_only_and_runs_as_it_says() {
    let folder = Folder::new();
    let made = folder
        .trimdrift(&["demo", "fleet", "--vehicles", "3", "--days", "20", "--seed", "5"])
        .expect(0);
    let next =
        made.out.lines().find_map(|l| l.strip_prefix("Next: trimdrift ")).unwrap().to_owned();
    let args: Vec<&str> = next.split(' ').collect();
    folder.trimdrift(&args).expect(0);
    let before = tree(folder.path());
    let again = folder.trimdrift(&["demo", "fleet", "--vehicles", "3"]).expect(6);
    assert!(again.err.contains("new or empty folder"), "{}", again.err);
    assert!(tree(folder.path()) == before);
}
