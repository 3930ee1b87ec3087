//! The first 64 bytes of a journal: which case and which drive it belongs to.

use super::{CRC_32C, JournalError};
use crate::base::fields::{u32_at, u64_at};
use crate::base::regular_file;
use crate::base::units::SectorSize;
use std::io::Read;
use std::path::Path;

/// The format's version: what is written. Journals of version 1 are read as well.
pub const VERSION: u32 = 2;

/// The first version, whose claims commute and carry no failures.
pub(super) const VERSION_1: u32 = 1;

const MAGIC: &[u8; 8] = b"glnrjrnl";

/// Which case and which drive a journal belongs to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct JournalHeader {
    /// The case's own random number. It enters the checksum of each record, so that a record of another journal that
    /// a crash leaves in this one is not taken for its own.
    pub case_id: [u8; 16],
    /// The drive's size in bytes; every claim lies within it.
    pub drive_bytes: u64,
    /// The drive's logical sector size.
    pub sector: SectorSize,
}

impl JournalHeader {
    /// The 64 bytes that a journal begins with; a journal without claims is nothing else.
    pub fn encode(&self) -> [u8; 64] {
        let mut bytes = [0; 64];
        bytes[0..8].copy_from_slice(MAGIC);
        bytes[8..12].copy_from_slice(&VERSION.to_le_bytes());
        bytes[16..32].copy_from_slice(&self.case_id);
        bytes[32..40].copy_from_slice(&self.drive_bytes.to_le_bytes());
        let sector = u32::try_from(self.sector.bytes()).expect("a sector size fits in 17 bits");
        bytes[40..44].copy_from_slice(&sector.to_le_bytes());
        let crc = CRC_32C.checksum(&bytes);
        bytes[12..16].copy_from_slice(&crc.to_le_bytes());
        bytes
    }

    /// The header and its version. The checksum comes before the version: a damaged version must not be taken for a newer
    /// program's.
    pub(super) fn decode(bytes: &[u8; 64]) -> Result<(JournalHeader, u32), JournalError> {
        if &bytes[0..8] != MAGIC {
            return Err(JournalError::NotAJournal);
        }
        let mut summed = *bytes;
        summed[12..16].fill(0);
        if CRC_32C.checksum(&summed) != u32_at(bytes, 12) {
            return Err(JournalError::Header { what: "its checksum is wrong" });
        }
        let found = u32_at(bytes, 8);
        if found != VERSION && found != VERSION_1 {
            return Err(JournalError::Version { found });
        }
        let sector = SectorSize::new(u64::from(u32_at(bytes, 40)))
            .ok_or(JournalError::Header { what: "the sector size is no power of two from 512 to 65536" })?;
        if bytes[44..].iter().any(|&byte| byte != 0) {
            return Err(JournalError::Header { what: "a reserved field is not zero" });
        }
        let case_id = std::array::from_fn(|i| bytes[16 + i]);
        Ok((JournalHeader { case_id, drive_bytes: u64_at(bytes, 32), sector }, found))
    }
}

/// What the journal at `path` begins with.
///
/// # Errors
/// [`JournalError::Open`] when it cannot be read; [`JournalError::NotAJournal`], [`JournalError::Version`] or
/// [`JournalError::Header`] when it does not begin as one.
pub fn read_header(path: &Path) -> Result<JournalHeader, JournalError> {
    let mut bytes = [0; 64];
    let read = regular_file::open(path).and_then(|mut file| file.read_exact(&mut bytes));
    read.map_err(|error| JournalError::Open { path: path.to_path_buf(), error })?;
    Ok(JournalHeader::decode(&bytes)?.0)
}

/// Whether the file at `path` begins as a journal does. What cannot be read does not.
pub fn is_journal(path: &Path) -> bool {
    read_header(path).is_ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_newer_version_is_told_from_damage() {
        let header = JournalHeader { case_id: [9; 16], drive_bytes: 1 << 40, sector: SectorSize::S4096 };
        let mut bytes = header.encode();
        assert_eq!(JournalHeader::decode(&bytes).unwrap(), (header, 2));
        let as_version = |bytes: &mut [u8; 64], version| {
            bytes[8] = version;
            bytes[12..16].fill(0);
            let crc = CRC_32C.checksum(bytes.as_slice());
            bytes[12..16].copy_from_slice(&crc.to_le_bytes());
        };
        bytes[8] = 3;
        assert!(matches!(JournalHeader::decode(&bytes), Err(JournalError::Header { .. })));
        as_version(&mut bytes, 3);
        assert!(matches!(JournalHeader::decode(&bytes), Err(JournalError::Version { found: 3 })));
        as_version(&mut bytes, 1);
        assert_eq!(JournalHeader::decode(&bytes).unwrap(), (header, 1));
    }
}
