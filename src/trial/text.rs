//! The figures of a trial as plain text.

use super::figures::{self, ACTIONS, BINS, Coverage, Delay, Look, Rate};
use super::generator::FaultKind;
use super::nights::VehicleRun;
use super::work::{self, Did, VERDICTS};
use super::{TrialResult, plain_rules};
use std::fmt::Write;

/// Everything, tables at most as wide as they need, prose wrapped at `width`.
pub(super) fn text(result: &TrialResult, width: usize) -> String {
    let mut out = String::new();
    head(result, width, &mut out);
    flags(result, &mut out);
    delays(result, &mut out);
    actions(result, &mut out);
    coverage(result, &mut out);
    workshop(result, &mut out);
    calibration(result, &mut out);
    plain(result, &mut out);
    time(result, &mut out);
    out
}

fn line(out: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = out.write_fmt(text);
    out.push('\n');
}

fn wrapped(out: &mut String, text: &str, width: usize) {
    let mut used = 0;
    for word in text.split(' ') {
        if used > 0 && used + 1 + word.chars().count() > width.max(40) {
            out.push('\n');
            used = 0;
        } else if used > 0 {
            out.push(' ');
            used += 1;
        }
        out.push_str(word);
        used += word.chars().count();
    }
    out.push('\n');
}

fn head(result: &TrialResult, width: usize, out: &mut String) {
    let s = &result.settings;
    let faulty = result.vehicles().filter(|v| v.fault.is_some()).count();
    wrapped(
        out,
        &format!(
            "Trial '{}': {} simulated vehicles over {} years in families of {}, {faulty} of them with a planted fault, seed {}.",
            s.preset, s.vehicles, s.years, s.group_size, s.seed
        ),
        width,
    );
    let (off, on): (Vec<_>, Vec<_>) =
        s.nuisances.values().into_iter().partition(|(_, v)| *v == 0.0);
    let on: Vec<String> = on.iter().map(|(name, v)| format!("{name} {v}")).collect();
    wrapped(out, &format!("Nuisances: {}.", on.join(", ")), width);
    if !off.is_empty() {
        let off: Vec<&str> = off.iter().map(|(name, _)| *name).collect();
        wrapped(out, &format!("Switched off: {}.", off.join(", ")), width);
    }
}

fn rate(r: &Rate) -> String {
    format!(
        "{:.4} per vehicle-year (95 % {:.4} to {:.4}; {} in {:.0} vehicle-years)",
        r.per_year(),
        r.lo,
        r.hi,
        r.count,
        r.years
    )
}

fn flags(result: &TrialResult, out: &mut String) {
    let designed = result.settings.test.false_flags_per_vehicle_year;
    line(
        out,
        format_args!(
            "\nFALSE FLAGS (first flag of a sound vehicle, from night {})",
            plain_rules::SILENT_NIGHTS
        ),
    );
    line(out, format_args!("  measured  {}", rate(&figures::false_flags(result))));
    line(out, format_args!("  designed  {designed:.4} per vehicle-year at most"));
    line(
        out,
        format_args!(
            "  mirrored  {} (the test of rising trims upside down)",
            rate(&figures::mirror(result))
        ),
    );
    for (ground, count, stepped) in figures::false_grounds(result) {
        line(
            out,
            format_args!(
                "    {ground:<28} {count:>4}   with innocent steps of over 0.7 % in force: {stepped}"
            ),
        );
    }
    let moved = result.vehicles().filter(|v| v.flag_moved).count();
    let looked = result.vehicles().filter(|v| v.at_flag.is_some()).count();
    line(
        out,
        format_args!(
            "  flags that the next look dated otherwise or no longer held: {moved} of {looked}"
        ),
    );
}

fn delay_row(name: &str, d: &Delay, out: &mut String) {
    if d.faults == 0 && d.reached_ten == 0 {
        return;
    }
    let number = |x: f64, digits: usize| {
        if x.is_finite() { format!("{x:.digits$}") } else { "never".to_owned() }
    };
    line(
        out,
        format_args!(
            "  {name:<40} {:>4} {:>5.1} % {:>7} {:>7} {:>8} {:>8} {:>5} of {}",
            d.faults,
            100.0 * d.found as f64 / d.faults.max(1) as f64,
            number(d.severity.0, 2),
            number(d.severity.1, 2),
            number(d.km.0, 0),
            number(d.km.1, 0),
            d.missed_ten,
            d.reached_ten
        ),
    );
}

fn delay_head(out: &mut String) {
    line(
        out,
        format_args!(
            "  {:<40} {:>4} {:>7} {:>7} {:>7} {:>8} {:>8}  missed",
            "", "n", "found", "% med.", "% p90", "km med.", "km p90"
        ),
    );
}

fn delays(result: &TrialResult, out: &mut String) {
    if result.vehicles().all(|v| v.fault.is_none()) {
        return;
    }
    line(
        out,
        format_args!(
            "\nDETECTION (faults that reached {} %; accumulated size and distance at the flag; missed at 10 %)",
            figures::COUNTS_FROM_PCT
        ),
    );
    delay_head(out);
    let by_severity = |name: &str, keep: &dyn Fn(&VehicleRun) -> bool, out: &mut String| {
        delay_row(name, &figures::delay(result, |v| v.severity, keep), out);
    };
    let growth = |v: &VehicleRun| v.fault.as_ref().map_or(f64::NAN, |f| f.rate);
    let drifts = figures::drifts;
    by_severity("all growing faults of the trim", &drifts, out);
    delay_row(
        "  by what they add to the trim of all bands",
        &figures::delay(result, |v| v.in_trim, drifts),
        out,
    );
    let shown = |v: &VehicleRun| drifts(v) && !figures::leak_unseen(v);
    by_severity("  without leaks of hybrids (*)", &shown, out);
    by_severity("  rate below 4 % per 10,000 km", &|v| drifts(v) && growth(v) < 4.0, out);
    by_severity("  rate above 6 % per 10,000 km", &|v| drifts(v) && growth(v) > 6.0, out);
    for kind in FaultKind::ALL {
        by_severity(&format!("  {}", kind.name()), &figures::of_kind(kind), out);
    }
    if result.vehicles().any(figures::leak_unseen) {
        line(
            out,
            format_args!(
                "  (*) a leak is sized at idle, which a hybrid hardly shows; cruising, it is a third"
            ),
        );
    }
    let early = result.vehicles().filter(|v| v.fault.is_some() && v.is_false_flag()).count();
    line(out, format_args!("  flagged before their onset and left out: {early}"));
    let mut grounds: std::collections::BTreeMap<String, usize> = std::collections::BTreeMap::new();
    for v in result.vehicles().filter(|v| v.is_found()) {
        if let Some((_, g)) = v.flag {
            *grounds.entry(g.name()).or_default() += 1;
        }
    }
    let mut grounds: Vec<_> = grounds.into_iter().collect();
    grounds.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let words: Vec<String> = grounds.iter().map(|(g, n)| format!("{g} {n}")).collect();
    line(out, format_args!("  first ground: {}", words.join(", ")));
}

fn percent(part: usize, of: usize) -> String {
    if of == 0 { "-".to_owned() } else { format!("{:.1} %", 100.0 * part as f64 / of as f64) }
}

fn actions(result: &TrialResult, out: &mut String) {
    for (look, title) in [
        (Look::Six, "ACTION once flagged with 6 % or more accumulated"),
        (Look::Flag, "ACTION at the flag, whatever has accumulated"),
    ] {
        let (right, total) = figures::accuracy(result, look);
        if total == 0 {
            continue;
        }
        line(out, format_args!("\n{title}: right {} ({right} of {total})", percent(right, total)));
        let heads = ["injectors", "intake", "air leak", "supply", "sensor", "ignition", "none"];
        let heads: Vec<String> = heads.iter().map(|h| format!("{h:>9}")).collect();
        line(out, format_args!("  {:<20} {}   right", "planted \\ said", heads.join(" ")));
        for (kind, row) in FaultKind::ALL.iter().zip(figures::confusion(result, look)) {
            let n: usize = row.iter().sum();
            if n == 0 {
                continue;
            }
            let cells: Vec<String> = row.iter().map(|c| format!("{c:>9}")).collect();
            let hit = ACTIONS.iter().position(|a| *a == kind.action()).map_or(0, |i| row[i]);
            line(
                out,
                format_args!("  {:<20} {}  {:>6}", kind.name(), cells.join(" "), percent(hit, n)),
            );
        }
    }
}

fn cover_row(name: &str, c: &Coverage, out: &mut String) {
    if c.total() == 0 {
        return;
    }
    line(
        out,
        format_args!(
            "  {name:<34} {:>7}  of {:>4}; truth below {:>3}, above {:>3}; median width {:.2}, bias {:+.2}",
            percent(c.covered, c.total()),
            c.total(),
            c.below,
            c.above,
            c.width,
            c.bias
        ),
    );
}

fn coverage(result: &TrialResult, out: &mut String) {
    line(out, format_args!("\nCOVERAGE of the 95 % intervals"));
    for (name, c) in ["drift at the flag", "drift 60 days later", "drift 120 days later"]
        .iter()
        .zip(figures::drift_coverage(result))
    {
        cover_row(name, &c, out);
    }
    let looks = ["at the end", "at the flag", "healthy, on any day"];
    for (look, both) in looks.iter().zip(figures::economy_coverage(result)) {
        for (witness, c) in ["logs", "tanks"].iter().zip(both) {
            cover_row(&format!("fuel/km, {witness}, {look}"), &c, out);
        }
    }
}

fn workshop(result: &TrialResult, out: &mut String) {
    let table = work::verdicts(result);
    if table.iter().flatten().all(|n| *n == 0) {
        return;
    }
    line(out, format_args!("\nWORKSHOP WORK (jobs with no other within the days compared)"));
    let heads: Vec<String> = VERDICTS.iter().map(|h| format!("{h:>9}")).collect();
    line(out, format_args!("  {:<28} {}", "what it did \\ said", heads.join(" ")));
    for ((_, name), row) in Did::ALL.iter().zip(table) {
        let cells: Vec<String> = row.iter().map(|c| format!("{c:>9}")).collect();
        line(out, format_args!("  {name:<28} {}", cells.join(" ")));
    }
    for (name, c) in work::coverage(result) {
        cover_row(name, &c, out);
    }
}

fn calibration(result: &TrialResult, out: &mut String) {
    for (look, title) in [(Look::Six, "6 % or more accumulated"), (Look::Flag, "at the flag")] {
        let (bins, brier) = figures::calibration(result, look);
        if bins.iter().all(|b| b.vehicles == 0) {
            continue;
        }
        line(
            out,
            format_args!(
                "\nCALIBRATION of the most likely cause, {title} (Brier score {brier:.3})"
            ),
        );
        for (bin, edges) in bins.iter().zip(BINS.windows(2)).filter(|(b, _)| b.vehicles > 0) {
            let n = bin.vehicles as f64;
            line(
                out,
                format_args!(
                    "  stated {:.2} to {:.2}: mean {:.3}, right {:.3} ({} of {})",
                    edges[0],
                    edges[1].min(1.0),
                    bin.stated / n,
                    bin.right as f64 / n,
                    bin.right,
                    bin.vehicles
                ),
            );
        }
    }
}

fn plain(result: &TrialResult, out: &mut String) {
    line(out, format_args!("\nPLAIN RULES on the same data (raw trims)"));
    for (rule, name) in plain_rules::NAMES.iter().enumerate() {
        let false_alarms = figures::plain_false(result, rule);
        line(
            out,
            format_args!(
                "  {name:<40} false {:.3} per vehicle-year; {} of all vehicles had a false alarm",
                false_alarms.per_year(),
                percent(false_alarms.count, result.vehicles().count()),
            ),
        );
    }
    if result.vehicles().any(|v| v.fault.is_some()) {
        delay_head(out);
        for (rule, name) in plain_rules::NAMES.iter().enumerate() {
            delay_row(name, &figures::plain_delay(result, rule), out);
        }
    }
}

fn time(result: &TrialResult, out: &mut String) {
    let t = result.timing;
    let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    line(
        out,
        format_args!(
            "\nTIME: evidence over the whole period on one thread {:.2} s, {:.1} us per vehicle-night and series",
            t.seconds,
            1e6 * t.seconds / t.series_nights
        ),
    );
    line(
        out,
        format_args!(
            "Machine: {cores} cores ({} threads used), {}-{}. Seed {}. Version {}.",
            t.threads,
            std::env::consts::ARCH,
            std::env::consts::OS,
            result.settings.seed,
            env!("CARGO_PKG_VERSION")
        ),
    );
}
