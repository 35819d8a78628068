//! Workshop records and fuel purchases.
//!
//! None of this work cures anything (that is `repair`): a fault stays, so that what the analysis says of it can be
//! followed.

use super::super::settings::Nuisances;
use super::FIRST_DAY;
use super::nuisance::Step;
use super::random::{Rng, chance, event_days, uniform};
use crate::tables::fleet::{Refuel, Service, ServiceRecord};

/// Records of one vehicle; `km` is the odometer by day since the start.
pub(super) fn records(
    n: &Nuisances,
    vehicle: &str,
    steps: &[Step],
    resets: &[i32],
    km: &[f64],
    rng: &mut Rng,
) -> Vec<ServiceRecord> {
    let days = km.len() as i32;
    let mut jobs: Vec<(i32, Service)> = Vec::new();
    let idle =
        [Service::Other, Service::AirFilter, Service::EgrCleaning, Service::BatteryDisconnect];
    for day in event_days(n.idle_records_per_year, days, rng) {
        jobs.push((day, idle[uniform(0.0, 4.0, rng) as usize % 4]));
    }
    let vain = [Service::InjectorCleaning, Service::FuelFilter, Service::IntakeCleaning];
    for day in event_days(n.vain_cleanings_per_year, days, rng) {
        jobs.push((day, vain[uniform(0.0, 3.0, rng) as usize % 3]));
    }
    for step in steps {
        for day in std::iter::once(step.day).chain(step.end) {
            if chance(n.steps_recorded_share, rng) && day < days {
                jobs.push((day, Service::Other));
            }
        }
    }
    for day in resets {
        if n.idle_records_per_year > 0.0 && chance(0.4, rng) {
            jobs.push((*day, Service::BatteryDisconnect));
        }
    }
    jobs.sort_unstable();
    jobs.into_iter()
        .map(|(day, service)| ServiceRecord {
            day: FIRST_DAY + day,
            vehicle: vehicle.to_owned(),
            odometer_km: Some(km[day as usize]),
            service,
            cost: None,
        })
        .collect()
}

/// A tank that is filled now and then.
#[derive(Debug)]
pub(super) struct Tank {
    litres: f64,
    used: f64,
    fill_at: f64,
}

impl Tank {
    pub(super) fn draw(rng: &mut Rng) -> Tank {
        Tank { litres: uniform(38.0, 65.0, rng), used: 0.0, fill_at: 20.0 }
    }

    /// Burns `litres` and buys fuel when it is time.
    pub(super) fn burn(
        &mut self,
        litres: f64,
        vehicle: &str,
        day: i32,
        odometer_km: f64,
        rng: &mut Rng,
    ) -> Option<Refuel> {
        self.used += litres;
        if self.used < self.fill_at {
            return None;
        }
        let full = chance(0.85, rng);
        let share = if full { 1.0 } else { uniform(0.3, 0.8, rng) };
        // A full tank is full to within a litre.
        let bought = self.used * share + if full { uniform(-0.8, 0.8, rng) } else { 0.0 };
        self.used -= bought;
        self.fill_at = uniform(0.55, 0.9, rng) * self.litres;
        Some(Refuel {
            day,
            vehicle: vehicle.to_owned(),
            odometer_km: chance(0.95, rng).then_some(odometer_km.round()),
            litres: bought,
            full,
        })
    }
}
