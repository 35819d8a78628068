//! The report's files hold every vehicle once, no unknown written as a number, and no text from the
//! data as markup, formula, path or terminal control.

use std::fs;
use std::path::{Path, PathBuf};
use trimdrift::report::{self, FileCounts, ReportError, ReportInput, explain, terminal};
use trimdrift::tables::findings::*;
use trimdrift::tables::trips::Band;

/// Names that try to be markup, formulas, paths, terminal controls or each other.
const HOSTILE: [&str; 13] = [
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "=cmd|' /C calc'!A0",
    "+1+1",
    "-2",
    "@SUM(A1)",
    "\t=1",
    "x;=cmd()",
    "../../etc/passwd",
    "..",
    "van\u{202e}7",
    "van\u{1b}[31m8\r\nfake,row",
    "&lt;b&gt;",
];

const NONE: Estimate = Estimate::NONE;

fn estimate(value: f64) -> Estimate {
    Estimate { value, lo: value - 1.0, hi: value + 1.0 }
}

fn series(kind: SeriesKind, change: f64, flagged_up: Option<i32>) -> SeriesFinding {
    SeriesFinding {
        kind,
        days: 200,
        days_in_all: 300,
        tenth_last: Some(20_600),
        baseline: 1.5,
        least_change: 3.0,
        least_fall: 3.0,
        level_limits: None,
        change: estimate(change),
        change_from_first: NONE,
        repaired_on: None,
        drift_per_10000km: estimate(change / 2.0),
        log_r_up: 12.0,
        log_r_down: f64::NEG_INFINITY,
        log_limit_up: 10.6,
        log_limit_down: 11.8,
        flagged_up,
        flagged_down: None,
        level_on: None,
        recent_raw: f64::NAN,
        near_limit_on: None,
        onset: flagged_up.map(|d| (d - 90, d - 30)),
        sigma: 1.2,
    }
}

fn causes(hint: &'static str) -> Vec<CauseWeight> {
    let weight = |cause, probability, nats| CauseWeight {
        cause,
        probability,
        contributions: vec![(hint, nats), ("misfires", f64::NEG_INFINITY)],
    };
    vec![weight(Cause::RestrictedInjectors, 0.9, -1.0), weight(Cause::UnmeteredAir, 0.1, -4.0)]
}

/// A vehicle whose every text is `text`.
pub(crate) fn vehicle(rank: usize, text: &str, state: State) -> RankedVehicle {
    let act = state == State::Act;
    let no_data = state == State::TooLittleData;
    let flagged = act.then_some(20_500);
    let trace = (0..60).map(|w| TracePoint {
        day: 20_100 + 7 * w,
        km: 300.0 * f64::from(w),
        bands: [f64::from(w) / 6.0, if w % 7 == 0 { f64::NAN } else { 1.0 }, f64::NAN],
    });
    let misfires = MisfireFinding {
        per_1000_rev: 1.5,
        baseline_per_1000_rev: f64::NAN,
        warm_per_1000_rev: 1.0,
        cold_per_1000_rev: f64::NAN,
        ratio: Estimate { value: 3.0, lo: 1.0, hi: f64::INFINITY },
        flagged_on: None,
        stands: false,
        mostly_cold: false,
        log_r: f64::NAN,
        log_limit: 13.0,
        cylinder: Some(2),
        concentration_p: f64::NAN,
        dispersion: f64::INFINITY,
        by_cylinder: vec![0.1, 1.4, f64::NAN],
    };
    let economy = EconomyFinding {
        change_pct: estimate(2.0),
        change_days: None,
        refuel_change_pct: NONE,
        refuel_days: None,
        litres_per_km: f64::NAN,
        notes: vec![text.to_owned()],
    };
    RankedVehicle {
        rank,
        vehicle: text.to_owned(),
        depot: text.to_owned(),
        engine_family: text.to_owned(),
        verdict: Verdict {
            state,
            action: if act { Action::InjectorCleaning } else { Action::None },
            cause: act.then_some((Cause::RestrictedInjectors, 0.9)),
            bank: act.then_some(1),
            flagged_on: flagged,
            drift_per_10000km: if act { estimate(4.0) } else { NONE },
            towards_limit: None,
            km_to_limit: Estimate { value: 9_000.0, lo: 4_000.0, hi: f64::INFINITY },
            trim_pct: [8.0, f64::NAN, -0.001],
            reason: format!("trim rose by 8 % {text}"),
            checks: vec![text.to_owned()],
        },
        urgency: Urgency { fuel: 1.0, breakdown: if act { 50.0 } else { 0.0 }, catalyst: 0.0 },
        findings: VehicleFindings {
            proved_before: None,
            vehicle: text.to_owned(),
            days_of_data: 200,
            span_days: 420,
            trips: 800,
            gated: 400_000,
            period: (!no_data).then_some((20_100, 20_520)),
            km_per_week: f64::NAN,
            odometer_km: f64::NAN,
            resets: vec![20_300],
            loop_inferred: true,
            off_from_start: f64::NAN,
            peers: 4,
            series: if no_data {
                Vec::new()
            } else {
                vec![
                    series(SeriesKind::TrimAll, 8.0, flagged),
                    series(SeriesKind::Trim(1, Band::Idle), 8.0, flagged),
                    series(SeriesKind::Breathing, f64::NAN, None),
                ]
            },
            causes: if act { causes("shape over airflow") } else { Vec::new() },
            misfires: Some(misfires),
            economy: Some(economy),
            trace: if no_data { Vec::new() } else { trace.collect() },
            services: vec![(20_250, text.to_owned())],
            notes: vec![text.to_owned()],
        },
    }
}

/// All hostile names, in all states in turn.
fn fleet() -> Vec<RankedVehicle> {
    let states = [State::Act, State::Watch, State::Sound, State::TooLittleData];
    HOSTILE.iter().enumerate().map(|(i, name)| vehicle(i + 1, name, states[i % 4])).collect()
}

/// Owner of everything that a report input borrows.
struct Made {
    ranked: Vec<RankedVehicle>,
    outcomes: Vec<Outcome>,
    summaries: Vec<OutcomeSummary>,
    files: Vec<FileCounts>,
    alarms: Vec<GroupAlarm>,
    notes: Vec<String>,
}

impl Made {
    fn new(ranked: Vec<RankedVehicle>) -> Made {
        let text = HOSTILE[0].to_owned();
        let outcome = Outcome {
            vehicle: HOSTILE[2].to_owned(),
            day: 20_400,
            service: text.clone(),
            cost: f64::NAN,
            trim_before_pct: 8.0,
            trim_after_pct: f64::NAN,
            trim_change_pct: NONE,
            misfire_ratio: NONE,
            misfire_before_after: [f64::NAN; 2],
            economy_change_pct: NONE,
            days_until_next_flag: None,
            days_after: 12,
            verdict: "too_early",
        };
        let summary = OutcomeSummary {
            service: text.clone(),
            jobs: 1,
            judged: 0,
            worked: 0,
            no_effect: 0,
            worse: 0,
            unclear: 0,
            trim_change_pct: NONE,
            misfire_change_per_1000_rev: NONE,
            economy_change_pct: NONE,
            cost_median: f64::NAN,
            flagged_again: 0,
            days_until_next_flag_median: f64::NAN,
        };
        let alarm = GroupAlarm {
            engine_family: text.clone(),
            since_day: 20_480,
            drift_per_10000km: estimate(2.0),
        };
        Made {
            ranked,
            outcomes: vec![outcome],
            summaries: vec![summary],
            files: vec![FileCounts { file: text.clone(), kept: 10, rejected: 2 }],
            alarms: vec![alarm],
            notes: vec![text],
        }
    }

    fn input(&self) -> ReportInput<'_> {
        ReportInput {
            as_of_day: 20_521,
            currency: "<b>EUR",
            correction_limit_pct: 25.0,
            ranked: &self.ranked,
            outcomes: &self.outcomes,
            summaries: &self.summaries,
            files: &self.files,
            group_alarms: &self.alarms,
            guarantee: GuaranteeFigures {
                designed_per_vehicle_year: 0.01,
                mirror_designed_per_vehicle_year: 0.006,
                mirror_flags: 0,
                mirror_vehicle_years: f64::NAN,
            },
            tool_version: "0.0.0",
            notes: &self.notes,
        }
    }
}

/// Writes the hostile fleet and returns the folder with it.
fn written() -> (tempfile::TempDir, PathBuf) {
    let made = Made::new(fleet());
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    report::write(&made.input(), &out).unwrap();
    report::write_run_record(&serde_json::json!({ "vehicles": HOSTILE }), &out).unwrap();
    (folder, out)
}

fn pages(out: &Path) -> Vec<(String, String)> {
    let mut pages: Vec<(String, String)> = fs::read_dir(out.join("report"))
        .unwrap()
        .map(|e| e.unwrap())
        .map(|e| (e.file_name().into_string().unwrap(), fs::read_to_string(e.path()).unwrap()))
        .collect();
    pages.sort();
    pages
}

/// Everything between `<` and `>`, style left out.
fn tags(html: &str) -> Vec<&str> {
    html.split('<').skip(1).map(|t| t.split('>').next().unwrap()).collect()
}

/// All texts that the report writes for people or spreadsheets, with their names.
fn texts(out: &Path) -> Vec<(String, String)> {
    let made = Made::new(fleet());
    let input = made.input();
    let mut all = pages(out);
    for name in ["ranking.csv", "outcomes.csv", "outcome_summary.csv", "run.json"] {
        all.push((name.to_owned(), fs::read_to_string(out.join(name)).unwrap()));
    }
    all.push(("table".to_owned(), terminal::table(&input, 80, true)));
    all.push(("outcomes".to_owned(), terminal::outcomes(&input, 80)));
    for v in &made.ranked {
        let trip = explain::TripRow {
            vehicle: v.vehicle.clone(),
            trip: v.vehicle.clone(),
            start_us: i64::MAX,
            km: f64::NAN,
            gated: 3,
            means: [[f64::NAN; 3]; 2],
            source: v.vehicle.clone(),
        };
        all.push((format!("explain {}", v.rank), explain::text(&input, v, &[trip], 80)));
    }
    all
}

#[test]
fn every_vehicle_has_one_row_one_link_and_one_page() {
    let (_folder, out) = written();
    let mut ranking = csv::Reader::from_path(out.join("ranking.csv")).unwrap();
    assert_eq!(ranking.records().map(Result::unwrap).count(), HOSTILE.len());
    let pages = pages(&out);
    assert_eq!(pages.len(), HOSTILE.len() + 1);
    let (_, front) = pages.iter().find(|(name, _)| name == "index.html").unwrap();
    for (name, _) in pages.iter().filter(|(name, _)| name != "index.html") {
        assert_eq!(front.matches(&format!("href=\"{name}\"")).count(), 1, "{name}");
    }
}

#[test]
fn the_ranking_opens_with_the_columns_of_the_contract() {
    let contract = "rank,vehicle,depot,state,action,urgency_per_week,flagged_on,cause,\
        cause_probability,trim_idle_pct,trim_cruise_pct,trim_load_pct,trim_drift_pct_per_10000km,\
        trim_drift_lo,trim_drift_hi,km_to_limit,misfire_per_1000_rev,misfire_cylinder,\
        economy_change_pct,economy_lo,economy_hi,days_of_data,reason,";
    let made = Made::new(fleet());
    let bytes = report::ranking_file::bytes(&made.input()).unwrap();
    assert!(String::from_utf8(bytes).unwrap().starts_with(contract));
}

#[test]
fn file_names_are_made_of_safe_characters_only() {
    let (_folder, out) = written();
    for (name, _) in pages(&out) {
        let stem = name.strip_suffix(".html").unwrap();
        let is_safe = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        assert!(stem.chars().all(is_safe) && stem.len() < 60, "{name}");
    }
}

#[test]
fn names_never_become_markup() {
    const TAGS: [&str; 49] = [
        "!DOCTYPE",
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "nav",
        "header",
        "main",
        "section",
        "footer",
        "div",
        "p",
        "h1",
        "h2",
        "h3",
        "a",
        "bdi",
        "b",
        "strong",
        "small",
        "span",
        "ul",
        "ol",
        "li",
        "dl",
        "dt",
        "dd",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "figure",
        "figcaption",
        "svg",
        "desc",
        "g",
        "path",
        "rect",
        "line",
        "circle",
        "text",
        "br",
        "em",
        "i",
    ];
    let (_folder, out) = written();
    for (page, html) in pages(&out) {
        for tag in tags(&html) {
            let name = tag.trim_start_matches('/').split([' ', '\n']).next().unwrap();
            assert!(TAGS.contains(&name), "{page}: <{tag}>");
            assert!(!tag.contains(" on") && !tag.contains("src="), "{page}: <{tag}>");
        }
    }
}

#[test]
fn pages_ask_for_nothing_from_anywhere() {
    let (_folder, out) = written();
    for (page, html) in pages(&out) {
        let without_policy = html.replacen("http-equiv", "", 1);
        for word in ["http", "//", "url(", "@import", "<script", "<link", "<iframe"] {
            assert!(!without_policy.contains(word), "{page}: {word}");
        }
        assert!(html.contains("default-src 'none'"), "{page}");
        for tag in tags(&html).iter().filter(|t| t.starts_with("a ")) {
            let target = tag.split("href=\"").nth(1).unwrap().split('"').next().unwrap();
            assert!(out.join("report").join(target).is_file(), "{page}: {target}");
        }
    }
}

#[test]
fn no_cell_opens_with_a_formula() {
    let (_folder, out) = written();
    for name in ["ranking.csv", "outcomes.csv", "outcome_summary.csv"] {
        let mut reader = csv::Reader::from_path(out.join(name)).unwrap();
        for cell in
            reader.records().flat_map(|r| r.unwrap().iter().map(str::to_owned).collect::<Vec<_>>())
        {
            let is_number = cell.parse::<f64>().is_ok();
            assert!(is_number || !cell.starts_with(['=', '+', '-', '@', '\t', '\r']), "{cell:?}");
            assert!(!cell.contains(";="), "{cell:?}");
        }
    }
}

#[test]
fn unknown_values_are_never_written_as_numbers() {
    let (_folder, out) = written();
    for (name, text) in texts(&out) {
        for word in text.split(|c: char| !c.is_alphanumeric()) {
            assert!(!["NaN", "nan", "inf", "Infinity", "infinity"].contains(&word), "{name}");
        }
        assert!(!text.contains("-0.00,") && !text.contains("-0.0 "), "{name}");
    }
}

#[test]
fn control_and_direction_marks_reach_no_output() {
    let (_folder, out) = written();
    for (name, text) in texts(&out) {
        let bad = |c: char| (c.is_control() && c != '\n') || ('\u{202a}'..='\u{202e}').contains(&c);
        assert_eq!(text.chars().find(|c| bad(*c)), None, "{name}");
        assert!(!text.contains("\nfake,row"), "{name}");
    }
}

#[test]
fn terminal_lines_fit_the_width() {
    let made = Made::new(fleet());
    for width in [48, 60, 80, 120] {
        for line in terminal::table(&made.input(), width, true).lines() {
            assert!(line.chars().count() <= width, "{width}: {line}");
        }
    }
}

#[test]
fn the_same_input_gives_the_same_bytes() {
    let read = |out: &Path| {
        let names = ["ranking.csv", "findings.parquet", "outcomes.csv", "run.json"];
        let files: Vec<Vec<u8>> = names.iter().map(|n| fs::read(out.join(n)).unwrap()).collect();
        (files, pages(out))
    };
    let ((_a, one), (_b, two)) = (written(), written());
    assert_eq!(read(&one), read(&two));
}

#[test]
fn findings_hold_every_vehicle_and_series_and_no_nan() {
    use arrow::array::{Array, AsArray};
    use arrow::datatypes::{DataType, Float64Type};
    let (_folder, out) = written();
    let file = fs::File::open(out.join("findings.parquet")).unwrap();
    let reader =
        parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder::try_new(file).unwrap();
    let batches: Vec<_> = reader.build().unwrap().map(Result::unwrap).collect();
    let rows: usize = batches.iter().map(|b| b.num_rows()).sum();
    let expected: usize = fleet().iter().map(|v| v.findings.series.len().max(1)).sum();
    assert_eq!(rows, expected);
    for batch in &batches {
        for column in batch.columns().iter().filter(|c| c.data_type() == &DataType::Float64) {
            let values = column.as_primitive::<Float64Type>();
            assert!(values.iter().flatten().all(f64::is_finite));
        }
        let change = batch.column_by_name("change").unwrap().as_primitive::<Float64Type>();
        assert!(change.null_count() > 0 && change.null_count() < change.len());
    }
}

#[test]
fn a_new_report_leaves_no_page_of_the_old_one() {
    let (_folder, out) = written();
    let made = Made::new(vec![vehicle(1, "only", State::Sound)]);
    report::write(&made.input(), &out).unwrap();
    let names: Vec<String> = pages(&out).into_iter().map(|(name, _)| name).collect();
    assert_eq!(names, ["index.html", "vehicle-001-only.html"]);
    let left: Vec<String> = fs::read_dir(&out)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .filter(|n| n.starts_with('.'))
        .collect();
    assert_eq!(left, Vec::<String>::new());
}

#[test]
fn a_folder_that_holds_something_else_is_left_alone() {
    let (_folder, out) = written();
    fs::write(out.join("report/thesis.odt"), "years of work").unwrap();
    let made = Made::new(fleet());
    let error = report::write(&made.input(), &out).unwrap_err();
    assert!(matches!(&error, ReportError::ForeignContent { found, .. } if found == "thesis.odt"));
    assert_eq!(fs::read_to_string(out.join("report/thesis.odt")).unwrap(), "years of work");
}

#[test]
fn a_place_that_is_no_folder_is_named_in_the_error() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    fs::write(&out, "a file").unwrap();
    let error = report::write(&Made::new(fleet()).input(), &out).unwrap_err();
    assert!(error.to_string().contains(out.to_str().unwrap()), "{error}");
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_keeps_the_old_file_and_says_so() {
    let (_folder, out) = written();
    let before = fs::read(out.join("ranking.csv")).unwrap();
    // /dev/full answers every write with 'no space left'.
    std::os::unix::fs::symlink("/dev/full", out.join(".ranking.csv.new")).unwrap();
    let made = Made::new(vec![vehicle(1, "only", State::Sound)]);
    let error = report::write(&made.input(), &out).unwrap_err();
    assert!(matches!(&error, ReportError::DiskFull { path } if path.ends_with("ranking.csv")));
    assert_eq!(fs::read(out.join("ranking.csv")).unwrap(), before);
}
