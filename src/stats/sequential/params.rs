//! Every constant of the sequential test, with its default and where the default comes from.
//!
//! In: nothing. Out: [`Params`]. "Study" below is the comparison on simulated fleets from which the
//! test's design was chosen; the measured figures stand in [`crate::stats::sequential`]. One set of
//! parameters serves one channel (say, idle trim of bank 1): the sizes are in that channel's unit.

/// How the noise's correlation from one day to the next is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PhiRule {
    /// The same correlation per calendar day for every series.
    Fixed(f64),
    /// Lag-one correlation of each series, shrunk to its peer group's mean and then to `prior`.
    Estimated {
        /// Correlation assumed before any data.
        prior: f64,
        /// Rows of data that weigh as much as the group's mean.
        prior_rows: f64,
    },
}

/// Constants of the ramp-against-step test for one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Params {
    /// Centre of the slope's prior, a normal cut at nought, channel units per 10,000 km: the middle of 2 to 8. Study: 0.
    pub slope_mean: f64,
    /// Its sd before the cut, channel units per 10,000 km. Study: 5 (3 to 8 tried).
    pub slope_sd: f64,
    /// Root mean square size of an ordinary innocent step, channel units: 1.0. Study: 1.5 for all steps.
    pub step_sd: f64,
    /// Ordinary innocent steps per vehicle and year, both edges of a temporary one counted. Study: 1.2.
    pub steps_per_year: f64,
    /// Whether steps are declared for the time without rows, too: a block after a long gap then has more than a week's.
    /// On fleets that log two months and pause two, their lack gave 54 false flags in 4,331 vehicle-years, 20 with them
    /// (tuning seeds 907 and 908). Study: no.
    pub steps_in_gaps: bool,
    /// Root mean square size of a large innocent step (a sensor, unrecorded work), channel units: 3. With ordinary
    /// steps alone, two large ones are a rise that nothing else explains: declaring 0.2 of them a year took false flags
    /// from 54 to 33 in 5,900 vehicle-years (tuning seeds 501 and 504), and the drift at the flag from 5.1 to
    /// 5.5 %. Study: none.
    pub large_step_sd: f64,
    /// Large innocent steps per vehicle and year; 0: none. 0.05 (own judgement, no source;
    /// the study simulates 0.08 steps of sensors, 1.5 to 4 %).
    pub large_steps_per_year: f64,
    /// Prior sd of an accepted ordinary step as a multiple of `step_sd`. Study: 1.5.
    pub accepted_step_factor: f64,
    /// How many steps may be accepted into the null. Study: 2.
    pub accepted_steps: usize,
    /// A step is accepted when the log of its prior odds times its Bayes factor exceeds this. Study: -1.5.
    pub accept_log_odds: f64,
    /// Prior sd of a vehicle's sensitivity to the common mode, around 1. Study: 0.25.
    pub sensitivity_sd: f64,
    /// Prior sd of the level change at a logged event, channel units. Common practice, no source: 3.
    pub break_sd: f64,
    /// Days per block. Study: 7 (14 and 28 need `steps_per_year` and the limit rescaled).
    pub block_days: i32,
    /// No look before this many rows since the last restart. Study: 60.
    pub min_rows: usize,
    /// No look before this many days since the first row after the last restart. Study: 90.
    pub min_days: i32,
    /// No look before this many blocks. Study: 4.
    pub min_blocks: usize,
    /// A rise must have added this much, channel units, before it is flagged. 0: evidence alone decides.
    pub least_rise: f64,
    /// The same for a fall.
    pub least_fall: f64,
    /// Look every night instead of at block closes and near the limit.
    pub nightly: bool,
    /// Between block closes a series is looked at when its last look was within this many nats of a limit.
    pub watch_margin: f64,
    /// A series that stands unflagged and was further than this many nats from any limit at its last look is looked at on
    /// every other block close: a week hardly brings so much. Infinite: at each. Study: so.
    pub calm_margin: f64,

    /// How the day-to-day correlation is found: per series, shrunk to its group, which weighs as much as 100 pairs
    /// of days. Study: 0.5 for all. On the same 8,600 vehicle-years (tuning seeds 501, 502 and 504) a fixed 0.5 gave
    /// 86 false flags and 4.69 % in the median, the estimate 79 and 4.65 %.
    pub phi: PhiRule,
    /// Gap in days beyond which two rows count as independent. Study: 10.
    pub longest_gap: i32,
    /// Rows are clipped to this many sd around their prediction. Study: 3.
    pub clip_sd: f64,
    /// Rows before clipping starts. Study: 20.
    pub clip_after_rows: u32,
    /// Days between two refits of the noise. Study: 28.
    pub refit_days: i32,
    /// A series takes part in a refit when its rows have grown by this share since its last, or it has started anew: the
    /// noise of 400 rows is hardly another after 80 more, and each refit weighs all rows anew. Study: 0.
    pub refit_growth: f64,
    /// Rows per detrended segment in a noise refit. Study: about 90.
    pub segment_rows: usize,
    /// Smallest sd that is believed, channel units; 0: any. A value that is stuck, or moves by single steps of its
    /// code, would otherwise look certain. Study: 0.
    pub sigma_floor: f64,
    /// Rows that weigh as much as the fleet's mean log sigma. Study: 30.
    pub sigma_prior_rows: f64,
    /// Blocks of whitened residuals that weigh as much as the fleet's mean kappa. Study: 30.
    pub kappa_prior_blocks: f64,
    /// Whitened residuals per kappa block. Study: 20.
    pub kappa_block_rows: usize,

    /// Values a peer must have shown before it may vote. Study: 10.
    pub vote_after_rows: u32,
    /// A peer whose slow residual is beyond this may not vote, channel units. Study: 1.5.
    pub vote_limit: f64,
    /// Memory of a peer's own level, rows. Study: 365, of a mean.
    pub level_memory_rows: f64,
    /// Memory of a peer's slow residual, rows. Study: 30.
    pub slow_memory_rows: f64,
    /// Voters whose median weighs as much as the median of all groups before it is known how unlike the
    /// groups are. Study: 8.
    pub small_group_prior: f64,
    /// Days that this prior weighs. Common practice, no source: 30.
    pub small_group_prior_days: f64,
    /// Days over which the groups' unlikeness is averaged. Common practice, no source: 365.
    pub unlikeness_memory_days: f64,
    /// Memory of the mean of the common mode that a vehicle's sensitivity is measured by, days; 0: each day's own.
    /// Study: 0.
    ///
    /// The noise of a median of peers stands in the value and, with the other sign, in the mode that it is regressed on;
    /// this pulls the sensitivity down (errors in the regressor: Fuller, Measurement Error Models, 1987, sec. 1.1; from
    /// memory) and leaves that share of the season in the residual. Seasons and fuels move over weeks, noise does not.
    pub sensitivity_memory_days: f64,
    /// Sd of what peers have in common, which stays in a series that too few peers stand beside, channel units. Study: 0.
    pub no_reference_sd: f64,
    /// How much of what a reference leaves in is weather and fuel grade, sd in channel units; what there is beyond is a
    /// wave of a year, which is projected out. Infinite: nothing is. Study: as infinite.
    pub weather_sd: f64,
    /// Errors of the reference (of its weather where the rest is projected out), sd, that a change must stand out from, in
    /// quadrature with the least change. Study: 0.
    pub reference_error: f64,
    /// Variances of the reference that a change of it has, for the interval. Study: 2, those of two levels; but it is known
    /// only by how its voters have strayed of late, and over months they stray further.
    pub reference_variances: f64,
    /// Days over which the reference's sd is smoothed. Study: 60.
    pub reference_memory_days: f64,

    /// Share of the declared step variance to add to the interval as unresolved: 1.1, above 1 because
    /// `step_sd` is declared small. Study, with its larger steps: 0.8.
    pub unresolved_steps: f64,
    /// Length of a ramp, 10,000 km, beyond which the share falls as its inverse: what lies so far back the scan has told from
    /// the ramp by then. Infinite: it does not. Study: as infinite.
    pub unresolved_reach: f64,
    /// Days at both ends over which a level is averaged for the change from the baseline. Common
    /// practice, no source: 28.
    pub level_window_days: i32,
}

impl Default for Params {
    fn default() -> Self {
        Self {
            slope_mean: 0.0,
            slope_sd: 5.0,
            step_sd: 1.0,
            steps_per_year: 0.9,
            steps_in_gaps: true,
            large_step_sd: 3.0,
            large_steps_per_year: 0.05,
            accepted_step_factor: 1.5,
            accepted_steps: 2,
            accept_log_odds: -1.5,
            sensitivity_sd: 0.25,
            break_sd: 3.0,
            block_days: 7,
            min_rows: 60,
            min_days: 90,
            min_blocks: 4,
            least_rise: 0.0,
            least_fall: 0.0,
            nightly: false,
            watch_margin: 4.0,
            calm_margin: 6.0,
            phi: PhiRule::Estimated { prior: 0.5, prior_rows: 100.0 },
            longest_gap: 10,
            clip_sd: 3.0,
            clip_after_rows: 20,
            refit_days: 28,
            refit_growth: 0.2,
            segment_rows: 90,
            sigma_floor: 0.0,
            sigma_prior_rows: 30.0,
            kappa_prior_blocks: 30.0,
            kappa_block_rows: 20,
            vote_after_rows: 10,
            vote_limit: 1.5,
            level_memory_rows: 365.0,
            slow_memory_rows: 30.0,
            small_group_prior: 8.0,
            small_group_prior_days: 30.0,
            unlikeness_memory_days: 365.0,
            sensitivity_memory_days: 0.0,
            no_reference_sd: 0.0,
            weather_sd: f64::INFINITY,
            reference_error: 0.0,
            reference_variances: 2.0,
            reference_memory_days: 60.0,
            unresolved_steps: 1.1,
            unresolved_reach: f64::INFINITY,
            level_window_days: 28,
        }
    }
}

/// Days in a year as the study counts steps (52 weeks).
const DAYS_PER_YEAR: f64 = 364.0;

/// One kind of innocent step that a block may begin with.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StepPrior {
    /// Expected number in the block; 0: there is none of this kind.
    pub(crate) odds: f64,
    /// Sd of its size, channel units.
    pub(crate) sd: f64,
    /// Sd of its size once it is accepted into the base, channel units.
    pub(crate) accepted_sd: f64,
}

impl StepPrior {
    fn alike(odds: f64, sd: f64) -> Self {
        Self { odds, sd, accepted_sd: sd }
    }
}

/// How often a series is looked at, the calmest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Pace {
    EveryOtherBlock,
    Blocks,
    Nights,
}

/// Weeks in a year as the study counts them.
pub const WEEKS_PER_YEAR: f64 = 52.18;

impl Params {
    /// The study's own step prior, which its reference vector uses.
    #[must_use]
    pub fn of_the_study() -> Self {
        Self {
            step_sd: 1.5,
            steps_per_year: 1.2,
            steps_in_gaps: false,
            large_steps_per_year: 0.0,
            phi: PhiRule::Fixed(0.5),
            refit_growth: 0.0,
            calm_margin: f64::INFINITY,
            unresolved_steps: 0.8,
            ..Self::default()
        }
    }

    /// The same test on a channel whose noise and steps are `factor` times those of total trim in percent.
    #[must_use]
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            slope_mean: self.slope_mean * factor,
            slope_sd: self.slope_sd * factor,
            step_sd: self.step_sd * factor,
            large_step_sd: self.large_step_sd * factor,
            break_sd: self.break_sd * factor,
            least_rise: self.least_rise * factor,
            least_fall: self.least_fall * factor,
            vote_limit: self.vote_limit * factor,
            no_reference_sd: self.no_reference_sd * factor,
            weather_sd: self.weather_sd * factor,
            sigma_floor: self.sigma_floor * factor,
            ..self.clone()
        }
    }

    /// The steps that a block may begin with: rare ones of any size, or what a logged event may have changed.
    ///
    /// `since_last` is the number of days from the row before the block.
    pub(crate) fn steps_at(&self, break_share: Option<f64>, since_last: i32) -> [StepPrior; 2] {
        let days =
            if self.steps_in_gaps { since_last.max(self.block_days) } else { self.block_days };
        let per_block = f64::from(days) / DAYS_PER_YEAR;
        let ordinary = StepPrior {
            odds: self.steps_per_year * per_block,
            sd: self.step_sd,
            accepted_sd: self.accepted_step_factor * self.step_sd,
        };
        let large = StepPrior::alike(self.large_steps_per_year * per_block, self.large_step_sd);
        let at_event = |share: f64| StepPrior::alike(share / (1.0 - share), self.break_sd);
        [break_share.map_or(ordinary, at_event), large]
    }

    /// How often a series is looked at whose evidence lies so many nats above (or below) its limit.
    pub(crate) fn pace(&self, above: f64) -> Pace {
        if above > -self.watch_margin {
            Pace::Nights
        } else if above <= -self.calm_margin && self.calm_margin.is_finite() {
            Pace::EveryOtherBlock
        } else {
            Pace::Blocks
        }
    }

    /// Variance that innocent steps add per week, squared channel units.
    pub(crate) fn step_variance_per_week(&self) -> f64 {
        let ordinary = self.steps_per_year * self.step_sd.powi(2);
        let large = self.large_steps_per_year * self.large_step_sd.powi(2);
        7.0 * (ordinary + large) / DAYS_PER_YEAR
    }
}

/// Log-limit at which one false flag is designed for in `years` vehicle-years.
///
/// The sum grows by at most one per block in expectation while nothing is wrong, so the limit is
/// the number of blocks in that time (Shiryaev-Roberts; Shin, Ramdas, Rinaldo, "E-detectors").
#[must_use]
pub fn log_limit(years: f64) -> f64 {
    (WEEKS_PER_YEAR * years).ln()
}
