//! The change of trim over airflow against the four shapes.
//!
//! In: the changes from baseline to now in each bank, of band means and of slopes within drives, with their
//! covariance and the airflow at which they were seen. Out: log-likelihoods per shape. Only airflow that the vehicle has shown counts:
//! a band without data is left out, never extrapolated (hybrids hardly idle).

/// What of the trim over airflow a change is of; `m` is airflow in multiples of nominal idle airflow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Seen {
    /// The mean of a band, whose mean airflow is this.
    Level(f64),
    /// The slope on `1/m` within drives whose mean airflow is this.
    OnInverse(f64),
    /// The slope on `m` within drives whose mean airflow is this.
    OnAirflow(f64),
}

/// Change of one bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Change {
    /// 0 or 1.
    pub(super) bank: usize,
    /// What has changed.
    pub(super) seen: Seen,
    /// By how much, log-percent (per multiple of `m` or of `1/m` for slopes).
    pub(super) change: f64,
}

/// How trim changes over airflow when something is wrong with the mixture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Shape {
    /// No change of mixture.
    Flat0,
    /// Alike at all airflows: injectors deliver a fixed share too little.
    Restriction,
    /// Fades as airflow rises: a constant flow of unmetered air is a share `1/m` of the total.
    UnmeteredAir,
    /// Grows with airflow: pressure falls with the fuel drawn.
    SupplyDroop,
    /// The same faster than in proportion: the pressure a line or filter takes grows with the square of the flow.
    SteepDroop,
    /// Grows with the logarithm of airflow: the sensor's characteristic is bent.
    MeteringError,
    /// The same on top of a share that is missed at any airflow: dirt on the whole element.
    OffsetMeteringError,
}

impl Shape {
    /// What a fault of this shape and unit size changes of what is seen.
    fn unit(self, seen: Seen) -> f64 {
        match seen {
            Seen::Level(m) => self.at(m),
            Seen::OnInverse(m) => self.slopes(m)[0],
            Seen::OnAirflow(m) => self.slopes(m)[1],
        }
    }

    /// Slopes on `1/m` and `m` of the curve through the shape that has its first two derivatives at `m`.
    fn slopes(self, m: f64) -> [f64; 2] {
        match self {
            Shape::Flat0 | Shape::Restriction => [0.0, 0.0],
            Shape::UnmeteredAir => [1.0, 0.0],
            Shape::SupplyDroop => [0.0, 1.0 / FULL_M],
            Shape::SteepDroop => [m.powi(3) / FULL_M.powi(2), 3.0 * m / FULL_M.powi(2)],
            Shape::MeteringError => [-0.5 * m / FULL_M.ln(), 0.5 / m / FULL_M.ln()],
            Shape::OffsetMeteringError => {
                Shape::MeteringError.slopes(m).map(|s| (1.0 - OFFSET_SHARE) * s)
            }
        }
    }

    /// Value at airflow `m` for unit size: 1 where the shape is strongest within ordinary driving.
    fn at(self, m: f64) -> f64 {
        match self {
            Shape::Flat0 => 0.0,
            Shape::Restriction => 1.0,
            Shape::UnmeteredAir => (1.0 / m).min(1.5),
            Shape::SupplyDroop => (m / FULL_M).min(1.5),
            Shape::SteepDroop => (m / FULL_M).powi(2).min(1.5),
            Shape::MeteringError => (m.max(1.0).ln() / FULL_M.ln()).min(1.5),
            Shape::OffsetMeteringError => {
                OFFSET_SHARE + (1.0 - OFFSET_SHARE) * Shape::MeteringError.at(m)
            }
        }
    }
}

/// Airflow of brisk driving in multiples of idle airflow, at which droop and metering error are of unit size.
const FULL_M: f64 = 12.0;

/// Part of a metering error of unit size that is there at idle already (own judgement, no source).
const OFFSET_SHARE: f64 = 0.25;

/// Prior scale of the size of a fault, log-percent: half-normal. Faults of interest lie between 3 and 25 %.
const SIZE_SD: f64 = 12.0;

/// Sd of a shift common to all bands that is no fault: blend or sensor step (the drift test's prior).
const COMMON_STEP_SD: f64 = 1.5;

/// Departure of a real fault from its ideal shape, as a share of its size (own judgement, no source).
const SHAPE_MISFIT: f64 = 0.12;

/// Sd of a change in one band that no shape explains, log-percent (own judgement, no source).
const BAND_MISFIT_SD: f64 = 0.7;

/// Sd between sound vehicles of the change of the slopes on `1/m` and on `m`, beyond what their own days show
/// (measured on sound vehicles of twelve simulated fleets, seeds 201 to 212).
const SLOPE_SD: [f64; 2] = [0.7, 0.026];

/// Probability that slopes tell nothing of the fault (a trim at its stop, a purge valve that leaks), and the
/// sd that they then have (own judgement, no source). It bounds what they can do to a verdict of the bands.
const SLOPES_VOID: f64 = 0.05;
const SLOPE_VOID_SD: f64 = 12.0;

/// Which banks a fault is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Banks {
    /// All banks alike.
    All,
    /// One bank only (0 or 1).
    One(usize),
}

/// How large a fault may be in the trim of its bank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Sizes {
    /// Any size under the half-normal prior.
    Any,
    /// That of one injector of so many in the bank which passes so little that its cylinder misfires: the trim rises by
    /// the mean of what the cylinders need.
    OneInjectorOf(usize),
}

/// Loss of flow of one injector from which its cylinder may misfire (common practice, no source: 8 to 10 %).
const MISFIRES_FROM: f64 = 0.08;

impl Sizes {
    /// Size in the trim of the bank, log-percent, at `beyond` percent above the least.
    fn in_trim(self, beyond: f64) -> f64 {
        match self {
            Sizes::Any => beyond,
            Sizes::OneInjectorOf(n) => {
                let lost = (MISFIRES_FROM + beyond / 100.0).min(0.9);
                100.0 * (lost / (1.0 - lost) / n as f64).ln_1p()
            }
        }
    }
}

/// What may have changed the trims.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fault {
    pub(super) shape: Shape,
    pub(super) banks: Banks,
    /// 1 if the trim rises, -1 if it falls.
    pub(super) sign: f64,
    pub(super) sizes: Sizes,
}

impl Fault {
    /// One of any size.
    pub(super) fn new(shape: Shape, banks: Banks, sign: f64) -> Fault {
        Fault { shape, banks, sign, sizes: Sizes::Any }
    }
}

/// Log marginal likelihood of `changes` under a fault; its size is integrated over its half-normal prior.
///
/// `covariance` is row-major, of the same order as `changes`; slopes may be void.
pub(super) fn log_likelihood(changes: &[Change], covariance: &[f64], fault: Fault) -> f64 {
    if !changes.iter().any(|c| c.scale().is_some()) {
        return sized(changes, covariance, fault);
    }
    let n = changes.len();
    let mut void = covariance.to_vec();
    for (i, c) in changes.iter().enumerate() {
        void[i * n + i] += c.scale().map_or(0.0, |scale| (SLOPE_VOID_SD * scale).powi(2));
    }
    log_sum_exp(&[
        (1.0 - SLOPES_VOID).ln() + sized(changes, covariance, fault),
        SLOPES_VOID.ln() + sized(changes, &void, fault),
    ])
}

impl Change {
    /// For slopes: what a fault of unit size is of the order of.
    pub(super) fn scale(&self) -> Option<f64> {
        match self.seen {
            Seen::Level(_) => None,
            Seen::OnInverse(_) => Some(1.0),
            Seen::OnAirflow(_) => Some(1.0 / FULL_M),
        }
    }
}

/// The likelihood with the size integrated over its prior.
fn sized(changes: &[Change], covariance: &[f64], fault: Fault) -> f64 {
    let Fault { shape, banks, sign, sizes } = fault;
    let n = changes.len();
    assert_eq!(covariance.len(), n * n, "one covariance entry per pair of changes");
    let unit: Vec<f64> = changes
        .iter()
        .map(|c| match banks {
            Banks::One(bank) if bank != c.bank => 0.0,
            _ => sign * shape.unit(c.seen),
        })
        .collect();
    if shape == Shape::Flat0 {
        return log_normal(changes, covariance, &unit, 0.0);
    }
    // Simpson's rule over the size from 0 to 4 sd of its prior.
    const STEPS: usize = 48;
    let h = 4.0 * SIZE_SD / STEPS as f64;
    let terms: Vec<f64> = (0..=STEPS)
        .map(|i| {
            let size = i as f64 * h;
            let weight: f64 = if i == 0 || i == STEPS {
                1.0
            } else if i % 2 == 1 {
                4.0
            } else {
                2.0
            };
            let prior = (2.0 / std::f64::consts::PI).sqrt() / SIZE_SD
                * (-size * size / (2.0 * SIZE_SD * SIZE_SD)).exp();
            let in_trim = sizes.in_trim(size);
            (weight * prior * h / 3.0).ln() + log_normal(changes, covariance, &unit, in_trim)
        })
        .collect();
    log_sum_exp(&terms)
}

/// Log density of the changes around `size * unit`.
fn log_normal(changes: &[Change], covariance: &[f64], unit: &[f64], size: f64) -> f64 {
    let n = changes.len();
    let mut v = covariance.to_vec();
    for i in 0..n {
        if changes[i].scale().is_none() {
            for j in (0..n).filter(|j| changes[*j].scale().is_none()) {
                v[i * n + j] += COMMON_STEP_SD * COMMON_STEP_SD;
            }
        }
        // A real fault departs from its ideal shape by a share of its size, a slope also where the ideal has none.
        let (own, tilt) = match changes[i].seen {
            Seen::Level(_) => (BAND_MISFIT_SD, 0.0),
            Seen::OnInverse(_) => (SLOPE_SD[0], size),
            Seen::OnAirflow(_) => (SLOPE_SD[1], size / FULL_M),
        };
        v[i * n + i] +=
            own.powi(2) + SHAPE_MISFIT.powi(2) * ((size * unit[i]).powi(2) + tilt.powi(2));
    }
    let residual: Vec<f64> = changes.iter().zip(unit).map(|(c, u)| c.change - size * u).collect();
    let Some((log_det, quadratic)) = gaussian_form(&mut v, residual, n) else {
        return f64::NEG_INFINITY;
    };
    -0.5 * (log_det + quadratic + n as f64 * (2.0 * std::f64::consts::PI).ln())
}

/// `(log det V, r' V^-1 r)` by Cholesky; `None` if `v` is not positive definite.
fn gaussian_form(v: &mut [f64], mut r: Vec<f64>, n: usize) -> Option<(f64, f64)> {
    let mut log_det = 0.0;
    let mut quadratic = 0.0;
    for i in 0..n {
        for j in 0..=i {
            let mut sum = v[i * n + j];
            for k in 0..j {
                sum -= v[i * n + k] * v[j * n + k];
            }
            if i == j {
                if !(sum > 0.0) {
                    return None;
                }
                v[i * n + i] = sum.sqrt();
            } else {
                v[i * n + j] = sum / v[j * n + j];
            }
        }
        for k in 0..i {
            r[i] -= v[i * n + k] * r[k];
        }
        r[i] /= v[i * n + i];
        log_det += 2.0 * v[i * n + i].ln();
        quadratic += r[i] * r[i];
    }
    Some((log_det, quadratic))
}

/// `ln(sum(exp(x)))` without overflow.
pub(super) fn log_sum_exp(x: &[f64]) -> f64 {
    let top = x.iter().copied().fold(f64::NEG_INFINITY, |a, b| if b > a { b } else { a });
    if top == f64::NEG_INFINITY {
        return top;
    }
    top + x.iter().map(|v| (v - top).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn best(changes: [f64; 3]) -> Shape {
        let m = [1.0, 3.0, 9.0];
        let rows: Vec<Change> = changes
            .iter()
            .zip(m)
            .map(|(change, m)| Change { bank: 0, seen: Seen::Level(m), change: *change })
            .collect();
        let covariance = [0.25, 0.1, 0.1, 0.1, 0.25, 0.1, 0.1, 0.1, 0.25];
        let all = [
            Shape::Flat0,
            Shape::Restriction,
            Shape::UnmeteredAir,
            Shape::SupplyDroop,
            Shape::MeteringError,
        ];
        all.into_iter()
            .max_by(|a, b| {
                let l = |s| log_likelihood(&rows, &covariance, Fault::new(s, Banks::All, 1.0));
                l(*a).total_cmp(&l(*b))
            })
            .expect("not empty")
    }

    #[test]
    fn each_ideal_shape_is_told_apart() {
        // Physics: a fixed share, a constant flow over airflow, a share that grows with flow, with its log.
        assert_eq!(best([9.0, 9.0, 9.0]), Shape::Restriction);
        assert_eq!(best([12.0, 4.0, 1.3]), Shape::UnmeteredAir);
        assert_eq!(best([1.0, 3.0, 9.0]), Shape::SupplyDroop);
        assert_eq!(best([0.0, 5.3, 10.6]), Shape::MeteringError);
        assert_eq!(best([0.3, -0.4, 0.2]), Shape::Flat0);
    }

    #[test]
    fn an_injector_that_misfires_must_show_in_the_trim_of_its_bank() {
        // A loss of 10 % needs 11.111 % more; one of four shows a quarter of it (checks `fuel-trim-composition`).
        let needed = 100.0 * (1.0 + 0.111_111_f64 / 4.0).ln();
        assert!((Sizes::OneInjectorOf(4).in_trim(2.0) - needed).abs() < 1e-4);
        let odds = |change: f64| {
            let rows = [1.0, 3.0, 9.0].map(|m| Change { bank: 0, seen: Seen::Level(m), change });
            let covariance = [0.25, 0.1, 0.1, 0.1, 0.25, 0.1, 0.1, 0.1, 0.25];
            let at = |shape, sizes| {
                log_likelihood(
                    &rows,
                    &covariance,
                    Fault { sizes, ..Fault::new(shape, Banks::All, 1.0) },
                )
            };
            at(Shape::Restriction, Sizes::OneInjectorOf(4)) - at(Shape::Flat0, Sizes::Any)
        };
        assert!(odds(0.0) < -0.5 && odds(4.0) > 1.0, "{} {}", odds(0.0), odds(4.0));
    }

    #[test]
    fn slopes_are_the_derivatives_of_the_shapes() {
        // Central differences of each shape at an airflow where none is capped.
        let (m, h) = (4.0, 1e-3);
        for shape in [
            Shape::Restriction,
            Shape::UnmeteredAir,
            Shape::SupplyDroop,
            Shape::SteepDroop,
            Shape::MeteringError,
            Shape::OffsetMeteringError,
        ] {
            let [b, c] = shape.slopes(m);
            let first = (shape.at(m + h) - shape.at(m - h)) / (2.0 * h);
            let second = (shape.at(m + h) - 2.0 * shape.at(m) + shape.at(m - h)) / (h * h);
            assert!((first - (c - b / (m * m))).abs() < 1e-6, "{shape:?}");
            assert!((second - 2.0 * b / (m * m * m)).abs() < 1e-4, "{shape:?}");
        }
    }

    #[test]
    fn slopes_tell_what_bands_leave_open_and_never_overrule_them() {
        // Cruise and load alone, as a hybrid shows them: 4 and 3 % are a leak or a restriction; a slope of 9 on 1/m
        // (a leak of 9 % at idle airflow) decides.
        let level = |m, change| Change { bank: 0, seen: Seen::Level(m), change };
        let slope = |change| Change { bank: 0, seen: Seen::OnInverse(3.0), change };
        let odds = |rows: &[Change], spread: f64| {
            let n = rows.len();
            let mut v = vec![0.0; n * n];
            for i in 0..n {
                v[i * n + i] = spread;
            }
            let at = |shape| log_likelihood(rows, &v, Fault::new(shape, Banks::All, 1.0));
            at(Shape::UnmeteredAir) - at(Shape::Restriction)
        };
        let bands = [level(3.0, 4.0), level(9.0, 2.5)];
        let without = odds(&bands, 0.25);
        let with = odds(&[bands[0], bands[1], slope(9.0)], 0.25);
        assert!(without.abs() < 2.0 && with > without + 2.0, "{without} {with}");
        // Three bands that rise alike by 15 % are a restriction, whatever one slope says.
        let alike = [level(1.0, 15.0), level(3.0, 15.0), level(9.0, 15.0), slope(40.0)];
        assert!(odds(&alike, 0.25) < -5.0, "{}", odds(&alike, 0.25));
    }

    #[test]
    fn the_gaussian_form_matches_the_two_by_two_formula() {
        // V = [[4, 2], [2, 3]]: det 8, inverse [[3, -2], [-2, 4]] / 8.
        let (log_det, q) =
            gaussian_form(&mut [4.0, 2.0, 2.0, 3.0], vec![1.0, 2.0], 2).expect("positive");
        assert!((log_det - 8.0f64.ln()).abs() < 1e-12);
        assert!((q - (3.0 - 8.0 + 16.0) / 8.0).abs() < 1e-12);
    }
}
