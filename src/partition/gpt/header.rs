//! The GPT header.
//!
//! Fields and checks: UEFI Specification 2.x, section 5.3.2 "GPT Header"; Intel EFI Specification 1.10, table 11-1.

use crate::base::fields::{guid_at, u32_at, u64_at};
use crate::base::units::{Lba, SectorSize};
use crate::partition::signature::checksums::crc32_ieee;

pub(super) const SIGNATURE: &[u8; 8] = b"EFI PART";

/// The smallest header there is: all fields up to the CRC of the entry array.
const SMALLEST: usize = 92;

/// The longest entry array that is read, in bytes. Tables in use have 16 KiB; this leaves room for 131,072 partitions
/// and keeps a hostile header from asking for the whole drive.
const LONGEST_ARRAY: u64 = 16 << 20;

/// The fields of a header.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Header {
    pub(super) revision: u32,
    /// Where the header says it stands itself.
    pub(super) my_lba: Lba,
    /// Where the other copy stands.
    pub(super) alternate: Lba,
    pub(super) first_usable: Lba,
    pub(super) last_usable: Lba,
    pub(super) disk_guid: [u8; 16],
    /// First sector of the entry array.
    pub(super) array: Lba,
    /// Number of entries in it, used or not.
    pub(super) entries: u32,
    pub(super) entry_bytes: u32,
    pub(super) array_crc: u32,
}

impl Header {
    fn parse(bytes: &[u8]) -> Header {
        Header {
            revision: u32_at(bytes, 8),
            my_lba: Lba(u64_at(bytes, 24)),
            alternate: Lba(u64_at(bytes, 32)),
            first_usable: Lba(u64_at(bytes, 40)),
            last_usable: Lba(u64_at(bytes, 48)),
            disk_guid: guid_at(bytes, 56),
            array: Lba(u64_at(bytes, 72)),
            entries: u32_at(bytes, 80),
            entry_bytes: u32_at(bytes, 84),
            array_crc: u32_at(bytes, 88),
        }
    }

    /// Length of the entry array in bytes.
    pub(super) fn array_bytes(&self) -> u64 {
        u64::from(self.entries) * u64::from(self.entry_bytes)
    }

    /// Number of sectors of the entry array, the last one perhaps in part.
    pub(super) fn array_sectors(&self, unit: SectorSize) -> u64 {
        self.array_bytes().div_ceil(unit.bytes())
    }

    /// What is wrong with the array's measures, if anything: entries are 128 x 2^n bytes.
    fn array_fault(&self) -> Option<String> {
        let size = self.entry_bytes;
        if size < 128 || !size.is_power_of_two() {
            return Some(format!("its entry size is {size} bytes, not 128 times a power of two"));
        }
        let bytes = self.array_bytes();
        if bytes == 0 || bytes > LONGEST_ARRAY {
            return Some(format!("its list of {} entries of {size} bytes has no sensible length", self.entries));
        }
        None
    }
}

/// What stands where a header should be.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum HeaderState {
    /// The sector cannot be read.
    Unreadable,
    /// No header: another sector, or the place is not on the drive.
    Absent,
    /// A header that does not pass its checks. Its fields are given when they are still good enough to try.
    Faulty { header: Option<Header>, why: String },
    /// A header that passes all of them.
    Sound(Header),
}

impl HeaderState {
    /// Judges the sector of `unit` bytes at `lba`.
    pub(super) fn of(sector: &[u8], lba: Lba, unit: SectorSize) -> HeaderState {
        if !sector.starts_with(SIGNATURE) || sector.len() < SMALLEST {
            return HeaderState::Absent;
        }
        let header = Header::parse(sector);
        let size = usize::try_from(u32_at(sector, 12)).unwrap_or(usize::MAX);
        let array_fault = header.array_fault();
        let tryable = array_fault.is_none().then(|| header.clone());
        let faulty = |why: String| HeaderState::Faulty { header: tryable.clone(), why };
        let Some(covered) = sector.get(..size).filter(|covered| covered.len() >= SMALLEST) else {
            return faulty(format!("its size is given as {size} bytes, outside {SMALLEST} to {unit}"));
        };
        let (said, is) = (u32_at(sector, 16), header_crc(covered));
        if said != is {
            return faulty(format!("its CRC is {is:08X} where {said:08X} is given"));
        }
        if header.my_lba != lba {
            return faulty(format!("it says that it stands at {}", header.my_lba));
        }
        match array_fault {
            Some(why) => faulty(why),
            None => HeaderState::Sound(header),
        }
    }

    /// The header, when it is sound.
    pub(super) fn sound(&self) -> Option<&Header> {
        match self {
            HeaderState::Sound(header) => Some(header),
            _ => None,
        }
    }

    /// The header, when it is sound or good enough to try.
    pub(super) fn usable(&self) -> Option<&Header> {
        match self {
            HeaderState::Sound(header) | HeaderState::Faulty { header: Some(header), .. } => Some(header),
            _ => None,
        }
    }

    /// What is wrong, as the end of a sentence that begins with the header.
    pub(super) fn fault(&self) -> Option<String> {
        match self {
            HeaderState::Unreadable => Some("was not read".to_owned()),
            HeaderState::Absent => Some("is not there".to_owned()),
            HeaderState::Faulty { why, .. } => Some(format!("is damaged: {why}")),
            HeaderState::Sound(_) => None,
        }
    }
}

/// The header's CRC, over all its bytes with the CRC field itself as zero.
fn header_crc(covered: &[u8]) -> u32 {
    let (before, rest) = covered.split_at(16.min(covered.len()));
    crc32_ieee(&[before, &[0; 4], rest.get(4..).unwrap_or_default()])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The header of a drive of 1 GiB in 512-byte sectors with disk GUID bytes 00 to 0F and an empty array of 128
    /// entries.
    fn example(my: u64, alternate: u64, array: u64, crc: u32) -> Vec<u8> {
        let mut sector = vec![0; 512];
        sector[..8].copy_from_slice(SIGNATURE);
        sector[8..12].copy_from_slice(&0x0001_0000u32.to_le_bytes());
        sector[12..16].copy_from_slice(&92u32.to_le_bytes());
        sector[16..20].copy_from_slice(&crc.to_le_bytes());
        for (at, value) in [(24, my), (32, alternate), (40, 34), (48, 2_097_118), (72, array)] {
            sector[at..at + 8].copy_from_slice(&value.to_le_bytes());
        }
        for at in 0..16u8 {
            sector[56 + usize::from(at)] = at;
        }
        sector[80..84].copy_from_slice(&128u32.to_le_bytes());
        sector[84..88].copy_from_slice(&128u32.to_le_bytes());
        sector[88..92].copy_from_slice(&0xAB54_D286u32.to_le_bytes());
        sector
    }

    #[test]
    fn crc_is_the_one_uefi_means() {
        // The check value of CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms (reveng).
        assert_eq!(crc32_ieee(&[b"123456789"]), 0xCBF4_3926);
        // Computed apart, with Python's zlib.crc32, for an array of 128 empty entries.
        assert_eq!(crc32_ieee(&[&[0; 16384]]), 0xAB54_D286);
    }

    #[test]
    fn headers_of_the_worked_example_are_sound_and_one_flipped_bit_is_not() {
        // CRCs computed apart, with Python's zlib.crc32 over the fields of EFI 1.10 table 11-1.
        for (my, alternate, array, crc) in [(1, 2_097_151, 2, 0x8836_67FD), (2_097_151, 1, 2_097_119, 0x10CC_1621)] {
            let sector = example(my, alternate, array, crc);
            let state = HeaderState::of(&sector, Lba(my), SectorSize::S512);
            let header = state.sound().expect("the example is sound");
            assert_eq!((header.my_lba, header.alternate, header.array), (Lba(my), Lba(alternate), Lba(array)));
            assert_eq!(header.array_sectors(SectorSize::S512), 32);
            for bit in 0..92 * 8 {
                let mut damaged = sector.clone();
                damaged[bit / 8] ^= 1 << (bit % 8);
                assert_eq!(HeaderState::of(&damaged, Lba(my), SectorSize::S512).sound(), None, "bit {bit}");
            }
            assert_eq!(HeaderState::of(&sector, Lba(my + 1), SectorSize::S512).sound(), None, "stands elsewhere");
        }
    }

    #[test]
    fn measures_outside_the_specification_are_refused() {
        // UEFI 5.3.2: header size 92 to one block, entry size 128 x 2^n.
        for (at, value) in
            [(12, 91u32), (12, 513), (12, u32::MAX), (84, 0), (84, 64), (84, 384), (80, 0), (80, u32::MAX)]
        {
            let mut sector = example(1, 2_097_151, 2, 0);
            sector[at..at + 4].copy_from_slice(&value.to_le_bytes());
            let size = usize::try_from(u32_at(&sector, 12)).unwrap().clamp(92, 512);
            let crc = header_crc(&sector[..size]);
            sector[16..20].copy_from_slice(&crc.to_le_bytes());
            let state = HeaderState::of(&sector, Lba(1), SectorSize::S512);
            assert!(matches!(state, HeaderState::Faulty { .. }), "field {at} = {value}: {state:?}");
        }
    }
}
