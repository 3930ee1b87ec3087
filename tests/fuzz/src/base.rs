//! A sound volume or drive from `testdata`, kept without its zeros.

use gleaner::survey::allocation::read_drive;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::source::Reader;
use gleaner::base::units::SectorSize;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::PathBuf;
use std::sync::Arc;

/// Bytes in a block of the base that is kept or, when all zero, not.
pub const BLOCK: usize = 4096;

fn unpacked(name: &str) -> impl Read {
    let path: PathBuf = [env!("CARGO_MANIFEST_DIR"), "../../testdata", &format!("{name}.img.zst")].iter().collect();
    let file = File::open(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    ruzstd::decoding::StreamingDecoder::new(BufReader::new(file)).expect("a zstd frame")
}

/// The bytes, and where its structure lies.
pub struct Base {
    /// Size in bytes.
    pub bytes: u64,
    /// What it is addressed in.
    pub sector: SectorSize,
    blocks: BTreeMap<u64, Box<[u8; BLOCK]>>,
    /// Tables and boot sectors with their copies first, then the rest of what a survey of the sound drive reads.
    structure: Vec<Extent>,
}

impl Base {
    /// The image `testdata/NAME.img.zst`.
    ///
    /// # Panics
    /// When it is not there or damaged.
    pub fn fixture(name: &str, sector: SectorSize) -> Arc<Base> {
        Base::of(unpacked(name), sector)
    }

    /// The bytes of that image.
    ///
    /// # Panics
    /// As [`Base::fixture`].
    pub fn fixture_bytes(name: &str) -> Vec<u8> {
        let mut bytes = Vec::new();
        unpacked(name).read_to_end(&mut bytes).expect("a sound zstd frame");
        bytes
    }

    /// A drive of zeros.
    pub fn zeros(bytes: u64, sector: SectorSize) -> Arc<Base> {
        Base { bytes, sector, blocks: BTreeMap::new(), structure: vec![Extent::between(0, bytes)] }.into()
    }

    /// The bytes that `input` gives.
    ///
    /// # Panics
    /// When it cannot be read.
    pub fn of(mut input: impl Read, sector: SectorSize) -> Arc<Base> {
        let mut base = Base { bytes: 0, sector, blocks: BTreeMap::new(), structure: Vec::new() };
        loop {
            let mut block = Box::new([0; BLOCK]);
            let mut filled = 0;
            while filled < BLOCK {
                match input.read(&mut block[filled..]).expect("a sound zstd frame") {
                    0 => break,
                    more => filled += more,
                }
            }
            if block.iter().any(|byte| *byte != 0) {
                base.blocks.insert(base.bytes / BLOCK as u64, block);
            }
            base.bytes += filled as u64;
            if filled < BLOCK {
                break;
            }
        }
        let base = Arc::new(base);
        let structure = base.find_structure();
        let mut base = Arc::into_inner(base).expect("the survey is over");
        base.structure = structure;
        base.into()
    }

    fn find_structure(self: &Arc<Base>) -> Vec<Extent> {
        let reader = Reader::new(Box::new(crate::patched::Patched::sound(self)), None);
        let map = read_drive(&reader).expect("memory does not vanish");
        let mut first: Vec<Extent> = map.layout.table_extents.extents().to_vec();
        for (_, volume) in map.volumes() {
            first
                .extend(volume.fixed.iter().map(|(extent, _)| Extent { bytes: extent.bytes.min(64 << 10), ..*extent }));
        }
        let taken: ExtentSet = first.iter().copied().collect();
        let rest: Vec<Extent> =
            reader.asked().extents().iter().flat_map(|extent| taken.missing_from(*extent)).collect();
        taken.extents().iter().copied().chain(rest).collect()
    }

    /// Fills `buffer` from byte `at`, which must lie in the base with all that follows.
    pub fn read(&self, at: u64, buffer: &mut [u8]) {
        buffer.fill(0);
        let end = at + buffer.len() as u64;
        for (number, block) in self.blocks.range(at / BLOCK as u64..end.div_ceil(BLOCK as u64)) {
            let start = number * BLOCK as u64;
            let (from, to) = (at.max(start), end.min(start + BLOCK as u64));
            let part = &block[(from - start) as usize..(to - start) as usize];
            buffer[(from - at) as usize..][..part.len()].copy_from_slice(part);
        }
    }

    /// The place of the drive that is number `index` of the structure's bytes, counted round and round.
    pub fn place(&self, index: u64) -> u64 {
        let all: u64 = self.structure.iter().map(|e| e.bytes).sum();
        let mut left = index % all.max(1);
        for extent in &self.structure {
            if left < extent.bytes {
                return extent.start.0 + left;
            }
            left -= extent.bytes;
        }
        0
    }
}
