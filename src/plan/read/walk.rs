//! Walking through the JSON: one small visitor for each level of the file.

use super::budget::Budget;
use super::check::Checker;
use super::{Fault, PlanReadError, PlanVisitor, StreamError};
use crate::plan::{FORMAT, PassHeader, PlanHeader, VERSION};
use serde::de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Value};
use std::fmt;

/// The state of a walk. JSON errors carry a text and a position; what they were made from is kept here.
pub(super) struct Walk<'w, V: PlanVisitor> {
    visitor: &'w mut V,
    budget: &'w Budget,
    checker: Option<Checker>,
    fault: Option<Fault>,
    stopped: Option<V::Error>,
}

/// Fields of a pass that come before its extents; more than these are never collected.
const PASS_FIELDS: usize = 8;

impl<'w, V: PlanVisitor> Walk<'w, V> {
    pub(super) fn new(visitor: &'w mut V, budget: &'w Budget) -> Walk<'w, V> {
        Walk { visitor, budget, checker: None, fault: None, stopped: None }
    }

    pub(super) fn whole<'de, D: Deserializer<'de>>(&mut self, json: D) -> Result<(), D::Error> {
        json.deserialize_map(File(self))
    }

    /// What a JSON error was really about.
    pub(super) fn explain(self, error: &serde_json::Error, used_up: bool) -> StreamError<V::Error> {
        if let Some(stopped) = self.stopped {
            return StreamError::Visitor(stopped);
        }
        let line = Some(error.line()).filter(|line| *line > 0);
        if let Some(fault) = self.fault {
            return PlanReadError::Invalid { line, fault }.into();
        }
        if used_up {
            return PlanReadError::Invalid { line, fault: Fault::TooLong }.into();
        }
        if let Some(kind) = error.io_error_kind() {
            return PlanReadError::Io(kind.into()).into();
        }
        let (line, column) = (error.line(), error.column());
        let text = error.to_string();
        let position = format!(" at line {line} column {column}");
        let problem = text.strip_suffix(&position).unwrap_or(&text).to_owned();
        PlanReadError::Shape { line, column, problem }.into()
    }

    fn checker(&mut self) -> &mut Checker {
        self.checker.as_mut().expect("the header is read before the passes")
    }

    /// Keeps a fault and turns it into the error that ends the JSON parsing.
    fn sound<T, E: serde::de::Error>(&mut self, outcome: Result<T, Fault>) -> Result<T, E> {
        outcome.map_err(|fault| {
            let error = E::custom(&fault);
            self.fault = Some(fault);
            error
        })
    }

    fn tell<E: serde::de::Error>(&mut self, outcome: Result<(), V::Error>) -> Result<(), E> {
        outcome.map_err(|error| {
            self.stopped = Some(error);
            E::custom("stopped")
        })
    }

    fn field<'de, A: MapAccess<'de>>(&mut self, map: &mut A, expected: &'static str) -> Result<(), A::Error> {
        let found = match map.next_key::<String>()? {
            Some(found) if found == expected => return Ok(()),
            Some(found) => Fault::FieldOrder { found: found.chars().take(40).collect(), expected },
            None => Fault::FieldMissing(expected),
        };
        self.sound(Err(if expected == "format" { Fault::NotAPlan } else { found }))
    }

    fn no_more_fields<'de, A: MapAccess<'de>>(&mut self, map: &mut A) -> Result<(), A::Error> {
        match map.next_key::<String>()? {
            Some(_) => Err(A::Error::custom("nothing may follow the last field")),
            None => Ok(()),
        }
    }
}

/// The whole file.
struct File<'a, 'w, V: PlanVisitor>(&'a mut Walk<'w, V>);

impl<'de, V: PlanVisitor> Visitor<'de> for File<'_, '_, V> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a plan")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let walk = self.0;
        walk.field(&mut map, "format")?;
        let is_plan = map.next_value::<Value>()?.as_str() == Some(FORMAT);
        walk.sound(if is_plan { Ok(()) } else { Err(Fault::NotAPlan) })?;
        walk.field(&mut map, "version")?;
        let found = map.next_value::<u64>()?;
        walk.sound(if found == VERSION { Ok(()) } else { Err(Fault::Version { found }) })?;
        walk.field(&mut map, "header")?;
        let header = map.next_value::<PlanHeader>()?;
        let checker = walk.sound(Checker::new(&header))?;
        walk.checker = Some(checker);
        let told = walk.visitor.header(&header);
        walk.tell(told)?;
        walk.budget.at_pass();
        walk.field(&mut map, "passes")?;
        map.next_value_seed(Passes(walk))?;
        let end = walk.checker().end(&header);
        walk.sound(end)?;
        walk.no_more_fields(&mut map)
    }
}

/// The list of passes.
struct Passes<'a, 'w, V: PlanVisitor>(&'a mut Walk<'w, V>);

impl<'de, V: PlanVisitor> DeserializeSeed<'de> for Passes<'_, '_, V> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_seq(self)
    }
}

impl<'de, V: PlanVisitor> Visitor<'de> for Passes<'_, '_, V> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the list of passes")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut passes: A) -> Result<(), A::Error> {
        while passes.next_element_seed(OnePass(self.0))?.is_some() {}
        Ok(())
    }
}

/// One pass: its fields, then its extents.
struct OnePass<'a, 'w, V: PlanVisitor>(&'a mut Walk<'w, V>);

impl<'de, V: PlanVisitor> DeserializeSeed<'de> for OnePass<'_, '_, V> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        self.0.budget.at_pass();
        json.deserialize_map(self)
    }
}

impl<'de, V: PlanVisitor> Visitor<'de> for OnePass<'_, '_, V> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a pass")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let walk = self.0;
        let mut fields = Map::new();
        loop {
            match map.next_key::<String>()? {
                None => return walk.sound(Err(Fault::FieldMissing("extents"))),
                Some(name) if name == "extents" => break,
                Some(name) if fields.len() < PASS_FIELDS && !fields.contains_key(&name) => {
                    fields.insert(name, map.next_value()?);
                }
                Some(name) => {
                    let found = name.chars().take(40).collect();
                    return walk.sound(Err(Fault::FieldOrder { found, expected: "extents" }));
                }
            }
        }
        let header: PassHeader = serde_json::from_value(Value::Object(fields)).map_err(A::Error::custom)?;
        let checked = walk.checker().pass(header.clone());
        walk.sound(checked)?;
        let told = walk.visitor.pass(&header);
        walk.tell(told)?;
        walk.budget.at_extent();
        map.next_value_seed(Extents(walk))?;
        let end = walk.checker().end_pass();
        walk.sound(end)?;
        walk.no_more_fields(&mut map)
    }
}

/// The extents of one pass.
struct Extents<'a, 'w, V: PlanVisitor>(&'a mut Walk<'w, V>);

impl<'de, V: PlanVisitor> DeserializeSeed<'de> for Extents<'_, '_, V> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_seq(self)
    }
}

impl<'de, V: PlanVisitor> Visitor<'de> for Extents<'_, '_, V> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the extents of a pass")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut extents: A) -> Result<(), A::Error> {
        while extents.next_element_seed(Span { walk: self.0, level: Level::Extent })?.is_some() {}
        Ok(())
    }
}

/// An extent with its gaps, or one gap.
struct Span<'a, 'w, V: PlanVisitor> {
    walk: &'a mut Walk<'w, V>,
    level: Level,
}

#[derive(Clone, Copy, PartialEq)]
enum Level {
    Extent,
    Gap,
}

impl<'de, V: PlanVisitor> DeserializeSeed<'de> for Span<'_, '_, V> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_seq(self)
    }
}

impl<'de, V: PlanVisitor> Visitor<'de> for Span<'_, '_, V> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self.level {
            Level::Extent => "an extent: [start, length] or [start, length, gaps]",
            Level::Gap => "a gap: [start, length]",
        })
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut numbers: A) -> Result<(), A::Error> {
        let walk = self.walk;
        walk.budget.at_extent();
        let start = numbers.next_element::<u64>()?.ok_or_else(|| A::Error::custom("the start is missing"))?;
        let bytes = numbers.next_element::<u64>()?.ok_or_else(|| A::Error::custom("the length is missing"))?;
        if self.level == Level::Gap {
            let gap = walk.checker().gap(start, bytes);
            let gap = walk.sound(gap)?;
            let told = walk.visitor.gap(gap);
            return walk.tell(told);
        }
        let extent = walk.checker().extent(start, bytes);
        let extent = walk.sound(extent)?;
        let told = walk.visitor.extent(extent);
        walk.tell(told)?;
        numbers.next_element_seed(Gaps(walk))?;
        Ok(())
    }
}

/// The gaps of one extent.
struct Gaps<'a, 'w, V: PlanVisitor>(&'a mut Walk<'w, V>);

impl<'de, V: PlanVisitor> DeserializeSeed<'de> for Gaps<'_, '_, V> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, json: D) -> Result<(), D::Error> {
        json.deserialize_seq(self)
    }
}

impl<'de, V: PlanVisitor> Visitor<'de> for Gaps<'_, '_, V> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("the gaps of an extent")
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut gaps: A) -> Result<(), A::Error> {
        while gaps.next_element_seed(Span { walk: self.0, level: Level::Gap })?.is_some() {}
        Ok(())
    }
}
