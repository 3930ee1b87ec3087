//! An APFS container from block zero to the map of its used blocks.

use super::checkpoint::{Checkpoint, Descriptors, Newer};
use super::chunks::{ChunkReader, Marks};
use super::container::Container;
use super::superblock::{Ring, Superblock};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::space_map::SpaceOutcome;
use crate::filesystem::space_map::findings::{
    MAP_FROM_COPY, MAP_OF_OLDER_CHECKPOINT, MAP_PART_DOUBTED, MAP_UNUSABLE, OBJECT_MAP_LOST,
};
use crate::filesystem::{ClusterGeometry, ClusterRun, ClusterSet, SpaceMap, VolumeState};
use crate::partition::signature::{HEAD_BYTES, Recognised};
use crate::source::{SourceLost, Window};

/// Most bytes of the pool that are kept in memory to look for what a lost checkpoint wrote: those of 2.7 TB with blocks of 4 KiB.
const MOST_POOL_BYTES: u64 = 256 << 20;

/// Reads the map of a container that was recognised as `found`.
///
/// Read are block zero, the descriptor area, the space manager of the newest sound checkpoint, and the chunk information and
/// bitmaps that it leads to. A damaged bitmap or chunk-info block costs what it tells of: these blocks count as unknown. Where a
/// newer checkpoint may be lost, the pool is read as well, and what is in use by newer chunk information there is in use too.
///
/// Memory: 16 bytes for each run of blocks in use, 40 for each chunk, and in the last case the pool, up to 256 MiB.
///
/// # Errors
/// [`SourceLost`] when the device is gone. A container whose map cannot be used gives `Ok(Err(findings))`.
pub(in crate::filesystem::space_map) fn read(
    window: &Window<'_>,
    found: &Recognised,
) -> Result<SpaceOutcome, SourceLost> {
    let mut findings = Findings::new();
    let unusable = |mut findings: Findings, why: &str| {
        let sentence = format!("APFS container: {why}.");
        findings.push(Finding::at(&MAP_UNUSABLE, window.absolute(0), sentence));
        Ok(Err(findings))
    };
    let head = match head(window, &mut findings)? {
        Ok(head) => head,
        Err(why) => return unusable(findings, why),
    };
    let (Some(ring), None) = (head.descriptors, head.not_read()) else {
        return unusable(findings, head.not_read().unwrap_or_default());
    };
    let container = Container { window, block_bytes: head.block_bytes };
    let checkpoint = match Descriptors::read(&container, ring)? {
        Some(descriptors) => descriptors.newest(&container, &head)?,
        None => None,
    };
    let Some(checkpoint) = checkpoint else { return unusable(findings, "none of its checkpoints is sound") };
    if let Some(why) = checkpoint.superblock.not_read() {
        return unusable(findings, why);
    }
    let (used, unknown) = marks(&container, &checkpoint, &mut findings)?;
    let superblock = &checkpoint.superblock;
    if !checkpoint.has_object_map {
        let at = superblock.object_map;
        let sentence =
            format!("Block {at}: the container's object map was not read or is damaged, as in each checkpoint.");
        findings.push(Finding::at(&OBJECT_MAP_LOST, container.start_of(at), sentence));
    }
    let mut recognised = found.clone();
    recognised.encrypted |= superblock.key_bags[0].1 > 0;
    recognised.facts.push(("checkpoint", format!("transaction {}", superblock.transaction)));
    Ok(Ok(Box::new(SpaceMap {
        recognised,
        extent: window.extent(),
        geometry: geometry(&container, superblock),
        used,
        unknown,
        structure: structure(&container, &checkpoint),
        // A checkpoint is whole or is not used: there is no such mark.
        state: VolumeState::default(),
        findings,
    })))
}

fn geometry(container: &Container<'_>, superblock: &Superblock) -> ClusterGeometry {
    ClusterGeometry {
        heap_start: container.window.extent().start.0,
        cluster_bytes: superblock.block_bytes,
        first_number: 0,
        cluster_count: container.held_blocks(superblock.blocks),
    }
}

/// The superblock in block zero, or the newest that is found in the first blocks of an area that begins behind it, where mkapfs and
/// macOS put that of the descriptors; else why there is none.
fn head(window: &Window<'_>, findings: &mut Findings) -> Result<Result<Superblock, &'static str>, SourceLost> {
    if let Some(superblock) = superblock_at(window, 0)? {
        return Ok(Ok(superblock));
    }
    let mut copies = Vec::new();
    for at in (0..HEAD_BYTES).step_by(4096).skip(1) {
        copies.extend(superblock_at(window, at)?.map(|superblock| (superblock.transaction, at, superblock)));
    }
    copies.sort_by_key(|(transaction, at, _)| (*transaction, *at));
    let Some((_, at, newest)) = copies.pop() else { return Ok(Err("no superblock of it is sound")) };
    if copies.iter().any(|(_, _, other)| other.uuid != newest.uuid) {
        return Ok(Err("block zero is damaged, and the copies that follow are of different containers"));
    }
    let sentence = format!("Block zero is damaged; the superblock at byte {at} of the container was used.");
    findings.push(Finding::at(&MAP_FROM_COPY, window.absolute(0), sentence));
    Ok(Ok(newest))
}

/// The sound superblock at a byte of the window.
fn superblock_at(window: &Window<'_>, at: u64) -> Result<Option<Superblock>, SourceLost> {
    let start = window.read(at, 4096)?;
    let Some(bytes) = start.as_ref().and_then(|start| start.whole()).and_then(Superblock::block_bytes_of) else {
        return Ok(None);
    };
    // A block begins on a multiple of its size.
    let block = if at.is_multiple_of(bytes) { window.read(at, bytes)? } else { None };
    Ok(block.as_ref().and_then(|block| block.whole()).and_then(Superblock::parse))
}

/// The blocks in use and those of unknown mark.
fn marks(
    container: &Container<'_>,
    checkpoint: &Checkpoint,
    findings: &mut Findings,
) -> Result<(ClusterSet, ClusterSet), SourceLost> {
    let manager = &checkpoint.manager;
    let held_blocks = container.held_blocks(manager.blocks);
    let (first, count) = manager.pool;
    let pool_fits = count.saturating_mul(container.block_bytes) <= MOST_POOL_BYTES;
    let pool_is_kept = checkpoint.newer.is_some() && pool_fits && container.keep(first, count)?;
    let mut chunks = ChunkReader { container, manager, held_blocks, findings };
    let Marks { mut used, mut unknown, free, has_gaps } = chunks.read(checkpoint.superblock.transaction)?;
    if let Some(newer) = checkpoint.newer {
        let marks = newer_marks(&mut chunks, checkpoint, newer, pool_is_kept)?;
        used.extend(marks.used);
        unknown.extend(marks.unknown);
    }
    if !has_gaps && free != manager.free {
        let sentence = format!(
            "The chunks count {free} blocks as free, the space manager {}: all blocks are planned.",
            manager.free
        );
        findings.push(Finding::at(&MAP_PART_DOUBTED, container.window.absolute(0), sentence));
        unknown.push(ClusterRun::new(0, manager.blocks));
    }
    let held: ClusterSet = [ClusterRun::new(0, held_blocks)].into_iter().collect();
    let used = used.into_iter().collect::<ClusterSet>().intersection(&held);
    let unknown = unknown.into_iter().collect::<ClusterSet>().without(&used).intersection(&held);
    Ok((used, unknown))
}

/// The marks of checkpoints after the one that is used: by what is left of their space managers, and by chunk information in the pool
/// that nothing leads to any more. Where neither is left all marks are unknown.
fn newer_marks(
    chunks: &mut ChunkReader<'_>,
    checkpoint: &Checkpoint,
    newer: Newer,
    pool_is_kept: bool,
) -> Result<Marks, SourceLost> {
    let until = checkpoint.superblock.transaction;
    let (mut all, mut last) = if pool_is_kept { chunks.read_newer(until)? } else { Default::default() };
    for (transaction, manager) in checkpoint.newer_managers.iter().filter(|_| pool_is_kept) {
        let marks = ChunkReader { manager, findings: &mut *chunks.findings, ..*chunks }.read(*transaction)?;
        all.used.extend(marks.used);
        all.unknown.extend(marks.unknown);
        last = last.max(Some(*transaction));
    }
    // A checkpoint writes chunk information, because its own trees move: where none is left, that was lost as well.
    let is_known = pool_is_kept && newer.transaction <= last;
    let widened = if is_known {
        "what newer chunk information marks as in use is planned as well"
    } else {
        all.unknown.push(ClusterRun::new(0, checkpoint.manager.blocks));
        "its chunk information was not found, so all blocks are planned"
    };
    let sentence = format!("The checkpoint of transaction {until} was used: {}; {widened}.", newer.why);
    let place = chunks.container.window.absolute(0);
    chunks.findings.push(Finding::at(&MAP_OF_OLDER_CHECKPOINT, place, sentence));
    Ok(all)
}

/// Places that hold the container's own structure: block zero, its object map, both areas of checkpoints, the pool of chunk
/// information and bitmaps, the pool's own bitmaps, and the key bags. Other metadata, the volumes and trees, looks like contents on the
/// map.
fn structure(container: &Container<'_>, checkpoint: &Checkpoint) -> ExtentSet {
    let (superblock, manager) = (&checkpoint.superblock, &checkpoint.manager);
    let rings = [superblock.descriptors, superblock.data].into_iter().flatten();
    let rings = rings.map(|Ring { first, blocks }| (first, u64::from(blocks)));
    let own = [(0, 1), (superblock.object_map, 1), manager.pool, manager.pool_marks];
    let places = own.into_iter().chain(rings).chain(superblock.key_bags);
    places.filter_map(|(first, blocks)| container.place(first, blocks)).collect::<Vec<Extent>>().into_iter().collect()
}
