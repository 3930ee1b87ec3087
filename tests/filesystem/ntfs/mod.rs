//! NTFS volumes made by an independent formatter and driver, read and compared with what independent parsers say of
//! them (`testdata/README.md`); then the same volumes damaged.

use crate::common;

mod agreement;
mod damage;
mod inferred;
mod properties;
mod windows;

use gleaner::base::extent::Extent;
use gleaner::base::finding::{Code, Findings};
use gleaner::base::units::SectorSize;
use gleaner::filesystem::{VolumeMap, VolumeOutcome, ntfs};
use gleaner::source::{MemorySource, ReadTotals, Reader, Source, Window};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

/// All fixtures that are one NTFS volume.
const VOLUMES: [&str; 9] = [
    "ntfs-rich",
    "ntfs-mft-list",
    "ntfs-cluster-512",
    "ntfs-cluster-1k",
    "ntfs-cluster-8k",
    "ntfs-cluster-64k",
    "ntfs-cluster-2m",
    "ntfs-sector-4096",
    "ntfs-sector-4096-cluster-64k",
];

/// The image of a fixture. Most tests need the same few, which take longer to decompress than to read.
fn fixture(name: &'static str) -> Vec<u8> {
    static IMAGES: Mutex<BTreeMap<&str, Arc<Vec<u8>>>> = Mutex::new(BTreeMap::new());
    let mut images = IMAGES.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    images.entry(name).or_insert_with(|| Arc::new(common::fixture(name))).to_vec()
}

/// What reading gave, and what was asked of the source for it.
struct Outcome {
    volume: VolumeOutcome,
    totals: ReadTotals,
}

impl Outcome {
    fn map(&self) -> &VolumeMap {
        self.volume.as_ref().unwrap_or_else(|findings| panic!("not understood: {:?}", findings.kept()))
    }

    fn findings(&self) -> &Findings {
        match &self.volume {
            Ok(map) => &map.findings,
            Err(findings) => findings,
        }
    }

    /// The kinds of findings, each once, in order.
    fn kinds(&self) -> Vec<&'static str> {
        let mut kinds: Vec<_> = self.findings().kept().iter().map(|f| f.code.id).collect();
        kinds.dedup();
        kinds
    }

    fn has(&self, code: &'static Code) -> bool {
        self.findings().count(code) > 0
    }
}

/// Reads a volume that fills a drive with places that cannot be read.
fn read_with(image: Vec<u8>, unreadable: &[Extent]) -> Outcome {
    let mut source = MemorySource::new(image, SectorSize::S512);
    for extent in unreadable {
        source = source.with_unreadable(*extent);
    }
    read_source(Box::new(source))
}

fn read_source(source: Box<dyn Source>) -> Outcome {
    let reader = Reader::new(source, None);
    let window = Window::new(&reader, reader.identity().extent());
    let volume = ntfs::read(&window).expect("memory does not vanish");
    Outcome { volume, totals: reader.totals() }
}

fn read(image: Vec<u8>) -> Outcome {
    read_with(image, &[])
}
