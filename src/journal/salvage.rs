//! What a damaged journal still says, taken over into a new one.

use super::record::Decoded;
use super::scan::Claims;
use super::{Journal, JournalError, JournalHeader};
use crate::regular_file;
use crate::storage::{FileStorage, Storage};
use std::path::Path;

/// Claims handed on at once.
const AT_ONCE: usize = 4096;

/// What came out of a salvage.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Salvaged {
    /// Records taken over.
    pub kept: u64,
    /// Records left behind: damaged, out of place, or impossible. What they said is waiting again.
    pub lost: u64,
    /// Number, from 1, of the first record left behind.
    pub first_lost: Option<u64>,
    /// Bytes at the end that are less than a record.
    pub torn_bytes: u64,
}

/// Writes a new journal at `to` with every record of the damaged one at `from` that is sound and in its place; the
/// damaged one stays as it is.
///
/// A record is written only when the bytes it speaks of are durable, and its check sum holds the case's number, its own
/// number and its claim; so it is true whatever became of the records around it. A record that is whole but stands
/// where another belongs is left behind: something rearranged the file, and its neighbours cannot vouch for it.
///
/// `header` comes from the case, because the damaged journal's own may be what is damaged. A wrong one finds no records.
///
/// # Errors
/// [`JournalError::Open`] or [`JournalError::Io`] for the damaged one, and what [`Journal::create`] and
/// [`Journal::sync`] return for the new one.
pub fn salvage(from: &Path, to: &Path, header: &JournalHeader) -> Result<Salvaged, JournalError> {
    let file = regular_file::open(from).map_err(|error| JournalError::Open { path: from.to_path_buf(), error })?;
    let storage = FileStorage::new(file);
    let bytes = storage.bytes().map_err(|error| JournalError::Io { doing: "read", error })?;
    let mut claims = Claims::behind_header(storage, *header, bytes);
    let mut journal = Journal::create(to, header)?;
    let mut salvaged = Salvaged { kept: 0, lost: 0, first_lost: None, torn_bytes: bytes % super::RECORD_BYTES };
    let mut waiting = Vec::new();
    for number in 1..=claims.records() {
        if let Decoded::Sound(record) = claims.look(number)? {
            salvaged.kept += 1;
            waiting.push(record.claim);
        } else {
            salvaged.lost += 1;
            salvaged.first_lost.get_or_insert(number);
        }
        if waiting.len() == AT_ONCE {
            journal.append(&waiting)?;
            waiting.clear();
            journal.sync()?;
        }
    }
    journal.append(&waiting)?;
    journal.sync()?;
    Ok(salvaged)
}
