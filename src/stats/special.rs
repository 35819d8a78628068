//! The scaled complementary error function, normal tails that do not overflow, and quantiles.
//!
//! In: plain numbers. Out: `exp(x²) erfc(x)`, normal and t tails and quantiles. `statrs` has no
//! scaled form, and its `erfc` is good to ten digits only, too few for published p values.

use std::f64::consts::{FRAC_1_SQRT_2, PI};

use statrs::function::beta::beta_reg;

/// 1 / sqrt(pi).
const FRAC_1_SQRT_PI: f64 = 0.564_189_583_547_756_3;

/// `exp(x²) erfc(x)`; overflows to infinity below about x = -26.6.
///
/// Source: W. J. Cody, "Rational Chebyshev approximations for the error function", Mathematics of
/// Computation 23 (1969), the three ranges of his CALERF program (coefficients from memory, held
/// against `erfc` in the tests).
#[must_use]
pub fn erfcx(x: f64) -> f64 {
    let y = x.abs();
    let scaled = if y <= 0.46875 {
        (y * y).exp() * (1.0 - erf_small(y))
    } else if y <= 4.0 {
        erfcx_middle(y)
    } else {
        erfcx_large(y)
    };
    if x < 0.0 { 2.0 * (y * y).exp() - scaled } else { scaled }
}

fn erf_small(y: f64) -> f64 {
    const A: [f64; 5] = [
        1.857_777_061_846_031_5e-1,
        3.161_123_743_870_565_6,
        1.138_641_541_510_501_6e2,
        3.774_852_376_853_02e2,
        3.209_377_589_138_469_5e3,
    ];
    const B: [f64; 5] = [
        1.0,
        2.360_129_095_234_412_1e1,
        2.440_246_379_344_441_7e2,
        1.282_616_526_077_372_3e3,
        2.844_236_833_439_171e3,
    ];
    y * horner(&A, y * y) / horner(&B, y * y)
}

fn erfcx_middle(y: f64) -> f64 {
    const C: [f64; 9] = [
        2.153_115_354_744_038_5e-8,
        5.641_884_969_886_701e-1,
        8.883_149_794_388_376,
        6.611_919_063_714_163e1,
        2.986_351_381_974_001e2,
        8.819_522_212_417_69e2,
        1.712_047_612_634_070_6e3,
        2.051_078_377_826_071_5e3,
        1.230_339_354_797_997_2e3,
    ];
    const D: [f64; 9] = [
        1.0,
        1.574_492_611_070_983_5e1,
        1.176_939_508_913_125e2,
        5.371_811_018_620_099e2,
        1.621_389_574_566_690_2e3,
        3.290_799_235_733_459_6e3,
        4.362_619_090_143_247e3,
        3.439_367_674_143_721_6e3,
        1.230_339_354_803_749_4e3,
    ];
    horner(&C, y) / horner(&D, y)
}

fn erfcx_large(y: f64) -> f64 {
    const P: [f64; 6] = [
        1.631_538_713_730_209_8e-2,
        3.053_266_349_612_323_4e-1,
        3.603_448_999_498_044_4e-1,
        1.257_817_261_112_292_5e-1,
        1.608_378_514_874_228e-2,
        6.587_491_615_298_378e-4,
    ];
    const Q: [f64; 6] = [
        1.0,
        2.568_520_192_289_822,
        1.872_952_849_923_467_3,
        5.279_051_029_514_284e-1,
        6.051_834_131_244_132e-2,
        2.335_204_976_268_691_8e-3,
    ];
    let inverse_square = 1.0 / (y * y);
    let tail = inverse_square * horner(&P, inverse_square) / horner(&Q, inverse_square);
    (FRAC_1_SQRT_PI - tail) / y
}

fn horner(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().fold(0.0, |sum, c| sum * x + c)
}

/// [`erfcx`] near nought by tabled Taylor series, to 1e-11 of its value, for sums of millions of them.
#[derive(Debug)]
pub struct ScaledTail {
    /// Coefficients around each node.
    nodes: Vec<[f64; ScaledTail::TERMS]>,
}

impl ScaledTail {
    const REACH: f64 = 4.0;
    const PER_UNIT: f64 = 64.0;
    const TERMS: usize = 7;

    /// The table.
    #[must_use]
    pub fn new() -> Self {
        let node = |i: u32| {
            let x = f64::from(i) / Self::PER_UNIT - Self::REACH;
            // Derivatives: f' = 2 x f - 2 / sqrt(pi), so f'' = 2 x f' + 2 f, and so on (Abramowitz & Stegun 7.1.20,
            // from memory); divided by their factorials.
            let mut c = [0.0; Self::TERMS];
            c[0] = erfcx(x);
            c[1] = 2.0 * (x * c[0] - FRAC_1_SQRT_PI);
            for n in 2..Self::TERMS {
                c[n] = 2.0 * (x * c[n - 1] + c[n - 2]) / n as f64;
            }
            c
        };
        let nodes = (2.0 * Self::REACH * Self::PER_UNIT) as u32;
        Self { nodes: (0..=nodes).map(node).collect() }
    }

    /// `erfcx(x)`; `None` where it is not tabled.
    #[must_use]
    pub fn at(&self, x: f64) -> Option<f64> {
        let place = (x + Self::REACH) * Self::PER_UNIT;
        let nearest = (place + 0.5) as usize;
        // What lies before the table would round to its first node.
        let c = self.nodes.get(nearest).filter(|_| place >= 0.0)?;
        let h = (place - nearest as f64) / Self::PER_UNIT;
        Some(c.iter().rev().fold(0.0, |sum, c| sum * h + c))
    }
}

impl Default for ScaledTail {
    fn default() -> Self {
        Self::new()
    }
}

/// Area of the standard normal above `b`.
#[must_use]
pub fn normal_upper_tail(b: f64) -> f64 {
    if b > 0.0 {
        0.5 * erfcx(b * FRAC_1_SQRT_2) * (-0.5 * b * b).exp()
    } else {
        1.0 - 0.5 * erfcx(-b * FRAC_1_SQRT_2) * (-0.5 * b * b).exp()
    }
}

/// Point of the standard normal with area `p` below it, `p` inside (0, 1).
#[must_use]
pub fn normal_quantile(p: f64) -> f64 {
    if p > 0.5 {
        // From the nearer end: an area close to 1 holds few digits of the tail beyond it.
        return -normal_quantile(1.0 - p);
    }
    root(-40.0, 0.0, |z| normal_upper_tail(-z) - p)
}

/// Area of Student's t with `df` degrees of freedom above `t`.
#[must_use]
pub fn t_upper_tail(t: f64, df: f64) -> f64 {
    // Abramowitz & Stegun 26.7.1 (from memory): the two tails are the incomplete beta function.
    let both = beta_reg(0.5 * df, 0.5, df / (df + t * t));
    if t > 0.0 { 0.5 * both } else { 1.0 - 0.5 * both }
}

/// Half width of the central `level` interval of Student's t with `df` degrees of freedom.
#[must_use]
pub fn t_reach(level: f64, df: f64) -> f64 {
    let tail = 0.5 * (1.0 - level);
    let mut high = 10.0;
    while t_upper_tail(high, df) > tail && high < 1e9 {
        high *= 10.0;
    }
    root(0.0, high, |t| tail - t_upper_tail(t, df))
}

/// Where a function that rises from below 0 at `low` to above 0 at `high` crosses 0 (bisection).
pub fn root(mut low: f64, mut high: f64, rises: impl Fn(f64) -> f64) -> f64 {
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if rises(middle) > 0.0 {
            high = middle;
        } else {
            low = middle;
        }
    }
    0.5 * (low + high)
}

/// The part of the standard normal above a point: tails and densities as shares of its area, exact also far out.
#[derive(Debug, Clone, Copy)]
pub struct UpperPart {
    from: f64,
    /// Area above `from`; above nought as `erfcx(from / sqrt 2)`, which does not underflow.
    whole: f64,
}

impl UpperPart {
    /// The part above `from`.
    #[must_use]
    pub fn above(from: f64) -> Self {
        let far = from > 0.0;
        let whole = if far { erfcx(from * FRAC_1_SQRT_2) } else { normal_upper_tail(from) };
        Self { from, whole }
    }

    /// Area above `b` and density at `b`.
    #[must_use]
    pub fn tail_and_density(&self, b: f64) -> (f64, f64) {
        if self.from > 0.0 {
            let scale = (0.5 * (self.from - b) * (self.from + b)).exp() / self.whole;
            (scale * erfcx(b * FRAC_1_SQRT_2), (2.0 / PI).sqrt() * scale)
        } else {
            let bell = (-0.5 * b * b).exp();
            let beyond = 0.5 * bell * erfcx(b.abs() * FRAC_1_SQRT_2);
            let tail = if b > 0.0 { beyond } else { 1.0 - beyond };
            (tail / self.whole, bell / ((2.0 * PI).sqrt() * self.whole))
        }
    }
}

/// Area of the standard normal above `b` as a share of the area above `a`.
#[must_use]
pub fn normal_tail_ratio(b: f64, a: f64) -> f64 {
    UpperPart::above(a).tail_and_density(b).0
}

/// Density of the standard normal at `b` as a share of the area above `a`.
#[must_use]
pub fn normal_density_ratio(b: f64, a: f64) -> f64 {
    UpperPart::above(a).tail_and_density(b).1
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn erfcx_agrees_with_erfc_where_that_does_not_underflow() {
        for i in -500..500 {
            let x = f64::from(i) * 0.01;
            let expected = (x * x).exp() * statrs::function::erf::erfc(x);
            // statrs itself is off by 1e-10 (at x = 0.5, against the C library).
            assert!((erfcx(x) / expected - 1.0).abs() < 1e-9, "{x}: {} {expected}", erfcx(x));
        }
    }

    #[test]
    fn erfcx_agrees_with_the_c_library() {
        // exp(x²) erfc(x) with the C mathematics library's erfc (glibc, called from Python).
        let pairs = [
            (-2.5, 1_035.814_842_972_622_7),
            (-1.83, 56.667_955_797_365_316),
            (-0.3, 1.453_749_232_842_765_7),
            (0.2, 0.809_019_519_901_580_7),
            (0.46, 0.636_787_383_832_713),
            (0.6, 0.567_804_717_386_589_6),
            (1.5, 0.321_585_416_454_317_54),
            (3.9, 0.140_314_181_600_689_73),
            (4.1, 0.133_834_116_418_652_2),
            (10.0, 0.056_140_992_743_822_594),
        ];
        for (x, expected) in pairs {
            assert!((erfcx(x) / expected - 1.0).abs() < 1e-14, "{x}");
        }
    }

    #[test]
    fn erfcx_far_out_follows_the_asymptotic_series() {
        // Abramowitz & Stegun 7.1.23 (from memory): erfcx(x) ~ (1 - 1/(2x²) + 3/(4x⁴) - ...) / (x sqrt(pi)).
        for x in [30.0_f64, 100.0, 1e4] {
            let i = 1.0 / (x * x);
            let series = FRAC_1_SQRT_PI / x * (1.0 - 0.5 * i + 0.75 * i * i - 1.875 * i * i * i);
            assert!((erfcx(x) / series - 1.0).abs() < 1e-10);
        }
    }

    #[test]
    fn the_table_is_the_function() {
        let table = ScaledTail::new();
        for i in -4000..4000 {
            let x = f64::from(i) / 1000.0 + 1e-7;
            let (value, exact) = (table.at(x).unwrap_or(f64::NAN), erfcx(x));
            assert!((value / exact - 1.0).abs() < 1e-11, "{x}: {value} {exact}");
        }
        assert_eq!(table.at(-4.1), None);
        assert_eq!(table.at(4.1), None);
        assert_eq!(table.at(f64::NAN), None);
    }

    #[test]
    fn tail_ratio_is_one_at_the_same_point_and_falls() {
        for a in [-3.0, 0.0, 5.0, 60.0] {
            assert!((normal_tail_ratio(a, a) - 1.0).abs() < 1e-14);
            assert!(normal_tail_ratio(a + 0.1, a) < 1.0);
            let slope = (normal_tail_ratio(a, a) - normal_tail_ratio(a + 1e-6, a)) / 1e-6;
            assert!((slope / normal_density_ratio(a, a) - 1.0).abs() < 1e-3);
        }
    }
}
