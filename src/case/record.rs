//! The record of who did what when: JSON lines, each with the SHA-256 of the line before it, so that a later change shows.

use super::CaseError;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::Path;
use std::time::SystemTime;

/// Its name in the case's folder.
pub const RECORD_NAME: &str = "record.jsonl";

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

/// The time now (RFC 3339, UTC, whole seconds).
pub(super) fn now() -> String {
    humantime::format_rfc3339_seconds(SystemTime::now()).to_string()
}

fn user() -> String {
    let named = ["SUDO_USER", "LOGNAME", "USER"].iter().find_map(|name| std::env::var(name).ok());
    named.filter(|name| !name.is_empty()).unwrap_or_else(|| format!("uid {}", rustix::process::getuid().as_raw()))
}

pub(super) fn append(path: &Path, entry: &Entry) -> Result<(), CaseError> {
    let failed = |error| CaseError::io(path, error);
    let mut file = File::options().read(true).append(true).create(true).open(path).map_err(failed)?;
    let (last, torn) = last_line(&mut file).map_err(failed)?;
    let line = Line { when: now(), who: user(), entry, before: hex::encode(Sha256::digest(&last)) };
    let mut text = serde_json::to_vec(&line).expect("plain values");
    text.push(b'\n');
    if torn {
        // Power went while the last line was written: it stays, as a line of its own.
        text.insert(0, b'\n');
    }
    file.write_all(&text).and_then(|()| file.sync_data()).map_err(failed)
}

/// The last line without its line break, and whether that break is missing.
fn last_line(file: &mut File) -> std::io::Result<(Vec<u8>, bool)> {
    const LONGEST: u64 = 1 << 20;
    let end = file.seek(SeekFrom::End(0))?;
    file.seek(SeekFrom::Start(end.saturating_sub(LONGEST)))?;
    let mut tail = Vec::new();
    file.take(LONGEST).read_to_end(&mut tail)?;
    let torn = tail.last().is_some_and(|byte| *byte != b'\n');
    if !torn {
        tail.pop();
    }
    let start = tail.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
    Ok((tail.split_off(start), torn))
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
