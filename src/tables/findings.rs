//! What the evidence says of a vehicle, what is decided from it, and where it stands in the fleet.

use super::trips::Band;

/// A value with its 95 % interval; `NaN` where there is none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Point estimate.
    pub value: f64,
    /// Lower end.
    pub lo: f64,
    /// Upper end.
    pub hi: f64,
}

impl Estimate {
    /// Nothing is known.
    pub const NONE: Estimate = Estimate { value: f64::NAN, lo: f64::NAN, hi: f64::NAN };

    /// Whether there is a value.
    pub fn is_known(&self) -> bool {
        self.value.is_finite()
    }

    /// Whether the whole interval lies above `bound`.
    pub fn above(&self, bound: f64) -> bool {
        self.lo > bound
    }
}

/// What a monitored daily series measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum SeriesKind {
    /// Total trim over all banks and bands, each weighted alike from day to day.
    TrimAll,
    /// The same of one bank (1 or 2) of an engine that has two.
    TrimBank(usize),
    /// Total trim of a bank (1 or 2) in one band.
    Trim(usize, Band),
    /// Total trim of bank 1 less that of bank 2, on the same airflow: what both banks share cancels.
    BankGap,
    /// Total trim at idle less that in the other bands, on the same days: what changes the mixture alike at all airflows
    /// cancels.
    IdleGap,
    /// The same at load.
    LoadGap,
    /// Throttle angle at warm idle.
    IdleThrottle,
    /// Air taken in near full throttle.
    Breathing,
    /// Difference of total trim between warm-up and hot running.
    WarmupGap,
}

/// Sd of the level of sound vehicles, log-percent (study of the drift test: its simulator's 2.5).
pub const LEVEL_SD: f64 = 2.5;

/// Trim from which a vehicle counts as off, log-percent: two sd of what sound ones differ by.
pub const OFF: f64 = 2.0 * LEVEL_SD;

impl SeriesKind {
    /// Name in files.
    pub fn name(self) -> String {
        match self {
            SeriesKind::TrimAll => "trim_all".to_owned(),
            SeriesKind::TrimBank(bank) => format!("trim_b{bank}_all"),
            SeriesKind::Trim(bank, band) => format!("trim_b{bank}_{}", band.as_str()),
            SeriesKind::BankGap => "trim_bank_gap".to_owned(),
            SeriesKind::IdleGap => "trim_idle_gap".to_owned(),
            SeriesKind::LoadGap => "trim_load_gap".to_owned(),
            SeriesKind::IdleThrottle => "idle_throttle".to_owned(),
            SeriesKind::Breathing => "breathing".to_owned(),
            SeriesKind::WarmupGap => "warmup_gap".to_owned(),
        }
    }

    /// Whether it is made of total trims, which a learning reset disturbs.
    pub fn is_trim(self) -> bool {
        !matches!(self, SeriesKind::IdleThrottle | SeriesKind::Breathing)
    }

    /// Whether it speaks of the mixture of a warm engine.
    pub fn is_mixture(self) -> bool {
        self.is_trim() && self != SeriesKind::WarmupGap
    }

    /// Whether it is how far the trim itself stands, of all or a part of its banks and bands: no difference of trims.
    pub fn is_trim_level(self) -> bool {
        matches!(self, SeriesKind::TrimAll | SeriesKind::TrimBank(_) | SeriesKind::Trim(..))
    }

    /// Whether it is the trim of a bank or a band that `whole` is made of; a single bank's band is a part of itself.
    pub fn is_part_of(self, whole: SeriesKind) -> bool {
        match (self, whole) {
            (
                SeriesKind::Trim(..) | SeriesKind::TrimBank(_),
                SeriesKind::TrimAll
                | SeriesKind::BankGap
                | SeriesKind::IdleGap
                | SeriesKind::LoadGap,
            ) => true,
            (SeriesKind::Trim(bank, _), SeriesKind::TrimBank(of)) => bank == of,
            (SeriesKind::Trim(bank, band), SeriesKind::Trim(of, only)) => {
                (bank, band) == (of, only)
            }
            _ => false,
        }
    }

    /// Unit of the values.
    pub fn unit(self) -> &'static str {
        if self.is_trim() { "log-%" } else { "%" }
    }
}

/// The sequential test and the drift of one series.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesFinding {
    /// What is measured.
    pub kind: SeriesKind,
    /// Days with a value since the last repair.
    pub days: usize,
    /// Days with a value in all.
    pub days_in_all: usize,
    /// Day of the tenth value from the last: what work done later did to this series is not known yet.
    pub tenth_last: Option<i32>,
    /// Own level in the baseline period, before peers are taken off.
    pub baseline: f64,
    /// Size from which a rise counts.
    pub least_change: f64,
    /// Size from which a fall counts.
    pub least_fall: f64,
    /// Rise and fall (as a positive number) of a lasting change of level that is acted on, if a jump of this series is.
    pub level_limits: Option<(f64, f64)>,
    /// Peer-adjusted change to now from the baseline since the last repair, in the unit of the series.
    pub change: Estimate,
    /// Peer-adjusted change to now from the first baseline of all, repairs or not.
    pub change_from_first: Estimate,
    /// Day of the last repair: work done while the series stood flagged.
    pub repaired_on: Option<i32>,
    /// Drift in the unit of the series per 10,000 km.
    pub drift_per_10000km: Estimate,
    /// Log evidence for a rise at the last look.
    pub log_r_up: f64,
    /// Log evidence for a fall at the last look.
    pub log_r_down: f64,
    /// Limit for a rise.
    pub log_limit_up: f64,
    /// Limit for a fall.
    pub log_limit_down: f64,
    /// First day (since 1970-01-01) on which the evidence for a rise crossed its limit.
    pub flagged_up: Option<i32>,
    /// The same for a fall.
    pub flagged_down: Option<i32>,
    /// First day on which the level had changed lastingly by more than the set amount, step or not.
    pub level_on: Option<i32>,
    /// Mean of the raw values over the recent days, without taking peers off; `NaN` without any.
    pub recent_raw: f64,
    /// First day since which the raw values have stood near the correction limit.
    pub near_limit_on: Option<i32>,
    /// Likely range of days in which the drift began, if there is one.
    pub onset: Option<(i32, i32)>,
    /// Day-to-day standard deviation after peers are taken off.
    pub sigma: f64,
}

/// What can be wrong with a vehicle.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Cause {
    /// Restricted injectors.
    RestrictedInjectors,
    /// Air that the engine computer does not measure.
    UnmeteredAir,
    /// Fuel supply that falls off with demand.
    SupplyDroop,
    /// Airflow sensor that reads low or high.
    MeteringError,
    /// Deposits on intake valves and ports.
    IntakeDeposits,
    /// Deposits on the throttle.
    ThrottleDeposits,
    /// Worn spark plugs or weak ignition.
    WornIgnition,
    /// An injector that leaks.
    LeakingInjector,
    /// A change of the mixture that fits none of the shapes.
    Unexplained,
}

impl Cause {
    /// All causes.
    pub const ALL: [Cause; 9] = [
        Cause::RestrictedInjectors,
        Cause::UnmeteredAir,
        Cause::SupplyDroop,
        Cause::MeteringError,
        Cause::IntakeDeposits,
        Cause::ThrottleDeposits,
        Cause::WornIgnition,
        Cause::LeakingInjector,
        Cause::Unexplained,
    ];

    /// Name in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Cause::RestrictedInjectors => "restricted_injectors",
            Cause::UnmeteredAir => "unmetered_air",
            Cause::SupplyDroop => "supply_droop",
            Cause::MeteringError => "metering_error",
            Cause::IntakeDeposits => "intake_deposits",
            Cause::ThrottleDeposits => "throttle_deposits",
            Cause::WornIgnition => "worn_ignition",
            Cause::LeakingInjector => "leaking_injector",
            Cause::Unexplained => "unexplained",
        }
    }

    /// Name in sentences.
    pub fn words(self) -> &'static str {
        match self {
            Cause::RestrictedInjectors => "restricted injectors",
            Cause::UnmeteredAir => "unmetered air",
            Cause::SupplyDroop => "weak fuel supply",
            Cause::MeteringError => "an airflow sensor that reads wrong",
            Cause::IntakeDeposits => "intake deposits",
            Cause::ThrottleDeposits => "throttle deposits",
            Cause::WornIgnition => "worn ignition parts",
            Cause::LeakingInjector => "a leaking injector",
            Cause::Unexplained => "no known pattern",
        }
    }
}

/// One cause with its posterior probability and what each witness adds to it.
#[derive(Debug, Clone, PartialEq)]
pub struct CauseWeight {
    /// Cause.
    pub cause: Cause,
    /// Posterior probability.
    pub probability: f64,
    /// Log-likelihood that each witness adds: (witness, nats).
    pub contributions: Vec<(&'static str, f64)>,
}

/// Misfires of one vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct MisfireFinding {
    /// Recent misfires per 1,000 revolutions, all cylinders, warm and cold.
    pub per_1000_rev: f64,
    /// The same in the vehicle's own baseline.
    pub baseline_per_1000_rev: f64,
    /// Recent warm rate.
    pub warm_per_1000_rev: f64,
    /// Recent cold rate.
    pub cold_per_1000_rev: f64,
    /// The cold rate is well above the warm one, also for the few revolutions that it rests on.
    pub mostly_cold: bool,
    /// Recent rate over baseline rate (baseline shrunk to the family).
    pub ratio: Estimate,
    /// First day on which the sequential test of the rate crossed its limit.
    pub flagged_on: Option<i32>,
    /// It was flagged and the rate has not gone back since.
    pub stands: bool,
    /// Log evidence at the last look.
    pub log_r: f64,
    /// Its limit.
    pub log_limit: f64,
    /// Cylinder (1-based) on which the misfires concentrate, if they do.
    pub cylinder: Option<usize>,
    /// p-value of the exact concentration test, corrected for the number of cylinders.
    pub concentration_p: f64,
    /// Overdispersion of the counts.
    pub dispersion: f64,
    /// Recent misfires by cylinder per 1,000 revolutions.
    pub by_cylinder: Vec<f64>,
}

/// Fuel economy of one vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct EconomyFinding {
    /// Change of fuel per km against the baseline, percent, adjusted for driving and weather.
    pub change_pct: Estimate,
    /// First and last day of the two windows that it compares, days since 1970-01-01.
    pub change_days: Option<[(i32, i32); 2]>,
    /// The same from the refuels alone, percent.
    pub refuel_change_pct: Estimate,
    /// First and last day of the tanks that it compares, days since 1970-01-01.
    pub refuel_days: Option<[(i32, i32); 2]>,
    /// Recent fuel use, litres per km; `NaN` if the logs cannot tell.
    pub litres_per_km: f64,
    /// What limits the figure.
    pub notes: Vec<String>,
}

/// One point of a vehicle's history: weekly means of the peer-adjusted change, log-percent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// First day of the week, days since 1970-01-01.
    pub day: i32,
    /// Odometer or distance driven so far, km.
    pub km: f64,
    /// Idle, cruise and load, worst bank; `NaN` where not available.
    pub bands: [f64; 3],
}

/// Everything the evidence says of one vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct VehicleFindings {
    /// Vehicle name.
    pub vehicle: String,
    /// Days with at least one trip.
    pub days_of_data: usize,
    /// Days between first and last trip, both included.
    pub span_days: usize,
    /// Trips.
    pub trips: usize,
    /// Samples that passed the gate.
    pub gated: u64,
    /// First and last day, days since 1970-01-01.
    pub period: Option<(i32, i32)>,
    /// Typical distance a week over the last 60 days, km.
    pub km_per_week: f64,
    /// Odometer at the last trip, km.
    pub odometer_km: f64,
    /// Days on which learning was reset.
    pub resets: Vec<i32>,
    /// Closed loop was inferred in some logs.
    pub loop_inferred: bool,
    /// Peers with enough data in the engine family.
    pub peers: usize,
    /// How far the trim stands from its peers' now, log-percent, if it stood out among them from the first days on; else
    /// `NaN`.
    pub off_from_start: f64,
    /// All monitored series.
    pub series: Vec<SeriesFinding>,
    /// Posterior over causes, most likely first; empty unless something was flagged.
    pub causes: Vec<CauseWeight>,
    /// Misfires, if the logs carry them.
    pub misfires: Option<MisfireFinding>,
    /// Economy, if fuel or refuels are known.
    pub economy: Option<EconomyFinding>,
    /// Weekly history for the charts.
    pub trace: Vec<TracePoint>,
    /// Days of workshop work with its names.
    pub services: Vec<(i32, String)>,
    /// First of the last ten days whose trims may be judged: work done later has not been proved yet.
    pub proved_before: Option<i32>,
    /// What a reader must know about the limits of this vehicle's evidence.
    pub notes: Vec<String>,
}

impl VehicleFindings {
    /// The series of `kind`, if there is one.
    pub fn of(&self, kind: SeriesKind) -> Option<&SeriesFinding> {
        self.series.iter().find(|s| s.kind == kind)
    }

    /// The first day on which anything was found.
    pub fn first_flag(&self) -> Option<i32> {
        let of_series =
            |s: &SeriesFinding| [s.flagged_up, s.flagged_down, s.level_on, s.near_limit_on];
        let days = self.series.iter().flat_map(of_series).flatten();
        days.chain(self.misfires.as_ref().and_then(|m| m.flagged_on)).min()
    }

    /// Whether the banks were followed apart.
    pub fn has_two_banks(&self) -> bool {
        self.of(SeriesKind::TrimBank(2)).is_some()
    }
}

/// Whether something has to be done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    /// Work is due.
    Act,
    /// Evidence is building up, below the limit.
    Watch,
    /// Enough data, nothing found.
    Sound,
    /// Not enough data to say anything.
    TooLittleData,
}

impl State {
    /// Name in files.
    pub fn as_str(self) -> &'static str {
        match self {
            State::Act => "act",
            State::Watch => "watch",
            State::Sound => "sound",
            State::TooLittleData => "too_little_data",
        }
    }
}

/// What to do first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Action {
    /// Clean the injectors.
    InjectorCleaning,
    /// Clean intake ports, valves or throttle.
    IntakeCleaning,
    /// Look for unmetered air.
    CheckAirLeak,
    /// Check fuel pressure, pump and filter.
    CheckFuelSupply,
    /// Check the airflow sensor.
    CheckAirflowSensor,
    /// Check plugs and coils.
    CheckIgnition,
    /// Nothing.
    None,
}

impl Action {
    /// Name in files.
    pub fn as_str(self) -> &'static str {
        match self {
            Action::InjectorCleaning => "injector_cleaning",
            Action::IntakeCleaning => "intake_cleaning",
            Action::CheckAirLeak => "check_air_leak",
            Action::CheckFuelSupply => "check_fuel_supply",
            Action::CheckAirflowSensor => "check_airflow_sensor",
            Action::CheckIgnition => "check_ignition",
            Action::None => "none",
        }
    }

    /// Name in sentences.
    pub fn words(self) -> &'static str {
        match self {
            Action::InjectorCleaning => "clean the injectors",
            Action::IntakeCleaning => "clean the intake",
            Action::CheckAirLeak => "look for an air leak",
            Action::CheckFuelSupply => "check the fuel supply",
            Action::CheckAirflowSensor => "check the airflow sensor",
            Action::CheckIgnition => "check the ignition",
            Action::None => "nothing to do",
        }
    }
}

/// Expected cost of waiting one more week, in the fleet's currency.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Urgency {
    /// Fuel wasted.
    pub fuel: f64,
    /// Probability of reaching the correction limit times the cost of a breakdown.
    pub breakdown: f64,
    /// Catalyst risk from misfires times its cost.
    pub catalyst: f64,
}

impl Urgency {
    /// Sum of the parts, currency per week.
    pub fn per_week(&self) -> f64 {
        self.fuel + self.breakdown + self.catalyst
    }
}

/// The verdict on one vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// State.
    pub state: State,
    /// What to do first.
    pub action: Action,
    /// Most likely cause and its probability.
    pub cause: Option<(Cause, f64)>,
    /// Bank (1 or 2) if only one is affected.
    pub bank: Option<usize>,
    /// First day on which a test crossed its limit.
    pub flagged_on: Option<i32>,
    /// Drift of the leading series, log-percent per 10,000 km.
    pub drift_per_10000km: Estimate,
    /// What of the trim comes nearest to the limit of the correction; `None` without recent trims.
    pub towards_limit: Option<TowardsLimit>,
    /// Distance to the correction limit, km, with interval.
    pub km_to_limit: Estimate,
    /// Peer-adjusted change from baseline: idle, cruise, load, percent, of the bank affected or the mean of both.
    pub trim_pct: [f64; 3],
    /// One plain sentence.
    pub reason: String,
    /// What to look at first, in order.
    pub checks: Vec<String>,
}

/// The total correction on its way to its limit, above or below.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TowardsLimit {
    /// What is left, log-percent; negative beyond the limit.
    pub room: f64,
    /// Drift that way, log-percent per 10,000 km.
    pub drift_per_10000km: Estimate,
    /// Day-to-day standard deviation, log-percent.
    pub sigma: f64,
}

/// One line of the ranking, with all that stands behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct RankedVehicle {
    /// 1 is the most urgent.
    pub rank: usize,
    /// Vehicle name.
    pub vehicle: String,
    /// Home depot.
    pub depot: String,
    /// Engine family.
    pub engine_family: String,
    /// Verdict.
    pub verdict: Verdict,
    /// Cost of waiting.
    pub urgency: Urgency,
    /// Evidence.
    pub findings: VehicleFindings,
}

/// What one piece of workshop work changed.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Vehicle name.
    pub vehicle: String,
    /// Day of the work, days since 1970-01-01.
    pub day: i32,
    /// Name of the work.
    pub service: String,
    /// Price, `NaN` if not written down.
    pub cost: f64,
    /// Peer-adjusted trim before, log-percent above baseline.
    pub trim_before_pct: f64,
    /// The same after relearning.
    pub trim_after_pct: f64,
    /// What went with the work, log-percent: after less before, growth on both sides taken out.
    pub trim_change_pct: Estimate,
    /// Misfires per 1,000 revolutions before and after.
    pub misfire_before_after: [f64; 2],
    /// Misfire rate after over before.
    pub misfire_ratio: Estimate,
    /// Change of fuel per km, percent.
    pub economy_change_pct: Estimate,
    /// Days from the work until drift was found again, if it was.
    pub days_until_next_flag: Option<i32>,
    /// Days observed after the work.
    pub days_after: i32,
    /// `worked`, `no_effect`, `worse`, `unclear` (what was wrong may have gone, or something surely went that is not known to
    /// be what was wrong) or `too_early`.
    pub verdict: &'static str,
}

/// What one kind of workshop work achieved over the whole fleet.
#[derive(Debug, Clone, PartialEq)]
pub struct OutcomeSummary {
    /// Name of the work.
    pub service: String,
    /// Jobs on record.
    pub jobs: usize,
    /// Jobs with enough data before and after to be judged.
    pub judged: usize,
    /// Judged jobs that worked.
    pub worked: usize,
    /// Judged jobs that changed nothing.
    pub no_effect: usize,
    /// Judged jobs after which it was worse.
    pub worse: usize,
    /// Judged jobs that may have changed nothing or cured all that was wrong.
    pub unclear: usize,
    /// Median of trim after minus before, log-percent, with the interval of the median.
    pub trim_change_pct: Estimate,
    /// Median change of misfires per 1,000 revolutions, with the interval of the median.
    pub misfire_change_per_1000_rev: Estimate,
    /// Median change of fuel per km, percent, with the interval of the median.
    pub economy_change_pct: Estimate,
    /// Median price in the fleet's currency, `NaN` if none was written down.
    pub cost_median: f64,
    /// Jobs that worked after which drift was found again.
    pub flagged_again: usize,
    /// Median days until it was (jobs still clean count as censored), `NaN` if it cannot be told.
    pub days_until_next_flag_median: f64,
}

/// A whole engine family that drifts together, which no comparison with peers can see.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupAlarm {
    /// Engine family.
    pub engine_family: String,
    /// First day on which the family's test crossed its limit, days since 1970-01-01.
    pub since_day: i32,
    /// Drift of the family, log-percent per 10,000 km.
    pub drift_per_10000km: Estimate,
}

/// What is promised about false flags, and what was measured on this fleet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GuaranteeFigures {
    /// Highest rate of false flags that the limits are set for, per healthy vehicle and year.
    pub designed_per_vehicle_year: f64,
    /// The part of it that the test of rising trims has, which is the one run upside down; `NaN` before the first look.
    pub mirror_designed_per_vehicle_year: f64,
    /// Flags of the same test run upside down on this fleet, where fouling cannot cause any.
    pub mirror_flags: usize,
    /// Vehicle-years that this mirror test has seen.
    pub mirror_vehicle_years: f64,
}

/// The peer-adjusted all-band trim of one bank, for judging workshop work.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjustedSeries {
    /// Vehicle name.
    pub vehicle: String,
    /// What is measured: the trim of a bank (bank 1 where there is one), how far a band stands from the others, idle
    /// throttle, breathing or the warm-up gap.
    pub kind: SeriesKind,
    /// Size from which a change counts.
    pub least_change: f64,
    /// Where the trim stood on the vehicle's first days, log-percent from where its family stood, or from nought where that is
    /// not known; `NaN` for what has no nought.
    pub start: f64,
    /// (day, weight, value above the vehicle's first baseline), days ascending; weight 1 is a normal day.
    pub rows: Vec<(i32, f64, f64)>,
    /// Long-run variance: that of the mean of many days is this over their weight, log-percent².
    pub long_run_variance: f64,
    /// Standard deviation of the peers' reference, log-percent.
    pub reference_sd: f64,
    /// Variance that innocent steps add from one day to the next, log-percent².
    pub steps_per_day: f64,
    /// How fast a fault grows, mean and sd of the slope before it is cut at nought, log-percent per day.
    pub slope_per_day: (f64, f64),
    /// Flags of all series of the vehicle over its whole history.
    pub flags: Vec<TrimFlag>,
}

/// One crossing of a limit of the drift test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct TrimFlag {
    /// Day, since 1970-01-01.
    pub day: i32,
    /// What was tested.
    pub kind: SeriesKind,
    /// Whether it rose.
    pub rose: bool,
}

/// Fuel per km of one vehicle beyond driving, weather and its family's course, for judging workshop work.
#[derive(Debug, Clone, PartialEq)]
pub struct AdjustedFuel {
    /// Vehicle name.
    pub vehicle: String,
    /// (day, weight, natural logarithm of litres per km around a level of the vehicle's own), days ascending.
    pub rows: Vec<(i32, f64, f64)>,
    /// Correlation of a week's noise with the next's.
    pub next: f64,
    /// Variance of what wanders slowly in this family or fleet.
    pub wander_variance: f64,
    /// Days after which its correlation has fallen to 1/e.
    pub wander_days: f64,
    /// Degrees of freedom of the variance.
    pub wander_df: f64,
}
