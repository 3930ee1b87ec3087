//! A model from a file: all figures, or some of them over a preset. `docs/formats/model.md` describes the file.

use super::{DriveModel, ModelError, PRESETS, SeekCurve, Spread, UNKNOWN_DRIVE, preset};
use crate::base::ending::{Ending, Ends};
use crate::base::regular_file;
use serde::Deserialize;
use serde_json::{Map, Value};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Largest model file that is read, in bytes. One with a page of sources has a few thousand.
pub const LARGEST_MODEL: u64 = 1 << 20;

/// Why there is no model.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ModelFileError {
    /// Neither a kind of drive nor a file.
    #[error("drive model `{asked}`: no such kind of drive and no such file; the kinds are {}", kinds())]
    NoSuch {
        /// What was requested.
        asked: String,
    },
    /// The file cannot be read.
    #[error("drive model {path}: {error}")]
    Io {
        /// The file.
        path: PathBuf,
        /// What the kernel says.
        error: std::io::Error,
    },
    /// The file is longer than any model.
    #[error("drive model {path}: longer than {LARGEST_MODEL} bytes, so it is no drive model")]
    TooLarge {
        /// The file.
        path: PathBuf,
    },
    /// The file is not JSON of the described form.
    #[error("drive model {path}: {error}")]
    Json {
        /// The file.
        path: PathBuf,
        /// What is wrong, with line and column.
        error: serde_json::Error,
    },
    /// The preset it starts from.
    #[error("drive model {path}: `{preset}` is no preset; there are {}", kinds())]
    NoSuchPreset {
        /// The file.
        path: PathBuf,
        /// What it names.
        preset: String,
    },
    /// A figure is out of range.
    #[error("{path}: {error}")]
    Figure {
        /// The file.
        path: PathBuf,
        /// Which figure, and what it must be.
        error: ModelError,
    },
}

fn kinds() -> String {
    PRESETS.map(|kind| kind.key).join(", ")
}

/// What a file may say; what it leaves out comes from its preset.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct Changes {
    preset: Option<String>,
    name: Option<String>,
    seek: SeekChanges,
    turn_ms: Option<f64>,
    first_rate: Option<f64>,
    last_rate: Option<f64>,
    interface_rate: Option<f64>,
    request_ms: Option<f64>,
    failed_seconds: Option<f64>,
    spread: Option<Spread>,
    sources: BTreeMap<String, String>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct SeekChanges {
    shortest_ms: Option<f64>,
    average_ms: Option<f64>,
    longest_ms: Option<f64>,
}

impl Changes {
    fn over(self, base: DriveModel) -> DriveModel {
        // Figures that come from nowhere else speak for themselves.
        let of_its_own = self.preset.is_none() && !self.sources.is_empty();
        let mut sources = if of_its_own { BTreeMap::new() } else { base.sources };
        sources.extend(self.sources);
        DriveModel {
            name: self.name.unwrap_or(base.name),
            seek: SeekCurve {
                shortest_ms: self.seek.shortest_ms.unwrap_or(base.seek.shortest_ms),
                average_ms: self.seek.average_ms.unwrap_or(base.seek.average_ms),
                longest_ms: self.seek.longest_ms.unwrap_or(base.seek.longest_ms),
            },
            turn_ms: self.turn_ms.unwrap_or(base.turn_ms),
            first_rate: self.first_rate.unwrap_or(base.first_rate),
            last_rate: self.last_rate.unwrap_or(base.last_rate),
            interface_rate: self.interface_rate.unwrap_or(base.interface_rate),
            request_ms: self.request_ms.unwrap_or(base.request_ms),
            failed_seconds: self.failed_seconds.unwrap_or(base.failed_seconds),
            spread: self.spread.unwrap_or(base.spread),
            sources,
        }
    }
}

impl DriveModel {
    /// Reads a model from a file. Figures that it leaves out are those of its `preset`, or of an unknown drive
    /// ([`UNKNOWN_DRIVE`]).
    ///
    /// # Errors
    /// [`ModelFileError`].
    pub fn from_file(path: &Path) -> Result<DriveModel, ModelFileError> {
        let io = |error| ModelFileError::Io { path: path.into(), error };
        let mut text = Vec::new();
        regular_file::open(path).map_err(io)?.take(LARGEST_MODEL + 1).read_to_end(&mut text).map_err(io)?;
        if text.len() as u64 > LARGEST_MODEL {
            return Err(ModelFileError::TooLarge { path: path.into() });
        }
        let json = |error| ModelFileError::Json { path: path.into(), error };
        let fields: Map<String, Value> = serde_json::from_slice(&text).map_err(json)?;
        // A list would be taken for the fields in their order.
        if let Some((name, _)) = fields.iter().find(|(_, value)| value.is_array()) {
            return Err(json(serde::de::Error::custom(format_args!("`{name}` is a list"))));
        }
        let changes: Changes = serde_json::from_value(Value::Object(fields)).map_err(json)?;
        let key = changes.preset.clone().unwrap_or_else(|| UNKNOWN_DRIVE.to_owned());
        let base = preset(&key).ok_or(ModelFileError::NoSuchPreset { path: path.into(), preset: key })?;
        let model = changes.over(base.model());
        model.check().map_err(|error| ModelFileError::Figure { path: path.into(), error })?;
        Ok(model)
    }

    /// The model of a preset's name, else of a file's path.
    ///
    /// # Errors
    /// [`ModelFileError`].
    pub fn of_kind_or_file(asked: &str) -> Result<DriveModel, ModelFileError> {
        if let Some(kind) = preset(asked) {
            return Ok(kind.model());
        }
        let path = Path::new(asked);
        if !path.exists() {
            return Err(ModelFileError::NoSuch { asked: asked.to_owned() });
        }
        DriveModel::from_file(path)
    }

    /// The model as a file that [`DriveModel::from_file`] reads.
    pub fn to_json(&self) -> String {
        let mut text = crate::base::text::json_pretty(self).expect("plain values");
        text.push('\n');
        text
    }
}

impl Ends for ModelFileError {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &[u8]) -> Result<DriveModel, ModelFileError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("model.json");
        std::fs::write(&path, text).unwrap();
        DriveModel::from_file(&path)
    }

    #[test]
    fn a_file_changes_what_it_names_and_nothing_else() {
        let base = preset("notebook-5400").unwrap().model();
        let changed = read(br#"{"preset":"notebook-5400","last_rate":3e7,"seek":{"longest_ms":30}}"#).unwrap();
        let seek = SeekCurve { longest_ms: 30.0, ..base.seek };
        assert_eq!(changed, DriveModel { last_rate: 3e7, seek, ..base });
        assert_eq!(read(b"{}").unwrap(), preset(UNKNOWN_DRIVE).unwrap().model());
    }

    #[test]
    fn what_is_written_is_read_again() {
        for kind in PRESETS {
            let model = kind.model();
            assert_eq!(read(model.to_json().as_bytes()).unwrap(), model);
            assert_eq!(DriveModel::of_kind_or_file(kind.key).unwrap(), model);
        }
    }

    #[test]
    fn hostile_files_are_refused_by_name() {
        let json = |text: &str| matches!(read(text.as_bytes()), Err(ModelFileError::Json { .. }));
        for text in [
            "",
            "[]",
            "{",
            "null",
            r#"{"rate":1}"#,
            r#"{"seek":[1,2,3]}"#,
            r#"{"turn_ms":"8"}"#,
            r#"{"turn_ms":1e999}"#,
            r#"{"turn_ms":NaN}"#,
        ] {
            assert!(json(text), "{text}");
        }
        assert!(json(&"[".repeat(100_000)));
        let figure = |text: &str| matches!(read(text.as_bytes()), Err(ModelFileError::Figure { .. }));
        for text in [
            r#"{"first_rate":0}"#,
            r#"{"first_rate":-5}"#,
            r#"{"interface_rate":1e300}"#,
            r#"{"turn_ms":-1}"#,
            r#"{"failed_seconds":1e9}"#,
            r#"{"seek":{"average_ms":99}}"#,
            r#"{"spread":{"least":0,"most":1}}"#,
            r#"{"spread":{"least":0.5,"most":0.9}}"#,
        ] {
            assert!(figure(text), "{text}");
        }
        assert!(matches!(read(br#"{"preset":"tape"}"#), Err(ModelFileError::NoSuchPreset { .. })));
        assert!(matches!(read(&vec![b' '; (1 << 20) + 1]), Err(ModelFileError::TooLarge { .. })));
        assert!(matches!(DriveModel::of_kind_or_file("no such drive"), Err(ModelFileError::NoSuch { .. })));
        assert!(matches!(DriveModel::from_file(Path::new("/")), Err(ModelFileError::Io { .. })));
    }
}
