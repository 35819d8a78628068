//! A TOML text whose values know their line, and tables that refuse what they do not know.
//!
//! Comes in: the text of a profile. Goes out: typed values, or an error with file, line and the nearest valid key.
//! Never: what the keys mean.

use std::path::{Path, PathBuf};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::IngestError;

/// A text with the path it came from.
#[derive(Clone, Copy)]
pub(super) struct Page<'a> {
    pub(super) path: &'a Path,
    pub(super) text: &'a str,
}

/// A value with the place where it stands.
pub(super) struct Entry<'a, 'i> {
    pub(super) page: Page<'a>,
    pub(super) key: String,
    value: &'a Spanned<DeValue<'i>>,
}

/// A table of a page.
#[derive(Clone, Copy)]
pub(super) struct Section<'a, 'i> {
    page: Page<'a>,
    table: &'a DeTable<'i>,
}

impl<'a> Page<'a> {
    /// Parses the whole text.
    pub(super) fn parse(self) -> Result<Spanned<DeTable<'a>>, IngestError> {
        DeTable::parse(self.text).map_err(|error| IngestError::ProfileSyntax {
            path: self.path.to_path_buf(),
            line: self.line(error.span().map_or(0, |s| s.start)),
            message: error.message().to_owned(),
        })
    }

    fn line(self, offset: usize) -> usize {
        self.text.bytes().take(offset).filter(|b| *b == b'\n').count() + 1
    }
}

impl<'a, 'i> Section<'a, 'i> {
    pub(super) fn new(page: Page<'a>, table: &'a DeTable<'i>) -> Self {
        Section { page, table }
    }

    /// Refuses every key that is not in `valid`.
    pub(super) fn only(&self, valid: &[&str]) -> Result<(), IngestError> {
        for key in self.table.keys() {
            let name: &str = key.get_ref();
            if !valid.contains(&name) {
                return Err(IngestError::UnknownKey {
                    path: self.page.path.to_path_buf(),
                    line: self.page.line(key.span().start),
                    key: name.to_owned(),
                    hint: hint(name, valid),
                });
            }
        }
        Ok(())
    }

    pub(super) fn get(&self, key: &str) -> Option<Entry<'a, 'i>> {
        let value = self.table.get(key)?;
        Some(Entry { page: self.page, key: key.to_owned(), value })
    }

    /// The value of `key`, which must be there.
    pub(super) fn need(
        &self,
        key: &str,
        example: &'static str,
    ) -> Result<Entry<'a, 'i>, IngestError> {
        self.get(key).ok_or_else(|| self.missing(key, example))
    }

    /// The error that `key` is not there, or empty.
    pub(super) fn missing(&self, key: &str, example: &'static str) -> IngestError {
        let path = self.page.path.to_path_buf();
        IngestError::MissingKey { path, key: key.to_owned(), example }
    }

    /// All entries in the order of their keys.
    pub(super) fn entries(&self) -> Vec<Entry<'a, 'i>> {
        self.table
            .iter()
            .map(|(key, value)| Entry { page: self.page, key: key.get_ref().to_string(), value })
            .collect()
    }

    pub(super) fn text(&self, key: &str) -> Result<Option<&'a str>, IngestError> {
        self.get(key).map(|e| e.text()).transpose()
    }

    pub(super) fn flag(&self, key: &str, default: bool) -> Result<bool, IngestError> {
        self.get(key).map_or(Ok(default), |e| e.flag())
    }

    pub(super) fn section(&self, key: &str) -> Result<Option<Section<'a, 'i>>, IngestError> {
        self.get(key).map(|e| e.section()).transpose()
    }

    /// A single ASCII character; `""` stands for none and `"tab"` for the tabulator.
    pub(super) fn mark(&self, key: &str, default: Option<u8>) -> Result<Option<u8>, IngestError> {
        let Some(entry) = self.get(key) else {
            return Ok(default);
        };
        match entry.text()?.as_bytes() {
            [] => Ok(None),
            b"tab" => Ok(Some(b'\t')),
            [byte] if byte.is_ascii() && !matches!(byte, b'\n' | b'\r' | b'0'..=b'9') => {
                Ok(Some(*byte))
            }
            _ => Err(entry.refuse("one ASCII character that is no digit and no line end")),
        }
    }
}

impl<'a, 'i> Entry<'a, 'i> {
    pub(super) fn line(&self) -> usize {
        self.page.line(self.value.span().start)
    }

    pub(super) fn path(&self) -> PathBuf {
        self.page.path.to_path_buf()
    }

    /// The error that this value is not what is wanted.
    pub(super) fn refuse(&self, wanted: &str) -> IngestError {
        let found = match self.value.get_ref() {
            DeValue::String(text) => format!("`{text}`"),
            other => format!("a value of type {}", other.type_str()),
        };
        IngestError::WrongValue {
            path: self.path(),
            line: self.line(),
            key: self.key.clone(),
            wanted: wanted.to_owned(),
            found,
        }
    }

    pub(super) fn is_text(&self) -> bool {
        self.value.get_ref().is_str()
    }

    pub(super) fn is_number(&self) -> bool {
        self.value.get_ref().is_integer() || self.value.get_ref().is_float()
    }

    pub(super) fn text(&self) -> Result<&'a str, IngestError> {
        self.value.get_ref().as_str().ok_or_else(|| self.refuse("text in quotes"))
    }

    pub(super) fn flag(&self) -> Result<bool, IngestError> {
        self.value.get_ref().as_bool().ok_or_else(|| self.refuse("true or false"))
    }

    pub(super) fn number(&self) -> Result<f64, IngestError> {
        let text = match self.value.get_ref() {
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str(),
            DeValue::Float(float) => float.as_str(),
            _ => return Err(self.refuse("a number")),
        };
        let number: f64 = text.replace('_', "").parse().map_err(|_| self.refuse("a number"))?;
        if number.is_finite() { Ok(number) } else { Err(self.refuse("a finite number")) }
    }

    /// A whole number from 0 to `max`.
    pub(super) fn whole(&self, max: usize) -> Result<usize, IngestError> {
        let wanted = format!("a whole number from 0 to {max}");
        let text = match self.value.get_ref() {
            DeValue::Integer(integer) if integer.radix() == 10 => integer.as_str(),
            _ => return Err(self.refuse(&wanted)),
        };
        text.replace('_', "").parse().ok().filter(|n| *n <= max).ok_or_else(|| self.refuse(&wanted))
    }

    pub(super) fn texts(&self) -> Result<Vec<&'a str>, IngestError> {
        let wanted = "a list of texts";
        let list = self.value.get_ref().as_array().ok_or_else(|| self.refuse(wanted))?;
        list.iter().map(|v| v.get_ref().as_str().ok_or_else(|| self.refuse(wanted))).collect()
    }

    pub(super) fn section(&self) -> Result<Section<'a, 'i>, IngestError> {
        let table = self.value.get_ref().as_table().ok_or_else(|| self.refuse("a table"))?;
        Ok(Section { page: self.page, table })
    }

    /// The one of `choices` whose name the text is.
    pub(super) fn choice<T: Copy>(&self, choices: &[(&str, T)]) -> Result<T, IngestError> {
        let text = self.text()?;
        match choices.iter().find(|(name, _)| *name == text) {
            Some((_, value)) => Ok(*value),
            None => {
                let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
                Err(self.refuse(&format!("one of {}", names.join(", "))))
            }
        }
    }
}

/// A half sentence that points to the valid name nearest to `name`, and lists them all if none is near.
pub(super) fn hint(name: &str, valid: &[&str]) -> String {
    let nearest = valid
        .iter()
        .map(|v| (strsim::jaro_winkler(&name.to_lowercase(), &v.to_lowercase()), *v))
        .filter(|(likeness, _)| *likeness > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0));
    match nearest {
        Some((_, v)) => format!("did you mean `{v}`?"),
        None => format!("valid here: {}", valid.join(", ")),
    }
}
