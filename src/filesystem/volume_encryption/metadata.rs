//! A block of metadata: three copies of it are on each volume, each enough.

use super::entry::{Entries, Entry, kind, value};
use crate::base::fields::{bytes_at, le16, le32, le64, u16_at, u32_at, u64_at};
use crate::partition::signature::EncryptedBoot;
use crate::partition::signature::checksums::crc32_ieee;
use sha2::{Digest, Sha256};

/// Bytes of the block's header and of the one behind it, where entries begin.
const HEADERS: usize = 112;
/// Largest block: what it owns.
const LARGEST: u64 = 64 << 10;
/// Bytes of the part that proves a block, behind it: size, version, CRC, and one sealed entry.
const PROOF: u64 = 88;

/// Why a block cannot be used.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum BlockFault {
    /// No signature at its place.
    #[error("no block of metadata stands there")]
    Signature,
    /// A version that is not known, or other than the boot sector tells.
    #[error("its version is not known")]
    Version,
    /// Lengths that cannot be.
    #[error("its lengths cannot be right")]
    Lengths,
    /// The CRC is wrong.
    #[error("its checksum is wrong")]
    Checksum,
}

/// A block of metadata.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Block {
    /// 1 for Windows Vista, else 2.
    pub version: u16,
    /// What the volume is: 1 decrypted, 2 being converted with a log, 3 paused, 4 encrypted, 5 being converted.
    pub state: u16,
    /// Bytes from the volume's start that are encrypted; 0 for all.
    pub encrypted_bytes: u64,
    /// Bytes of the log of a conversion, which begins behind the encrypted bytes.
    pub log_bytes: u64,
    /// Where the three blocks begin, in bytes from the volume's start.
    pub places: [u64; 3],
    /// How many bytes from the volume's start were moved, and where to.
    pub relocated: Option<(u64, u64)>,
    /// First version: the cluster of NTFS's mirror of $MFT, which the boot sector has no room for.
    pub mirror_cluster: u64,
    /// Identifier of the volume, as it is stored.
    pub guid: [u8; 16],
    /// Everything up to the part that proves it.
    bytes: Vec<u8>,
    /// The box with the hash of it.
    proof: Option<Vec<u8>>,
}

impl Block {
    /// Bytes to read of a block at least, and how many of them tell the rest ([`Block::needed`]).
    pub const FIRST_READ: u64 = 4096;

    /// Bytes that a block takes with its proof, by its beginning; `None` when it is none.
    pub fn needed(start: &[u8]) -> Option<u64> {
        Some(own_bytes(start).ok()? as u64 + PROOF).filter(|bytes| *bytes <= LARGEST)
    }

    /// Reads a block from its bytes. Where only its checksum is wrong, the block comes with the fault.
    ///
    /// # Errors
    /// [`BlockFault`].
    pub fn parse(bytes: &[u8], boot: &EncryptedBoot) -> Result<(Block, Option<BlockFault>), BlockFault> {
        let size = own_bytes(bytes)?;
        let version = u16_at(bytes, 10);
        let own = bytes.get(..size).filter(|_| size >= HEADERS).ok_or(BlockFault::Lengths)?;
        // Behind the block's header: size, version, size of this header, end of the entries.
        let entries_end = 64 + le32(own, 76).ok_or(BlockFault::Lengths)? as usize;
        if u32_at(own, 72) != 48 || entries_end > size || entries_end < HEADERS {
            return Err(BlockFault::Lengths);
        }
        let proof = bytes.get(size..).unwrap_or_default();
        // Not described for the first version; there the boxes with the keys tell.
        let sum = crc32_ieee(&[own]);
        let fault = (version > 1 && le32(proof, 4) != Some(sum)).then_some(BlockFault::Checksum);
        let sealed =
            Entries::of(proof.get(8..).unwrap_or_default()).next().filter(|entry| entry.value == value::SEALED);
        let mut block = Block {
            version,
            state: u16_at(own, 12),
            encrypted_bytes: if version > 1 { u64_at(own, 16) } else { 0 },
            log_bytes: u64::from(u32_at(own, 24)),
            places: [32, 40, 48].map(|at| u64_at(own, at)),
            relocated: None,
            mirror_cluster: u64_at(own, 56),
            guid: bytes_at(own, 80).unwrap_or_default(),
            bytes: own.to_vec(),
            proof: sealed.map(|entry| entry.data.to_vec()),
        };
        if version > 1 {
            let by_header = u64::from(u32_at(own, 28)).checked_mul(boot.sector_bytes).zip(Some(u64_at(own, 56)));
            let by_entry = block.entries().find(|entry| (entry.kind, entry.value) == (kind::RELOCATED, value::RANGE));
            let by_entry = by_entry.and_then(|entry| Some((le64(entry.data, 8)?, le64(entry.data, 0)?)));
            block.relocated = by_header.filter(|(bytes, at)| *bytes > 0 && *at > 0).or(by_entry);
        }
        Ok((block, fault))
    }

    /// Its entries.
    pub fn entries(&self) -> Entries<'_> {
        let end = 64 + u32_at(&self.bytes, 76) as usize;
        Entries::of(self.bytes.get(HEADERS..end).unwrap_or_default())
    }

    /// Its protectors.
    pub fn protectors(&self) -> impl Iterator<Item = Entry<'_>> {
        self.entries().filter(|entry| (entry.kind, entry.value) == (kind::MASTER_KEY, value::PROTECTOR))
    }

    /// The box with the key of the sectors.
    pub fn sector_key(&self) -> Option<Entry<'_>> {
        self.entries().find(|entry| (entry.kind, entry.value) == (kind::SECTOR_KEY, value::SEALED))
    }

    /// The box with the hash that proves the block, and the hash that should be in it.
    pub fn proof(&self) -> Option<(&[u8], [u8; 32])> {
        Some((self.proof.as_deref()?, Sha256::digest(&self.bytes).into()))
    }
}

/// Bytes of headers and entries.
fn own_bytes(start: &[u8]) -> Result<usize, BlockFault> {
    if start.get(..8) != Some(b"-FVE-FS-") {
        return Err(BlockFault::Signature);
    }
    let size = usize::from(le16(start, 8).ok_or(BlockFault::Lengths)?);
    match le16(start, 10) {
        Some(1) => Ok(size),
        Some(2) => Ok(size * 16),
        _ => Err(BlockFault::Version),
    }
}
