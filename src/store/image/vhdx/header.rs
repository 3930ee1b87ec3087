//! The file type identifier and the two headers (2.2.1, 2.2.2).

use crate::base::fields::{self, u16_at, u32_at, u64_at};
use crate::store::durable_file::DurableFile;
use crate::store::image::{ImageError, VhdxFault};
use crc::{CRC_32_ISCSI, Crc};
use std::io;
use uuid::Uuid;

/// CRC-32C, the checksum of headers and region tables (2.2.2, 2.2.3).
pub(super) const CRC_32C: Crc<u32> = Crc::<u32>::new(&CRC_32_ISCSI);

const SIGNATURE: &[u8; 8] = b"vhdxfile";
const HEADER_BYTES: usize = 4096;
const VERSION: u16 = 1;

/// The log's place in a file made here; never used, but it must have one (2.3).
pub(super) const LOG_AT: u64 = 1 << 20;
/// Its length, at least 1 MiB.
pub(super) const LOG_BYTES: u32 = 1 << 20;

/// Which of the two headers.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Slot {
    First,
    Second,
}

impl Slot {
    fn at(self) -> u64 {
        match self {
            Slot::First => 64 << 10,
            Slot::Second => 128 << 10,
        }
    }

    pub(super) fn other(self) -> Slot {
        match self {
            Slot::First => Slot::Second,
            Slot::Second => Slot::First,
        }
    }
}

/// What a header says.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Header {
    sequence: u64,
    file_write: Uuid,
    data_write: Uuid,
    log: Uuid,
    log_version: u16,
    version: u16,
    pub(super) log_bytes: u32,
    pub(super) log_at: u64,
}

impl Header {
    fn new(sequence: u64) -> Header {
        Header {
            sequence,
            file_write: Uuid::new_v4(),
            data_write: Uuid::new_v4(),
            log: Uuid::nil(),
            log_version: 0,
            version: VERSION,
            log_bytes: LOG_BYTES,
            log_at: LOG_AT,
        }
    }

    /// The header that goes into force when the disk is opened for writing: the next sequence number, and both write
    /// identifiers new, because both the file and what it shows are about to change.
    pub(super) fn renewed(&self) -> Header {
        // Wrapping is for a hostile file only: the old header then stays in force, which opens as well.
        let sequence = self.sequence.wrapping_add(1);
        Header { sequence, file_write: Uuid::new_v4(), data_write: Uuid::new_v4(), ..*self }
    }

    fn encode(&self) -> [u8; HEADER_BYTES] {
        let mut bytes = [0; HEADER_BYTES];
        bytes[0..4].copy_from_slice(b"head");
        bytes[8..16].copy_from_slice(&self.sequence.to_le_bytes());
        bytes[16..32].copy_from_slice(&self.file_write.to_bytes_le());
        bytes[32..48].copy_from_slice(&self.data_write.to_bytes_le());
        bytes[48..64].copy_from_slice(&self.log.to_bytes_le());
        bytes[64..66].copy_from_slice(&self.log_version.to_le_bytes());
        bytes[66..68].copy_from_slice(&self.version.to_le_bytes());
        bytes[68..72].copy_from_slice(&self.log_bytes.to_le_bytes());
        bytes[72..80].copy_from_slice(&self.log_at.to_le_bytes());
        let crc = CRC_32C.checksum(&bytes);
        bytes[4..8].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    fn decode(bytes: &[u8; HEADER_BYTES]) -> Option<Header> {
        (&bytes[0..4] == b"head" && check_sum_is_right(bytes)).then(|| Header {
            sequence: u64_at(bytes, 8),
            file_write: guid_at(bytes, 16),
            data_write: guid_at(bytes, 32),
            log: guid_at(bytes, 48),
            log_version: u16_at(bytes, 64),
            version: u16_at(bytes, 66),
            log_bytes: u32_at(bytes, 68),
            log_at: u64_at(bytes, 72),
        })
    }

    pub(super) fn write(&self, storage: &dyn DurableFile, slot: Slot) -> io::Result<()> {
        storage.write_at(slot.at(), &self.encode())
    }
}

/// Writes the identifier and both headers of a new file.
pub(super) fn lay_out(storage: &dyn DurableFile) -> io::Result<()> {
    let mut identifier = SIGNATURE.to_vec();
    // The creator: up to 256 UTF-16 units (2.2.1).
    let creator = concat!("gleaner ", env!("CARGO_PKG_VERSION"));
    identifier.extend(creator.encode_utf16().take(256).flat_map(u16::to_le_bytes));
    storage.write_at(0, &identifier)?;
    let first = Header::new(0);
    first.write(storage, Slot::First)?;
    Header { sequence: 1, ..first }.write(storage, Slot::Second)
}

/// The header in force: of those that are sound, the one with the higher sequence number (2.2.2).
pub(super) fn current_header(storage: &dyn DurableFile) -> Result<(Header, Slot), ImageError> {
    let end = Slot::Second.at() + HEADER_BYTES as u64;
    let mut signature = [0; 8];
    if storage.bytes()? < end {
        return Err(VhdxFault::Signature.into());
    }
    storage.read_at(0, &mut signature)?;
    if &signature != SIGNATURE {
        return Err(VhdxFault::Signature.into());
    }
    let mut current: Option<(Header, Slot)> = None;
    for slot in [Slot::First, Slot::Second] {
        let mut bytes = [0; HEADER_BYTES];
        storage.read_at(slot.at(), &mut bytes)?;
        if let Some(header) = Header::decode(&bytes)
            && current.is_none_or(|(other, _)| header.sequence > other.sequence)
        {
            current = Some((header, slot));
        }
    }
    let (header, slot) = current.ok_or(VhdxFault::Headers)?;
    if header.version != VERSION {
        return Err(VhdxFault::Version(header.version).into());
    }
    if !header.log.is_nil() {
        return Err(VhdxFault::LogInUse.into());
    }
    Ok((header, slot))
}

/// Whether the CRC-32C at byte 4 is that of all bytes with those four zero.
pub(super) fn check_sum_is_right(bytes: &[u8]) -> bool {
    let mut digest = CRC_32C.digest();
    digest.update(&bytes[..4]);
    digest.update(&[0; 4]);
    digest.update(&bytes[8..]);
    digest.finalize() == u32_at(bytes, 4)
}

/// Identifiers are stored with their first three parts little-endian (MS-DTYP GUID, from memory).
pub(super) fn guid_at(bytes: &[u8], at: usize) -> Uuid {
    Uuid::from_bytes_le(fields::guid_at(bytes, at))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::durable_file::DiskFile;

    // Computed by hand from [MS-VHDX] 2.2.2 with a separate CRC-32C: "head", sequence number 1, version 1, log of 1 MiB at 1 MiB, all
    // identifiers nil.
    #[test]
    fn worked_header() {
        let nil = Uuid::nil();
        let header = Header { file_write: nil, data_write: nil, ..Header::new(1) };
        let bytes = header.encode();
        assert_eq!(u32_at(&bytes, 4), 0xF1FD_4713);
        assert_eq!(Header::decode(&bytes), Some(header));
        for at in [0, 4, 8, 66, 4095] {
            let mut changed = bytes;
            changed[at] ^= 1;
            assert_eq!(Header::decode(&changed), None, "byte {at}");
        }
    }

    /// A file that ends before its second header is none of this format; nothing behind its end is read.
    #[test]
    fn a_file_without_room_for_both_headers_is_none() {
        let file = tempfile::tempfile().unwrap();
        let storage = DiskFile::new(file.try_clone().unwrap());
        lay_out(&storage).unwrap();
        assert_eq!(current_header(&storage).unwrap().1, Slot::Second);
        file.set_len(Slot::Second.at() + HEADER_BYTES as u64 - 1).unwrap();
        let fault = current_header(&storage).unwrap_err();
        assert!(matches!(fault, ImageError::Vhdx(VhdxFault::Signature)), "{fault}");
    }
}
