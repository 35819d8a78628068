//! The pipeline file as written: TOML in, checked settings out.

use super::{
    CostSettings, DecideSettings, FleetFiles, GateSettings, IngestSettings, KeySpec, Pipeline,
    ProfileRef, SettingsError, Source, TestSettings,
};
use std::path::{Component, Path, PathBuf};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

type Result<T> = std::result::Result<T, SettingsError>;

/// Reads and checks a pipeline file; relative paths resolve against its own folder.
///
/// # Errors
/// [`SettingsError`] with file and line, and the nearest valid key for an unknown one.
pub fn load(path: &Path, built_in_profiles: &[&str]) -> Result<Pipeline> {
    let text = std::fs::read_to_string(path)
        .map_err(|source| SettingsError::Unreadable { path: path.to_owned(), source })?;
    let page = Page { path, text: &text };
    let root = DeTable::parse(&text).map_err(|e| SettingsError::Syntax {
        path: path.to_owned(),
        line: page.line(e.span().map_or(0, |s| s.start)),
        message: e.message().to_owned(),
    })?;
    let sections =
        ["fleet", "source", "lake", "output", "ingest", "gate", "test", "decide", "cost"];
    page.known_keys(root.get_ref(), &sections)?;
    let folder = path.parent().unwrap_or(Path::new("."));
    let resolve = |p: &str| {
        if p.contains("://") { PathBuf::from(p) } else { without_detours(&folder.join(p)) }
    };

    let fleet = page.section(root.get_ref(), "fleet")?.ok_or(missing(path, "fleet.register"))?;
    page.known_keys(fleet, &["register", "services", "refuels", "currency", "pseudonym_key_file"])?;
    let register = page.text(fleet, "register")?.ok_or(missing(path, "fleet.register"))?;
    let pseudonym_key = match page.text(fleet, "pseudonym_key_file")? {
        Some(p) => Some(pseudonym_key(&resolve(p))?),
        None => None,
    };
    let lake = page.section(root.get_ref(), "lake")?.ok_or(missing(path, "lake.path"))?;
    page.known_keys(lake, &["path"])?;
    let lake = page.text(lake, "path")?.ok_or(missing(path, "lake.path"))?;
    let output = page.section(root.get_ref(), "output")?.ok_or(missing(path, "output.path"))?;
    page.known_keys(output, &["path"])?;
    let output = page.text(output, "path")?.ok_or(missing(path, "output.path"))?;

    let mut ingest = IngestSettings::DEFAULT;
    page.numbers(root.get_ref(), "ingest", IngestSettings::KEYS, |k, v| ingest.set(k, v))?;
    let mut gate = GateSettings::DEFAULT;
    page.numbers(root.get_ref(), "gate", GateSettings::KEYS, |k, v| gate.set(k, v))?;
    let mut test = TestSettings::DEFAULT;
    page.numbers(root.get_ref(), "test", TestSettings::KEYS, |k, v| test.set(k, v))?;
    let mut decide = DecideSettings::DEFAULT;
    page.numbers(root.get_ref(), "decide", DecideSettings::KEYS, |k, v| decide.set(k, v))?;
    let mut cost = CostSettings::DEFAULT;
    page.numbers(root.get_ref(), "cost", CostSettings::KEYS, |k, v| cost.set(k, v))?;

    let mut pipeline = Pipeline {
        file: path.to_owned(),
        fleet: FleetFiles {
            register: resolve(register),
            services: page.text(fleet, "services")?.map(resolve),
            refuels: page.text(fleet, "refuels")?.map(resolve),
        },
        sources: page.sources(root.get_ref(), built_in_profiles, &resolve)?,
        lake: resolve(lake).to_string_lossy().into_owned(),
        output: resolve(output),
        pseudonym_key,
        ingest,
        gate,
        test,
        decide,
        cost,
        currency: page.text(fleet, "currency")?.unwrap_or("EUR").to_owned(),
        digest: String::new(),
    };
    pipeline.digest = digest(&pipeline);
    Ok(pipeline)
}

/// `a/../b` as `b`, as long as nothing but names stands before the `..`; symbolic links in a pipeline's own
/// path are taken as written.
fn without_detours(path: &Path) -> PathBuf {
    let mut out = PathBuf::new();
    for part in path.components() {
        let name_before = matches!(out.components().next_back(), Some(Component::Normal(_)));
        match part {
            Component::ParentDir if name_before => {
                out.pop();
            }
            Component::CurDir => {}
            other => out.push(other),
        }
    }
    if out.as_os_str().is_empty() { PathBuf::from(".") } else { out }
}

fn missing(path: &Path, key: &'static str) -> SettingsError {
    let example = match key {
        "fleet.register" => "[fleet] register = \"vehicles.csv\"",
        "lake.path" => "[lake] path = \"lake\"",
        "output.path" => "[output] path = \"out\"",
        _ => "[[source]] profile = \"plain\" files = [\"logs/*.csv\"]",
    };
    SettingsError::Missing { path: path.to_owned(), key, example }
}

fn pseudonym_key(path: &Path) -> Result<[u8; 32]> {
    let refuse = |reason: String| SettingsError::PseudonymKey { path: path.to_owned(), reason };
    let bytes = std::fs::read(path).map_err(|e| refuse(e.to_string()))?;
    if bytes.len() < 16 {
        return Err(refuse(format!("it has {} bytes", bytes.len())));
    }
    Ok(blake3::derive_key("trimdrift vehicle pseudonyms", &bytes))
}

fn digest(p: &Pipeline) -> String {
    let mut hasher = blake3::Hasher::new();
    for v in [p.gate.values(), p.test.values(), p.decide.values(), p.cost.values()].concat() {
        hasher.update(&v.to_le_bytes());
    }
    hasher.update(&[u8::from(p.pseudonym_key.is_some())]);
    hasher.finalize().to_hex()[..16].to_owned()
}

/// The text with its path, to say where something stands.
struct Page<'a> {
    path: &'a Path,
    text: &'a str,
}

impl Page<'_> {
    fn line(&self, offset: usize) -> usize {
        let upto = offset.min(self.text.len());
        1 + self.text.as_bytes()[..upto].iter().filter(|b| **b == b'\n').count()
    }

    fn wrong<T>(&self, key: &str, expected: &str, found: &Spanned<DeValue<'_>>) -> Result<T> {
        Err(SettingsError::WrongType {
            path: self.path.to_owned(),
            line: self.line(found.span().start),
            key: key.to_owned(),
            expected: expected.to_owned(),
            found: format!("a value of type {}", found.get_ref().type_str()),
        })
    }

    fn known_keys(&self, table: &DeTable<'_>, valid: &[&str]) -> Result<()> {
        for key in table.keys() {
            let name: &str = key.get_ref();
            if !valid.contains(&name) {
                return Err(SettingsError::UnknownKey {
                    path: self.path.to_owned(),
                    line: self.line(key.span().start),
                    key: name.to_owned(),
                    hint: nearest(name, valid)
                        .map_or(String::new(), |k| format!(" (did you mean `{k}`?)")),
                    valid: valid.join(", "),
                });
            }
        }
        Ok(())
    }

    fn section<'t, 'i>(
        &self,
        root: &'t DeTable<'i>,
        name: &str,
    ) -> Result<Option<&'t DeTable<'i>>> {
        match root.get(name) {
            None => Ok(None),
            Some(v) => match v.get_ref().as_table() {
                Some(t) => Ok(Some(t)),
                None => self.wrong(name, &format!("a section `[{name}]`"), v),
            },
        }
    }

    fn text<'t>(&self, table: &'t DeTable<'_>, key: &str) -> Result<Option<&'t str>> {
        match table.get(key) {
            None => Ok(None),
            Some(v) => match v.get_ref().as_str() {
                Some(s) => Ok(Some(s)),
                None => self.wrong(key, "text in quotes", v),
            },
        }
    }

    fn numbers(
        &self,
        root: &DeTable<'_>,
        section: &str,
        specs: &[KeySpec],
        mut set: impl FnMut(&str, f64),
    ) -> Result<()> {
        let Some(table) = self.section(root, section)? else { return Ok(()) };
        let valid: Vec<&str> = specs.iter().map(|s| s.key).collect();
        self.known_keys(table, &valid)?;
        for spec in specs {
            let Some(v) = table.get(spec.key) else { continue };
            let number = match v.get_ref() {
                DeValue::Integer(i) => i.as_str().replace('_', "").parse::<f64>().ok(),
                DeValue::Float(f) => f.as_str().replace('_', "").parse::<f64>().ok(),
                _ => None,
            };
            let Some(value) = number else { return self.wrong(spec.key, "a number", v) };
            if !(spec.min..=spec.max).contains(&value) {
                return Err(SettingsError::OutOfRange {
                    path: self.path.to_owned(),
                    line: self.line(v.span().start),
                    key: spec.key.to_owned(),
                    value,
                    min: spec.min,
                    max: spec.max,
                    default: spec.default,
                });
            }
            set(spec.key, value);
        }
        Ok(())
    }

    fn sources(
        &self,
        root: &DeTable<'_>,
        built_in: &[&str],
        resolve: &dyn Fn(&str) -> PathBuf,
    ) -> Result<Vec<Source>> {
        let Some(list) = root.get("source") else { return Err(missing(self.path, "source")) };
        let Some(array) = list.get_ref().as_array() else {
            return self.wrong("source", "one or more sections `[[source]]`", list);
        };
        let mut sources = Vec::new();
        for item in array.iter() {
            let Some(table) = item.get_ref().as_table() else {
                return self.wrong("source", "one or more sections `[[source]]`", item);
            };
            self.known_keys(table, &["profile", "files"])?;
            let profile = self.text(table, "profile")?.unwrap_or("plain");
            let profile = if built_in.contains(&profile) {
                ProfileRef::BuiltIn(profile.to_owned())
            } else {
                ProfileRef::File(resolve(profile))
            };
            let Some(files) = table.get("files") else {
                return Err(missing(self.path, "source.files"));
            };
            let patterns: Option<Vec<&str>> = match files.get_ref() {
                DeValue::String(s) => Some(vec![s.as_ref()]),
                DeValue::Array(a) => a.iter().map(|v| v.get_ref().as_str()).collect(),
                _ => None,
            };
            let Some(patterns) = patterns else {
                return self.wrong("files", "a list of file patterns", files);
            };
            let files = patterns.into_iter().map(resolve).collect();
            sources.push(Source { profile, files });
        }
        Ok(sources)
    }
}

/// The valid key that looks most like `name`, if one does.
pub(crate) fn nearest<'k>(name: &str, valid: &[&'k str]) -> Option<&'k str> {
    valid
        .iter()
        .map(|k| (strsim::jaro_winkler(name, k), *k))
        .filter(|(score, _)| *score > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, k)| k)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn try_load(text: &str) -> Result<Pipeline> {
        let dir = tempfile::tempdir().expect("temporary folder");
        let path = dir.path().join("p.toml");
        std::fs::write(&path, text).expect("write");
        load(&path, &["plain"])
    }

    const GOOD: &str = "[fleet]\nregister = \"v.csv\"\n[[source]]\nprofile = \"plain\"\nfiles = [\"*.csv\"]\n[lake]\npath = \"lake\"\n[output]\npath = \"out\"\n";

    #[test]
    fn a_minimal_pipeline_gets_the_documented_defaults() {
        let p = try_load(GOOD).expect("valid");
        assert_eq!(p.gate, GateSettings::DEFAULT);
        assert!(p.lake.ends_with("/lake"));
    }

    #[test]
    fn an_unknown_key_is_refused_with_line_and_nearest_key() {
        let e = try_load(&format!("{GOOD}[gate]\nwarm_coolant = 75\n")).expect_err("refused");
        let text = e.to_string();
        assert!(text.contains("line 11") && text.contains("`warm_coolant_c`"), "{text}");
    }

    #[test]
    fn a_wrong_type_and_a_value_out_of_range_are_refused() {
        let e = try_load(&format!("{GOOD}[gate]\nrpm_min = \"400\"\n")).expect_err("refused");
        assert!(e.to_string().contains("must be a number"), "{e}");
        let e = try_load(&format!("{GOOD}[gate]\nrpm_min = 4\n")).expect_err("refused");
        assert!(e.to_string().contains("between 100 and 1000"), "{e}");
        let e = try_load(&format!("{GOOD}[gate]\nrpm_min = nan\n")).expect_err("refused");
        assert!(e.to_string().contains("between 100 and 1000"), "{e}");
    }

    #[test]
    fn every_default_lies_in_its_range() {
        for spec in [
            IngestSettings::KEYS,
            GateSettings::KEYS,
            TestSettings::KEYS,
            DecideSettings::KEYS,
            CostSettings::KEYS,
        ]
        .concat()
        {
            assert!((spec.min..=spec.max).contains(&spec.default), "{}", spec.key);
        }
    }
}
