//! Weather, and the fuel the depots buy: what every vehicle of the fleet shares.
//!
//! In: days, depots, seed. Out: ambient temperature and pressure, ethanol share and density by day.

use super::random::{Ar1, Rng, normal};

/// A depot, at a plain place that does not exist.
#[derive(Debug)]
pub(super) struct Depot {
    pub(super) name: &'static str,
    pub(super) altitude_m: f64,
}

/// Where the vehicles are at home.
pub(super) const DEPOTS: [Depot; 4] = [
    Depot { name: "Mill Lane", altitude_m: 40.0 },
    Depot { name: "North Yard", altitude_m: 120.0 },
    Depot { name: "Harbour Gate", altitude_m: 5.0 },
    Depot { name: "Hilltop", altitude_m: 430.0 },
];

/// Fuel as it comes from a pump or sits in a tank.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fuel {
    /// Ethanol, share of volume.
    pub(super) ethanol: f64,
    /// Density at 15 °C, kg/L.
    pub(super) density: f64,
}

/// Stoichiometric mass of air per mass of petrol and of ethanol: US DOE Alternative Fuels Data Center,
/// fuel property table.
const AFR_PETROL: f64 = 14.7;
const AFR_ETHANOL: f64 = 9.0;
/// Density of ethanol, kg/L (AFDC table: specific gravity 0.794 to 0.796).
const ETHANOL_DENSITY: f64 = 0.794;

impl Fuel {
    /// The blend for which the engine computers are set up: E10 of middling density.
    pub(super) const REFERENCE: Fuel = Fuel { ethanol: 0.08, density: 0.745 };

    /// Stoichiometric air-fuel ratio, by mass fractions (a volume-weighted mean would be wrong).
    pub(super) fn afr(&self) -> f64 {
        let ethanol_mass = self.ethanol * ETHANOL_DENSITY;
        let share = ethanol_mass / (ethanol_mass + (1.0 - self.ethanol) * self.density);
        share * AFR_ETHANOL + (1.0 - share) * AFR_PETROL
    }

    /// Mass that an injector passes against the reference fuel: an orifice passes mass with the square
    /// root of density (Bernoulli, ISO 5167: q = Cd A sqrt(2 rho dp)).
    pub(super) fn injector_mass(&self) -> f64 {
        (self.density / Fuel::REFERENCE.density).sqrt()
    }

    /// What is in a tank after `litres` of `other` joined `own` litres of this.
    pub(super) fn mixed(&self, own: f64, other: &Fuel, litres: f64) -> Fuel {
        let share = litres / (own + litres).max(1e-9);
        Fuel {
            ethanol: self.ethanol + share * (other.ethanol - self.ethanol),
            density: self.density + share * (other.density - self.density),
        }
    }
}

/// One day of weather, the same at every depot but for altitude.
#[derive(Debug, Clone, Copy)]
pub(super) struct Weather {
    /// Mean temperature, °C.
    pub(super) mean_c: f64,
    /// Pressure at sea level, kPa.
    pub(super) sea_kpa: f64,
}

/// Weather and pump fuel of all days.
#[derive(Debug)]
pub(super) struct Climate {
    days: Vec<Weather>,
    pump: Vec<[Fuel; DEPOTS.len()]>,
}

impl Climate {
    /// Draws `days` days from `first_day` (days since 1970-01-01) on.
    pub(super) fn draw(first_day: i32, days: usize, rng: &mut Rng) -> Climate {
        // Mid-latitude year: mean 10 °C, amplitude 9 °C, weather of sd 3 °C and 1 kPa that lasts some
        // days (common practice, no source).
        let (mut temperature, mut pressure) = (Ar1::new(0.8, 3.0, rng), Ar1::new(0.8, 1.0, rng));
        let mut ethanol = [0.0; DEPOTS.len()];
        let mut climate = Climate { days: Vec::new(), pump: Vec::new() };
        for index in 0..days {
            let season = Season::of(first_day + index as i32);
            climate.days.push(Weather {
                mean_c: 10.0 - 9.0 * season.cos_from_cold + temperature.next(1.0, rng),
                sea_kpa: 101.3 + pressure.next(1.0, rng),
            });
            if index % 14 == 0 {
                // Each tanker load differs: sold as E10, 6 to 10 % inside (common practice, no source).
                ethanol = std::array::from_fn(|_| (0.08 + 0.009 * normal(rng)).clamp(0.05, 0.10));
            }
            climate.pump.push(std::array::from_fn(|depot| Fuel {
                ethanol: ethanol[depot],
                density: season.density(depot),
            }));
        }
        climate
    }

    /// Weather of day `index`.
    pub(super) fn weather(&self, index: usize) -> Weather {
        self.days[index]
    }

    /// Fuel at the pump of depot `depot` on day `index`.
    pub(super) fn pump(&self, index: usize, depot: usize) -> Fuel {
        self.pump[index][depot]
    }
}

impl Weather {
    /// Air temperature at an hour of the day, °C: coldest at 4, warmest at 16, ±4 °C.
    pub(super) fn ambient_c(&self, hour: f64) -> f64 {
        self.mean_c - 4.0 * ((hour - 4.0) / 24.0 * std::f64::consts::TAU).cos()
    }

    /// Pressure at altitude, kPa: ISO 2533 standard atmosphere, troposphere.
    pub(super) fn baro_kpa(&self, altitude_m: f64) -> f64 {
        self.sea_kpa * (1.0 - 2.255_77e-5 * altitude_m).powf(5.255_88)
    }
}

/// Where in the year a day lies.
#[derive(Debug, Clone, Copy)]
struct Season {
    day_of_year: f64,
    cos_from_cold: f64,
}

impl Season {
    fn of(day: i32) -> Season {
        let day_of_year = (f64::from(day) + 0.5).rem_euclid(365.2425);
        // Coldest about 20 January.
        let cos_from_cold = ((day_of_year - 19.0) / 365.2425 * std::f64::consts::TAU).cos();
        Season { day_of_year, cos_from_cold }
    }

    /// Winter petrol is lighter, more volatile: 0.735 against 0.752 kg/L (inside the 0.720 to 0.775 of
    /// EN 228, from memory). Depots change within October and April, a week apart.
    fn density(self, depot: usize) -> f64 {
        let shift = 7.0 * depot as f64;
        let summer = self.day_of_year > 95.0 + shift && self.day_of_year < 280.0 + shift;
        if summer { 0.752 } else { 0.735 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Mass-weighted ratios at 0.745 kg/L: computed, published roundings 14.1 (E10), 9.8 (E85).
    #[test]
    fn air_fuel_ratio_of_blends_is_mass_weighted() {
        for (ethanol, afr) in [(0.1, 14.0965), (0.85, 9.8098), (1.0, 9.0)] {
            let fuel = Fuel { ethanol, density: 0.745 };
            assert!((fuel.afr() - afr).abs() < 1e-4, "{ethanol}: {}", fuel.afr());
        }
    }

    /// ISO 2533 standard atmosphere, from memory.
    #[test]
    fn pressure_falls_with_altitude_as_in_the_standard_atmosphere() {
        let standard = Weather { mean_c: 15.0, sea_kpa: 101.325 };
        for (metres, kpa) in [(0.0, 101.325), (500.0, 95.461), (1000.0, 89.8746), (2000.0, 79.4952)]
        {
            assert!((standard.baro_kpa(metres) - kpa).abs() < 1.5e-3, "{metres} m");
        }
    }

    #[test]
    fn winter_is_colder_than_summer() {
        assert!(Season::of(19_742).cos_from_cold > 0.99); // 2024-01-20
        assert!(Season::of(19_924).cos_from_cold < -0.99); // 2024-07-20
    }
}
