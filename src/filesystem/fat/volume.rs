//! A FAT volume from its first sector to the finished map.

use super::boot::check;
use super::boot::sector::{self, BOOT_BYTES, FatBoot};
use super::copies;
use super::findings::{
    BACKUP_DIFFERS, BACKUP_UNUSABLE, BOOT_CONTRADICTED, BOOT_FROM_BACKUP, BOOT_ODD, FS_INFO_DAMAGED,
    FS_INFO_FREE_COUNT, GEOMETRY_INFERRED, NOT_UNDERSTOOD, TRUNCATED, TYPE_CONTRADICTED,
};
use super::folder::directory;
use super::infer::{self, InferredFat};
use super::walk::{self, FatFolders};
use crate::base::extent::Extent;
use crate::base::fields::u32_at;
use crate::base::finding::{Finding, Findings};
use crate::filesystem::folder_tree::FolderTree;
use crate::filesystem::infer::{Inferred, certainty, only_choice};
use crate::filesystem::{AllocationMap, ClusterGeometry, FixedKind, FsKind, VolumeMap, VolumeOutcome};
use crate::source::{SourceLost, Window};

/// Reads a FAT volume. `window` is the partition, or the whole drive where there is no table.
///
/// A damaged place costs what it holds: an unreadable part of one FAT is taken from another copy, a damaged chain or
/// folder costs its own files. All of it is in the findings of the map. The allocation map counts a cluster as in use
/// if any readable copy of the FAT says so.
///
/// The map's cluster count is what the boot sector says, even where the volume reaches beyond the window (then with a
/// finding): runs and clusters beyond it exist on the volume but cannot be read here.
///
/// # Errors
/// [`SourceLost`] when the device is gone. A volume that is not FAT, or too damaged to tell, gives `Ok(Err(findings))`.
pub fn read(window: &Window<'_>) -> Result<VolumeOutcome, SourceLost> {
    let mut findings = Findings::new();
    let Some(found) = find_boot(window, &mut findings)? else { return Ok(Err(findings)) };
    // Possible fields that are wrong all the same: folders and FAT may tell better ones.
    let other = if check::contradicts(window, &found.boot)? { check::instead_of(window, &found.boot)? } else { None };
    let Some(boot) = other else {
        return read_with(window, &found.boot, found.primary.as_ref(), findings).map(|map| Ok(Box::new(map)));
    };
    let sentence = format!(
        "By the boot sector, {} clusters of {} bytes start at byte {}; folders and FAT show {} of {} bytes from byte {} on, \
         and were believed.",
        found.boot.cluster_count,
        found.boot.cluster_bytes(),
        found.boot.heap_start(),
        boot.cluster_count,
        boot.cluster_bytes(),
        boot.heap_start()
    );
    findings.push(Finding::at(&BOOT_CONTRADICTED, window.absolute(0), sentence));
    read_with(window, &boot, None, findings).map(|map| Ok(Box::new(map)))
}

/// Infers the geometry and reads the volume with it.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_inferred(window: &Window<'_>) -> Result<Inferred, SourceLost> {
    let inferred = match only_choice(infer::infer(window)?, InferredFat::in_words) {
        Ok(inferred) => inferred,
        Err(outcome) => return Ok(outcome),
    };
    let mut findings = Findings::new();
    let certainty = certainty(&inferred.lacking);
    let sentence = format!(
        "The boot sector is lost. Inferred from FAT and folders: {}, {} clusters. {certainty} The volume is taken to fill \
         its place; sector size and serial number are lost and matter to nothing that is read.",
        inferred.in_words(),
        inferred.boot.cluster_count
    );
    findings.push(Finding::at(&GEOMETRY_INFERRED, window.absolute(0), sentence));
    let mut map = read_with(window, &inferred.boot, None, findings)?;
    map.catalog_incomplete |= !inferred.lacking.is_empty();
    Ok(Inferred::Volume(Box::new(map)))
}

/// Reads the volume by a boot sector that is believed; `primary` are the first sector's bytes, when that is the one.
fn read_with(
    window: &Window<'_>,
    boot: &FatBoot,
    primary: Option<&[u8; BOOT_BYTES]>,
    mut findings: Findings,
) -> Result<VolumeMap, SourceLost> {
    note_boot(window, boot, &mut findings);
    if let Some(sector) = primary {
        compare_backup(window, boot, sector, &mut findings)?;
    }
    let free_count = read_fs_info(window, boot, &mut findings)?;
    let geometry = ClusterGeometry {
        heap_start: window.absolute(boot.heap_start()).0,
        cluster_bytes: boot.cluster_bytes(),
        first_number: 2,
        cluster_count: boot.cluster_count,
    };
    let reading = copies::read(window, boot, &mut findings)?;
    let allocation = reading.table.allocation();
    check_free_count(window, boot, &allocation, free_count, &mut findings);
    let mut tree = FolderTree::new(FatFolders::new(boot), window, geometry, &reading.table, &mut findings);
    tree.set_allocation(&allocation);
    let (tree, root_label) = walk::read(tree, boot)?;
    let boot_label = boot.label.as_ref().map(directory::label);
    let label = root_label.or(boot_label).filter(|label| !label.is_empty() && label != "NO NAME");
    Ok(VolumeMap {
        encryption: None,
        kind: boot.kind,
        extent: window.extent(),
        sector_bytes: boot.sector_bytes,
        geometry,
        record_bytes: None,
        record_places: None,
        records: None,
        label,
        serial: boot.serial.map_or(String::new(), |n| format!("{:04X}-{:04X}", n >> 16, n & 0xFFFF)),
        state: reading.state,
        fixed: fixed_places(window, boot),
        // Marks and chains are the same bytes: where none can be read, a file's clusters are missing from both maps.
        catalog_incomplete: tree.incomplete || !allocation.unknown.is_empty(),
        allocation,
        catalog: tree.catalog,
        facts: facts(boot, free_count),
        findings,
    })
}

/// The boot sector that is used.
struct Found {
    boot: FatBoot,
    /// The primary's bytes, when that is the one.
    primary: Option<[u8; BOOT_BYTES]>,
}

fn find_boot(window: &Window<'_>, findings: &mut Findings) -> Result<Option<Found>, SourceLost> {
    let place = window.absolute(0);
    let Some(block) = window.read(0, BOOT_BYTES as u64)? else {
        let sentence = format!("{} bytes are too few for a boot sector.", window.extent().bytes);
        findings.push(Finding::at(&NOT_UNDERSTOOD, place, sentence));
        return Ok(None);
    };
    let primary = block.whole().map(first_bytes);
    if let Some(other) = primary.as_ref().and_then(sector::belongs_to_another) {
        findings.push(Finding::at(&NOT_UNDERSTOOD, place, format!("The boot sector is that of {other}.")));
        return Ok(None);
    }
    let parsed = primary.as_ref().map(FatBoot::parse);
    if let (Some(bytes), Some(Ok(boot))) = (primary, &parsed) {
        return better_of(window, boot.clone(), bytes, findings).map(Some);
    }
    let why = match parsed {
        Some(Err(rule)) => format!("The boot sector is not FAT's: {rule}"),
        _ => "The boot sector was not read".to_owned(),
    };
    match find_backup(window, primary.as_ref())? {
        Some((boot, at)) => {
            let sentence = format!("{why}; its backup at byte {at} of the volume is sound and was used.");
            findings.push(Finding::at(&BOOT_FROM_BACKUP, place, sentence));
            Ok(Some(Found { boot, primary: None }))
        }
        None => {
            let sentence = format!("{why}, and no backup stands where FAT32 keeps it.");
            findings.push(Finding::at(&NOT_UNDERSTOOD, place, sentence));
            Ok(None)
        }
    }
}

/// The boot sector, or its backup where that gives another geometry to which the folders fit better.
fn better_of(
    window: &Window<'_>,
    boot: FatBoot,
    bytes: [u8; BOOT_BYTES],
    findings: &mut Findings,
) -> Result<Found, SourceLost> {
    let at = boot.fat32.and_then(|fields| fields.backup_sector).map(|sector| sector * boot.sector_bytes);
    let block = at.map(|at| window.read(at, BOOT_BYTES as u64)).transpose()?.flatten();
    let backup = block.as_ref().and_then(|block| block.whole()).and_then(|b| FatBoot::parse(&first_bytes(b)).ok());
    if let Some(backup) = backup
        && !backup.same_geometry(&boot)
        && check::points(window, &backup)? > check::points(window, &boot)?
    {
        let sentence =
            "The boot sector's figures are possible, but FAT and folders fit those of its backup, which was used.";
        findings.push(Finding::at(&BOOT_FROM_BACKUP, window.absolute(0), sentence));
        return Ok(Found { boot: backup, primary: None });
    }
    Ok(Found { boot, primary: Some(bytes) })
}

/// The backup boot sector of FAT32: where the damaged primary says, else in sector 6 of each sector size. It must
/// itself say that it belongs there, so that remains of another formatting are not taken for it.
fn find_backup(window: &Window<'_>, primary: Option<&[u8; BOOT_BYTES]>) -> Result<Option<(FatBoot, u64)>, SourceLost> {
    let usual = [512, 1024, 2048, 4096].map(|sector| 6 * sector);
    for at in primary.and_then(sector::backup_hint).into_iter().chain(usual) {
        let Some(block) = window.read(at, BOOT_BYTES as u64)? else { continue };
        let Some(Ok(boot)) = block.whole().map(|bytes| FatBoot::parse(&first_bytes(bytes))) else { continue };
        let says = boot.fat32.and_then(|fields| fields.backup_sector).map(|sector| sector * boot.sector_bytes);
        if says == Some(at) {
            return Ok(Some((boot, at)));
        }
    }
    Ok(None)
}

fn first_bytes(bytes: &[u8]) -> [u8; BOOT_BYTES] {
    let mut first = [0; BOOT_BYTES];
    first.copy_from_slice(&bytes[..BOOT_BYTES]);
    first
}

fn note_boot(window: &Window<'_>, boot: &FatBoot, findings: &mut Findings) {
    let place = window.absolute(0);
    for oddity in &boot.oddities {
        findings.push(Finding::at(&BOOT_ODD, place, format!("The boot sector is unusual: {oddity}.")));
    }
    if boot.contradicted {
        let sentence = format!(
            "With {} clusters (fewer than 65525) the volume would not be FAT32, but it has a 32-bit FAT and no fixed \
             root folder; it was read as FAT32.",
            boot.cluster_count
        );
        findings.push(Finding::at(&TYPE_CONTRADICTED, place, sentence));
    }
    let held = window.extent().bytes;
    if boot.volume_bytes() > held {
        let whole = held.saturating_sub(boot.heap_start()) / boot.cluster_bytes();
        let sentence = format!(
            "The volume has {} bytes, but its place only {held}; {} of its {} clusters lie beyond and cannot be read. \
             Check that the drive answers with its full size, that the image is complete, and the partition table.",
            boot.volume_bytes(),
            boot.cluster_count.saturating_sub(whole),
            boot.cluster_count
        );
        findings.push(Finding::at(&TRUNCATED, window.absolute(held), sentence));
    }
}

/// Compares the boot sector with its backup. Only the first 512 bytes carry meaning, whatever the sector size.
fn compare_backup(
    window: &Window<'_>,
    boot: &FatBoot,
    primary: &[u8; BOOT_BYTES],
    findings: &mut Findings,
) -> Result<(), SourceLost> {
    let Some(sector) = boot.fat32.and_then(|fields| fields.backup_sector) else { return Ok(()) };
    let at = sector * boot.sector_bytes;
    let Some(block) = window.read(at, BOOT_BYTES as u64)? else { return Ok(()) };
    let place = window.absolute(at);
    let unusable =
        |why: String| Finding::at(&BACKUP_UNUSABLE, place, format!("The backup boot sector (sector {sector}) {why}."));
    let Some(bytes) = block.whole() else {
        findings.push(unusable("was not read".to_owned()));
        return Ok(());
    };
    if let Err(rule) = FatBoot::parse(&first_bytes(bytes)) {
        findings.push(unusable(format!("is not sound: {rule}")));
        return Ok(());
    }
    if let Some(first) = sector::first_difference(primary, bytes) {
        let sentence = format!("The boot sector and its backup (sector {sector}) differ, first at their byte {first}.");
        findings.push(Finding::at(&BACKUP_DIFFERS, place, sentence));
    }
    Ok(())
}

/// The stored number of free clusters, if FSInfo is sound and knows it. Same source as the boot sector, "FAT32
/// FSInfo Sector Structure" (from memory).
fn read_fs_info(window: &Window<'_>, boot: &FatBoot, findings: &mut Findings) -> Result<Option<u32>, SourceLost> {
    let Some(sector) = boot.fat32.and_then(|fields| fields.fs_info_sector) else { return Ok(None) };
    let at = sector * boot.sector_bytes;
    let Some(block) = window.read(at, BOOT_BYTES as u64)? else { return Ok(None) };
    let sound = block.whole().filter(|bytes| {
        u32_at(bytes, 0) == 0x4161_5252 && u32_at(bytes, 484) == 0x6141_7272 && u32_at(bytes, 508) == 0xAA55_0000
    });
    match sound {
        Some(bytes) => Ok(Some(u32_at(bytes, 488)).filter(|free| *free != u32::MAX)),
        None => {
            let sentence = format!("FSInfo (sector {sector}) is unreadable or lacks its signatures.");
            findings.push(Finding::at(&FS_INFO_DAMAGED, window.absolute(at), sentence));
            Ok(None)
        }
    }
}

fn check_free_count(
    window: &Window<'_>,
    boot: &FatBoot,
    allocation: &AllocationMap,
    stored: Option<u32>,
    findings: &mut Findings,
) {
    let (Some(stored), Some(fields)) = (stored, boot.fat32) else { return };
    let counted = boot.cluster_count - allocation.allocated.count();
    if allocation.unknown.is_empty() && u64::from(stored) != counted {
        let sentence = format!("FSInfo gives {stored} free clusters, the FAT {counted}.");
        let at = fields.fs_info_sector.map_or(0, |sector| sector * boot.sector_bytes);
        findings.push(Finding::at(&FS_INFO_FREE_COUNT, window.absolute(at), sentence));
    }
}

/// Places outside the clusters. The reserved region counts as boot sectors whole: boot code, FSInfo and the backups
/// stand there at places that formatters choose, and nothing of the client's can.
fn fixed_places(window: &Window<'_>, boot: &FatBoot) -> Vec<(Extent, FixedKind)> {
    let fats = (0..boot.fat_count).map(|copy| (boot.fat_start(copy), boot.fat_bytes(), FixedKind::Metadata));
    let places = std::iter::once((0, boot.fat_start(0), FixedKind::Boot)).chain(fats).chain([(
        boot.root_start(),
        boot.root_bytes(),
        FixedKind::Metadata,
    )]);
    let on_drive = |(start, bytes, kind): (u64, u64, FixedKind)| {
        let from = window.absolute(start).0;
        Extent::between(from, from.saturating_add(bytes)).intersection(&window.extent()).map(|extent| (extent, kind))
    };
    places.filter_map(on_drive).collect()
}

fn facts(boot: &FatBoot, free_count: Option<u32>) -> Vec<(&'static str, String)> {
    let mut facts = vec![
        ("sectors to a cluster", boot.sectors_per_cluster.to_string()),
        ("reserved sectors", boot.reserved_sectors.to_string()),
        ("FAT copies", boot.fat_count.to_string()),
        ("sectors to a FAT", boot.fat_sectors.to_string()),
    ];
    match boot.fat32 {
        Some(fields) => facts.push(("root folder cluster", fields.root_cluster.to_string())),
        None => facts.push(("root folder entries", boot.root_entries.to_string())),
    }
    facts.push(("sectors in all", boot.total_sectors.to_string()));
    facts.push(("media byte", format!("{:02X}", boot.media)));
    if boot.kind == FsKind::Fat32 {
        facts.push(("free clusters by FSInfo", free_count.map_or("not known".to_owned(), |n| n.to_string())));
    }
    facts
}
