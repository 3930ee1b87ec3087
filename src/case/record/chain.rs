//! The record read back, and its chain followed.

use super::{RECORD_NAME, read_seal};
use crate::base::regular_file;
use crate::case::{CaseError, Note, Seal};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

/// No line of ours is longer.
const LONGEST_LINE: u64 = 1 << 20;
/// More lines than this are checked but not kept.
const MOST_LINES: u64 = 1 << 20;

/// A line of the record.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct RecordLine {
    /// Its number, from 1.
    #[serde(default)]
    pub line: u64,
    /// When (RFC 3339, UTC).
    pub when: String,
    /// Who; left out of the client's copy.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub who: Option<String>,
    /// The command.
    pub command: String,
    /// The words it was given; left out of the client's copy, since paths of the bench are among them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub arguments: Vec<String>,
    /// How it ended.
    pub outcome: String,
    /// Its figures; a note stands in `note`.
    #[serde(default)]
    pub figures: serde_json::Value,
    /// SHA-256 of the line before.
    pub before: String,
}

impl RecordLine {
    /// The note that the line is, if it is one.
    pub fn note(&self) -> Option<Note> {
        serde_json::from_value(self.figures.get("note")?.clone()).ok()
    }
}

/// Why a record is not what was written.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, thiserror::Error)]
#[serde(tag = "fault", rename_all = "kebab-case")]
pub enum ChainFault {
    /// A line does not follow the one before it.
    #[error(
        "line {line} does not follow the line before it: line {} was changed, or lines between them were removed, added or exchanged",
        line - 1
    )]
    Link {
        /// The line that names another line before it.
        line: u64,
    },
    /// The first line says that something came before it.
    #[error("line 1 says that a line came before it: what the record began with was removed or exchanged")]
    Start,
    /// The line that the seal names is another.
    #[error("line {line} is not the one that was sealed: it was changed, or lines before it were removed or added")]
    Sealed {
        /// The line.
        line: u64,
    },
    /// There are more lines than one behind the seal.
    #[error(
        "{there} lines, but only {sealed} were sealed: a run that is cut short leaves one line without its seal, not more; lines from {} on \
         may have been added by something else",
        sealed + 2
    )]
    Unsealed {
        /// Lines there are.
        there: u64,
        /// Lines that were sealed.
        sealed: u64,
    },
    /// There are fewer lines than were sealed.
    #[error("the record ends after line {there}, but {sealed} lines were sealed: its end was removed")]
    Short {
        /// Lines there are.
        there: u64,
        /// Lines there were.
        sealed: u64,
    },
}

/// A record as it was read.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct CaseRecord {
    /// Its lines, as far as they can be understood.
    pub lines: Vec<RecordLine>,
    /// Number of lines in the file.
    pub line_count: u64,
    /// Numbers of lines that cannot be understood: torn by a power cut, or written by something else. What follows them
    /// still says what they must be, so they are in the chain; what stood before them is proven by nothing else.
    pub unread: Vec<u64>,
    /// The first thing that is wrong.
    pub fault: Option<ChainFault>,
    /// SHA-256 of the last line: noted down elsewhere it proves later that nothing up to here was changed.
    pub last_sha256: String,
    /// Whether a seal was there to hold the end against.
    pub sealed: bool,
    /// How many personal things were left out.
    pub personal_left_out: u64,
}

/// Reads a case's record and follows its chain; a missing file is an empty record. Needs no lock: what another process is
/// appending shows as a last line without its end, which is left for the next time.
///
/// # Errors
/// [`CaseError::Missing`] when there is no case in the folder; what the kernel says of the file.
pub fn read_record(folder: &Path) -> Result<CaseRecord, CaseError> {
    if !crate::case::is_case(folder) {
        return Err(CaseError::Missing { folder: folder.into() });
    }
    let path = folder.join(RECORD_NAME);
    let failed = |error| CaseError::io(&path, error);
    // The seal first: what is appended between the two readings is then a line more, and not one too few.
    let seal = read_seal(&path);
    match regular_file::open(&path) {
        Ok(file) => follow(BufReader::new(file), seal.as_ref()).map_err(failed),
        Err(error) if error.kind() == io::ErrorKind::NotFound => follow(io::empty(), seal.as_ref()).map_err(failed),
        Err(error) => Err(failed(error)),
    }
}

fn follow(mut input: impl BufRead, seal: Option<&Seal>) -> io::Result<CaseRecord> {
    let mut record =
        CaseRecord { last_sha256: hex::encode(Sha256::digest([])), sealed: seal.is_some(), ..CaseRecord::default() };
    let mut text = Vec::new();
    loop {
        text.clear();
        if (&mut input).take(LONGEST_LINE).read_until(b'\n', &mut text)? == 0 {
            break;
        }
        let mut hasher = Sha256::new();
        let whole = text.last() == Some(&b'\n');
        hasher.update(text.strip_suffix(b"\n").unwrap_or(&text));
        let too_long = !whole && text.len() as u64 == LONGEST_LINE;
        if too_long {
            pass_over(&mut input, &mut hasher)?;
        }
        record.take(if too_long { None } else { serde_json::from_slice(&text).ok() });
        record.last_sha256 = hex::encode(hasher.finalize());
        if let Some(seal) = seal.filter(|seal| seal.lines == record.line_count && seal.sha256 != record.last_sha256) {
            record.fault.get_or_insert(ChainFault::Sealed { line: seal.lines });
        }
    }
    if let Some(seal) = seal.filter(|seal| seal.lines.saturating_add(1) < record.line_count) {
        record.fault.get_or_insert(ChainFault::Unsealed { there: record.line_count, sealed: seal.lines });
    }
    if let Some(seal) = seal.filter(|seal| seal.lines > record.line_count) {
        record.fault.get_or_insert(ChainFault::Short { there: record.line_count, sealed: seal.lines });
    }
    Ok(record)
}

/// Goes to the end of a line that is too long to be ours.
fn pass_over(input: &mut impl BufRead, hasher: &mut Sha256) -> io::Result<()> {
    loop {
        let chunk = input.fill_buf()?;
        let end = chunk.iter().position(|byte| *byte == b'\n');
        hasher.update(&chunk[..end.unwrap_or(chunk.len())]);
        let taken = end.map_or(chunk.len(), |at| at + 1);
        let done = end.is_some() || chunk.is_empty();
        input.consume(taken);
        if done {
            return Ok(());
        }
    }
}

impl CaseRecord {
    fn take(&mut self, line: Option<RecordLine>) {
        self.line_count += 1;
        let Some(mut line) = line else {
            if (self.unread.len() as u64) < MOST_LINES {
                self.unread.push(self.line_count);
            }
            return;
        };
        line.line = self.line_count;
        if line.before != self.last_sha256 {
            let fault = if line.line == 1 { ChainFault::Start } else { ChainFault::Link { line: line.line } };
            self.fault.get_or_insert(fault);
        }
        if (self.lines.len() as u64) < MOST_LINES {
            self.lines.push(line);
        }
    }

    /// The record for the client: without what is marked as personal, without who did it and the words that were typed.
    pub fn for_client(mut self) -> CaseRecord {
        for line in &mut self.lines {
            self.personal_left_out += u64::from(line.who.take().is_some());
            self.personal_left_out += u64::from(!std::mem::take(&mut line.arguments).is_empty());
            if line.figures.get("note").is_some() {
                // A note that this version cannot read may hold anything.
                let kept = line.note().map(|note| note.without_personal());
                self.personal_left_out += kept.as_ref().map_or(1, |(_, left_out)| *left_out);
                line.figures = kept.map_or(serde_json::Value::Null, |(note, _)| serde_json::json!({ "note": note }));
            } else {
                without_paths(&mut line.figures);
            }
        }
        self
    }
}

/// Takes out what names places on the bench's own machines.
fn without_paths(figures: &mut serde_json::Value) {
    match figures {
        serde_json::Value::String(text) if text.starts_with('/') => *text = "(path left out)".to_owned(),
        serde_json::Value::Array(list) => list.iter_mut().for_each(without_paths),
        serde_json::Value::Object(map) => map.values_mut().for_each(without_paths),
        _ => {}
    }
}
