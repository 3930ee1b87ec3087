//! The container superblock (`nx_superblock_t`): in block zero, and once for each checkpoint in the descriptor area.

use super::object::{Header, kind};
use crate::base::fields::{bytes_at, guid_at, u32_at, u64_at};

/// Largest block size of the format, and the least, which holds all fields of the superblock.
pub(super) const BLOCK_BYTES: std::ops::RangeInclusive<u64> = 4096..=65536;

/// Incompatible feature: main and second device make one container.
const FUSION: u64 = 0x100;

/// Incompatible features under which the structures are those that are read here: version 2.
const KNOWN: u64 = 0x2;

/// One of the two areas of checkpoints, used as a ring.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Ring {
    /// Block number of its first block.
    pub first: u64,
    /// Number of blocks.
    pub blocks: u32,
}

impl Ring {
    /// The block number of an index, counted on from the start where the ring ends; `None` for an index beyond it.
    pub fn block(&self, index: u32, further: u32) -> Option<u64> {
        if index >= self.blocks {
            return None;
        }
        let at = (u64::from(index) + u64::from(further)) % u64::from(self.blocks);
        self.first.checked_add(at)
    }
}

/// A container superblock whose checksum holds.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Superblock {
    pub transaction: u64,
    pub block_bytes: u64,
    /// Blocks of the container.
    pub blocks: u64,
    pub uuid: [u8; 16],
    /// Ring of superblocks and maps; `None` when it is not in one piece.
    pub descriptors: Option<Ring>,
    /// Ring of the checkpoints' other objects; `None` when it is not in one piece.
    pub data: Option<Ring>,
    /// Descriptor index at which the next checkpoint begins.
    pub next: u32,
    /// Descriptor index at which this checkpoint begins.
    pub from: u32,
    /// Number of its descriptor blocks: its maps, and the superblock as the last.
    pub count: u32,
    /// Number of the space manager's object.
    pub space_manager: u64,
    /// Block number of the container's object map, which leads to the volumes.
    pub object_map: u64,
    /// Places of key bags: first block and number of blocks.
    pub key_bags: [(u64, u64); 2],
    incompatible: u64,
    shrinking: bool,
}

impl Superblock {
    /// Block size of what looks like a superblock by its first bytes.
    pub fn block_bytes_of(start: &[u8]) -> Option<u64> {
        let bytes = u64::from(u32_at(start, 36));
        let stands = bytes_at(start, 32) == Some(*b"NXSB");
        (stands && bytes.is_power_of_two() && BLOCK_BYTES.contains(&bytes)).then_some(bytes)
    }

    /// The superblock that fills `block`.
    pub fn parse(block: &[u8]) -> Option<Superblock> {
        let block_bytes = Superblock::block_bytes_of(block)?;
        if block.len() as u64 != block_bytes {
            return None;
        }
        let header = Header::of(block).filter(|header| header.kind == kind::SUPERBLOCK)?;
        // The top bit: not in one piece, and the place is that of a tree.
        let ring = |at_blocks, at_first| {
            let blocks = u32_at(block, at_blocks);
            (blocks >> 31 == 0 && blocks > 0).then(|| Ring { first: u64_at(block, at_first), blocks })
        };
        let pair = |at| (u64_at(block, at), u64_at(block, at + 8));
        Some(Superblock {
            transaction: header.transaction,
            block_bytes,
            blocks: u64_at(block, 0x28),
            uuid: guid_at(block, 0x48),
            descriptors: ring(0x68, 0x70),
            data: ring(0x6C, 0x78),
            next: u32_at(block, 0x80),
            from: u32_at(block, 0x88),
            count: u32_at(block, 0x8C),
            space_manager: u64_at(block, 0x98),
            object_map: u64_at(block, 0xA0),
            key_bags: [pair(0x510), pair(0x570)],
            incompatible: u64_at(block, 0x40),
            shrinking: pair(0x4D8).1 != 0,
        })
    }

    /// Why the map of such a container is not read, if it is not.
    pub fn not_read(&self) -> Option<&'static str> {
        if self.incompatible & FUSION != 0 {
            return Some("the container lies on two drives, of which this is one");
        }
        if self.incompatible & !KNOWN != 0 {
            return Some("the container has features that are not known");
        }
        if self.shrinking {
            return Some("the container was being made smaller");
        }
        if self.descriptors.is_none() || self.data.is_none() {
            return Some("the areas of its checkpoints are not in one piece");
        }
        None
    }
}
