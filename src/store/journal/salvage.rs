//! What a damaged journal still says, taken over into a new one.

use super::header::VERSION;
use super::record::Decoded;
use super::scan::Claims;
use super::{Journal, JournalClaim, JournalError, JournalHeader, Ranges};
use crate::base::extent::Extent;
use crate::source::RangeMark;
use crate::store::durable_file::DurableFile;

/// Claims handed on at once.
const AT_ONCE: usize = 4096;

/// What came out of a salvage.
#[derive(Clone, PartialEq, Eq, Debug, Default, serde::Serialize)]
pub struct Salvaged {
    /// Records taken over.
    pub kept: u64,
    /// Records left behind: damaged, out of place, or impossible.
    pub lost: u64,
    /// Number, from 1, of the first record left behind.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub first_lost: Option<u64>,
    /// Bytes at the end that are less than a record.
    pub torn_bytes: u64,
    /// Withdrawals that were among the lost records. What they withdrew is not known.
    pub lost_withdrawals: u64,
}

/// Writes every record of the damaged journal `from` that is sound and in its place into the new journal `to`; `from`
/// stays as it is. Gives what the records come to.
///
/// A record is written only when the bytes that it claims are durable, and its checksum covers the case's number, its
/// own number and its claim; so it is true whatever became of the records around it. One kind of record makes an earlier
/// one untrue: a withdrawal. Each record carries the number of withdrawals before it, so it shows when one was lost, except
/// at the end. Then `is_doubtful` says of each chunk that was copied before whether a withdrawal can have meant it; such a
/// chunk is withdrawn and read again. A record that is whole but stands where another belongs is left behind: something
/// rearranged the file.
///
/// `header` comes from the case, because the damaged journal's own may be what is damaged. A wrong one finds no records.
///
/// # Errors
/// [`JournalError::Io`] for the damaged one, and what [`Journal::create_in`] and [`Journal::write`] return for the new one.
pub fn salvage(
    from: Box<dyn DurableFile>,
    to: Box<dyn DurableFile>,
    header: &JournalHeader,
    is_doubtful: &mut dyn FnMut(Extent) -> bool,
) -> Result<(Journal, Ranges, Salvaged), JournalError> {
    let bytes = from.bytes().map_err(|error| JournalError::Io { doing: "read", error })?;
    let mut claims = Claims::behind_header(from, *header, VERSION, bytes);
    let mut salvaged = Salvaged { torn_bytes: bytes % super::RECORD_BYTES, ..Salvaged::default() };
    let mut to = Taken {
        journal: Journal::create_in(to, header)?,
        ranges: Ranges::new(),
        batch: Vec::new(),
        chunks: Vec::new(),
        is_doubtful,
    };
    let mut withdrawals = 0;
    let mut lost_at_end = false;
    for number in 1..=claims.records() {
        let Decoded::Sound(record) = claims.look(number)? else {
            salvaged.lost += 1;
            salvaged.first_lost.get_or_insert(number);
            lost_at_end = true;
            continue;
        };
        salvaged.kept += 1;
        lost_at_end = false;
        let lost = record.withdrawals.wrapping_sub(withdrawals);
        if lost > 0 {
            salvaged.lost_withdrawals += u64::from(lost);
            to.withdraw_doubtful()?;
        }
        let is_withdrawal = matches!(record.claim, JournalClaim::Marked(RangeMark::Withdrawn { .. }));
        withdrawals = record.withdrawals.wrapping_add(u16::from(is_withdrawal));
        to.take(record.claim)?;
    }
    if lost_at_end || salvaged.torn_bytes > 0 {
        to.withdraw_doubtful()?;
    }
    to.write()?;
    Ok((to.journal, to.ranges, salvaged))
}

/// The new journal.
struct Taken<'d> {
    journal: Journal,
    ranges: Ranges,
    batch: Vec<JournalClaim>,
    /// Chunks copied so far: a withdrawal covers whole chunks.
    chunks: Vec<Extent>,
    is_doubtful: &'d mut dyn FnMut(Extent) -> bool,
}

impl Taken<'_> {
    fn take(&mut self, claim: JournalClaim) -> Result<(), JournalError> {
        if let JournalClaim::Copied { extent, .. } = claim {
            self.chunks.push(extent);
        }
        self.batch.push(claim);
        if self.batch.len() >= AT_ONCE { self.write() } else { Ok(()) }
    }

    fn withdraw_doubtful(&mut self) -> Result<(), JournalError> {
        let (doubtful, sound) =
            std::mem::take(&mut self.chunks).into_iter().partition(|chunk| (self.is_doubtful)(*chunk));
        self.chunks = sound;
        let doubtful: Vec<Extent> = doubtful;
        doubtful.into_iter().try_for_each(|extent| self.take(JournalClaim::Marked(RangeMark::Withdrawn { extent })))
    }

    fn write(&mut self) -> Result<(), JournalError> {
        self.journal.write(&self.batch)?;
        self.batch.drain(..).for_each(|claim| self.ranges.apply(&claim));
        Ok(())
    }
}
