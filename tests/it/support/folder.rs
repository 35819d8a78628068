//! A fleet's folder on the disk: register, logs, pipeline file; simulated or written by hand.

use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};

use trimdrift::demo::{self, DemoSettings, FileSpan};

use super::Contents;
use super::program::{Ran, trimdrift};

/// Head of a register.
pub(crate) const REGISTER: &str = "vehicle,engine_family,displacement_l,cylinders,banks,air_metering,injection,fuel,hybrid,depot\n";

/// Head of the logs that [`log`] writes.
pub(crate) const LOG: &str =
    "time,vehicle,trip,speed_kmh,rpm,maf_gs,coolant_c,stft1_pct,ltft1_pct,fuel_status\n";

/// A folder that ends with this value.
#[derive(Debug)]
pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    /// An empty one.
    pub(crate) fn new() -> Folder {
        Folder(tempfile::tempdir().unwrap())
    }

    /// A simulated fleet with its tables, logs and `pipeline.toml`.
    pub(crate) fn demo(settings: &DemoSettings) -> Folder {
        let folder = Folder::new();
        demo::write_fleet(folder.path(), settings, &|_, _| {}).unwrap();
        folder
    }

    /// Vehicles `V1` and `V2`, one good log of `V1`, a pipeline file.
    pub(crate) fn by_hand() -> Folder {
        let folder = Folder::new();
        folder.write("vehicles.csv", format!("{REGISTER}{}{}", entry("V1"), entry("V2")));
        folder.write("logs/good.csv", log("V1", "t1", 1, GOOD_ROWS));
        folder.pipeline("");
        folder
    }

    /// A new folder with the tables and the pipeline file of `other`, without its logs.
    pub(crate) fn tables_of(other: &Folder) -> Folder {
        let folder = Folder::new();
        for name in ["vehicles.csv", "services.csv", "refuels.csv", "pipeline.toml"] {
            if other.join(name).exists() {
                fs::copy(other.join(name), folder.join(name)).unwrap();
            }
        }
        fs::create_dir(folder.join("logs")).unwrap();
        folder
    }

    /// A copy, without lake and outputs.
    pub(crate) fn copy_of(other: &Folder) -> Folder {
        let folder = Folder::tables_of(other);
        for name in other.logs() {
            folder.receive(other, &name);
        }
        folder
    }

    /// Takes one log of `other` over.
    pub(crate) fn receive(&self, other: &Folder, log: &str) {
        fs::copy(other.join("logs").join(log), self.join("logs").join(log)).unwrap();
    }

    /// Writes `pipeline.toml` with `extra` at its end.
    pub(crate) fn pipeline(&self, extra: &str) {
        self.write("pipeline.toml", pipeline(&["logs/*.csv*"], extra));
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }

    pub(crate) fn join(&self, name: &str) -> PathBuf {
        self.path().join(name)
    }

    /// Writes a file, and the folders above it.
    pub(crate) fn write(&self, name: &str, bytes: impl AsRef<[u8]>) {
        let path = self.join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
    }

    pub(crate) fn read(&self, name: &str) -> Vec<u8> {
        fs::read(self.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }

    pub(crate) fn text(&self, name: &str) -> String {
        String::from_utf8(self.read(name)).unwrap()
    }

    /// Names of the logs, sorted.
    pub(crate) fn logs(&self) -> Vec<String> {
        let mut names: Vec<String> = fs::read_dir(self.join("logs"))
            .unwrap()
            .map(|e| e.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    /// Runs the program here.
    #[track_caller]
    pub(crate) fn trimdrift(&self, args: &[&str]) -> Ran {
        trimdrift(self.path(), args)
    }

    /// `run pipeline.toml`, which must end well.
    #[track_caller]
    pub(crate) fn run(&self) -> Ran {
        self.trimdrift(&["run", "pipeline.toml"]).expect(0)
    }

    /// `ingest pipeline.toml`, which must end well.
    #[track_caller]
    pub(crate) fn ingest(&self) -> Ran {
        self.trimdrift(&["ingest", "pipeline.toml"]).expect(0)
    }

    /// What is in the lake.
    pub(crate) fn lake(&self) -> Contents {
        Contents::of(&self.join("lake"))
    }

    /// Every file below with its bytes, but for lake and outputs.
    pub(crate) fn inputs(&self) -> BTreeMap<String, Vec<u8>> {
        let mut files = tree(self.path());
        files.retain(|name, _| !name.starts_with("lake/") && !name.starts_with("out/"));
        files
    }
}

/// Rows of the good log of [`Folder::by_hand`].
pub(crate) const GOOD_ROWS: usize = 40;

/// A register entry.
pub(crate) fn entry(vehicle: &str) -> String {
    format!("{},F1,1.6,4,1,maf,port,petrol,no,North\n", cell(vehicle))
}

/// A CSV cell, quoted where it must be.
pub(crate) fn cell(text: &str) -> String {
    if text.contains([',', '"', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}

/// A pipeline file over the usual places.
pub(crate) fn pipeline(patterns: &[&str], extra: &str) -> String {
    format!(
        "[fleet]\nregister = \"vehicles.csv\"\n\n[[source]]\nprofile = \"plain\"\nfiles = {patterns:?}\n\n\
         [lake]\npath = \"lake\"\n\n[output]\npath = \"out\"\n{extra}"
    )
}

/// A log of `rows` seconds on January 2024's day `day`.
pub(crate) fn log(vehicle: &str, trip: &str, day: u32, rows: usize) -> String {
    let mut text = LOG.to_owned();
    for i in 0..rows {
        text += &row(vehicle, trip, day, i);
    }
    text
}

/// One row of such a log, `second` after eight in the morning.
pub(crate) fn row(vehicle: &str, trip: &str, day: u32, second: usize) -> String {
    let (h, m, s) = (8 + second / 3600, second / 60 % 60, second % 60);
    format!(
        "2024-01-{day:02}T{h:02}:{m:02}:{s:02}Z,{},{},{},1500,8.{},85,1.5,2.{},2\n",
        cell(vehicle),
        cell(trip),
        40 + second % 7,
        second % 10,
        second % 10
    )
}

/// A small simulated fleet: a row every ten seconds, a file for each vehicle and week.
pub(crate) fn small(vehicles: usize, days: usize, seed: u64) -> DemoSettings {
    DemoSettings {
        vehicles,
        days,
        seed,
        sample_period_s: 10,
        file_span: FileSpan::Week,
        ..DemoSettings::default()
    }
}

/// The bytes as gzip.
pub(crate) fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

/// The bytes as Zstandard.
pub(crate) fn zstandard(bytes: &[u8]) -> Vec<u8> {
    zstd::encode_all(bytes, 1).unwrap()
}

/// Every file below `folder` by its relative path; a link stands for itself.
pub(crate) fn tree(folder: &Path) -> BTreeMap<String, Vec<u8>> {
    fn below(root: &Path, folder: &Path, files: &mut BTreeMap<String, Vec<u8>>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let kind = fs::symlink_metadata(&path).unwrap().file_type();
            let name = path.strip_prefix(root).unwrap().to_string_lossy().into_owned();
            if kind.is_symlink() {
                let to = fs::read_link(&path).unwrap();
                files.insert(name, to.to_string_lossy().into_owned().into_bytes());
            } else if kind.is_dir() {
                below(root, &path, files);
            } else {
                // What may not be read, or never ends, shall only be known to be there.
                let bytes = if kind.is_file() { fs::read(&path) } else { Ok(Vec::new()) };
                files.insert(name, bytes.unwrap_or_default());
            }
        }
    }
    let mut files = BTreeMap::new();
    below(folder, folder, &mut files);
    files
}
