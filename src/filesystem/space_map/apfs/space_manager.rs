//! The space manager (`spaceman_phys_t`): how the container is cut into chunks, and where the blocks lie that tell of them.

use super::object::HEADER_BYTES;
use crate::base::fields::{le64, u32_at, u64_at};

/// Bytes in front of the entries of a chunk-info or chunk-address block: the header, the block's index, and its count.
pub(super) const LIST_AT: usize = HEADER_BYTES + 8;

/// Bytes of one entry of a chunk-info block (`chunk_info_t`).
pub(super) const CHUNK_BYTES: usize = 32;

/// Bytes of one entry of a chunk-address block: a block number.
pub(super) const ADDRESS_BYTES: usize = 8;

/// Where the structure of the main device stands, and that of a second one.
const DEVICE_AT: [usize; 2] = [48, 96];

/// The pool in which chunk-address blocks, chunk-info blocks and bitmaps lie has three blocks for each of them (apfsck).
const POOL_SHARE: u64 = 3;

/// Blocks of the ring of the pool's own bitmaps: a bound of ours, far above what the containers of the tests have (16).
const MOST_POOL_MARKS: u64 = 1 << 16;

/// The space manager of a container on one drive, its figures consistent with each other.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct SpaceManager {
    /// Blocks of the container.
    pub blocks: u64,
    /// Blocks marked as free, of all chunks together.
    pub free: u64,
    /// Blocks of a chunk: as many as a bitmap of one block has bits.
    pub chunk_blocks: u64,
    /// Chunks that a chunk-info block tells of.
    pub chunks_per_info: u64,
    /// Chunk-info blocks that a chunk-address block leads to.
    pub infos_per_table: u64,
    /// Number of chunk-info blocks.
    pub infos: u64,
    /// Whether `addresses` are those of chunk-address blocks.
    pub has_tables: bool,
    /// Block numbers of the chunk-info blocks or of the chunk-address blocks.
    pub addresses: Vec<u64>,
    /// First block and number of blocks: the pool, and the ring of its own bitmaps.
    pub pool: (u64, u64),
    pub pool_marks: (u64, u64),
}

impl SpaceManager {
    /// The space manager that fills `object`, of a container of `blocks` blocks; `None` when its figures cannot be.
    pub fn parse(object: &[u8], block_bytes: u64, blocks: u64) -> Option<SpaceManager> {
        let per_block = |entry: usize| (block_bytes - LIST_AT as u64) / entry as u64;
        let (chunk_blocks, chunks_per_info) = (block_bytes * 8, per_block(CHUNK_BYTES));
        let infos_per_table = per_block(ADDRESS_BYTES);
        let figure = |at| u64::from(u32_at(object, at));
        let layout = [figure(32), figure(36), figure(40), figure(44)];
        if layout != [block_bytes, chunk_blocks, chunks_per_info, infos_per_table] {
            return None;
        }
        let [main, second] = DEVICE_AT;
        let (chunks, infos, tables) = (u64_at(object, main + 8), figure(main + 16), figure(main + 20));
        let free = u64_at(object, main + 24);
        // One chunk-address block alone is not used: the space manager then has the addresses itself (apfsck).
        let needed = infos.div_ceil(infos_per_table);
        let fits = u64_at(object, main) == blocks
            && u64_at(object, second) == 0
            && chunks == blocks.div_ceil(chunk_blocks)
            && infos == chunks.div_ceil(chunks_per_info)
            && tables == if needed > 1 { needed } else { 0 }
            && free <= blocks;
        if !fits || blocks == 0 {
            return None;
        }
        let pool = (u64_at(object, 176), u64_at(object, 152));
        let pool_marks = (u64_at(object, 168), figure(164));
        let told_by = chunks.checked_add(infos)?.checked_add(tables)?;
        if pool.1 > told_by.checked_mul(POOL_SHARE)? || pool_marks.1 > MOST_POOL_MARKS {
            return None;
        }
        let at = usize::try_from(u32_at(object, main + 32)).ok()?;
        let count = usize::try_from(if tables > 0 { tables } else { infos }).ok()?;
        let list = object.get(at..at.checked_add(count.checked_mul(ADDRESS_BYTES)?)?)?;
        let addresses = (0..count).filter_map(|number| le64(list, number * ADDRESS_BYTES)).collect();
        let has_tables = tables > 0;
        Some(SpaceManager {
            blocks,
            free,
            chunk_blocks,
            chunks_per_info,
            infos_per_table,
            infos,
            has_tables,
            addresses,
            pool,
            pool_marks,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const BLOCK: u64 = 4096;
    const BLOCKS: u64 = 40_000;

    /// The figures of a container of two chunks, with fields changed: their places, bytes and values.
    fn parsed(changes: &[(usize, usize, u64)]) -> Option<SpaceManager> {
        let mut object = vec![0; 4096];
        let mut put = |at: usize, bytes: usize, value: u64| {
            object[at..at + bytes].copy_from_slice(&value.to_le_bytes()[..bytes]);
        };
        for (number, figure) in [BLOCK, BLOCK * 8, 126, 507].into_iter().enumerate() {
            put(32 + 4 * number, 4, figure);
        }
        for (at, bytes, value) in
            [(48, 8, BLOCKS), (56, 8, 2), (64, 4, 1), (72, 8, 30_000), (80, 4, 4088), (4088, 8, 77)]
        {
            put(at, bytes, value);
        }
        for (at, bytes, value) in [(152, 8, 9), (164, 4, 16), (168, 8, 500), (176, 8, 516)] {
            put(at, bytes, value);
        }
        changes.iter().for_each(|(at, bytes, value)| put(*at, *bytes, *value));
        SpaceManager::parse(&object, BLOCK, BLOCKS)
    }

    #[test]
    fn figures_are_believed_up_to_what_a_container_can_have() {
        let sound = parsed(&[]).unwrap();
        assert_eq!((sound.addresses, sound.free, sound.has_tables), (vec![77], 30_000, false));
        assert_eq!((sound.pool, sound.pool_marks), ((516, 9), (500, 16)));
        for (at, bytes, most) in [
            (72, 8, BLOCKS),
            (80, 4, 4088),
            // Three blocks for each of two chunks and one chunk-info block.
            (152, 8, 9),
            (164, 4, MOST_POOL_MARKS),
        ] {
            assert!(parsed(&[(at, bytes, most)]).is_some(), "{at}: {most}");
            assert!(parsed(&[(at, bytes, most + 1)]).is_none(), "{at}: {}", most + 1);
        }
    }
}
