//! The shape of the code itself: which module may import which, which crate may be used where, and what no file may hold.
//!
//! Source text is read, not compiled: comments and strings are blanked, unit tests are cut off, paths are collected. The
//! checks are tried on made-up snippets first, since a check that finds nothing proves nothing.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use crate::support::code::{Source, imports, sources, uses_crate};

/// Modules that are strangers to each other.
const STAGES: [&str; 10] = [
    "ingest", "condense", "lake", "evidence", "decide", "rank", "report", "outcomes", "demo",
    "trial",
];

/// What every module may import: what stands below the stages.
const GROUND: [&str; 4] = ["settings", "tables", "stats", "quantity"];

/// What the modules of the ground may import of each other.
const BELOW: [(&str, &[&str]); 4] =
    [("settings", &[]), ("tables", &[]), ("stats", &[]), ("quantity", &[])];

/// Modules in which several stages meet, with what they may import beyond the ground.
const MEETING: [(&str, &[&str]); 4] = [
    (
        "pipeline",
        &["ingest", "condense", "lake", "evidence", "decide", "rank", "report", "outcomes"],
    ),
    ("cli", &["pipeline", "lake", "demo", "ingest", "report", "trial", "crosscheck"]),
    ("trial", &["evidence", "decide", "outcomes"]),
    ("crosscheck", &[]),
];

/// Crates that belong to some modules alone.
const HOMES: [(&str, &[&str]); 17] = [
    ("deltalake", &["lake"]),
    ("tokio", &["lake"]),
    ("url", &["lake"]),
    ("polars", &["lake"]),
    ("clap", &["cli"]),
    ("indicatif", &["cli"]),
    ("terminal_size", &["cli"]),
    ("tracing_subscriber", &["cli"]),
    ("maud", &["report"]),
    ("encoding_rs", &["ingest"]),
    ("fast_float2", &["ingest"]),
    ("flate2", &["ingest", "demo"]),
    ("zstd", &["ingest"]),
    ("glob", &["ingest"]),
    ("regex", &["ingest"]),
    ("memchr", &["ingest"]),
    ("toml", &["settings", "ingest"]),
];

/// Text that may stand in some modules alone.
const WORDS: [(&str, &[&str]); 9] = [
    ("Timestamp::now", &["cli"]),
    ("Zoned::now", &["cli"]),
    ("SystemTime", &[]),
    ("env::var", &[]),
    ("process::exit", &[]),
    ("println!", &[]),
    ("eprintln!", &[]),
    ("dbg!", &[]),
    ("unsafe ", &[]),
];

/// Everything that is wrong with one file.
fn faults(source: &Source) -> Vec<String> {
    let module = source.module();
    let mut wrong = Vec::new();
    if module != "lib" && module != "main" {
        let allowed = allowed(&module);
        for import in imports(source) {
            if import != module && !allowed.contains(&import.as_str()) {
                wrong.push(format!("{module} imports {import}"));
            }
        }
    }
    let (name, homes) = (module.as_str(), |homes: &[&str]| homes.contains(&module.as_str()));
    for (krate, at) in HOMES.iter().filter(|(_, at)| !homes(at)) {
        if uses_crate(source, krate) {
            wrong.push(format!("{name} uses {krate}, which belongs to {at:?}"));
        }
    }
    for (text, _) in WORDS.iter().filter(|(_, at)| !homes(at)) {
        if source.code.contains(text) {
            wrong.push(format!("{name} holds `{text}`"));
        }
    }
    for call in [".unwrap()", ".expect(\"", "panic!(", "todo!(", "unimplemented!(", "unreachable!("]
    {
        if source.code.contains(call) {
            wrong.push(format!("`{call}` outside tests"));
        }
    }
    wrong
}

fn allowed(module: &str) -> Vec<&'static str> {
    if let Some((_, below)) = BELOW.iter().find(|(m, _)| *m == module) {
        return below.to_vec();
    }
    let meets = MEETING.iter().find(|(m, _)| *m == module).map_or(&[][..], |(_, others)| others);
    GROUND.iter().chain(meets).copied().collect()
}

#[test]
fn the_checks_find_what_they_are_for() {
    let wrong: [(&str, &str, &str); 20] = [
        ("ingest/a.rs", "use crate::lake::Lake;", "ingest imports lake"),
        ("ingest/a.rs", "use crate::{tables::x, lake::{Lake, y}};", "ingest imports lake"),
        (
            "ingest/a.rs",
            "use crate::{\n    stats,\n    evidence as e,\n};",
            "ingest imports evidence",
        ),
        ("ingest/a.rs", "fn f() { crate::report::words::iso_day(1); }", "ingest imports report"),
        ("ingest/a.rs", "use super::super::lake::Lake;", "ingest imports lake"),
        ("ingest/mod.rs", "use super::lake::Lake;", "ingest imports lake"),
        ("ingest/deep/a.rs", "use super::super::super::pipeline::run;", "ingest imports pipeline"),
        ("rank.rs", "use crate::decide::decide;", "rank imports decide"),
        ("tables/trips.rs", "use crate::settings::GateSettings;", "tables imports settings"),
        ("stats/a.rs", "use crate::evidence::Series;", "stats imports evidence"),
        ("trial/a.rs", "use crate::demo::x;", "trial imports demo"),
        ("pipeline/a.rs", "use crate::cli::Args;", "pipeline imports cli"),
        ("report/a.rs", "use deltalake::table::x;", "report uses deltalake"),
        ("evidence/a.rs", "fn f(d: polars::prelude::DataFrame) {}", "evidence uses polars"),
        ("settings/a.rs", "use clap::Parser;", "settings uses clap"),
        ("decide/a.rs", "let now = jiff::Timestamp::now();", "holds `Timestamp::now`"),
        ("decide/a.rs", "let s = '\"'; x.unwrap(); let t = '\"';", "`.unwrap()`"),
        ("decide/a.rs", "/* a /* b */ c */ x.expect(\"y\")", "`.expect(\"`"),
        (
            "decide/a.rs",
            "#[cfg(test)]\nmod tests { fn f() { {} } }\nfn g() { panic!(\"\") }",
            "`panic!(`",
        ),
        ("decide/a.rs", "#[cfg(test)]\nuse x::y;\nfn g() { y.unwrap() }", "`.unwrap()`"),
    ];
    for (path, code, fault) in wrong {
        let found = faults(&Source::new(Path::new(path), code));
        assert!(found.iter().any(|f| f.contains(fault)), "{code:?}: {found:?}");
    }
    let right: [(&str, &str); 14] = [
        (
            "ingest/a.rs",
            "use crate::tables::samples::Samples;\nuse crate::{stats, quantity::Unit};",
        ),
        ("ingest/a.rs", "use crate::ingest::Limits;\nuse super::Limits;\nuse super::order::Order;"),
        ("ingest/deep/a.rs", "use super::super::order::Order;"),
        ("ingest/a.rs", "// use crate::lake::Lake;\n/// [`crate::lake`]\n//! crate::lake::x"),
        (
            "ingest/a.rs",
            "const S: &str = \"crate::lake::x .unwrap()\";\nconst R: &str = r#\"a\" crate::lake::x\"#;",
        ),
        (
            "ingest/a.rs",
            "fn f<'a>(x: &'a str) -> char { '\\'' }\n#[cfg(test)]\nmod tests { use crate::lake::x; fn f() { y.unwrap() } }",
        ),
        (
            "ingest/a.rs",
            "x.unwrap_or(1); x.unwrap_or_default(); self.expect(Table::Trips); debug_assert!(true);",
        ),
        ("ingest/a.rs", "let r#type = 1; curl::x(); my_url::y();"),
        ("pipeline/a.rs", "use crate::ingest::x;\nuse crate::lake::{Lake, Mode};"),
        ("trial/a.rs", "use crate::evidence::{self, Evidence};"),
        ("lake/a.rs", "use deltalake::x;\nuse polars::prelude::y;\nurl::Url::parse(z)"),
        ("report/pages/front.rs", "use maud::html;\nuse super::super::words;"),
        ("cli/verbs.rs", "jiff::Timestamp::now()"),
        ("decide/a.rs", "let c = crate::decide::reason::x; let polars_like = some::polars::x;"),
    ];
    for (path, code) in right {
        let found = faults(&Source::new(Path::new(path), code));
        assert!(found.is_empty(), "{code:?}: {found:?}");
    }
}

#[test]
fn imports_point_down_and_never_sideways() {
    let mut wrong = Vec::new();
    let mut imports_seen = BTreeSet::new();
    let files = sources();
    for (path, text) in &files {
        let source = Source::new(path, text);
        imports_seen.extend(imports(&source));
        wrong.extend(faults(&source).into_iter().map(|f| format!("src/{}: {f}", path.display())));
    }
    let modules: BTreeSet<String> =
        files.iter().map(|(path, text)| Source::new(path, text).module()).collect();
    println!("{} files in {} modules; imported: {imports_seen:?}", files.len(), modules.len());
    // A new top module must say here what it is.
    let known: BTreeSet<String> = STAGES
        .iter()
        .chain(&GROUND)
        .chain(&["pipeline", "cli", "crosscheck", "lib", "main"])
        .map(|m| (*m).to_owned())
        .collect();
    assert_eq!(modules, known);
    assert!(GROUND.iter().all(|g| imports_seen.contains(*g)), "the search finds no imports");
    assert!(wrong.is_empty(), "{} faults:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn every_file_opens_with_its_purpose() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut files = sources();
    for entry in fs::read_dir(root.join("tests/it")).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            files.insert(path.clone(), fs::read_to_string(path).unwrap());
        }
    }
    let bare = files.iter().filter(|(_, text)| {
        !text.starts_with("//! ") || text.lines().next().is_none_or(|l| l.len() < 20)
    });
    let bare: Vec<_> = bare.map(|(path, _)| path).collect();
    assert!(bare.is_empty(), "no purpose in the first line: {bare:?}");
    assert!(files.len() > 80, "only {} files found", files.len());
}

#[test]
fn every_dependency_has_a_use_and_a_home_that_exists() {
    let manifest =
        fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("Cargo.toml")).unwrap();
    let manifest: toml::Table = manifest.parse().unwrap();
    let dependencies: Vec<String> =
        manifest["dependencies"].as_table().unwrap().keys().map(|k| k.replace('-', "_")).collect();
    let files: Vec<Source> = sources().iter().map(|(path, text)| Source::new(path, text)).collect();
    let unused: Vec<&String> =
        dependencies.iter().filter(|d| !files.iter().any(|f| uses_crate(f, d))).collect();
    assert!(unused.is_empty(), "dependencies without a use: {unused:?}");
    for (krate, at) in HOMES {
        assert!(dependencies.contains(&krate.to_owned()), "{krate} is no dependency");
        let at_home =
            files.iter().any(|f| at.contains(&f.module().as_str()) && uses_crate(f, krate));
        assert!(at_home, "{krate} is not used in {at:?}");
    }
}

#[test]
fn every_pipeline_and_profile_of_the_project_is_accepted() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("pipelines");
    let (mut pipelines, mut profiles) = (0, 0);
    for entry in fs::read_dir(&root).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "toml") {
            let pipeline = trimdrift::pipeline::load(&path).unwrap_or_else(|e| panic!("{e}"));
            assert!(pipeline.fleet.register.exists(), "{}", pipeline.fleet.register.display());
            pipelines += 1;
        }
    }
    for entry in fs::read_dir(root.join("profiles")).unwrap() {
        let path = entry.unwrap().path();
        trimdrift::ingest::Profile::load(&path).unwrap_or_else(|e| panic!("{e}"));
        profiles += 1;
    }
    assert!(pipelines > 0 && profiles > 0);
    println!("{pipelines} pipelines and {profiles} profiles accepted");
}
