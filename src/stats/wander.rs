//! Noise and slow wander of series around a level of their own, and how far two windows of one differ by chance.
//!
//! In: blocks (weeks, tanks) of several like series, each a time, a weight and a mean. Out: the variance and memory
//! of what wanders slowly, pooled over the series from differences between blocks by their lag (a
//! variogram), and the variance of the difference of two windows. A level of its own costs a series nothing,
//! as differences do not see it.
//!
//! Two windows of a few weeks hold too little to see a wander that lasts for months in the scatter within
//! them: clusters of any length that fits a window make intervals too narrow.

use super::special::t_reach;

/// One block of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Block {
    /// Its middle, days.
    pub day: f64,
    /// Its weight: its own noise has variance `noise / weight`.
    pub weight: f64,
    /// Its mean.
    pub mean: f64,
}

/// Blocks of `days` days from single values (day, weight, value), days ascending.
#[must_use]
pub fn by_period(values: &[(f64, f64, f64)], days: f64) -> Vec<Block> {
    values
        .chunk_by(|a, b| (a.0 / days).floor() == (b.0 / days).floor())
        .map(|part| {
            let weight: f64 = part.iter().map(|v| v.1).sum();
            let mean = |f: &dyn Fn(&(f64, f64, f64)) -> f64| {
                part.iter().map(|v| v.1 * f(v)).sum::<f64>() / weight
            };
            Block { day: mean(&|v| v.0), weight, mean: mean(&|v| v.2) }
        })
        .collect()
}

/// Upper ends of the classes of lag, days; each twice the last.
const LAGS: [f64; 7] = [21.0, 42.0, 84.0, 168.0, 336.0, 672.0, f64::INFINITY];

/// Classes whose differences tell the noise of a block, and differences that it takes.
const NEAR: usize = 2;
const PAIRS_MIN: f64 = 3.0;

/// Memories tried, days.
const MEMORIES: [f64; 7] = [7.0, 14.0, 28.0, 56.0, 112.0, 224.0, 448.0];

/// Differences of one class of lag.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Class {
    pairs: f64,
    lags: f64,
    /// Sum of `q = 1 / (1/w1 + 1/w2)`.
    q: f64,
    /// Sum of `q d²`.
    square: f64,
    /// Sum of the fourth root of `q d²`.
    root: f64,
    /// Pairs that count as independent.
    independent: f64,
}

impl Class {
    fn add(&mut self, a: &Block, b: &Block) {
        let q = a.weight * b.weight / (a.weight + b.weight);
        let square = q * (b.mean - a.mean).powi(2);
        self.pairs += 1.0;
        self.lags += b.day - a.day;
        self.q += q;
        self.square += square;
        self.root += square.sqrt().sqrt();
    }

    /// Adds another series' in units of its `scatter`.
    fn merge(&mut self, other: &Class, scatter: f64) {
        self.pairs += other.pairs;
        self.lags += other.lags;
        self.q += other.q / scatter;
        self.square += other.square / scatter;
        self.root += other.root / scatter.sqrt().sqrt();
        self.independent += other.independent;
    }

    /// Mean lag, days.
    fn lag(&self) -> f64 {
        self.lags / self.pairs
    }

    /// Mean of `q d²` by the robust estimate of Cressie & Hawkins (1980, from memory): the fourth power of the
    /// mean root of differences over 0.457. A few series with a real change hardly move it. (Their term in 1/n is
    /// left out: every class draws on the same blocks, so it would be the same for all.)
    fn robust(&self) -> f64 {
        (self.root / self.pairs).powi(4) / 0.457
    }
}

/// Differences between the blocks of one series, or of many.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Differences {
    /// Between a block and the next.
    next: Class,
    /// Between all others, by lag.
    classes: [Class; LAGS.len()],
    blocks: f64,
    span_days: f64,
}

impl Differences {
    /// Differences of one series, its blocks in order of time.
    #[must_use]
    pub fn of(blocks: &[Block]) -> Differences {
        let mut out = Differences::default();
        let (Some(first), Some(last)) = (blocks.first(), blocks.last()) else { return out };
        out.blocks = blocks.len() as f64;
        out.span_days = last.day - first.day;
        for (i, a) in blocks.iter().enumerate() {
            let mut k = 0;
            for (j, b) in blocks[i + 1..].iter().enumerate() {
                while b.day - a.day > LAGS[k] {
                    k += 1;
                }
                (if j == 0 { &mut out.next } else { &mut out.classes[k] }).add(a, b);
            }
        }
        for class in out.classes.iter_mut().chain([&mut out.next]).filter(|c| c.pairs > 0.0) {
            // Differences over a long lag share most of their path.
            class.independent = class.pairs.min(out.span_days / class.lag()).max(0.5);
        }
        out
    }

    /// Adds those of other series, as they are.
    pub fn add(&mut self, other: &Differences) {
        self.merge(other, 1.0);
    }

    /// Adds those of one other series in units of its own scatter from block to block: series that have more blocks
    /// at some lags must not lend these their noise.
    pub fn add_scaled(&mut self, other: &Differences) {
        let (square, pairs) = other.near();
        if pairs >= PAIRS_MIN && square > 0.0 {
            self.merge(other, square);
        }
    }

    fn merge(&mut self, other: &Differences, scatter: f64) {
        self.blocks += other.blocks;
        self.span_days += other.span_days;
        self.next.merge(&other.next, scatter);
        for (a, b) in self.classes.iter_mut().zip(&other.classes) {
            a.merge(b, scatter);
        }
    }

    /// Mean of `q d²` between blocks that are near but not neighbours, and its pairs.
    fn near(&self) -> (f64, f64) {
        let near = &self.classes[..NEAR];
        let pairs: f64 = near.iter().map(|c| c.pairs).sum();
        (near.iter().map(|c| c.square).sum::<f64>() / pairs, pairs)
    }

    /// Noise of this one series beside a wander known from many: variance at weight 1, and its degrees of freedom.
    fn noise(&self, wander: &Wander) -> Option<(f64, f64)> {
        let (square, pairs) = self.near();
        if pairs < PAIRS_MIN {
            return None;
        }
        let slow = self.classes[..NEAR].iter().filter(|c| c.pairs > 0.0);
        let slow: f64 = slow.map(|c| wander.gap(c.lag()) * c.q).sum::<f64>() / pairs;
        // The mean over m lags of squared differences has efficiency 2m / (2m + 1): Hall, Kay & Titterington,
        // Biometrika 77 (1990), from memory; m is about four blocks here.
        let df = (self.blocks - 1.0) * 8.0 / 9.0;
        Some(((square - slow).max(NOISE_LEAST * square), df))
    }
}

/// Least share of the scatter between neighbouring blocks that is noise, whatever the other series wander.
const NOISE_LEAST: f64 = 0.25;

/// Largest correlation of neighbours: that of a process whose every step is shared by two blocks.
const NEXT_MOST: f64 = 0.5;

/// What wanders slowly: an exponentially correlated process; and how the noise of neighbours is correlated.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wander {
    /// Correlation of the noise of a block with the next one's: above zero if a block inherits from the last,
    /// below if what one is given too much the next is given too little (a tank filled to the brim or not quite).
    pub next: f64,
    /// Its variance.
    pub variance: f64,
    /// Days after which its correlation has fallen to 1/e.
    pub memory_days: f64,
    /// Degrees of freedom of the variance.
    pub df: f64,
}

impl Wander {
    /// Fits noise and wander to differences pooled over series; `None` with fewer than three classes of lag.
    ///
    /// Classes weigh by the number of independent differences over their own square (Cressie 1985, from memory).
    #[must_use]
    pub fn fit(pooled: &Differences) -> Option<Wander> {
        // (estimate, lag, mean q, weight)
        let rows: Vec<[f64; 4]> = pooled
            .classes
            .iter()
            .filter(|c| c.pairs >= 2.0 && c.root > 0.0)
            .map(|c| {
                let value = c.robust();
                [value, c.lag(), c.q / c.pairs, c.independent / (value * value)]
            })
            .collect();
        if rows.len() < 3 {
            return None;
        }
        let fits = MEMORIES.iter().map(|memory| (noise_and_slope(&rows, *memory), *memory));
        let ((_, noise, variance), memory_days) = fits.min_by(|a, b| a.0.0.total_cmp(&b.0.0))?;
        let df = (pooled.span_days / (2.0 * memory_days)).max(1.0);
        let mut wander = Wander { next: 0.0, variance, memory_days, df };
        let next = &pooled.next;
        let seen = next.robust() - wander.gap(next.lag()) * next.q / next.pairs;
        wander.next = (1.0 - seen / noise).clamp(-NEXT_MOST, NEXT_MOST);
        Some(wander)
    }

    /// Variance of the difference that the wander makes over `lag` days.
    fn gap(&self, lag: f64) -> f64 {
        2.0 * self.variance * (1.0 - (-lag / self.memory_days).exp())
    }

    /// Variance of the difference between the means of two windows, and the degrees of freedom of a t interval
    /// (Satterthwaite); `own` are the differences of the whole series that the windows are cut from.
    #[must_use]
    pub fn between(&self, a: &[Block], b: &[Block], own: &Differences) -> Option<(f64, f64)> {
        let (noise, noise_df) = own.noise(self)?;
        let (wa, wb) = (weight(a), weight(b));
        let parts: Vec<(f64, f64)> = a
            .iter()
            .map(|x| (x.day, -x.weight / wa))
            .chain(b.iter().map(|x| (x.day, x.weight / wb)))
            .collect();
        let shared = |w: &[Block]| -> f64 {
            w.windows(2).map(|p| 2.0 * (p[0].weight * p[1].weight).sqrt()).sum()
        };
        let near = self.next * (shared(a) / (wa * wa) + shared(b) / (wb * wb));
        let mut slow = 0.0;
        for (i, x) in parts.iter().enumerate() {
            for y in &parts[..i] {
                slow -= x.1 * y.1 * self.gap((x.0 - y.0).abs());
            }
        }
        let (noise, slow) = (noise * (1.0 / wa + 1.0 / wb + near), slow.max(0.0));
        let total = noise + slow;
        let df = total * total / (noise * noise / noise_df + slow * slow / self.df);
        (total > 0.0).then_some((total, df))
    }
}

/// Least squares of `value = noise + 2 variance (1 - exp(-lag / memory)) q`, neither below zero: misfit, noise, variance.
fn noise_and_slope(rows: &[[f64; 4]], memory: f64) -> (f64, f64, f64) {
    let x = |r: &[f64; 4]| 2.0 * (1.0 - (-r[1] / memory).exp()) * r[2];
    let sum = |f: &dyn Fn(&[f64; 4]) -> f64| rows.iter().map(|r| r[3] * f(r)).sum::<f64>();
    let (n, sx, sy) = (sum(&|_| 1.0), sum(&x), sum(&|r| r[0]));
    let (sxx, sxy) = (sum(&|r| x(r) * x(r)), sum(&|r| x(r) * r[0]));
    let slope = (n * sxy - sx * sy) / (n * sxx - sx * sx);
    let noise = (sy - slope * sx) / n;
    let (noise, slope) = if !(slope > 0.0) {
        (sy / n, 0.0)
    } else if noise < 0.0 {
        (f64::MIN_POSITIVE, sxy / sxx)
    } else {
        (noise, slope)
    };
    (sum(&|r| (r[0] - noise - slope * x(r)).powi(2)), noise, slope)
}

/// Weighted mean of blocks; `NaN` of none.
#[must_use]
pub fn mean(blocks: &[Block]) -> f64 {
    blocks.iter().map(|b| b.weight * b.mean).sum::<f64>() / weight(blocks)
}

fn weight(blocks: &[Block]) -> f64 {
    blocks.iter().map(|b| b.weight).sum()
}

/// Half width of the interval of `level` for a value of `variance` known to `df` degrees of freedom.
#[must_use]
pub fn half_width(variance: f64, df: f64, level: f64) -> f64 {
    t_reach(level, df) * variance.sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    const WEEKS: usize = 104;
    const MEMORY: f64 = 60.0;

    /// Weekly blocks: noise of sd `noise`, of which a share `next` runs into the next week, on a slow wander of sd 1.
    fn series(noise: f64, next: f64, rng: &mut ChaCha8Rng) -> Vec<Block> {
        let mut draw = || -> f64 { StandardNormal.sample(rng) };
        let phi = (-7.0 / MEMORY).exp();
        let (mut slow, mut last) = (draw(), draw());
        (0..WEEKS)
            .map(|week| {
                slow = phi * slow + (1.0 - phi * phi).sqrt() * draw();
                let fresh = draw();
                // Moving average of one step: correlation next / (1 + next²).
                let own = noise * (fresh + next * last) / (1.0 + next * next).sqrt();
                last = fresh;
                let weight = if week % 3 == 0 { 0.5 } else { 1.0 };
                Block { day: 7.0 * week as f64, weight, mean: slow + own / weight.sqrt() }
            })
            .collect()
    }

    fn pooled(all: &[Vec<Block>]) -> Differences {
        let mut sum = Differences::default();
        all.iter().for_each(|s| sum.add_scaled(&Differences::of(s)));
        sum
    }

    #[test]
    fn noise_and_wander_are_told_apart() {
        let mut rng = ChaCha8Rng::seed_from_u64(1);
        let all: Vec<Vec<Block>> = (0..200).map(|_| series(2.0, 0.0, &mut rng)).collect();
        let w = Wander::fit(&pooled(&all)).expect("enough");
        assert!((w.variance.sqrt() - 1.0).abs() < 0.12, "{w:?}");
        assert!((28.0..=112.0).contains(&w.memory_days), "{w:?}");
        assert!(w.next.abs() < 0.03, "{w:?}");
    }

    #[test]
    fn the_noise_of_neighbours_may_be_shared_or_traded() {
        for next in [0.3, -0.3] {
            let mut rng = ChaCha8Rng::seed_from_u64(2);
            let all: Vec<Vec<Block>> = (0..200).map(|_| series(3.0, next, &mut rng)).collect();
            let w = Wander::fit(&pooled(&all)).expect("enough");
            assert!((w.next - next / (1.0 + next * next)).abs() < 0.06, "{w:?}");
        }
    }

    #[test]
    fn intervals_between_windows_cover_what_they_say() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        let all: Vec<Vec<Block>> = (0..1000).map(|_| series(2.0, 0.1, &mut rng)).collect();
        let w = Wander::fit(&pooled(&all)).expect("enough");
        let covered = all
            .iter()
            .filter(|s| {
                let (a, b) = (&s[..9], &s[WEEKS - 7..]);
                let (variance, df) = w.between(a, b, &Differences::of(s)).expect("enough");
                (mean(b) - mean(a)).abs() < half_width(variance, df, 0.95)
            })
            .count();
        // 95 % of 1,000 with five standard errors of 0.7 %.
        assert!((915..=985).contains(&covered), "{covered}");
    }

    #[test]
    fn a_few_series_that_change_do_not_widen_the_intervals_of_all() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let mut all: Vec<Vec<Block>> = (0..100).map(|_| series(2.0, 0.0, &mut rng)).collect();
        for s in &mut all[..3] {
            for b in &mut s[WEEKS / 2..] {
                b.mean += 30.0;
            }
        }
        let w = Wander::fit(&pooled(&all)).expect("enough");
        // The plain mean of squares would add 3 % of half of 30², which is twice a variance of 6.75.
        assert!(w.variance < 3.0, "{w:?}");
    }

    #[test]
    fn too_little_says_nothing() {
        assert!(Wander::fit(&Differences::default()).is_none());
        let one = [Block { day: 0.0, weight: 1.0, mean: 0.0 }];
        assert!(Wander::fit(&Differences::of(&one)).is_none());
    }
}
