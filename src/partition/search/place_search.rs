//! Going from place to place, the likeliest first, until nothing is left to look at or the allowance is used up.

use super::allowance::{Allowance, MOST_VOLUMES, Spent};
use super::boot::FoundBoot;
use super::candidate::VolumeCandidate;
use super::table_remains;
use crate::base::extent::{Extent, ExtentSet};
use crate::partition::FoundBy;
use crate::partition::boot_sign::BootSign;
use crate::partition::drive::Drive;
use crate::partition::signature::{self, Certainty};
use crate::source::{Block, SourceLost, Window};
use std::collections::BTreeSet;

/// Alignment of partitions made since about 2007 (common practice, no source).
const MIB: u64 = 1 << 20;

/// A cylinder of 255 heads and 63 sectors, on whose multiples partitions stood before; logical ones and the first one a
/// track of 63 sectors behind (common practice, no source).
const CYLINDER: u64 = 255 * 63 * 512;

/// What is read of a place where a volume may start: in it lie the boot sector, most superblocks, and for 512-byte
/// sectors the copies of FAT32 (sector 6) and exFAT (sector 12).
const HEAD_BYTES: u64 = 8192;

/// What is read of a place where a volume may end: the last sector, in every sector size there is.
const TAIL_BYTES: u64 = 4096;

/// Steps of 1 MiB that are looked at backwards from the end of a gap, for NTFS's copy in its last sector.
const STEPS_BEFORE_END: u64 = 4;

/// And when the likelier places are done, so many: a volume whose boot sector is lost may end with a small gap behind it.
const MORE_STEPS_BEFORE_END: u64 = 16;

/// Links of extended chains that are followed.
const MOST_LINKS: usize = 64;

/// Links taken as the first of a chain, from which the others are counted.
const MOST_FIRST_LINKS: usize = 4;

/// A place so near to one that was not read probably lies in the same bad range, and each failed read costs a sick drive seconds:
/// it is looked at after the others of its rank. Where so many likely starts were not read there, it is passed over when it lies
/// inside a volume for which two things speak.
const NEAR: u64 = 16 << 20;
const IN_A_ROW: usize = 2;

/// How likely a place is.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Rank {
    /// Something names it.
    Named,
    /// It stands next to a volume found.
    Beside,
    /// At the edge of a range.
    Edge,
    /// On a multiple of 1 MiB.
    Step,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Probe {
    /// Whether a volume starts there.
    Start(u64),
    /// Whether a volume ends there.
    End(u64),
    /// Whether the entry array of a GPT stands there, in sectors of this many bytes.
    Array(u64, u64),
}

impl Probe {
    /// Where on the drive it is, in bytes.
    fn place(self) -> u64 {
        let (Probe::Start(at) | Probe::End(at) | Probe::Array(at, _)) = self;
        at
    }
}

/// How many of some places lie near another one.
fn near(places: &[u64], at: u64) -> usize {
    places.iter().filter(|place| place.abs_diff(at) <= NEAR).count()
}

/// A search under way.
pub(super) struct PlaceSearch<'d, 'r> {
    drive: &'d Drive<'r>,
    /// Where volumes are looked for.
    ranges: ExtentSet,
    allowance: Allowance,
    /// Those near trouble come last of their rank.
    queue: BTreeSet<(Rank, bool, Probe)>,
    seen: BTreeSet<Probe>,
    links: Vec<u64>,
    /// Where confirmed volumes lie: places in them are passed over.
    covered: ExtentSet,
    pub(super) candidates: Vec<VolumeCandidate>,
    pub(super) spent: Spent,
    /// Places that could not be read.
    pub(super) unreadable: ExtentSet,
    /// Where they begin, with those that were asked before the search.
    troubles: Vec<u64>,
    /// Of the likely starts of volumes, those that were not read.
    starts_unread: Vec<u64>,
    /// Places that what is left of a GPT's entry arrays points to, and where that stands.
    pub(super) arrays: Vec<(u64, Extent)>,
    /// Why places were left.
    pub(super) cut_short: Option<&'static str>,
}

impl<'d, 'r> PlaceSearch<'d, 'r> {
    pub(super) fn new(drive: &'d Drive<'r>, ranges: ExtentSet, allowance: Allowance) -> PlaceSearch<'d, 'r> {
        let asked_before = drive.window().reader().unreadable();
        PlaceSearch {
            drive,
            ranges,
            allowance,
            queue: BTreeSet::new(),
            seen: BTreeSet::new(),
            links: Vec::new(),
            covered: ExtentSet::new(),
            candidates: Vec::new(),
            spent: Spent::default(),
            unreadable: ExtentSet::new(),
            troubles: asked_before.extents().iter().map(|extent| extent.start.0).collect(),
            starts_unread: Vec::new(),
            arrays: Vec::new(),
            cut_short: None,
        }
    }

    /// Adds what stands in the places of a table that is lost: they are looked at first.
    pub(super) fn add_table_remains(&mut self, first_sector: Option<&[u8]>) {
        for at in first_sector.map(|sector| table_remains::of_link(sector, 0)).into_iter().flatten() {
            self.add(Rank::Named, Probe::Start(at));
        }
        for (at, unit) in table_remains::array_places(self.drive.bytes()) {
            self.add(Rank::Named, Probe::Array(at, unit.bytes()));
        }
    }

    /// Takes the volume whose boot sector is at `at`, wherever that is, if a second thing supports it.
    pub(super) fn add_volume(&mut self, at: u64, boot: &FoundBoot) -> Result<(), SourceLost> {
        let before = self.candidates.len();
        self.weigh(at, boot, true)?;
        let mut index = 0;
        self.candidates.retain(|candidate| {
            index += 1;
            index <= before || candidate.is_confirmed()
        });
        Ok(())
    }

    /// Looks at one place after the other.
    pub(super) fn run(&mut self) -> Result<(), SourceLost> {
        for range in self.ranges.extents().to_vec() {
            self.add_edges(range);
        }
        while let Some((rank, comes_later, probe)) = self.queue.pop_first() {
            if let Some(why) = self.spent.exhausts(&self.allowance) {
                self.cut_short = Some(why);
                break;
            }
            if self.drive.window().reader().asks_no_more() {
                self.cut_short = Some("reading the drive was stopped, or has cost it as much trouble as is allowed");
                break;
            }
            if self.candidates.len() >= MOST_VOLUMES {
                self.cut_short = Some("more volumes were found than any drive has");
                break;
            }
            if !comes_later && near(&self.troubles, probe.place()) > 0 {
                // A table's place says little where the table was not read.
                let rank = if matches!(probe, Probe::Array(..)) { rank.max(Rank::Edge) } else { rank };
                self.queue.insert((rank, true, probe));
                continue;
            }
            if comes_later && rank >= Rank::Edge && self.is_hopeless(probe.place()) {
                continue;
            }
            match probe {
                Probe::Start(at) => self.look_at_start(at, rank)?,
                Probe::End(at) => self.look_at_end(at)?,
                Probe::Array(at, unit) => self.look_at_array(at, unit)?,
            }
        }
        Ok(())
    }

    fn add(&mut self, rank: Rank, probe: Probe) {
        if self.seen.insert(probe) {
            self.queue.insert((rank, false, probe));
        }
    }

    /// Whether a place in trouble would probably say nothing new.
    fn is_hopeless(&self, at: u64) -> bool {
        let is_inside =
            |volume: &VolumeCandidate| volume.is_confirmed() && volume.extent.contains(&Extent::between(at, at + 1));
        near(&self.starts_unread, at) >= IN_A_ROW && self.candidates.iter().any(is_inside)
    }

    fn add_edges(&mut self, range: Extent) {
        let (start, end) = (range.start.0, range.end());
        let first = start.next_multiple_of(MIB);
        for at in [start, first, first + MIB, start + 63 * 512, start + 63 * 4096] {
            self.add(Rank::Edge, Probe::Start(at));
        }
        for step in 0..self.allowance.steps_at_start {
            self.add(Rank::Step, Probe::Start(first.saturating_add(step * MIB)));
        }
        self.add_ends(end, Rank::Edge, STEPS_BEFORE_END.min(self.allowance.steps_at_start));
        self.add_ends(end, Rank::Step, MORE_STEPS_BEFORE_END.min(self.allowance.steps_behind));
        if end == self.drive.bytes() {
            // In front of a backup GPT of customary size: 33 sectors of 512 bytes, 5 of 4096.
            for behind in [33 * 512, 5 * 4096] {
                self.add(Rank::Edge, Probe::End(end.saturating_sub(behind)));
            }
            self.add(Rank::Edge, Probe::End(end / CYLINDER * CYLINDER));
        }
    }

    /// Ends of volumes at and in front of `end`.
    fn add_ends(&mut self, end: u64, rank: Rank, steps: u64) {
        self.add(rank, Probe::End(end));
        for step in 0..steps {
            self.add(rank, Probe::End((end / MIB).saturating_sub(step) * MIB));
        }
    }

    /// Places beside a volume: where the next one may start, and where the one before may end.
    fn add_neighbours(&mut self, extent: Extent) {
        let end = extent.end();
        let (mib, cylinder) = (end.next_multiple_of(MIB), end.next_multiple_of(CYLINDER));
        for at in [end, end.next_multiple_of(4096), mib, cylinder, end + 63 * 512, end + 63 * 4096, cylinder + 63 * 512]
        {
            self.add(Rank::Beside, Probe::Start(at));
        }
        for step in 0..self.allowance.steps_behind {
            self.add(Rank::Step, Probe::Start(mib.saturating_add(step * MIB)));
        }
        let start = extent.start.0;
        self.add_ends(start, Rank::Beside, 3);
        self.add_ends(start, Rank::Step, MORE_STEPS_BEFORE_END.min(self.allowance.steps_behind));
        self.add(Rank::Beside, Probe::End(start.saturating_sub(63 * 512)));
    }

    fn is_searched(&self, at: u64) -> bool {
        at < self.drive.bytes() && self.ranges.covers(Extent::between(at, at + 1))
    }

    /// Whether a place is passed over because it lies inside a volume that two things speak for. A place that something
    /// names is looked at all the same, or what was left of an earlier division would hide the present one.
    fn is_inside_a_volume(&self, at: u64, rank: Rank) -> bool {
        rank == Rank::Step && self.covered.covers(Extent::between(at, at + 1))
    }

    /// Reads up to `bytes` bytes at `at`; `None` when they cannot be read, or are no part of the drive.
    fn read(&mut self, at: u64, bytes: u64) -> Result<Option<Block>, SourceLost> {
        let extent = Extent::between(at, at.saturating_add(bytes)).intersection(&self.drive.extent());
        let Some(extent) = extent.filter(|extent| extent.start.0 == at && extent.bytes >= 512) else { return Ok(None) };
        self.spent.reads += 1;
        self.spent.bytes += extent.bytes;
        let block = match self.drive.window().read(extent.start.0, extent.bytes) {
            Ok(Some(block)) => block,
            // A case without its drive: what the first search did not keep cannot be looked at now.
            Ok(None) | Err(SourceLost::NotInCase { .. }) => return Ok(None),
            Err(error) => return Err(error),
        };
        if !block.unreadable.is_empty() {
            self.spent.failures += 1;
            self.unreadable.extend(block.unreadable.extents().iter().copied());
            self.troubles.push(at);
        }
        Ok(Some(block))
    }

    /// The 512 bytes at `at`, when all of them can be read.
    fn sector(&mut self, at: u64) -> Result<Option<Vec<u8>>, SourceLost> {
        Ok(self.read(at, 512)?.and_then(|block| block.whole().map(<[u8]>::to_vec)))
    }

    /// What of `block` lies `at` bytes in, for 512 bytes, when all of them could be read.
    fn part(block: &Block, at: u64) -> Option<&[u8]> {
        let place = Extent::new(block.extent.start.0.checked_add(at)?, 512)?;
        let from = usize::try_from(at).ok()?;
        block.bytes.get(from..from + 512).filter(|_| block.has_read(place))
    }

    fn look_at_start(&mut self, at: u64, rank: Rank) -> Result<(), SourceLost> {
        if !self.is_searched(at) || self.is_inside_a_volume(at, rank) {
            return Ok(());
        }
        self.spent.places += 1;
        // Once the drive has failed to answer, one sector at a time: a place that is bad then costs one request, and one
        // more for a copy behind it.
        if self.spent.failures > 0 && self.sector(at)?.is_none() {
            self.starts_unread.push(at);
            return match self.copy_behind(at, None, rank)? {
                Some(boot) => self.weigh(at, &boot, false),
                None => Ok(()),
            };
        }
        let Some(block) = self.read(at, HEAD_BYTES)? else { return Ok(()) };
        let first = Self::part(&block, 0);
        if let Some(boot) = first.and_then(FoundBoot::parse) {
            return self.weigh(at, &boot, true);
        }
        if let Some(boot) = self.copy_behind(at, Some(&block), rank)? {
            return self.weigh(at, &boot, false);
        }
        if let Some(sector) = first {
            self.follow_link(at, sector);
        }
        if block.bytes.iter().any(|b| *b != block.bytes[0]) {
            self.look_at_foreign(at, block.extent.bytes)?;
        }
        Ok(())
    }

    /// The copy of a boot sector that does not stand at `at` itself: FAT32 keeps it 6 sectors behind, exFAT 12. `block` is
    /// what was read at `at`; without it the copies are read alone, until one does not answer either.
    fn copy_behind(&mut self, at: u64, block: Option<&Block>, rank: Rank) -> Result<Option<FoundBoot>, SourceLost> {
        for (unit, sectors) in [(512, 6), (512, 12), (4096, 6), (4096, 12)] {
            let behind = unit * sectors;
            let held = block.filter(|block| behind + 512 <= block.extent.bytes);
            let boot = if let Some(block) = held {
                Self::part(block, behind).and_then(FoundBoot::parse)
            } else if rank < Rank::Step || self.drive.reported.bytes() == unit {
                let failures = self.spent.failures;
                let boot = self.sector(at.saturating_add(behind))?.as_deref().and_then(FoundBoot::parse);
                if block.is_none() && self.spent.failures > failures {
                    return Ok(None);
                }
                boot
            } else {
                None
            };
            if let Some(boot) = boot.filter(|b| b.sector == unit && b.copy == Some(behind) && b.sign != BootSign::Ntfs)
            {
                return Ok(Some(boot));
            }
        }
        Ok(None)
    }

    /// A link of an extended chain names a place counted from itself, and the next link counted from the first one.
    fn follow_link(&mut self, at: u64, sector: &[u8]) {
        let own = table_remains::of_link(sector, at);
        if own.is_empty() || self.links.len() >= MOST_LINKS {
            return;
        }
        let from_first: Vec<u64> =
            self.links.iter().take(MOST_FIRST_LINKS).flat_map(|base| table_remains::of_link(sector, *base)).collect();
        self.links.push(at);
        for place in own.into_iter().chain(from_first) {
            self.add(Rank::Named, Probe::Start(place));
        }
    }

    fn look_at_end(&mut self, end: u64) -> Result<(), SourceLost> {
        let Some(last) = end.checked_sub(512).filter(|last| self.is_searched(*last)) else { return Ok(()) };
        self.spent.places += 1;
        let start = end.saturating_sub(TAIL_BYTES);
        if self.spent.failures > 0 && self.sector(last)?.is_none() {
            return Ok(());
        }
        let Some(block) = self.read(start, end - start)? else { return Ok(()) };
        for unit in [512, 1024, 2048, 4096] {
            let Some(at) = (end - start).checked_sub(unit) else { break };
            let boot = Self::part(&block, at).and_then(FoundBoot::parse);
            let copy = boot.filter(|b| b.sign == BootSign::Ntfs && b.sector == unit);
            if let Some((copy, at)) = copy.and_then(|copy| end.checked_sub(copy.bytes).map(|at| (copy, at))) {
                self.seen.insert(Probe::Start(at));
                let main = self.sector(at)?.as_deref().and_then(FoundBoot::parse);
                if let Some(other) = main.as_ref().filter(|main| !main.is_twin_of(&copy)) {
                    self.weigh(at, other, true)?;
                }
                return self.weigh(at, &copy, main.is_some_and(|main| main.is_twin_of(&copy)));
            }
        }
        Ok(())
    }

    fn look_at_array(&mut self, at: u64, unit: u64) -> Result<(), SourceLost> {
        self.spent.places += 1;
        let Some(block) = self.read(at, table_remains::ARRAY_BYTES)? else { return Ok(()) };
        let Some(unit) = table_remains::UNITS.into_iter().find(|u| u.bytes() == unit) else { return Ok(()) };
        let mut places: Vec<u64> = table_remains::of_array(&block.bytes, unit).collect();
        places.retain(|place| self.is_searched(*place));
        for place in places {
            self.arrays.push((place, block.extent));
            self.add(Rank::Named, Probe::Start(place));
        }
        Ok(())
    }

    /// Weighs the volume that starts at `at` by the boot sector `boot`, which stands there (`at_start`) or is its copy.
    fn weigh(&mut self, at: u64, boot: &FoundBoot, at_start: bool) -> Result<(), SourceLost> {
        let mut evidence = vec![if at_start { "its boot sector" } else { "the copy of its boot sector" }];
        let mut by = if at_start { FoundBy::Start } else { FoundBy::Copy };
        if let Some(copy) = boot.copy.and_then(|copy| at.checked_add(copy)).filter(|_| at_start)
            && self.sector(copy)?.as_deref().and_then(FoundBoot::parse).is_some_and(|copy| copy.is_twin_of(boot))
        {
            by = FoundBy::Both;
            evidence.push("the copy of it");
        }
        let mark = at.checked_add(boot.mark.at);
        let live = match mark {
            Some(mark) => self.sector(mark)?.is_some_and(|sector| boot.mark.stands_in(&sector)),
            None => false,
        };
        if live {
            evidence.push(boot.mark.name());
        }
        let in_its_place = boot.hidden > 0 && boot.hidden.checked_mul(boot.sector) == Some(at);
        let end = at.saturating_add(boot.bytes);
        let extent = Extent::between(at, end.min(self.drive.bytes()));
        let candidate = VolumeCandidate {
            extent,
            said: Some(boot.bytes),
            by,
            live,
            in_its_place,
            holds: boot.sign.name().to_owned(),
            evidence: evidence.join(", "),
        };
        // A boot sector alone that promises more than the drive has is as likely a stray one.
        if !extent.is_empty() && (candidate.is_confirmed() || end <= self.drive.bytes()) {
            self.take(candidate);
        }
        Ok(())
    }

    /// Looks for contents of other kinds, in what remains of the range.
    fn look_at_foreign(&mut self, at: u64, held: u64) -> Result<(), SourceLost> {
        let within = self.ranges.intersection(Extent::between(at, self.drive.bytes()));
        let Some(rest) = within.first().filter(|rest| rest.start.0 == at && rest.bytes > held) else { return Ok(()) };
        let window = Window::new(self.drive.window().reader(), *rest);
        self.spent.reads += 1;
        self.spent.bytes += signature::HEAD_BYTES.min(rest.bytes);
        let recognised = match signature::look(&window) {
            Ok(Some(recognised)) if recognised.certainty > Certainty::Partial => recognised,
            Ok(_) | Err(SourceLost::NotInCase { .. }) => return Ok(()),
            Err(error) => return Err(error),
        };
        let end = recognised.bytes.map_or(rest.end(), |bytes| at.saturating_add(bytes)).min(self.drive.bytes());
        self.take(VolumeCandidate {
            extent: Extent::between(at, end),
            said: recognised.bytes,
            by: if recognised.certainty == Certainty::Copy { FoundBy::Copy } else { FoundBy::Start },
            live: recognised.certainty == Certainty::Checksummed,
            in_its_place: false,
            holds: recognised.kind.name().to_owned(),
            evidence: recognised.evidence.what,
        });
        Ok(())
    }

    fn take(&mut self, candidate: VolumeCandidate) {
        let same = |c: &&mut VolumeCandidate| c.extent == candidate.extent && c.holds == candidate.holds;
        if let Some(known) = self.candidates.iter_mut().find(same) {
            if candidate.weight() > known.weight() {
                *known = candidate;
            }
            return;
        }
        if candidate.is_confirmed() && candidate.by != FoundBy::Copy && candidate.said.is_some() {
            self.covered.insert(candidate.extent);
        }
        self.add_neighbours(candidate.extent);
        self.candidates.push(candidate);
    }
}
