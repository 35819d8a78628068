//! The drive: what the driver asks for, second by second, on a mix of roads.
//!
//! In: a trip's length and how urban it is. Out: a wanted acceleration and a slope for each second.
//! Speeds, accelerations and stops are ordinary magnitudes (common practice, no source).

use super::random::{Rng, chance, normal, uniform};

/// A kind of road.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Road {
    /// Engine idling in the yard or at a kerb.
    Yard,
    StopGo,
    Urban,
    Rural,
    Motorway,
}

/// Ranges that make a road what it is.
struct Habit {
    speed_kmh: (f64, f64),
    hold_s: (f64, f64),
    stop_share: f64,
    stand_s: (f64, f64),
    accel: (f64, f64),
}

impl Road {
    fn habit(self) -> Habit {
        let habit = |speed_kmh, hold_s, stop_share, stand_s, accel| Habit {
            speed_kmh,
            hold_s,
            stop_share,
            stand_s,
            accel,
        };
        match self {
            Road::Yard => habit((0.0, 0.0), (0.0, 0.0), 1.0, (20.0, 60.0), (0.5, 0.5)),
            Road::StopGo => habit((8.0, 30.0), (3.0, 12.0), 0.8, (4.0, 25.0), (0.6, 1.2)),
            Road::Urban => habit((28.0, 58.0), (12.0, 60.0), 0.45, (5.0, 45.0), (0.6, 1.5)),
            Road::Rural => habit((60.0, 95.0), (40.0, 150.0), 0.1, (4.0, 20.0), (0.5, 1.6)),
            Road::Motorway => habit((95.0, 130.0), (50.0, 200.0), 0.0, (0.0, 0.0), (0.5, 1.9)),
        }
    }
}

/// What the vehicle is about.
#[derive(Debug, Clone, Copy)]
enum Move {
    Stand { left_s: f64 },
    Accelerate { target_kmh: f64, accel: f64 },
    Hold { target_kmh: f64, left_s: f64 },
    Brake { target_kmh: f64, accel: f64 },
}

/// One driver on one trip.
#[derive(Debug)]
pub(super) struct Driver {
    phases: Vec<(Road, f64)>,
    phase: usize,
    left_s: f64,
    now: Move,
    slope: f64,
    /// Seconds that the trip lasts.
    pub(super) duration_s: u32,
}

impl Driver {
    /// Plans a trip of `minutes`; `urban` from 0 to 1 is the share of town.
    pub(super) fn plan(minutes: f64, urban: f64, rng: &mut Rng) -> Driver {
        let total_s = minutes * 60.0;
        let mut phases = vec![(Road::Yard, uniform(15.0, 70.0, rng))];
        let mut used = phases[0].1 + 25.0;
        while used < total_s {
            let road = if chance(urban, rng) {
                if chance(0.25, rng) { Road::StopGo } else { Road::Urban }
            } else if chance(0.45, rng) {
                Road::Motorway
            } else {
                Road::Rural
            };
            let length = uniform(120.0, 420.0, rng).min(total_s - used).max(10.0);
            phases.push((road, length));
            used += length;
            if chance(0.25, rng) && used + 150.0 < total_s {
                // A wait with the engine idling: a delivery, a level crossing.
                let wait = uniform(30.0, 120.0, rng);
                phases.push((Road::Yard, wait));
                used += wait;
            }
        }
        phases.push((Road::Yard, 25.0));
        let left_s = phases[0].1;
        Driver {
            phases,
            phase: 0,
            left_s,
            now: Move::Stand { left_s },
            slope: 0.0,
            duration_s: total_s as u32,
        }
    }

    /// The wanted acceleration, m/s², and the slope of the road, for a vehicle at `speed_kmh`.
    pub(super) fn step(&mut self, speed_kmh: f64, rng: &mut Rng) -> (f64, f64) {
        // Slope: sd 0.7 %, correlated over some 60 s.
        self.slope = 0.983 * self.slope + 0.0013 * normal(rng);
        self.left_s -= 1.0;
        if self.left_s <= 0.0 && self.phase + 1 < self.phases.len() {
            self.phase += 1;
            self.left_s = self.phases[self.phase].1;
            self.now = self.enter(speed_kmh, rng);
        }
        let accel = self.follow(speed_kmh, rng);
        (accel, self.slope)
    }

    fn road(&self) -> Road {
        self.phases[self.phase].0
    }

    fn enter(&self, speed_kmh: f64, rng: &mut Rng) -> Move {
        if self.road() == Road::Yard {
            return Move::Brake { target_kmh: 0.0, accel: uniform(-1.8, -1.0, rng) };
        }
        self.head_for(speed_kmh, rng)
    }

    fn head_for(&self, speed_kmh: f64, rng: &mut Rng) -> Move {
        let habit = self.road().habit();
        let target_kmh = uniform(habit.speed_kmh.0, habit.speed_kmh.1, rng);
        if target_kmh >= speed_kmh {
            Move::Accelerate { target_kmh, accel: uniform(habit.accel.0, habit.accel.1, rng) }
        } else {
            Move::Brake { target_kmh, accel: uniform(-1.2, -0.5, rng) }
        }
    }

    fn follow(&mut self, speed_kmh: f64, rng: &mut Rng) -> f64 {
        let habit = self.road().habit();
        match self.now {
            Move::Stand { left_s } => {
                let done = left_s <= 1.0 && self.road() != Road::Yard;
                self.now = if done {
                    self.head_for(speed_kmh, rng)
                } else {
                    Move::Stand { left_s: left_s - 1.0 }
                };
                -1.0
            }
            Move::Accelerate { target_kmh, accel } => {
                if speed_kmh >= target_kmh - 1.0 {
                    let left_s = uniform(habit.hold_s.0, habit.hold_s.1, rng);
                    self.now = Move::Hold { target_kmh, left_s };
                }
                // Power runs out as speed rises, so drivers ask for less.
                accel * (1.0 - speed_kmh / 260.0)
            }
            Move::Hold { target_kmh, left_s } => {
                self.now = if left_s > 1.0 {
                    Move::Hold { target_kmh, left_s: left_s - 1.0 }
                } else if chance(habit.stop_share, rng) {
                    Move::Brake { target_kmh: 0.0, accel: uniform(-1.9, -0.9, rng) }
                } else {
                    self.head_for(speed_kmh, rng)
                };
                // A steady foot: small, slow corrections.
                ((target_kmh - speed_kmh) * 0.03).clamp(-0.3, 0.3) + 0.02 * normal(rng)
            }
            Move::Brake { target_kmh, accel } => {
                if speed_kmh <= target_kmh + 0.5 {
                    self.now = if target_kmh > 0.0 {
                        Move::Hold {
                            target_kmh,
                            left_s: uniform(habit.hold_s.0, habit.hold_s.1, rng),
                        }
                    } else {
                        Move::Stand { left_s: uniform(habit.stand_s.0, habit.stand_s.1, rng) }
                    };
                }
                accel
            }
        }
    }
}
