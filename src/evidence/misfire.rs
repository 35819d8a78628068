//! Misfires: a sequential test of the rate, and whether they concentrate on one cylinder.
//!
//! Counts with revolutions as exposure, overdispersed (variance `dispersion` times the mean), warm and cold
//! engine apart. Each night asks how many times better "the rate has risen twofold, fourfold, eightfold since
//! some week, warm, cold or both" explains the counts than the vehicle's own rates, summed over the weeks in
//! which it may have begun (Shiryaev-Roberts); the limit is the number of weeks per designed false flag, as
//! in the drift test.

use super::history::History;
use crate::settings::{DecideSettings, TestSettings};
use crate::stats::counts::{self, Counted};
use crate::tables::days::Day;
use crate::tables::findings::{Estimate, MisfireFinding};
use crate::tables::fleet::Service;
use statrs::function::gamma::ln_gamma;

/// Rises that the alternative holds for equally likely.
const RISES: [f64; 3] = [2.0, 4.0, 8.0];

/// Which of the warm and the cold rate rise, equally likely too: deposits misfire cold, worn plugs under load, a weak
/// coil both.
const RISING: [[bool; 2]; 3] = [[true, true], [true, false], [false, true]];

/// Lowest rate that the null may have, misfires per 1,000 revolutions: engines are never perfect, and a
/// rate of nought would make any single misfire a miracle (common practice, no source).
const RATE_FLOOR: f64 = 0.05;

/// What the family's rate weighs in a vehicle's own baseline, as independent events: the shape of a gamma distribution
/// of rates whose coefficient of variation is one half (own judgement, no source: sound engines of a family differ by that).
const FAMILY_SHAPE: f64 = 4.0;

/// Days with counters that a baseline must have: it ends later where few days are logged.
const BASELINE_DAYS_MIN: u32 = 15;

/// Dispersion before any data, and the expected misfires that it weighs (common practice, no source: counts come
/// in bursts).
const DISPERSION_PRIOR: (f64, f64) = (3.0, 30.0);

/// Largest deviation of a day that teaches the dispersion, standard deviations of a day with at least one
/// expected misfire: a burst teaches it no more than any bad day.
const DEVIATION_MAX: f64 = 5.0;

/// One-sided normal quantile of 95 % (table of the normal distribution).
const BASELINE_BOUND: f64 = 1.645;

/// Most evidence that one day may bring, nats: one bad trip never flags a vehicle.
const DAY_NATS_MAX: f64 = 3.0;

/// Most evidence that the days of one calendar week may bring, nats: damp or a bad tank makes misfires for some days and goes,
/// worn parts go on. A burst of eight days lies in two such weeks and stays below the limit, 11 with the default settings, unless
/// the vehicle is hardly driven; three weeks of misfires reach it. From the rate on at which a catalyst is at stake nothing is
/// waited for. Own judgement; checked on fleets with bursts of up to eight days (DEVELOPERS.md).
const WEEK_NATS_MAX: f64 = 4.0;

/// Largest sum of evidence, far beyond any limit.
const SUM_MAX: f64 = 1e100;

/// p-value below which, and share above half at which, misfires count as being on one cylinder.
const CONCENTRATION_P: f64 = 0.001;

/// Cold over warm rate from which misfires count as mostly cold (own judgement, no source).
const COLD_RATIO: f64 = 1.5;

/// Days in the rate that must exceed the set minimum at the flag.
const RATE_DAYS: i32 = 14;

/// Share of the rate before that may be left after work that cured it (own judgement, no source).
const CURED_SHARE: f64 = 0.5;

/// How far the count must lie below what the rate before would have brought, standard deviations of an overdispersed count: the
/// one-sided 95 % bound of a normal (table of the normal distribution).
const CURED_BEYOND: f64 = 1.645;

/// Days after recorded work within which a fall is put down to it (own judgement, no source).
const PROOF_DAYS: i32 = 60;

/// One vehicle's running state.
#[derive(Debug)]
struct Watch {
    /// Warm and cold.
    baseline: [Moments; 2],
    /// First day after it, as far as is known.
    baseline_end: Option<i32>,
    baseline_days: u32,
    dispersion: f64,
    /// Sums of squared deviations and of expected misfires, whose ratio the dispersion is.
    squares: f64,
    expected: f64,
    /// By which rates rise, and by how much.
    sums: [[f64; RISES.len()]; RISING.len()],
    last_week: Option<i32>,
    /// Evidence of that week so far, nats.
    of_week: [[f64; RISES.len()]; RISING.len()],
    flagged_on: Option<i32>,
    recent: Vec<(i32, f64, f64)>,
    /// Day of the last recorded work that may have cured a high rate, and that rate.
    repair: Option<(i32, f64)>,
}

#[derive(Debug, Clone, Copy, Default)]
struct Moments {
    count: f64,
    kilorevs: f64,
}

impl Moments {
    fn of(day: &Day) -> [Moments; 2] {
        let sum = |counts: &[f32]| counts.iter().copied().map(f64::from).sum();
        let (warm, cold) =
            day.misfires.as_ref().map_or((0.0, 0.0), |m| (sum(&m.warm), sum(&m.cold)));
        [
            Moments { count: warm, kilorevs: day.counted_revs_warm / 1000.0 },
            Moments { count: cold, kilorevs: day.counted_revs_cold / 1000.0 },
        ]
    }

    fn add(&mut self, other: Moments) {
        self.count += other.count;
        self.kilorevs += other.kilorevs;
    }

    fn rate(&self) -> Option<f64> {
        (self.kilorevs > 0.0).then(|| self.count / self.kilorevs)
    }
}

/// Findings of one engine family, in the order of `family`; `None` for a vehicle whose logs carry no counters.
///
/// Days are taken in order over the whole family, so every figure uses only what was known by then.
pub(super) fn assess(
    family: &[&History<'_>],
    test: &TestSettings,
    decide: &DecideSettings,
    log_limit: f64,
) -> Vec<Option<MisfireFinding>> {
    let mut watches: Vec<Watch> = family.iter().map(|_| Watch::new()).collect();
    let counted = |d: &Day| d.counted_revs_warm + d.counted_revs_cold > 0.0;
    let mut to_come: Vec<_> =
        family.iter().map(|h| h.days.iter().filter(|d| counted(d)).peekable()).collect();
    while let Some(day) = to_come.iter_mut().filter_map(|days| Some(days.peek()?.day)).min() {
        // The family's rate is that of the days before, so the order within a day does not matter.
        let family_rates = median_rates(&watches);
        for ((history, watch), days) in family.iter().zip(&mut watches).zip(&mut to_come) {
            let Some(today) = days.next_if(|d| d.day == day) else { continue };
            let before = watch.recent.last().map_or(day, |r| r.0);
            // Whether it was a cure, the counts prove; a new coil may stand in the records as anything.
            let worked = history.services.iter().rev().find(|s| {
                s.service != Service::BatteryDisconnect && (before + 1..=day).contains(&s.day)
            });
            if history.odometer_jumps.iter().any(|jump| (before + 1..=day).contains(jump)) {
                *watch = Watch::new();
            }
            watch.hold_repair(worked.map(|s| s.day), day, decide.misfire_per_1000_rev_min);
            watch.take(today, family_rates, test, decide, log_limit);
        }
    }
    let family_rates = median_rates(&watches);
    family
        .iter()
        .zip(watches)
        .map(|(history, watch)| watch.finding(history, family_rates, test, decide, log_limit))
        .collect()
}

/// Medians of the vehicles' baseline rates, warm and cold, never below the floor.
fn median_rates(watches: &[Watch]) -> [f64; 2] {
    [0, 1].map(|state| {
        let mut rates: Vec<f64> = watches
            .iter()
            .map(|w| w.baseline[state])
            .filter(|b| b.kilorevs > KILOREVS_MIN[state])
            .filter_map(|b| b.rate())
            .collect();
        rates.sort_by(f64::total_cmp);
        let median = rates.get(rates.len() / 2).copied().unwrap_or(RATE_FLOOR);
        if median > RATE_FLOOR { median } else { RATE_FLOOR }
    })
}

/// Warm and cold revolutions, thousands, from which a vehicle's rate speaks for its family.
const KILOREVS_MIN: [f64; 2] = [50.0, 10.0];

impl Watch {
    fn new() -> Watch {
        Watch {
            baseline: [Moments::default(); 2],
            baseline_end: None,
            baseline_days: 0,
            dispersion: DISPERSION_PRIOR.0,
            squares: DISPERSION_PRIOR.0 * DISPERSION_PRIOR.1,
            expected: DISPERSION_PRIOR.1,
            sums: [[0.0; RISES.len()]; RISING.len()],
            last_week: None,
            of_week: [[0.0; RISES.len()]; RISING.len()],
            flagged_on: None,
            recent: Vec::new(),
            repair: None,
        }
    }

    /// A repair is what the counts prove: only where a high rate has at least halved after recorded work does the watch
    /// start anew. Otherwise it goes on, so work in vain neither clears a flag nor makes a sick rate the baseline.
    fn hold_repair(&mut self, worked_on: Option<i32>, day: i32, least: f64) {
        if let Some(work) = worked_on {
            // What stands flagged may have eased a little before the work.
            let flagged = self.flagged_on.is_some() && self.repair.is_none();
            let least = if flagged { CURED_SHARE * least } else { least };
            let rate = self.recent_rate(RATE_DAYS).rate().filter(|rate| *rate >= least);
            // Other work soon after a cure finds a quiet engine; what was to be proved stays to be proved.
            self.repair = rate.map(|rate| (work, rate)).or(self.repair);
        }
        let Some((work, before)) = self.repair else { return };
        if day < work + RATE_DAYS {
            return;
        }
        let mut since = Moments::default();
        for (_, c, e) in self.recent.iter().rev().take_while(|r| r.0 >= work) {
            since.add(Moments { count: *c, kilorevs: *e });
        }
        // What a high rate would have counted meanwhile; of a few days, a quiet one may be among them by chance.
        let expected = before * since.kilorevs;
        let noise = (self.dispersion.max(self.scatter(work)) * expected).sqrt();
        let gone = expected - since.count;
        if since.kilorevs > 0.0
            && since.count <= CURED_SHARE * expected
            && gone > CURED_BEYOND * noise
        {
            *self = Watch::new();
        } else if day > work + PROOF_DAYS {
            self.repair = None;
        }
    }

    /// Overdispersion of the days before `work`: the running one learns nothing from days that are flagged. 0 of a single day.
    fn scatter(&self, work: i32) -> f64 {
        let days = || self.recent.iter().filter(|r| (work - PROOF_DAYS..work).contains(&r.0));
        let n = days().count() as f64;
        let (count, kilorevs) = days().fold((0.0, 0.0), |(c, e), r| (c + r.1, e + r.2));
        let squares: f64 = days().map(|r| (r.1 - count / kilorevs * r.2).powi(2)).sum();
        if n > 1.0 && count > 0.0 { squares / count * n / (n - 1.0) } else { 0.0 }
    }

    /// The vehicle's own rates, warm and cold, shrunk towards the family's (gamma prior, posterior mean), and the
    /// events that each rests on.
    fn own_rates(&self, family_rates: [f64; 2]) -> [(f64, f64); 2] {
        [0, 1].map(|state| {
            let own = self.baseline[state];
            // Events come in bursts: it takes the dispersion to make an independent one.
            let of_family = FAMILY_SHAPE * self.dispersion;
            let events = own.count + of_family;
            (events / (own.kilorevs + of_family / family_rates[state]), events)
        })
    }

    /// Upper bounds of the rates that count as the vehicle's own.
    ///
    /// A baseline that happened to be quiet would make the ordinary rate a rise for ever, so the null is not the
    /// estimate but its upper 95 % bound (normal approximation, variance by the dispersion).
    fn null_rates(&self, family_rates: [f64; 2]) -> [f64; 2] {
        self.own_rates(family_rates).map(|(rate, events)| {
            let bound = rate * (1.0 + BASELINE_BOUND * (self.dispersion / events).sqrt());
            if bound > RATE_FLOOR { bound } else { RATE_FLOOR }
        })
    }

    fn take(
        &mut self,
        d: &Day,
        family_rates: [f64; 2],
        test: &TestSettings,
        decide: &DecideSettings,
        log_limit: f64,
    ) {
        let seen = Moments::of(d);
        let (c, e) = (seen[0].count + seen[1].count, seen[0].kilorevs + seen[1].kilorevs);
        let end = *self.baseline_end.get_or_insert(d.day + test.base_days());
        self.recent.push((d.day, c, e));
        if d.day < end || self.baseline_days < BASELINE_DAYS_MIN {
            self.baseline_days += 1;
            self.baseline_end = Some(end.max(d.day + 1));
            for (baseline, seen) in self.baseline.iter_mut().zip(seen) {
                baseline.add(seen);
            }
            return;
        }
        let nulls = self.null_rates(family_rates);
        let means = [0, 1].map(|state| nulls[state] * seen[state].kilorevs);
        let week = d.day.div_euclid(7);
        let weeks = f64::from(self.last_week.map_or(1, |w| week - w));
        if self.last_week != Some(week) {
            self.of_week = Default::default();
        }
        self.last_week = Some(week);
        let nats = [0, 1].map(|state| {
            let (count, mean) = (seen[state].count, means[state]);
            if mean > 0.0 { log_ratios(count, mean, self.dispersion) } else { [0.0; RISES.len()] }
        });
        let severe = c >= decide.misfire_severe_per_1000_rev * e;
        let ways = self.sums.iter_mut().zip(&mut self.of_week).zip(RISING);
        for ((sums, of_week), rising) in ways {
            for (k, (sum, so_far)) in sums.iter_mut().zip(of_week).enumerate() {
                let today: f64 = (0..2).filter(|s| rising[*s]).map(|s| nats[s][k]).sum();
                let most = if severe { SUM_MAX } else { WEEK_NATS_MAX.max(*so_far) };
                let by_now = (*so_far + today.clamp(-300.0, DAY_NATS_MAX)).min(most);
                // Infinite evidence could never fade.
                *sum = ((*sum + weeks) * (by_now - *so_far).exp()).min(SUM_MAX);
                *so_far = by_now;
            }
        }
        // Learns from the past only. A ratio of sums, because single days of hardly any expected misfires have
        // ratios of their own that are nought nearly always and huge now and then.
        let mean = means[0] + means[1];
        if self.log_r() < log_limit - 3.0 {
            let most = DEVIATION_MAX * DEVIATION_MAX * self.dispersion * mean.max(1.0);
            self.squares += (c - mean).powi(2).min(most);
            self.expected += mean;
            self.dispersion = (self.squares / self.expected).max(1.2);
        }
        if self.flagged_on.is_none() && self.log_r() > log_limit {
            let rate = self.recent_rate(RATE_DAYS).rate().unwrap_or(0.0);
            if rate >= decide.misfire_per_1000_rev_min {
                self.flagged_on = Some(d.day);
            }
        }
    }

    fn log_r(&self) -> f64 {
        let all = (RISES.len() * RISING.len()) as f64;
        (self.sums.iter().flatten().sum::<f64>() / all).max(1e-12).ln()
    }

    fn recent_rate(&self, days: i32) -> Moments {
        let mut m = Moments::default();
        let Some(last) = self.recent.last() else { return m };
        for (_, c, e) in self.recent.iter().rev().take_while(|r| r.0 > last.0 - days) {
            m.count += c;
            m.kilorevs += e;
        }
        m
    }

    fn finding(
        self,
        history: &History<'_>,
        family_rates: [f64; 2],
        test: &TestSettings,
        decide: &DecideSettings,
        log_limit: f64,
    ) -> Option<MisfireFinding> {
        let last = self.recent.last()?.0;
        let from = last - test.recent_days as i32;
        let recent = self.recent_rate(test.recent_days as i32);
        let mut by_cylinder = vec![0.0; history.vehicle.cylinders.min(12)];
        let (mut warm, mut cold) = (Moments::default(), Moments::default());
        // What the watch has forgotten (a cure, another vehicle) counts in neither misfires nor revolutions.
        let begun = self.recent.first()?.0;
        for d in history.days.iter().filter(|d| d.day > from && d.day >= begun) {
            let seen = Moments::of(d);
            warm.add(seen[0]);
            cold.add(seen[1]);
            let Some(counts) = &d.misfires else { continue };
            for (c, total) in by_cylinder.iter_mut().enumerate() {
                *total += f64::from(counts.warm[c] + counts.cold[c]);
            }
        }
        let counted: Vec<u64> = by_cylinder.iter().map(|c| c.round() as u64).collect();
        let concentration = counts::concentration(&counted, self.dispersion);
        let rate = recent.rate().unwrap_or(f64::NAN);
        let parts = |keep: &dyn Fn(i32) -> bool| -> Vec<Counted> {
            self.recent
                .iter()
                .filter(|r| keep(r.0))
                .map(|r| Counted { count: r.1.round() as u64, exposure: r.2 })
                .collect()
        };
        let mut before = self.baseline[0];
        before.add(self.baseline[1]);
        let base_end = self.baseline_end.unwrap_or(last);
        let ratio = counts::dispersed_ratio(
            &parts(&|day| day > from && day >= base_end),
            &parts(&|day| day < base_end),
            0.95,
        );
        // Evidence takes long to fade after weeks of misfires: well below the rate that is acted on it is not asked.
        let least = decide.misfire_per_1000_rev_min;
        let faded = self.log_r() < log_limit - decide.watch_nats;
        // What was flagged for its last two weeks has not gone back because the weeks before were quiet.
        let late = self.recent_rate(RATE_DAYS).rate().unwrap_or(0.0);
        let stays = rate.max(late);
        let gone_back = stays < CURED_SHARE * least || (faded && stays < least);
        // Few revolutions are cold: as if some events more had come at the warm rate.
        let of_warm = FAMILY_SHAPE * self.dispersion;
        let mostly_cold = match (warm.rate().filter(|r| *r > 0.0), cold.rate()) {
            (Some(warm), Some(_)) => {
                (cold.count + of_warm) / (cold.kilorevs + of_warm / warm) > COLD_RATIO * warm
            }
            (None, Some(cold)) => cold > 0.0,
            _ => false,
        };
        Some(MisfireFinding {
            mostly_cold,
            stands: self.flagged_on.is_some() && !gone_back,
            per_1000_rev: rate,
            baseline_per_1000_rev: before.rate().unwrap_or(self.own_rates(family_rates)[0].0),
            warm_per_1000_rev: warm.rate().unwrap_or(f64::NAN),
            cold_per_1000_rev: cold.rate().unwrap_or(f64::NAN),
            ratio: ratio.map_or(Estimate::NONE, |r| Estimate {
                value: r.ratio,
                lo: r.lo,
                hi: r.hi,
            }),
            flagged_on: self.flagged_on,
            log_r: self.log_r(),
            log_limit,
            cylinder: concentration
                .filter(|c| c.p < CONCENTRATION_P && c.share > 0.5)
                .map(|c| c.cylinder + 1)
                .filter(|_| self.flagged_on.is_some()),
            concentration_p: concentration.map_or(1.0, |c| c.p),
            dispersion: self.dispersion,
            by_cylinder: by_cylinder
                .iter()
                .map(|c| c / recent.kilorevs.max(f64::MIN_POSITIVE))
                .collect(),
        })
    }
}

/// How much likelier `count` is, as a logarithm, with each of [`RISES`] times the mean: the less of what two models of
/// bursts say, so that neither is believed where it does not hold.
///
/// One is a negative binomial whose variance is `dispersion` times its mean, of size `r = mean / (dispersion - 1)`; sums of
/// days are of the same family, so a day may be split. But its shape goes with the mean: where one burst has made the
/// dispersion too large, ordinary counts of quiet days look like a rise, day after day. The other is the quasi-likelihood
/// of the same mean and variance (McCullagh & Nelder, Generalized Linear Models, 2nd ed. 1989, section 9.2; from memory),
/// which falls in the mean wherever the mean is no larger than stated, whatever the dispersion, but holds a burst for less
/// likely than it is.
fn log_ratios(count: f64, mean: f64, dispersion: f64) -> [f64; RISES.len()] {
    let size = mean / (dispersion - 1.0);
    let (at_size, per_size) = (ln_rising(size, count), size * dispersion.ln());
    RISES.map(|rise| {
        let bursts = ln_rising(rise * size, count) - at_size - (rise - 1.0) * per_size;
        let quasi = (count * rise.ln() - (rise - 1.0) * mean) / dispersion;
        bursts.min(quasi)
    })
}

/// Logarithm of gamma(r + count) / gamma(r): for whole numbers that of r (r + 1) ... (r + count - 1).
fn ln_rising(r: f64, count: f64) -> f64 {
    /// Factors that a double surely holds.
    const FACTORS_MAX: f64 = 16.0;
    if count.fract() == 0.0 && count <= FACTORS_MAX {
        return (0..count as u32).map(|i| r + f64::from(i)).product::<f64>().ln();
    }
    ln_gamma(count + r) - ln_gamma(r)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Log probability of `count`.
    fn log_pmf(count: f64, mean: f64, dispersion: f64) -> f64 {
        let r = mean / (dispersion - 1.0);
        ln_gamma(count + r) - ln_gamma(r) - ln_gamma(count + 1.0) - r * dispersion.ln()
            + count * (1.0 - 1.0 / dispersion).ln()
    }

    #[test]
    fn a_rise_is_weighed_by_the_less_of_two_models() {
        for count in [0.0, 1.0, 7.0, 60.0] {
            for (rise, weighed) in RISES.into_iter().zip(log_ratios(count, 3.0, 2.5)) {
                let bursts = log_pmf(count, rise * 3.0, 2.5) - log_pmf(count, 3.0, 2.5);
                let quasi = (count * rise.ln() - (rise - 1.0) * 3.0) / 2.5;
                assert!((weighed - bursts.min(quasi)).abs() < 1e-10, "{count} {rise}");
            }
        }
    }

    #[test]
    fn a_dispersion_that_is_too_large_makes_no_rise_of_ordinary_days() {
        // Three events a day in the mean, variance three times the mean, at the mean that is held against them; a
        // burst has taught a dispersion of 20.
        let p: Vec<f64> = (0..200).map(|c| log_pmf(f64::from(c), 3.0, 3.0).exp()).collect();
        let gained = |gain: &dyn Fn(f64) -> f64| -> f64 {
            p.iter().enumerate().map(|(c, p)| p * gain(c as f64)).sum()
        };
        for k in 0..RISES.len() {
            assert!(gained(&|c| log_ratios(c, 3.0, 20.0)[k]) < 0.0);
        }
        let alone = |c: f64| log_pmf(c, 6.0, 20.0) - log_pmf(c, 3.0, 20.0);
        assert!(gained(&alone) > 0.1, "what the negative binomial alone would add a day");
    }

    #[test]
    fn the_count_distribution_sums_to_one_with_the_stated_mean_and_variance() {
        // Definition of the negative binomial with variance proportional to the mean (NB1).
        let (mean, dispersion) = (4.0, 2.5);
        let p: Vec<f64> = (0..400).map(|c| log_pmf(f64::from(c), mean, dispersion).exp()).collect();
        let total: f64 = p.iter().sum();
        let m: f64 = p.iter().enumerate().map(|(c, p)| c as f64 * p).sum();
        let v: f64 = p.iter().enumerate().map(|(c, p)| (c as f64 - m).powi(2) * p).sum();
        assert!((total - 1.0).abs() < 1e-9 && (m - mean).abs() < 1e-6);
        assert!((v - mean * dispersion).abs() < 1e-5, "{v}");
    }

    /// A watch whose first 60 days were quiet and whose rate then rose to 2 per 1,000 revolutions, up to day 200.
    fn misfiring() -> Watch {
        let mut watch = Watch::new();
        watch.flagged_on = Some(150);
        watch.recent = (0..200).map(|d| (d, if d < 100 { 0.0 } else { 20.0 }, 10.0)).collect();
        watch
    }

    /// The same worked on at day 200 and on the days of `more`, misfiring at `rate` per 1,000 revolutions up to `end`.
    fn worked_on(more: &[i32], end: i32, rate: impl Fn(i32) -> f64) -> Watch {
        let mut watch = misfiring();
        watch.hold_repair(Some(200), 200, 0.5);
        assert_eq!(watch.flagged_on, Some(150), "nothing is proved on the day of the work");
        for day in 200..end {
            watch.hold_repair(more.contains(&day).then_some(day), day, 0.5);
            watch.recent.push((day, 10.0 * rate(day), 10.0));
        }
        watch
    }

    /// Day of the flag of a vehicle with ten thousand revolutions a day that misfires at `rate` per 1,000 on each day.
    fn flagged(rate: impl Fn(i32) -> f64) -> Option<i32> {
        use crate::tables::days::Misfires;
        let mut watch = Watch::new();
        for day in 0..250 {
            let mut d = Day::default();
            (d.day, d.counted_revs_warm) = (day, 10_000.0);
            let mut misfires = Misfires::default();
            misfires.warm[1] = (10.0 * rate(day)).round() as f32;
            d.misfires = Some(Box::new(misfires));
            watch.take(&d, [0.05; 2], &TestSettings::DEFAULT, &DecideSettings::DEFAULT, 11.0);
        }
        watch.flagged_on
    }

    #[test]
    fn a_burst_of_a_week_is_waited_out_and_what_goes_on_is_not() {
        for first in 140..147 {
            let burst = |days: i32, rate: f64| {
                flagged(|day| if (first..first + days).contains(&day) { rate } else { 0.0 })
            };
            assert_eq!(burst(8, 4.0), None, "a burst from {first}");
            let day = burst(100, 4.0).expect("misfires that go on");
            assert!((first + 8..first + 23).contains(&day), "{first} {day}");
            let day = burst(100, 30.0).expect("a catalyst is at stake");
            assert!(day < first + 6, "{first} {day}");
        }
    }

    #[test]
    fn work_in_vain_does_not_clear_a_flag() {
        for (rate, cleared) in [(2.0, false), (1.2, false), (0.1, true)] {
            let watch = worked_on(&[], 300, |_| rate);
            assert_eq!(watch.flagged_on.is_none(), cleared, "{rate}");
        }
    }

    #[test]
    fn a_few_quiet_days_of_a_weekly_logger_are_no_cure() {
        // Misfires come in spells: three of four days bring 27, the others none. The weekly logger meets two quiet ones first.
        let spells = |quiet: i32| {
            let mut watch = misfiring();
            let spell = |d: i32| if d % 4 == 0 { 0.0 } else { 27.0 };
            watch.recent = (0..200).step_by(7).map(|d| (d, spell(d), 10.0)).collect();
            watch.hold_repair(Some(200), 200, 0.5);
            for day in (200..300).step_by(7) {
                watch.hold_repair(None, day, 0.5);
                watch.recent.push((day, if day < 200 + quiet { 0.0 } else { 27.0 }, 10.0));
            }
            watch.flagged_on
        };
        assert_eq!(spells(14), Some(150));
        assert_eq!(spells(100), None, "a cure shows after some weeks");
    }

    #[test]
    fn other_work_soon_after_a_cure_does_not_hide_it() {
        assert_eq!(worked_on(&[213], 300, |_| 0.1).flagged_on, None);
    }

    #[test]
    fn a_cure_counts_that_comes_soon_after_work_in_vain() {
        let rate = |day| if day < 230 { 1.9 } else { 0.0 };
        assert_eq!(worked_on(&[230], 330, rate).flagged_on, None);
    }

    #[test]
    fn work_on_a_quiet_engine_changes_nothing() {
        let mut watch = misfiring();
        watch.recent.truncate(90);
        watch.hold_repair(Some(90), 90, 0.5);
        assert_eq!(watch.repair, None);
    }
}
