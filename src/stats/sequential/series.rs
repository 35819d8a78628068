//! One vehicle's daily rows, whitened and summed into weekly blocks.
//!
//! In: peer-adjusted rows in day order and the noise. Out: [`Blocks`], additive sums from which the
//! scan gets every regression it needs. Nothing is lost by the blocks except when, within a week,
//! a ramp or step may begin.

use super::params::Params;

/// Noise of one series: a stationary first-order autoregression on calendar days.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Marginal sd, channel units.
    pub sigma: f64,
    /// Correlation from one day to the next.
    pub phi: f64,
    /// Factor on the variance of slow averages that `phi` leaves unexplained, at least 1.
    pub kappa: f64,
}

impl Noise {
    /// Long-run variance, that of the mean of many normal days times their number, channel units squared: of a first-order
    /// autoregression `sigma² (1 + phi) / (1 - phi)`, times `kappa`.
    #[must_use]
    pub fn long_run_variance(&self) -> f64 {
        self.kappa * self.sigma * self.sigma * (1.0 + self.phi) / (1.0 - self.phi)
    }
}

/// A daily row with the peers' common mode beside it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AdjustedRow {
    /// Days since any fixed epoch.
    pub day: i32,
    /// Odometer, 10,000 km.
    pub x: f64,
    /// Common mode of the peers that the value is regressed on, of that day or of late, channel units.
    pub m: f64,
    /// The row's value less the common mode of that day, channel units.
    pub r: f64,
    /// Relative precision; 1 is a normal day.
    pub weight: f64,
}

/// Weighted sums of products of the whitened constant (1), odometer (x), common mode (m) and value (r).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Sums {
    pub(crate) s11: f64,
    pub(crate) s1x: f64,
    pub(crate) sxx: f64,
    pub(crate) s1m: f64,
    pub(crate) sxm: f64,
    pub(crate) smm: f64,
    pub(crate) s1r: f64,
    pub(crate) sxr: f64,
    pub(crate) smr: f64,
}

impl Sums {
    fn of_row(w: f64, o: f64, x: f64, m: f64, r: f64) -> Self {
        let (wo, wx, wm) = (w * o, w * x, w * m);
        Self {
            s11: wo * o,
            s1x: wo * x,
            sxx: wx * x,
            s1m: wo * m,
            sxm: wx * m,
            smm: wm * m,
            s1r: wo * r,
            sxr: wx * r,
            smr: wm * r,
        }
    }

    pub(crate) fn add(&mut self, other: &Self) {
        self.s11 += other.s11;
        self.s1x += other.s1x;
        self.sxx += other.sxx;
        self.s1m += other.s1m;
        self.sxm += other.sxm;
        self.smm += other.smm;
        self.s1r += other.s1r;
        self.sxr += other.sxr;
        self.smr += other.smr;
    }
}

/// What a step that begins with a block's first row adds: there the whitened step is 1, not `1 - rho`.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct FirstRow {
    pub(crate) one: f64,
    pub(crate) x: f64,
    pub(crate) m: f64,
    pub(crate) r: f64,
    pub(crate) square: f64,
}

/// Sums over the rows of about one week.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Block {
    /// Day of the block's first row.
    pub(crate) day: i32,
    /// Odometer at the last row before the block: where a ramp that begins here begins.
    pub(crate) tau: f64,
    /// Day of that row.
    pub(crate) tau_day: i32,
    /// If events lie between that row and this block: the share of the likeliest after which the level is another.
    pub(crate) break_share: Option<f64>,
    pub(crate) sums: Sums,
    pub(crate) first: FirstRow,
}

/// What whitening a row takes, by the days since the row before it.
#[derive(Debug, Clone, Copy, Default)]
struct Whitening {
    /// Correlation with the row before.
    rho: f64,
    /// Precision of what is new in a row of weight 1: one over its variance, with `kappa`.
    precision: f64,
    /// Distance from the prediction at which a row of weight 1 is clipped.
    reach: f64,
}

/// An event after which the level may be another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Break {
    /// Day of the event.
    pub day: i32,
    /// Share of such events after which the level is another, above 0 and below 1.
    pub share: f64,
}

/// A series since its last restart, as blocks.
#[derive(Debug, Clone, Default)]
pub struct Blocks {
    pub(crate) list: Vec<Block>,
    pub(crate) rows: usize,
    /// Rows since the level may last have jumped, up to those after which clipping starts.
    settled: u32,
    previous: Option<AdjustedRow>,
    level: f64,
    /// By gap up to the longest; the first is that of independent rows.
    by_gap: Vec<Whitening>,
    /// Sd of a wave of a year that no peers have taken off, channel units; 0: there is none.
    pub(crate) season_sd: f64,
    /// Day from which on there were peers, whose levels hold what the wave was by then.
    pub(crate) season_until: i32,
}

impl Blocks {
    /// Blocks of rows in day order under one noise; `breaks` are events, by day.
    #[must_use]
    pub fn from_rows(
        rows: &[AdjustedRow],
        breaks: &[Break],
        noise: &Noise,
        params: &Params,
    ) -> Self {
        let mut blocks = Self::default();
        blocks.begin(noise, params);
        for row in rows {
            blocks.push(row, breaks, params);
        }
        blocks
    }

    /// Forgets all rows; those to come have this noise.
    pub(crate) fn begin(&mut self, noise: &Noise, params: &Params) {
        self.list.clear();
        self.rows = 0;
        self.settled = 0;
        self.previous = None;
        self.level = 0.0;
        let whitening = |gap: i32| {
            let rho = if gap > 0 { correlation(gap, noise.phi, params) } else { 0.0 };
            let variance = noise.sigma * noise.sigma * (1.0 - rho * rho);
            let precision = (noise.kappa * variance).recip();
            Whitening { rho, precision, reach: params.clip_sd * variance.sqrt() }
        };
        self.by_gap.clear();
        self.by_gap.extend((0..=params.longest_gap).map(whitening));
    }

    /// Odometer of the last row, 10,000 km; 0 while empty.
    pub(crate) fn last_x(&self) -> f64 {
        self.previous.map_or(0.0, |row| row.x)
    }

    /// First day of the last block.
    pub(crate) fn last_block_day(&self) -> Option<i32> {
        self.list.last().map(|block| block.day)
    }

    /// Day of the first row since the restart.
    pub(crate) fn first_day(&self) -> Option<i32> {
        self.list.first().map(|block| block.day)
    }

    /// Whether the data suffice for a look on `day`.
    pub(crate) fn ready(&self, day: i32, params: &Params) -> bool {
        self.rows >= params.min_rows
            && self.list.len() >= params.min_blocks
            && self.first_day().is_some_and(|first| day - first >= params.min_days)
    }

    /// Adds the next row, after [`Blocks::begin`].
    pub(crate) fn push(&mut self, row: &AdjustedRow, breaks: &[Break], params: &Params) {
        let gap = self.previous.map_or(0, |p| row.day - p.day);
        let known = self.by_gap.get(gap as usize).or(self.by_gap.first());
        let whitening = known.copied().unwrap_or_default();
        let rho = whitening.rho;
        self.open_block(row, breaks, params);
        if self.list.last().is_some_and(|b| b.day == row.day && b.break_share.is_some()) {
            // Work may have moved the level: held to what was before it, a step would come in as a ramp.
            self.settled = 0;
        }
        let r = self.clipped(row, &whitening, params);
        let w = row.weight * whitening.precision;
        let before = self.previous.unwrap_or(AdjustedRow { m: 0.0, r: 0.0, x: 0.0, ..*row });
        let (o, x) = (1.0 - rho, row.x - rho * before.x);
        let (m, r_white) = (row.m - rho * before.m, r - rho * before.r);
        let first_of_block = self.list.last().is_some_and(|block| block.day == row.day);
        if let Some(block) = self.list.last_mut() {
            block.sums.add(&Sums::of_row(w, o, x, m, r_white));
            if first_of_block {
                let wr = w * rho;
                block.first = FirstRow {
                    one: wr * o,
                    x: wr * x,
                    m: wr * m,
                    r: wr * r_white,
                    square: wr * rho,
                };
            }
        }
        self.rows += 1;
        self.settled = (self.settled + 1).min(params.clip_after_rows);
        self.level += (r - self.level) / f64::from(self.settled);
        self.previous = Some(AdjustedRow { r, ..*row });
    }

    /// The row's value, held within `clip_sd` of what the rows before it predict.
    fn clipped(&self, row: &AdjustedRow, whitening: &Whitening, params: &Params) -> f64 {
        match self.previous {
            Some(before) if self.settled >= params.clip_after_rows => {
                let Whitening { rho, reach, .. } = *whitening;
                let predicted = self.level + rho * (before.r - self.level);
                let off = row.r - predicted;
                if off * off * row.weight <= reach * reach {
                    return row.r;
                }
                predicted + off.signum() * reach / row.weight.sqrt()
            }
            _ => row.r,
        }
    }

    fn open_block(&mut self, row: &AdjustedRow, breaks: &[Break], params: &Params) {
        let break_share = self.previous.and_then(|before| {
            let until = |day: i32| breaks.partition_point(|b| b.day <= day);
            let between = &breaks[until(before.day)..until(row.day)];
            between.iter().map(|b| b.share).max_by(f64::total_cmp)
        });
        let full = self.list.last().is_none_or(|block| row.day - block.day >= params.block_days);
        if full || break_share.is_some() {
            let before = self.previous.unwrap_or(*row);
            self.list.push(Block {
                day: row.day,
                tau: before.x,
                tau_day: before.day,
                break_share,
                sums: Sums::default(),
                first: FirstRow::default(),
            });
        }
    }
}

/// Correlation of two rows `gap` days apart.
pub(crate) fn correlation(gap: i32, phi: f64, params: &Params) -> f64 {
    if gap > params.longest_gap { 0.0 } else { phi.powi(gap) }
}
