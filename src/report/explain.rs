//! Every number behind one verdict as plain text, down to trips and the files they came from.

use super::ReportInput;
use super::terminal::{ascii, padded, padded_left, wrapped};
use super::words::{self, clean};
use crate::tables::findings::{CauseWeight, Estimate, RankedVehicle, SeriesFinding};
use crate::tables::trips::Band;

/// One trip as shown to somebody who checks a verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct TripRow {
    /// Vehicle name.
    pub vehicle: String,
    /// Trip name.
    pub trip: String,
    /// First sample, UTC microseconds since 1970-01-01.
    pub start_us: i64,
    /// Distance, km.
    pub km: f64,
    /// Samples that passed the gate.
    pub gated: u64,
    /// Mean total trim by bank and band, log-percent; `NaN` where there is none.
    pub means: [[f64; 3]; 2],
    /// File the trip was read from.
    pub source: String,
}

/// The text, in lines of at most `width` columns.
pub fn text(
    input: &ReportInput<'_>,
    vehicle: &RankedVehicle,
    trips: &[TripRow],
    width: usize,
) -> String {
    let width = width.max(40);
    let mut out = verdict(input, vehicle, width);
    out.extend(urgency(input, vehicle));
    out.extend(data(vehicle, width));
    out.extend(series(&vehicle.findings.series));
    out.extend(causes(&vehicle.findings.causes));
    out.extend(misfires(vehicle));
    out.extend(economy(vehicle, width));
    out.extend(events(vehicle));
    out.extend(trip_rows(trips, width));
    ascii(out.join("\n")) + "\n"
}

fn heading(title: &str) -> [String; 2] {
    [String::new(), title.to_uppercase()]
}

fn item(label: &str, value: &str) -> String {
    format!("  {}  {value}", padded(label, 31))
}

fn range(e: Estimate, decimals: usize) -> String {
    if !e.is_known() {
        return words::UNKNOWN.to_owned();
    }
    let (lo, hi) = (words::figure(e.lo, decimals), words::figure(e.hi, decimals));
    format!("{} (95 % {lo} to {hi})", words::figure(e.value, decimals))
}

fn verdict(input: &ReportInput<'_>, v: &RankedVehicle, width: usize) -> Vec<String> {
    let d = &v.verdict;
    let mut out = vec![format!(
        "{}: {}, {} (rank {} of {}, {})",
        clean(&v.vehicle),
        d.state.as_str(),
        d.action.as_str(),
        v.rank,
        input.ranked.len(),
        words::iso_day(input.as_of_day)
    )];
    out.extend(wrapped(&words::sentence(&d.reason), width, ""));
    out.extend(heading("Verdict"));
    out.push(item(
        "depot, engine family",
        &format!("{}, {}", clean(&v.depot), clean(&v.engine_family)),
    ));
    out.push(item("flagged on", &d.flagged_on.map_or(words::UNKNOWN.to_owned(), words::iso_day)));
    out.push(item("bank", &d.bank.map_or("all".to_owned(), |b| b.to_string())));
    for (band, value) in Band::ALL.into_iter().zip(d.trim_pct) {
        out.push(item(
            &format!("trim change, {}", band.as_str()),
            &format!("{} %", words::signed(value, 2)),
        ));
    }
    out.push(item("drift, log-% per 10,000 km", &range(d.drift_per_10000km, 2)));
    out.push(item("km to the correction limit", &range(d.km_to_limit, 0)));
    for (i, check) in d.checks.iter().enumerate() {
        out.extend(wrapped(&format!("check {}: {check}", i + 1), width, "  "));
    }
    out
}

fn urgency(input: &ReportInput<'_>, v: &RankedVehicle) -> Vec<String> {
    let mut out = heading("Cost of waiting one week").to_vec();
    let u = &v.urgency;
    let parts = [
        ("fuel wasted", u.fuel),
        ("breakdown", u.breakdown),
        ("catalyst", u.catalyst),
        ("sum", u.per_week()),
    ];
    for (label, amount) in parts {
        out.push(item(label, &format!("{} {}", clean(input.currency), words::figure(amount, 2))));
    }
    out
}

fn data(v: &RankedVehicle, width: usize) -> Vec<String> {
    let f = &v.findings;
    let mut out = heading("Data").to_vec();
    if let Some((first, last)) = f.period {
        out.push(item("period", &format!("{} to {}", words::iso_day(first), words::iso_day(last))));
    }
    out.push(item("days with data, span", &format!("{} of {}", f.days_of_data, f.span_days)));
    out.push(item("trips", &f.trips.to_string()));
    out.push(item("samples through the gate", &words::count(f.gated)));
    out.push(item("peers", &f.peers.to_string()));
    if f.off_from_start.is_finite() {
        out.push(item("log-% off its peers since the start", &words::signed(f.off_from_start, 1)));
    }
    out.push(item(
        "km per week, odometer km",
        &format!("{}, {}", words::whole(f.km_per_week), words::whole(f.odometer_km)),
    ));
    out.push(item(
        "closed loop",
        if f.loop_inferred { "inferred in some logs" } else { "from the logs" },
    ));
    for note in &f.notes {
        out.extend(wrapped(&format!("note: {note}"), width, "  "));
    }
    out
}

fn series(all: &[SeriesFinding]) -> Vec<String> {
    let mut out = heading("Series: sequential test and drift").to_vec();
    for s in all {
        out.push(format!("  {} ({})", s.kind.name(), s.kind.unit()));
        out.extend(one_series(s).map(|(label, value)| item(&format!("  {label}"), &value)));
    }
    if all.is_empty() {
        out.push("  none".to_owned());
    }
    out
}

fn one_series(s: &SeriesFinding) -> [(&'static str, String); 13] {
    let day = |day: Option<i32>| day.map_or("no".to_owned(), words::iso_day);
    let onset = s.onset.map_or(words::UNKNOWN.to_owned(), |(from, to)| {
        format!("{} to {}", words::iso_day(from), words::iso_day(to))
    });
    [
        ("days since repair, in all", format!("{}, {}", s.days, s.days_in_all)),
        ("day-to-day deviation", words::figure(s.sigma, 2)),
        ("baseline", words::signed(s.baseline, 2)),
        ("recent, peers left in", words::signed(s.recent_raw, 2)),
        ("change", range(s.change, 2)),
        ("change from first baseline", range(s.change_from_first, 2)),
        ("drift per 10,000 km", range(s.drift_per_10000km, 2)),
        ("rise: nats, limit, flagged", test(s.log_r_up, s.log_limit_up, s.flagged_up)),
        ("fall: nats, limit, flagged", test(s.log_r_down, s.log_limit_down, s.flagged_down)),
        ("lasting change of level", day(s.level_on)),
        ("near the correction limit", day(s.near_limit_on)),
        ("repaired", day(s.repaired_on)),
        ("began between", onset),
    ]
}

fn test(log_r: f64, limit: f64, flagged: Option<i32>) -> String {
    if limit.is_infinite() {
        return "followed, not tested".to_owned();
    }
    let day = flagged.map_or("no".to_owned(), words::iso_day);
    format!("{}, {}, {day}", words::figure(log_r, 2), words::figure(limit, 2))
}

fn causes(all: &[CauseWeight]) -> Vec<String> {
    if all.is_empty() {
        return Vec::new();
    }
    let mut out = heading("Causes: probability, and nats from each witness").to_vec();
    for c in all {
        out.push(item(c.cause.words(), &words::figure(c.probability, 4)));
        for (witness, nats) in &c.contributions {
            out.push(item(&format!("  {witness}"), &words::signed(*nats, 2)));
        }
    }
    out
}

fn misfires(v: &RankedVehicle) -> Vec<String> {
    let Some(m) = &v.findings.misfires else {
        return Vec::new();
    };
    let mut out = heading("Misfires per 1,000 revolutions").to_vec();
    out.push(item(
        "recent, own baseline",
        &format!(
            "{}, {}",
            words::figure(m.per_1000_rev, 4),
            words::figure(m.baseline_per_1000_rev, 4)
        ),
    ));
    out.push(item(
        "warm, cold",
        &format!(
            "{}, {}",
            words::figure(m.warm_per_1000_rev, 4),
            words::figure(m.cold_per_1000_rev, 4)
        ),
    ));
    out.push(item("recent over baseline", &range(m.ratio, 2)));
    out.push(item(
        "evidence, flagged",
        &format!(
            "{}, {}",
            words::figure(m.log_r, 2),
            m.flagged_on.map_or("no".to_owned(), words::iso_day)
        ),
    ));
    out.push(item(
        "cylinder, p of concentration",
        &format!(
            "{}, {}",
            m.cylinder.map_or("none".to_owned(), |c| c.to_string()),
            words::figure(m.concentration_p, 4)
        ),
    ));
    out.push(item("overdispersion", &words::figure(m.dispersion, 2)));
    let rates: Vec<String> = m.by_cylinder.iter().map(|r| words::figure(*r, 4)).collect();
    out.push(item("by cylinder", &rates.join(", ")));
    out
}

fn economy(v: &RankedVehicle, width: usize) -> Vec<String> {
    let Some(e) = &v.findings.economy else {
        return Vec::new();
    };
    let mut out = heading("Fuel per km, change in percent").to_vec();
    out.push(item("from trips", &range(e.change_pct, 2)));
    out.push(item("from refuels", &range(e.refuel_change_pct, 2)));
    out.push(item("litres per 100 km, recent", &words::figure(100.0 * e.litres_per_km, 1)));
    for note in &e.notes {
        out.extend(wrapped(&format!("note: {note}"), width, "  "));
    }
    out
}

fn events(v: &RankedVehicle) -> Vec<String> {
    let f = &v.findings;
    let mut out: Vec<(i32, String)> = f.services.iter().map(|(d, s)| (*d, clean(s))).collect();
    out.extend(f.resets.iter().map(|d| (*d, "learning reset".to_owned())));
    out.sort();
    if out.is_empty() {
        return Vec::new();
    }
    let lines = out.iter().map(|(day, what)| format!("  {}  {what}", words::iso_day(*day)));
    heading("Workshop and resets").into_iter().chain(lines).collect()
}

fn trip_rows(trips: &[TripRow], width: usize) -> Vec<String> {
    let mut out = heading("Trips: mean total trim in log-%, bank 1 then bank 2").to_vec();
    if trips.is_empty() {
        out.push("  none".to_owned());
        return out;
    }
    out.push(format!(
        "  {}      km   gated  idle cruis  load  idle cruis  load",
        padded("start (UTC)", 16)
    ));
    for t in trips {
        let means: Vec<String> =
            t.means.iter().flatten().map(|y| padded_left(&words::signed(*y, 1), 5)).collect();
        out.push(format!(
            "  {}  {}  {} {}",
            words::minute(t.start_us),
            padded_left(&words::figure(t.km, 1), 6),
            padded_left(&t.gated.to_string(), 6),
            means.join(" ")
        ));
        out.extend(broken(&format!("{} in {}", clean(&t.trip), clean(&t.source)), width, "    "));
    }
    out
}

/// Text cut into lines of at most `width` wherever they end: paths have no spaces to wrap at.
fn broken(text: &str, width: usize, indent: &str) -> Vec<String> {
    let room = width.saturating_sub(indent.len()).max(8);
    let letters: Vec<char> = text.chars().collect();
    letters
        .chunks(room)
        .map(|line| format!("{indent}{}", line.iter().collect::<String>()))
        .collect()
}
