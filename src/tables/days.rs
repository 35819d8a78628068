//! The vehicle-day: what the trips of one vehicle that start on one UTC day add up to.
//!
//! Sums do not depend on the order in which trips are added: every addend is first rounded to a multiple of 2⁻²⁰, so
//! that double-precision addition is exact below 2³² (52 significant bits) and therefore associative.

use super::samples::MAX_CYLINDERS;
use super::trips::{BANKS, BandSums, Moments, Trip};

/// Microseconds of a day.
const DAY_US: i64 = 86_400_000_000;

/// Day of a time, days since 1970-01-01 UTC, from microseconds.
pub fn day_of(time_us: i64) -> i32 {
    time_us.div_euclid(DAY_US) as i32
}

/// `x` rounded to a multiple of 2⁻²⁰ (about 1e-6), see the head of this file. Sums of a trip are far below 2³¹, from where on
/// this is no longer the nearest one.
fn exact(x: f64) -> f64 {
    const SCALE: f64 = (1u64 << 20) as f64;
    // A double of this size has no places after the point, so adding it rounds to nearest (IEEE 754): quicker than a call
    // for each of the fifty sums of a trip.
    const WHOLE: f64 = 1.5 * (1u64 << 52) as f64;
    ((x * SCALE + WHOLE) - WHOLE) / SCALE
}

/// Sums over the gated samples of one bank in one band, without the squares.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DayBand {
    /// Number of samples.
    pub n: f64,
    /// Sum of total trim, log-percent.
    pub y: f64,
    /// Sum of airflow in multiples of the nominal idle airflow.
    pub m: f64,
}

/// What airflow does to trim within a drive: sums of products around each trip's own mean in each band, added over
/// trips and bands, of `u` (one over airflow), `m` (airflow in multiples of nominal idle airflow) and `y` (total trim).
///
/// Whatever moves a trip as a whole (weather, fuel, a tank's vapour) is not in them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Within {
    /// Of `u` with itself.
    pub uu: f64,
    /// Of `u` with `m`.
    pub um: f64,
    /// Of `m` with itself.
    pub mm: f64,
    /// Of `u` with `y`.
    pub uy: f64,
    /// Of `m` with `y`.
    pub my: f64,
}

impl Within {
    /// Adds the samples of one trip in one band; fewer than three say nothing.
    fn add(&mut self, b: &BandSums) {
        if b.n < 3.0 {
            return;
        }
        self.uu += exact(b.uu - b.u * b.u / b.n);
        // The sum of u times m is the number of samples.
        self.um += exact(b.n - b.u * b.m / b.n);
        self.mm += exact(b.mm - b.m * b.m / b.n);
        self.uy += exact(b.uy - b.u * b.y / b.n);
        self.my += exact(b.my - b.m * b.y / b.n);
    }

    fn merge(&mut self, other: &Within) {
        self.uu += other.uu;
        self.um += other.um;
        self.mm += other.mm;
        self.uy += other.uy;
        self.my += other.my;
    }
}

/// One bank over a day.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct DayBank {
    /// By band.
    pub bands: [DayBand; 3],
    /// Over all bands.
    pub within: Within,
}

impl DayBank {
    const NONE: DayBank = DayBank {
        bands: [DayBand { n: 0.0, y: 0.0, m: 0.0 }; 3],
        within: Within { uu: 0.0, um: 0.0, mm: 0.0, uy: 0.0, my: 0.0 },
    };

    fn of(bands: &[BandSums; 3]) -> DayBank {
        let mut within = Within::default();
        bands.iter().for_each(|b| within.add(b));
        let exactly = |b: &BandSums| DayBand { n: exact(b.n), y: exact(b.y), m: exact(b.m) };
        DayBank { bands: bands.each_ref().map(exactly), within }
    }

    fn merge(&mut self, other: &DayBank) {
        for (a, b) in self.bands.iter_mut().zip(&other.bands) {
            a.n += b.n;
            a.y += b.y;
            a.m += b.m;
        }
        self.within.merge(&other.within);
    }
}

/// Number and sum.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Sum {
    /// Number of values.
    pub n: u32,
    /// Sum of values.
    pub sum: f64,
}

impl Sum {
    fn of(m: &Moments) -> Sum {
        Sum { n: m.n as u32, sum: exact(m.sum) }
    }

    /// Mean, or `None` without a value.
    pub fn mean(&self) -> Option<f64> {
        (self.n > 0).then(|| self.sum / f64::from(self.n))
    }
}

/// A value that is read at the beginning and the end of each trip, over a day.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// At the start of the earliest trip that has it; `NaN` if none has.
    pub first: f32,
    /// At the end of the latest trip that has it.
    pub last: f32,
    /// Lowest.
    pub min: f32,
    /// Highest.
    pub max: f32,
    /// Start of the earliest trip that has it, milliseconds of the day.
    first_ms: u32,
    /// Start of the latest.
    last_ms: u32,
}

impl Default for Reading {
    fn default() -> Reading {
        let nan = f32::NAN;
        Reading { first: nan, last: nan, min: nan, max: nan, first_ms: u32::MAX, last_ms: 0 }
    }
}

impl Reading {
    fn one(ends: [f64; 2], ms: u32) -> Reading {
        let [first, last] = ends.map(|x| x as f32);
        if first.is_nan() || last.is_nan() {
            return Reading::default();
        }
        let (min, max) = (first.min(last), first.max(last));
        Reading { first, last, min, max, first_ms: ms, last_ms: ms }
    }

    fn merge(&mut self, other: &Reading) {
        if other.first.is_nan() {
            return;
        }
        if self.first.is_nan() {
            *self = *other;
            return;
        }
        // Trips that start together are told apart by the value, so that the order of adding never matters.
        if (other.first_ms, other.first) < (self.first_ms, self.first) {
            (self.first_ms, self.first) = (other.first_ms, other.first);
        }
        if (other.last_ms, other.last) > (self.last_ms, self.last) {
            (self.last_ms, self.last) = (other.last_ms, other.last);
        }
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
    }
}

/// Misfires of a day by cylinder.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Misfires {
    /// With a warm engine.
    pub warm: [f32; MAX_CYLINDERS],
    /// With a cold engine.
    pub cold: [f32; MAX_CYLINDERS],
}

/// One vehicle on one day.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Day {
    /// Days since 1970-01-01, UTC, of the trips' starts.
    pub day: i32,
    /// Trips.
    pub trips: u32,
    /// Samples.
    pub rows: u32,
    /// Samples that passed the gate.
    pub gated: u32,
    /// Distance, km.
    pub km: f64,
    /// Seconds covered by samples.
    pub seconds: f64,
    /// Times the vehicle came to a stand.
    pub stops: f64,
    /// Fuel used in the trips that know it, litres.
    pub fuel_l: f64,
    /// Distance of those trips, km.
    pub fuel_km: f64,
    /// Some of the fuel was computed from airflow.
    pub fuel_from_airflow: bool,
    /// Some trip had its closed loop inferred.
    pub loop_inferred: bool,
    /// Odometer at the end of the latest trip that has it, km; `NaN` if none has.
    pub odometer_km: f64,
    odometer_ms: u32,
    /// Ambient temperature over samples, °C.
    pub ambient_c: Sum,
    /// Coolant at the start of each trip, °C.
    pub start_coolant_c: Sum,
    /// Distance since codes were cleared, km.
    pub km_since_clear: Reading,
    /// Warm-ups since codes were cleared.
    pub warmups_since_clear: Reading,
    /// Minutes since codes were cleared.
    pub min_since_clear: Reading,
    /// Warm revolutions of trips with misfire counters: the exposure of [`Day::misfires`].
    pub counted_revs_warm: f64,
    /// Cold revolutions of trips with misfire counters.
    pub counted_revs_cold: f64,
    /// Misfires by cylinder; `None` if there was none.
    pub misfires: Option<Box<Misfires>>,
    /// Throttle angle at warm gated idle, percent.
    pub idle_throttle_pct: Sum,
    /// Breathing near full throttle, percent.
    pub breathing_pct: Sum,
    /// Total trim in closed loop while warming up, log-percent.
    pub warmup_y: Sum,
    first_bank: DayBank,
    /// Most engines have one bank, and there are millions of days.
    second_bank: Option<Box<DayBank>>,
}

impl Day {
    /// The day of one trip.
    pub fn of(trip: &Trip) -> Day {
        let day = day_of(trip.start_us);
        let ms = (trip.start_us.rem_euclid(DAY_US) / 1000) as u32;
        let known = !trip.fuel_l.is_nan();
        let counted = |revs: f64| if trip.has_misfire { exact(revs) } else { 0.0 };
        Day {
            day,
            trips: 1,
            rows: u32::try_from(trip.rows).unwrap_or(u32::MAX),
            gated: u32::try_from(trip.gated).unwrap_or(u32::MAX),
            km: exact(trip.km),
            seconds: exact(trip.seconds),
            stops: exact(trip.stops),
            fuel_l: if known { exact(trip.fuel_l) } else { 0.0 },
            fuel_km: if known { exact(trip.km) } else { 0.0 },
            fuel_from_airflow: known && trip.fuel_from_airflow,
            loop_inferred: trip.loop_inferred,
            odometer_km: trip.odometer_km,
            odometer_ms: if trip.odometer_km.is_nan() { 0 } else { ms },
            ambient_c: Sum::of(&trip.ambient_c),
            start_coolant_c: match trip.start_coolant_c {
                c if c.is_nan() => Sum::default(),
                c => Sum { n: 1, sum: exact(c) },
            },
            km_since_clear: Reading::one(trip.km_since_clear, ms),
            warmups_since_clear: Reading::one(trip.warmups_since_clear, ms),
            min_since_clear: Reading::one(trip.min_since_clear, ms),
            counted_revs_warm: counted(trip.revs_warm),
            counted_revs_cold: counted(trip.revs_cold),
            misfires: misfires(trip),
            idle_throttle_pct: Sum::of(&trip.idle_throttle_pct),
            breathing_pct: Sum::of(&trip.breathing_pct),
            warmup_y: Sum::of(&trip.warmup_y),
            first_bank: DayBank::of(&trip.bands[0]),
            second_bank: trip.bands[1]
                .iter()
                .any(|b| b.n > 0.0)
                .then(|| Box::new(DayBank::of(&trip.bands[1]))),
        }
    }

    /// What was seen of a bank, 0 or 1; nothing of one that the engine lacks.
    pub fn bank(&self, bank: usize) -> &DayBank {
        match bank {
            0 => &self.first_bank,
            _ => self.second_bank.as_deref().unwrap_or(&DayBank::NONE),
        }
    }

    /// Of all banks.
    pub fn banks(&self) -> [&DayBank; BANKS] {
        std::array::from_fn(|bank| self.bank(bank))
    }

    /// One bank, to be changed.
    pub fn bank_mut(&mut self, bank: usize) -> &mut DayBank {
        match bank {
            0 => &mut self.first_bank,
            _ => self.second_bank.get_or_insert_default(),
        }
    }

    /// Adds other trips of the same vehicle and day; the order of adding does not matter.
    pub fn merge(&mut self, other: &Day) {
        self.trips += other.trips;
        self.rows = self.rows.saturating_add(other.rows);
        self.gated = self.gated.saturating_add(other.gated);
        self.km += other.km;
        self.seconds += other.seconds;
        self.stops += other.stops;
        self.fuel_l += other.fuel_l;
        self.fuel_km += other.fuel_km;
        self.fuel_from_airflow |= other.fuel_from_airflow;
        self.loop_inferred |= other.loop_inferred;
        let later = (other.odometer_ms, other.odometer_km) > (self.odometer_ms, self.odometer_km);
        if later || (self.odometer_km.is_nan() && !other.odometer_km.is_nan()) {
            (self.odometer_ms, self.odometer_km) = (other.odometer_ms, other.odometer_km);
        }
        for (a, b) in [
            (&mut self.ambient_c, &other.ambient_c),
            (&mut self.start_coolant_c, &other.start_coolant_c),
            (&mut self.idle_throttle_pct, &other.idle_throttle_pct),
            (&mut self.breathing_pct, &other.breathing_pct),
            (&mut self.warmup_y, &other.warmup_y),
        ] {
            a.n = a.n.saturating_add(b.n);
            a.sum += b.sum;
        }
        self.km_since_clear.merge(&other.km_since_clear);
        self.warmups_since_clear.merge(&other.warmups_since_clear);
        self.min_since_clear.merge(&other.min_since_clear);
        self.counted_revs_warm += other.counted_revs_warm;
        self.counted_revs_cold += other.counted_revs_cold;
        if let Some(more) = &other.misfires {
            let mine = self.misfires.get_or_insert_default();
            for i in 0..MAX_CYLINDERS {
                mine.warm[i] += more.warm[i];
                mine.cold[i] += more.cold[i];
            }
        }
        self.first_bank.merge(&other.first_bank);
        if let Some(more) = &other.second_bank {
            self.bank_mut(1).merge(more);
        }
    }
}

fn misfires(trip: &Trip) -> Option<Box<Misfires>> {
    let some = trip.misfire_warm.iter().chain(&trip.misfire_cold).any(|n| *n > 0.0);
    some.then(|| {
        let whole = |x: f64| x.round() as f32;
        let (warm, cold) = (trip.misfire_warm.map(whole), trip.misfire_cold.map(whole));
        Box::new(Misfires { warm, cold })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trip(k: u64) -> Trip {
        let x = |n: u64| ((k * 7919 + n * 104_729) % 1_000_003) as f64 / 977.0;
        let mut trip = Trip {
            start_us: 5 * DAY_US + (k % 17) as i64 * 1_000_000,
            rows: k,
            km: x(1),
            fuel_l: if k.is_multiple_of(3) { f64::NAN } else { x(2) },
            odometer_km: x(3),
            km_since_clear: [x(4), x(5)],
            has_misfire: true,
            revs_warm: x(6),
            ..Trip::default()
        };
        trip.misfire_warm[2] = (k % 4) as f64;
        let sums = BandSums { n: x(7).floor(), y: x(8), m: x(9), ..BandSums::default() };
        if k.is_multiple_of(3) {
            trip.bands[1][2] = BandSums { n: x(15).floor(), y: x(16), m: x(17), ..sums };
        }
        trip.bands[0][1] =
            BandSums { u: x(10), uu: x(11), mm: x(12), uy: x(13), my: x(14), ..sums };
        trip
    }

    #[test]
    fn the_order_of_adding_does_not_matter() {
        let trips: Vec<Trip> = (1..200).map(trip).collect();
        let sum = |order: &mut dyn Iterator<Item = &Trip>| {
            order.map(Day::of).reduce(|mut a, b| {
                a.merge(&b);
                a
            })
        };
        let forward = sum(&mut trips.iter());
        assert_eq!(forward, sum(&mut trips.iter().rev()));
        let (low, high) = trips.split_at(77);
        let mut halves = sum(&mut high.iter()).unwrap();
        halves.merge(&sum(&mut low.iter()).unwrap());
        assert_eq!(forward, Some(halves));
        let km: f64 = trips.iter().map(|t| t.km).sum();
        assert!((forward.unwrap().km - km).abs() < 199.0 * 0.5 / f64::from(1 << 20));
    }

    #[test]
    fn products_within_trips_do_not_see_the_level_of_a_trip() {
        // y = level + 2 u + 3 m on four samples per trip: products around means give the slopes back, whatever
        // the levels and whichever airflow each trip was driven at.
        let trip = |level: f64, at: [f64; 4]| {
            let mut b = BandSums::default();
            for m in at {
                let (u, y) = (1.0 / m, level + 2.0 / m + 3.0 * m);
                b.merge(&BandSums {
                    n: 1.0,
                    y,
                    m,
                    mm: m * m,
                    u,
                    uu: u * u,
                    uy: u * y,
                    my: m * y,
                    ..BandSums::default()
                });
            }
            let mut trip = Trip::default();
            trip.bands[0][1] = b;
            Day::of(&trip)
        };
        let mut day = trip(-40.0, [1.0, 1.5, 2.0, 4.0]);
        day.merge(&trip(25.0, [2.0, 3.0, 5.0, 5.5]));
        let w = day.bank(0).within;
        assert!((w.uy - 2.0 * w.uu - 3.0 * w.um).abs() < 1e-4, "{w:?}");
        assert!((w.my - 2.0 * w.um - 3.0 * w.mm).abs() < 1e-4, "{w:?}");
        assert!(w.uu > 0.1 && w.mm > 10.0, "{w:?}");
    }

    #[test]
    fn a_day_begins_at_midnight_utc() {
        assert_eq!(day_of(-1), -1);
        assert_eq!(day_of(0), 0);
        assert_eq!(day_of(DAY_US), 1);
    }
}
