//! Chunk information and bitmaps: from the space manager's addresses to the marks of all blocks.

use super::container::Container;
use super::object::{Header, kind};
use super::space_manager::{ADDRESS_BYTES, CHUNK_BYTES, LIST_AT, SpaceManager};
use crate::base::fields::{u32_at, u64_at};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::ClusterRun;
use crate::filesystem::bits::Scan;
use crate::filesystem::space_map::findings::{MAP_PART_DOUBTED, MAP_PART_UNREAD};
use crate::source::SourceLost;

/// The counts of a chunk have 20 bits; those above are flags (apfsprogs).
const COUNT_BITS: u32 = (1 << 20) - 1;

/// The marks of a container's blocks.
#[derive(Default)]
pub(super) struct Marks {
    /// In use.
    pub used: Vec<ClusterRun>,
    /// Not read or not believed.
    pub unknown: Vec<ClusterRun>,
    /// Blocks that are free by the chunks' counts.
    pub free: u64,
    /// Whether chunk information is lost, so that the counts are not those of all chunks.
    pub has_gaps: bool,
}

/// A chunk as its chunk-info block has it.
#[derive(Clone, Copy)]
struct Chunk {
    run: ClusterRun,
    in_use: u64,
    /// Block number of the bitmap; 0 where nothing is in use.
    bitmap: u64,
}

/// A chunk-info block to be read: its block number, then its index and its block number again.
type WantedInfo = (u64, (u64, u64));

/// Reads the marks of one container.
pub(super) struct ChunkReader<'c> {
    pub container: &'c Container<'c>,
    pub manager: &'c SpaceManager,
    /// Blocks that lie in the window, in full or in part: chunks behind them are not looked at.
    pub held_blocks: u64,
    pub findings: &'c mut Findings,
}

impl ChunkReader<'_> {
    /// The marks of all blocks, by what transaction `until` or an earlier one wrote: what is newer overwrote the chunk
    /// information of this checkpoint.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read(&mut self, until: u64) -> Result<Marks, SourceLost> {
        let mut marks = Marks::default();
        let wanted = self.info_blocks(until, &mut marks)?;
        let mut blocks = Vec::new();
        self.container.read_each("chunk information", wanted, |(index, at), block| {
            blocks.push((index, at, block.map(|block| self.manager.chunks_of(block, index, at, |xid| xid <= until))));
        })?;
        let mut chunks = Vec::new();
        for (index, at, read) in blocks {
            let run = self.manager.info_run(index);
            match read {
                Some(Some(found)) => chunks.extend(found),
                Some(None) => self.doubt(&mut marks, run, at, "chunk information is damaged or of another time"),
                None => self.miss(&mut marks, run, at, "chunk information"),
            }
        }
        marks.has_gaps = !marks.unknown.is_empty() || self.held_blocks < self.manager.blocks;
        self.read_bitmaps(chunks, &mut marks)?;
        Ok(marks)
    }

    /// The marks by chunk information in the pool that a transaction after `until` wrote, and the last of these transactions.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read_newer(&mut self, until: u64) -> Result<(Marks, Option<u64>), SourceLost> {
        let (first, count) = self.manager.pool;
        let wanted = (0..count).filter_map(|at| first.checked_add(at)).map(|block| (block, block)).collect();
        let (mut chunks, mut last) = (Vec::new(), None);
        self.container.read_each("chunk information", wanted, |at, block| {
            // What is no chunk information is a bitmap, or not used.
            let Some(block) = block else { return };
            let index = u64::from(u32_at(block, LIST_AT - 8));
            let is_newer = |transaction| transaction > until;
            if let Some(found) = self.manager.chunks_of(block, index, at, is_newer) {
                last = last.max(Some(u64_at(block, 16)));
                chunks.extend(found);
            }
        })?;
        let mut marks = Marks::default();
        self.read_bitmaps(chunks, &mut marks)?;
        Ok((marks, last))
    }

    /// The chunk-info blocks that tell of blocks in the window.
    fn info_blocks(&mut self, until: u64, marks: &mut Marks) -> Result<Vec<WantedInfo>, SourceLost> {
        let held_blocks = self.held_blocks;
        let held = |run: ClusterRun| run.first.0 < held_blocks;
        let infos = (0..self.manager.infos).take_while(|index| held(self.manager.info_run(*index)));
        let addresses = (0u64..).zip(self.manager.addresses.iter().copied());
        if !self.manager.has_tables {
            return Ok(infos.zip(addresses).map(|(index, (_, at))| (at, (index, at))).collect());
        }
        let tables = addresses.take_while(|(index, _)| held(self.manager.table_run(*index)));
        let wanted = tables.map(|(index, at)| (at, (index, at))).collect();
        let mut blocks = Vec::new();
        self.container.read_each("chunk information", wanted, |(index, at), block| {
            blocks.push((index, at, block.map(|block| self.manager.addresses_of(block, index, at, until))));
        })?;
        let mut found = Vec::new();
        for (index, at, read) in blocks {
            let run = self.manager.table_run(index);
            match read {
                Some(Some(addresses)) => {
                    let first = index * self.manager.infos_per_table;
                    let numbered = (first..).zip(addresses).map(|(index, at)| (at, (index, at)));
                    found.extend(numbered.filter(|(_, (index, _))| held(self.manager.info_run(*index))));
                }
                Some(None) => self.doubt(marks, run, at, "chunk addresses are damaged or of another time"),
                None => self.miss(marks, run, at, "chunk addresses"),
            }
        }
        Ok(found)
    }

    fn read_bitmaps(&mut self, chunks: Vec<Chunk>, marks: &mut Marks) -> Result<(), SourceLost> {
        let held = chunks.into_iter().filter(|chunk| chunk.run.first.0 < self.held_blocks);
        let (with, without): (Vec<Chunk>, Vec<Chunk>) = held.partition(|chunk| chunk.bitmap != 0);
        for chunk in without {
            marks.free += chunk.run.count - chunk.in_use;
            if chunk.in_use > 0 {
                self.doubt(marks, chunk.run, chunk.bitmap, "a chunk with blocks in use has no bitmap");
            }
        }
        let gaps = self.container.small_gaps(with.iter().map(|chunk| chunk.bitmap).collect());
        let bitmaps = (0..).zip(&with).map(|(key, chunk): (usize, _)| (chunk.bitmap, Some(key)));
        let wanted = bitmaps.chain(gaps.into_iter().map(|block| (block, None))).collect();
        let (mut used, mut unread, mut wrong) = (Vec::new(), Vec::new(), Vec::new());
        self.container.read_each("allocation bitmap", wanted, |key, block| {
            let Some(chunk) = key.and_then(|key| with.get(key)) else { return };
            let Some(block) = block else { return unread.push(*chunk) };
            let mut scan = Scan::new(chunk.run.count);
            scan.feed(block);
            let allocated = scan.finish().allocated;
            if allocated.count() != chunk.in_use {
                return wrong.push(*chunk);
            }
            let first = chunk.run.first.0;
            used.extend(allocated.runs().iter().map(|run| ClusterRun::new(first + run.first.0, run.count)));
        })?;
        marks.free += with.iter().map(|chunk| chunk.run.count - chunk.in_use).sum::<u64>();
        marks.used.append(&mut used);
        for chunk in unread {
            self.miss(marks, chunk.run, chunk.bitmap, "allocation bitmap");
        }
        for chunk in wrong {
            self.doubt(marks, chunk.run, chunk.bitmap, "an allocation bitmap has not as many bits set as are counted");
        }
        Ok(())
    }

    fn miss(&mut self, marks: &mut Marks, run: ClusterRun, at: u64, what: &str) {
        let sentence = format!("Block {at}, {what}, was not read: {} are planned.", Blocks(run));
        self.findings.push(Finding::at(&MAP_PART_UNREAD, self.container.start_of(at), sentence));
        marks.unknown.push(run);
    }

    fn doubt(&mut self, marks: &mut Marks, run: ClusterRun, at: u64, what: &str) {
        let sentence = format!("Block {at}: {what}; {} are planned.", Blocks(run));
        self.findings.push(Finding::at(&MAP_PART_DOUBTED, self.container.start_of(at), sentence));
        marks.unknown.push(run);
    }
}

struct Blocks(ClusterRun);

impl std::fmt::Display for Blocks {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "blocks {} to {}", self.0.first.0, self.0.end().saturating_sub(1))
    }
}

impl SpaceManager {
    /// The blocks of one chunk, of all chunks of a chunk-info block, and of all of a chunk-address block.
    fn chunk_run(&self, number: u64) -> ClusterRun {
        self.cut(number, self.chunk_blocks)
    }

    fn info_run(&self, index: u64) -> ClusterRun {
        self.cut(index, self.chunk_blocks * self.chunks_per_info)
    }

    fn table_run(&self, index: u64) -> ClusterRun {
        self.cut(index, self.chunk_blocks * self.chunks_per_info * self.infos_per_table)
    }

    fn cut(&self, number: u64, length: u64) -> ClusterRun {
        let first = number.saturating_mul(length).min(self.blocks);
        ClusterRun::new(first, length.min(self.blocks - first))
    }

    /// Block numbers of chunk-info blocks by the chunk-address block number `index`, if `block` is that.
    fn addresses_of(&self, block: &[u8], index: u64, at: u64, until: u64) -> Option<Vec<u64>> {
        let first = index * self.infos_per_table;
        let count = self.infos_per_table.min(self.infos.saturating_sub(first));
        let list = list_of(block, kind::CHUNK_ADDRESSES, (index, at, count), |xid| xid <= until)?;
        let (entries, _) = list.as_chunks::<ADDRESS_BYTES>();
        Some(entries.iter().take(usize::try_from(count).ok()?).map(|entry| u64::from_le_bytes(*entry)).collect())
    }

    /// The chunks of the chunk-info block number `index`, if `block` is that and each of them can be.
    fn chunks_of(&self, block: &[u8], index: u64, at: u64, is_wanted: impl Fn(u64) -> bool) -> Option<Vec<Chunk>> {
        let first = index * self.chunks_per_info;
        let count = self.chunks_per_info.min(self.blocks.div_ceil(self.chunk_blocks).saturating_sub(first));
        let list = list_of(block, kind::CHUNK_INFO, (index, at, count), is_wanted)?;
        let (entries, _) = list.as_chunks::<CHUNK_BYTES>();
        let chunk = |(number, entry): (u64, &[u8; CHUNK_BYTES])| {
            let run = self.chunk_run(number);
            let counts = [16, 20].map(|at| u64::from(u32_at(entry, at) & COUNT_BITS));
            let fits = u64_at(entry, 8) == run.first.0 && counts[0] == run.count && counts[1] <= run.count;
            fits.then(|| Chunk { run, in_use: run.count - counts[1], bitmap: u64_at(entry, 24) })
        };
        (first..).zip(entries.iter().take(usize::try_from(count).ok()?)).map(chunk).collect()
    }
}

/// The entries of the list number `index`, at block `at`, if `block` is that: its checksum holds, and it names its place, its number
/// and its count.
fn list_of(
    block: &[u8],
    kind: u16,
    (index, at, count): (u64, u64, u64),
    is_wanted: impl Fn(u64) -> bool,
) -> Option<&[u8]> {
    let numbers = [LIST_AT - 8, LIST_AT - 4].map(|field| u64::from(u32_at(block, field)));
    if count == 0 || numbers != [index, count] {
        return None;
    }
    let header = Header::of(block).filter(|header| (header.kind, header.id) == (kind, at))?;
    if is_wanted(header.transaction) { block.get(LIST_AT..) } else { None }
}
