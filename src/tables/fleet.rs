//! What the fleet knows of itself: register, workshop records, fuel purchases; and any such rows by vehicle.

use std::collections::BTreeMap;

/// Rows by the vehicle that `of` names, in their order: thousands of vehicles must not each go through all of them.
pub fn by_vehicle<'r, R: 'r>(
    rows: impl IntoIterator<Item = &'r R>,
    of: impl Fn(&R) -> &str,
) -> BTreeMap<&'r str, Vec<&'r R>> {
    let mut found: BTreeMap<&str, Vec<&R>> = BTreeMap::new();
    for row in rows {
        found.entry(of(row)).or_default().push(row);
    }
    found
}

/// How the engine measures its air.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum AirMetering {
    /// Airflow sensor.
    Maf,
    /// Manifold pressure (speed-density).
    Map,
}

/// Where the injectors sit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Injection {
    /// In the intake port: the spray washes the valve.
    Port,
    /// In the cylinder: nothing washes the valve.
    Direct,
}

/// One registered vehicle.
#[derive(Debug, Clone, PartialEq)]
pub struct Vehicle {
    /// Unique name.
    pub vehicle: String,
    /// Vehicles with the same engine and mixture control; peers share it.
    pub engine_family: String,
    /// Swept volume, litres; `None` if the register leaves it out.
    pub displacement_l: Option<f64>,
    /// Number of cylinders.
    pub cylinders: usize,
    /// Number of fuel banks, 1 or 2.
    pub banks: usize,
    /// How the engine measures its air.
    pub air_metering: AirMetering,
    /// Where the injectors sit.
    pub injection: Injection,
    /// Fuel name as registered.
    pub fuel: String,
    /// The engine stops while driving.
    pub hybrid: bool,
    /// Home depot.
    pub depot: String,
    /// Odometer at the last change of spark plugs, km.
    pub plugs_changed_km: Option<f64>,
}

/// Kind of workshop work.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Service {
    /// Injectors taken out and cleaned.
    InjectorCleaning,
    /// Intake ports, valves or manifold cleaned.
    IntakeCleaning,
    /// Throttle body cleaned.
    ThrottleCleaning,
    /// Airflow sensor cleaned.
    AirflowSensorCleaning,
    /// Exhaust-gas recirculation cleaned.
    EgrCleaning,
    /// Spark plugs changed.
    SparkPlugs,
    /// Fuel filter changed.
    FuelFilter,
    /// Air filter changed.
    AirFilter,
    /// Battery taken off: learning starts anew.
    BatteryDisconnect,
    /// Anything else.
    Other,
}

impl Service {
    /// All kinds with their names in files.
    pub const ALL: [(Service, &'static str); 10] = [
        (Service::InjectorCleaning, "injector_cleaning"),
        (Service::IntakeCleaning, "intake_cleaning"),
        (Service::ThrottleCleaning, "throttle_cleaning"),
        (Service::AirflowSensorCleaning, "airflow_sensor_cleaning"),
        (Service::EgrCleaning, "egr_cleaning"),
        (Service::SparkPlugs, "spark_plugs"),
        (Service::FuelFilter, "fuel_filter"),
        (Service::AirFilter, "air_filter"),
        (Service::BatteryDisconnect, "battery_disconnect"),
        (Service::Other, "other"),
    ];

    /// Name in files.
    pub fn as_str(self) -> &'static str {
        Service::ALL.iter().find(|(s, _)| *s == self).map_or("other", |(_, n)| n)
    }
}

/// One workshop record.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceRecord {
    /// Days since 1970-01-01.
    pub day: i32,
    /// Vehicle name.
    pub vehicle: String,
    /// Odometer, km, if written down.
    pub odometer_km: Option<f64>,
    /// Kind of work.
    pub service: Service,
    /// Price in the fleet's currency, if written down.
    pub cost: Option<f64>,
}

/// One fuel purchase.
#[derive(Debug, Clone, PartialEq)]
pub struct Refuel {
    /// Days since 1970-01-01.
    pub day: i32,
    /// Vehicle name.
    pub vehicle: String,
    /// Odometer, km, if written down.
    pub odometer_km: Option<f64>,
    /// Litres bought.
    pub litres: f64,
    /// Filled to the brim.
    pub full: bool,
}
