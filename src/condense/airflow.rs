//! Airflow of one sample, by the best way the log offers.

use super::{Engine, Row};
use crate::settings::GateSettings;
use crate::tables::samples::Signal;
use crate::tables::trips::AirSource;

/// Density of air at 25 °C and 101.325 kPa, g/L: the reference of absolute load (SAE J1979, PID 43).
pub(super) const ABSOLUTE_LOAD_DENSITY_GL: f64 = 1.184;

/// Specific gas constant of dry air, J/(kg K) (US Standard Atmosphere 1976: 8314.32 / 28.9644).
const GAS_CONSTANT_AIR: f64 = 287.053;

/// Airflow in g/s and where it came from; `NaN` if the log cannot tell.
///
/// Airflow sensor first, then absolute load (`abs_load/100 * 1.184 g/L * displacement * rpm/120`, SAE
/// J1979), then speed-density (`p V VE N / (120 R T)`, four-stroke).
pub(super) fn airflow_gs(row: &Row, engine: &Engine, gate: &GateSettings) -> (f64, AirSource) {
    let rpm = row.get(Signal::Rpm);
    let from_load = row.get(Signal::AbsLoadPct) / 100.0
        * ABSOLUTE_LOAD_DENSITY_GL
        * engine.displacement_l
        * rpm
        / 120.0;
    let maf = row.get(Signal::MafGs);
    if engine.has_airflow_sensor && maf.is_finite() {
        return (maf, AirSource::Sensor);
    }
    if from_load.is_finite() {
        return (from_load, AirSource::AbsoluteLoad);
    }
    let kelvin = row.get(Signal::IntakeC) + 273.15;
    // kPa x litres = J; J/(J/(kg K) K) = kg, times 1,000 for grams.
    let speed_density = row.get(Signal::MapKpa)
        * engine.displacement_l
        * (gate.volumetric_efficiency_pct / 100.0)
        * rpm
        / (120.0 * GAS_CONSTANT_AIR * kelvin)
        * 1000.0;
    if speed_density.is_finite() {
        return (speed_density, AirSource::SpeedDensity);
    }
    if maf.is_finite() { (maf, AirSource::Sensor) } else { (f64::NAN, AirSource::None) }
}

/// Air taken in per intake stroke over the swept volume at 25 °C and 101.325 kPa, percent.
///
/// Density is corrected to the intake temperature and barometric pressure of the sample, so that
/// weather and altitude do not look like deposits.
pub(super) fn breathing_pct(row: &Row, airflow_gs: f64, engine: &Engine) -> f64 {
    let swept_gs = ABSOLUTE_LOAD_DENSITY_GL * engine.displacement_l * row.get(Signal::Rpm) / 120.0;
    let baro = row.get(Signal::BaroKpa);
    let baro = if baro.is_finite() && baro > 50.0 { baro } else { 101.325 };
    let intake = row.get(Signal::IntakeC);
    let intake = if intake.is_finite() { intake } else { 25.0 };
    airflow_gs / swept_gs * 100.0 * (101.325 / baro) * ((intake + 273.15) / 298.15)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(set: &[(Signal, f64)]) -> Row {
        let mut values = [f64::NAN; Signal::ALL.len()];
        for (s, v) in set {
            values[*s as usize] = *v;
        }
        Row { time_us: 0, values }
    }

    const ENGINE: Engine =
        Engine { displacement_l: 2.0, has_airflow_sensor: true, registered: true };

    #[test]
    fn absolute_load_gives_the_defined_airflow() {
        // Definition of absolute load, SAE J1979 (from memory): 50 % of 1.184 g/L x 2 L x 3000/120 = 29.6 g/s.
        let r = row(&[(Signal::Rpm, 3000.0), (Signal::AbsLoadPct, 50.0)]);
        let (a, source) = airflow_gs(&r, &ENGINE, &GateSettings::DEFAULT);
        assert!((a - 29.6).abs() < 1e-9, "{a}");
        assert_eq!(source, AirSource::AbsoluteLoad);
    }

    #[test]
    fn the_sensor_goes_first_unless_the_register_says_there_is_none() {
        let r = row(&[(Signal::Rpm, 3000.0), (Signal::AbsLoadPct, 50.0), (Signal::MafGs, 25.0)]);
        assert_eq!(airflow_gs(&r, &ENGINE, &GateSettings::DEFAULT).1, AirSource::Sensor);
        let map = Engine { has_airflow_sensor: false, ..ENGINE };
        assert_eq!(airflow_gs(&r, &map, &GateSettings::DEFAULT).1, AirSource::AbsoluteLoad);
    }
}
