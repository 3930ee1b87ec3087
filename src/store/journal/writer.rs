//! Appending to a journal.

use super::header::VERSION_1;
use super::record::{JournalRecord, lies_within};
use super::scan::read_claims_in;
use super::{JournalClaim, JournalError, JournalHeader, RECORD_BYTES, Ranges};
use crate::source::RangeMark;
use crate::store::durable_file::DurableFile;

/// Records encoded and written at once.
const WRITE_AT_ONCE: usize = 4096;

/// How much room is reserved ahead, in bytes: claims of 16 GiB in requests of 1 MiB. On a full disk the image is what fails
/// first then, and what it took can still be claimed.
const RESERVE: u64 = 1 << 20;

/// A journal open for appending. The claims of [`Journal::write`] must be of bytes that are durable in the image.
pub struct Journal {
    storage: Box<dyn DurableFile>,
    header: JournalHeader,
    /// Claims in the file, all durable.
    durable: u64,
    withdrawals: u16,
    cut_bytes: u64,
    /// Bytes of the file that have room for certain.
    reserved: u64,
    /// A write or sync failed: behind the durable records the file may hold anything.
    torn: bool,
}

impl Journal {
    /// Makes a journal without claims in storage that is empty, and makes it durable.
    ///
    /// # Errors
    /// [`JournalError::Io`].
    pub fn create_in(storage: Box<dyn DurableFile>, header: &JournalHeader) -> Result<Journal, JournalError> {
        storage.write_at(0, &header.encode()).map_err(|error| JournalError::Io { doing: "written", error })?;
        Ok(Journal::open_in(storage)?.0)
    }

    /// Opens a journal to go on with it, and says what its claims come to. A torn end is cut off, and
    /// [`Journal::cut_bytes`] tells how much; the cut is durable when this returns. A journal of version 1 becomes one of
    /// this version.
    ///
    /// # Errors
    /// [`JournalError::Damaged`] or [`JournalError::Unsound`] when it is damaged before its end; nothing is cut then,
    /// see [`salvage`](super::salvage()). [`JournalError`] as [`read_claims`](super::read_claims).
    pub fn open_in(storage: Box<dyn DurableFile>) -> Result<(Journal, Ranges), JournalError> {
        let mut claims = read_claims_in(storage)?;
        let mut ranges = Ranges::new();
        for claim in &mut claims {
            ranges.apply(&claim?);
        }
        let (durable, cut_bytes, header) = (claims.count_so_far(), claims.torn_bytes(), *claims.header());
        let (withdrawals, version) = (claims.withdrawals(), claims.version());
        let storage = claims.into_storage();
        let end = (durable + 1) * RECORD_BYTES;
        if cut_bytes > 0 {
            storage.set_bytes(end).map_err(|error| JournalError::Io { doing: "cut", error })?;
        }
        if version == VERSION_1 {
            // 64 bytes at the file's start lie in one sector, which is written whole or not at all.
            storage.write_at(0, &header.encode()).map_err(|error| JournalError::Io { doing: "written", error })?;
        }
        // A process that was killed leaves records which the kernel has and the disk may not. The next batch says that
        // all before it is durable; this makes it true.
        storage.sync().map_err(|error| JournalError::Io { doing: "made durable", error })?;
        let journal = Journal { storage, header, durable, withdrawals, cut_bytes, reserved: end, torn: false };
        Ok((journal, ranges))
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

    /// Whether a claim can be written at all.
    fn check(&self, claim: &JournalClaim) -> Result<(), JournalError> {
        match claim.extent().filter(|extent| !lies_within(extent, &self.header)) {
            Some(extent) => Err(JournalError::OutOfDrive { extent, drive_bytes: self.header.drive_bytes }),
            None => Ok(()),
        }
    }

    /// Makes room for claims before the bytes that they claim are written.
    ///
    /// # Errors
    /// [`JournalError::Io`] when there is none.
    pub fn reserve(&mut self, claims: usize) -> Result<(), JournalError> {
        let needed = (self.durable + 1 + claims as u64) * RECORD_BYTES;
        if needed > self.reserved {
            let until = needed + RESERVE;
            self.storage
                .reserve(self.reserved, until - self.reserved)
                .map_err(|error| JournalError::Io { doing: "given room", error })?;
            self.reserved = until;
        }
        Ok(())
    }

    /// Whether the file is still the one at its path.
    ///
    /// # Errors
    /// [`JournalError::Io`].
    pub fn check_intact(&self) -> Result<(), JournalError> {
        self.storage.check_intact().map_err(|error| JournalError::Io { doing: "found as it was", error })
    }

    /// Writes claims as one batch and makes them durable. After an error none of them counts; the same or other claims can
    /// be written again.
    ///
    /// # Errors
    /// [`JournalError::OutOfDrive`], [`JournalError::Io`].
    pub fn write(&mut self, claims: &[JournalClaim]) -> Result<(), JournalError> {
        claims.iter().try_for_each(|claim| self.check(claim))?;
        if claims.is_empty() {
            return Ok(());
        }
        self.mend()?;
        self.torn = true;
        let first = self.durable + 1;
        let (mut number, mut withdrawals) = (first, self.withdrawals);
        for part in claims.chunks(WRITE_AT_ONCE) {
            let at = number * RECORD_BYTES;
            let mut bytes = Vec::with_capacity(part.len() * 64);
            for &claim in part {
                let record = JournalRecord { claim, number, starts_batch: number == first, withdrawals };
                bytes.extend_from_slice(&record.encode(&self.header));
                number += 1;
                withdrawals = withdrawals
                    .wrapping_add(u16::from(matches!(claim, JournalClaim::Marked(RangeMark::Withdrawn { .. }))));
            }
            self.storage.write_at(at, &bytes).map_err(|error| JournalError::Io { doing: "written", error })?;
        }
        self.storage.sync().map_err(|error| JournalError::Io { doing: "made durable", error })?;
        (self.durable, self.withdrawals, self.torn) = (number - 1, withdrawals, false);
        // These claims are safe; if there is no room for more, the next ones say so.
        let _ = self.reserve(claims.len());
        Ok(())
    }

    /// Takes away what a failed write left, durably: a later batch that is shorter must not be followed by records of it.
    fn mend(&mut self) -> Result<(), JournalError> {
        if self.torn {
            let end = (self.durable + 1) * RECORD_BYTES;
            let failed = |error| JournalError::Io { doing: "cut", error };
            self.storage.set_bytes(end).and_then(|()| self.storage.sync()).map_err(failed)?;
            (self.reserved, self.torn) = (end, false);
        }
        Ok(())
    }
}
