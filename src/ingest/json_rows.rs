//! JSON lines: one object per line.
//!
//! Comes in: blocks of whole lines. Goes out: rows in the [`Body`]. A column of the profile is a member of the object, or
//! of an object in it, written `outer.inner`. Nesting is bounded by the JSON reader, and what the profile does not ask for
//! is passed over without being built. Never: decides trips.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;

use serde::de::{DeserializeSeed, IgnoredAny, MapAccess, Visitor};

use super::IngestError;
use super::assembly::Use;
use super::header::Header;
use super::json_shape::Shape;
use super::line_rows::{Body, Found, LineRows};
use super::rows::Fault;
use super::stamp::has_exponent;
use crate::tables::samples::RejectCode;

/// Distinct names of members remembered as not read.
const UNREAD_MAX: usize = 1000;

/// A value that can be a cell.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Scalar<'a> {
    Null,
    Whole(i64),
    Number(f64),
    Text(Cow<'a, str>),
    /// A list, or an object where a value is wanted.
    Other,
}

/// The members of the profile: positions in the header by lower-case name.
#[derive(Debug)]
struct Members(BTreeMap<String, usize>);

impl Members {
    fn of(header: &Header) -> Members {
        let names = header.names.iter().enumerate();
        Members(names.map(|(position, name)| (name.to_lowercase(), position)).collect())
    }
}

/// The members of one line that the profile asks for, as text by their position in `header`; as far as it can be read.
pub(super) fn member_texts(line: &[u8], header: &Header) -> Vec<(usize, String)> {
    let members = Members::of(header);
    let mut cells = Vec::new();
    let mut reader = serde_json::Deserializer::from_slice(line);
    let seed =
        Object { members: &members, prefix: "", cells: &mut cells, unread: &mut BTreeMap::new() };
    // What stands in front of a fault is text as well.
    let _ = seed.deserialize(&mut reader);
    cells.iter().map(|(position, scalar)| (*position, shown(scalar))).collect()
}

/// Reads the rows of one file, one object per line.
pub(super) struct JsonRows<'p> {
    body: Body<'p>,
    header: Header,
    members: Members,
    shape: Shape,
    values: Vec<f64>,
    /// By measure.
    seen: Vec<bool>,
    /// By position in the header.
    positions_seen: Vec<bool>,
    unread: BTreeMap<String, ()>,
}

impl<'p> JsonRows<'p> {
    pub(super) fn new(mut body: Body<'p>) -> JsonRows<'p> {
        let header = Header::of_profile(body.profile);
        body.assembly.measures = header.measures.clone();
        body.rejects.hide_rows = true; // an object may hold members that nobody asked for
        JsonRows {
            values: vec![f64::NAN; header.measures.len()],
            seen: vec![false; header.measures.len()],
            positions_seen: vec![false; header.names.len()],
            members: Members::of(&header),
            shape: Shape::default(),
            header,
            unread: BTreeMap::new(),
            body,
        }
    }

    /// Reads one object into the assembly; after a fault it must be undone.
    fn row(&mut self, line: &[u8]) -> Result<(), (Fault, String)> {
        let whole = |code| (Fault { code, column: None }, String::new());
        let mut cells: Vec<(usize, Scalar<'_>)> = Vec::with_capacity(self.header.names.len());
        if !self.shape.read(line, &mut cells) {
            cells.clear();
            let mut reader = serde_json::Deserializer::from_slice(line);
            let seed = Object {
                members: &self.members,
                prefix: "",
                cells: &mut cells,
                unread: &mut self.unread,
            };
            seed.deserialize(&mut reader).map_err(|e| whole(json_code(&e)))?;
            reader.end().map_err(|e| whole(json_code(&e)))?;
            self.shape = Shape::of(line, &self.members.0);
        }
        self.values.fill(f64::NAN);
        self.body.assembly.begin();
        for (position, scalar) in &cells {
            self.positions_seen[*position] = true;
            for purpose in &self.header.uses[*position] {
                let Use::Value(index) = *purpose else {
                    let taken = other_cell(&mut self.body, *purpose, scalar, line);
                    taken
                        .map_err(|code| (Fault { code, column: Some(*position) }, shown(scalar)))?;
                    continue;
                };
                self.seen[index] = true;
                self.values[index] = value(&self.body, index, scalar)
                    .map_err(|code| (Fault { code, column: Some(*position) }, shown(scalar)))?;
            }
        }
        self.body.assembly.values(&self.values);
        let row = self.body.rows;
        self.body.assembly.finish(row).map_err(|fault| {
            let fault = self.header.fault(fault);
            let cell = cells.iter().find(|(position, _)| Some(*position) == fault.column);
            (fault, cell.map_or(String::new(), |(_, scalar)| shown(scalar)))
        })
    }
}

/// Takes a time or a name.
fn other_cell(
    body: &mut Body<'_>,
    purpose: Use,
    scalar: &Scalar<'_>,
    line: &[u8],
) -> Result<(), RejectCode> {
    let assembly = &mut body.assembly;
    match scalar {
        Scalar::Null => assembly.cell(purpose, b""),
        Scalar::Text(text) => assembly.cell(purpose, text.trim().as_bytes()),
        Scalar::Whole(number) => assembly.cell(purpose, number.to_string().as_bytes()),
        // The JSON reader does not tell how a number was written, so the line must tell whether digits were lost.
        Scalar::Number(number)
            if purpose == Use::Time && number.fract() == 0.0 && has_exponent(line) =>
        {
            Err(RejectCode::ImpreciseTime)
        }
        Scalar::Number(number) => assembly.cell(purpose, number.to_string().as_bytes()),
        Scalar::Other if purpose == Use::Time => Err(RejectCode::BadTime),
        Scalar::Other => Err(RejectCode::BadVehicle),
    }
}

fn value(body: &Body<'_>, index: usize, scalar: &Scalar<'_>) -> Result<f64, RejectCode> {
    let measure = &body.assembly.measures[index];
    match scalar {
        Scalar::Null => Ok(f64::NAN),
        Scalar::Whole(number) => measure.number(*number as f64, body.assembly.reading()),
        Scalar::Number(number) => measure.number(*number, body.assembly.reading()),
        Scalar::Text(text) => measure.any(text.trim().as_bytes(), body.assembly.reading()),
        Scalar::Other => Err(RejectCode::NotANumber),
    }
}

/// A line that is no object, or none that ends, has the wrong shape of a row.
fn json_code(error: &serde_json::Error) -> RejectCode {
    match error.classify() {
        serde_json::error::Category::Syntax if error.to_string().contains("unicode") => {
            RejectCode::BadEncoding
        }
        _ => RejectCode::RaggedRow,
    }
}

fn shown(scalar: &Scalar<'_>) -> String {
    match scalar {
        Scalar::Null => String::new(),
        Scalar::Whole(number) => number.to_string(),
        Scalar::Number(number) => number.to_string(),
        Scalar::Text(text) => text.to_string(),
        Scalar::Other => "(a list or object)".to_owned(),
    }
}

impl<'p> LineRows<'p> for JsonRows<'p> {
    fn line(&mut self, line: &[u8]) -> Result<(), IngestError> {
        if line.len() > self.body.limits.line_bytes_max {
            self.body.reject_line(RejectCode::LineTooLong, line);
            return Ok(());
        }
        self.body.rows += 1;
        if let Err((fault, raw)) = self.row(line) {
            self.body.assembly.undo();
            let row = self.body.rows;
            match fault.column {
                Some(at) => {
                    let column = &self.header.names[at];
                    self.body.rejects.add(row, column, fault.code, raw.as_bytes());
                }
                None => self.body.rejects.add(row, "", fault.code, line),
            }
        }
        Ok(())
    }

    fn last(&mut self, line: &[u8]) -> Result<bool, IngestError> {
        self.body.rows += 1;
        let usable = self.row(line).is_ok();
        if !usable {
            self.body.rows -= 1;
            self.body.assembly.undo();
        }
        Ok(usable)
    }

    fn body(&mut self) -> &mut Body<'p> {
        &mut self.body
    }

    fn found(&self) -> Result<Option<Found>, IngestError> {
        if !self.body.any {
            return Ok(None);
        }
        let header = &self.header;
        let needed =
            |at: &usize| header.uses[*at].iter().any(|u| !matches!(u, Use::Value(_) | Use::Trip));
        let missing: Vec<usize> =
            (0..header.names.len()).filter(needed).filter(|at| !self.positions_seen[*at]).collect();
        if !missing.is_empty() {
            let quoted = |name: &String| format!("`{name}`");
            return Err(IngestError::MissingColumns {
                path: self.body.path.to_path_buf(),
                missing: missing
                    .iter()
                    .map(|at| quoted(&header.names[*at]))
                    .collect::<Vec<_>>()
                    .join(", "),
                found: self.unread.keys().take(20).map(quoted).collect::<Vec<_>>().join(", "),
                profile: self.body.profile.name().to_owned(),
            });
        }
        let measures = header.measures.iter().zip(&self.seen);
        Ok(Some(Found {
            absent: measures
                .filter(|(_, seen)| !**seen)
                .map(|(m, _)| m.spec.signal.spec().name)
                .collect(),
            unread: self.unread.keys().cloned().collect(),
        }))
    }
}

/// Reads one object and notes the members that the profile asks for.
struct Object<'a, 'de> {
    members: &'a Members,
    /// The names of the objects around this one, each with its point.
    prefix: &'a str,
    cells: &'a mut Vec<(usize, Scalar<'de>)>,
    unread: &'a mut BTreeMap<String, ()>,
}

impl<'de> DeserializeSeed<'de> for Object<'_, 'de> {
    type Value = ();

    fn deserialize<D: serde::Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_map(self)
    }
}

impl<'de> Visitor<'de> for Object<'_, 'de> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("one JSON object per line")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        while let Some(name) = map.next_key_seed(NameSeed)? {
            // Most names are written as the profile has them, and stand in no other object.
            let as_written = self.members.0.get(name.as_ref()).filter(|_| self.prefix.is_empty());
            let (position, full) = match as_written {
                Some(position) => (Some(position), String::new()),
                None => {
                    let full = format!("{}{}", self.prefix, name.trim().to_lowercase());
                    (self.members.0.get(&full), full)
                }
            };
            if let Some(position) = position {
                let scalar = map.next_value_seed(ScalarSeed)?;
                // Of equal names the last one counts, as most readers have it (RFC 8259 section 4).
                self.cells.retain(|(p, _)| p != position);
                self.cells.push((*position, scalar));
                continue;
            }
            let inner = format!("{full}.");
            let wanted = self.members.0.range(inner.clone()..).next();
            if wanted.is_some_and(|(name, _)| name.starts_with(&inner)) {
                map.next_value_seed(Object {
                    members: self.members,
                    prefix: &inner,
                    cells: &mut *self.cells,
                    unread: &mut *self.unread,
                })?;
                continue;
            }
            if self.unread.len() < UNREAD_MAX {
                self.unread.insert(full, ());
            }
            map.next_value::<IgnoredAny>()?;
        }
        Ok(())
    }
}

/// Reads the name of a member, without a copy where it needs none.
struct NameSeed;

impl<'de> DeserializeSeed<'de> for NameSeed {
    type Value = Cow<'de, str>;

    fn deserialize<D: serde::Deserializer<'de>>(
        self,
        deserializer: D,
    ) -> Result<Cow<'de, str>, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for NameSeed {
    type Value = Cow<'de, str>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a name")
    }

    fn visit_borrowed_str<E>(self, name: &'de str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Borrowed(name))
    }

    fn visit_str<E>(self, name: &str) -> Result<Cow<'de, str>, E> {
        Ok(Cow::Owned(name.to_owned()))
    }
}

/// Reads one value that can be a cell.
struct ScalarSeed;

impl<'de> DeserializeSeed<'de> for ScalarSeed {
    type Value = Scalar<'de>;

    fn deserialize<D: serde::Deserializer<'de>>(
        self,
        deserializer: D,
    ) -> Result<Scalar<'de>, D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for ScalarSeed {
    type Value = Scalar<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a value")
    }

    fn visit_unit<E>(self) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Null)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Whole(i64::from(value)))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Whole(value))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Scalar<'de>, E> {
        Ok(i64::try_from(value).map_or(Scalar::Number(value as f64), Scalar::Whole))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Number(value))
    }

    fn visit_borrowed_str<E>(self, value: &'de str) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Text(Cow::Borrowed(value)))
    }

    fn visit_str<E>(self, value: &str) -> Result<Scalar<'de>, E> {
        Ok(Scalar::Text(Cow::Owned(value.to_owned())))
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut list: A) -> Result<Scalar<'de>, A::Error> {
        while list.next_element::<IgnoredAny>()?.is_some() {}
        Ok(Scalar::Other)
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Scalar<'de>, A::Error> {
        while map.next_entry::<IgnoredAny, IgnoredAny>()?.is_some() {}
        Ok(Scalar::Other)
    }
}
