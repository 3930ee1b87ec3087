//! What a search costs on a drive of 4 TB, in requests and bytes, and that it finds what is there. The drive is a map of
//! a few pieces; the volumes are real ones whose boot sectors are made to say that they are large.

use crate::common::fixture;
use crate::partition::building::{Image, MIB};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::partition::search::THOROUGH;
use gleaner::partition::{AreaKind, DriveLayout, Scheme, read_layout};
use gleaner::source::{MemorySource, ReadError, ReadTotals, Reader, Source, SourceIdentity};
use std::collections::BTreeMap;
use std::io;

const DRIVE: u64 = 4_000_787_030_016;
const MIB64: u64 = 1 << 20;

/// A drive of zeros with a few pieces in it, which may not answer at all.
struct Sparse {
    identity: SourceIdentity,
    pieces: BTreeMap<u64, Vec<u8>>,
    answers: bool,
}

impl Source for Sparse {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        if !self.answers {
            return Err(ReadError::Unreadable(io::Error::other("silent")));
        }
        buffer.fill(0);
        let end = start.0 + buffer.len() as u64;
        for (at, piece) in self.pieces.range(..end) {
            let (from, to) = ((*at).max(start.0), (at + piece.len() as u64).min(end));
            if from < to {
                let place = |offset: u64| usize::try_from(offset).unwrap();
                buffer[place(from - start.0)..place(to - start.0)]
                    .copy_from_slice(&piece[place(from - at)..place(to - at)]);
            }
        }
        Ok(())
    }
}

fn search(pieces: Vec<(u64, Vec<u8>)>, answers: bool, physical: SectorSize) -> (DriveLayout, ReadTotals) {
    let identity = MemorySource::new(Vec::new(), SectorSize::S512).identity().clone();
    let identity = SourceIdentity { bytes: DRIVE, physical_sector: physical, ..identity };
    let reader = Reader::new(Box::new(Sparse { identity, pieces: pieces.into_iter().collect(), answers }), None);
    let layout = read_layout(&reader).unwrap();
    let totals = reader.totals();
    println!("{} requests ({} failed), {} bytes", totals.requests, totals.failed_requests, totals.bytes);
    (layout, totals)
}

/// An NTFS volume of `bytes` bytes at `start`: a small one whose boot sectors say so (Linux fs/ntfs/layout.h: the number
/// of sectors at byte 0x28, the copy behind the last).
fn large(start: u64, bytes: u64) -> Vec<(u64, Vec<u8>)> {
    let mut volume = fixture("ntfs-cluster-8k");
    let copy = volume.len() - 512;
    volume[0x28..0x30].copy_from_slice(&(bytes / 512 - 1).to_le_bytes());
    let boot = volume[..512].to_vec();
    volume.truncate(copy);
    vec![(start, volume), (start + bytes - 512, boot)]
}

fn found(layout: &DriveLayout) -> Vec<(u64, u64)> {
    let found = layout.areas.iter().filter(|a| matches!(a.kind, AreaKind::Found(_)));
    found.map(|a| (a.extent.start.0, a.extent.bytes)).collect()
}

#[test]
fn a_large_drive_without_a_table_is_searched_in_some_hundred_requests() {
    let boot = fixture("fat32-clusters-512");
    let boot_bytes = boot.len() as u64;
    // As a Windows installation divides a drive: a boot partition, a reserved one of 16 MiB without contents, the system, a
    // small one at its end, and a volume for the rest (common practice, no source).
    let system = (MIB64 + boot_bytes + 16 * MIB64, 931 * 1024 * MIB64);
    let small = (system.0 + system.1, 550 * MIB64);
    let rest = (small.0 + small.1, (DRIVE - MIB64 - small.0 - small.1) / MIB64 * MIB64);
    let mut pieces = vec![(MIB64, boot)];
    for (start, bytes) in [system, small, rest] {
        pieces.extend(large(start, bytes));
    }
    let (layout, totals) = search(pieces.clone(), true, SectorSize::S4096);
    assert_eq!(layout.scheme, Scheme::Searched);
    assert_eq!(found(&layout), [(MIB64, boot_bytes), system, small, rest]);
    assert!(totals.requests <= 1000 && totals.bytes <= 8 << 20, "{totals:?}");

    // The same with the system's boot sector lost as well: its end is known by what begins there.
    for (at, piece) in &mut pieces {
        if *at == system.0 {
            piece[..512].fill(0);
        }
    }
    let (layout, _) = search(pieces, true, SectorSize::S4096);
    assert_eq!(found(&layout), [(MIB64, boot_bytes), system, small, rest]);
}

#[test]
fn a_blank_and_a_silent_large_drive_cost_no_more_than_is_stated() {
    let (layout, totals) = search(Vec::new(), true, SectorSize::S4096);
    assert_eq!(layout.scheme, Scheme::Unrecognised);
    assert!(totals.requests <= THOROUGH.reads && totals.bytes <= THOROUGH.bytes, "{totals:?}");
    for (physical, most) in [(SectorSize::S512, 140), (SectorSize::S4096, 60)] {
        let (layout, totals) = search(Vec::new(), false, physical);
        assert_eq!(layout.scheme, Scheme::Unrecognised);
        assert!(totals.failed_requests <= most, "{totals:?}");
    }
}

#[test]
fn a_drive_full_of_what_looks_like_links_ends_the_search_in_time() {
    // Every sector at which a volume might start is a link that points on; hostile, and cheap to make.
    let mut link = Image::blank(512, 512);
    for index in 0..4 {
        link.entry(0, index, 0, 0x07, 2048 + 3 * u32::try_from(index).unwrap(), 5);
    }
    let pieces = (1..3000).map(|n| (n * MIB as u64, link.bytes.clone())).collect();
    let (layout, totals) = search(pieces, true, SectorSize::S512);
    assert_eq!(found(&layout), []);
    assert!(totals.requests <= 2 * THOROUGH.reads, "{totals:?}");
}
