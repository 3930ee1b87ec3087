//! Boot sectors whose fields are possible and may be wrong all the same: held against the first sectors of FAT and folders,
//! against the backup, and against the geometry that can be inferred.

use super::sector::FatBoot;
use crate::filesystem::fat::folder::directory::{self, Item};
use crate::filesystem::fat::infer::{FatCandidate, SLACK_BYTES, Traces, check_candidate, infer, own_cluster, widths};
use crate::filesystem::fat::table::Width;
use crate::filesystem::folder_content::Content;
use crate::filesystem::infer::{BoundedReader, SECTOR};
use crate::source::{SourceLost, Window};

/// Folders of the root folder's first sector that are looked at.
const FIRST_FOLDERS: usize = 4;

/// A better boot sector than one that was used: the one geometry that fits without a flaw, if it differs.
pub fn instead_of(window: &Window<'_>, used: &FatBoot) -> Result<Option<FatBoot>, SourceLost> {
    let Ok(Some(inferred)) = infer(window)? else { return Ok(None) };
    let boot = inferred.boot;
    let places = |boot: &FatBoot| (boot.kind, boot.heap_start(), boot.cluster_bytes(), boot.fat_start(0));
    let grown = boot.cluster_count > used.cluster_count + SLACK_BYTES / boot.cluster_bytes();
    let better = inferred.lacking.is_empty() && (places(&boot) != places(used) || grown);
    Ok(better.then_some(FatBoot { serial: used.serial, label: used.label, ..boot }))
}

/// Whether the first sectors of FAT and folders speak against a boot sector: no copy of the FAT starts like one, or most
/// of the folders named in the root folder's first sector are not where they should be. In a sound volume this
/// reads nothing that reading the volume does not need anyway.
pub fn contradicts(window: &Window<'_>, boot: &FatBoot) -> Result<bool, SourceLost> {
    let reader = BoundedReader::new(window);
    let mut seen = 0;
    // Where only one copy is kept up to date the others are not looked at.
    let active = boot.fat32.and_then(|fields| fields.active_only).filter(|copy| *copy < boot.fat_count);
    let copies = active.map_or(0..boot.fat_count.min(2), |copy| copy..copy + 1);
    for copy in copies {
        let Some(bytes) = reader.bytes(boot.fat_start(copy), SECTOR)? else { continue };
        if !widths(&bytes).is_empty() {
            seen = 0;
            break;
        }
        seen += 1;
    }
    if seen > 0 {
        return Ok(true);
    }
    let wide = boot.fat32.is_some();
    let place = |cluster: u32| {
        let index = u64::from(cluster).checked_sub(2).filter(|n| *n < boot.cluster_count)?;
        index.checked_mul(boot.cluster_bytes())?.checked_add(boot.heap_start())
    };
    let Some(root) = boot.fat32.map_or(Some(boot.root_start()), |fields| place(fields.root_cluster)) else {
        return Ok(false);
    };
    let Some(block) = window.read(root, SECTOR)? else { return Ok(false) };
    let content = Content { extents: vec![block.extent], bytes: block.bytes, unreadable: block.unreadable };
    let mut folders = Vec::new();
    directory::scan(&content, wide, |item| match item {
        Item::Entry(entry) if !entry.deleted && entry.is_folder => folders.push(entry.content.first_cluster),
        _ => {}
    });
    let (mut right, mut wrong) = (0, 0);
    for cluster in folders.into_iter().take(FIRST_FOLDERS) {
        let Some(place) = place(cluster) else {
            wrong += 1;
            continue;
        };
        let Some(bytes) = reader.bytes(place, SECTOR)? else { continue };
        match own_cluster(&bytes).map(|(narrow, full)| if wide { full } else { narrow }) {
            Some(own) if own == cluster => right += 1,
            _ => wrong += 1,
        }
    }
    Ok(wrong >= 2 && wrong > right)
}

/// How well FAT and root folder fit a boot sector: 0 when they do not.
pub fn points(window: &Window<'_>, boot: &FatBoot) -> Result<u64, SourceLost> {
    let reader = BoundedReader::new(window);
    let width = match Width::of(boot.kind) {
        Width::Bits12 => 12,
        Width::Bits16 => 16,
        Width::Bits32 => 32,
    };
    let held = window.extent().bytes.saturating_sub(boot.heap_start()) / boot.cluster_bytes();
    let candidate = FatCandidate {
        width,
        fat: boot.fat_start(0),
        fat_bytes: boot.fat_bytes(),
        copies: boot.fat_count.min(2),
        root_bytes: boot.root_bytes(),
        heap: boot.heap_start(),
        cluster_bytes: boot.cluster_bytes(),
        clusters: boot.cluster_count.min(held),
    };
    if candidate.clusters == 0 || boot.fat32.is_some_and(|fields| fields.root_cluster != 2) {
        return Ok(0);
    }
    let none = Traces::default();
    // More clusters count a little, so that of two that differ in nothing else the larger volume wins.
    let judged = check_candidate(&reader, &candidate, &none)?;
    Ok(judged.map_or(0, |geometry| (geometry.points.1 << 32) + candidate.clusters))
}
