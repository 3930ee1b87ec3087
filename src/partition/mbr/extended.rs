//! The chain of logical partitions in an extended partition.
//!
//! Each link (EBR) has the form of an MBR: its first entry is a logical partition, counted from this link; its second
//! leads to the next link, counted from the start of the extended partition. Linux `block/partitions/msdos.c`,
//! `parse_extended` (from memory).

use super::listed::listed_partition;
use super::sector::{Mbr, MbrEntry};
use crate::base::extent::Extent;
use crate::base::finding::{Code, Finding, Findings};
use crate::base::units::{ByteOffset, Lba, SectorSize};
use crate::partition::areas::ListedPartition;
use crate::partition::drive::Drive;
use crate::partition::findings::{
    EBR_BACKWARD, EBR_BEYOND_DRIVE, EBR_EXTRA_ENTRY, EBR_LOOP, EBR_NO_LOGICAL, EBR_OUTSIDE_EXTENDED,
    EBR_SIGNATURE_MISSING, EBR_TOO_MANY, EBR_UNREADABLE, EXTENDED_EMPTY, LOGICAL_OUTSIDE_EXTENDED,
};
use crate::source::SourceLost;
use std::collections::BTreeSet;
use std::ops::Range;

/// Links followed in all chains of a drive. Linux stops at 256 partitions on a drive (`DISK_MAX_PARTS`, from memory).
pub const MOST_LINKS: usize = 256;

/// An extended partition whose chain is followed.
struct Extended<'d> {
    drive: &'d Drive<'d>,
    unit: SectorSize,
    /// Its sectors.
    range: Range<u64>,
    /// Links that were come to.
    visited: BTreeSet<u64>,
}

/// What following the chains gave.
#[derive(Default)]
pub(super) struct Chain {
    pub logicals: Vec<ListedPartition>,
    /// The sectors that hold links, sound or not.
    pub links: Vec<Extent>,
    /// Chains whose first link is sound.
    pub sound_starts: usize,
    pub findings: Findings,
    followed: usize,
}

impl Chain {
    /// Follows the chain in `extended`, an entry of the MBR, and adds what it holds.
    pub fn follow(&mut self, drive: &Drive<'_>, extended: &MbrEntry, unit: SectorSize) -> Result<(), SourceLost> {
        let base = u64::from(extended.first);
        let range = base..base + u64::from(extended.sectors);
        let mut within = Extended { drive, unit, range, visited: BTreeSet::new() };
        let mut at = base;
        loop {
            within.visited.insert(at);
            self.followed += 1;
            let Some(link) = self.read_link(&within, Lba(at), at == base)? else { return Ok(()) };
            if at == base {
                self.sound_starts += 1;
            }
            let place = unit.offset_of(Lba(at)).unwrap_or_default();
            let before = self.logicals.len();
            self.take_logicals(&link, at, &within.range, place);
            if self.logicals.len() == before {
                let sentence = format!("The link at {} names no logical partition.", Lba(at));
                self.note(&EBR_NO_LOGICAL, place, sentence);
            }
            let Some(next) = link.entries.iter().find(|e| e.is_extended() && e.sectors > 0) else { return Ok(()) };
            let next = base + u64::from(next.first);
            if !self.may_go_on(&within, at, next, place) {
                return Ok(());
            }
            at = next;
        }
    }

    /// Reads the link at `lba`; `None` when the chain ends there without a sound one.
    fn read_link(&mut self, within: &Extended<'_>, lba: Lba, is_first: bool) -> Result<Option<Mbr>, SourceLost> {
        let Extended { drive, unit, .. } = *within;
        let Some(block) = drive.read(lba, 512, unit)? else {
            let place = unit.offset_of(lba).unwrap_or(ByteOffset(u64::MAX));
            let sentence = format!(
                "The chain of logical partitions leads to {lba}, but the source ends after {} sectors of {unit} bytes.",
                drive.sectors(unit)
            );
            self.note(&EBR_BEYOND_DRIVE, place, sentence);
            return Ok(None);
        };
        let place = block.extent.start;
        self.links.extend(Extent::new(place.0, unit.bytes()).and_then(|e| e.intersection(&drive.extent())));
        let Some(link) = block.whole().and_then(Mbr::parse) else {
            let sentence = format!("The link of the chain of logical partitions at {lba} was not read.");
            self.note(&EBR_UNREADABLE, place, sentence);
            return Ok(None);
        };
        if link.signed {
            return Ok(Some(link));
        }
        if link.blank && is_first {
            let sentence = format!("The extended partition at {lba} begins with a sector of zeros.");
            self.note(&EXTENDED_EMPTY, place, sentence);
        } else {
            let sentence = format!("The link of the chain of logical partitions at {lba} does not end with 55 AA.");
            self.note(&EBR_SIGNATURE_MISSING, place, sentence);
        }
        Ok(None)
    }

    /// Adds the logical partitions that a link names.
    fn take_logicals(&mut self, link: &Mbr, at: u64, range: &Range<u64>, place: ByteOffset) {
        for (index, entry) in link.entries.iter().enumerate() {
            if !entry.is_used() || entry.is_extended() || entry.sectors == 0 {
                continue;
            }
            let said_at = ByteOffset(place.0.saturating_add(Mbr::entry_at(index)));
            let first = at + u64::from(entry.first);
            let end = first + u64::from(entry.sectors);
            let inside = range.start <= first && end <= range.end;
            if index >= 2 {
                // Linux takes these too, but only when they lie in the extended partition.
                let sentence = format!(
                    "The link at {} has an entry {} (type {:02X}, {} sectors from {}); it is {}.",
                    Lba(at),
                    index + 1,
                    entry.kind,
                    entry.sectors,
                    Lba(first),
                    if inside { "used" } else { "not used, for it lies outside the extended partition" }
                );
                self.note(&EBR_EXTRA_ENTRY, said_at, sentence);
                if !inside {
                    continue;
                }
            }
            let number = 5 + u32::try_from(self.logicals.len()).unwrap_or(u32::MAX - 5);
            if !inside {
                let sentence = format!(
                    "Logical partition {number} is said to lie in sectors {first} to {}, its extended partition in {} \
                     to {}.",
                    end - 1,
                    range.start,
                    range.end.saturating_sub(1)
                );
                self.note(&LOGICAL_OUTSIDE_EXTENDED, said_at, sentence);
            }
            self.logicals.push(listed_partition(entry, number, Lba(first), said_at, true, &mut self.findings));
        }
    }

    /// Whether the step from the link at `at` to the one at `next` may be made.
    fn may_go_on(&mut self, within: &Extended<'_>, at: u64, next: u64, place: ByteOffset) -> bool {
        let Extended { drive, unit, range, visited } = within;
        let (here, there) = (Lba(at), Lba(next));
        if visited.contains(&next) {
            let sentence = format!(
                "The link at {here} leads to {there}, which is already in the chain; {} links were followed.",
                visited.len()
            );
            self.note(&EBR_LOOP, place, sentence);
            return false;
        }
        if self.followed >= MOST_LINKS {
            let sentence = format!("The chain goes on to {there} after {MOST_LINKS} links and is followed no further.");
            self.note(&EBR_TOO_MANY, place, sentence);
            return false;
        }
        if !range.contains(&next) {
            let sentence = format!(
                "The link at {here} leads to {there}, outside the extended partition in sectors {} to {}.",
                range.start,
                range.end.saturating_sub(1)
            );
            self.note(&EBR_OUTSIDE_EXTENDED, place, sentence);
        } else if next < at && drive.locate(there, 512, *unit).is_some() {
            self.note(&EBR_BACKWARD, place, format!("The link at {here} leads back to {there}."));
        }
        true
    }

    fn note(&mut self, code: &'static Code, place: ByteOffset, sentence: String) {
        self.findings.push(Finding::at(code, place, sentence));
    }
}
