//! ext2, ext3 and ext4: what is in use by the block bitmaps of all groups.
//!
//! The superblock tells the geometry, the group descriptors where bitmaps and inode tables lie, and each bitmap what is in use in its
//! group. A group is planned in full when its bitmap or descriptor is not read, when a checksum is wrong, or when the bitmap does not
//! have as many free clusters as the descriptor says, or calls the file system's own structure free.

mod bitmaps;
mod descriptors;
mod journal;
mod layout;
mod superblock;

use super::findings::{MAP_FROM_COPY, MAP_OLD, MAP_UNUSABLE};
use super::{SpaceMap, SpaceOutcome};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::{ClusterGeometry, VolumeState};
use crate::partition::signature::Recognised;
use crate::source::{SourceLost, Window};
use descriptors::{Descriptor, Descriptors};
use journal::Overlay;
use superblock::{Checksums, Superblock};

/// Most groups that are read: 4 million, which is 512 TiB with blocks of 4 KiB. More needs more memory than a survey has.
const MOST_GROUPS: u64 = 1 << 22;

/// Most copies of the superblock that are tried.
const COPIES_TRIED: usize = 3;

/// Reads the allocation map of an ext volume that was recognised by one of its superblocks.
///
/// Memory: some 100 bytes a group, and 16 bytes for each run of blocks in use.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read(window: &Window<'_>, found: &Recognised) -> Result<SpaceOutcome, SourceLost> {
    let mut findings = Findings::new();
    let unusable = |why: String| {
        let mut findings = Findings::new();
        findings.push(Finding::at(&MAP_UNUSABLE, found.evidence.place.start, why));
        Ok(Err(findings))
    };
    let mut structure = ExtentSet::new();
    let sb = match choose_superblock(window, found, &mut structure, &mut findings)? {
        Ok(sb) => sb,
        Err(why) => return unusable(why),
    };
    let name = found.kind.name();
    let overlay = match replayed(window, &sb)? {
        Ok(overlay) => overlay,
        Err(why) => return unusable(format!("{name}: {why}")),
    };
    if overlay.blocks() > 0 {
        let sentence = format!("{name}: the journal holds newer versions of {} blocks.", overlay.blocks());
        findings.push(Finding::at(&MAP_OLD, found.evidence.place.start, sentence));
    }
    let geometry = &sb.geometry;
    let blocks = geometry.blocks.min(window.extent().bytes.div_ceil(geometry.block_bytes));
    let groups = blocks.saturating_sub(geometry.first_block).div_ceil(geometry.group_blocks);
    if groups > MOST_GROUPS {
        return unusable(format!("{name}: {groups} groups, more than are read"));
    }
    let groups = usize::try_from(groups).expect("few groups");
    let descriptors = descriptors::read(window, &sb, groups, &overlay, &mut findings)?;
    if descriptors.list.iter().all(Option::is_none) {
        return unusable(format!("{name}: no group descriptor can be used, nor any copy"));
    }
    let marks = bitmaps::read(window, &sb, &descriptors, &overlay, &mut findings)?;
    structure.extend(descriptors.places.extents().iter().chain(marks.places.extents()).copied());
    structure.extend(overlay.places.extents().iter().copied());
    structure.extend(own_places(window, &sb, &descriptors));
    let mut recognised = found.clone();
    recognised.facts.extend(facts(&sb));
    let geometry = ClusterGeometry {
        heap_start: window.extent().start.0,
        cluster_bytes: geometry.block_bytes,
        first_number: 0,
        cluster_count: blocks,
    };
    // The last group may reach beyond the end of the volume.
    let [used, unknown] = [&marks.used, &marks.unknown].map(|set| bitmaps::within(set, geometry.all()));
    let state = match sb.group {
        0 => VolumeState { dirty: Some(sb.dirty || sb.needs_recovery), errors_noted: Some(sb.has_errors) },
        // A copy does not say it, its journal does.
        _ => VolumeState { dirty: (overlay.blocks() > 0).then_some(true), errors_noted: None },
    };
    state.note(found.evidence.place.start, &mut findings);
    Ok(Ok(Box::new(SpaceMap {
        recognised,
        extent: window.extent(),
        geometry,
        used,
        unknown,
        structure,
        state,
        findings,
    })))
}

/// The superblock that is believed, or why there is none. Where nothing seals the first, a copy must agree with it.
fn choose_superblock(
    window: &Window<'_>,
    found: &Recognised,
    structure: &mut ExtentSet,
    findings: &mut Findings,
) -> Result<Result<Superblock, String>, SourceLost> {
    let mut look = |at: u64| -> Result<Option<Option<Superblock>>, SourceLost> {
        let Some(block) = window.read(at, superblock::BYTES)? else { return Ok(None) };
        structure.insert(block.extent);
        Ok(block.whole().map(|bytes| Superblock::parse(bytes).ok()))
    };
    let main = look(superblock::AT)?.flatten().filter(|sb| sb.group == 0);
    let Some(main) = main else {
        let at = found.evidence.place.start.0.saturating_sub(window.extent().start.0);
        if at == superblock::AT {
            return Ok(Err(format!("{}: its superblock has features that may change the map", found.kind.name())));
        }
        let copy = look(at)?.flatten().filter(|sb| sb.checksum_holds != Some(false) && sb.group != 0);
        return Ok(copy.map(|copy| by_copy(window, copy, at, findings)).ok_or("no superblock can be used".to_owned()));
    };
    if main.checksum_holds == Some(true) {
        return Ok(Ok(main));
    }
    let copies: Vec<u64> = main.copy_groups().take(COPIES_TRIED).collect();
    for group in copies {
        let at = main.group_start(group).saturating_mul(main.geometry.block_bytes);
        let Some(copy) = look(at)? else { continue };
        let copy = copy.filter(|copy| copy.checksum_holds != Some(false) && u64::from(copy.group) == group);
        return Ok(match copy {
            Some(copy) if main.checksum_holds == Some(false) => Ok(by_copy(window, copy, at, findings)),
            Some(copy) if copy.geometry == main.geometry => Ok(main),
            _ => Err("superblock and copy of it contradict each other".to_owned()),
        });
    }
    Ok(if main.checksum_holds.is_none() { Ok(main) } else { Err("the superblock's checksum is wrong".to_owned()) })
}

/// Notes that a copy is used.
fn by_copy(window: &Window<'_>, copy: Superblock, at: u64, findings: &mut Findings) -> Superblock {
    let sentence = format!("The superblock is damaged; that of group {} is used.", copy.group);
    findings.push(Finding::at(&MAP_FROM_COPY, window.absolute(at), sentence));
    copy
}

/// What the journal holds beside the map, or why the map may be older than the files. A copy of the superblock does not say whether
/// the volume was closed: its journal does.
fn replayed(window: &Window<'_>, sb: &Superblock) -> Result<Result<Overlay, String>, SourceLost> {
    let is_copy = sb.group != 0;
    if sb.needs_recovery || (is_copy && sb.has_journal) {
        let why = |why| format!("its map may be older than its files, and its journal cannot be followed: {why}");
        return Ok(journal::read(window, sb)?.map_err(why));
    }
    Ok(match (is_copy, sb.dirty) {
        (false, false) => Ok(Overlay::default()),
        (false, true) => {
            Err("not cleanly unmounted, and without a journal its map may be older than its files".to_owned())
        }
        (true, _) => {
            Err("a copy of its superblock does not say whether it was cleanly unmounted, and there is no journal"
                .to_owned())
        }
    })
}

/// Places of the file system's own structure: superblock, bitmaps, and of the inode tables what was ever used.
fn own_places(window: &Window<'_>, sb: &Superblock, descriptors: &Descriptors) -> Vec<Extent> {
    let geometry = &sb.geometry;
    let place = |block: u64, bytes: u64| {
        let start = window.absolute(block.saturating_mul(geometry.block_bytes)).0;
        Extent::between(start, start.saturating_add(bytes)).intersection(&window.extent())
    };
    let of_group = |descriptor: &Descriptor| {
        let used = geometry.group_inodes - descriptor.unused_inodes.min(geometry.group_inodes);
        [
            place(descriptor.block_bitmap, geometry.block_bytes),
            place(descriptor.inode_bitmap, geometry.block_bytes),
            place(descriptor.inode_table, used.saturating_mul(geometry.inode_bytes)),
        ]
    };
    let mut places: Vec<Extent> = descriptors.list.iter().flatten().flat_map(of_group).flatten().collect();
    places.sort_unstable();
    places
}

fn facts(sb: &Superblock) -> Vec<(&'static str, String)> {
    let geometry = &sb.geometry;
    let mut facts = vec![("groups", sb.groups().to_string()), ("blocks in a group", geometry.group_blocks.to_string())];
    if geometry.cluster_blocks > 1 {
        facts.push(("blocks to a bit", geometry.cluster_blocks.to_string()));
    }
    let checksums = match sb.checksums {
        Checksums::None => "none",
        Checksums::Descriptors => "of group descriptors",
        Checksums::Metadata => "of all metadata",
    };
    facts.push(("checksums", checksums.to_owned()));
    facts
}
