//! Appending to a journal.

use super::record::{Record, lies_within};
use super::scan::read_claims_in;
use super::{Claim, JournalError, JournalHeader, RECORD_BYTES, Ranges};
use crate::image::Image;
use crate::regular_file;
use crate::storage::{Cautious, FileStorage, Storage};
use crate::write_new::{WriteNewError, write_new};
use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;

/// Records encoded and written at once.
const WRITE_AT_ONCE: usize = 4096;

/// A journal open for appending.
///
/// Claims wait in memory until they are written by [`Journal::sync`] or [`Journal::write_batch`], which must come after
/// the image was made durable. After an error in writing, the handle refuses further work: what is in the file then is
/// for the next opening to find out.
pub struct Journal {
    storage: Cautious,
    header: JournalHeader,
    /// Claims in the file, all durable.
    durable: u64,
    pending: Vec<Claim>,
    cut_bytes: u64,
    stopped: bool,
}

/// Claims taken out of a journal while the image they speak of is made durable.
#[must_use = "claims that are not written are lost"]
#[derive(Debug)]
pub struct Batch(Vec<Claim>);

impl Batch {
    /// Whether there is nothing in it.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl Journal {
    /// Creates a journal without claims at `path`, whole and durable or not at all, never over an existing file.
    ///
    /// # Errors
    /// [`JournalError::Create`]; [`JournalError::Open`] when it cannot be opened again.
    pub fn create(path: &Path, header: &JournalHeader) -> Result<Journal, JournalError> {
        write_new(path, |out| {
            out.write_all(&header.encode()).map_err(|error| WriteNewError::Io { path: path.to_path_buf(), error })
        })?;
        Ok(Journal::open(path)?.0)
    }

    /// Opens the journal at `path` to go on with it, and says what its claims come to. A torn end is cut off, and
    /// [`Journal::cut_bytes`] tells how much; the cut is durable when this returns.
    ///
    /// # Errors
    /// [`JournalError::Damaged`] or [`JournalError::Unsound`] when it is damaged before its end; nothing is cut then,
    /// see [`salvage`](super::salvage()). [`JournalError`] as [`read_claims`](super::read_claims).
    pub fn open(path: &Path) -> Result<(Journal, Ranges), JournalError> {
        let file = regular_file::open_with(OpenOptions::new().read(true).write(true), path);
        let file = file.map_err(|error| JournalError::Open { path: path.to_path_buf(), error })?;
        Journal::open_in(Box::new(FileStorage::new(file)))
    }

    /// As [`Journal::create`], in storage that is empty.
    ///
    /// # Errors
    /// [`JournalError::Io`].
    pub fn create_in(storage: Box<dyn Storage>, header: &JournalHeader) -> Result<Journal, JournalError> {
        storage.write_at(0, &header.encode()).map_err(|error| JournalError::Io { doing: "written", error })?;
        Ok(Journal::open_in(storage)?.0)
    }

    /// As [`Journal::open`], in any storage.
    ///
    /// # Errors
    /// As [`Journal::open`].
    pub fn open_in(storage: Box<dyn Storage>) -> Result<(Journal, Ranges), JournalError> {
        let mut claims = read_claims_in(Cautious::new(storage))?;
        let mut ranges = Ranges::new();
        for claim in &mut claims {
            ranges.apply(&claim?);
        }
        let (durable, cut_bytes, header) = (claims.count_so_far(), claims.torn_bytes(), *claims.header());
        let storage = claims.into_storage();
        if cut_bytes > 0 {
            let end = (durable + 1) * RECORD_BYTES;
            storage.set_bytes(end).map_err(|error| JournalError::Io { doing: "cut", error })?;
        }
        // A process that was killed leaves records which the kernel has and the disk may not. The next batch says that
        // all before it is durable; this makes it true.
        storage.sync().map_err(|error| JournalError::Io { doing: "made durable", error })?;
        Ok((Journal { storage, header, durable, pending: Vec::new(), cut_bytes, stopped: false }, ranges))
    }

    /// Which case and drive it belongs to.
    pub fn header(&self) -> &JournalHeader {
        &self.header
    }

    /// Bytes of a torn end that were cut off when it was opened.
    pub fn cut_bytes(&self) -> u64 {
        self.cut_bytes
    }

    /// Number of claims that are durable.
    pub fn durable_claims(&self) -> u64 {
        self.durable
    }

    /// Number of claims that wait in memory for [`Journal::sync`].
    pub fn pending_claims(&self) -> usize {
        self.pending.len()
    }

    /// Takes claims on, in memory; nothing of them reaches the file before [`Journal::sync`].
    ///
    /// # Errors
    /// [`JournalError::OutOfDrive`], and then none is taken on; [`JournalError::Stopped`].
    pub fn append(&mut self, claims: &[Claim]) -> Result<(), JournalError> {
        if self.stopped {
            return Err(JournalError::Stopped);
        }
        if let Some(wrong) = claims.iter().find(|claim| !lies_within(&claim.extent(), &self.header)) {
            return Err(JournalError::OutOfDrive { extent: wrong.extent(), drive_bytes: self.header.drive_bytes });
        }
        self.pending.extend_from_slice(claims);
        Ok(())
    }

    /// Makes the image durable and then the claims taken on so far, in the only order that is sound.
    ///
    /// # Errors
    /// [`JournalError::Io`], [`JournalError::Stopped`].
    pub fn commit(&mut self, image: &dyn Image) -> Result<(), JournalError> {
        if self.stopped {
            return Err(JournalError::Stopped);
        }
        image.sync().map_err(|error| {
            self.stopped = true;
            JournalError::Io { doing: "made durable, because the image could not be", error }
        })?;
        self.sync()
    }

    /// Writes the claims taken on so far and makes them durable. The image they speak of must be durable already.
    ///
    /// # Errors
    /// [`JournalError::Io`], [`JournalError::Stopped`].
    pub fn sync(&mut self) -> Result<(), JournalError> {
        let batch = self.take_batch();
        self.write_batch(batch)
    }

    /// Takes out the claims taken on so far, so that the image can be made durable while others are taken on; to be
    /// handed to [`Journal::write_batch`] afterwards.
    pub fn take_batch(&mut self) -> Batch {
        Batch(std::mem::take(&mut self.pending))
    }

    /// Writes a batch and makes it durable. The image it speaks of must have been made durable since it was taken out.
    ///
    /// # Errors
    /// [`JournalError::Io`], [`JournalError::Stopped`].
    pub fn write_batch(&mut self, batch: Batch) -> Result<(), JournalError> {
        if self.stopped {
            return Err(JournalError::Stopped);
        }
        if batch.is_empty() {
            return Ok(());
        }
        // Cleared on success only: an error on the way, of whatever kind, leaves the handle stopped.
        self.stopped = true;
        let first = self.durable + 1;
        let mut number = first;
        for part in batch.0.chunks(WRITE_AT_ONCE) {
            let at = number * RECORD_BYTES;
            let mut bytes = Vec::with_capacity(part.len() * 64);
            for &claim in part {
                let record = Record { claim, number, starts_batch: number == first };
                bytes.extend_from_slice(&record.encode(&self.header));
                number += 1;
            }
            self.storage.write_at(at, &bytes).map_err(|error| JournalError::Io { doing: "written", error })?;
        }
        self.storage.sync().map_err(|error| JournalError::Io { doing: "made durable", error })?;
        self.durable = number - 1;
        self.stopped = false;
        Ok(())
    }
}
