//! Workshop work on a fault: when it is done, and what it leaves.

use super::fault::FaultKind;
use super::random::{Rng, chance, uniform};
use crate::tables::fleet::Service;

/// What is going to be done about a fault.
#[derive(Debug, Clone, Copy)]
pub(super) struct Plan {
    /// Severity at which the vehicle goes to the workshop, percent.
    at: f64,
    left: f64,
    pub(super) service: Service,
    /// Learning is reset on that day.
    pub(super) resets: bool,
}

/// Work that was carried out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Repair {
    /// First day after it.
    pub(crate) day: i32,
    /// Share of the severity that it left, 0 to 1.
    pub(crate) left: f64,
}

impl Plan {
    /// Draws the work on a fault: seven in ten jobs take nearly all of it away, the rest a part or nothing. `None` where
    /// no recorded kind of work is the cure.
    pub(super) fn draw(kind: FaultKind, rng: &mut Rng) -> Option<Plan> {
        let at = uniform(4.0, 12.0, rng);
        let left = match uniform(0.0, 1.0, rng) {
            u if u < 0.7 => uniform(0.0, 0.15, rng),
            u if u < 0.85 => uniform(0.3, 0.7, rng),
            _ => 1.0,
        };
        Some(Plan { at, left, service: kind.cure()?, resets: chance(0.5, rng) })
    }

    /// The work, if it is due.
    pub(super) fn carried_out(&self, severity: f64, day: i32) -> Option<Repair> {
        (severity >= self.at).then_some(Repair { day, left: self.left })
    }
}
