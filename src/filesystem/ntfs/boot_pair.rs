//! The boot sector and its backup: reading both, and choosing.

use super::findings as found;
use super::structure::boot::{BOOT_BYTES, BootError, BootSector};
use crate::base::extent::Extent;
use crate::base::finding::{Finding, Findings};
use crate::source::{SourceLost, Window};

/// What the two boot sectors say.
pub(super) struct BootPair {
    /// Usable ones, the better first: one, or two that disagree.
    pub choices: Vec<BootSector>,
    /// Where the backup was found, on the drive.
    pub backup: Option<Extent>,
    /// Whether both are usable, say the same, and stand where the volume's size puts them.
    pub agreed: bool,
}

struct Copy {
    offset: u64,
    bytes: Vec<u8>,
    boot: Result<BootSector, BootError>,
}

/// Reads the boot sector and its backup.
pub(super) fn read(window: &Window<'_>, findings: &mut Findings) -> Result<BootPair, SourceLost> {
    let Some(primary) = copy_at(window, 0)? else {
        let bytes = window.extent().bytes;
        let sentence = format!("The area has {bytes} bytes, too few for a boot sector.");
        findings.push(Finding::at(&found::NOT_NTFS, window.absolute(0), sentence));
        return Ok(BootPair { choices: Vec::new(), backup: None, agreed: false });
    };
    match primary.boot {
        Ok(boot) => beside_primary(window, &primary, boot, findings),
        Err(error) => instead_of_primary(window, error, findings),
    }
}

fn copy_at(window: &Window<'_>, offset: u64) -> Result<Option<Copy>, SourceLost> {
    let block = window.read(offset, BOOT_BYTES)?;
    Ok(block.map(|block| {
        let boot = block.whole().ok_or(BootError::Unreadable).and_then(BootSector::parse);
        Copy { offset, bytes: block.bytes, boot }
    }))
}

fn beside_primary(
    window: &Window<'_>,
    primary: &Copy,
    boot: BootSector,
    findings: &mut Findings,
) -> Result<BootPair, SourceLost> {
    if !boot.signed {
        let sentence = "The boot sector does not end in 55 AA; all its fields are possible and were used.";
        findings.push(Finding::at(&found::BOOT_UNSIGNED, window.absolute(0), sentence));
    }
    // Behind the volume's last sector; a volume made smaller than its partition may keep it at the partition's end.
    let by_size = boot.volume_bytes();
    let by_window = window.extent().bytes.saturating_sub(boot.sector_bytes);
    let mut seen = None;
    for offset in [by_size, by_window] {
        let Some(copy) = copy_at(window, offset)? else { continue };
        let usable = copy.boot.is_ok();
        if usable || seen.is_none() {
            seen = Some(copy);
        }
        if usable || by_size == by_window {
            break;
        }
    }
    let mut choices = vec![boot];
    let mut place = None;
    let mut agreed = false;
    match seen.map(|copy| (copy.boot, copy)) {
        Some((Ok(backup), copy)) => {
            place = window.locate(copy.offset, backup.sector_bytes);
            if copy.bytes != primary.bytes {
                findings.push(disagreement(window, copy.offset, &boot, &backup));
            }
            agreed = backup == boot && copy.offset == by_size;
            if backup != boot {
                choices.push(backup);
            }
        }
        Some((Err(error), copy)) => {
            // The place is still the backup's: a later attempt may read it.
            place = window.locate(copy.offset, boot.sector_bytes).filter(|_| copy.offset == by_size);
            let sentence =
                format!("The backup boot sector at byte {} of the volume is not usable: {error}.", copy.offset);
            findings.push(Finding::at(&found::BOOT_BACKUP_MISSING, window.absolute(copy.offset), sentence));
        }
        None => {
            let bytes = window.extent().bytes;
            let sentence = format!(
                "The backup boot sector should be at byte {by_size} of the volume; the area ends at byte {bytes}."
            );
            findings.push(Finding::general(&found::BOOT_BACKUP_MISSING, sentence));
        }
    }
    Ok(BootPair { choices, backup: place, agreed })
}

fn disagreement(window: &Window<'_>, offset: u64, boot: &BootSector, backup: &BootSector) -> Finding {
    let what = if boot == backup {
        "They give the same layout and differ in boot code or reserved fields.".to_owned()
    } else {
        format!(
            "The boot sector gives {} sectors, clusters of {} bytes and $MFT at cluster {}; the backup {} sectors, {} bytes and cluster {}.",
            boot.total_sectors,
            boot.cluster_bytes,
            boot.mft.0,
            backup.total_sectors,
            backup.cluster_bytes,
            backup.mft.0
        )
    };
    let sentence = format!("The boot sector and its backup at byte {offset} of the volume differ. {what}");
    Finding::at(&found::BOOT_COPIES_DIFFER, window.absolute(offset), sentence)
}

fn instead_of_primary(window: &Window<'_>, error: BootError, findings: &mut Findings) -> Result<BootPair, SourceLost> {
    // The sector size is not known yet: the backup is the last sector in one of the possible sizes.
    let end = window.extent().bytes;
    // One request for all of them; the reader keeps it.
    if let Some(tail) = end.checked_sub(4096) {
        window.read(tail, 4096)?;
    }
    for sector in [512, 1024, 2048, 4096] {
        let Some(offset) = end.checked_sub(sector) else { break };
        let Some(copy) = copy_at(window, offset)? else { continue };
        if let Ok(boot) = copy.boot
            && boot.sector_bytes == sector
        {
            let sentence = format!(
                "The boot sector is not usable ({error}); its backup at byte {offset} of the volume was used instead. The first sector can be restored from it on a copy."
            );
            findings.push(Finding::at(&found::BOOT_BACKUP_USED, window.absolute(0), sentence));
            return Ok(BootPair { choices: vec![boot], backup: window.locate(offset, sector), agreed: false });
        }
    }
    let sentence = format!(
        "The first sector is no NTFS boot sector ({error}), and the last sector of the area is no backup of one."
    );
    findings.push(Finding::at(&found::NOT_NTFS, window.absolute(0), sentence));
    Ok(BootPair { choices: Vec::new(), backup: None, agreed: false })
}
