//! What of the drive is held, by the journal, followed while it grows.

use super::places::drive_places;
use crate::report::values::StateShares;
use crate::store::durable_file::DiskFile;
use crate::store::journal::{Claims, JournalError, JournalHeader, Ranges, read_claims};
use std::path::Path;

/// Records read in one look: 8 MiB of the journal, so that a page is never long in coming.
const RECORDS_A_LOOK: u64 = 1 << 17;

/// A journal that cannot be read is tried again so often: what looks torn may be a record that is being written.
const TRIES: u32 = 5;

/// What the journal said so far.
#[derive(Default)]
pub(super) struct Held {
    header: Option<JournalHeader>,
    ranges: Ranges,
    /// Records read.
    records: u64,
    /// Failed looks one after the other, and what the last said.
    failed: u32,
    error: Option<String>,
    behind: bool,
}

impl Held {
    /// Reads what was added, as far as one look goes.
    pub(super) fn follow(&mut self, path: &Path) {
        if self.failed >= TRIES {
            return;
        }
        match self.read(path) {
            Ok(()) => (self.failed, self.error) = (0, None),
            Err(error) => {
                self.failed += 1;
                self.error = Some(error.to_string());
            }
        }
    }

    fn read(&mut self, path: &Path) -> Result<(), JournalError> {
        let claims = read_claims(path)?;
        if self.header.as_ref() != Some(claims.header()) {
            *self = Held { header: Some(*claims.header()), failed: self.failed, ..Held::default() };
        }
        let mut claims: Claims<DiskFile> = claims.behind(self.records);
        let limit = self.records + RECORDS_A_LOOK;
        self.behind = false;
        while let Some(claim) = claims.next() {
            self.ranges.apply(&claim?);
            self.records = claims.count_so_far();
            if self.records >= limit {
                self.behind = true;
                break;
            }
        }
        Ok(())
    }

    /// What the picture lacks, in a sentence.
    pub(super) fn caution(&self) -> Option<String> {
        match (&self.error, self.behind) {
            (Some(error), _) => Some(format!("The journal cannot be read beyond record {}: {error}.", self.records)),
            (None, true) => Some("The journal is still being read: the picture fills up.".to_owned()),
            (None, false) => None,
        }
    }

    /// How much of each place of a drive of `bytes` bytes is what.
    pub(super) fn shares(&self, bytes: u64) -> StateShares {
        let ranges = &self.ranges;
        let (copied, skipped, unreadable) = (ranges.iter_copied(), ranges.iter_skipped(), ranges.iter_unreadable());
        StateShares::of(&drive_places(bytes), copied, skipped, unreadable)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::Extent;
    use crate::base::units::SectorSize;
    use crate::source::{Failure, RangeMark, Skip};
    use crate::store::durable_file::DiskFile;
    use crate::store::journal::{Journal, JournalClaim};

    /// Whatever was read at whichever moment, in the end it is what a replay gives.
    #[test]
    fn a_growing_journal_is_followed() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("journal");
        let header = JournalHeader { case_id: [7; 16], drive_bytes: 1 << 30, sector: SectorSize::S512 };
        let mut held = Held::default();
        held.follow(&path);
        assert!(held.caution().unwrap().contains("cannot be read"));
        let file = std::fs::File::options().read(true).write(true).create_new(true).open(&path).unwrap();
        let mut journal = Journal::create_in(Box::new(DiskFile::new(file)), &header).unwrap();
        held.follow(&path);
        assert_eq!(held.caution(), None);
        for round in 0..20_u64 {
            let claims: Vec<JournalClaim> = (0..round)
                .map(|n| {
                    let extent = Extent::between((round * 64 + n) << 12, (round * 64 + n + 1) << 12);
                    JournalClaim::Marked(RangeMark::Skipped { extent, why: Skip::Near, failure: Failure::default() })
                })
                .collect();
            journal.write(&claims).unwrap();
            // A record that is being written.
            let whole = std::fs::read(&path).unwrap();
            std::fs::write(&path, [&whole[..], &[0xEE; 64][..usize::try_from(round).unwrap()]].concat()).unwrap();
            held.follow(&path);
            std::fs::write(&path, &whole).unwrap();
            assert_eq!(held.caution(), None);
        }
        assert_eq!(held.ranges, crate::store::journal::replay(&path).unwrap().1);
        assert_eq!(held.records, 190);
        // Another case's journal in its place.
        drop(journal);
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, JournalHeader { case_id: [8; 16], ..header }.encode()).unwrap();
        held.follow(&path);
        assert_eq!((held.records, held.ranges.skipped_bytes()), (0, 0));
        // No journal at all: it says so, and in time gives up.
        std::fs::write(&path, [0; 200]).unwrap();
        (0..TRIES).for_each(|_| held.follow(&path));
        assert!(held.caution().is_some() && held.failed == TRIES);
    }
}
