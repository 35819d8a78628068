//! Input made to do harm: what would fill the memory, take for ever, or become a path, markup, a formula or a control
//! sequence. Never more than the row or the file is lost, and nothing of it leaves lake and outputs.

use std::fs;

use crate::bad_input::own_profile;
use crate::support::folder::{GOOD_ROWS, LOG, REGISTER, entry, gzip, log, row, tree, zstandard};
use crate::support::outputs::{ranking, record};
use crate::support::program::shell;
use crate::support::{Board, Folder};

#[test]
fn a_line_of_1_gb_and_bombs_are_not_held_in_memory() {
    // Address space, not only what is resident: all of it would not fit twice over.
    const KIB: usize = 500_000;
    // Rows, 1 GB without a line end, and rows again; in members or frames, so that it is quickly made.
    let head = log("V2", "t2", 2, 1500);
    let tail = format!("\n{}", row("V2", "t2", 2, 1600));
    let packed = |pack: fn(&[u8]) -> Vec<u8>, byte: u8| {
        let middle = pack(&vec![byte; 8 << 20]).repeat(128);
        [pack(head.as_bytes()), middle, pack(tail.as_bytes())].concat()
    };
    // Text enough that the zeros behind it are not taken for a binary file, then a hole.
    let sparse = |path: &std::path::Path| {
        use std::io::{Seek, SeekFrom, Write};
        let mut file = fs::File::create(path).unwrap();
        file.write_all(head.as_bytes()).unwrap();
        file.seek(SeekFrom::Current(1 << 30)).unwrap();
        file.write_all(tail.as_bytes()).unwrap();
    };
    let write = |bytes: Vec<u8>| move |path: &std::path::Path| fs::write(path, &bytes).unwrap();
    let hole = |path: &std::path::Path| {
        let file = fs::File::create(path).unwrap();
        file.set_len(1 << 30).unwrap();
    };
    let mut board = Board::new("large and small", ["input", "bytes", "code", "message"]);
    type Make<'a> = &'a dyn Fn(&std::path::Path);
    const ALLOWED: &str = "[ingest]\nunpacked_ratio_max = 10000\nrejected_share_max_pct = 50\n";
    let cases: [(&str, &str, i32, &str, &str, Make); 8] = [
        ("a line of 1 GB of zeros, sparse", "x.csv", 0, "1 line_too_long", "", &sparse),
        ("1 GB of zeros and nothing else", "x.csv", 4, "not text", "", &hole),
        (
            "a line of 1 GB, gz",
            "x.csv.gz",
            4,
            "unpacks to more than",
            "",
            &write(packed(gzip, b'7')),
        ),
        (
            "a line of 1 GB of zeros, zst",
            "x.csv.zst",
            4,
            "unpacks to more than",
            "",
            &write(packed(zstandard, 0)),
        ),
        (
            "the same, ratio allowed, gz",
            "x.csv.gz",
            0,
            "1 line_too_long",
            ALLOWED,
            &write(packed(gzip, b'7')),
        ),
        (
            "the same, ratio allowed, zst",
            "x.csv.zst",
            4,
            "unpacks to more than",
            ALLOWED,
            &write(packed(zstandard, 0)),
        ),
        (
            "1 GB of blank lines, gz",
            "x.csv.gz",
            4,
            "unpacks to more than",
            "",
            &write(packed(gzip, b'\n')),
        ),
        (
            "1 GB of blank lines, allowed, gz",
            "x.csv.gz",
            0,
            "",
            ALLOWED,
            &write(packed(gzip, b'\n')),
        ),
    ];
    for (what, name, code, says, extra, make) in cases {
        let fleet = Folder::by_hand();
        fleet.pipeline(extra);
        let path = fleet.join(&format!("logs/{name}"));
        make(&path);
        let ran =
            shell(fleet.path(), &format!("ulimit -v {KIB}; exec $TRIMDRIFT ingest pipeline.toml"));
        let good = fleet.lake().samples.iter().filter(|s| s.contains("\"t1\"")).count();
        let right = ran.code == code
            && ran.err.contains(says)
            && (says.is_empty() || ran.err.contains(name));
        // What stands before and behind the line is read, if the file is.
        let own = fleet.lake().samples.iter().filter(|s| s.contains("\"t2\"")).count();
        let right = right && own == if code == 0 { 1501 } else { 0 };
        let wrong = (!right || good != GOOD_ROWS)
            .then(|| format!("code {}, {good} and {own} rows: {}", ran.code, ran.err));
        let message = ran.err.lines().find(|l| l.contains(says)).unwrap_or_default();
        board.judged(
            [
                what.to_owned(),
                fs::metadata(&path).unwrap().len().to_string(),
                ran.code.to_string(),
                message.to_owned(),
            ],
            wrong,
        );
    }
    board.close();
}

#[test]
fn a_pattern_made_to_be_slow_is_not() {
    let fleet = Folder::by_hand();
    own_profile(
        &fleet,
        "[file_name]\npattern = '^(?<vehicle>(a+)+)+$'\n[time]\ncolumn = \"time\"\nform = \"rfc3339\"\n[vehicle]\nfrom = \"file_name\"\n[columns]\nrpm = { column = \"rpm\", unit = \"rpm\" }\n",
    );
    fs::remove_file(fleet.join("logs/good.csv")).unwrap();
    fleet.write(&format!("logs/{}.csv", "a".repeat(200)), log("V1", "t", 1, 5));
    let started = std::time::Instant::now();
    let ran = fleet.trimdrift(&["ingest", "pipeline.toml"]).expect(4);
    assert!(ran.err.contains("file name does not give"), "{}", ran.err);
    assert!(started.elapsed().as_secs() < 5, "{:?}", started.elapsed());
}

/// Names that want to be a path, markup, a formula, a control sequence or another name.
const HOSTILE: [&str; 15] = [
    "../../etc/passwd",
    "../../../trimdrift-escaped",
    "/tmp/absolute",
    "..",
    "a/../../b",
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>",
    "'; DROP TABLE samples; --",
    "=cmd|' /C calc'!A0",
    "+1+cmd",
    "@SUM(A1:A9)",
    "-2+3",
    "\u{202e}drowssap\u{202c}",
    "V1\u{200b}",
    "車7; é, \"quoted\"",
];

#[test]
fn hostile_vehicle_names_become_no_markup_formula_or_path() {
    let fleet = Folder::new();
    let mut register = REGISTER.to_owned() + &entry("V1");
    let mut text = LOG.to_owned();
    for (k, name) in HOSTILE.iter().enumerate() {
        register += &entry(name);
        (0..30).for_each(|i| text += &row(name, name, 1 + k as u32, i));
    }
    // A hostile depot and family too.
    register += "V2,<b>F</b>,1.6,4,1,maf,port,petrol,no,=HYPERLINK(A1)\n";
    fleet.write("vehicles.csv", register);
    fleet.write("logs/good.csv", log("V1", "t1", 1, GOOD_ROWS));
    fleet.write("logs/hostile.csv", text);
    fleet.pipeline("");
    let before = fleet.inputs();
    let run = fleet.trimdrift(&["run", "pipeline.toml", "--all"]).expect(0);
    assert!(fleet.inputs() == before, "wrote outside lake and out");
    let outside =
        [fleet.path().parent().unwrap().join("trimdrift-escaped"), "/tmp/absolute".into()];
    assert!(outside.iter().all(|p| !p.exists()), "wrote outside the folder");
    assert_eq!(fleet.lake().samples.len(), GOOD_ROWS + 30 * HOSTILE.len());
    // Every name has its row and its page.
    let ranked = ranking(&fleet.join("out"));
    assert_eq!(ranked.len(), HOSTILE.len() + 2);
    let mut board = Board::new("hostile names", ["name", "in ranking.csv"]);
    let mut csv = csv::Reader::from_reader(fs::File::open(fleet.join("out/ranking.csv")).unwrap());
    for record in csv.records() {
        for cell in record.unwrap().iter() {
            let number = cell.parse::<f64>().is_ok();
            let formula = cell.starts_with(['=', '+', '@', '-', '\t', '\r']) && !number;
            assert!(!formula, "{cell:?} is a formula to a spreadsheet");
        }
    }
    for name in HOSTILE {
        let hit = ranked.keys().find(|r| *r == name || r.strip_prefix('\'') == Some(name));
        let shown = hit.map_or_else(|| "otherwise".to_owned(), |h| h.escape_debug().to_string());
        board.row([name.escape_debug().to_string(), shown]);
    }
    board.close();
    let files = tree(&fleet.join("out"));
    let pages: Vec<&String> = files.keys().filter(|n| n.starts_with("report/vehicle-")).collect();
    assert_eq!(pages.len(), HOSTILE.len() + 2, "{pages:?}");
    for page in &pages {
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_./".contains(c);
        assert!(page.chars().all(plain) && !page.contains(".."), "{page}");
    }
    for (name, bytes) in files.iter().filter(|(n, _)| n.ends_with(".html")) {
        let html = String::from_utf8(bytes.clone()).unwrap();
        for markup in ["<script>alert", "<img src=x", "<b>F</b>", "\u{202e}", "\u{200b}"] {
            assert!(!html.contains(markup), "{markup:?} in {name}");
        }
    }
    for secret in ["\u{202e}", "\u{200b}", "\u{1b}"] {
        assert!(!run.said().contains(secret), "{secret:?} on the terminal");
    }
    // Explain knows each name as the register writes it.
    for name in HOSTILE {
        let ran = fleet.trimdrift(&["explain", "pipeline.toml", "--", name]).expect(0);
        assert!(!ran.said().contains('\u{202e}'));
    }
}

#[test]
fn names_that_no_vehicle_can_have_are_rejected_by_row() {
    let fleet = Folder::by_hand();
    fleet.pipeline("[ingest]\nrejected_share_max_pct = 50\n");
    let long = "n".repeat(129);
    let mut text = log("V1", "t2", 2, 20);
    for (k, name) in ["", " ", "a\tb", "a\u{1b}[31mred", "bell\u{7}", &long].iter().enumerate() {
        text += &row(name, "t2", 2, 100 + k);
    }
    fleet.write("logs/x.csv", text);
    let ran = fleet.run();
    assert!(ran.err.contains("x.csv: 6 of 26 rows rejected"), "{}", ran.err);
    assert!(!ran.said().contains('\u{1b}') && !ran.said().contains('\u{7}'));
    let reasons = &record(&fleet.join("out"))["inputs"][1]["rejected_by_reason"];
    assert_eq!(
        (&reasons["no_vehicle"], &reasons["bad_vehicle"]),
        (&2.into(), &4.into()),
        "{reasons}"
    );
}
