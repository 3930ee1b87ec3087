//! The two boot regions: reading them, their checksums, and which of them is believed.

use super::sector::{self, BOOT_BYTES, EXFAT, ExFatBoot, Flags, NAME, REGION_SECTORS, VOLATILE};
use crate::base::fields::u32_at;
use crate::base::finding::{Finding, Findings};
use crate::base::units::ByteOffset;
use crate::filesystem::exfat::findings::{
    BACKUP_DIFFERS, BACKUP_UNUSABLE, BOOT_CHECKSUM, BOOT_FROM_BACKUP, BOOT_ODD, NOT_UNDERSTOOD,
};
use crate::source::{Block, SourceLost, Window};

/// The boot sector that is used.
pub struct Found {
    pub boot: ExFatBoot,
    /// The main boot sector's flags, where that could be read.
    pub flags: Option<Flags>,
}

/// One boot region as it was read.
struct Region {
    /// What its boot sector says, or why it says nothing.
    boot: Result<ExFatBoot, String>,
    /// What is wrong with the region beyond that.
    complaint: Option<String>,
    sector: Option<[u8; BOOT_BYTES]>,
}

/// Reads both regions and settles which is believed: the main one, unless it is damaged and the backup is sound.
pub fn find(window: &Window<'_>, findings: &mut Findings) -> Result<Option<Found>, SourceLost> {
    let Some(sector_bytes) = find_sector_bytes(window, findings)? else { return Ok(None) };
    let regions = BothRegions {
        main: read_region(window, 0, sector_bytes)?,
        backup: read_region(window, REGION_SECTORS * sector_bytes, sector_bytes)?,
        main_place: window.absolute(0),
        backup_place: window.absolute(REGION_SECTORS * sector_bytes),
    };
    let Some(boot) = regions.believed(findings) else { return Ok(None) };
    // Where the backup was used, why is said already.
    if findings.count(&BOOT_FROM_BACKUP) == 0 {
        regions.compare(findings);
    }
    for oddity in &boot.oddities {
        let sentence = format!("The boot sector is unusual: {oddity}.");
        findings.push(Finding::at(&BOOT_ODD, regions.main_place, sentence));
    }
    let main = &regions.main;
    let flags = main.sector.as_ref().filter(|_| main.boot.is_ok()).map(Flags::parse);
    Ok(Some(Found { boot, flags }))
}

/// The sector size that the boot sector gives, or else the one at which a backup is found.
fn find_sector_bytes(window: &Window<'_>, findings: &mut Findings) -> Result<Option<u64>, SourceLost> {
    let place = window.absolute(0);
    let Some(first) = window.read(0, BOOT_BYTES as u64)? else {
        let sentence = format!("{} bytes are too few for a boot sector.", window.extent().bytes);
        findings.push(Finding::at(&NOT_UNDERSTOOD, place, sentence));
        return Ok(None);
    };
    let named = first.whole().map(first_bytes).filter(|bytes| bytes[NAME] == *EXFAT);
    let given = named.and_then(|bytes| sector::sector_shift(&bytes).ok()).map(|shift| 1 << shift);
    let sector_bytes = match given {
        Some(size) => Some(size),
        None => backup_sector_bytes(window)?,
    };
    if sector_bytes.is_none() {
        let why = if first.whole().is_some() { "is not exFAT's" } else { "was not read" };
        let sentence = format!("The boot sector {why}, and no backup stands in sector 12.");
        findings.push(Finding::at(&NOT_UNDERSTOOD, place, sentence));
    }
    Ok(sector_bytes)
}

/// The main boot region and its backup, and where on the drive they stand.
struct BothRegions {
    main: Region,
    backup: Region,
    main_place: ByteOffset,
    backup_place: ByteOffset,
}

impl BothRegions {
    /// What the region says that is believed; `None` when neither can be.
    fn believed(&self, findings: &mut Findings) -> Option<ExFatBoot> {
        let BothRegions { main, backup, main_place, backup_place } = self;
        let backup_is_sound = backup.boot.is_ok() && backup.complaint.is_none();
        match (&main.boot, &backup.boot) {
            (Ok(boot), _) if main.complaint.is_none() || !backup_is_sound => {
                if let Some(complaint) = &main.complaint {
                    let sentence = format!("The main boot region {complaint}.");
                    findings.push(Finding::at(&BOOT_CHECKSUM, *main_place, sentence));
                }
                Some(boot.clone())
            }
            (main_boot, Ok(boot)) => {
                let why = main_boot.as_ref().err().or(main.complaint.as_ref()).map_or("is damaged", String::as_str);
                let sentence = format!("The main boot region {why}; the backup in sector 12 was used.");
                findings.push(Finding::at(&BOOT_FROM_BACKUP, *main_place, sentence));
                if let Some(complaint) = &backup.complaint {
                    let sentence = format!("The backup boot region {complaint}.");
                    findings.push(Finding::at(&BOOT_CHECKSUM, *backup_place, sentence));
                }
                Some(boot.clone())
            }
            (Ok(boot), Err(_)) => Some(boot.clone()),
            (Err(main_why), Err(backup_why)) => {
                let sentence = format!("The main boot region {main_why}; the backup in sector 12 {backup_why}.");
                findings.push(Finding::at(&NOT_UNDERSTOOD, *main_place, sentence));
                None
            }
        }
    }

    /// Notes a backup that is of no use, or says something else than the main region.
    fn compare(&self, findings: &mut Findings) {
        let BothRegions { main, backup, backup_place, .. } = self;
        if let Some(why) = backup.boot.as_ref().err().or(backup.complaint.as_ref()) {
            let sentence = format!("The backup boot region {why}.");
            findings.push(Finding::at(&BACKUP_UNUSABLE, *backup_place, sentence));
        } else if let Some(at) = first_difference(main.sector.as_ref(), backup.sector.as_ref()) {
            let sentence = format!("The main boot sector and its backup differ, first at their byte {at}.");
            findings.push(Finding::at(&BACKUP_DIFFERS, *backup_place, sentence));
        }
    }
}

/// The sector size at which a backup stands in sector 12 that gives this size itself.
fn backup_sector_bytes(window: &Window<'_>) -> Result<Option<u64>, SourceLost> {
    for shift in 9..=12u8 {
        let size = 1u64 << shift;
        let Some(block) = window.read(REGION_SECTORS * size, BOOT_BYTES as u64)? else { continue };
        let Some(bytes) = block.whole().map(first_bytes) else { continue };
        if ExFatBoot::parse(&bytes).is_ok_and(|boot| boot.sector_bytes == size) {
            return Ok(Some(size));
        }
    }
    Ok(None)
}

fn read_region(window: &Window<'_>, at: u64, sector_bytes: u64) -> Result<Region, SourceLost> {
    let Some(block) = window.read(at, REGION_SECTORS * sector_bytes)? else {
        let why = "reaches beyond the end of the volume".to_owned();
        return Ok(Region { boot: Err(why), complaint: None, sector: None });
    };
    let boot_extent = crate::base::extent::Extent { bytes: BOOT_BYTES as u64, ..block.extent };
    let sector = block.has_read(boot_extent).then(|| first_bytes(&block.bytes));
    let boot = match &sector {
        None => Err("was not read".to_owned()),
        Some(bytes) => match ExFatBoot::parse(bytes) {
            Ok(boot) if boot.sector_bytes == sector_bytes => Ok(boot),
            Ok(_) => Err("gives another sector size than the one it was found by".to_owned()),
            Err(rule) => Err(format!("is not sound: {rule}")),
        },
    };
    Ok(Region { boot, complaint: complaint(&block, sector_bytes), sector })
}

/// What is wrong with a region by its checksum.
fn complaint(block: &Block, sector_bytes: u64) -> Option<String> {
    let Some(bytes) = block.whole() else {
        return Some(format!("was not read in {} of its bytes", block.unreadable.bytes()));
    };
    let sector = usize::try_from(sector_bytes).expect("at most 4096");
    let (checked, stored) = bytes.split_at(bytes.len() - sector);
    let sum = checksum(checked);
    let wrong = stored.chunks_exact(4).map(|word| u32_at(word, 0)).find(|word| *word != sum);
    wrong.map(|word| format!("has checksum {sum:08X}, where {word:08X} is stored"))
}

/// The checksum over the eleven sectors before it (3.4, figure 1): the whole of them, whatever the sector size.
fn checksum(sectors: &[u8]) -> u32 {
    let counted = sectors.iter().enumerate().filter(|(at, _)| !VOLATILE.contains(at));
    counted.fold(0, |sum: u32, (_, byte)| sum.rotate_right(1).wrapping_add(u32::from(*byte)))
}

fn first_difference(main: Option<&[u8; BOOT_BYTES]>, backup: Option<&[u8; BOOT_BYTES]>) -> Option<usize> {
    let (main, backup) = main.zip(backup)?;
    (0..BOOT_BYTES).find(|at| main[*at] != backup[*at] && !VOLATILE.contains(at))
}

fn first_bytes(bytes: &[u8]) -> [u8; BOOT_BYTES] {
    let mut first = [0; BOOT_BYTES];
    first.copy_from_slice(&bytes[..BOOT_BYTES]);
    first
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by the algorithm of 3.4, figure 1, in an independent implementation: sector 0 is EB 76 90 "EXFAT   " and
    /// zeros up to 55 AA at 510, sectors 1 to 8 end with 00 00 55 AA, all else is zero.
    #[test]
    fn worked_checksum() {
        let mut sectors = vec![0; 11 * 512];
        sectors[..3].copy_from_slice(&[0xEB, 0x76, 0x90]);
        sectors[NAME].copy_from_slice(EXFAT);
        for sector in 0..9 {
            sectors[sector * 512 + 510..][..2].copy_from_slice(&[0x55, 0xAA]);
        }
        assert_eq!(checksum(&sectors), 0x8012_F368);
        for skipped in [106, 107, 112] {
            sectors[skipped] = 0xA5;
            assert_eq!(checksum(&sectors), 0x8012_F368);
        }
        sectors[108] = 9;
        assert_ne!(checksum(&sectors), 0x8012_F368);
    }
}
