//! The record of who did what when: JSON lines, each with the SHA-256 of the line before it, so that a later change shows.
//!
//! The chain alone cannot show that its end was cut off or changed. So a small file beside it, the seal, holds the number
//! of lines and the SHA-256 of the last one. `docs/formats/record.md` describes both, and what they are worth.

mod chain;
mod health;
mod note;

pub use chain::{CaseRecord, ChainFault, RecordLine, read_record};
pub use health::{HealthChange, HealthCounter, HealthError, HealthReading};
pub use note::{FieldValue, Note, NoteError, NoteField, Topic, Unit};

use crate::base::regular_file;
use crate::base::text::json;
use crate::case::{CaseError, write_file};
use rustix::fs::FlockOperation;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{self, BufRead, BufReader, Seek, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Its name in the case's folder.
pub const RECORD_NAME: &str = "record.jsonl";

/// The seal's name in the case's folder.
pub const SEAL_NAME: &str = "record.seal";

/// One entry.
#[derive(Serialize, Debug, Clone)]
pub struct Entry {
    /// What was done: a command's name.
    pub command: String,
    /// The words it was given.
    pub arguments: Vec<String>,
    /// How it ended, in a sentence or a code.
    pub outcome: String,
    /// Figures, as far as the command has any.
    pub figures: serde_json::Value,
}

impl Entry {
    /// A note of the bench. The words typed are not kept beside it: what is personal stands in one place only.
    pub fn note(note: &Note) -> Entry {
        Entry {
            command: "note".to_owned(),
            arguments: Vec::new(),
            outcome: "exit code 0".to_owned(),
            figures: serde_json::json!({ "note": note }),
        }
    }
}

/// A line of the record.
#[derive(Serialize)]
struct Line<'e> {
    /// When (RFC 3339, UTC).
    when: String,
    /// The user's name, or number.
    who: String,
    #[serde(flatten)]
    entry: &'e Entry,
    /// SHA-256 of the line before, without its line break; of nothing for the first.
    before: String,
}

/// What the seal holds.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Seal {
    /// Number of lines.
    pub lines: u64,
    /// SHA-256 of the last one, without its line break, in hexadecimal; of nothing when there is none.
    pub sha256: String,
}

fn user() -> String {
    let named = ["SUDO_USER", "LOGNAME", "USER"].iter().find_map(|name| std::env::var(name).ok());
    named.filter(|name| !name.is_empty()).unwrap_or_else(|| format!("uid {}", rustix::process::getuid().as_raw()))
}

pub(super) fn seal_path(record: &Path) -> PathBuf {
    record.with_file_name(SEAL_NAME)
}

/// The seal; `None` when there is none, or one that makes no sense.
pub(super) fn read_seal(record: &Path) -> Option<Seal> {
    serde_json::from_slice(&regular_file::read(&seal_path(record), 1 << 10).ok()?).ok()
}

/// Appends an entry, alone: the record is locked meanwhile, so that a note can be taken while a copy runs.
///
/// A line that a run left without its seal is sealed first, and when that cannot be done nothing is written: so there is
/// never more than one. A line that was written counts, also when its own seal has no room; the next one seals it.
pub(super) fn append(path: &Path, entry: &Entry) -> Result<(), CaseError> {
    let failed = |error| CaseError::io(path, error);
    let mut options = File::options();
    let mut file =
        regular_file::open_with(options.read(true).append(true).create(true).mode(0o600), path).map_err(failed)?;
    rustix::fs::flock(&file, FlockOperation::LockExclusive).map_err(|e| failed(e.into()))?;
    let seal = read_seal(path);
    let found = End::of(&mut file, seal.as_ref().map(|seal| seal.lines)).map_err(failed)?;
    // A seal that no longer fits stays as it is: a break must not heal by going on.
    let fits = seal.as_ref().is_none_or(|seal| found.at_seal.as_ref() == Some(&seal.sha256));
    let unsealed = found.lines - seal.as_ref().map_or(0, |seal| seal.lines.min(found.lines));
    if fits && unsealed == 1 {
        write_seal(path, found.lines, &found.sum)?;
    }
    let line = Line { when: crate::base::human::now(), who: user(), entry, before: found.sum.clone() };
    let text = json(&line).expect("plain values").into_bytes();
    let sum = hex::encode(Sha256::digest(&text));
    let mut written = text;
    written.push(b'\n');
    if found.torn {
        // Power went while the last line was written: it stays, as a line of its own.
        written.insert(0, b'\n');
    }
    file.write_all(&written).and_then(|()| file.sync_data()).map_err(failed)?;
    if fits && unsealed <= 1 {
        // Without room for it the line stands all the same.
        let _ = write_seal(path, found.lines + 1, &sum);
    }
    Ok(())
}

fn write_seal(path: &Path, lines: u64, sha256: &str) -> Result<(), CaseError> {
    let seal = Seal { lines, sha256: sha256.to_owned() };
    write_file(&seal_path(path), &serde_json::to_vec(&seal).expect("plain values"))
}

/// How a record ends.
struct End {
    lines: u64,
    /// SHA-256 of the last line.
    sum: String,
    /// Whether its line break is missing.
    torn: bool,
    /// SHA-256 of the line that the seal names, when there are so many.
    at_seal: Option<String>,
}

impl End {
    /// Goes through the whole file, without keeping any of it.
    fn of(file: &mut File, sealed_lines: Option<u64>) -> io::Result<End> {
        file.rewind()?;
        let mut end = End { lines: 0, sum: hex::encode(Sha256::digest([])), torn: false, at_seal: None };
        if sealed_lines == Some(0) {
            end.at_seal = Some(end.sum.clone());
        }
        let mut input = BufReader::new(file);
        let mut hasher = Sha256::new();
        loop {
            let chunk = input.fill_buf()?;
            if chunk.is_empty() && !end.torn {
                return Ok(end);
            }
            let line_break = chunk.iter().position(|byte| *byte == b'\n');
            let taken = line_break.map_or(chunk.len(), |at| at + 1);
            hasher.update(&chunk[..line_break.unwrap_or(chunk.len())]);
            let at_end = chunk.is_empty();
            input.consume(taken);
            end.torn = line_break.is_none();
            if line_break.is_some() || at_end {
                end.lines += 1;
                end.sum = hex::encode(std::mem::take(&mut hasher).finalize());
                if sealed_lines == Some(end.lines) {
                    end.at_seal = Some(end.sum.clone());
                }
            }
            if at_end {
                return Ok(end);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(command: &str) -> Entry {
        Entry {
            command: command.into(),
            arguments: vec!["--case".into()],
            outcome: "done".into(),
            figures: serde_json::json!({"bytes": 7}),
        }
    }

    #[test]
    fn at_most_one_line_is_without_its_seal_and_the_next_one_seals_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("record.jsonl");
        append(&path, &entry("survey")).unwrap();
        let sealed = std::fs::read(seal_path(&path)).unwrap();
        append(&path, &entry("plan")).unwrap();
        // As a full disk leaves it: the line, but not its seal.
        std::fs::write(seal_path(&path), &sealed).unwrap();
        append(&path, &entry("copy")).unwrap();
        assert_eq!(read_seal(&path).unwrap().lines, 3);
        // Two lines that nothing of ours left: the seal stays where it was, so that it shows.
        std::fs::write(seal_path(&path), &sealed).unwrap();
        append(&path, &entry("audit")).unwrap();
        assert_eq!(read_seal(&path).unwrap().lines, 1);
    }

    /// The chain can be followed with a checksum program alone.
    #[test]
    fn every_line_names_the_one_before_also_after_a_torn_one() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("record.jsonl");
        append(&path, &entry("survey")).unwrap();
        append(&path, &entry("plan")).unwrap();
        let mut torn = std::fs::read(&path).unwrap();
        torn.truncate(torn.len() - 10);
        std::fs::write(&path, torn).unwrap();
        append(&path, &entry("copy")).unwrap();
        let text = std::fs::read_to_string(&path).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3);
        let mut before: &str = "";
        for line in [0, 2] {
            let value: serde_json::Value = serde_json::from_str(lines[line]).unwrap();
            if line == 2 {
                before = lines[1];
            }
            assert_eq!(value["before"], hex::encode(Sha256::digest(before)));
        }
    }
}
