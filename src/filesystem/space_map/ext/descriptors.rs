//! Group descriptors: where each group's bitmap and inode table lie, from the main ones or from their copies.
//!
//! Source: Linux, Documentation/filesystems/ext4/group_descr.rst; what it says of the checksums is corrected by volumes of `mke2fs`,
//! as the tests show.

use super::journal::Overlay;
use super::superblock::{Checksums, Superblock};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::fields::{u16_at, u32_at};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::space_map::findings::{MAP_FROM_COPY, MAP_PART_DOUBTED, MAP_PART_UNREAD};
use crate::filesystem::space_map::places::read_places;
use crate::partition::signature::checksums::{crc16_reflected, crc32c_from};
use crate::source::{SourceLost, Window};

/// The group's bitmap was never written: what is in use follows from the layout.
const BLOCK_UNINIT: u16 = 2;
/// The same of the inode table.
const INODE_UNINIT: u16 = 1;

/// Most copies that are tried for a lost block of descriptors.
const COPIES_TRIED: usize = 3;

/// What a descriptor says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Descriptor {
    /// Block of the block bitmap.
    pub block_bitmap: u64,
    /// Block of the inode bitmap.
    pub inode_bitmap: u64,
    /// First block of the inode table.
    pub inode_table: u64,
    /// Free clusters.
    pub free: u64,
    /// Checksum of the block bitmap, and how many bits of it there are.
    pub bitmap_checksum: (u32, u32),
    /// Whether the bitmap was never written.
    pub is_uninitialised: bool,
    /// Inodes at the end of the table that were never used.
    pub unused_inodes: u64,
    /// Whether it comes from a copy: its places are right, its counts and flags may be old.
    pub is_copy: bool,
}

/// The descriptors of a volume, by group; `None` where neither the main one nor a copy can be used.
pub struct Descriptors {
    /// By group.
    pub list: Vec<Option<Descriptor>>,
    /// Places of the descriptors that were read, copies among them.
    pub places: ExtentSet,
}

/// Reads the descriptors of the first `groups` groups.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read(
    window: &Window<'_>,
    sb: &Superblock,
    groups: usize,
    overlay: &Overlay,
    findings: &mut Findings,
) -> Result<Descriptors, SourceLost> {
    let mut all = Descriptors { list: vec![None; groups], places: ExtentSet::new() };
    let blocks = (groups as u64).div_ceil(sb.descriptors_in_block());
    let main: Vec<(u64, u64)> = (0..blocks).map(|number| (number, sb.descriptor_block(number))).collect();
    let unread = all.take(window, sb, &main, overlay, false)?;
    for tried in 0..COPIES_TRIED {
        let missing = all.blocks_missing(sb);
        let copy = |number: u64| Some((number, *sb.descriptor_copies(number, COPIES_TRIED).get(tried)?));
        let copies: Vec<(u64, u64)> = missing.into_iter().filter_map(copy).collect();
        if copies.is_empty() {
            break;
        }
        all.take(window, sb, &copies, &Overlay::default(), true)?;
    }
    all.note(window, sb, &unread, findings);
    Ok(all)
}

impl Descriptors {
    /// Takes the descriptors in blocks of them (number, place) for groups that have none yet. Gives the groups whose descriptor was
    /// not read.
    fn take(
        &mut self,
        window: &Window<'_>,
        sb: &Superblock,
        blocks: &[(u64, u64)],
        overlay: &Overlay,
        is_copy: bool,
    ) -> Result<Vec<usize>, SourceLost> {
        let block_bytes = sb.geometry.block_bytes;
        let mut places: Vec<(Extent, (u64, u64))> = Vec::new();
        let mut unread = Vec::new();
        for (number, block) in blocks {
            let place = overlay.place(*block).unwrap_or(block.saturating_mul(block_bytes));
            match window.locate(place, block_bytes) {
                Some(extent) => places.push((extent, (*number, *block))),
                None => unread.extend(self.groups_in(sb, *number)),
            }
        }
        self.places.extend(places.iter().map(|(extent, _)| *extent));
        read_places(window.reader(), "group descriptors", places, |(number, block), place| {
            let mut bytes = place.bytes.to_vec();
            overlay.restore(block, &mut bytes);
            let start = place.extent.start.0;
            for group in self.groups_in(sb, number) {
                let size = sb.geometry.descriptor_bytes;
                let from = (group as u64 % sb.descriptors_in_block()) * size;
                if place.unreadable.bytes_within(Extent::between(start + from, start + from + size)) > 0 {
                    unread.push(group);
                } else if self.list[group].is_none() {
                    let at = usize::try_from(from).expect("inside a block");
                    let raw = &bytes[at..at + usize::try_from(size).expect("at most a block")];
                    self.list[group] = parse(sb, group as u64, raw, is_copy);
                }
            }
        })?;
        Ok(unread)
    }

    fn groups_in(&self, sb: &Superblock, number: u64) -> std::ops::Range<usize> {
        let first = number.saturating_mul(sb.descriptors_in_block());
        let index = |group: u64| usize::try_from(group).unwrap_or(usize::MAX).min(self.list.len());
        index(first)..index(first + sb.descriptors_in_block())
    }

    /// Blocks of descriptors in which one is missing.
    fn blocks_missing(&self, sb: &Superblock) -> Vec<u64> {
        let missing = self.list.iter().enumerate().filter(|(_, descriptor)| descriptor.is_none());
        let mut numbers: Vec<u64> = missing.map(|(group, _)| group as u64 / sb.descriptors_in_block()).collect();
        numbers.dedup();
        numbers
    }

    fn note(&self, window: &Window<'_>, sb: &Superblock, unread: &[usize], findings: &mut Findings) {
        let place = |group: usize| {
            let block = sb.descriptor_block(group as u64 / sb.descriptors_in_block());
            window.absolute(block.saturating_mul(sb.geometry.block_bytes))
        };
        let copies: Vec<usize> = of(&self.list, |descriptor| descriptor.is_some_and(|d| d.is_copy));
        if let Some(first) = copies.first() {
            let sentence = format!(
                "{} of {} group descriptors cannot be used; copies of them tell where bitmaps lie. The first is that of group {first}.",
                copies.len(),
                self.list.len()
            );
            findings.push(Finding::at(&MAP_FROM_COPY, place(*first), sentence));
        }
        let lost: Vec<usize> = of(&self.list, |descriptor| descriptor.is_none());
        let Some(first) = lost.first() else { return };
        let code = if lost.iter().all(|group| unread.contains(group)) { &MAP_PART_UNREAD } else { &MAP_PART_DOUBTED };
        let sentence = format!(
            "{} of {} group descriptors cannot be used, and no copy of them: those groups are planned in full. The first is that of \
             group {first}.",
            lost.len(),
            self.list.len()
        );
        findings.push(Finding::at(code, place(*first), sentence));
    }
}

fn of(list: &[Option<Descriptor>], is: impl Fn(Option<&Descriptor>) -> bool) -> Vec<usize> {
    list.iter().enumerate().filter(|(_, descriptor)| is(descriptor.as_ref())).map(|(group, _)| group).collect()
}

/// A descriptor whose checksum is right and whose places lie in the volume.
fn parse(sb: &Superblock, group: u64, raw: &[u8], is_copy: bool) -> Option<Descriptor> {
    let size = raw.len();
    let flags = u16_at(raw, 0x12);
    if !is_checksum_right(sb, group, raw) {
        return None;
    }
    let is_wide = size >= 64;
    let number = |low: usize, high: usize| {
        u64::from(u32_at(raw, low)) | if is_wide { u64::from(u32_at(raw, high)) << 32 } else { 0 }
    };
    let half = |low: usize, high: usize| {
        u32::from(u16_at(raw, low)) | if is_wide { u32::from(u16_at(raw, high)) << 16 } else { 0 }
    };
    let has_flags = sb.checksums != Checksums::None;
    let free = u64::from(half(0x0C, 0x2C));
    let unused =
        if has_flags && flags & INODE_UNINIT != 0 { sb.geometry.group_inodes } else { half(0x1C, 0x32).into() };
    let descriptor = Descriptor {
        block_bitmap: number(0x00, 0x20),
        inode_bitmap: number(0x04, 0x24),
        inode_table: number(0x08, 0x28),
        free,
        bitmap_checksum: (half(0x18, 0x38), if is_wide { u32::BITS } else { u16::BITS }),
        is_uninitialised: has_flags && flags & BLOCK_UNINIT != 0,
        unused_inodes: if has_flags { unused.min(sb.geometry.group_inodes) } else { 0 },
        is_copy,
    };
    let (first, end) = match sb.is_flexible {
        true => (sb.geometry.first_block, sb.geometry.blocks),
        false => (sb.group_start(group), sb.group_end(group)),
    };
    let lies_inside = |block: u64, blocks: u64| {
        block.max(1) >= first.max(1) && block > 0 && block.checked_add(blocks).is_some_and(|behind| behind <= end)
    };
    let fits = lies_inside(descriptor.block_bitmap, 1)
        && lies_inside(descriptor.inode_bitmap, 1)
        && lies_inside(descriptor.inode_table, sb.geometry.inode_table_blocks)
        && free <= sb.clusters_in(group);
    fits.then_some(descriptor)
}

fn is_checksum_right(sb: &Superblock, group: u64, raw: &[u8]) -> bool {
    let Ok(number) = u32::try_from(group) else { return false };
    let stored = u16_at(raw, 0x1E);
    let behind = raw.get(0x20..).unwrap_or(&[]);
    match sb.checksums {
        Checksums::None => true,
        Checksums::Descriptors => {
            stored == crc16_reflected(&[&sb.geometry.uuid, &number.to_le_bytes(), &raw[..0x1E], behind])
        }
        Checksums::Metadata => {
            let seed = crc32c_from(sb.seed, &number.to_le_bytes());
            let sum = crc32c_from(crc32c_from(crc32c_from(seed, &raw[..0x1E]), &[0; 2]), behind);
            u32::from(stored) == sum & 0xFFFF
        }
    }
}
