//! Counting wanted files at the size of large volumes: memory and time, against what a copy of them takes.

#[path = "support/common/mod.rs"]
mod common;

use common::fixture;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{Lcn, SectorSize};
use gleaner::filesystem::{
    CatalogBuilder, ClusterGeometry, Content, NodeKind, NodeSpec, Parent, Purpose, Role, StreamSpec,
};
use gleaner::results::audit::{Snapshot, WantedCounter};
use gleaner::source::{CopyStore, MemorySource, Reader};
use gleaner::survey::allocation::{DriveMap, Patterns, read_drive};
use std::io;
use std::time::{Duration, Instant};

/// Nothing is copied yet.
struct Empty;

impl CopyStore for Empty {
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
        unreachable!("nothing is held")
    }

    fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
        unreachable!("nothing is copied")
    }

    fn mark(&self, _: gleaner::source::RangeMark) -> io::Result<()> {
        unreachable!("nothing is copied")
    }

    fn commit(&self) -> io::Result<()> {
        unreachable!("nothing is copied")
    }
}

const CLUSTER: u64 = 4096;

/// A volume of so many files of 128 KiB, a thousand in a folder, every twentieth in nine fragments that lie far apart, every
/// tenth in its record. Gives the drive, and how many extents there are.
fn drive(files: u32) -> (DriveMap, u64) {
    let reader = Reader::new(Box::new(MemorySource::new(fixture("ntfs-cluster-512"), SectorSize::S512)), None);
    let mut drive = read_drive(&reader).unwrap();
    let node = |number, kind| NodeSpec { number, kind, purpose: Purpose::Client, deleted: false };
    let mut build = CatalogBuilder::with_capacity(files as usize);
    let root = build.add_node(node(5, NodeKind::Folder));
    let (mut folder, mut extents) = (root, 0);
    // Fragments take their places from behind the files.
    let (mut at, mut far) = (1000, u64::from(files) * 40);
    for number in 0..files {
        if number % 1000 == 0 {
            folder = build.add_node(node(100 + number, NodeKind::Folder));
            build.add_link(folder, Parent::Folder(root), &format!("plots {number}"));
            // Its index: far from the files, as it grew with them.
            build.add_stream(folder, &StreamSpec::plain(Role::FolderIndex, None, 30 * CLUSTER), [(Some(Lcn(far)), 30)]);
            (far, extents) = (far + 32, extents + 1);
        }
        let file = build.add_node(node(1_000_000 + number, NodeKind::File));
        build.add_link(file, Parent::Folder(folder), &format!("plot {number}.jpg"));
        let mut runs = Vec::new();
        match number % 20 {
            0 => {
                for _ in 0..9 {
                    runs.push((Some(Lcn(far)), 3));
                    far += 5;
                }
            }
            7 | 17 => {}
            _ => {
                runs.push((Some(Lcn(at)), 32));
                at += 32;
            }
        }
        let spec = StreamSpec::plain(Role::Data, None, runs.iter().map(|run| run.1 * CLUSTER).sum());
        extents += runs.len() as u64;
        build.add_stream(file, &StreamSpec { resident: runs.is_empty(), ..spec }, runs);
    }
    let Some(Content::Volume(volume)) = drive.areas.iter_mut().find_map(|area| area.content.as_mut()) else {
        panic!("the fixture is a volume")
    };
    volume.catalog = build.finish(root);
    volume.extent = Extent::between(0, far * CLUSTER + (1 << 30));
    volume.geometry =
        ClusterGeometry { cluster_bytes: CLUSTER, cluster_count: volume.extent.bytes / CLUSTER, ..volume.geometry };
    (drive, extents)
}

fn measure(files: u32) {
    let (drive, extents) = drive(files);
    let bytes = drive.volumes().next().unwrap().1.extent.bytes;
    let planned: ExtentSet = [Extent::between(0, bytes)].into_iter().collect();
    let wanted = Patterns::new(&["plots *"]).unwrap();
    let began = Instant::now();
    let mut counter = WantedCounter::new(&drive, &Snapshot::of(&Empty, bytes), &planned, &wanted);
    let made = began.elapsed();
    let memory = counter.memory();
    let began = Instant::now();
    let requests = bytes.div_ceil(1 << 20);
    for request in Extent::between(0, bytes).pieces(1 << 20) {
        counter.arrived(request);
    }
    let arriving = began.elapsed();
    let [count] = &counter.counts()[..] else { panic!("one pattern") };
    assert_eq!((count.files, count.safe), (u64::from(files), u64::from(files)));
    println!(
        "{files} files in {extents} extents: made in {made:.2?}, {memory} bytes ({:.1} a file), {requests} requests in {arriving:.2?}",
        memory as f64 / f64::from(files)
    );
    // At 150 MB a second, which few drives reach at their end.
    let copying = Duration::from_secs_f64(bytes as f64 / 150e6);
    assert!(made + arriving < copying / 50, "{made:?} and {arriving:?} of {copying:?}");
    let folders = u64::from(files).div_ceil(1000) + 1;
    assert!(
        memory as u64 <= 12 * u64::from(files) + 16 * extents + 64 * folders && memory as u64 <= 32 * u64::from(files)
    );
}

#[test]
fn counting_four_hundred_thousand_files_costs_little() {
    measure(400_000);
}

#[test]
#[ignore = "figures for the documents"]
fn counting_two_million_files_costs_little() {
    measure(2_000_000);
}
