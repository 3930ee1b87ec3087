//! Volumes that Windows encrypts (signature `-FVE-FS-`), fixed and removable; other encryption: `luks`, `geli`, and APFS in `file_systems`.
//! With a key, the layer of file systems reads them.
//!
//! Sources: libyal/libbde, format documentation, volume header; the identifiers also in dissect.fve 4.6, `bde/c_bde.py`; both seen, and
//! held against 21 volumes that Windows made.

use crate::base::fields::{byte, guid_at, le16, le32, le64};
use crate::partition::signature::checksums::crc32_ieee;
use crate::partition::signature::sign::{Certainty, Recognised, Sign};
use crate::partition::signature::volume_bytes::VolumeBytes;

/// The identifier in front of the metadata's places, as it is stored.
const IDENTIFIER: [u8; 16] =
    [0x3B, 0xD6, 0x67, 0x49, 0x29, 0x2E, 0xD8, 0x4A, 0x83, 0x99, 0xF6, 0xA3, 0x39, 0xE3, 0xD0, 0x01];
/// The same, where maps tell which parts are encrypted: while Windows 10 and later convert a volume, or only its used space.
const IDENTIFIER_WITH_MAPS: [u8; 16] =
    [0x3B, 0x4D, 0xA8, 0x92, 0x80, 0xDD, 0x0E, 0x4D, 0x9E, 0x4E, 0xB1, 0xE3, 0x28, 0x4E, 0xAE, 0xD8];
/// Where the identifier stands: on fixed volumes, and behind the FAT32 boot sector that stands in for a removable volume.
const FIXED_AT: usize = 160;
const REMOVABLE_AT: usize = 424;
/// Room that is kept for each of the three blocks of metadata.
const METADATA_BYTES: u64 = 64 << 10;
/// The same in the first version, before it is rounded up to clusters.
const FIRST_METADATA_BYTES: u64 = 16 << 10;
/// Bytes from the volume's start that a system needs to recognise the volume: the boot sector and the code behind it.
const BOOT_BYTES: u64 = 8 << 10;

/// Where a block of metadata is looked for when the boot sector is lost, first byte and length: in this mebibyte the first one begins on all
/// of 22 volumes that Windows made.
pub const SEARCHED: (u64, u64) = (33 << 20, 1 << 20);
/// Bytes of a block's header that tell where it and the others lie, and most bytes of a block.
const BLOCK_HEADER: u64 = 64;
const BLOCK_BYTES: std::ops::Range<u64> = 112..METADATA_BYTES - 8;
/// What begins the description of maps.
const MAPS_DESCRIPTOR: &[u8] = b"FVE-EOW\0";

/// Which form of boot sector it is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum EncryptedForm {
    /// Windows Vista: only the first block's place is given, as a cluster.
    First,
    /// A fixed volume.
    Fixed,
    /// A removable volume, with a FAT32 boot sector in front.
    Removable,
}

/// The boot sector of an encrypted volume.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct EncryptedBoot {
    /// Its form.
    pub form: EncryptedForm,
    /// Sector size in bytes.
    pub sector_bytes: u64,
    /// Where the blocks of metadata begin, in bytes from the volume's start: one to three.
    pub metadata: Vec<u64>,
    /// Bytes that each block owns.
    pub metadata_bytes: u64,
    /// Where the descriptors of the maps begin that tell what is encrypted, while a volume is converted: none or two.
    pub maps: Vec<u64>,
}

impl EncryptedBoot {
    /// Reads a first sector, of which at least 512 bytes must be given. `None` when it is of something else.
    pub fn parse(sector: &[u8]) -> Option<EncryptedBoot> {
        let sector = sector.get(..512)?;
        let signed = &sector[3..11] == b"-FVE-FS-";
        let sector_bytes = match u64::from(le16(sector, 11)?) {
            0 => 512,
            given => given,
        };
        if !matches!(sector_bytes, 512 | 1024 | 2048 | 4096) {
            return None;
        }
        let identified = [FIXED_AT, REMOVABLE_AT].into_iter().find_map(|at| {
            let found = guid_at(sector, at);
            (found == IDENTIFIER || found == IDENTIFIER_WITH_MAPS).then_some((at, found == IDENTIFIER_WITH_MAPS))
        });
        let three =
            |at: usize, count: usize| (0..count).filter_map(move |n| le64(sector, at + n * 8)).filter(|at| *at > 0);
        let cluster = sector_bytes * u64::from(byte(sector, 13)?);
        let boot = match identified {
            Some((at, has_maps)) => EncryptedBoot {
                form: if at == REMOVABLE_AT { EncryptedForm::Removable } else { EncryptedForm::Fixed },
                sector_bytes,
                metadata: three(at + 16, 3).collect(),
                metadata_bytes: METADATA_BYTES,
                maps: three(at + 40, if has_maps { 2 } else { 0 }).collect(),
            },
            None if signed && cluster > 0 => EncryptedBoot {
                form: EncryptedForm::First,
                sector_bytes,
                metadata: three(56, 1).filter_map(|number| number.checked_mul(cluster)).collect(),
                metadata_bytes: FIRST_METADATA_BYTES.next_multiple_of(cluster),
                maps: Vec::new(),
            },
            None => return None,
        };
        (!boot.metadata.is_empty()).then_some(boot)
    }

    /// What a boot sector would say that is lost, by a block of metadata whose checksum is right and which names its own place, and where
    /// that block begins. Which form it was it does not tell; nor does it tell of maps, which are looked for nearby.
    pub(in crate::partition::signature) fn by_block(volume: &VolumeBytes) -> Option<(u64, EncryptedBoot)> {
        let places = || (SEARCHED.0..SEARCHED.0 + SEARCHED.1).step_by(512);
        let at = places().find(|at| volume.stands(*at, b"-FVE-FS-"))?;
        let header = volume.get(at, BLOCK_HEADER)?;
        let bytes = u64::from(le16(header, 8)?) * 16;
        let block = volume.get(at, bytes + 8).filter(|_| BLOCK_BYTES.contains(&bytes))?;
        let (own, proof) = block.split_at_checked(block.len() - 8)?;
        let metadata: Vec<u64> = [32, 40, 48].iter().filter_map(|field| le64(own, *field)).collect();
        if le16(own, 10)? != 2 || le32(proof, 4)? != crc32_ieee(&[own]) || !metadata.contains(&at) {
            return None;
        }
        let descriptor = places().find(|at| volume.stands(*at, MAPS_DESCRIPTOR));
        let maps = descriptor.and_then(|at| volume.get(at, 56));
        let boot = EncryptedBoot {
            form: EncryptedForm::Fixed,
            // The first 8 KiB are moved, which is told in sectors; on removable volumes much more, of sectors of 512 bytes.
            sector_bytes: if le32(own, 28)? == 2 { 4096 } else { 512 },
            metadata,
            metadata_bytes: METADATA_BYTES,
            maps: maps.into_iter().flat_map(|raw| [le64(raw, 40), le64(raw, 48)]).flatten().collect(),
        };
        Some((at, boot))
    }
}

pub fn look(volume: &VolumeBytes) -> Option<Recognised> {
    EncryptedBoot::parse(volume.get(0, 512)?).map(|boot| recognised(volume, None, &boot))
}

/// Looks at what [`SEARCHED`] names, for a volume whose boot sector is lost.
pub fn look_by_block(volume: &VolumeBytes) -> Option<Recognised> {
    let (at, boot) = EncryptedBoot::by_block(volume)?;
    Some(recognised(volume, Some(at), &boot))
}

/// What its boot sector says, or a block of metadata at `block`.
fn recognised(volume: &VolumeBytes, block: Option<u64>, boot: &EncryptedBoot) -> Recognised {
    let is_copy = block.is_some();
    let what = match boot.form {
        _ if is_copy => "a block of metadata of an encrypted volume",
        EncryptedForm::Removable => "boot sector of FAT32 with the identifier of encryption",
        EncryptedForm::First | EncryptedForm::Fixed => "boot sector -FVE-FS-",
    };
    let mut found = volume.recognised(Sign::VolumeEncryption, block.unwrap_or(0), 512, what);
    found.encrypted = true;
    let form = match boot.form {
        _ if is_copy => "not known",
        EncryptedForm::Removable => "removable",
        EncryptedForm::First => "first version",
        EncryptedForm::Fixed => "fixed",
    };
    let listed = boot.metadata.iter().map(u64::to_string).collect::<Vec<_>>().join(", ");
    found.facts = vec![("form", form.to_owned()), ("metadata at bytes", listed)];
    if !boot.maps.is_empty() {
        found.facts.push(("conversion", "maps tell which parts are encrypted, as with used space only".to_owned()));
    }
    let ends = boot.metadata.iter().map(|at| at.checked_add(boot.metadata_bytes));
    let within = ends.into_iter().all(|end| end.is_some_and(|end| volume.holds(end)));
    found.certainty = if is_copy { Certainty::Copy } else { Certainty::of(within, None) };
    found.first.extend(volume.place(0, BOOT_BYTES));
    found.first.extend(boot.metadata.iter().filter_map(|at| volume.place(*at, boot.metadata_bytes)));
    found.first.extend(boot.maps.iter().filter_map(|at| volume.place(*at, boot.sector_bytes)));
    found
}
