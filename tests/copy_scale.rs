//! Copying by a plan of the size of large, fragmented drives: memory. Alone in its program, because the peak of memory is
//! the whole process's.

#[path = "support/class_maps.rs"]
mod class_maps;

use class_maps::{SECTOR, source, volumes};
use gleaner::base::extent::Extent;
use gleaner::base::finding::Findings;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::copy::reading::{Controls, CopyOptions, CopyOutcome, End, Event, StopAfter, copy};
use gleaner::plan::{BridgeRule, PlanRequest, Scope, Sweeps, build, load_plan, write_plan};
use gleaner::source::{CopyStore, RangeMark, ReadError, Reader, Source, SourceIdentity, SourceKind};
use gleaner::survey::allocation::{Class, ClassMap, ClassRun};
use std::io::{self, BufWriter, Write};
use std::path::Path;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Instant;

/// Resident memory in MiB: now, and the peak since [`reset_peak`]. From proc(5).
fn memory() -> (u64, u64) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let field = |name: &str| {
        let line = status.lines().find(|line| line.starts_with(name)).unwrap();
        line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1024
    };
    (field("VmRSS:"), field("VmHWM:"))
}

fn reset_peak() -> u64 {
    std::fs::write("/proc/self/clear_refs", "5").unwrap();
    memory().0
}

/// A drive of nothing but zeros, of any size.
struct Zeros(SourceIdentity);

impl Source for Zeros {
    fn identity(&self) -> &SourceIdentity {
        &self.0
    }

    fn read_at(&self, _: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        buffer.fill(0);
        Ok(())
    }
}

/// Counts, and forgets: the ranges of a real store are not the copy's memory.
#[derive(Default)]
struct Counting {
    kept: AtomicU64,
    skipped: AtomicU64,
}

impl CopyStore for Counting {
    fn held(&self, _: Extent) -> Vec<Extent> {
        Vec::new()
    }

    fn skipped(&self, _: Extent) -> Vec<Extent> {
        Vec::new()
    }

    fn unreadable(&self, _: Extent) -> Vec<Extent> {
        Vec::new()
    }

    fn load(&self, _: Extent, _: &mut [u8]) -> io::Result<()> {
        unreachable!("copying never reads back")
    }

    fn keep(&self, extent: Extent, _: &[u8]) -> io::Result<()> {
        self.kept.fetch_add(extent.bytes, Ordering::Relaxed);
        Ok(())
    }

    fn mark(&self, mark: RangeMark) -> io::Result<()> {
        if let RangeMark::Skipped { extent, .. } = mark {
            self.skipped.fetch_add(extent.bytes, Ordering::Relaxed);
        }
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        Ok(())
    }
}

/// Writes the plan of a drive whose every other stretch of `stretch` bytes is planned; gives the drive's size.
fn fragmented(path: &Path, extents: u64, stretch: u64, bridge: BridgeRule) -> u64 {
    let map = ClassMap::from_runs((0..2 * extents).map(|n| {
        let class = [Class::Free, Class::Files, Class::Free, Class::Unclaimed][usize::try_from(n % 4).unwrap()];
        ClassRun { extent: Extent::new(n * stretch, stretch).unwrap(), class, lane: 0, area: 0 }
    }));
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = bridge;
    let size = class_maps::size(&map);
    let plan = build(&Sweeps::new(&map), &request, source(size), volumes(), &Findings::new()).unwrap();
    let mut out = BufWriter::new(std::fs::File::create_new(path).unwrap());
    write_plan(&plan, &mut out).unwrap();
    out.flush().unwrap();
    size
}

fn zeros(bytes: u64) -> Reader {
    let identity = SourceIdentity {
        path: "zeros".into(),
        kind: SourceKind::ImageFile,
        bytes,
        logical_sector: SectorSize::S512,
        physical_sector: SectorSize::S4096,
        model: None,
        serial: None,
        details: Default::default(),
    };
    Reader::new(Box::new(Zeros(identity)), None)
}

/// Copies and gives the outcome with the memory it took, in MiB.
fn measured(plan: &Path, size: u64, options: &CopyOptions) -> (CopyOutcome, u64) {
    let (reader, store, stop) = (zeros(size), Counting::default(), AtomicBool::new(false));
    let before = reset_peak();
    let began = Instant::now();
    let controls = Controls { stop: &stop, thermometer: None, request_log: None, events: &mut |_: &Event| {} };
    let outcome = copy(&load_plan(plan).unwrap(), &reader, &store, options, controls).unwrap();
    let took = memory().1.saturating_sub(before);
    println!(
        "{} requests, {} MiB arrived in {:.1?}, {took} MiB of memory",
        outcome.requests,
        outcome.arrived_bytes >> 20,
        began.elapsed()
    );
    assert_eq!(store.kept.load(Ordering::Relaxed), outcome.arrived_bytes);
    (outcome, took)
}

// Required: "memory under 64 MiB whatever the drive's size". One test, so that nothing else runs beside it.
#[test]
fn memory_grows_with_the_plan_by_its_own_bytes_alone() {
    let folder = tempfile::tempdir().unwrap();
    // A million extents of a sector each: the plan has 16 bytes for each (and grows by doubling), nothing else has any.
    let path = folder.path().join("many");
    let size = fragmented(&path, 1_000_000, SECTOR, BridgeRule::OFF);
    let (outcome, took) = measured(&path, size, &CopyOptions::default());
    assert_eq!((outcome.end, outcome.requests), (End::Complete, 1_000_000));
    assert!(took <= 3 * 16 + 8, "{took} MiB for a million extents");

    // The same as two million gaps in one extent.
    let path = folder.path().join("bridged");
    let size = fragmented(&path, 1_000_000, SECTOR, BridgeRule::fixed(4 * SECTOR));
    let (outcome, took) = measured(&path, size, &CopyOptions::default());
    assert_eq!(outcome.end, End::Complete);
    assert!(took <= 3 * 16 + 16 + 8, "{took} MiB for a million gaps; the buffers are 16");

    // Large extents on a drive of 7 PB, for a while: all buffers are in use, and nothing depends on the drive's size.
    let path = folder.path().join("large");
    let size = fragmented(&path, 50_000, 70 << 30, BridgeRule::OFF);
    let stop_after = StopAfter { bytes: Some(8 << 30), ..StopAfter::default() };
    let (outcome, took) = measured(&path, size, &CopyOptions { stop_after, ..CopyOptions::default() });
    // On a busy machine a read can be slow, and requests behind it are not whole.
    assert!((8 << 30..(8 << 30) + (1 << 20)).contains(&outcome.arrived_bytes));
    assert!(took <= 16 + 8, "{took} MiB on a drive of 7 PB; the buffers are 16");
}
