//! The trip as columns: one list of names and units, one list of fields, in the same order.
//!
//! Null stands for 'not known'. Misfire columns are null where the source has no counters, and the columns of the
//! second bank where it has no sample.

use std::ops::Range;

use crate::tables::samples::MAX_CYLINDERS;
use crate::tables::trips::{AirSource, BANKS, Band, BandSums, Moments, Trip};

use super::schema::{Column, Kind};

/// Numbers of a trip.
pub(super) const NUMBERS: usize = 133;

/// Positions of the misfire counts among the numbers.
const MISFIRES: Range<usize> = 22..46;

/// Positions of the second bank's sums among the numbers.
const SECOND_BANK: Range<usize> = 94..NUMBERS;

/// Units of [`BandSums::FIELDS`]; airflow counts in multiples of the nominal idle airflow.
const BAND_UNITS: [&str; 13] = [
    "count",
    "log-%",
    "log-%²",
    "%",
    "%²",
    "%",
    "%²",
    "idle",
    "idle²",
    "1/idle",
    "1/idle²",
    "log-%/idle",
    "log-%·idle",
];

/// All columns of the trip table in storage order.
pub(super) fn columns() -> Vec<Column> {
    let mut columns = Vec::new();
    columns.extend(["vehicle", "trip", "source", "recipe"].map(|n| Column::key(n, Kind::Text)));
    columns.extend(["start", "end"].map(|n| Column::key(n, Kind::Time)));
    columns.extend(["rows", "gated"].map(|n| Column::key(n, Kind::Long)));
    columns.push(Column::key("air_source", Kind::Text));
    let flags = ["loop_inferred", "fuel_from_airflow", "has_misfire"];
    columns.extend(flags.map(|n| Column::key(n, Kind::Flag)));
    columns.extend(number_names().into_iter().map(|(n, u)| Column::optional(n, Kind::Double, u)));
    columns
}

/// Names and units of the numbers of a trip, in the order of [`numbers`].
pub(super) fn number_names() -> Vec<(String, &'static str)> {
    let mut names: Vec<(String, &'static str)> = [
        ("seconds", "s"),
        ("engine_s", "s"),
        ("idle_s", "s"),
        ("km", "km"),
        ("fuel_l", "L"),
        ("stops", "count"),
        ("start_coolant_c", "°C"),
    ]
    .map(|(n, u)| (n.to_owned(), u))
    .to_vec();
    let moments = |name: &str, unit, square| {
        [("n", "count"), ("sum", unit), ("sq", square)].map(|(f, u)| (format!("{name}_{f}"), u))
    };
    names.extend(moments("ambient_c", "°C", "°C²"));
    names.extend(moments("ethanol_pct", "%", "%²"));
    names.push(("odometer_km".to_owned(), "km"));
    for (counter, unit) in
        [("km_since_clear", "km"), ("warmups_since_clear", "count"), ("min_since_clear", "min")]
    {
        names.extend(["first", "last"].map(|end| (format!("{counter}_{end}"), unit)));
    }
    names.extend(["revs_warm", "revs_cold"].map(|n| (n.to_owned(), "rev")));
    for heat in ["warm", "cold"] {
        names.extend((1..=MAX_CYLINDERS).map(|c| (format!("misfire_{heat}_c{c}"), "count")));
    }
    names.extend(moments("idle_throttle_pct", "%", "%²"));
    names.extend(moments("breathing_pct", "%", "%²"));
    names.extend(moments("warmup_y", "log-%", "log-%²"));
    for bank in 1..=BANKS {
        for band in Band::ALL {
            let fields = BandSums::FIELDS.iter().zip(BAND_UNITS);
            names.extend(fields.map(|(f, u)| (format!("b{bank}_{}_{f}", band.as_str()), u)));
        }
    }
    names
}

/// Hands every number of a trip to `take`, in the order of [`number_names`].
pub(super) fn each_number<'t>(t: &'t mut Trip, mut take: impl FnMut(&'t mut f64)) {
    take(&mut t.seconds);
    take(&mut t.engine_s);
    take(&mut t.idle_s);
    take(&mut t.km);
    take(&mut t.fuel_l);
    take(&mut t.stops);
    take(&mut t.start_coolant_c);
    moments(&mut t.ambient_c, &mut take);
    moments(&mut t.ethanol_pct, &mut take);
    take(&mut t.odometer_km);
    t.km_since_clear.iter_mut().for_each(&mut take);
    t.warmups_since_clear.iter_mut().for_each(&mut take);
    t.min_since_clear.iter_mut().for_each(&mut take);
    take(&mut t.revs_warm);
    take(&mut t.revs_cold);
    t.misfire_warm.iter_mut().for_each(&mut take);
    t.misfire_cold.iter_mut().for_each(&mut take);
    moments(&mut t.idle_throttle_pct, &mut take);
    moments(&mut t.breathing_pct, &mut take);
    moments(&mut t.warmup_y, &mut take);
    t.bands.iter_mut().flatten().for_each(|band| band_sums(band, &mut take));
}

/// The numbers of a trip, in the order of [`number_names`].
pub(super) fn numbers(trip: &mut Trip) -> Vec<&mut f64> {
    let mut all = Vec::with_capacity(NUMBERS);
    each_number(trip, |x| all.push(x));
    all
}

fn moments<'t>(m: &'t mut Moments, take: &mut impl FnMut(&'t mut f64)) {
    take(&mut m.n);
    take(&mut m.sum);
    take(&mut m.sq);
}

/// In the order of [`BandSums::FIELDS`].
fn band_sums<'t>(s: &'t mut BandSums, take: &mut impl FnMut(&'t mut f64)) {
    take(&mut s.n);
    take(&mut s.y);
    take(&mut s.yy);
    take(&mut s.st);
    take(&mut s.stst);
    take(&mut s.lt);
    take(&mut s.ltlt);
    take(&mut s.m);
    take(&mut s.mm);
    take(&mut s.u);
    take(&mut s.uu);
    take(&mut s.uy);
    take(&mut s.my);
}

/// The numbers as they are stored: `None` where null.
pub(super) fn stored(trip: &Trip) -> Vec<Option<f64>> {
    let mut copy = trip.clone();
    let known = |x: &mut f64| (!x.is_nan()).then_some(*x);
    let mut values: Vec<Option<f64>> = numbers(&mut copy).into_iter().map(known).collect();
    if !trip.has_misfire {
        values[MISFIRES].fill(None);
    }
    if trip.bands[1].iter().all(|b| b.n == 0.0) {
        values[SECOND_BANK].fill(None);
    }
    values
}

/// A trip in which everything that may be unknown is, to be filled from what is stored.
pub(super) fn blank() -> Trip {
    Trip {
        fuel_l: f64::NAN,
        start_coolant_c: f64::NAN,
        odometer_km: f64::NAN,
        km_since_clear: [f64::NAN; 2],
        warmups_since_clear: [f64::NAN; 2],
        min_since_clear: [f64::NAN; 2],
        ..Trip::default()
    }
}

const AIR_SOURCES: [(AirSource, &str); 4] = [
    (AirSource::None, "none"),
    (AirSource::Sensor, "sensor"),
    (AirSource::AbsoluteLoad, "absolute_load"),
    (AirSource::SpeedDensity, "speed_density"),
];

/// Name of an air source as stored.
pub(super) fn air_source_name(source: AirSource) -> &'static str {
    AIR_SOURCES.iter().find(|(s, _)| *s == source).map_or("none", |(_, n)| n)
}

/// The inverse of [`air_source_name`]; a name that is not known means none.
pub(super) fn air_source_by_name(name: &str) -> AirSource {
    AIR_SOURCES.iter().find(|(_, n)| *n == name).map_or(AirSource::None, |(s, _)| *s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_and_fields_line_up() {
        let names = number_names();
        let mut trip = Trip::default();
        assert_eq!(names.len(), NUMBERS);
        for (i, x) in numbers(&mut trip).into_iter().enumerate() {
            *x = i as f64;
        }
        let at = |name: &str| names.iter().position(|(n, _)| n == name).unwrap() as f64;
        assert_eq!(trip.misfire_warm[0], at("misfire_warm_c1"));
        assert_eq!(trip.misfire_cold[11], at("misfire_cold_c12"));
        assert_eq!(trip.min_since_clear[1], at("min_since_clear_last"));
        assert_eq!(trip.odometer_km, at("odometer_km"));
        assert_eq!(trip.breathing_pct.sq, at("breathing_pct_sq"));
        assert_eq!(trip.bands[1][0].n, at("b2_idle_n"));
        assert_eq!(trip.bands[1][2].my, at("b2_load_my"));
        assert_eq!(trip.bands[0][1].to_array()[7], at("b1_cruise_m"));
        assert_eq!(names[MISFIRES.start].0, "misfire_warm_c1");
        assert_eq!(names[MISFIRES.end - 1].0, "misfire_cold_c12");
        assert_eq!(names[SECOND_BANK.start].0, "b2_idle_n");
    }
}
