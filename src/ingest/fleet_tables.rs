//! Register, workshop records and fuel purchases.
//!
//! Comes in: CSV files of the fleet. Goes out: [`Vehicle`]s, [`ServiceRecord`]s, [`Refuel`]s, and a [`Problem`] for each
//! row that cannot be used. Spare columns are passed over. Never: logs.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::Path;

use super::IngestError;
use super::rows::checked_name;
use super::source::open_regular;
use super::stamp::days_from_civil;
use crate::tables::fleet::{AirMetering, Injection, Refuel, Service, ServiceRecord, Vehicle};

/// Largest table that is read, bytes: some hundred thousand rows.
const TABLE_BYTES_MAX: u64 = 64 << 20;

/// Something wrong with one row of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// Row number: 1 is the first row after the header.
    pub row: u64,
    /// Column name.
    pub column: String,
    /// What stands there, cut to 80 characters.
    pub found: String,
    /// What is expected.
    pub expected: String,
    /// What follows, and what to do.
    pub remedy: String,
    /// The row is not used.
    pub fatal: bool,
}

impl std::fmt::Display for Problem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "row {}, column `{}`: expected {}, found `{}`. {}",
            self.row, self.column, self.expected, self.found, self.remedy
        )
    }
}

/// The rows of a table and what is wrong with the others.
#[derive(Debug, Clone, PartialEq)]
pub struct FleetTable<T> {
    /// Usable rows in the order of the file.
    pub rows: Vec<T>,
    /// Problems in the order of the file.
    pub problems: Vec<Problem>,
    /// Rows read.
    pub rows_read: u64,
}

/// Reads the register of vehicles.
///
/// # Errors
/// If the file cannot be read or lacks a required column.
pub fn read_register(path: &Path) -> Result<FleetTable<Vehicle>, IngestError> {
    const NEEDED: &[&str] =
        &["vehicle", "engine_family", "cylinders", "banks", "air_metering", "injection"];
    let mut seen = BTreeSet::new();
    read_table(path, NEEDED, |row| {
        let vehicle = row.name("vehicle")?;
        let displacement_l = row.optional_number("displacement_l", 0.1, 20.0)?;
        if displacement_l.is_none() {
            row.warn(
                "displacement_l",
                "the swept volume in litres",
                "Bands of this vehicle use the default displacement until it is filled in",
            );
        }
        let plugs_changed_km =
            row.optional_number("plugs_changed_km", 0.0, 1e7).unwrap_or_else(|_| {
                row.warn(
                    "plugs_changed_km",
                    "the odometer at which the plugs were changed, km",
                    "The distance on the plugs of this vehicle counts as unknown until it is",
                );
                None
            });
        let entry = Vehicle {
            vehicle: vehicle.clone(),
            engine_family: row.name("engine_family")?,
            displacement_l,
            cylinders: row.whole("cylinders", 1, 12)?,
            banks: row.whole("banks", 1, 2)?,
            air_metering: row
                .choice("air_metering", &[("maf", AirMetering::Maf), ("map", AirMetering::Map)])?,
            injection: row
                .choice("injection", &[("port", Injection::Port), ("direct", Injection::Direct)])?,
            fuel: row.cell("fuel").to_owned(),
            hybrid: row.flag("hybrid", Some(false))?,
            depot: row.cell("depot").to_owned(),
            plugs_changed_km,
        };
        if !seen.insert(vehicle) {
            return Err(row.problem("vehicle", "a vehicle that is not registered above", true));
        }
        Ok(entry)
    })
}

/// Reads workshop records.
///
/// # Errors
/// If the file cannot be read or lacks a required column.
pub fn read_services(path: &Path) -> Result<FleetTable<ServiceRecord>, IngestError> {
    read_table(path, &["date", "vehicle", "service"], |row| {
        let kinds: Vec<(&str, Service)> =
            Service::ALL.iter().map(|(s, name)| (*name, *s)).collect();
        Ok(ServiceRecord {
            day: row.day("date")?,
            vehicle: row.name("vehicle")?,
            odometer_km: row.optional_number("odometer_km", 0.0, 1e7)?,
            service: row.choice("service", &kinds)?,
            cost: row.optional_number("cost", 0.0, 1e9)?,
        })
    })
}

/// Reads fuel purchases.
///
/// # Errors
/// If the file cannot be read or lacks a required column.
pub fn read_refuels(path: &Path) -> Result<FleetTable<Refuel>, IngestError> {
    read_table(path, &["date", "vehicle", "litres"], |row| {
        let litres = row.optional_number("litres", 0.0, 10_000.0)?;
        Ok(Refuel {
            day: row.day("date")?,
            vehicle: row.name("vehicle")?,
            odometer_km: row.optional_number("odometer_km", 0.0, 1e7)?,
            litres: litres.ok_or_else(|| row.problem("litres", "the litres bought", true))?,
            full: row.flag("full", None)?,
        })
    })
}

/// One row with its columns by name.
struct Row<'a> {
    number: u64,
    cells: BTreeMap<&'a str, &'a str>,
    warnings: Vec<Problem>,
}

type Cell<T> = Result<T, Problem>;

impl<'a> Row<'a> {
    fn cell(&self, column: &str) -> &'a str {
        self.cells.get(column).copied().unwrap_or("").trim()
    }

    fn problem(&self, column: &str, expected: &str, fatal: bool) -> Problem {
        let remedy = if fatal { "The row is not used; correct it" } else { "Fill it in" };
        Problem {
            row: self.number,
            column: column.to_owned(),
            found: self.cell(column).chars().filter(|c| !c.is_control()).take(80).collect(),
            expected: expected.to_owned(),
            remedy: remedy.to_owned(),
            fatal,
        }
    }

    fn warn(&mut self, column: &str, expected: &str, remedy: &str) {
        let problem = self.problem(column, expected, false);
        self.warnings.push(Problem { remedy: remedy.to_owned(), ..problem });
    }

    fn name(&self, column: &str) -> Cell<String> {
        let cell = self.cell(column);
        if cell.is_empty() || checked_name(cell.as_bytes()).is_err() {
            return Err(self.problem(
                column,
                "a name of at most 128 bytes without control characters",
                true,
            ));
        }
        Ok(cell.to_owned())
    }

    fn optional_number(&self, column: &str, min: f64, max: f64) -> Cell<Option<f64>> {
        let cell = self.cell(column);
        if cell.is_empty() {
            return Ok(None);
        }
        match cell.parse::<f64>() {
            Ok(number) if (min..=max).contains(&number) => Ok(Some(number)),
            _ => Err(self.problem(
                column,
                &format!("a number from {min} to {max} with a decimal point, or nothing"),
                true,
            )),
        }
    }

    fn whole(&self, column: &str, min: usize, max: usize) -> Cell<usize> {
        let number = self.cell(column).parse().ok().filter(|n| (min..=max).contains(n));
        number.ok_or_else(|| {
            self.problem(column, &format!("a whole number from {min} to {max}"), true)
        })
    }

    fn choice<T: Copy>(&self, column: &str, choices: &[(&str, T)]) -> Cell<T> {
        let cell = self.cell(column);
        let hit = choices.iter().find(|(name, _)| cell.eq_ignore_ascii_case(name));
        hit.map(|(_, value)| *value).ok_or_else(|| {
            let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
            self.problem(column, &format!("one of {}", names.join(", ")), true)
        })
    }

    fn flag(&self, column: &str, default: Option<bool>) -> Cell<bool> {
        match self.cell(column).to_ascii_lowercase().as_str() {
            "true" | "yes" | "y" | "1" => Ok(true),
            "false" | "no" | "n" | "0" => Ok(false),
            "" if default.is_some() => Ok(default.unwrap_or_default()),
            // A purchase that does not say so was not to the brim: then no consumption is computed from it.
            "" => Ok(false),
            _ => Err(self.problem(column, "true or false", true)),
        }
    }

    /// A date as `2024-01-05`, alone or in front of a time.
    fn day(&self, column: &str) -> Cell<i32> {
        let cell = self.cell(column);
        let mut parts = cell.get(..10).unwrap_or("").splitn(3, '-').map(|p| p.parse::<i64>().ok());
        let rest_ok = cell.len() == 10 || matches!(cell.as_bytes().get(10), Some(b'T' | b' '));
        let date = match (parts.next(), parts.next(), parts.next()) {
            (Some(Some(year)), Some(Some(month)), Some(Some(day))) if rest_ok => {
                days_from_civil(year, month, day)
            }
            _ => None,
        };
        let date = date.and_then(|days| i32::try_from(days).ok());
        date.ok_or_else(|| self.problem(column, "a date as 2024-01-31", true))
    }
}

fn read_table<T>(
    path: &Path,
    needed: &[&str],
    mut take: impl FnMut(&mut Row<'_>) -> Cell<T>,
) -> Result<FleetTable<T>, IngestError> {
    let refuse = |problem: String, remedy: &str| IngestError::FleetTable {
        path: path.to_path_buf(),
        problem,
        remedy: remedy.to_owned(),
    };
    let text = read_text(path)?;
    let mut reader =
        csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(text.as_bytes());
    let names: Vec<String> = match reader.headers() {
        Ok(headers) => headers.iter().map(|h| h.trim().to_lowercase()).collect(),
        Err(error) => {
            return Err(refuse(error.to_string(), "Save it as CSV with commas and UTF-8"));
        }
    };
    let missing: Vec<&str> =
        needed.iter().copied().filter(|n| !names.iter().any(|name| name == n)).collect();
    if !missing.is_empty() {
        return Err(refuse(
            format!("no column {}; the file has {}", missing.join(", "), names.join(", ")),
            "Add the column, or correct its name in the header",
        ));
    }
    let mut table = FleetTable { rows: Vec::new(), problems: Vec::new(), rows_read: 0 };
    for record in reader.records() {
        let record = record.map_err(|error| refuse(error.to_string(), "Correct the row"))?;
        if record.iter().all(str::is_empty) {
            continue;
        }
        table.rows_read += 1;
        let cells = names.iter().map(String::as_str).zip(record.iter()).collect();
        let mut row = Row { number: table.rows_read, cells, warnings: Vec::new() };
        match take(&mut row) {
            Ok(entry) => {
                table.rows.push(entry);
                table.problems.append(&mut row.warnings);
            }
            Err(problem) => table.problems.push(problem),
        }
    }
    Ok(table)
}

fn read_text(path: &Path) -> Result<String, IngestError> {
    let mut bytes = Vec::new();
    let mut file = open_regular(path)?.take(TABLE_BYTES_MAX + 1);
    file.read_to_end(&mut bytes)
        .map_err(|source| IngestError::Unreadable { path: path.to_path_buf(), source })?;
    let refuse = |problem: &str, remedy: &str| IngestError::FleetTable {
        path: path.to_path_buf(),
        problem: problem.to_owned(),
        remedy: remedy.to_owned(),
    };
    if bytes.len() as u64 > TABLE_BYTES_MAX {
        return Err(refuse("larger than 64 MiB", "This is no table of a fleet; check the path"));
    }
    if bytes.trim_ascii().is_empty() {
        return Err(IngestError::Empty { path: path.to_path_buf() });
    }
    if bytes.contains(&0) && encoding_rs::Encoding::for_bom(&bytes).is_none() {
        return Err(refuse("not text", "Save it as CSV with commas and UTF-8"));
    }
    // A byte-order mark decides; without one, what is not UTF-8 is taken as Windows-1252.
    let (text, _, malformed) = encoding_rs::UTF_8.decode(&bytes);
    if malformed {
        return Ok(encoding_rs::WINDOWS_1252.decode(&bytes).0.into_owned());
    }
    Ok(text.into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn with_file<T>(text: &str, read: impl Fn(&Path) -> T) -> T {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("table.csv");
        std::fs::write(&path, text).unwrap();
        read(&path)
    }

    const HEAD: &str = "vehicle,engine_family,displacement_l,cylinders,banks,air_metering,injection,fuel,hybrid,depot,colour\n";

    #[test]
    fn a_register_with_gaps() {
        let text = format!(
            "{HEAD}V1,F1,1.5,4,1,map,port,e10,no,north,red\nV2,F1,,4,1,maf,direct,e10,yes,north,\nV3,F1,1.5,four,1,maf,port,,,,\nV1,F1,1.5,4,1,map,port,,,,\n"
        );
        let table = with_file(&text, |p| read_register(p).unwrap());
        let names: Vec<&str> = table.rows.iter().map(|v| v.vehicle.as_str()).collect();
        assert_eq!(names, ["V1", "V2"]);
        assert_eq!(table.rows_read, 4);
        assert_eq!(table.rows[1].displacement_l, None);
        let shown: Vec<String> = table.problems.iter().map(Problem::to_string).collect();
        assert!(!table.problems[0].fatal && shown[0].contains("displacement_l"));
        assert!(
            shown[1].contains("row 3")
                && shown[1].contains("whole number from 1 to 12")
                && shown[1].contains("four")
        );
        assert!(shown[2].contains("not registered above"));
    }

    #[test]
    fn services_and_refuels() {
        let services = with_file(
            "date,vehicle,odometer_km,service,cost\n2024-01-31,V1,1000.5,injector_cleaning,120\n2024-02-30,V1,,other,\n2024-01-01,V1,,polish,\n",
            |p| read_services(p).unwrap(),
        );
        assert_eq!(services.rows.len(), 1);
        assert_eq!(services.rows[0].day, 19_753);
        assert_eq!(services.problems.len(), 2);
        assert!(services.problems[1].expected.contains("spark_plugs"));
        let refuels =
            with_file("date,vehicle,odometer_km,litres,full\n2024-01-31,V1,,40.5,1\n", |p| {
                read_refuels(p).unwrap()
            });
        assert!(refuels.rows[0].full && refuels.rows[0].litres == 40.5);
    }

    #[test]
    fn tables_that_cannot_be_used_say_what_to_do() {
        let error =
            with_file("vehicle,cylinders\nV1,4\n", |p| read_register(p).unwrap_err().to_string());
        assert!(
            error.contains("no column engine_family") && error.contains("vehicle, cylinders"),
            "{error}"
        );
        assert!(with_file("", |p| read_register(p).unwrap_err().to_string()).contains("empty"));
        assert!(
            with_file("a\0b", |p| read_register(p).unwrap_err().to_string()).contains("not text")
        );
    }
}
