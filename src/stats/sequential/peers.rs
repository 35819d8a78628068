//! What the whole peer group does together, day by day.
//!
//! In: all series of one channel with their groups. Out: per row the common mode `m`, per group and
//! day the sd of that reference. Strictly causal: a day's common mode uses that day's values and
//! levels learned before it. Study, step 1; the voting rule keeps drifters from dragging the
//! reference along (with 15 % drifters it moved 0.11 % in 2.4 years, the plain median 1.3 %).

use std::collections::VecDeque;

use rayon::prelude::*;

use super::fleet::SeriesInput;
use super::params::Params;

/// Common mode of every row and the reference's sd.
#[derive(Debug, Clone)]
pub(crate) struct Reference {
    /// Per series, per row.
    pub(crate) common_mode: Vec<Vec<f64>>,
    /// Per group, per day since `first_day`.
    group_sd: Vec<Vec<f64>>,
    /// Per group, per day since `first_day`: the last day so far on which the group had too few votes of its own.
    few_until: Vec<Vec<i32>>,
    first_day: i32,
}

impl Reference {
    /// Largest sd of a group's reference from a day to another, at least `worst`, channel units: what stood in the values
    /// while they had few peers beside them stays in the history when more join. The first days after a vehicle's `first`
    /// are left out: where all begin together none has a level yet.
    pub(crate) fn worst_sd(&self, group: usize, first: i32, from: i32, to: i32, worst: f64) -> f64 {
        (from.max(first + SETTLES_DAYS)..=to).map(|day| self.sd(group, day)).fold(worst, f64::max)
    }

    /// Sd of a group's reference on a day, channel units; 0 before the first.
    pub(crate) fn sd(&self, group: usize, day: i32) -> f64 {
        self.on_day(&self.group_sd, group, day).unwrap_or(0.0)
    }

    /// The last day up to `day` on which a group had too few votes of its own for a reference; the first day of all if it
    /// always had enough.
    pub(crate) fn few_until(&self, group: usize, day: i32) -> i32 {
        self.on_day(&self.few_until, group, day).unwrap_or(self.first_day)
    }

    fn on_day<T: Copy>(&self, groups: &[Vec<T>], group: usize, day: i32) -> Option<T> {
        let days = groups.get(group)?;
        let at = (day - self.first_day).max(0) as usize;
        days.get(at).or(days.last()).copied()
    }
}

/// A vehicle's own level and how far its values have strayed from it of late.
#[derive(Debug, Clone, Default)]
struct Standing {
    seen: u32,
    /// Median of its values less the common mode, as the common mode is the peers' median: were it their mean, skewed
    /// noise would move level and mode apart day after day, and nothing would bring them back.
    level: f64,
    own: RunningMedian,
    slow: f64,
    /// How far its group's median, without it, has stood from that of all groups of late.
    apart: Apart,
    /// Mean of the common mode used for this vehicle of late.
    of_late: Apart,
    last_day: i32,
    /// The last days on which it had a vote in its group and among all.
    voted_on: Option<i32>,
    voted_among_all_on: Option<i32>,
}

impl Standing {
    /// The peers' median without this vehicle, number `i`, in small groups drawn to that of all groups.
    ///
    /// What a group has for itself moves with the seasons, the noise of its median from day to day: the mean of some weeks
    /// is drawn by far less than what a day has beyond it.
    fn common_mode(
        &mut self,
        group: &Poll,
        all: &Poll,
        unlikeness: &Unlikeness,
        (i, day, y): (usize, i32, f64),
    ) -> f64 {
        let vote = |on: Option<i32>| (on == Some(day)).then_some((y - self.level, i));
        let (own_voters, own) = group.median_without(vote(self.voted_on));
        let (all_voters, overall) = all.median_without(vote(self.voted_among_all_on));
        let m = if own_voters >= FEWEST_VOTERS {
            let noise = unlikeness.noise(own_voters);
            let today = own - overall;
            let apart = self.apart.take(day, today);
            overall
                + unlikeness.weight(noise * self.apart.noise_share()) * apart
                + unlikeness.weight(noise) * (today - apart)
        } else if all_voters >= FEWEST_VOTERS {
            // Where its group stood when it was last seen tells more than nothing, for some weeks.
            let noise = unlikeness.noise(FEWEST_VOTERS) * self.apart.noise_share();
            let left = (-f64::from(day - self.apart.day) / APART_STALE_DAYS).exp();
            overall + unlikeness.weight(noise) * left * self.apart.mean
        } else {
            // Of late, not of the last day: three votes of one day, two of them of sick vehicles, once stood for months.
            let left = (-f64::from(day - self.of_late.day) / APART_STALE_DAYS).exp();
            return left * self.of_late.seen / (self.of_late.seen + FEW_DAYS) * self.of_late.mean;
        };
        self.of_late.take(day, m);
        m
    }

    fn learn(&mut self, y: f64, m: f64, params: &Params) {
        self.seen += 1;
        let surprise = y - m - self.level;
        self.level = self.own.take(y - m, params.level_memory_rows);
        if self.seen > SLOW_AFTER_ROWS {
            self.slow += (surprise - self.slow) / params.slow_memory_rows;
        }
    }
}

/// Exponential mean over days: a plain one until it is older than its memory.
#[derive(Debug, Clone, Copy, Default)]
struct Apart {
    mean: f64,
    seen: f64,
    day: i32,
}

impl Apart {
    /// Takes a day's value in and tells the mean.
    fn take(&mut self, day: i32, value: f64) -> f64 {
        // Most days come one after another.
        let kept = |days: i32| match days {
            0 => 1.0,
            1 => APART_KEPT,
            _ => (-f64::from(days) / APART_MEMORY_DAYS).exp(),
        };
        // After a gap little of what was before it is left.
        self.seen = 1.0 + self.seen * kept((day - self.day - 1).max(0));
        self.mean += (1.0 / self.seen).max(1.0 - kept(day - self.day)) * (value - self.mean);
        self.day = day;
        self.mean
    }

    /// Share of the variance of a day's noise that the mean has.
    fn noise_share(&self) -> f64 {
        (CORRELATED / self.seen.max(CORRELATED)).max(CORRELATED / (2.0 * APART_MEMORY_DAYS))
    }
}

/// Vehicles that one thread takes at a time: fewer are not worth handing over.
const VEHICLES_AT_ONCE: usize = 512;

/// Median of the last values.
///
/// After the first [`DENSE`] values it takes in one of [`EVERY`]: neighbouring days say nearly the same, and the work grows
/// with what is kept. They are kept short and taken in some at a time, since thousands of such medians do not stay in the
/// processor's cache; a level of a year does not move meanwhile.
#[derive(Debug, Clone, Default)]
struct RunningMedian {
    seen: u32,
    waiting: [f32; AT_ONCE],
    /// In the order in which they came.
    recent: VecDeque<f32>,
    sorted: Vec<f32>,
    median: f64,
}

const DENSE: u32 = 30;
const EVERY: u32 = 3;
const AT_ONCE: usize = 4;

impl RunningMedian {
    /// Takes a value in, forgets what is older than `memory` values, and tells the median.
    fn take(&mut self, value: f64, memory: f64) -> f64 {
        self.seen += 1;
        if self.seen <= DENSE {
            self.take_in(&[value as f32], memory);
        } else if self.seen.is_multiple_of(EVERY) {
            let place = ((self.seen - DENSE) / EVERY - 1) as usize % AT_ONCE;
            self.waiting[place] = value as f32;
            if place == AT_ONCE - 1 {
                let fresh = self.waiting;
                self.take_in(&fresh, memory);
            }
        }
        self.median
    }

    fn take_in(&mut self, fresh: &[f32], memory: f64) {
        let at = |sorted: &[f32], v: f32| sorted.partition_point(|s| s.total_cmp(&v).is_lt());
        for &value in fresh {
            if self.recent.len() as f64 * f64::from(EVERY) >= memory
                && let Some(oldest) = self.recent.pop_front()
            {
                self.sorted.remove(at(&self.sorted, oldest));
            }
            self.recent.push_back(value);
            self.sorted.insert(at(&self.sorted, value), value);
        }
        let n = self.sorted.len();
        self.median = 0.5 * (f64::from(self.sorted[(n - 1) / 2]) + f64::from(self.sorted[n / 2]));
    }
}

/// A value less the voter's own level, with the voter; no two are equal.
type Vote = (f64, usize);

fn by_size(a: &Vote, b: &Vote) -> std::cmp::Ordering {
    a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))
}

/// The votes of a day, from which the median with or without one of them is read.
#[derive(Debug, Default)]
struct Poll {
    votes: Vec<Vote>,
    /// Number of votes below the first of `middle`.
    below: usize,
    /// Those in the middle, ascending: all that a median needs, whoever is left out.
    middle: Vec<Vote>,
}

impl Poll {
    /// Finds the middle once all votes are in. Their order in `votes` is another afterwards.
    fn close(&mut self) {
        let n = self.votes.len();
        self.middle.clear();
        self.below = n.saturating_sub(2) / 2;
        let mut rest = &mut self.votes[..];
        // Without one of n votes the median lies between numbers (n - 2) / 2 and (n - 1) / 2 of those that are left.
        for at in [self.below, 0, 0] {
            if self.below + self.middle.len() > n.div_ceil(2) || at >= rest.len() {
                break;
            }
            let (_, found, above) = rest.select_nth_unstable_by(at, by_size);
            self.middle.push(*found);
            rest = above;
        }
    }

    /// Variance of the votes.
    fn variance(&self) -> f64 {
        let n = self.votes.len() as f64;
        let mean = self.votes.iter().map(|v| v.0).sum::<f64>() / n;
        self.votes.iter().map(|v| (v.0 - mean).powi(2)).sum::<f64>() / (n - 1.0)
    }

    /// Number of votes and their median, without the vote `own` if there is one.
    fn median_without(&self, own: Option<Vote>) -> (usize, f64) {
        let n = self.votes.len() - usize::from(own.is_some());
        if n == 0 {
            return (0, 0.0);
        }
        let at = |i: usize| {
            let here = self.middle[i - self.below];
            match own {
                Some(own) if by_size(&own, &here).is_le() => self.middle[i + 1 - self.below].0,
                _ => here.0,
            }
        };
        (n, 0.5 * (at((n - 1) / 2) + at(n / 2)))
    }
}

/// Days whose reference is believed by half on days without one (own judgement, no source).
const FEW_DAYS: f64 = 2.0;

/// Fewest voters for a reference (study, step 1). Below it the study carries yesterday's; here it is that of late, fading to
/// a third in two months.
const FEWEST_VOTERS: usize = 3;
/// Smallest share of those present for the exclusion of strays to stand.
const STEADY_SHARE: f64 = 0.4;

/// Whether the steady voters are enough to leave the strays out.
///
/// On the same vehicles in families of six, 30 % of them faulty (tuning seeds 504 and 505), five at least gave 30 false flags
/// and 3 of 135 faults missed at 10 %, three 23 and none.
fn stand(steady: usize, strays: usize) -> bool {
    steady >= FEWEST_VOTERS && steady as f64 >= STEADY_SHARE * (steady + strays) as f64
}

/// Rows before a vehicle's slow residual is kept.
const SLOW_AFTER_ROWS: u32 = 20;
/// Standard error of a median as a multiple of a mean's (sqrt(pi / 2)).
const MEDIAN_FACTOR: f64 = 1.25;

/// Days without a value after which a vehicle is no voter any more (common practice, no source).
const VOTER_DAYS: i32 = 28;

/// Days over which it is averaged how far a group stands from all: long against the noise, whose memory is a few days,
/// and short against a season (as the mean by which a vehicle's sensitivity is measured).
const APART_MEMORY_DAYS: f64 = 14.0;
/// What is left of it after a day: `exp(-1 / 14)`.
const APART_KEPT: f64 = 0.931_062_779_704_022_7;

/// Days that count as one in such a mean, with a correlation of one half from day to day: (1 + 0.5) / (1 - 0.5). An
/// exponential mean of memory T has the noise of 2 T days.
const CORRELATED: f64 = 3.0;

/// Days after which little is left of a distance that is not seen any more: a season turns in three months (common
/// practice, no source).
const APART_STALE_DAYS: f64 = 60.0;

/// Days after which the sd of a reference is believed: vehicles vote from their tenth value on, and a season does not
/// go far meanwhile (common practice, no source).
const SETTLES_DAYS: i32 = 40;

/// Fewest votes for a group to count in [`Unlikeness`].
const FEWEST_FOR_VARIANCE: usize = 3;

/// How unlike each other the groups are: what a group's own median is worth against that of all.
///
/// Running means over the fleet. Where groups share their season, small groups borrow from all;
/// where each goes its own way, they keep to themselves.
#[derive(Debug, Clone)]
struct Unlikeness {
    /// Variance of votes within a group.
    within: f64,
    /// Variance of the groups' true common modes around that of all.
    between: f64,
    /// How far each group has stood from all of late: its noise is small beside what it shows.
    apart: Vec<Apart>,
    days: f64,
    /// Days on which at least two groups could be compared.
    compared: f64,
}

impl Unlikeness {
    /// Variance of a day's median of `voters` votes.
    fn noise(&self, voters: usize) -> f64 {
        MEDIAN_FACTOR * MEDIAN_FACTOR * self.within / voters as f64
    }

    /// Weight of what a group shows for itself with such a variance of noise.
    fn weight(&self, noise: f64) -> f64 {
        if noise > 0.0 { self.between.max(0.0) / (self.between.max(0.0) + noise) } else { 1.0 }
    }

    fn learn(&mut self, day: i32, polls: &[Poll], overall: f64, params: &Params) {
        let large = || polls.iter().filter(|p| p.votes.len() >= FEWEST_FOR_VARIANCE);
        let groups = large().count() as f64;
        if groups == 0.0 {
            return;
        }
        let votes: usize = large().map(|p| p.votes.len()).sum();
        let within =
            large().map(|p| p.variance() * p.votes.len() as f64).sum::<f64>() / votes as f64;
        if self.days == 0.0 {
            self.within = within;
            self.between = MEDIAN_FACTOR * MEDIAN_FACTOR * within / params.small_group_prior;
        }
        self.days += 1.0;
        let memory = (self.days + params.small_group_prior_days).min(params.unlikeness_memory_days);
        self.within += (within - self.within) / memory;
        if groups > 1.0 {
            self.compared += 1.0;
            // All groups' median contains each group's own: the squares of G distances hold G - 1 groups' worth of what
            // they differ by, and of noise.
            let excess = |(p, apart): (&Poll, &mut Apart)| {
                let (k, median) = p.median_without(None);
                let noise = MEDIAN_FACTOR * MEDIAN_FACTOR * within / k as f64;
                let mean = apart.take(day, median - overall);
                mean.powi(2) - (groups - 1.0) / groups * apart.noise_share() * noise
            };
            let compared = polls.iter().zip(&mut self.apart);
            let compared = compared.filter(|(p, _)| p.votes.len() >= FEWEST_FOR_VARIANCE);
            let between = compared.map(excess).sum::<f64>() / (groups - 1.0);
            self.between += (between - self.between) / memory;
        }
    }
}

/// Common mode of all rows up to and including `last_day`.
pub(crate) fn reference(series: &[SeriesInput], params: &Params, last_day: i32) -> Reference {
    let groups = series.iter().map(|s| s.group + 1).max().unwrap_or(0);
    let first_day = series.iter().filter_map(|s| s.rows.first()).map(|r| r.day).min();
    let first_day = first_day.unwrap_or(last_day);
    let mut walk = Walk {
        params,
        standing: vec![Standing::default(); series.len()],
        polls: (0..groups).map(|_| Poll::default()).collect(),
        everyone: Poll::default(),
        strays: Vec::new(),
        unlikeness: Unlikeness {
            within: 0.0,
            between: 0.0,
            apart: vec![Apart::default(); groups],
            days: 0.0,
            compared: 0.0,
        },
        members: vec![Vec::new(); groups],
        group_of: series.iter().map(|s| s.group).collect(),
        voted: vec![0.0; groups],
        present: vec![false; groups],
        today: vec![None; series.len()],
        out: Reference {
            common_mode: series.iter().map(|s| Vec::with_capacity(s.rows.len())).collect(),
            group_sd: vec![Vec::new(); groups],
            few_until: vec![Vec::new(); groups],
            first_day,
        },
    };
    for (i, s) in series.iter().enumerate() {
        walk.members[s.group].push(i);
    }
    let values = Values::by_day(series, &walk.members, first_day, last_day);
    for day in first_day..=last_day {
        walk.day(values.on(day), day);
    }
    walk.out
}

/// One vehicle's value on a day.
#[derive(Debug, Clone, Copy, Default)]
struct Value {
    y: f64,
    /// The vehicle's number: half of a word, as there are millions of values.
    i: u32,
    /// Whether its level may be another than when it was last seen.
    may_have_jumped: bool,
}

impl Value {
    fn vehicle(&self) -> usize {
        self.i as usize
    }
}

/// All values, day after day, within a day by group: the walk reads them in the order in which they lie.
struct Values {
    values: Vec<Value>,
    /// Of each day since `first_day`, and the end of the last.
    starts: Vec<usize>,
    first_day: i32,
}

impl Values {
    fn by_day(
        series: &[SeriesInput],
        members: &[Vec<usize>],
        first_day: i32,
        last_day: i32,
    ) -> Values {
        let days = (last_day - first_day + 1).max(0) as usize;
        let place = |day: i32| (day - first_day) as usize;
        let known = |i: usize| {
            let rows = &series[i].rows;
            &rows[..rows.partition_point(|r| r.day <= last_day)]
        };
        let mut starts = vec![0; days + 1];
        for row in (0..series.len()).flat_map(known) {
            starts[place(row.day) + 1] += 1;
        }
        for day in 0..days {
            starts[day + 1] += starts[day];
        }
        let mut values = vec![Value::default(); starts[days]];
        let mut next = starts.clone();
        for members in members {
            for &i in members {
                let mut before: Option<i32> = None;
                for row in known(i) {
                    let jumped = before.is_some_and(|b| series[i].may_have_jumped(b, row.day));
                    let value = Value { y: row.y, i: i as u32, may_have_jumped: jumped };
                    values[next[place(row.day)]] = value;
                    next[place(row.day)] += 1;
                    before = Some(row.day);
                }
            }
        }
        Values { values, starts, first_day }
    }

    fn on(&self, day: i32) -> &[Value] {
        let at = (day - self.first_day) as usize;
        &self.values[self.starts[at]..self.starts[at + 1]]
    }
}

struct Walk<'a> {
    params: &'a Params,
    standing: Vec<Standing>,
    polls: Vec<Poll>,
    everyone: Poll,
    /// Votes of the day by those who have strayed.
    strays: Vec<Vote>,
    unlikeness: Unlikeness,
    members: Vec<Vec<usize>>,
    /// Group of each vehicle.
    group_of: Vec<usize>,
    /// Days on which each group had a vote.
    voted: Vec<f64>,
    /// Whether any of a group has a value today.
    present: Vec<bool>,
    /// Value of the vehicles that have one today.
    today: Vec<Option<f64>>,
    out: Reference,
}

impl Walk<'_> {
    /// Takes a day's values, which lie by group.
    fn day(&mut self, values: &[Value], day: i32) {
        for value in values {
            let i = value.vehicle();
            if value.may_have_jumped {
                let Standing { of_late, apart, .. } = self.standing[i];
                self.standing[i] = Standing { of_late, apart, ..Standing::default() };
            }
            self.today[i] = Some(value.y);
        }
        self.everyone.votes.clear();
        self.strays.clear();
        let mut rest = values;
        for group in 0..self.members.len() {
            let of_group = rest.partition_point(|v| self.group_of[v.vehicle()] == group);
            let (present, others) = rest.split_at(of_group);
            rest = others;
            self.present[group] = !present.is_empty();
            self.poll(group, present, day);
        }
        // Groups too small to do without their strays would bring them in here, where there are others.
        if !stand(self.everyone.votes.len(), self.strays.len()) {
            self.everyone.votes.append(&mut self.strays);
        }
        for &(_, i) in &self.everyone.votes {
            self.standing[i].voted_among_all_on = Some(day);
        }
        self.everyone.close();
        let (_, overall) = self.everyone.median_without(None);
        self.unlikeness.learn(day, &self.polls, overall, self.params);
        let Self { params, standing, polls, everyone, unlikeness, group_of, today, out, .. } = self;
        let vehicles = standing.par_iter_mut().zip(&mut out.common_mode).zip(today);
        vehicles.enumerate().with_min_len(VEHICLES_AT_ONCE).for_each(|(i, ((s, modes), today))| {
            if let Some(y) = today.take() {
                let m = s.common_mode(&polls[group_of[i]], everyone, unlikeness, (i, day, y));
                modes.push(m);
                s.learn(y, m, params);
                s.last_day = day;
            }
        });
        let all = self.error(&self.everyone.votes);
        for group in 0..self.members.len() {
            self.note_sd(group, all);
            // Who stands still today may vote again tomorrow.
            let may_vote = |i: &&usize| {
                let s = &self.standing[**i];
                s.seen >= self.params.vote_after_rows && day - s.last_day <= VOTER_DAYS
            };
            let known = self.members[group].iter().filter(may_vote);
            let few = known.take(FEWEST_VOTERS + 1).count() <= FEWEST_VOTERS;
            let before = self.out.few_until[group].last().copied();
            let until = before.filter(|_| !few || !self.present[group]).unwrap_or(day);
            self.out.few_until[group].push(until);
        }
    }

    /// Collects a group's votes of the day.
    fn poll(&mut self, group: usize, present: &[Value], day: i32) {
        let (params, standing) = (self.params, &self.standing);
        let votes = &mut self.polls[group].votes;
        votes.clear();
        let of = |v: &Value| &standing[v.vehicle()];
        let known = |v: &&Value| of(v).seen >= params.vote_after_rows;
        let steady = |v: &&Value| of(v).slow.abs() <= params.vote_limit;
        let as_vote = |v: &Value| (v.y - of(v).level, v.vehicle());
        votes.extend(present.iter().filter(known).filter(steady).map(as_vote));
        self.everyone.votes.extend_from_slice(votes);
        let strays = present.iter().filter(known).filter(|v| !steady(v)).map(as_vote);
        let before = self.strays.len();
        self.strays.extend(strays);
        let strays = &self.strays[before..];
        if !stand(votes.len(), strays.len()) {
            votes.extend_from_slice(strays);
        }
        self.polls[group].close();
        for &(_, i) in &self.polls[group].votes {
            self.standing[i].voted_on = Some(day);
        }
    }

    /// Standard error of the median of `votes`, by how far their vehicles have strayed of late.
    fn error(&self, votes: &[(f64, usize)]) -> f64 {
        let square = votes.iter().map(|&(_, i)| self.standing[i].slow.powi(2)).sum::<f64>();
        MEDIAN_FACTOR * square.sqrt() / votes.len().max(1) as f64
    }

    /// Notes the sd of a group's reference; `all` is the error of the median of all groups.
    fn note_sd(&mut self, group: usize, all: f64) {
        let votes = &self.polls[group].votes;
        let own = self.error(votes);
        // A vehicle does not vote on its own reference. Where no group is large enough to tell how unlike they are, a
        // group that leans on all may be as unlike them as it would be without any reference.
        let today = if votes.len() > FEWEST_VOTERS {
            own
        } else if self.everyone.votes.len() > FEWEST_VOTERS {
            let between = match self.unlikeness.compared {
                0.0 => f64::INFINITY,
                _ => self.unlikeness.between.max(0.0).sqrt(),
            };
            all.hypot(self.params.no_reference_sd.min(between))
        } else {
            // Nobody's median is taken off, so nobody's straying is in it: least of all the vehicle's own.
            self.params.no_reference_sd
        };
        let days = &mut self.out.group_sd[group];
        days.push(match days.last().copied() {
            Some(before) if votes.is_empty() => before,
            Some(before) => {
                self.voted[group] += 1.0;
                let memory = self.params.reference_memory_days.min(self.voted[group]);
                before + (today - before) / memory
            }
            None => today,
        });
    }
}

#[cfg(test)]
mod tests {
    use super::super::fleet::DayRow;
    use super::*;
    use crate::stats::robust;

    #[test]
    fn a_poll_tells_the_median_without_any_one_vote() {
        for n in 0..12_usize {
            // Some votes are equal, and none comes in its place.
            let votes: Vec<Vote> = (0..n).map(|i| (f64::from((i * 7 % 5) as u8), i)).collect();
            let mut poll = Poll { votes: votes.clone(), ..Poll::default() };
            poll.close();
            let all = votes.iter().map(|v| v.0).collect::<Vec<_>>();
            let expected = |values: &[f64]| (values.len(), robust::median(values).unwrap_or(0.0));
            assert_eq!(poll.median_without(None), expected(&all));
            for own in &votes {
                let others = votes.iter().filter(|v| *v != own).map(|v| v.0);
                let others: Vec<f64> = others.collect();
                assert_eq!(poll.median_without(Some(*own)), expected(&others), "{n} {own:?}");
            }
        }
    }

    #[test]
    fn a_day_is_forgotten_as_others_are() {
        assert!((APART_KEPT.ln() * APART_MEMORY_DAYS + 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_running_median_is_that_of_the_last_values() {
        let mut running = RunningMedian::default();
        // 0, 1, ..., 29: the median of the first n is (n - 1) / 2.
        for i in 0..30 {
            assert_eq!(running.take(f64::from(i), 365.0), 0.5 * f64::from(i));
        }
        // A year later only the new level is remembered, whatever outliers came.
        let last =
            (0..500).map(|i| running.take(if i % 7 == 0 { 1e6 } else { 50.0 }, 365.0)).last();
        assert_eq!(last, Some(50.0));
        assert!(running.sorted.len() == running.recent.len() && running.sorted.len() <= 122);
    }

    #[test]
    fn votes_of_one_day_do_not_stand_for_months() {
        // Three mates log on one day in three up to day 60; on the last day two of them stand 13 higher. The fourth goes on.
        let rows = |i: usize| -> Vec<DayRow> {
            let noise = |day: i32| f64::from((day * 7919 + 31 * i as i32) % 11 - 5) / 10.0;
            let sick = |day: i32| if i < 2 && day == 60 { 13.0 } else { 0.0 };
            let row = |day: i32| DayRow { day, x: 0.0, y: noise(day) + sick(day), weight: 1.0 };
            (0..120).filter(|day| i == 3 || (*day <= 60 && day % 3 == 0)).map(row).collect()
        };
        let out = reference(&of_groups(4, 4, rows), &Params::default(), 120);
        let (last, after) = (out.common_mode[3][60], out.common_mode[3][61]);
        assert!(last > 12.0, "on the day itself the votes count: {last}");
        assert!(after.abs() < 3.0, "{after}");
        assert!(out.common_mode[3][119].abs() < 0.5 * after.abs(), "it fades");
    }

    /// One series a vehicle, in groups of `size`.
    fn of_groups(
        vehicles: usize,
        size: usize,
        rows: impl Fn(usize) -> Vec<DayRow>,
    ) -> Vec<SeriesInput> {
        (0..vehicles)
            .map(|i| SeriesInput {
                group: i / size,
                rows: rows(i),
                breaks: Vec::new(),
                restarts: Vec::new(),
                log_limit_up: f64::INFINITY,
                log_limit_down: f64::INFINITY,
                slope_margin: 0.0,
                report_days: Vec::new(),
            })
            .collect()
    }

    /// Vehicles in groups of `size` over a year; those that `strays` names stray by 8 in it.
    fn year(vehicles: usize, size: usize, strays: fn(usize) -> bool, params: &Params) -> Reference {
        let rows = |i: usize| -> Vec<DayRow> {
            let noise = |day: i32| f64::from((day * 7919 + 31 * i as i32) % 11 - 5) / 10.0;
            let stray = |day: i32| if strays(i) { 8.0 * f64::from(day) / 365.0 } else { 0.0 };
            let row = |day: i32| DayRow { day, x: 0.0, y: noise(day) + stray(day), weight: 1.0 };
            (0..365).map(row).collect()
        };
        let series = of_groups(vehicles, size, rows);
        reference(&series, params, 364)
    }

    /// Largest mean common mode of a vehicle over the second half year.
    fn drawn(found: &Reference) -> f64 {
        let mean = |modes: &Vec<f64>| {
            let late = &modes[200..];
            late.iter().sum::<f64>().abs() / late.len() as f64
        };
        found.common_mode.iter().map(mean).fold(0.0, f64::max)
    }

    /// Eight pairs of vehicles, in seven of them one strays (of eight in sixteen nothing could tell which half it is). Pairs
    /// are too small to do without their strays, all vehicles together are not: they are drawn less than half as far as
    /// where strays have their votes.
    #[test]
    fn strays_of_small_groups_stay_out_of_the_poll_of_all() {
        let some = |i: usize| i < 14 && i.is_multiple_of(2);
        let all_vote = Params { vote_limit: f64::INFINITY, ..Params::default() };
        let without = drawn(&year(16, 2, some, &Params::default()));
        let with = drawn(&year(16, 2, some, &all_vote));
        assert!(without < 0.5 * with, "{without} {with}");
    }

    /// A family of six alone, two of them stray by 8: what their votes had added before they were known as strays is 0.33;
    /// had they kept them, it would be 0.70.
    #[test]
    fn two_strays_of_six_stay_out() {
        let mean = drawn(&year(6, 6, |i| i >= 4, &Params::default()));
        assert!(mean < 0.5, "{mean}");
    }
}
