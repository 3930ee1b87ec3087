//! Containers written here from the published layout, for what neither a formatter nor a sample has: block sizes, chunk-address
//! blocks, space managers that go round the end of their ring, checkpoints with two maps, volumes nearly full.
//!
//! Source: Apple File System Reference (2020) as apfsprogs (include/apfs/raw.h) and libfsapfs (documentation) have it. They hold no
//! volumes. What is independent: `scripts/reference/apfs_answers.py` reads them by the structures of dissect.apfs.

use crate::overlay::Sound;
use gleaner::base::units::SectorSize;
use std::collections::{BTreeMap, BTreeSet};

/// Blocks of the ring of the pool's own bitmaps, which stay empty here.
const POOL_MARKS: u64 = 16;

const EPHEMERAL: u32 = 0x8000_0000;
const PHYSICAL: u32 = 0x4000_0000;

/// What to build.
#[derive(Clone)]
pub struct Shape {
    pub block: u64,
    pub blocks: u64,
    /// Blocks that it may grow to: the pool has room for them.
    pub most: u64,
    /// Blocks of both areas.
    pub descriptors: u64,
    pub data: u64,
    /// Blocks of a space manager; more than it needs is allowed.
    pub manager_blocks: u64,
    /// Maps of a checkpoint.
    pub maps: u64,
}

impl Shape {
    pub fn new(block: u64, blocks: u64) -> Shape {
        Shape { block, blocks, most: blocks, descriptors: 8, data: 20, manager_blocks: 1, maps: 1 }
    }
}

/// Where a checkpoint lies, for damage.
#[derive(Clone, Default, Debug)]
pub struct Places {
    pub superblock: u64,
    pub maps: Vec<u64>,
    pub manager: Vec<u64>,
    pub tables: Vec<u64>,
    pub infos: Vec<u64>,
    /// Bitmaps by the number of their chunk.
    pub bitmaps: BTreeMap<u64, u64>,
}

/// A container.
pub struct Built {
    pub shape: Shape,
    pub drive: Sound,
    /// Of each checkpoint, the last the newest.
    pub checkpoints: Vec<Places>,
    next_descriptor: u64,
    next_data: u64,
    /// Contents of live blocks of the pool.
    chunks: BTreeMap<u64, BTreeSet<(u64, u64)>>,
}

fn put(block: &mut [u8], at: usize, value: u64, bytes: usize) {
    block[at..at + bytes].copy_from_slice(&value.to_le_bytes()[..bytes]);
}

/// Sums reduced once at the end, as the format's description has them.
pub fn seal(object: &mut [u8]) {
    const M: u64 = 0xFFFF_FFFF;
    let (mut a, mut b) = (0u64, 0u64);
    for word in object[8..].as_chunks::<4>().0 {
        a += u64::from(u32::from_le_bytes(*word));
        b = (b + a) % M;
    }
    let low = M - (a + b) % M;
    let high = M - (a + low) % M;
    put(object, 0, high << 32 | low, 8);
}

fn object(bytes: u64, id: u64, transaction: u64, kind: u32) -> Vec<u8> {
    let mut new = vec![0; usize::try_from(bytes).unwrap()];
    put(&mut new, 8, id, 8);
    put(&mut new, 16, transaction, 8);
    put(&mut new, 24, kind.into(), 4);
    new
}

impl Built {
    /// A container without a checkpoint.
    pub fn new(shape: Shape) -> Built {
        let drive = Sound::blank(shape.most * shape.block, SectorSize::S512);
        Built { shape, drive, checkpoints: Vec::new(), next_descriptor: 0, next_data: 0, chunks: BTreeMap::new() }
    }

    /// As [`Built::new`], with one checkpoint after the other in which these runs of blocks are in use beside the structure.
    pub fn with(shape: Shape, checkpoints: &[&[(u64, u64)]]) -> Built {
        let mut built = Built::new(shape);
        checkpoints.iter().for_each(|used| built.commit(used));
        built
    }

    fn per_info(&self) -> u64 {
        (self.shape.block - 40) / 32
    }

    fn per_table(&self) -> u64 {
        (self.shape.block - 40) / 8
    }

    pub fn chunk_blocks(&self) -> u64 {
        self.shape.block * 8
    }

    fn counts(&self) -> (u64, u64, u64) {
        self.counts_of(self.shape.blocks)
    }

    fn counts_of(&self, blocks: u64) -> (u64, u64, u64) {
        let chunks = blocks.div_ceil(self.chunk_blocks());
        let infos = chunks.div_ceil(self.per_info());
        let tables = infos.div_ceil(self.per_table());
        (chunks, infos, if tables > 1 { tables } else { 0 })
    }

    fn data_first(&self) -> u64 {
        1 + self.shape.descriptors
    }

    /// First block and number of blocks of the pool.
    pub fn pool(&self) -> (u64, u64) {
        let (chunks, infos, tables) = self.counts();
        (self.data_first() + self.shape.data + POOL_MARKS, 3 * (chunks + infos + tables))
    }

    /// Makes the container larger: the next checkpoint has `blocks` blocks.
    pub fn grow(&mut self, blocks: u64) {
        assert!((self.shape.blocks..=self.shape.most).contains(&blocks));
        self.shape.blocks = blocks;
    }

    /// The object map's block; behind it files may begin.
    pub fn object_map(&self) -> u64 {
        let (chunks, infos, tables) = self.counts_of(self.shape.most);
        self.pool().0 + 3 * (chunks + infos + tables)
    }

    /// All blocks in use: the structure, and these runs.
    pub fn in_use(&self, used: &[(u64, u64)]) -> Vec<(u64, u64)> {
        std::iter::once((0, self.object_map() + 1)).chain(used.iter().copied()).collect()
    }

    fn write(&mut self, block: u64, bytes: &[u8]) {
        self.drive.put(block * self.shape.block, bytes);
    }

    /// A block of the pool that no checkpoint of the last two uses.
    fn take(&self, taken: &mut BTreeSet<u64>) -> u64 {
        let (first, count) = self.pool();
        let live = self
            .checkpoints
            .iter()
            .rev()
            .take(1)
            .flat_map(|c| c.tables.iter().chain(&c.infos).chain(c.bitmaps.values()).copied().collect::<Vec<_>>());
        let live: BTreeSet<u64> = live.collect();
        let free = (first..first + count).find(|block| !live.contains(block) && !taken.contains(block));
        let block = free.expect("the pool has room for three of each");
        taken.insert(block);
        block
    }

    /// Writes the next checkpoint.
    pub fn commit(&mut self, used: &[(u64, u64)]) {
        let transaction = self.checkpoints.len() as u64 + 1;
        let (chunks, infos, tables) = self.counts();
        let size = self.chunk_blocks();
        let block = self.shape.block;
        let mut marks: BTreeMap<u64, BTreeSet<(u64, u64)>> = BTreeMap::new();
        for (first, count) in self.in_use(used) {
            let mut at = first;
            while at < first + count {
                let end = (at / size * size + size).min(first + count);
                marks.entry(at / size).or_default().insert((at % size, end - at));
                at = end;
            }
        }
        let mut places = self.checkpoints.last().cloned().unwrap_or_default();
        let mut taken = BTreeSet::new();
        let before = std::mem::replace(&mut self.chunks, marks.clone());
        let mut bits_set: BTreeMap<u64, u64> = BTreeMap::new();
        let mut changed: BTreeSet<u64> = BTreeSet::new();
        for chunk in 0..chunks {
            let runs = marks.get(&chunk);
            bits_set.insert(chunk, runs.map_or(0, |runs| runs.iter().map(|run| run.1).sum()));
            // The last chunk and its entry may grow.
            if runs == before.get(&chunk) && transaction > 1 && chunk + 1 < chunks {
                continue;
            }
            changed.insert(chunk / self.per_info());
            let Some(runs) = runs else {
                places.bitmaps.remove(&chunk);
                continue;
            };
            let mut bits = vec![0u8; usize::try_from(block).unwrap()];
            for (first, count) in runs {
                for bit in *first..first + count {
                    bits[usize::try_from(bit / 8).unwrap()] |= 1 << (bit % 8);
                }
            }
            let at = self.take(&mut taken);
            self.write(at, &bits);
            places.bitmaps.insert(chunk, at);
        }
        places.infos.resize(usize::try_from(infos).unwrap(), 0);
        for index in 0..infos {
            if !changed.contains(&index) && transaction > 1 {
                continue;
            }
            let at = self.take(&mut taken);
            let first = index * self.per_info();
            let count = self.per_info().min(chunks - first);
            let mut info = object(block, at, transaction, PHYSICAL | 7);
            put(&mut info, 32, index, 4);
            put(&mut info, 36, count, 4);
            for chunk in first..first + count {
                let entry = 40 + 32 * usize::try_from(chunk - first).unwrap();
                let length = size.min(self.shape.blocks - chunk * size);
                put(&mut info, entry, transaction, 8);
                put(&mut info, entry + 8, chunk * size, 8);
                // A flag above the count, which must not count (metadata zone).
                put(&mut info, entry + 16, length | 0x0400_0000, 4);
                put(&mut info, entry + 20, length - bits_set[&chunk], 4);
                put(&mut info, entry + 24, places.bitmaps.get(&chunk).copied().unwrap_or(0), 8);
            }
            seal(&mut info);
            self.write(at, &info);
            places.infos[usize::try_from(index).unwrap()] = at;
        }
        places.tables.clear();
        for index in 0..tables {
            let at = self.take(&mut taken);
            let from = usize::try_from(index * self.per_table()).unwrap();
            let to = places.infos.len().min(from + usize::try_from(self.per_table()).unwrap());
            let mut table = object(block, at, transaction, PHYSICAL | 6);
            put(&mut table, 32, index, 4);
            put(&mut table, 36, (to - from) as u64, 4);
            for (number, info) in places.infos[from..to].iter().enumerate() {
                put(&mut table, 40 + 8 * number, *info, 8);
            }
            seal(&mut table);
            self.write(at, &table);
            places.tables.push(at);
        }
        let free = self.shape.blocks - bits_set.values().sum::<u64>();
        let manager = self.manager(transaction, free, &places);
        places.manager = (0..self.shape.manager_blocks)
            .map(|n| self.data_first() + (self.next_data + n) % self.shape.data)
            .collect();
        for (at, part) in places.manager.clone().into_iter().zip(manager.chunks(usize::try_from(block).unwrap())) {
            self.write(at, part);
        }
        self.next_data = (self.next_data + self.shape.manager_blocks) % self.shape.data;
        let map_at = self.object_map();
        let mut object_map = object(block, map_at, 1, PHYSICAL | 0xB);
        seal(&mut object_map);
        self.write(map_at, &object_map);
        self.commit_descriptors(transaction, &mut places);
        self.checkpoints.push(places);
    }

    fn manager(&self, transaction: u64, free: u64, places: &Places) -> Vec<u8> {
        let (chunks, infos, tables) = self.counts();
        let shape = &self.shape;
        let mut manager = object(shape.block * shape.manager_blocks, 1024, transaction, EPHEMERAL | 5);
        let layout = [shape.block, self.chunk_blocks(), self.per_info(), self.per_table()];
        layout.iter().enumerate().for_each(|(n, value)| put(&mut manager, 32 + 4 * n, *value, 4));
        put(&mut manager, 48, shape.blocks, 8);
        put(&mut manager, 56, chunks, 8);
        put(&mut manager, 64, infos, 4);
        put(&mut manager, 68, tables, 4);
        put(&mut manager, 72, free, 8);
        // The list stands at the object's end, where nothing but its offset leads to it.
        let list = if tables > 0 { &places.tables } else { &places.infos };
        let at = manager.len() - 8 * list.len();
        put(&mut manager, 80, at as u64, 4);
        list.iter().enumerate().for_each(|(n, block)| put(&mut manager, at + 8 * n, *block, 8));
        put(&mut manager, 148, 16, 4);
        put(&mut manager, 152, self.pool().1, 8);
        put(&mut manager, 160, 1, 4);
        put(&mut manager, 164, POOL_MARKS, 4);
        put(&mut manager, 168, self.pool().0 - POOL_MARKS, 8);
        put(&mut manager, 176, self.pool().0, 8);
        seal(&mut manager);
        manager
    }

    fn commit_descriptors(&mut self, transaction: u64, places: &mut Places) {
        let shape = self.shape.clone();
        let from = self.next_descriptor;
        let at = |n: u64| 1 + (from + n) % shape.descriptors;
        places.maps = (0..shape.maps).map(at).collect();
        places.superblock = at(shape.maps);
        for (number, place) in places.maps.clone().into_iter().enumerate() {
            let is_last = number + 1 == places.maps.len();
            let mut map = object(shape.block, place, transaction, PHYSICAL | 0xC);
            put(&mut map, 32, is_last.into(), 4);
            put(&mut map, 36, 1, 4);
            // The space manager stands in the last; another object in those before.
            let (kind, id) = if is_last { (5, 1024) } else { (0x11, 1025) };
            put(&mut map, 40, (EPHEMERAL | kind).into(), 4);
            put(&mut map, 48, shape.block * shape.manager_blocks, 4);
            put(&mut map, 64, id, 8);
            put(&mut map, 72, places.manager[0], 8);
            seal(&mut map);
            self.write(place, &map);
        }
        self.next_descriptor = (from + shape.maps + 1) % shape.descriptors;
        let superblock = self.superblock(transaction, from, places);
        self.write(places.superblock, &superblock);
        self.write(0, &superblock);
    }

    fn superblock(&self, transaction: u64, from: u64, places: &Places) -> Vec<u8> {
        let shape = &self.shape;
        let mut superblock = object(shape.block, 1, transaction, EPHEMERAL | 1);
        superblock[32..36].copy_from_slice(b"NXSB");
        put(&mut superblock, 36, shape.block, 4);
        put(&mut superblock, 40, shape.blocks, 8);
        put(&mut superblock, 0x40, 2, 8);
        superblock[0x48..0x58].copy_from_slice(b"fernhollow-built");
        put(&mut superblock, 0x60, transaction + 1, 8);
        put(&mut superblock, 0x68, shape.descriptors, 4);
        put(&mut superblock, 0x6C, shape.data, 4);
        put(&mut superblock, 0x70, 1, 8);
        put(&mut superblock, 0x78, self.data_first(), 8);
        put(&mut superblock, 0x80, self.next_descriptor, 4);
        put(&mut superblock, 0x84, self.next_data, 4);
        put(&mut superblock, 0x88, from, 4);
        put(&mut superblock, 0x8C, shape.maps + 1, 4);
        put(&mut superblock, 0x90, places.manager[0] - self.data_first(), 4);
        put(&mut superblock, 0x94, shape.manager_blocks, 4);
        put(&mut superblock, 0x98, 1024, 8);
        put(&mut superblock, 0xA0, self.object_map(), 8);
        put(&mut superblock, 0xB4, 1, 4);
        seal(&mut superblock);
        superblock
    }
}
