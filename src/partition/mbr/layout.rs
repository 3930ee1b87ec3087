//! The layout that an MBR and its extended chains give, in the sector size that fits.

use super::extended::Chain;
use super::listed::listed_partition;
use super::sector::Mbr;
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::base::units::{ByteOffset, Lba, SectorSize};
use crate::partition::areas::lay_out;
use crate::partition::drive::Drive;
use crate::partition::findings::{EXTENDED_SEVERAL, MBR_EMPTY, MBR_HOLE, SECTOR_SIZE_DIFFERS};
use crate::partition::{DriveLayout, Scheme, boot_sign};
use crate::source::SourceLost;

/// A table read in one sector size, with what supports that size.
pub struct Reading {
    unit: SectorSize,
    chain: Chain,
    /// Places where this sector size puts a boot sector or the first link of a chain.
    expected: usize,
    /// Those of them that hold one.
    found: usize,
}

impl Reading {
    /// Follows the chains and looks at the first sector of every partition whose type begins with a boot sector.
    fn of(drive: &Drive<'_>, mbr: &Mbr, unit: SectorSize) -> Result<Reading, SourceLost> {
        let mut chain = Chain::default();
        let mut starts: Vec<Lba> = Vec::new();
        let mut expected = 0;
        for (_, entry) in mbr.ordinary() {
            if entry.is_extended() && entry.sectors > 0 {
                expected += 1;
                chain.follow(drive, entry, unit)?;
            } else if entry.begins_with_boot_sector() && entry.first > 0 && entry.sectors > 0 {
                starts.push(Lba(u64::from(entry.first)));
            }
        }
        starts.extend(chain.logicals.iter().filter(|c| c.begins_with_boot_sector).map(|c| c.first));
        expected += starts.len();
        let mut found = chain.sound_starts;
        for first in starts {
            let block = drive.read(first, 512, unit)?;
            let sign = block.as_ref().and_then(|b| b.whole()).and_then(boot_sign::recognise);
            found += usize::from(sign.is_some());
        }
        Ok(Reading { unit, chain, expected, found })
    }

    /// Whether a boot sector or link stands at any place where this sector size puts one.
    pub fn has_evidence(&self) -> bool {
        self.found > 0
    }
}

/// Reads the table in the reported sector size and, only where that does not lead to boot sectors, in the other.
pub fn fit(drive: &Drive<'_>, mbr: &Mbr, findings: &mut Findings) -> Result<Reading, SourceLost> {
    let reported = Reading::of(drive, mbr, drive.reported)?;
    if reported.expected == 0 || reported.found * 2 >= reported.expected {
        return Ok(reported);
    }
    let (expected, found) = (reported.expected, reported.found);
    let mut best = reported;
    for unit in drive.units().into_iter().skip(1) {
        let other = Reading::of(drive, mbr, unit)?;
        if other.found > best.found {
            best = other;
        }
    }
    if best.unit != drive.reported {
        let sentence = format!(
            "The drive reports sectors of {} bytes, but the partition table counts in sectors of {}: so read, {} of {} \
             boot sectors and chain links stand where the table says, against {found} of {expected}. Partitions are \
             placed by {}-byte sectors.",
            drive.reported, best.unit, best.found, best.expected, best.unit
        );
        findings.push(Finding::at(&SECTOR_SIZE_DIFFERS, ByteOffset(0), sentence));
    }
    Ok(best)
}

/// The layout that a fitted table gives. `mbr` stands in the drive's first sector.
pub fn layout(drive: &Drive<'_>, mbr: &Mbr, reading: Reading, mut findings: Findings) -> DriveLayout {
    let Reading { unit, chain, .. } = reading;
    let mut claims = Vec::new();
    let mut extendeds = 0;
    for (index, entry) in mbr.ordinary() {
        if entry.is_extended() {
            extendeds += 1;
            continue;
        }
        let number = u32::try_from(index + 1).unwrap_or(u32::MAX);
        let said_at = ByteOffset(Mbr::entry_at(index));
        claims.push(listed_partition(entry, number, Lba(u64::from(entry.first)), said_at, false, &mut findings));
    }
    if extendeds > 1 {
        let sentence = format!("The MBR names {extendeds} extended partitions; each one's chain is followed.");
        findings.push(Finding::at(&EXTENDED_SEVERAL, ByteOffset(0), sentence));
    }
    claims.extend(chain.logicals);
    findings.append(chain.findings);
    if claims.is_empty() && extendeds == 0 {
        let sentence = "The MBR is signed but names no partition.";
        findings.push(Finding::at(&MBR_EMPTY, ByteOffset(0), sentence));
    }
    let mut table_extents: ExtentSet = chain.links.into_iter().collect();
    table_extents.insert(Extent::between(0, unit.bytes().min(drive.bytes())));
    if has_hole(mbr) {
        let sentence = "The MBR has a blank entry in front of one in use.";
        findings.push(Finding::at(&MBR_HOLE, ByteOffset(Mbr::entry_at(0)), sentence));
    }
    let promising = claims.iter().filter(|claim| claim.begins_with_boot_sector);
    let promised = promising.filter_map(|claim| unit.offset_of(claim.first)).collect();
    let areas = lay_out(claims, unit, drive.extent(), &mut findings);
    DriveLayout {
        scheme: Scheme::Mbr,
        table_sector: unit,
        areas,
        table_extents,
        promised,
        outside_unexplained: false,
        findings,
    }
}

/// Whether an unused entry stands in front of one in use. Partitioning programs fill the table from the front.
fn has_hole(mbr: &Mbr) -> bool {
    let last = mbr.entries.iter().rposition(|entry| entry.is_used());
    last.is_some_and(|last| mbr.entries[..last].iter().any(|entry| !entry.is_used()))
}
