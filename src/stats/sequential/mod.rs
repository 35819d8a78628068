//! The ramp-against-step test: is a vehicle drifting, or level with a jump or two?
//!
//! In: daily values of one channel for a fleet ([`SeriesInput`]). Out: per vehicle and direction the
//! night on which the evidence crossed its limit, and what is known about the slope ([`SeriesOutcome`]).
//!
//! Each night asks, for each vehicle, how many times better "rising steadily since some week"
//! explains its history than "level, or jumped once or twice", and adds this over all starting
//! weeks (Shiryaev-Roberts). While nothing is wrong the sum grows by at most one a week in
//! expectation, so a limit of as many weeks as there are in 100 years is designed for at most one
//! false flag per 100 vehicle-years, averaged over the declared prior for innocent steps.
//!
//! What was measured on simulated fleets stands in DEVELOPERS.md.
//!
//! The figures hold while innocent steps are about as frequent as declared. Downward flags on a
//! channel that can only drift upward measure the false-flag rate without labels.

mod common_drift;
mod fleet;
mod noise;
mod params;
mod peers;
mod posterior;
mod scan;
mod series;

pub use common_drift::{CommonDrift, CommonFlag, common_drift};
pub use fleet::{
    DayRow, DirectionOutcome, Flag, LevelChange, Mirror, ResidualRow, SeriesInput, SeriesOutcome,
    run,
};
pub use params::{Params, PhiRule, WEEKS_PER_YEAR, log_limit};
pub(crate) use peers::reference;
pub use posterior::{Direction, SlopePosterior, slope_posterior};
pub use scan::{Look, Workspace};
pub use series::{AdjustedRow, Blocks, Break, Noise};
