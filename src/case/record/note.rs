//! What the bench adds to a case's record: measurements with their units, decisions with their reasons, free text.

use crate::base::ending::{Ending, Ends};
use crate::case::HealthReading;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a note is about.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[non_exhaustive]
pub enum Topic {
    /// Whose drive it is and what the client wants.
    Client,
    /// The state it arrived in.
    Arrival,
    /// Checks before power is applied.
    Electrical,
    /// A part exchanged, and where it came from.
    Part,
    /// Power applied.
    SpinUp,
    /// Temperature.
    Temperature,
    /// The drive's own counters.
    Health,
    /// What was decided, and why.
    Decision,
    /// What was handed over, and to whom.
    HandOver,
    /// Anything else.
    Other,
}

/// What a field holds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum FieldKind {
    Words,
    Measure(Unit),
}

/// The unit of a measured field.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Unit {
    /// Resistance in ohm, 0 to 10^9.
    Ohm,
    /// Current in ampere, 0 to 20.
    Ampere,
    /// Voltage in volt, -60 to 60.
    Volt,
    /// Temperature in degrees Celsius, -60 to 150.
    Celsius,
    /// Time in seconds, 0 to 86,400.
    Second,
}

impl Unit {
    /// The sign after a figure.
    pub fn sign(self) -> &'static str {
        match self {
            Unit::Ohm => "Ω",
            Unit::Ampere => "A",
            Unit::Volt => "V",
            Unit::Celsius => "°C",
            Unit::Second => "s",
        }
    }

    /// What may be typed for it, in lower case; a letter for thousand (`k`), million (`M`) or thousandth (`m`) may stand before, where that makes sense.
    fn spellings(self) -> &'static [&'static str] {
        match self {
            Unit::Ohm => &["ohms", "ohm", "Ω", "\u{2126}"],
            Unit::Ampere => &["amperes", "ampere", "A", "a"],
            Unit::Volt => &["volts", "volt", "V", "v"],
            Unit::Celsius => &["°C", "degC", "celsius", "C", "c"],
            Unit::Second => &["seconds", "second", "s"],
        }
    }

    fn prefixes(self) -> &'static [(&'static str, f64)] {
        match self {
            Unit::Ohm => &[("k", 1e3), ("M", 1e6), ("m", 1e-3)],
            Unit::Ampere | Unit::Volt => &[("m", 1e-3)],
            Unit::Second => &[("m", 1e-3)],
            Unit::Celsius => &[],
        }
    }

    /// What a bench can measure; beyond it a figure is a slip of the hand (common practice, no source).
    fn range(self) -> (f64, f64) {
        match self {
            Unit::Ohm => (0.0, 1e9),
            Unit::Ampere => (0.0, 20.0),
            Unit::Volt => (-60.0, 60.0),
            Unit::Celsius => (-60.0, 150.0),
            Unit::Second => (0.0, 86_400.0),
        }
    }

    /// Reads a figure with or without its unit.
    fn read(self, text: &str) -> Option<f64> {
        let text = text.trim();
        let bare = self.spellings().iter().find_map(|spelling| text.strip_suffix(spelling)).map(str::trim_end);
        let (number, factor) = match bare {
            // Resistance is written with the prefix alone; elsewhere a lone `m` could as well mean minutes.
            None if self == Unit::Ohm && text.ends_with(['k', 'M']) => {
                (&text[..text.len() - 1], if text.ends_with('k') { 1e3 } else { 1e6 })
            }
            None => (text, 1.0),
            Some(bare) => self
                .prefixes()
                .iter()
                .find_map(|(prefix, factor)| Some((bare.strip_suffix(prefix)?.trim_end(), *factor)))
                .unwrap_or((bare, 1.0)),
        };
        let figure = number.trim().parse::<f64>().ok()? * factor;
        figure.is_finite().then_some(figure)
    }
}

impl Topic {
    /// All.
    pub const ALL: [Topic; 10] = [
        Topic::Client,
        Topic::Arrival,
        Topic::Electrical,
        Topic::Part,
        Topic::SpinUp,
        Topic::Temperature,
        Topic::Health,
        Topic::Decision,
        Topic::HandOver,
        Topic::Other,
    ];

    /// The name on the command line and in the record.
    pub fn name(self) -> &'static str {
        match self {
            Topic::Client => "client",
            Topic::Arrival => "arrival",
            Topic::Electrical => "electrical",
            Topic::Part => "part",
            Topic::SpinUp => "spin-up",
            Topic::Temperature => "temperature",
            Topic::Health => "health",
            Topic::Decision => "decision",
            Topic::HandOver => "hand-over",
            Topic::Other => "other",
        }
    }

    /// The topic of a name.
    pub fn of_name(name: &str) -> Option<Topic> {
        Topic::ALL.into_iter().find(|topic| topic.name() == name)
    }

    fn fields(self) -> &'static [(&'static str, FieldKind)] {
        use FieldKind::{Measure, Words};
        match self {
            Topic::Client => &[("reference", Words), ("name", Words), ("contact", Words), ("asks", Words)],
            Topic::Arrival => &[("condition", Words), ("packing", Words), ("noise", Words), ("opened-before", Words)],
            Topic::Electrical => &[
                ("rail", Words),
                ("nominal", Measure(Unit::Volt)),
                ("before", Measure(Unit::Ohm)),
                ("after", Measure(Unit::Ohm)),
                ("part", Words),
                ("donor", Words),
            ],
            Topic::Part => &[("replaced", Words), ("donor", Words), ("reason", Words)],
            Topic::SpinUp => &[
                ("rail", Words),
                ("voltage", Measure(Unit::Volt)),
                ("current", Measure(Unit::Ampere)),
                ("peak", Measure(Unit::Ampere)),
                ("time", Measure(Unit::Second)),
                ("sound", Words),
            ],
            Topic::Temperature => &[("drive", Measure(Unit::Celsius)), ("room", Measure(Unit::Celsius))],
            Topic::Decision => &[("decision", Words), ("reason", Words)],
            Topic::HandOver => &[("what", Words), ("to", Words), ("medium", Words), ("sha256", Words)],
            Topic::Health | Topic::Other => &[],
        }
    }

    /// Its fields as the help shows them: names, with units where they are measured.
    pub fn describe(self) -> String {
        let field = |(name, kind): &(&str, FieldKind)| match kind {
            FieldKind::Words => (*name).to_owned(),
            FieldKind::Measure(unit) => format!("{name} ({})", unit.sign()),
        };
        let fields: Vec<String> = self.fields().iter().map(field).collect();
        if fields.is_empty() { "no fields, text only".to_owned() } else { fields.join(", ") }
    }
}

impl fmt::Display for Topic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// What a field says.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(untagged)]
pub enum FieldValue {
    /// A figure, in the field's unit.
    Figure(f64),
    /// Words; for resistance also `open`.
    Words(String),
}

/// A field of a note.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct NoteField {
    /// Its name.
    pub name: String,
    /// What it says.
    pub value: FieldValue,
    /// The unit of a figure.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<Unit>,
    /// Whether it is left out of the client's copy.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub personal: bool,
}

impl fmt::Display for NoteField {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match (&self.value, self.unit) {
            (FieldValue::Figure(figure), Some(unit)) => write!(f, "{figure} {}", unit.sign()),
            (FieldValue::Figure(figure), None) => write!(f, "{figure}"),
            (FieldValue::Words(words), _) => f.write_str(words),
        }
    }
}

/// A note.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Note {
    /// What it is about.
    pub topic: Topic,
    /// Free text.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Whether the text is left out of the client's copy.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub text_personal: bool,
    /// Fields, in the order given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub fields: Vec<NoteField>,
    /// The drive's own counters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub health: Option<HealthReading>,
}

/// Why a note cannot be taken.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[non_exhaustive]
pub enum NoteError {
    /// Nothing in it.
    #[error("an empty note: give a text, or --field name=value")]
    Empty,
    /// No `=` in a field.
    #[error("field '{0}': write it as name=value")]
    NoValue(String),
    /// The topic has no such field.
    #[error("topic {topic} has no field '{name}'; it has: {there}")]
    NoField {
        /// The topic.
        topic: Topic,
        /// The name as given.
        name: String,
        /// Those it has.
        there: String,
    },
    /// A field twice.
    #[error("field '{0}' is given twice: make a note of each")]
    Twice(String),
    /// Not a figure in the field's unit.
    #[error("field '{name}': '{value}' is not a figure in {unit}")]
    NotAFigure {
        /// The field.
        name: String,
        /// What was given.
        value: String,
        /// The unit it needs.
        unit: &'static str,
    },
    /// Beyond what can be measured.
    #[error("field '{name}': {value} is out of range: {from} to {to} {unit}")]
    OutOfRange {
        /// The field.
        name: String,
        /// What was given.
        value: String,
        /// Least.
        from: i64,
        /// Most.
        to: i64,
        /// The unit.
        unit: &'static str,
    },
    /// Something is marked as personal that is not there.
    #[error("'{0}' is marked as personal but is not in this note")]
    NotThere(String),
    /// A decision without its reason.
    #[error("a decision needs its reason: --field reason=...")]
    NoReason,
    /// Too long for a line of the record.
    #[error(
        "a note of {0} bytes; at most {MOST_BYTES} are taken: put long texts into a file of their own and name it here"
    )]
    TooLong(usize),
}

/// Most bytes of a note.
const MOST_BYTES: usize = 64 << 10;

impl Note {
    /// Puts a note together from what was typed: fields as `name=value`, and the names of those that are personal (`text`
    /// for the text).
    ///
    /// # Errors
    /// [`NoteError`] names the first thing that is wrong.
    pub fn new(topic: Topic, text: &str, fields: &[String], personal: &[String]) -> Result<Note, NoteError> {
        let size = text.len() + fields.iter().map(String::len).sum::<usize>();
        if size > MOST_BYTES {
            return Err(NoteError::TooLong(size));
        }
        let text = Some(text.trim()).filter(|text| !text.is_empty()).map(str::to_owned);
        let mut note = Note { topic, text, text_personal: false, fields: Vec::new(), health: None };
        for field in fields {
            let field = read_field(topic, field)?;
            if note.fields.iter().any(|other| other.name == field.name) {
                return Err(NoteError::Twice(field.name));
            }
            note.fields.push(field);
        }
        for name in personal {
            if name == "text" && note.text.is_some() {
                note.text_personal = true;
            } else if let Some(field) = note.fields.iter_mut().find(|field| field.name == *name) {
                field.personal = true;
            } else {
                return Err(NoteError::NotThere(name.clone()));
            }
        }
        if note.text.is_none() && note.fields.is_empty() {
            return Err(NoteError::Empty);
        }
        if topic == Topic::Decision && !note.fields.iter().any(|field| field.name == "reason") {
            return Err(NoteError::NoReason);
        }
        Ok(note)
    }

    /// A note that keeps the drive's own counters, with a text or without.
    ///
    /// # Errors
    /// [`NoteError::TooLong`].
    pub fn of_health(reading: HealthReading, text: &str) -> Result<Note, NoteError> {
        if text.len() > MOST_BYTES {
            return Err(NoteError::TooLong(text.len()));
        }
        let text = Some(text.trim()).filter(|text| !text.is_empty()).map(str::to_owned);
        Ok(Note { topic: Topic::Health, text, text_personal: false, fields: Vec::new(), health: Some(reading) })
    }

    /// The note without what is personal, and how many things were left out.
    pub fn without_personal(&self) -> (Note, u64) {
        let mut kept = self.clone();
        kept.fields.retain(|field| !field.personal);
        let mut left_out = (self.fields.len() - kept.fields.len()) as u64;
        if self.text_personal {
            kept.text = None;
            left_out += u64::from(self.text.is_some());
        }
        (kept, left_out)
    }
}

fn read_field(topic: Topic, typed: &str) -> Result<NoteField, NoteError> {
    let (name, value) = typed.split_once('=').ok_or_else(|| NoteError::NoValue(typed.to_owned()))?;
    let (name, value) = (name.trim().to_owned(), value.trim());
    let Some((_, kind)) = topic.fields().iter().find(|(known, _)| *known == name) else {
        return Err(NoteError::NoField { topic, name, there: topic.describe() });
    };
    if value.is_empty() {
        return Err(NoteError::NoValue(typed.to_owned()));
    }
    let words = || FieldValue::Words(value.to_owned());
    let FieldKind::Measure(unit) = *kind else {
        return Ok(NoteField { name, value: words(), unit: None, personal: false });
    };
    // What a meter shows as over its range: no connection to ground at all.
    if unit == Unit::Ohm && ["open", "OL"].contains(&value) {
        return Ok(NoteField { name, value: FieldValue::Words("open".to_owned()), unit: Some(unit), personal: false });
    }
    let figure = unit.read(value).ok_or_else(|| NoteError::NotAFigure {
        name: name.clone(),
        value: value.to_owned(),
        unit: unit.sign(),
    })?;
    let (from, to) = unit.range();
    if !(from..=to).contains(&figure) {
        #[allow(clippy::cast_possible_truncation, reason = "whole numbers")]
        let (from, to) = (from as i64, to as i64);
        return Err(NoteError::OutOfRange { name, value: value.to_owned(), from, to, unit: unit.sign() });
    }
    Ok(NoteField { name, value: FieldValue::Figure(figure), unit: Some(unit), personal: false })
}

impl Ends for NoteError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn figure(topic: Topic, field: &str) -> Result<String, String> {
        let note = Note::new(topic, "", &[field.to_owned()], &[]).map_err(|error| error.to_string())?;
        Ok(note.fields[0].to_string())
    }

    #[test]
    fn figures_come_with_or_without_their_unit_and_with_no_other() {
        let ok = |topic, field| figure(topic, field).unwrap();
        assert_eq!(ok(Topic::Electrical, "before=4.7kohm"), "4700 Ω");
        assert_eq!(ok(Topic::Electrical, "before=47"), "47 Ω");
        assert_eq!(ok(Topic::Electrical, "before=1.2k"), "1200 Ω");
        assert_eq!(ok(Topic::Electrical, "after = 2.2 MΩ"), "2200000 Ω");
        assert_eq!(ok(Topic::Electrical, "before=OL"), "open");
        assert_eq!(ok(Topic::SpinUp, "current=650mA"), "0.65 A");
        assert_eq!(ok(Topic::SpinUp, "voltage=12.1 V"), "12.1 V");
        assert_eq!(ok(Topic::Temperature, "drive=38.5 °C"), "38.5 °C");
        let no = |topic, field| figure(topic, field).unwrap_err();
        assert_eq!(no(Topic::SpinUp, "current=650 V"), "field 'current': '650 V' is not a figure in A");
        assert_eq!(no(Topic::SpinUp, "current=650"), "field 'current': 650 is out of range: 0 to 20 A");
        assert_eq!(no(Topic::Electrical, "before=-1"), "field 'before': -1 is out of range: 0 to 1000000000 Ω");
        assert_eq!(no(Topic::Temperature, "drive=NaN"), "field 'drive': 'NaN' is not a figure in °C");
        assert!(
            no(Topic::Electrical, "current=1").starts_with("topic electrical has no field 'current'; it has: rail,")
        );
        assert_eq!(no(Topic::Electrical, "rail"), "field 'rail': write it as name=value");
    }

    #[test]
    fn what_is_personal_must_be_there_and_goes() {
        let fields = ["reference=F-17".to_owned(), "name=Ada Fernhollow".to_owned()];
        let note = Note::new(Topic::Client, "Rings at noon", &fields, &["name".to_owned(), "text".to_owned()]).unwrap();
        let (kept, left_out) = note.without_personal();
        assert_eq!((kept.fields.len(), kept.text.as_deref(), left_out), (1, None, 2));
        let error = Note::new(Topic::Client, "", &fields, &["contact".to_owned()]).unwrap_err();
        assert_eq!(error, NoteError::NotThere("contact".to_owned()));
        assert_eq!(Note::new(Topic::Other, " ", &[], &[]).unwrap_err(), NoteError::Empty);
        assert_eq!(Note::new(Topic::Decision, "Stop", &[], &[]).unwrap_err(), NoteError::NoReason);
        let back: Note = serde_json::from_value(serde_json::to_value(&note).unwrap()).unwrap();
        assert_eq!(back, note);
    }
}
