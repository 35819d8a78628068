//! The sequential test against a vector computed by an independent implementation, and against itself
//! on cut histories.

use std::path::Path;

use proptest::prelude::*;
use trimdrift::stats::sequential::{
    AdjustedRow, Blocks, Break, DayRow, Direction, Noise, Params, SeriesInput, SeriesOutcome,
    Workspace, common_drift, log_limit, run, slope_posterior,
};

fn numbers(name: &str) -> Vec<Vec<f64>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/statistics");
    let text = std::fs::read_to_string(folder.join(name)).unwrap();
    let cell = |c: &str| {
        if c.is_empty() { f64::NAN } else { c.parse().unwrap() }
    };
    text.lines().skip(1).map(|line| line.split(',').map(cell).collect()).collect()
}

/// Night by night: log ratio, unguarded log ratio, best ramp, best step to 1e-6; interval to 0.005.
///
/// The interval's step inflation counts weeks per 10,000 km from this vehicle's first row, the
/// vector counts them from day 0: 0.1 to 0.2 % apart.
#[test]
fn every_night_of_the_reference_vector() {
    let params = Params::of_the_study();
    let noise = Noise { sigma: 1.6, phi: 0.5, kappa: 1.3 };
    let input = numbers("sequential_vector_in.csv");
    let rows: Vec<AdjustedRow> = input
        .iter()
        .map(|c| AdjustedRow {
            day: c[0] as i32,
            x: c[1] / 1e4,
            m: c[3],
            r: c[2] - c[3],
            weight: 1.0,
        })
        .collect();
    let mut work = Workspace::default();
    let (mut nights, mut intervals) = (0, 0);
    for expected in numbers("sequential_vector_out.csv") {
        let night = expected[0] as i32;
        let seen = rows.partition_point(|row| row.day <= night);
        let blocks = Blocks::from_rows(&rows[..seen], &[], &noise, &params);
        let look = work.look(&blocks, &params);
        let found = [look.log_r_up, look.log_unguarded_up, look.max_log_ramp_up, look.max_log_step];
        for (found, expected) in found.iter().zip(&expected[1..5]) {
            assert!((found - expected).abs() < 1e-6, "night {}: {found} {expected}", expected);
        }
        nights += 1;
        if !expected[5].is_nan() {
            let reference_sd = input[seen - 1][4];
            let up = Direction::Up;
            let slope =
                slope_posterior(&blocks, up, night, reference_sd, &params, &mut work).unwrap();
            for (found, expected) in [slope.lo, slope.mid, slope.hi].iter().zip(&expected[5..]) {
                assert!((found - expected).abs() < 0.005, "{found} {expected}");
            }
            intervals += 1;
        }
    }
    assert_eq!(nights, 1005);
    assert!(intervals > 60);
}

/// Made-up series: a slow common wave, noise, and for some a ramp.
fn made_up(vehicles: usize, days: i32, seed: u64) -> Vec<SeriesInput> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut uniform = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..vehicles)
        .map(|i| {
            let slope = if i % 3 == 0 { 8.0 } else { 0.0 };
            let onset = 60 + (uniform() * 150.0) as i32;
            let (mut x, mut x_onset, mut noise) = (uniform() * 5.0, 0.0, 0.0);
            let mut rows = Vec::new();
            for day in 0..days {
                x += 0.01 * uniform();
                if day == onset {
                    x_onset = x;
                }
                noise = 0.5 * noise + 2.0 * (uniform() + uniform() - 1.0);
                let ramp = if day > onset { slope * (x - x_onset) } else { 0.0 };
                let wave = (f64::from(day) / 58.0).sin();
                if uniform() < 0.74 {
                    rows.push(DayRow { day, x, y: wave + noise + ramp, weight: 1.0 });
                }
            }
            SeriesInput {
                group: i % 2,
                rows,
                breaks: if i % 4 == 1 { vec![work_on(140)] } else { Vec::new() },
                restarts: if i % 5 == 3 { vec![200] } else { Vec::new() },
                log_limit_up: log_limit(1.0),
                log_limit_down: log_limit(1.0),
                slope_margin: f64::INFINITY,
                report_days: vec![180, 300],
            }
        })
        .collect()
}

/// What was decided and reported up to a day must not depend on what came after.
fn decided(outcome: &SeriesOutcome, day: i32) -> String {
    let mut text = String::new();
    for direction in [&outcome.up, &outcome.down] {
        let flags = direction.earlier_flags.iter().chain(&direction.flag);
        for flag in flags.filter(|flag| flag.day <= day) {
            text += &format!("{flag:?}");
        }
        for report in direction.reports.iter().filter(|report| report.0 <= day) {
            text += &format!("{report:?}");
        }
    }
    for row in outcome.residuals.iter().filter(|row| row.day <= day) {
        text += &format!("{row:?}");
    }
    text
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    /// A run that ends on any day decides the same up to that day, rows after it or not.
    #[test]
    fn later_rows_change_nothing_that_was_decided(
        seed in 1_u64..10_000, cut in 100_i32..420, nightly in any::<bool>(),
    ) {
        let params = Params { nightly, ..Params::default() };
        let series = made_up(14, 430, seed);
        let full = run(&series, &params, 429);
        let stopped = run(&series, &params, cut);
        let mut truncated = series.clone();
        for s in &mut truncated {
            s.rows.retain(|row| row.day <= cut);
        }
        let truncated = run(&truncated, &params, cut);
        prop_assert_eq!(&stopped, &truncated);
        for (full, stopped) in full.iter().zip(&stopped) {
            prop_assert_eq!(decided(full, cut), decided(stopped, cut));
        }
    }
}

#[test]
fn planted_ramps_are_flagged_and_threads_do_not_matter() {
    let series = made_up(30, 500, 7);
    let outcomes = run(&series, &Params::default(), 499);
    let found = outcomes.iter().step_by(3).filter(|o| o.up.flag.is_some()).count();
    assert!(found >= 8, "only {found} of 10 ramps found");
    let repaired = &outcomes[3];
    assert!(repaired.residuals.len() > repaired.rows, "the repair on day 200 must be forgotten");
    let one_thread = rayon::ThreadPoolBuilder::new().num_threads(1).build().unwrap();
    let alone = one_thread.install(|| run(&series, &Params::default(), 499));
    assert_eq!(outcomes, alone);
}

#[test]
fn nightly_looks_never_flag_later_than_the_weekly_rule() {
    let series = made_up(30, 500, 11);
    let weekly = run(&series, &Params::default(), 499);
    let nightly = run(&series, &Params { nightly: true, ..Params::default() }, 499);
    for (weekly, nightly) in weekly.iter().zip(&nightly) {
        if let Some(flag) = weekly.up.flag {
            assert!(nightly.up.flag.is_some_and(|night| night.day <= flag.day));
        }
    }
}

/// Turning every series upside down must turn the two directions around and nothing else.
#[test]
fn downward_is_upward_in_the_mirror() {
    let series = made_up(20, 450, 5);
    let mut mirrored = series.clone();
    for row in mirrored.iter_mut().flat_map(|s| &mut s.rows) {
        row.y = -row.y;
    }
    let outcomes = run(&series, &Params::default(), 449);
    let turned = run(&mirrored, &Params::default(), 449);
    let mut flags = 0;
    for (outcome, turned) in outcomes.iter().zip(&turned) {
        assert_eq!(outcome.up.flag.map(|f| f.day), turned.down.flag.map(|f| f.day));
        if let (Some(up), Some(down)) = (outcome.up.slope, turned.down.slope) {
            assert!((up.lo + down.hi).abs() < 1e-6 && (up.mid + down.mid).abs() < 1e-6);
            assert_eq!(up.onset_mid, down.onset_mid);
        }
        flags += usize::from(outcome.up.flag.is_some());
    }
    assert!(flags > 0);
}

/// A limit that no evidence reaches, so that nothing is decided.
const OUT_OF_REACH: f64 = 1e9;

fn work_on(day: i32) -> Break {
    Break { day, share: 0.15 }
}

/// Made-up series of 400 days without log entries, on which the evidence adds up for ever.
fn undecided(vehicles: usize, seed: u64) -> Vec<SeriesInput> {
    let mut series = made_up(vehicles, 400, seed);
    for s in &mut series {
        s.breaks.clear();
        s.restarts.clear();
        s.log_limit_up = OUT_OF_REACH;
        s.log_limit_down = OUT_OF_REACH;
    }
    series
}

/// A jump explains itself when its day is logged; the noise is found; a level change is measured.
#[test]
fn a_logged_jump_is_no_drift() {
    let mut series = undecided(30, 23);
    for row in series[1].rows.iter_mut().filter(|row| row.day >= 320) {
        row.y += 4.0;
    }
    let unlogged = run(&series, &Params::default(), 399);
    series[1].breaks = vec![work_on(320)];
    let logged = run(&series, &Params::default(), 399);
    let (before, after) = (unlogged[1].up.log_r.unwrap(), logged[1].up.log_r.unwrap());
    assert!(after < before, "the log entry must lower the evidence: {before} {after}");
    let level = logged[1].level.unwrap();
    assert!((level.change - 4.0).abs() < 4.0 * level.sd, "{level:?}");
    for outcome in &logged {
        // Uniform triangle noise of sd 2/sqrt(6), correlation .5: marginal sd 0.943.
        assert!((outcome.noise.sigma / 0.943).ln().abs() < 0.25, "{:?}", outcome.noise);
    }
}

/// Without limits a series is only followed: what is told of its last day is the same as if it had been looked at (where
/// every series takes part in the last refit, as all that are only followed do).
#[test]
fn a_series_that_is_only_followed_ends_as_one_that_is_tested() {
    let tested: Vec<SeriesInput> = undecided(30, 41)
        .into_iter()
        .map(|s| SeriesInput { slope_margin: f64::INFINITY, ..s })
        .collect();
    let unlimited = |s: SeriesInput| SeriesInput {
        log_limit_up: f64::INFINITY,
        log_limit_down: f64::INFINITY,
        ..s
    };
    let followed: Vec<SeriesInput> = tested.iter().cloned().map(unlimited).collect();
    let params = Params { refit_growth: 0.0, ..Params::default() };
    let (a, b) = (run(&tested, &params, 399), run(&followed, &params, 399));
    for (a, b) in a.iter().zip(&b) {
        assert!(a.looks > 0 && b.looks == 0 && b.up.log_r.is_none());
        assert_eq!((&a.residuals, a.noise, a.level), (&b.residuals, b.noise, b.level));
        assert_eq!((a.up.slope, a.down.slope), (b.up.slope, b.down.slope));
        assert!(a.up.slope.is_some());
    }
}

/// A pilot vehicle that had no peers through half a season is not flagged for it when peers arrive.
#[test]
fn a_season_without_peers_is_no_drift_once_peers_arrive() {
    let params = Params { no_reference_sd: 1.3, weather_sd: 0.7, ..Params::default() };
    let rows = |from: i32, km: f64| -> Vec<DayRow> {
        let season = |day: i32| 2.5 * (std::f64::consts::TAU * f64::from(day) / 365.0).cos();
        let noise = |day: i32| 0.6 * f64::from((day * 7919) % 11 - 5) / 5.0;
        let row = |day: i32| DayRow {
            day,
            x: f64::from(day - from) * km / 10_000.0,
            y: -season(day) + noise(day + km as i32),
            weight: 1.0,
        };
        (from..400).map(row).collect()
    };
    let series: Vec<SeriesInput> = (0..12)
        .map(|i| SeriesInput {
            group: 0,
            rows: rows(if i == 0 { 0 } else { 180 }, 40.0 + f64::from(i)),
            breaks: Vec::new(),
            restarts: Vec::new(),
            log_limit_up: log_limit(100.0),
            log_limit_down: log_limit(100.0),
            slope_margin: 0.0,
            report_days: Vec::new(),
        })
        .collect();
    let without = Params { weather_sd: f64::INFINITY, ..params.clone() };
    assert!(run(&series, &without, 399)[0].up.flag.is_some(), "the season is in its history");
    assert!(run(&series, &params, 399)[0].up.flag.is_none());
}

/// Noise with a long tail on one side moves no reference: sound series end where they began, on the whole.
#[test]
fn skewed_noise_moves_no_reference() {
    let mut state = 43_u64.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut exponential = move || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        -(1.0 - (state >> 11) as f64 / (1_u64 << 53) as f64).ln()
    };
    for side in [1.0, -1.0] {
        let mut series = undecided(24, 47);
        for (i, s) in series.iter_mut().enumerate() {
            s.group = 0;
            // Recorded work makes a level be learned anew.
            s.breaks = (1..7).map(|k| work_on(150 * k + 5 * i as i32)).collect();
            s.rows = (0..1000)
                .map(|day| DayRow {
                    day,
                    x: f64::from(day) / 200.0,
                    y: side * exponential(),
                    weight: 1.0,
                })
                .collect();
        }
        let outcomes = run(&series, &Params::default(), 999);
        let changes: Vec<f64> = outcomes.iter().map(|o| o.level.unwrap().change).collect();
        let mean = changes.iter().sum::<f64>() / changes.len() as f64;
        // A change of 28 days against 56 of unit sd has sd 0.23; the mean of 24 has 0.05, and its reference as much.
        assert!(mean.abs() < 0.25, "{side} {mean}");
    }
}

/// Work that changed nothing explains a ramp away less when little recorded work is declared to move the level.
#[test]
fn a_record_hides_little_of_a_drift() {
    let mut series = undecided(60, 37);
    let mut evidence = |share| -> Vec<f64> {
        series.iter_mut().for_each(|s| s.breaks = vec![Break { day: 230, share }]);
        run(&series, &Params::default(), 399).iter().map(|o| o.up.log_r.expect("a look")).collect()
    };
    let (seldom, always) = (evidence(0.15), evidence(0.99));
    // Every third series has a ramp; each record of one that it may explain costs some of its evidence.
    let higher = (0..60).step_by(3).filter(|i| seldom[*i] > always[*i]).count();
    assert!(higher >= 18, "{higher} of 20");
}

/// A large jump speaks less for a drift once such jumps are declared, however rare.
#[test]
fn a_large_jump_is_no_drift() {
    let mut series = undecided(30, 29);
    for (i, s) in series.iter_mut().enumerate().filter(|(i, _)| i % 3 == 1) {
        let jump = 200 + 4 * i as i32;
        s.rows.iter_mut().filter(|row| row.day >= jump).for_each(|row| row.y += 6.0);
    }
    let evidence = |large_steps_per_year| -> Vec<f64> {
        let params = Params { large_steps_per_year, ..Params::default() };
        run(&series, &params, 399).iter().map(|o| o.up.log_r.expect("a look")).collect()
    };
    let (undeclared, declared) = (evidence(0.0), evidence(0.05));
    let lower = (1..30).step_by(3).filter(|i| declared[*i] < undeclared[*i]).count();
    assert!(lower >= 8, "{lower} of 10");
}

/// Drift that all share is seen through unequal mileage, and only then claimed.
#[test]
fn drift_that_all_share() {
    let groups = vec![0; 30];
    let shared = |slope: f64| {
        // Every third made-up series has a ramp of its own: leave those out.
        let with_ramps = made_up(45, 600, 31).into_iter().enumerate();
        let level = with_ramps.filter(|(i, _)| i % 3 != 0).map(|(_, s)| s);
        let mut series: Vec<SeriesInput> = level.collect();
        for (i, s) in series.iter_mut().enumerate() {
            s.group = 0;
            s.breaks.clear();
            s.restarts.clear();
            let start = s.rows[0].x;
            for row in &mut s.rows {
                // Unequal mileage: stretched from vehicle to vehicle.
                row.x = start + (row.x - start) * (0.4 + 0.05 * i as f64);
                row.y += slope * (row.x - start);
            }
        }
        let outcomes = run(&series, &Params::default(), 599);
        common_drift(&groups, &outcomes, &Params::default(), log_limit(100.0), 599)[0]
    };
    let nothing = shared(0.0);
    assert!(nothing.flagged_up.is_none() && nothing.flagged_down.is_none());
    let found = shared(6.0);
    let flag = found.flagged_up.expect("a drift of 6 % per 10,000 km shared by all");
    assert!(flag.slope > 2.0 * flag.standard_error);
}
