//! The journal: blocks of the volume of which it holds a newer version than the place where they belong.
//!
//! The log is followed from header to header: descriptor blocks name the blocks whose new versions follow them, and a transaction counts
//! once its commit block stands. Versions themselves are read only of what the map needs. What cannot be followed to its end with
//! certainty is an error, and all of the volume is planned then.
//!
//! Source: Linux, Documentation/filesystems/ext4/journal.rst, corrected by logs that `debugfs` wrote; held against its own replay by
//! the tests.

use super::superblock::Superblock;
use crate::base::extent::ExtentSet;
use crate::base::fields::{be16, be32, le16, le32};
use crate::filesystem::space_map::{NotFollowed, Step};
use crate::partition::signature::checksums::crc32c_from;
use crate::source::Window;
use std::collections::BTreeMap;

const MAGIC: [u8; 4] = [0xC0, 0x3B, 0x39, 0x98];
const DESCRIPTOR: u32 = 1;
const COMMIT: u32 = 2;
const SUPERBLOCK_1: u32 = 3;
const SUPERBLOCK_2: u32 = 4;
const REVOKE: u32 = 5;

const INCOMPAT_64BIT: u32 = 0x2;
const INCOMPAT_CSUM_2: u32 = 0x8;
const INCOMPAT_CSUM_3: u32 = 0x10;
/// Revocation, and the three above. Asynchronous commits and fast commits change the allocation in ways that are not followed.
const INCOMPAT_KNOWN: u32 = 0x1 | INCOMPAT_64BIT | INCOMPAT_CSUM_2 | INCOMPAT_CSUM_3;

const TAG_ESCAPED: u32 = 1;
const TAG_SAME_UUID: u32 = 2;
const TAG_LAST: u32 = 8;

/// Most header blocks that are read: each costs a request.
const MOST_HEADERS: u64 = 1 << 16;

/// Deepest extent tree (`EXT4_MAX_EXTENT_DEPTH`, from memory), and most blocks of it that are read.
const MOST_DEPTH: u16 = 5;
const MOST_TREE_BLOCKS: usize = 4096;

/// Newer versions of blocks.
#[derive(Default, Debug)]
pub struct Overlay {
    /// By the block's number: byte of the volume where its newest version stands, and whether its first four bytes were taken out.
    newer: BTreeMap<u64, (u64, bool)>,
    /// What of the journal was read.
    pub places: ExtentSet,
}

impl Overlay {
    /// Byte of the volume at which the newest version of a block stands, where that is not its own place.
    pub fn place(&self, block: u64) -> Option<u64> {
        self.newer.get(&block).map(|(place, _)| *place)
    }

    /// Puts back the first four bytes of a block, which were taken out because they look like the journal's own mark.
    pub fn restore(&self, block: u64, bytes: &mut [u8]) {
        let was_taken_out = self.newer.get(&block).is_some_and(|(_, escaped)| *escaped);
        if let Some(head) = bytes.get_mut(..4).filter(|_| was_taken_out) {
            head.copy_from_slice(&MAGIC);
        }
    }

    /// How many blocks have a newer version in the journal.
    pub fn blocks(&self) -> usize {
        self.newer.len()
    }
}

/// Follows the journal of a volume.
///
/// # Errors
/// [`SourceLost`] when the device is gone; within, why the journal cannot be followed.
pub fn read(window: &Window<'_>, sb: &Superblock) -> Step<Overlay> {
    let mut log = Log { window, sb, extents: Vec::new(), overlay: Overlay::default(), tree_blocks: 0 };
    Ok(match log.follow()? {
        Ok(()) => Ok(log.overlay),
        Err(why) => Err(why),
    })
}

/// Blocks of the journal's file that lie together.
struct LogExtent {
    logical: u64,
    physical: u64,
    count: u64,
}

struct Log<'w> {
    window: &'w Window<'w>,
    sb: &'w Superblock,
    extents: Vec<LogExtent>,
    overlay: Overlay,
    tree_blocks: usize,
}

/// What the journal's superblock says.
struct Form {
    length: u64,
    first: u64,
    sequence: u32,
    start: u64,
    incompat: u32,
    seed: u32,
}

impl Form {
    fn has_checksums(&self) -> bool {
        self.incompat & (INCOMPAT_CSUM_2 | INCOMPAT_CSUM_3) != 0
    }
}

/// A new version of a block in the log.
struct Version {
    block: u64,
    log_block: u64,
    is_escaped: bool,
    sequence: u32,
}

impl Log<'_> {
    fn follow(&mut self) -> Step<()> {
        let Some((words, _)) = self.sb.journal_inode else { return Ok(Err("where it lies is not known")) };
        step!(self.find(&words));
        let form = step!(self.form());
        if form.start == 0 {
            return Ok(Ok(()));
        }
        if form.incompat & !INCOMPAT_KNOWN != 0 {
            return Ok(Err("it has features that are not followed"));
        }
        let mut versions: Vec<Version> = Vec::new();
        let mut committed = 0;
        let mut revoked: BTreeMap<u64, u32> = BTreeMap::new();
        let mut pending_revoked: Vec<u64> = Vec::new();
        let (mut at, mut sequence) = (form.start, form.sequence);
        let mut left = form.length;
        for _ in 0..MOST_HEADERS {
            let block = step!(self.block(at));
            let is_header = block.starts_with(&MAGIC) && be32(&block, 8) == Some(sequence);
            let kind = be32(&block, 4).filter(|_| is_header);
            if form.has_checksums() && !is_sealed(&form, kind, &block) {
                return Ok(Err("a checksum in it is wrong"));
            }
            let mut passed = 1;
            match kind {
                Some(DESCRIPTOR) => {
                    let Some(tags) = tags(&form, &block) else { return Ok(Err("a descriptor block in it is damaged")) };
                    for (block, is_escaped) in tags {
                        let log_block = wrap(&form, at, passed);
                        versions.push(Version { block, log_block, is_escaped, sequence });
                        passed += 1;
                    }
                }
                Some(REVOKE) => match revocations(&form, &block) {
                    Some(list) => pending_revoked.extend(list),
                    None => return Ok(Err("a revocation in it is damaged")),
                },
                Some(COMMIT) => {
                    committed = versions.len();
                    revoked.extend(pending_revoked.drain(..).map(|block| (block, sequence)));
                    sequence = sequence.wrapping_add(1);
                }
                _ => {
                    versions.truncate(committed);
                    return self.keep(&versions, &revoked);
                }
            }
            // A log that is full to its last block ends where it began.
            let Some(rest) = left.checked_sub(passed).filter(|rest| *rest > 0) else {
                return Ok(Err("it does not end"));
            };
            left = rest;
            at = wrap(&form, at, passed);
        }
        Ok(Err("it has too many transactions"))
    }

    /// Keeps the newest version of each block that was not revoked later.
    fn keep(&mut self, versions: &[Version], revoked: &BTreeMap<u64, u32>) -> Step<()> {
        for version in versions {
            let is_revoked = revoked.get(&version.block).is_some_and(|until| *until >= version.sequence);
            if !is_revoked {
                let Some(place) = self.place(version.log_block) else {
                    return Ok(Err("it names blocks outside itself"));
                };
                self.overlay.newer.insert(version.block, (place, version.is_escaped));
            }
        }
        Ok(Ok(()))
    }

    fn form(&mut self) -> Step<Form> {
        let block = step!(self.block(0));
        let field = |at: usize| be32(&block, at).unwrap_or(0);
        if !block.starts_with(&MAGIC) || ![SUPERBLOCK_1, SUPERBLOCK_2].contains(&field(4)) {
            return Ok(Err("its superblock is damaged"));
        }
        let is_new = field(4) == SUPERBLOCK_2;
        let form = Form {
            length: field(0x10).into(),
            first: field(0x14).into(),
            sequence: field(0x18),
            start: field(0x1C).into(),
            incompat: if is_new { field(0x28) } else { 0 },
            seed: crc32c_from(!0, block.get(0x30..0x40).unwrap_or(&[])),
        };
        let is_sealed = !form.has_checksums() || {
            let mut open = block.get(..1024).map(<[u8]>::to_vec).unwrap_or_default();
            open.get_mut(0xFC..0x100).into_iter().for_each(|field| field.fill(0));
            crc32c_from(!0, &open) == field(0xFC)
        };
        let fits = u64::from(field(0xC)) == self.sb.geometry.block_bytes
            && form.first >= 1
            && form.first < form.length
            && form.length <= self.extents.iter().map(|extent| extent.count).sum()
            && (form.start == 0 || (form.first..form.length).contains(&form.start));
        Ok(if fits && is_sealed { Ok(form) } else { Err("its superblock is damaged") })
    }

    /// Byte of the volume at which a block of the log stands.
    fn place(&self, log_block: u64) -> Option<u64> {
        let holds = |extent: &&LogExtent| extent.logical <= log_block && log_block - extent.logical < extent.count;
        let extent = self.extents.iter().find(holds)?;
        (extent.physical + (log_block - extent.logical)).checked_mul(self.sb.geometry.block_bytes)
    }

    fn block(&mut self, log_block: u64) -> Step<Vec<u8>> {
        let Some(place) = self.place(log_block) else { return Ok(Err("it names blocks outside itself")) };
        self.read(place)
    }

    fn read(&mut self, place: u64) -> Step<Vec<u8>> {
        let Some(block) = self.window.read(place, self.sb.geometry.block_bytes)? else {
            return Ok(Err("part of it lies outside the volume"));
        };
        self.overlay.places.insert(block.extent);
        Ok(block.whole().map(<[u8]>::to_vec).ok_or("part of it was not read"))
    }

    /// Where the journal's file lies, from the block words of its inode.
    fn find(&mut self, words: &[u8; 60]) -> Step<()> {
        if words.starts_with(&[0x0A, 0xF3]) {
            return self.extent_node(words, MOST_DEPTH);
        }
        let word = |at: usize| le32(words, at * 4).unwrap_or(0);
        for direct in 0..12 {
            if !self.add_block(word(direct)) {
                return Ok(Ok(()));
            }
        }
        for (depth, index) in (12..15).enumerate() {
            if word(index) == 0 || !step!(self.indirect(word(index), depth)) {
                break;
            }
        }
        Ok(Ok(()))
    }

    /// Whether there is a block: a hole ends the file.
    fn add_block(&mut self, block: u32) -> bool {
        if block == 0 {
            return false;
        }
        let physical = u64::from(block);
        match self.extents.last_mut() {
            Some(last) if last.physical + last.count == physical => last.count += 1,
            last => {
                let logical = last.map_or(0, |last| last.logical + last.count);
                self.extents.push(LogExtent { logical, physical, count: 1 });
            }
        }
        true
    }

    /// Whether the file may go on behind an indirect block.
    fn indirect(&mut self, block: u32, depth: usize) -> Step<bool> {
        step!(self.count_tree_block());
        let bytes = step!(self.read(u64::from(block).saturating_mul(self.sb.geometry.block_bytes)));
        for word in bytes.as_chunks::<4>().0 {
            let word = u32::from_le_bytes(*word);
            let goes_on = match depth {
                0 => self.add_block(word),
                _ if word == 0 => false,
                _ => step!(self.indirect(word, depth - 1)),
            };
            if !goes_on {
                return Ok(Ok(false));
            }
        }
        Ok(Ok(true))
    }

    fn extent_node(&mut self, node: &[u8], most_depth: u16) -> Step<()> {
        const DAMAGED: NotFollowed = "the extents of its file are damaged";
        let (Some(entries), Some(depth)) = (le16(node, 2), le16(node, 6)) else { return Ok(Err(DAMAGED)) };
        if !node.starts_with(&[0x0A, 0xF3]) || depth > most_depth {
            return Ok(Err(DAMAGED));
        }
        for entry in 0..usize::from(entries) {
            let Some(entry) = node.get(12 + entry * 12..24 + entry * 12) else { return Ok(Err(DAMAGED)) };
            let word = |at: usize| u64::from(le32(entry, at).unwrap_or(0));
            let half = |at: usize| u64::from(le16(entry, at).unwrap_or(0));
            if depth > 0 {
                step!(self.count_tree_block());
                let child = word(4) | half(8) << 32;
                let bytes = step!(self.read(child.saturating_mul(self.sb.geometry.block_bytes)));
                step!(self.extent_node(&bytes, depth - 1));
                continue;
            }
            // A length above 32,768 marks an extent that was not written.
            let expected = self.extents.last().map_or(0, |last| last.logical + last.count);
            if word(0) != expected || !(1..=1 << 15).contains(&half(4)) {
                return Ok(Err(DAMAGED));
            }
            let physical = word(8) | half(6) << 32;
            self.extents.push(LogExtent { logical: expected, physical, count: half(4) });
        }
        Ok(Ok(()))
    }

    fn count_tree_block(&mut self) -> Step<()> {
        self.tree_blocks += 1;
        Ok(if self.tree_blocks > MOST_TREE_BLOCKS { Err("the extents of its file are damaged") } else { Ok(()) })
    }
}

/// The block of the log that stands `passed` behind `at`: it goes round.
fn wrap(form: &Form, at: u64, passed: u64) -> u64 {
    let round = form.length - form.first;
    form.first + (at - form.first + passed) % round
}

/// Whether the checksum of a header block is right; true for what has none.
fn is_sealed(form: &Form, kind: Option<u32>, block: &[u8]) -> bool {
    let at = match kind {
        Some(DESCRIPTOR | REVOKE) => block.len() - 4,
        Some(COMMIT) => 0x10,
        _ => return true,
    };
    let mut open = block.to_vec();
    open.get_mut(at..at + 4).into_iter().for_each(|field| field.fill(0));
    Some(crc32c_from(form.seed, &open)) == be32(block, at)
}

/// The blocks that a descriptor block names, each with whether its version is escaped.
fn tags(form: &Form, block: &[u8]) -> Option<Vec<(u64, bool)>> {
    let end = block.len() - if form.has_checksums() { 4 } else { 0 };
    let is_64bit = form.incompat & INCOMPAT_64BIT != 0;
    let mut tags = Vec::new();
    let mut at = 12;
    loop {
        let low = u64::from(be32(block, at)?);
        let (flags, high, size) = if form.incompat & INCOMPAT_CSUM_3 != 0 {
            (be32(block, at + 4)?, be32(block, at + 8)?, 16)
        } else {
            let padding = if form.incompat & INCOMPAT_CSUM_2 != 0 { 2 } else { 0 };
            let (high, wide) = if is_64bit { (be32(block, at + 8)?, 4) } else { (0, 0) };
            (be16(block, at + 6)?.into(), high, 8 + wide + padding)
        };
        at += size + if flags & TAG_SAME_UUID == 0 { 16 } else { 0 };
        if at > end {
            return None;
        }
        let high = if is_64bit { u64::from(high) << 32 } else { 0 };
        tags.push((high | low, flags & TAG_ESCAPED != 0));
        if flags & TAG_LAST != 0 {
            return Some(tags);
        }
    }
}

/// The blocks that a revocation names.
fn revocations(form: &Form, block: &[u8]) -> Option<Vec<u64>> {
    let used = usize::try_from(be32(block, 12)?).ok().filter(|used| (16..=block.len()).contains(used))?;
    let list = block.get(16..used)?;
    Some(match form.incompat & INCOMPAT_64BIT {
        0 => list.as_chunks::<4>().0.iter().map(|number| u32::from_be_bytes(*number).into()).collect(),
        _ => list.as_chunks::<8>().0.iter().map(|number| u64::from_be_bytes(*number)).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEADER: [u8; 12] = [0xC0, 0x3B, 0x39, 0x98, 0, 0, 0, 1, 0, 0, 0, 7];

    fn form(incompat: u32) -> Form {
        Form { length: 100, first: 1, sequence: 7, start: 1, incompat, seed: 0 }
    }

    /// Two tags of a descriptor block: the first is followed by an identifier of 16 bytes, the second is the last.
    // Source: Linux fs/jbd2/journal.c, `journal_tag_bytes`, and include/linux/jbd2.h, `journal_block_tag_t` and `journal_block_tag3_t`
    // (from memory).
    #[test]
    fn tags_are_as_long_as_the_features_say() {
        for (incompat, bytes, high) in [
            (0, 8, 0),
            (INCOMPAT_64BIT, 12, 1),
            (INCOMPAT_CSUM_2, 10, 0),
            (INCOMPAT_CSUM_2 | INCOMPAT_64BIT, 14, 1),
            (INCOMPAT_CSUM_3, 16, 0),
            (INCOMPAT_CSUM_3 | INCOMPAT_64BIT, 16, 1),
        ] {
            let mut block = HEADER.to_vec();
            for (low, flags) in [(5_u32, TAG_ESCAPED), (6, TAG_SAME_UUID | TAG_LAST)] {
                let mut tag = [0xEE; 16];
                tag[..4].copy_from_slice(&low.to_be_bytes());
                // The third form has flags of 32 bits; before it a checksum of 16 bits stood there and the flags behind it.
                let wide = incompat & INCOMPAT_CSUM_3 != 0;
                tag[4..8].copy_from_slice(&if wide { flags } else { 0xAAAA_0000 | flags }.to_be_bytes());
                tag[8..12].copy_from_slice(&1_u32.to_be_bytes());
                block.extend_from_slice(&tag[..bytes]);
                block.resize(block.len() + if flags & TAG_SAME_UUID == 0 { 16 } else { 0 }, 0);
            }
            let expected = Some(vec![(high << 32 | 5, true), (high << 32 | 6, false)]);
            let form = form(incompat);
            let tail = if form.has_checksums() { 4 } else { 0 };
            block.resize(block.len() + tail, 0);
            assert_eq!(tags(&form, &block), expected, "{incompat:#x}");
            block.pop();
            assert_eq!(tags(&form, &block), None, "{incompat:#x}, cut");
        }
    }

    #[test]
    fn revoked_numbers_are_as_long_as_the_features_say() {
        let block = [&HEADER[..], &24_u32.to_be_bytes(), &[0, 0, 0, 1, 0, 0, 0, 2, 9, 9, 9, 9]].concat();
        assert_eq!(revocations(&form(0), &block), Some(vec![1, 2]));
        assert_eq!(revocations(&form(INCOMPAT_64BIT), &block), Some(vec![1 << 32 | 2]));
        assert_eq!(revocations(&form(0), &[&HEADER[..], &29_u32.to_be_bytes(), &block[16..]].concat()), None);
        assert_eq!(revocations(&form(0), &[&HEADER[..], &15_u32.to_be_bytes(), &block[16..]].concat()), None);
    }
}
