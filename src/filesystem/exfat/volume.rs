//! An exFAT volume from its first sector to the finished map.

use super::bitmap::{self, Bitmap};
use super::boot::region;
use super::boot::sector::{ExFatBoot, Flags, REGION_SECTORS};
use super::findings::{ACTIVE_COPY, BOOT_CHECKSUM, BOOT_CONTRADICTED, GEOMETRY_INFERRED, TRUNCATED};
use super::infer::{self, InferredExFat};
use super::shared::note_shared;
use super::table;
use super::walk::{self, ExFatFolders, Root};
use crate::base::extent::Extent;
use crate::base::finding::{Finding, Findings};
use crate::filesystem::folder_tree::FolderTree;
use crate::filesystem::infer::{Inferred, certainty, only_choice};
use crate::filesystem::{ClusterGeometry, FixedKind, FsKind, VolumeMap, VolumeOutcome, VolumeState};
use crate::source::{SourceLost, Window};

/// Reads an exFAT volume. `window` is the partition, or the whole drive where there is no table.
///
/// A damaged place costs what it holds: a lost boot region is replaced by its backup, a damaged chain, set of entries or
/// folder costs its own files, lost parts of the bitmap leave their clusters unknown. All of it is in the findings.
///
/// The map's cluster count is what the boot sector says, even where the volume reaches beyond the window (then with a
/// finding): runs and clusters beyond it exist on the volume but cannot be read here.
///
/// Memory: the FAT (4 bytes for each cluster), 2 bits for each cluster, the catalog, and folders in batches of 16 MiB or
/// the largest folder (256 MiB at most). All of it is bounded by what the window holds.
///
/// # Errors
/// [`SourceLost`] when the device is gone. A volume that is not exFAT, or too damaged to tell, gives
/// `Ok(Err(findings))`.
pub fn read(window: &Window<'_>) -> Result<VolumeOutcome, SourceLost> {
    let mut findings = Findings::new();
    let Some(found) = region::find(window, &mut findings)? else { return Ok(Err(findings)) };
    // A region that is used in spite of its checksum may be wrong in any field.
    if findings.count(&BOOT_CHECKSUM) > 0
        && let Some(boot) = infer::instead_of(window, &found.boot)?
    {
        let sentence = format!(
            "By the damaged boot region, {} clusters of {} bytes start at byte {}; root folder, up-case table and FAT show {} \
             of {} bytes from byte {} on, and were believed.",
            found.boot.cluster_count,
            found.boot.cluster_bytes(),
            found.boot.heap_start(),
            boot.cluster_count,
            boot.cluster_bytes(),
            boot.heap_start()
        );
        findings.push(Finding::at(&BOOT_CONTRADICTED, window.absolute(0), sentence));
        return read_with(window, &boot, found.flags, findings).map(|map| Ok(Box::new(map)));
    }
    read_with(window, &found.boot, found.flags, findings).map(|map| Ok(Box::new(map)))
}

/// Infers the geometry and reads the volume with it.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_inferred(window: &Window<'_>) -> Result<Inferred, SourceLost> {
    let inferred = match only_choice(infer::infer(window)?, InferredExFat::in_words) {
        Ok(inferred) => inferred,
        Err(outcome) => return Ok(outcome),
    };
    let mut findings = Findings::new();
    let certainty = certainty(&inferred.lacking);
    let sentence = format!(
        "Both boot regions are lost. Inferred from root folder, up-case table and FAT: {}, {} clusters. {certainty} Sector \
         size and serial number are lost and matter to nothing that is read.",
        inferred.in_words(),
        inferred.boot.cluster_count
    );
    findings.push(Finding::at(&GEOMETRY_INFERRED, window.absolute(0), sentence));
    let mut map = read_with(window, &inferred.boot, None, findings)?;
    map.serial.clear();
    map.catalog_incomplete |= !inferred.lacking.is_empty();
    Ok(Inferred::Volume(Box::new(map)))
}

/// Reads the volume by a boot sector that is believed; `flags` are the main one's, when they are known.
fn read_with(
    window: &Window<'_>,
    boot: &ExFatBoot,
    flags: Option<Flags>,
    mut findings: Findings,
) -> Result<VolumeMap, SourceLost> {
    note_length(window, boot, &mut findings);
    let state = note_flags(window, boot, flags, &mut findings);
    let second_active = boot.fat_count > 1 && flags.is_some_and(|flags| flags.second_active);
    let geometry = ClusterGeometry {
        heap_start: window.absolute(boot.heap_start()).0,
        cluster_bytes: boot.cluster_bytes(),
        first_number: 2,
        cluster_count: boot.cluster_count.into(),
    };
    let table = table::read(window, boot, u64::from(second_active), &mut findings)?;
    let mut tree = FolderTree::new(ExFatFolders, window, geometry, &table, &mut findings);
    let root = Root::read(&mut tree, boot)?;
    let bitmaps = bitmap::follow(root.bitmaps(), &mut tree);
    let active = active_bitmaps(&bitmaps, boot, flags);
    let allocation = bitmap::read(&active, &mut tree.heap, &table, tree.findings)?;
    tree.set_allocation(&allocation);
    let (tree, label) = walk::read(tree, root, &bitmaps)?;
    note_shared(&tree.catalog, geometry, &mut findings);
    Ok(VolumeMap {
        encryption: None,
        kind: FsKind::ExFat,
        extent: window.extent(),
        sector_bytes: boot.sector_bytes,
        geometry,
        record_bytes: None,
        record_places: None,
        records: None,
        label: label.filter(|label| !label.is_empty()),
        serial: format!("{:04X}-{:04X}", boot.serial >> 16, boot.serial & 0xFFFF),
        state,
        fixed: fixed_places(window, boot),
        allocation,
        catalog: tree.catalog,
        catalog_incomplete: tree.incomplete,
        facts: facts(boot, second_active),
        findings,
    })
}

/// The bitmaps that are believed: the one that goes with the active FAT (7.1.2.1). Where that is not known, because the
/// main boot sector is lost, or where the right one is missing, all there are.
fn active_bitmaps<'b>(bitmaps: &'b [Bitmap], boot: &ExFatBoot, flags: Option<Flags>) -> Vec<&'b Bitmap> {
    let second = match flags {
        _ if boot.fat_count == 1 => Some(false),
        flags => flags.map(|flags| flags.second_active),
    };
    let fitting: Vec<&Bitmap> = bitmaps.iter().filter(|b| second.is_none_or(|s| b.special.second == s)).collect();
    // One bitmap for each FAT and no more: further entries of the same kind are damage, and are not added up.
    match fitting.first() {
        Some(first) if second.is_some() => vec![first],
        Some(_) => fitting,
        None => bitmaps.iter().collect(),
    }
}

fn note_length(window: &Window<'_>, boot: &ExFatBoot, findings: &mut Findings) {
    let held = window.extent().bytes;
    if boot.volume_bytes() <= held {
        return;
    }
    let whole = held.saturating_sub(boot.heap_start()) / boot.cluster_bytes();
    let sentence = format!(
        "The volume has {} bytes, but its place only {held}; {} of its {} clusters lie beyond and cannot be read. Check that \
         the drive answers with its full size, that the image is complete, and the partition table.",
        boot.volume_bytes(),
        u64::from(boot.cluster_count).saturating_sub(whole),
        boot.cluster_count
    );
    findings.push(Finding::at(&TRUNCATED, window.absolute(held), sentence));
}

fn note_flags(window: &Window<'_>, boot: &ExFatBoot, flags: Option<Flags>, findings: &mut Findings) -> VolumeState {
    let place = window.absolute(0);
    if boot.fat_count > 1 {
        let sentence = match flags {
            Some(flags) => format!("FAT and bitmap {} of 2 are in use.", 1 + u8::from(flags.second_active)),
            None => "Which FAT and bitmap are in use stood in the lost boot sector; the first FAT and both bitmaps were read."
                .to_owned(),
        };
        findings.push(Finding::at(&ACTIVE_COPY, place, sentence));
    }
    let state =
        VolumeState { dirty: flags.map(|flags| flags.dirty), errors_noted: flags.map(|flags| flags.media_failure) };
    state.note(place, findings);
    state
}

/// Places outside the clusters: both boot regions and the FATs. What lies between them is there for alignment only and
/// its contents are undefined (2, table 1: "Main Alignment", "Cluster Heap Alignment"), so it is left out.
fn fixed_places(window: &Window<'_>, boot: &ExFatBoot) -> Vec<(Extent, FixedKind)> {
    let regions = (0, 2 * REGION_SECTORS * boot.sector_bytes, FixedKind::Boot);
    let fats = (0..boot.fat_count).map(|copy| (boot.fat_start(copy), boot.fat_bytes(), FixedKind::Metadata));
    let on_drive = |(start, bytes, kind): (u64, u64, FixedKind)| {
        let from = window.absolute(start).0;
        Extent::between(from, from.saturating_add(bytes)).intersection(&window.extent()).map(|extent| (extent, kind))
    };
    std::iter::once(regions).chain(fats).filter_map(on_drive).collect()
}

fn facts(boot: &ExFatBoot, second_active: bool) -> Vec<(&'static str, String)> {
    vec![
        ("revision", format!("{}.{:02}", boot.revision.0, boot.revision.1)),
        ("sectors to a cluster", boot.sectors_per_cluster.to_string()),
        ("FAT copies", boot.fat_count.to_string()),
        ("FAT in use", (1 + u8::from(second_active)).to_string()),
        ("first sector of the FAT", boot.fat_offset.to_string()),
        ("sectors to a FAT", boot.fat_sectors.to_string()),
        ("first sector of the clusters", boot.heap_offset.to_string()),
        ("root folder cluster", boot.root_cluster.to_string()),
        ("sectors in all", boot.total_sectors.to_string()),
    ]
}
