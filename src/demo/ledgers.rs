//! The fleet's tables and texts: register, workshop records, refuels, truth, pipeline file, README.
//!
//! In: plans and lives. Out: small files in the fleet's folder.

use super::DemoError;
use super::calendar::civil;
use super::climate::DEPOTS;
use super::faults::Fault;
use super::life::Life;
use super::logfile::write_bytes;
use super::plan::{Lacks, Plan, Trap};
use super::settings::DemoSettings;
use crate::tables::fleet::{AirMetering, Injection, Refuel, ServiceRecord};
use std::fmt::Write;
use std::path::Path;

/// Writes everything but the logs.
pub(super) fn write_all(
    dir: &Path,
    settings: &DemoSettings,
    plans: &[Plan],
    lives: &[Life],
) -> Result<(), DemoError> {
    let text =
        |name: &str, content: String| write_bytes(&dir.join(name), content.as_bytes(), false);
    text("vehicles.csv", register(plans))?;
    let records: Vec<&ServiceRecord> = lives.iter().flat_map(|l| &l.services).collect();
    text("services.csv", services(records))?;
    let purchases: Vec<&Refuel> = lives.iter().flat_map(|l| &l.refuels).collect();
    text("refuels.csv", refuels(purchases))?;
    let verdicts: Vec<Verdict> = plans.iter().zip(lives).map(|(p, l)| Verdict::of(p, l)).collect();
    text("truth.csv", truth(settings, plans, lives, &verdicts))?;
    text("README.md", readme(settings, plans, lives, &verdicts))?;
    if settings.pipeline_file {
        text("pipeline.toml", pipeline(settings))?;
    }
    Ok(())
}

fn register(plans: &[Plan]) -> String {
    let mut out = String::from(
        "vehicle,engine_family,displacement_l,cylinders,banks,air_metering,injection,fuel,hybrid,depot,plugs_changed_km\n",
    );
    for plan in plans {
        let f = plan.family;
        let metering = match f.metering {
            AirMetering::Maf => "maf",
            AirMetering::Map => "map",
        };
        let injection = match f.injection {
            Injection::Port => "port",
            Injection::Direct => "direct",
        };
        let _ = writeln!(
            out,
            "{},{},{},{},{},{metering},{injection},petrol,{},{},{}",
            plan.name,
            f.name,
            f.displacement_l,
            f.cylinders,
            f.banks,
            f.hybrid,
            DEPOTS[plan.depot].name,
            plan.plugs_changed_km
        );
    }
    out
}

fn services(mut records: Vec<&ServiceRecord>) -> String {
    records.sort_by(|a, b| (a.day, &a.vehicle).cmp(&(b.day, &b.vehicle)));
    let mut out = String::from("date,vehicle,odometer_km,service,cost\n");
    for r in records {
        let (km, cost) = (optional(r.odometer_km), optional(r.cost));
        let _ = writeln!(out, "{},{},{km},{},{cost}", civil(r.day), r.vehicle, r.service.as_str());
    }
    out
}

fn refuels(mut purchases: Vec<&Refuel>) -> String {
    purchases.sort_by(|a, b| (a.day, &a.vehicle).cmp(&(b.day, &b.vehicle)));
    let mut out = String::from("date,vehicle,odometer_km,litres,full\n");
    for r in purchases {
        let _ = writeln!(
            out,
            "{},{},{},{:.2},{}",
            civil(r.day),
            r.vehicle,
            optional(r.odometer_km),
            r.litres,
            r.full
        );
    }
    out
}

fn optional(value: Option<f64>) -> String {
    value.map_or_else(String::new, |v| v.to_string())
}

/// What a fair judge should find on the last day.
struct Verdict {
    /// `act`, `sound`, `too_little_data`, or `any` where the plant is too small or too sudden to demand one.
    state: &'static str,
    action: &'static str,
    note: String,
}

impl Verdict {
    fn of(plan: &Plan, life: &Life) -> Verdict {
        if plan.trap == Trap::TooLittleData {
            return Verdict::new("too_little_data", "none", "joins in the last weeks");
        }
        let Some(planted) = plan.planted else {
            return Verdict::new("sound", "none", trap_note(plan.trap));
        };
        let spec = planted.fault.spec();
        if planted.cleaned.is_some() {
            return Verdict::new(
                "any",
                spec.action,
                "injectors cleaned midway: the drift falls back by nine tenths",
            );
        }
        if planted.fault == Fault::HoseOff {
            return Verdict::new("any", spec.action, spec.sign);
        }
        let most = life.shift_pct.iter().flatten().fold(0.0, |a: f64, b| a.max(b.abs()));
        // Large enough to demand a verdict: 8 % in trims, or what the other signs need (chosen before any
        // analysis was run on these fleets).
        let clear = match planted.fault {
            Fault::InjectorOne(_) => life.size >= 0.14,
            Fault::WornPlugs => life.size >= 4.0,
            Fault::IntakeDeposits => life.size >= 0.7,
            Fault::ThrottleDeposits => life.size >= 0.3,
            _ => most >= 8.0,
        };
        Verdict::new(if clear { "act" } else { "any" }, spec.action, spec.sign)
    }

    fn new(state: &'static str, action: &'static str, note: &str) -> Verdict {
        Verdict { state, action, note: note.to_owned() }
    }
}

fn trap_note(trap: Trap) -> &'static str {
    match trap {
        Trap::None => "",
        Trap::TooLittleData => "joins in the last weeks",
        Trap::BatteryReset => "battery off half-way: learned trims start anew, nothing is wrong",
        Trap::OffsetFromNew => {
            "runs with a trim of 8 to 12 % from the first day on, never changing; may be watched"
        }
        Trap::WinterFuel => "buys fuel with 6 % more ethanol in the winter half-year",
        Trap::FutileCleaning => "sound injectors are cleaned half-way: nothing changes",
        Trap::OdometerRollback => "new instrument half-way: the shown odometer falls by 25,000 km",
    }
}

fn lacks_note(lacks: Lacks) -> &'static str {
    match lacks {
        Lacks::Nothing => "",
        Lacks::FuelStatus => "no fuel-system status",
        Lacks::Odometer => "no odometer",
        Lacks::Airflow => "no airflow column",
        Lacks::AirflowAndLoad => "no airflow, no absolute load",
        Lacks::PurgeAndMisfires => "no purge, no misfire counters",
    }
}

/// Fault or trap by name, bank and cylinder counted from 1.
fn planted_name(plan: &Plan) -> (&'static str, String, String) {
    let Some(planted) = plan.planted else {
        return (plan.trap.name(), String::new(), String::new());
    };
    let (bank, cylinder) = match planted.fault {
        Fault::InjectorsBank(bank) => ((bank + 1).to_string(), String::new()),
        Fault::InjectorOne(c) | Fault::InjectorLeak(c) => {
            ((plan.family.bank_of(c) + 1).to_string(), (c + 1).to_string())
        }
        _ => (String::new(), String::new()),
    };
    (planted.fault.spec().name, bank, cylinder)
}

fn truth(settings: &DemoSettings, plans: &[Plan], lives: &[Life], verdicts: &[Verdict]) -> String {
    let mut out = String::from(
        "vehicle,engine_family,fault,bank,cylinder,onset_day,onset_km,rate_per_10000_km,size_unit,size_at_end,\
         trim_idle_pct,trim_cruise_pct,trim_load_pct,cleaned_day,expected_state,expected_action,lacks,note\n",
    );
    for ((plan, life), verdict) in plans.iter().zip(lives).zip(verdicts) {
        let (fault, bank, cylinder) = planted_name(plan);
        let date = |index: usize| civil(settings.first_day + index as i32).to_string();
        let (mut onset_day, mut rate, mut unit, mut cleaned_day) = Default::default();
        if let Some(planted) = plan.planted {
            onset_day = date(planted.onset);
            rate = format!("{:.4}", planted.rate);
            unit = planted.fault.spec().unit;
            cleaned_day = planted.cleaned.map(date).unwrap_or_default();
        }
        let onset_km = life.onset_km.map_or_else(String::new, |km| format!("{km:.1}"));
        let shift = strongest(plan, life);
        let _ = writeln!(
            out,
            "{},{},{fault},{bank},{cylinder},{onset_day},{onset_km},{rate},\"{unit}\",{:.4},{:.1},{:.1},{:.1},\
             {cleaned_day},{},{},{},\"{}\"",
            plan.name,
            plan.family.name,
            life.size,
            shift[0],
            shift[1],
            shift[2],
            verdict.state,
            verdict.action,
            lacks_note(plan.lacks).replace(',', " and"),
            verdict.note
        );
    }
    out
}

/// Trims that the fault asks for on the bank it shows most on.
fn strongest(plan: &Plan, life: &Life) -> [f64; 3] {
    let sum = |bank: usize| life.shift_pct[bank].iter().map(|x| x.abs()).sum::<f64>();
    life.shift_pct[usize::from(plan.family.banks == 2 && sum(1) > sum(0))]
}

fn pipeline(settings: &DemoSettings) -> String {
    let ending = if settings.gzip { "csv.gz" } else { "csv" };
    format!(
        "# A made-up fleet; truth.csv says what is planted.\n\
         [fleet]\nregister = \"vehicles.csv\"\nservices = \"services.csv\"\nrefuels = \"refuels.csv\"\n\n\
         [[source]]\nprofile = \"plain\"\nfiles = [\"logs/*.{ending}\"]\n\n\
         [lake]\npath = \"lake\"\n\n[output]\npath = \"out\"\n"
    )
}

fn readme(settings: &DemoSettings, plans: &[Plan], lives: &[Life], verdicts: &[Verdict]) -> String {
    let total = |of: fn(&Life) -> u64| lives.iter().map(of).sum::<u64>();
    let mut out = format!(
        "# A made-up delivery pool\n\n\
         Simulated, not recorded: no vehicle, place or person in it exists. {} vehicles, {} days from {} on, \
         {} logged trips, {} rows, one row every {} s, seed {}. The loggers send only some trips, so the \
         odometer jumps between them. Times are UTC.\n\n\
         | file | content |\n|---|---|\n\
         | `logs/` | trip logs in the `plain` profile, one file per vehicle and stretch of time; names begin with the vehicle |\n\
         | `vehicles.csv` | register |\n| `services.csv` | workshop records |\n| `refuels.csv` | fuel purchases |\n\
         | `truth.csv` | what is planted, how it grew, what a fair judge should find on the last day |\n",
        plans.len(),
        settings.days,
        civil(settings.first_day),
        total(|l| l.trips),
        total(|l| l.rows),
        settings.sample_period_s,
        settings.seed
    );
    if settings.pipeline_file {
        out.push_str("| `pipeline.toml` | for `trimdrift run pipeline.toml` |\n");
    }
    out.push_str(
        "\n## What is planted\n\n\
         Trims are what the fault alone asks for on the last day, at idle / 4 times / 10 times idle airflow, \
         log-percent; logs also hold the vehicle's own level, season, fuel and noise. Expected state `any`: \
         too small, too sudden or repaired, so no verdict is demanded.\n\n\
         | vehicle | family | planted | trims at the end | expected | look for |\n|---|---|---|---|---|---|\n",
    );
    for ((plan, life), verdict) in plans.iter().zip(lives).zip(verdicts) {
        let (fault, bank, cylinder) = planted_name(plan);
        let place = match (bank.as_str(), cylinder.as_str()) {
            ("", _) => String::new(),
            (bank, "") => format!(", bank {bank}"),
            (bank, cylinder) => format!(", bank {bank}, cylinder {cylinder}"),
        };
        let s = strongest(plan, life);
        let trims = if plan.planted.is_some() {
            format!("{:+.1} / {:+.1} / {:+.1}", s[0], s[1], s[2])
        } else {
            String::new()
        };
        let lacking = lacks_note(plan.lacks);
        let gap = if lacking.is_empty() || verdict.note.is_empty() { "" } else { "; " };
        let _ = writeln!(
            out,
            "| {} | {} | {fault}{place} | {trims} | {}, {} | {}{gap}{lacking} |",
            plan.name, plan.family.name, verdict.state, verdict.action, verdict.note
        );
    }
    let _ = writeln!(
        out,
        "\nExact onset, rate, unit and size: `truth.csv`.{}",
        if settings.pipeline_file {
            ""
        } else {
            " Written by `trimdrift demo sample-data --sample` into an empty folder."
        }
    );
    out
}
