//! Runs the test over all series of one channel, night by night.
//!
//! In: daily rows of every vehicle, in day order. Out: one [`SeriesOutcome`] per series. Nothing that
//! a night decides uses a later row, so a run cut at any day gives the same flags up to that day.
//! Series are independent between two noise refits and run in parallel; sums over the fleet are
//! taken in input order, so the thread count changes nothing.

use rayon::prelude::*;

use super::noise::{Residuals, shrunk_noise};
use super::params::{Pace, Params};
use super::peers::{Reference, reference};
use super::posterior::{Direction, Ramps, SlopePosterior};
use super::scan::{Look, Workspace};
use super::series::{AdjustedRow, Blocks, Break, Noise};

/// One vehicle's value on one day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayRow {
    /// Days since any fixed epoch.
    pub day: i32,
    /// Odometer, 10,000 km.
    pub x: f64,
    /// The channel's daily mean, channel units.
    pub y: f64,
    /// Relative precision, above 0; 1 is a normal day.
    pub weight: f64,
}

/// All that is known about one vehicle in one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesInput {
    /// Peer group: 0, 1, ... (same engine family).
    pub group: usize,
    /// At most one row per day, days ascending.
    pub rows: Vec<DayRow>,
    /// Events after which the level may be another, by day. On a series that stands flagged such an event is the
    /// repair if the rows after it prove so: at least half of the change is gone, and more than noise. All before it is then
    /// forgotten.
    ///
    /// Study: every event is a free change of level; but each such freedom takes up to eight ninths of what a ramp
    /// shows, and most recorded work leaves the mixture alone.
    pub breaks: Vec<Break>,
    /// Days of repairs, ascending: everything before is forgotten.
    pub restarts: Vec<i32>,
    /// Limit of the upward log ratio; see [`super::params::log_limit`]. With both limits infinite the series is only
    /// followed: no look is taken.
    pub log_limit_up: f64,
    /// Limit of the downward log ratio.
    pub log_limit_down: f64,
    /// The slope on the last day is worked out where the evidence is within this many nats of its limit;
    /// infinite: always.
    pub slope_margin: f64,
    /// Further days for which the slope is asked, ascending.
    pub report_days: Vec<i32>,
}

impl SeriesInput {
    /// Days of events and repairs.
    fn events(&self) -> impl Iterator<Item = i32> {
        self.breaks.iter().map(|b| b.day).chain(self.restarts.iter().copied())
    }

    /// Whether there is a limit that it may cross; if not, it is only followed.
    fn is_tested(&self) -> bool {
        self.log_limit_up.is_finite() || self.log_limit_down.is_finite()
    }

    /// Whether a logged event or a repair lies after `before` and not after `day`.
    pub(crate) fn may_have_jumped(&self, before: i32, day: i32) -> bool {
        self.events().any(|d| before < d && d <= day)
    }
}

/// The night on which a limit was crossed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Flag {
    /// Day of the look.
    pub day: i32,
    /// Log ratio at that look.
    pub log_r: f64,
    /// Slope as known on that night.
    pub slope: Option<SlopePosterior>,
}

/// What the test says in one direction.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct DirectionOutcome {
    /// First crossing since the last restart.
    pub flag: Option<Flag>,
    /// Crossings before restarts, oldest first.
    pub earlier_flags: Vec<Flag>,
    /// Log ratio at the last look since the last restart; `None` if there was none.
    pub log_r: Option<f64>,
    /// Slope on the last day, if the data suffice for a look and the evidence is within [`SeriesInput::slope_margin`].
    pub slope: Option<SlopePosterior>,
    /// Slope on the days asked for.
    pub reports: Vec<(i32, SlopePosterior)>,
}

/// Level now against the level at the start, both as plain means of peer-adjusted values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelChange {
    /// Change, channel units. Steps count, logged ones too.
    pub change: f64,
    /// Its sd from the noise and the reference.
    pub sd: f64,
}

/// A peer-adjusted daily value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ResidualRow {
    /// Day of the row.
    pub day: i32,
    /// Odometer, 10,000 km.
    pub x: f64,
    /// Value less the peers' common mode, channel units.
    pub r: f64,
    /// Relative precision.
    pub weight: f64,
}

/// Everything the test found for one series.
#[derive(Debug, Clone, PartialEq)]
pub struct SeriesOutcome {
    /// Upward drift.
    pub up: DirectionOutcome,
    /// Downward drift.
    pub down: DirectionOutcome,
    /// Change since the last restart; `None` with too few rows.
    pub level: Option<LevelChange>,
    /// Noise in force on the last day.
    pub noise: Noise,
    /// Day of the last restart or repair, if there was one.
    pub restarted_on: Option<i32>,
    /// Rows since the last restart.
    pub rows: usize,
    /// Rows, days and blocks suffice for a look.
    pub enough_data: bool,
    /// Looks taken.
    pub looks: u32,
    /// Largest sd of the peers' reference since the first row that counts, channel units.
    pub reference_sd: f64,
    /// All rows up to the last day, peer-adjusted.
    pub residuals: Vec<ResidualRow>,
    /// The upward test on the same values upside down.
    pub mirror: Mirror,
}

/// What the upward test says of a series upside down: nothing that makes a series rise can flag it there, so its flags
/// show how often innocent steps and noise do.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Mirror {
    /// Night of the first look.
    since: Option<i32>,
    /// A flag has ended it.
    over: bool,
    /// Days from there to the last look, the mirror's own flag or that of a rise.
    pub days: i32,
    /// First night on which the limit of a rise was crossed downward by as much as a rise must have.
    pub flagged_on: Option<i32>,
}

/// Runs the test on one channel's series up to and including `last_day`.
///
/// All series of one call share their noise priors, so a call takes one channel. Rows after
/// `last_day` are ignored.
#[must_use]
pub fn run(series: &[SeriesInput], params: &Params, last_day: i32) -> Vec<SeriesOutcome> {
    let reference = reference(series, params, last_day);
    let groups: Vec<usize> = series.iter().map(|s| s.group).collect();
    let mut states: Vec<State<'_>> = series
        .par_iter()
        .zip(&reference.common_mode)
        .map(|(input, common_mode)| State::new(input, common_mode, &reference, params))
        .collect();
    let first_day = states.iter().filter_map(|s| s.rows.first()).map(|r| r.day).min();
    let mut night = first_day.unwrap_or(last_day);
    if series.iter().all(|s| !s.is_tested() && s.report_days.is_empty()) {
        // Nothing is asked of the nights before the last refit.
        night = night.max(last_day.div_euclid(params.refit_days) * params.refit_days);
        states.par_iter_mut().for_each(|state| state.skip_to(night));
    }
    while night <= last_day {
        // Refits fall on the same days whatever the first row, so a longer history changes no earlier night.
        let next = (night.div_euclid(params.refit_days) + 1) * params.refit_days;
        let end = next.min(last_day.saturating_add(1));
        states.par_iter_mut().for_each(|state| state.refit_residuals(night));
        let mut residuals: Vec<&mut Residuals> =
            states.iter_mut().map(|s| &mut s.residuals).collect();
        let noise = shrunk_noise(&mut residuals, &groups, params);
        states.par_iter_mut().zip(noise).for_each_init(
            Workspace::default,
            |work, (state, noise)| {
                if state.refitted {
                    state.adopt(noise);
                }
                for night in night..end {
                    state.live(night, work);
                }
            },
        );
        night = end;
    }
    states
        .into_par_iter()
        .map_init(Workspace::default, |work, state| state.outcome(last_day, work))
        .collect()
}

/// One series on its way through the nights.
struct State<'a> {
    input: &'a SeriesInput,
    reference: &'a Reference,
    params: &'a Params,
    rows: Vec<AdjustedRow>,
    residuals: Residuals,
    /// Rows that the residuals were made of.
    fitted_rows: usize,
    /// Whether they were made anew at the last refit of the fleet.
    refitted: bool,
    noise: Noise,
    blocks: Blocks,
    /// First row since the last restart.
    start: usize,
    /// First row not yet seen.
    next: usize,
    next_restart: usize,
    restarted_on: Option<i32>,
    next_report: usize,
    unseen: bool,
    pace: Pace,
    /// Blocks at the last look.
    looked_at: usize,
    looks: u32,
    /// Largest sd of the peers' reference since the restart, and the day up to which it was looked for.
    worst_reference: (f64, i32),
    up: DirectionOutcome,
    down: DirectionOutcome,
    mirror: Mirror,
}

impl<'a> State<'a> {
    fn new(
        input: &'a SeriesInput,
        common_mode: &[f64],
        reference: &'a Reference,
        params: &'a Params,
    ) -> Self {
        let slow = slow_mode(&input.rows, common_mode, params.sensitivity_memory_days);
        let adjusted = |((row, &m), slow): ((&DayRow, &f64), f64)| {
            let DayRow { day, x, y, weight } = *row;
            AdjustedRow { day, x, m: slow, r: y - m, weight }
        };
        Self {
            input,
            reference,
            params,
            rows: input.rows.iter().zip(common_mode).zip(slow).map(adjusted).collect(),
            residuals: Residuals::default(),
            fitted_rows: 0,
            refitted: false,
            noise: Noise { sigma: params.step_sd, phi: 0.0, kappa: 1.0 },
            blocks: Blocks::default(),
            start: 0,
            next: 0,
            next_restart: 0,
            restarted_on: None,
            next_report: 0,
            unseen: false,
            pace: Pace::Blocks,
            looked_at: 0,
            looks: 0,
            worst_reference: (0.0, i32::MIN),
            up: DirectionOutcome::default(),
            down: DirectionOutcome::default(),
            mirror: Mirror::default(),
        }
    }

    /// Detrends the rows seen before `night`, if they have grown enough.
    fn refit_residuals(&mut self, night: i32) {
        let due = (1.0 + self.params.refit_growth) * self.fitted_rows as f64;
        self.refitted = self.next as f64 >= due;
        if !self.refitted {
            return;
        }
        self.fitted_rows = self.next;
        let mut cuts: Vec<i32> = self.input.events().filter(|&cut| cut <= night).collect();
        cuts.sort_unstable();
        self.residuals.refit(&self.rows[..self.next], &cuts, self.params);
    }

    /// Takes in all rows before `night` without a look.
    fn skip_to(&mut self, night: i32) {
        self.next = self.rows.partition_point(|r| r.day < night);
        let begun = self.input.restarts.partition_point(|day| *day < night);
        self.next_restart = begun;
        if let Some(&day) = self.input.restarts[..begun].last() {
            self.restart(day);
            self.start = self.rows.partition_point(|r| r.day < day);
        }
    }

    /// Takes a new noise and weighs the rows since the restart anew.
    fn adopt(&mut self, noise: Noise) {
        self.noise = noise;
        self.blocks.begin(&noise, self.params);
        for row in &self.rows[self.start..self.next] {
            self.blocks.push(row, &self.input.breaks, self.params);
        }
    }

    fn live(&mut self, night: i32, work: &mut Workspace) {
        while let Some(&day) =
            self.input.restarts.get(self.next_restart).filter(|day| **day <= night)
        {
            self.next_restart += 1;
            self.restart(day);
        }
        if let Some(row) = self.rows.get(self.next).filter(|row| row.day == night) {
            self.blocks.push(row, &self.input.breaks, self.params);
            self.next += 1;
            self.unseen = true;
            self.prove_repair();
        }
        let due = self.unseen && self.input.is_tested() && self.look_is_due(night);
        if due && self.blocks.ready(night, self.params) {
            self.look(night, work);
        }
        while self.input.report_days.get(self.next_report).is_some_and(|&day| day <= night) {
            if self.input.report_days[self.next_report] == night {
                let slopes = [Direction::Up, Direction::Down].map(|d| self.slope(d, night, work));
                self.up.reports.extend(slopes[0].map(|s| (night, s)));
                self.down.reports.extend(slopes[1].map(|s| (night, s)));
            }
            self.next_report += 1;
        }
    }

    /// Restarts at an event since the flag if the rows after it are back by at least half, and by more than noise is.
    ///
    /// Rows needed on each side: 10, or else twice as many after it (common practice, no source); work that changed nothing
    /// leaves the flag. Without a bound on the noise (sd 2 %, correlation 0.6: two means of ten days differ by 1.8 %), a rise of
    /// 3 % would be "cured" by every fifth piece of work in vain.
    fn prove_repair(&mut self) {
        const ROWS: usize = 10;
        let Some(flag) = self.up.flag.or(self.down.flag) else {
            return;
        };
        let seen = &self.rows[self.start..self.next];
        let mean = |rows: &[AdjustedRow]| rows.iter().map(|r| r.r).sum::<f64>() / rows.len() as f64;
        let proven = self.input.breaks.iter().map(|b| b.day).find_map(|day| {
            let (before, after) = seen.split_at(seen.partition_point(|r| r.day < day));
            // Decided on two days only, so that a later wobble cannot pass for a cure; on the second only if nothing else was
            // done meanwhile.
            let alone = || !self.input.may_have_jumped(day, seen[seen.len() - 1].day);
            let decisive = after.len() == ROWS || (after.len() == 2 * ROWS && alone());
            if day < flag.day || !decisive || before.len() < 3 * ROWS {
                return None;
            }
            let base = mean(&before[..2 * ROWS]);
            let raised = mean(&before[before.len() - ROWS..]) - base;
            let left = mean(after) - base;
            let rows = 1.0 / ROWS as f64 + 1.0 / after.len() as f64;
            let noise = (self.noise.long_run_variance() * rows).sqrt();
            let back = raised.signum() * (raised - left);
            let cured = left.abs() <= 0.5 * raised.abs() && back > CURE_BEYOND * noise;
            cured.then_some((day, after.len()))
        });
        if let Some((day, rows)) = proven {
            self.restart(day);
            self.start = self.next - rows;
            self.adopt(self.noise);
        }
    }

    fn restart(&mut self, day: i32) {
        self.restarted_on = Some(day);
        self.fitted_rows = 0;
        self.start = self.next;
        self.blocks.begin(&self.noise, self.params);
        self.unseen = false;
        self.pace = Pace::Blocks;
        self.worst_reference = (0.0, i32::MIN);
        for direction in [&mut self.up, &mut self.down] {
            direction.earlier_flags.extend(direction.flag.take());
            direction.log_r = None;
        }
    }

    fn look_is_due(&self, night: i32) -> bool {
        let closes =
            self.blocks.last_block_day().is_some_and(|d| night == d + self.params.block_days - 1);
        let due = match self.pace {
            Pace::Nights => true,
            Pace::Blocks => closes,
            Pace::EveryOtherBlock => closes && self.blocks.list.len() >= self.looked_at + 2,
        };
        due || self.params.nightly
    }

    fn look(&mut self, night: i32, work: &mut Workspace) {
        self.know_season(night);
        let Look { log_r_up, log_r_down, .. } = work.look(&self.blocks, self.params);
        self.looks += 1;
        self.looked_at = self.blocks.list.len();
        self.unseen = false;
        self.up.log_r = Some(log_r_up);
        self.down.log_r = Some(log_r_down);
        let limits = [self.input.log_limit_up, self.input.log_limit_down];
        self.pace = Pace::EveryOtherBlock;
        self.look_down_as_up(night, log_r_down, work);
        for (direction, limit) in [Direction::Up, Direction::Down].into_iter().zip(limits) {
            let (flagged, log_r) = match direction {
                Direction::Up => (self.up.flag.is_some(), log_r_up),
                Direction::Down => (self.down.flag.is_some(), log_r_down),
            };
            if flagged {
                // Whether it stands is asked of its evidence, so that must not grow old.
                self.pace = self.pace.max(Pace::Blocks);
                continue;
            }
            self.pace = self.pace.max(self.params.pace(log_r - limit));
            if log_r > limit {
                // Evidence alone also flags ramps too small for anyone to act on, and what steps leave behind.
                let least = match direction {
                    Direction::Up => self.params.least_rise,
                    Direction::Down => self.params.least_fall,
                };
                let ramps = self.ramps(direction, night, work);
                if ramps.as_ref().is_some_and(|r| r.change_size() < self.least(least, night)) {
                    continue;
                }
                let slope = ramps.map(|ramps| ramps.posterior());
                let flag = Some(Flag { day: night, log_r, slope });
                match direction {
                    Direction::Up => self.up.flag = flag,
                    Direction::Down => self.down.flag = flag,
                }
            }
        }
    }

    /// The upward test on the same values upside down, which acts on nothing.
    fn look_down_as_up(&mut self, night: i32, log_r_down: f64, work: &mut Workspace) {
        let since = *self.mirror.since.get_or_insert(night);
        self.mirror.over |= self.mirror.flagged_on.is_some() || self.up.flag.is_some();
        if self.mirror.over {
            return;
        }
        self.mirror.days = night - since;
        if log_r_down > self.input.log_limit_up {
            let ramps = self.ramps(Direction::Down, night, work);
            let large =
                ramps.is_none_or(|r| r.change_size() >= self.least(self.params.least_rise, night));
            if large {
                self.mirror.flagged_on = Some(night);
            }
        }
        self.pace = self.pace.max(self.params.pace(log_r_down - self.input.log_limit_up));
    }

    /// Tells the blocks how much of a season their values may hold by `night`.
    ///
    /// What the peers' reference leaves in beyond [`Params::weather_sd`] is a season; a change then stands out from a wave
    /// of a year as it does from a level.
    fn know_season(&mut self, night: i32) {
        let Some(first) = self.blocks.first_day() else { return };
        let (worst, until) = self.worst_reference;
        let worst =
            self.reference.worst_sd(self.input.group, first, until.saturating_add(1), night, worst);
        self.worst_reference = (worst, night);
        let (left_in, weather) = (self.reference_sd(night), self.params.weather_sd);
        self.blocks.season_sd = (left_in * left_in - weather * weather).max(0.0).sqrt();
        self.blocks.season_until = self.reference.few_until(self.input.group, night);
    }

    fn ramps(&self, direction: Direction, night: i32, work: &mut Workspace) -> Option<Ramps<'_>> {
        let weather_sd = self.weather_left_in(night);
        Ramps::of(&self.blocks, direction, night, weather_sd, self.params, work)
    }

    /// Largest sd of the peers' reference since the first row that counts, as far as it is known.
    fn reference_sd(&self, night: i32) -> f64 {
        self.worst_reference.0.max(self.reference.sd(self.input.group, night))
    }

    /// The part of it that is no season, which is projected out.
    fn weather_left_in(&self, night: i32) -> f64 {
        self.reference_sd(night).min(self.params.weather_sd)
    }

    /// Size from which a change counts: nor does one that the peers' reference may have made by its own error.
    fn least(&self, least: f64, night: i32) -> f64 {
        least.hypot(self.params.reference_error * self.weather_left_in(night))
    }

    fn slope(
        &mut self,
        direction: Direction,
        night: i32,
        work: &mut Workspace,
    ) -> Option<SlopePosterior> {
        if !self.blocks.ready(night, self.params) {
            return None;
        }
        self.know_season(night);
        self.ramps(direction, night, work).map(|ramps| ramps.posterior())
    }

    fn outcome(mut self, last_day: i32, work: &mut Workspace) -> SeriesOutcome {
        let margin = self.input.slope_margin;
        let near = |d: &DirectionOutcome, limit: f64| {
            let close = d.log_r.is_some_and(|log_r| log_r >= limit - margin);
            margin.is_infinite() || d.flag.is_some() || close
        };
        if near(&self.up, self.input.log_limit_up) {
            self.up.slope = self.slope(Direction::Up, last_day, work);
        }
        if near(&self.down, self.input.log_limit_down) {
            self.down.slope = self.slope(Direction::Down, last_day, work);
        }
        self.know_season(last_day);
        let reference_sd = self.reference_sd(last_day);
        let seen = &self.rows[..self.next];
        let residual = |row: &AdjustedRow| {
            let AdjustedRow { day, x, r, weight, .. } = *row;
            ResidualRow { day, x, r, weight }
        };
        SeriesOutcome {
            level: self.level_change(reference_sd),
            noise: self.noise,
            restarted_on: self.restarted_on,
            rows: self.blocks.rows,
            enough_data: self.blocks.ready(last_day, self.params),
            looks: self.looks,
            reference_sd,
            residuals: seen.iter().map(residual).collect(),
            mirror: self.mirror,
            up: self.up,
            down: self.down,
        }
    }

    /// Mean of the last window less the mean of the first two, since the last restart.
    fn level_change(&self, reference_sd: f64) -> Option<LevelChange> {
        let rows = &self.rows[self.start..self.next];
        let window = self.params.level_window_days;
        let (first, last) = (rows.first()?.day, rows.last()?.day);
        let before = &rows[..rows.partition_point(|r| r.day < first + 2 * window)];
        let after = &rows[rows.partition_point(|r| r.day <= last - window)..];
        if before.len() < FEWEST_LEVEL_ROWS
            || after.len() < FEWEST_LEVEL_ROWS
            || before.len() + after.len() > rows.len()
        {
            return None;
        }
        let (start, start_weight) = weighted_mean(before);
        let (now, now_weight) = weighted_mean(after);
        let variance = self.noise.long_run_variance() * (1.0 / start_weight + 1.0 / now_weight);
        let sd = (variance + 2.0 * reference_sd * reference_sd).sqrt();
        Some(LevelChange { change: now - start, sd })
    }
}

/// Exponential mean of the common mode up to each row, with a memory in days; 0: the mode of the day.
fn slow_mode(rows: &[DayRow], common_mode: &[f64], memory_days: f64) -> Vec<f64> {
    if memory_days <= 0.0 {
        return common_mode.to_vec();
    }
    let mut last: Option<(i32, f64)> = None;
    let fresh_after = |days: i32| -(-f64::from(days) / memory_days).exp_m1();
    // Most rows are a day apart.
    let a_day = fresh_after(1);
    let mean = |(row, &m): (&DayRow, &f64)| {
        let (since, before) = last.unwrap_or((row.day, m));
        let days = row.day - since;
        let fresh = if days == 1 { a_day } else { fresh_after(days) };
        let mean = before + fresh * (m - before);
        last = Some((row.day, mean));
        mean
    };
    rows.iter().zip(common_mode).map(mean).collect()
}

/// How far a trim must have come back after work to count as repaired, standard deviations of the difference of the two means:
/// the one-sided 90 % bound of a normal (table of the normal distribution), on each of the two days that decide.
const CURE_BEYOND: f64 = 1.282;

/// Fewest rows in a level window.
const FEWEST_LEVEL_ROWS: usize = 8;

fn weighted_mean(rows: &[AdjustedRow]) -> (f64, f64) {
    let weight: f64 = rows.iter().map(|r| r.weight).sum();
    (rows.iter().map(|r| r.weight * r.r).sum::<f64>() / weight, weight)
}
