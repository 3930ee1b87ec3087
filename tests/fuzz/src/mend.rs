//! Checksums set right after changes, so that what stands behind them is reached.

use crate::patched::{Patched, SECTOR};
use crc::{CRC_32_ISCSI, CRC_32_ISO_HDLC, Crc};

const CRC_32: Crc<u32> = Crc::<u32>::new(&CRC_32_ISO_HDLC);
/// CRC-32C, of journals and VHDX headers.
pub const CRC_32C: Crc<u32> = Crc::<u32>::new(&CRC_32_ISCSI);

/// GPT headers and arrays, exFAT boot regions and sets of entries, ext superblocks and group descriptors, objects of APFS.
pub fn all(drive: &mut Patched) {
    for sector in [512, 4096] {
        gpt(drive, sector, sector);
        gpt(drive, drive.bytes().saturating_sub(sector), sector);
    }
    let boot: [u8; 512] = drive.get(0);
    if &boot[3..11] == b"EXFAT   " && (9..=12).contains(&boot[108]) {
        let sector = 1u64 << boot[108];
        exfat_boot(drive, 0, sector);
        exfat_boot(drive, 12 * sector, sector);
        exfat_sets(drive);
    }
    ext(drive);
    apfs_objects(drive);
}

/// Apple File System Reference (2020), "Objects": the Fletcher checksum of every changed block of 4096 bytes whose type field can be
/// that of an object.
fn apfs_objects(drive: &mut Patched) {
    const M: u64 = 0xFFFF_FFFF;
    let mut blocks: Vec<u64> = drive.changed_sectors().iter().map(|number| number * SECTOR / 4096 * 4096).collect();
    blocks.dedup();
    for at in blocks {
        let mut object = vec![0; 4096];
        drive.fill(at, &mut object);
        let kind = u32_at(&object, 24);
        if kind & 0xFFFF > 0x20 || kind & 0xC000_0000 == 0 {
            continue;
        }
        let (mut low, mut high) = (0, 0);
        for word in object[8..].chunks_exact(4) {
            low += u64::from(u32_at(word, 0));
            high = (high + low) % M;
        }
        let first = M - (low + high) % M;
        let second = M - (low + first) % M;
        drive.write(at, &(second << 32 | first).to_le_bytes());
    }
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from_le_bytes(std::array::from_fn(|i| bytes[at + i]))
}

/// UEFI specification, 5.3.2: the array's CRC at byte 88, the header's at 16 with that field as zero.
fn gpt(drive: &mut Patched, at: u64, sector: u64) {
    let mut header: [u8; 512] = drive.get(at);
    if !header.starts_with(b"EFI PART") {
        return;
    }
    let array = u64::from(u32_at(&header, 72)) * sector;
    let bytes = u64::from(u32_at(&header, 80)) * u64::from(u32_at(&header, 84));
    if bytes <= 1 << 20 {
        let mut entries = vec![0; bytes as usize];
        drive.fill(array, &mut entries);
        header[88..92].copy_from_slice(&CRC_32.checksum(&entries).to_le_bytes());
    }
    let size = (u32_at(&header, 12) as usize).clamp(92, 512);
    header[16..20].fill(0);
    let crc = CRC_32.checksum(&header[..size]);
    header[16..20].copy_from_slice(&crc.to_le_bytes());
    drive.write(at, &header);
}

/// Linux, Documentation/filesystems/ext4: superblock, and the group descriptors in the block behind it, of 64 bytes each.
fn ext(drive: &mut Patched) {
    // Without the closing inversion.
    let crc = |seed: u32, bytes: &[u8]| {
        let mut digest = CRC_32C.digest_with_initial(seed.reverse_bits());
        digest.update(bytes);
        !digest.finalize()
    };
    let mut sb: [u8; 1024] = drive.get(1024);
    let has_checksums = u32_at(&sb, 0x64) & 0x400 != 0;
    if sb[0x38..0x3A] != [0x53, 0xEF] || !has_checksums || sb[0xFE..0x100] != [64, 0] || u32_at(&sb, 0x18) > 6 {
        return;
    }
    let sealed = crc(!0, &sb[..0x3FC]);
    sb[0x3FC..].copy_from_slice(&sealed.to_le_bytes());
    drive.write(1024, &sb);
    let seed = crc(!0, &sb[0x68..0x78]);
    let block = 1024u64 << u32_at(&sb, 0x18);
    let first = if block == 1024 { 2048 } else { block };
    for group in 0..block / 64 {
        let mut raw: [u8; 64] = drive.get(first + group * 64);
        raw[0x1E..0x20].fill(0);
        let sealed = crc(crc(seed, &(group as u32).to_le_bytes()), &raw);
        raw[0x1E..0x20].copy_from_slice(&sealed.to_le_bytes()[..2]);
        drive.write(first + group * 64, &raw);
    }
}

/// exFAT file system specification 1.00, figure 1.
fn exfat_boot(drive: &mut Patched, at: u64, sector: u64) {
    let mut region = vec![0; 11 * sector as usize];
    drive.fill(at, &mut region);
    let counted = region.iter().enumerate().filter(|(n, _)| ![106, 107, 112].contains(n));
    let sum = counted.fold(0u32, |sum, (_, byte)| sum.rotate_right(1).wrapping_add(u32::from(*byte)));
    let filled: Vec<u8> = sum.to_le_bytes().repeat(sector as usize / 4);
    drive.write(at + 11 * sector, &filled);
}

/// exFAT file system specification 1.00, figure 2: of every set whose first entry stands in or shortly before a
/// changed sector, taken as if a folder's clusters lay one behind the other.
fn exfat_sets(drive: &mut Patched) {
    for number in drive.changed_sectors() {
        let from = (number * SECTOR).saturating_sub(SECTOR);
        for at in (from..(number + 1) * SECTOR).step_by(32) {
            let primary: [u8; 32] = drive.get(at);
            if primary[0] & 0x7F != 0x05 || primary[1] > 18 {
                continue;
            }
            let mut set = vec![0; 32 * (usize::from(primary[1]) + 1)];
            drive.fill(at, &mut set);
            let in_use = |(n, byte): (usize, &u8)| if n % 32 == 0 { byte | 0x80 } else { *byte };
            let counted = set.iter().enumerate().filter(|(n, _)| ![2, 3].contains(n)).map(in_use);
            let sum = counted.fold(0u16, |sum, byte| sum.rotate_right(1).wrapping_add(u16::from(byte)));
            drive.write(at + 2, &sum.to_le_bytes());
        }
    }
}
