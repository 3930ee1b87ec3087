//! From the window to the volume: which boot sector leads to $MFT.

use super::boot_pair::{self, BootPair};
use super::findings::{BOOT_BACKUP_USED, BOOT_TOO_SMALL, TABLE_LOST, TABLE_UNREADABLE};
use super::lost::{by_numbers, infer};
use super::mft::locate;
use super::structure::boot::BootSector;
use super::volume::Volume;
use super::volume_map;
use crate::base::finding::{Finding, Findings};
use crate::filesystem::VolumeOutcome;
use crate::source::{SourceLost, Window};

/// Reads the NTFS volume in `window`. `Ok(Err(findings))` when there is none that can be understood.
///
/// A file record in use that has no name becomes a node without links ([`crate::filesystem::Node::path`] then shows it among the
/// orphans). A folder that is lost is a [`crate::filesystem::Parent::Lost`] by its record number. Deleted records are in the
/// catalog when they have a name or clusters.
///
/// # Errors
/// [`SourceLost`] when the device is gone. Whatever is merely damaged or unreadable is a finding.
pub fn read(window: &Window<'_>) -> Result<VolumeOutcome, SourceLost> {
    let mut findings = Findings::new();
    let pair = boot_pair::read(window, &mut findings)?;
    let choices = settle_size(window, &pair, &mut findings)?;
    for (index, boot) in choices.iter().enumerate() {
        let volume = Volume::new(window, *boot);
        let mut tried = Findings::new();
        if let Some(table) = locate::locate(&volume, &mut tried)? {
            findings.append(tried);
            if index > 0 {
                let sentence = "The first boot sector does not lead to $MFT; its backup does and was used.";
                findings.push(Finding::at(&BOOT_BACKUP_USED, window.absolute(0), sentence));
            }
            return volume_map::read(&volume, table, pair.backup, findings).map(|map| Ok(Box::new(map)));
        }
    }
    for boot in &choices {
        if let Some(table) = by_numbers::locate(&Volume::new(window, *boot), &mut findings)? {
            return volume_map::read(&Volume::new(window, *boot), table, pair.backup, findings)
                .map(|map| Ok(Box::new(map)));
        }
    }
    if let Some(boot) = pair.choices.first() {
        let silent = choices.iter().find(|boot| !table_was_read(window, boot));
        let (code, boot, state) = match silent {
            Some(boot) => (&TABLE_UNREADABLE, boot, "could be read"),
            None => (&TABLE_LOST, boot, "is usable"),
        };
        let sentence = format!(
            "No file record at cluster {} ($MFT) or at cluster {} (its mirror) {state}.",
            boot.mft.0, boot.mirror.0
        );
        findings.push(Finding::at(code, window.absolute(0), sentence));
    }
    Ok(Err(findings))
}

/// Whether both the first record of $MFT and the mirror's copy of it were read, as far as they lie on the drive.
fn table_was_read(window: &Window<'_>, boot: &BootSector) -> bool {
    let places = [boot.mft, boot.mirror].into_iter().filter_map(|first| {
        let offset = first.0.checked_mul(boot.cluster_bytes)?;
        window.locate(offset, boot.record_bytes)
    });
    places.into_iter().all(|place| window.has_not_failed(place))
}

/// The boot sectors to try. Where there is no backup that agrees, the number of sectors is held against the volume's own
/// records: a boot sector that makes the volume too small would hide what lies behind.
fn settle_size(window: &Window<'_>, pair: &BootPair, findings: &mut Findings) -> Result<Vec<BootSector>, SourceLost> {
    let mut choices = pair.choices.clone();
    if pair.agreed {
        return Ok(choices);
    }
    for boot in &mut choices {
        let Some(clusters) = infer::clusters_by_records(window, boot)? else { continue };
        let Some(total_sectors) = clusters.checked_mul(boot.cluster_bytes / boot.sector_bytes) else { continue };
        if clusters > boot.cluster_count() && clusters.saturating_mul(boot.cluster_bytes) <= window.extent().bytes {
            let sentence = format!(
                "The boot sector gives the volume {} clusters, its own records {clusters}; the records were used.",
                boot.cluster_count()
            );
            findings.push(Finding::at(&BOOT_TOO_SMALL, window.absolute(0), sentence));
            boot.total_sectors = total_sectors;
        }
    }
    Ok(choices)
}
