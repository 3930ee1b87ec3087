//! The extents overflow file, as far as it continues the forks of special files.
//!
//! Source: Technical Note TN1150, "Extents Overflow File" (in libyal/libfshfs).

use super::fork::{Fork, count, extents};
use super::header::{EXTENTS, VolumeHeader};
use super::journal::Replayed;
use crate::base::extent::{Extent, ExtentSet};
use crate::base::fields::{be16, be32, byte};
use crate::filesystem::ClusterRun;
use crate::source::SourceLost;
use std::collections::BTreeMap;

/// The first identifier of a client's file; special files come before it.
const FIRST_OF_CLIENTS: u32 = 16;

/// Most nodes of the extents overflow file that are read: the records of special files stand in its first leaves.
const MOST_NODES: u32 = 1024;

/// Extents of special files by file, as the overflow file continues them; `None` where that cannot be read in full.
pub type Overflow = Option<BTreeMap<u32, Vec<ClusterRun>>>;

/// Reads the records of special files from the overflow file; what is read is added to `places`.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn overflow(volume: &Replayed<'_>, header: &VolumeHeader, places: &mut ExtentSet) -> Result<Overflow, SourceLost> {
    let tree = Tree { volume, header };
    let Some(head) = tree.read(0, 512, places)? else { return Ok(None) };
    let (Some(node_bytes), Some(first)) = (be16(&head, 32), be32(&head, 24)) else { return Ok(None) };
    let node_bytes = u64::from(node_bytes);
    if byte(&head, 8) != Some(1) || !node_bytes.is_power_of_two() || !(512..=32768).contains(&node_bytes) {
        return Ok(None);
    }
    let mut found: BTreeMap<u32, Vec<ClusterRun>> = BTreeMap::new();
    let mut next = first;
    for _ in 0..MOST_NODES {
        if next == 0 {
            return Ok(Some(found));
        }
        let Some(node) = tree.read(u64::from(next) * node_bytes, node_bytes, places)? else { return Ok(None) };
        match tree.take(&node, &mut found) {
            Some(true) => next = be32(&node, 0).unwrap_or(0),
            Some(false) => return Ok(Some(found)),
            None => return Ok(None),
        }
    }
    Ok(None)
}

/// All extents of a fork, or `None` where some are not known.
pub fn all_extents(file: u32, fork: &Fork, overflow: &Overflow) -> Option<Vec<ClusterRun>> {
    let mut runs = fork.extents.clone();
    if fork.overflows() {
        runs.extend(overflow.as_ref()?.get(&file)?);
    }
    (count(&runs) == fork.blocks).then_some(runs)
}

struct Tree<'w> {
    volume: &'w Replayed<'w>,
    header: &'w VolumeHeader,
}

impl Tree<'_> {
    /// Bytes of the overflow file, which has no more extents than its record holds.
    fn read(&self, at: u64, bytes: u64, places: &mut ExtentSet) -> Result<Option<Vec<u8>>, SourceLost> {
        let block_bytes = self.header.block_bytes;
        let mut content = Vec::new();
        let (mut start, end) = (0, at + bytes);
        for run in &self.header.fork(EXTENTS).extents {
            let (from, to) = (at.max(start), end.min(start + run.count * block_bytes));
            if from < to {
                let place = run.first.0 * block_bytes + (from - start);
                let is_certain = self.volume.certain(place, to - from) == [Extent::between(place, place + to - from)];
                let part = self.volume.bytes(place, to - from, places)?.filter(|_| is_certain);
                let Some(part) = part else { return Ok(None) };
                content.extend(part);
            }
            start += run.count * block_bytes;
        }
        Ok(Some(content).filter(|content| content.len() as u64 == bytes))
    }

    /// Takes a leaf's records of special files. Whether the next leaf may have more; `None` when the leaf is damaged.
    fn take(&self, node: &[u8], found: &mut BTreeMap<u32, Vec<ClusterRun>>) -> Option<bool> {
        if byte(node, 8)? != 0xFF {
            return None;
        }
        for record in 0..usize::from(be16(node, 10)?) {
            let at = usize::from(be16(node, node.len().checked_sub(2 * (record + 1))?)?);
            let raw = node.get(at..at + 76)?;
            let (key_bytes, fork, file, file_block) = (be16(raw, 0)?, raw[2], be32(raw, 4)?, u64::from(be32(raw, 8)?));
            if file >= FIRST_OF_CLIENTS {
                return Some(false);
            }
            let of_file = self.header.special.iter().find(|(id, _)| *id == file).filter(|_| fork == 0);
            let Some((_, fork)) = of_file else { continue };
            let runs = found.entry(file).or_default();
            if key_bytes != 10 || file_block != count(&fork.extents) + count(runs) {
                return None;
            }
            runs.extend(extents(&raw[12..76], self.header.blocks)?);
        }
        Some(true)
    }
}
