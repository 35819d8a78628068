//! The fleet's own tables, read and checked together.

use super::{Error, Progress};
use crate::condense::{Engine, EngineOf};
use crate::ingest::{Problem, pseudonym, read_refuels, read_register, read_services};
use crate::settings::{GateSettings, Pipeline};
use crate::tables::fleet::{AirMetering, Refuel, ServiceRecord, Vehicle};
use std::collections::BTreeMap;
use std::path::Path;

/// Register, workshop records and refuels.
#[derive(Debug)]
pub struct Fleet {
    /// Registered vehicles, in the order of the file.
    pub register: Vec<Vehicle>,
    /// Workshop records.
    pub services: Vec<ServiceRecord>,
    /// Fuel purchases.
    pub refuels: Vec<Refuel>,
    /// Everything that was wrong with the tables, as messages.
    pub problems: Vec<String>,
    /// Rows that could not be used.
    pub unusable_rows: usize,
    engines: BTreeMap<String, Engine>,
    default_engine: Engine,
}

impl Fleet {
    /// Reads the tables that the pipeline names.
    ///
    /// # Errors
    /// [`Error::FleetTable`] if a file cannot be read at all; rows that cannot be used are told and left out.
    pub fn read(pipeline: &Pipeline, progress: &dyn Progress) -> Result<Fleet, Error> {
        let register = read_register(&pipeline.fleet.register).map_err(Error::FleetTable)?;
        let mut problems = Problems::default();
        problems.add(&pipeline.fleet.register, &register.problems);
        let mut services = Vec::new();
        if let Some(path) = &pipeline.fleet.services {
            let table = read_services(path).map_err(Error::FleetTable)?;
            problems.add(path, &table.problems);
            services = table.rows;
        }
        let mut refuels = Vec::new();
        if let Some(path) = &pipeline.fleet.refuels {
            let table = read_refuels(path).map_err(Error::FleetTable)?;
            problems.add(path, &table.problems);
            refuels = table.rows;
        }
        let Problems { messages: problems, unusable_rows } = problems;
        for p in &problems {
            progress.warn(p);
        }
        let mut fleet = Fleet {
            register: register.rows,
            services,
            refuels,
            problems,
            unusable_rows,
            engines: BTreeMap::new(),
            default_engine: default_engine(&pipeline.gate),
        };
        if let Some(key) = &pipeline.pseudonym_key {
            fleet.pseudonymise(key);
        }
        fleet.engines =
            fleet.register.iter().map(|v| (v.vehicle.clone(), engine(v, &pipeline.gate))).collect();
        Ok(fleet)
    }

    fn pseudonymise(&mut self, key: &[u8; 32]) {
        for v in &mut self.register {
            v.vehicle = pseudonym(key, &v.vehicle);
        }
        for s in &mut self.services {
            s.vehicle = pseudonym(key, &s.vehicle);
        }
        for r in &mut self.refuels {
            r.vehicle = pseudonym(key, &r.vehicle);
        }
    }
}

/// Problems of all tables, as messages that name the file.
#[derive(Debug, Default)]
struct Problems {
    messages: Vec<String>,
    unusable_rows: usize,
}

impl Problems {
    fn add(&mut self, path: &Path, problems: &[Problem]) {
        self.unusable_rows += problems.iter().filter(|p| p.fatal).count();
        self.messages.extend(problems.iter().map(|p| format!("{}, {p}", path.display())));
    }
}

impl EngineOf for Fleet {
    fn engine(&self, vehicle: &str) -> Engine {
        self.engines.get(vehicle).copied().unwrap_or(self.default_engine)
    }
}

/// The engine taken for a vehicle that the register does not know.
fn default_engine(gate: &GateSettings) -> Engine {
    Engine {
        displacement_l: gate.displacement_default_l,
        has_airflow_sensor: true,
        registered: false,
    }
}

fn engine(v: &Vehicle, gate: &GateSettings) -> Engine {
    Engine {
        displacement_l: v.displacement_l.unwrap_or(gate.displacement_default_l),
        has_airflow_sensor: v.air_metering == AirMetering::Maf,
        registered: v.displacement_l.is_some(),
    }
}
