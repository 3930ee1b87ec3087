//! Block bitmaps: one block a group, a bit for each cluster of it, the lowest bit of each byte first; 1 means in use.
//!
//! Source: Linux, Documentation/filesystems/ext4/bitmaps.rst, and fs/ext4/balloc.c for groups whose bitmap was never written
//! (`ext4_init_block_bitmap`); held against `dumpe2fs` by the tests.

use super::descriptors::{Descriptor, Descriptors};
use super::journal::Overlay;
use super::superblock::{Checksums, Superblock};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::bits::Scan;
use crate::filesystem::space_map::findings::{MAP_PART_DOUBTED, MAP_PART_UNREAD};
use crate::filesystem::space_map::places::read_places;
use crate::filesystem::{ClusterRun, ClusterSet};
use crate::partition::signature::checksums::crc32c_from;
use crate::source::{SourceLost, Window};
use std::collections::BTreeSet;

/// What the bitmaps say, in blocks of the volume.
pub struct Marks {
    /// Marked as in use, or holding the file system's own structure.
    pub used: ClusterSet,
    /// Of groups whose bitmap was not read or is not believed.
    pub unknown: ClusterSet,
    /// Places of the bitmaps that were read.
    pub places: ExtentSet,
}

/// One group as its bitmap describes it.
struct Group {
    marks: ClusterSet,
    /// Clusters marked free.
    free: u64,
    /// Whether all that the descriptor allows to check is right.
    holds: bool,
}

/// Reads the bitmaps of all groups of `descriptors`, in the order in which they lie.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read(
    window: &Window<'_>,
    sb: &Superblock,
    descriptors: &Descriptors,
    overlay: &Overlay,
    findings: &mut Findings,
) -> Result<Marks, SourceLost> {
    let mut groups: Vec<Option<Group>> = Vec::new();
    groups.resize_with(descriptors.list.len(), || None);
    let mut places: Vec<(Extent, usize)> = Vec::new();
    let shared = shared_blocks(&descriptors.list);
    let mut unread: Vec<usize> = Vec::new();
    for (group, descriptor) in descriptors.list.iter().enumerate() {
        let Some(descriptor) = descriptor else { continue };
        // In a copy the flag may be old: the bitmap may have been written since.
        if descriptor.is_uninitialised && !descriptor.is_copy {
            groups[group] = Some(uninitialised(sb, group as u64, descriptor));
        } else if !shared.contains(&descriptor.block_bitmap) {
            let own = descriptor.block_bitmap.saturating_mul(sb.geometry.block_bytes);
            match window.locate(overlay.place(descriptor.block_bitmap).unwrap_or(own), sb.geometry.block_bytes) {
                Some(extent) => places.push((extent, group)),
                None => unread.push(group),
            }
        }
    }
    let read_here: ExtentSet = places.iter().map(|(extent, _)| *extent).collect();
    read_places(window.reader(), "allocation bitmaps", places, |group, place| {
        let Some(descriptor) = &descriptors.list[group] else { return };
        if !place.unreadable.is_empty() {
            unread.push(group);
            return;
        }
        let mut bytes = place.bytes.to_vec();
        overlay.restore(descriptor.block_bitmap, &mut bytes);
        groups[group] = Some(written(sb, group as u64, descriptor, &bytes));
    })?;
    let own: ClusterSet = own_blocks(sb, &descriptors.list).collect();
    for (index, group) in groups.iter_mut().enumerate().filter_map(|(index, group)| Some((index, group.as_mut()?))) {
        let here = within(&own, whole_group(sb, index as u64));
        group.holds &= here.without(&group.marks).is_empty();
    }
    believe_copies(sb, &descriptors.list, &mut groups);
    unread.sort_unstable();
    note(window, sb, descriptors, &groups, &unread, findings);
    let mut used: Vec<ClusterRun> = vec![ClusterRun::new(0, sb.geometry.first_block)];
    let mut unknown: Vec<ClusterRun> = Vec::new();
    for (group, marks) in groups.into_iter().enumerate() {
        match marks.filter(|marks| marks.holds) {
            Some(marks) => used.extend_from_slice(marks.marks.runs()),
            None => unknown.push(whole_group(sb, group as u64)),
        }
    }
    let used: ClusterSet = used.into_iter().collect();
    let unknown = unknown.into_iter().collect::<ClusterSet>().without(&used);
    Ok(Marks { used, unknown, places: read_here })
}

fn whole_group(sb: &Superblock, group: u64) -> ClusterRun {
    ClusterRun::new(sb.group_start(group), sb.group_end(group).saturating_sub(sb.group_start(group)))
}

/// What of a set lies in a run.
pub fn within(set: &ClusterSet, run: ClusterRun) -> ClusterSet {
    let from = set.runs().partition_point(|held| held.end() <= run.first.0);
    let held = set.runs()[from..].iter().take_while(|held| held.first.0 < run.end());
    let cut = |held: &ClusterRun| {
        let first = held.first.0.max(run.first.0);
        ClusterRun::new(first, held.end().min(run.end()) - first)
    };
    held.map(cut).collect()
}

/// Blocks that more than one group names as its bitmap: at most one of them is right.
fn shared_blocks(list: &[Option<Descriptor>]) -> BTreeSet<u64> {
    let mut blocks: Vec<u64> = list.iter().flatten().map(|descriptor| descriptor.block_bitmap).collect();
    blocks.sort_unstable();
    blocks.chunk_by(|a, b| a == b).filter(|same| same.len() > 1).map(|same| same[0]).collect()
}

/// The blocks of bitmaps and inode tables, in whatever group they lie.
fn own_blocks<'d>(sb: &'d Superblock, list: &'d [Option<Descriptor>]) -> impl Iterator<Item = ClusterRun> + 'd {
    list.iter().flatten().flat_map(|descriptor| {
        [
            ClusterRun::new(descriptor.block_bitmap, 1),
            ClusterRun::new(descriptor.inode_bitmap, 1),
            ClusterRun::new(descriptor.inode_table, sb.geometry.inode_table_blocks),
        ]
    })
}

/// What of a group's own structure lies in itself, and the superblock and descriptors at its start.
fn own_in_group(sb: &Superblock, group: u64, descriptor: &Descriptor) -> Vec<ClusterRun> {
    let (start, end) = (sb.group_start(group), sb.group_end(group));
    let head = ClusterRun::new(start, sb.head_end(group).saturating_sub(start));
    let list = [Some(*descriptor)];
    let inside = own_blocks(sb, &list).filter_map(|run| {
        let (from, to) = (run.first.0.max(start), run.end().min(end));
        (from < to).then(|| ClusterRun::new(from, to - from))
    });
    std::iter::once(head).chain(inside).filter(|run| run.count > 0).collect()
}

/// The clusters that runs touch, as blocks of the volume, within a group.
fn whole_clusters(sb: &Superblock, group: u64, runs: &[ClusterRun]) -> ClusterSet {
    let (start, ratio) = (sb.group_start(group), sb.geometry.cluster_blocks);
    let grow = |run: &ClusterRun| {
        let first = (run.first.0 - start) / ratio * ratio;
        let behind = (run.end() - start).div_ceil(ratio).saturating_mul(ratio);
        ClusterRun::new(start + first, (start + behind).min(sb.group_end(group)) - (start + first))
    };
    runs.iter().map(grow).collect()
}

/// A group whose bitmap was never written: its own structure is in use and nothing else.
fn uninitialised(sb: &Superblock, group: u64, descriptor: &Descriptor) -> Group {
    let marks = whole_clusters(sb, group, &own_in_group(sb, group, descriptor));
    let used: u64 = marks.runs().iter().map(|run| run.count.div_ceil(sb.geometry.cluster_blocks)).sum();
    let free = sb.clusters_in(group).saturating_sub(used);
    Group { marks, free, holds: free == descriptor.free }
}

/// A group by its bitmap.
fn written(sb: &Superblock, group: u64, descriptor: &Descriptor, bytes: &[u8]) -> Group {
    let clusters = sb.clusters_in(group);
    let mut scan = Scan::new(clusters);
    scan.feed(bytes);
    let set = scan.finish().allocated;
    let free = clusters - set.count();
    let (start, ratio) = (sb.group_start(group), sb.geometry.cluster_blocks);
    let end = sb.group_end(group);
    let blocks = |run: &ClusterRun| {
        let first = start + run.first.0 * ratio;
        ClusterRun::new(first, (start + run.end() * ratio).min(end) - first)
    };
    let marks: ClusterSet = set.runs().iter().map(blocks).collect();
    let own: ClusterSet = own_in_group(sb, group, descriptor).into_iter().collect();
    let has_own = own.without(&marks).is_empty();
    if descriptor.is_copy && descriptor.is_uninitialised && !has_own {
        // It may still never have been written. Whether that fits the rest is checked for all copies together.
        return Group { holds: true, ..uninitialised(sb, group, descriptor) };
    }
    // What a copy says of counts and checksums is old.
    let fits = descriptor.is_copy || (free == descriptor.free && is_checksum_right(sb, descriptor, bytes));
    Group { marks, free, holds: has_own && fits }
}

fn is_checksum_right(sb: &Superblock, descriptor: &Descriptor, bytes: &[u8]) -> bool {
    if sb.checksums != Checksums::Metadata {
        return true;
    }
    let (stored, bits) = descriptor.bitmap_checksum;
    let covered = sb.geometry.group_blocks / sb.geometry.cluster_blocks / 8;
    let covered = usize::try_from(covered).unwrap_or(usize::MAX).min(bytes.len());
    let sum = crc32c_from(sb.seed, &bytes[..covered]);
    if bits == u32::BITS { sum == stored } else { sum & 0xFFFF == stored }
}

/// Where a descriptor is an old copy, nothing in it tells whether the bitmap is right. The superblock's count of free blocks does, for
/// all such groups together.
fn believe_copies(sb: &Superblock, list: &[Option<Descriptor>], groups: &mut [Option<Group>]) {
    let is_copy = |group: usize| list[group].is_some_and(|descriptor| descriptor.is_copy);
    if !(0..groups.len()).any(is_copy) {
        return;
    }
    let all_held = groups.len() as u64 == sb.groups() && groups.iter().all(|g| g.as_ref().is_some_and(|g| g.holds));
    let free: u64 = groups.iter().flatten().map(|group| group.free.saturating_mul(sb.geometry.cluster_blocks)).sum();
    if all_held && !sb.dirty && sb.group == 0 && free == sb.free_blocks {
        return;
    }
    for group in groups.iter_mut().enumerate().filter(|(index, _)| is_copy(*index)).filter_map(|(_, g)| g.as_mut()) {
        group.holds = false;
    }
}

fn note(
    window: &Window<'_>,
    sb: &Superblock,
    descriptors: &Descriptors,
    groups: &[Option<Group>],
    unread: &[usize],
    findings: &mut Findings,
) {
    for (index, group) in groups.iter().enumerate() {
        let Some(descriptor) = &descriptors.list[index] else { continue };
        if group.as_ref().is_some_and(|group| group.holds) {
            continue;
        }
        let run = whole_group(sb, index as u64);
        let blocks = format!("the {} blocks from {} on are planned in full", run.count, run.first);
        let (code, why) = match group {
            None if unread.binary_search(&index).is_ok() => {
                (&MAP_PART_UNREAD, "the bitmap was not read, or lies outside".to_owned())
            }
            None => (&MAP_PART_DOUBTED, "another group names the same bitmap".to_owned()),
            Some(_) if descriptor.is_copy => (
                &MAP_PART_DOUBTED,
                "its descriptor is an old copy, and nothing shows that the bitmap is right".to_owned(),
            ),
            Some(group) if group.free != descriptor.free => {
                let sentence =
                    format!("the bitmap has {} free clusters, the descriptor says {}", group.free, descriptor.free);
                (&MAP_PART_DOUBTED, sentence)
            }
            Some(_) => (&MAP_PART_DOUBTED, "the bitmap contradicts its checksum or the layout".to_owned()),
        };
        let place = window.absolute(descriptor.block_bitmap.saturating_mul(sb.geometry.block_bytes));
        findings.push(Finding::at(code, place, format!("Group {index}: {why}; {blocks}.")));
    }
}
