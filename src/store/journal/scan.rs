//! Reading a journal from its start, record by record, in constant memory.

use super::record::{Decoded, JournalRecord};
use super::{ChunkHash, JournalClaim, JournalError, JournalHeader, RECORD_BYTES, Ranges, Unsound};
use crate::base::extent::Extent;
use crate::base::regular_file;
use crate::source::RangeMark;
use crate::store::durable_file::{DiskFile, DurableFile};
use std::path::Path;

/// Records read at once.
const READ_AHEAD: u64 = 1024;

/// The claims of a journal, in the order they were made. Ends at a torn end, about which [`Claims::torn_bytes`] tells;
/// an error ends it too.
pub struct Claims<S> {
    storage: S,
    header: JournalHeader,
    version: u32,
    /// Length of the file in bytes.
    bytes: u64,
    /// Number of the record that comes next.
    next: u64,
    ahead: Vec<u8>,
    /// Number of the first record in `ahead`.
    ahead_from: u64,
    done: bool,
    torn_bytes: u64,
    /// Withdrawals among the records read so far, modulo 65536.
    withdrawals: u16,
}

/// Reads the claims of the journal at `path`, leaving it as it is.
///
/// # Errors
/// [`JournalError::Open`], and what [`read_claims_in`] returns.
pub fn read_claims(path: &Path) -> Result<Claims<DiskFile>, JournalError> {
    let file = regular_file::open(path).map_err(|error| JournalError::Open { path: path.to_path_buf(), error })?;
    read_claims_in(DiskFile::new(file))
}

/// Reads the claims of a journal, leaving it as it is.
///
/// # Errors
/// [`JournalError::Io`]; [`JournalError::NotAJournal`], [`JournalError::Version`] or [`JournalError::Header`] when it
/// does not start as a journal.
pub fn read_claims_in<S: DurableFile>(storage: S) -> Result<Claims<S>, JournalError> {
    let bytes = storage.bytes().map_err(unread)?;
    let mut first = [0; 64];
    if bytes < RECORD_BYTES {
        return Err(JournalError::NotAJournal);
    }
    storage.read_at(0, &mut first).map_err(unread)?;
    let (header, version) = JournalHeader::decode(&first)?;
    Ok(Claims::behind_header(storage, header, version, bytes))
}

/// What the claims of the journal at `path` come to, leaving it as it is.
///
/// # Errors
/// [`JournalError`], as [`read_claims`] and its iterator.
pub fn replay(path: &Path) -> Result<(JournalHeader, Ranges), JournalError> {
    let mut claims = read_claims(path)?;
    let mut ranges = Ranges::new();
    for claim in &mut claims {
        ranges.apply(&claim?);
    }
    Ok((claims.header, ranges))
}

/// The chunks that the journal at `path` claims as copied and has not withdrawn since, with their hashes.
///
/// # Errors
/// As [`read_claims`]; the iterator's as its.
pub fn standing_chunks(
    path: &Path,
) -> Result<impl Iterator<Item = Result<(Extent, ChunkHash), JournalError>>, JournalError> {
    let mut withdrawn: Vec<(usize, Extent)> = Vec::new();
    for (number, claim) in read_claims(path)?.enumerate() {
        if let JournalClaim::Marked(RangeMark::Withdrawn { extent }) = claim? {
            withdrawn.push((number, extent));
        }
    }
    let stands = move |number: usize, extent: &Extent| {
        let later = &withdrawn[withdrawn.partition_point(|(at, _)| *at < number)..];
        later.iter().all(|(_, withdrawn)| withdrawn.intersection(extent).is_none())
    };
    Ok(read_claims(path)?.enumerate().filter_map(move |(number, claim)| match claim {
        Ok(JournalClaim::Copied { extent, hash }) => stands(number, &extent).then_some(Ok((extent, hash))),
        Ok(_) => None,
        Err(error) => Some(Err(error)),
    }))
}

fn unread(error: std::io::Error) -> JournalError {
    JournalError::Io { doing: "read", error }
}

impl<S: DurableFile> Claims<S> {
    pub(super) fn behind_header(storage: S, header: JournalHeader, version: u32, bytes: u64) -> Claims<S> {
        Claims {
            storage,
            header,
            version,
            bytes,
            next: 1,
            ahead: Vec::new(),
            ahead_from: 1,
            done: false,
            torn_bytes: 0,
            withdrawals: 0,
        }
    }

    /// The version of the format that it is in.
    pub(super) fn version(&self) -> u32 {
        self.version
    }

    /// Withdrawals read so far, modulo 65536.
    pub(super) fn withdrawals(&self) -> u16 {
        self.withdrawals
    }

    /// Which case and drive it belongs to.
    pub fn header(&self) -> &JournalHeader {
        &self.header
    }

    /// Bytes behind the last sound record that a crash left behind; known when the iterator has ended.
    pub fn torn_bytes(&self) -> u64 {
        self.torn_bytes
    }

    /// Number of claims read so far.
    pub fn count_so_far(&self) -> u64 {
        self.next - 1
    }

    /// Goes on behind the first `count` records: for a reader that has read them before and looks again at a journal that grows.
    pub fn behind(mut self, count: u64) -> Claims<S> {
        self.next = count + 1;
        self
    }

    pub(super) fn into_storage(self) -> S {
        self.storage
    }

    /// Number of whole records that the file has room for, sound or not.
    pub(super) fn records(&self) -> u64 {
        (self.bytes / RECORD_BYTES).saturating_sub(1)
    }

    /// What stands where record `number` belongs.
    pub(super) fn look(&mut self, number: u64) -> Result<Decoded, JournalError> {
        let held = self.ahead.len() as u64 / RECORD_BYTES;
        if number < self.ahead_from || number >= self.ahead_from + held {
            let count = READ_AHEAD.min(self.records() + 1 - number);
            self.ahead.resize(usize::try_from(count * RECORD_BYTES).expect("at most 64 KiB"), 0);
            self.ahead_from = number;
            self.storage.read_at(number * RECORD_BYTES, &mut self.ahead).map_err(unread)?;
        }
        let at = usize::try_from((number - self.ahead_from) * RECORD_BYTES).expect("at most 64 KiB");
        let bytes = std::array::from_fn(|i| self.ahead[at + i]);
        Ok(JournalRecord::decode(&bytes, number, &self.header, self.version))
    }

    /// Record `number` is broken. It is part of a torn end unless a later batch was begun: that happens only once all
    /// before it is durable.
    fn explain_broken(&mut self, number: u64) -> Result<(), JournalError> {
        for later in number + 1..=self.records() {
            if matches!(self.look(later)?, Decoded::Sound(record) if record.starts_batch) {
                return Err(JournalError::Damaged { offset: number * RECORD_BYTES, number });
            }
        }
        self.torn_bytes = self.bytes - number * RECORD_BYTES;
        Ok(())
    }

    fn step(&mut self) -> Result<Option<JournalClaim>, JournalError> {
        let number = self.next;
        if number > self.records() {
            self.torn_bytes = self.bytes % RECORD_BYTES;
            return Ok(None);
        }
        match self.look(number)? {
            Decoded::Sound(record) => {
                self.next += 1;
                let withdrawn = matches!(record.claim, JournalClaim::Marked(RangeMark::Withdrawn { .. }));
                self.withdrawals = record.withdrawals.wrapping_add(u16::from(withdrawn));
                Ok(Some(record.claim))
            }
            Decoded::Broken => self.explain_broken(number).map(|()| None),
            Decoded::Unsound(what) => Err(unsound(number, what)),
        }
    }
}

fn unsound(number: u64, what: Unsound) -> JournalError {
    JournalError::Unsound { offset: number * RECORD_BYTES, number, what }
}

impl<S: DurableFile> Iterator for Claims<S> {
    type Item = Result<JournalClaim, JournalError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.done {
            return None;
        }
        let step = self.step().transpose();
        self.done = !matches!(step, Some(Ok(_)));
        step
    }
}
