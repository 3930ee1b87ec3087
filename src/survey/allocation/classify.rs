//! One class for every byte of the drive.

use super::class::{Class, ClassMap, ClassRun};
use super::doubt::doubtful;
use super::drive::{DriveArea, DriveMap};
use super::leading::leading;
use super::patterns::pattern::Patterns;
use super::two_maps::extents_of;
use crate::base::extent::{Extent, ExtentSet};
use crate::filesystem::{Content, FixedKind, FsKind, Node, Purpose, Role, Stream, VolumeMap};
use serde::{Deserialize, Serialize};
use std::cmp::Reverse;
use std::collections::BinaryHeap;

/// What the user chose.
#[derive(Default)]
pub struct Choices {
    /// Folders and files wanted first, in their order.
    pub wanted: Patterns,
    /// Files that are rarely worth the time.
    pub bulk: Patterns,
    /// Which of the other files come first.
    pub prefer: Prefer,
}

/// Which files come first within class `files`.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Prefer {
    /// None: one sweep over all, which gives the most bytes for the time.
    #[default]
    Bytes,
    /// Files of up to 1 MiB in a first sweep, those above 64 MiB in a last.
    Files,
}

/// Where [`Prefer::Files`] cuts, in bytes that a file occupies: one of up to the first comes in lane 0, of up to the second
/// in lane 1, any other in lane 2.
pub const SIZE_BANDS: [u64; 2] = [1 << 20, 64 << 20];

/// The lane of clusters that the file system marks as bad: read after everything else of their class.
pub const LANE_KNOWN_BAD: u16 = 1;

/// The lane of what lies behind a file's valid data: read after everything else of its class.
pub const LANE_BEHIND_VALID: u16 = u16::MAX;

/// Gives every byte of the drive its class. Where claims meet, the class that comes first wins.
pub fn classify(drive: &DriveMap, choices: &Choices) -> ClassMap {
    let mut claims =
        Claims { list: Vec::new(), drive: drive.identity.extent(), sector: drive.identity.logical_sector.bytes() };
    let everywhere = Place { class: Class::Outside, lane: 0, area: ClassRun::NO_AREA };
    claims.add(drive.identity.extent(), everywhere);
    for extent in drive.layout.table_extents.extents() {
        claims.add(*extent, Place { class: Class::Tables, ..everywhere });
    }
    for extent in drive.unread.extents() {
        // Where a volume is lost because its structure did not answer, that structure is still what to try first.
        claims.add(*extent, Place { class: Class::Structure, ..everywhere });
    }
    for (index, area) in drive.areas.iter().enumerate() {
        let place = |class| Place { class, lane: 0, area: u32::try_from(index).expect("fewer than 2^32 areas") };
        match &area.content {
            None => claims.add(area.area.extent, place(Class::Outside)),
            Some(content @ (Content::Mapped(_) | Content::Opaque { .. })) => {
                claims.add_unlisted(content, area.area.extent, place);
                // Key material and members' descriptions: all the rest depends on them.
                content.first().iter().for_each(|extent| claims.add(*extent, place(Class::Structure)));
                // What it was recognised by tells this drive from others, as a boot sector does.
                if let Some(found) = content.recognised() {
                    claims.add(found.evidence.place, place(Class::Tables));
                }
            }
            Some(Content::Volume(volume)) => {
                claims.add(area.area.extent, place(Class::Free));
                if let Some(encryption) = &volume.encryption {
                    claims.add(encryption.boot, place(Class::Tables));
                    let structure = encryption.structure.extents().iter();
                    structure.for_each(|extent| claims.add(*extent, place(Class::Structure)));
                }
                claims.add_volume(volume, choices, place);
            }
        }
    }
    claims.resolve()
}

/// All places of class `tables`, without a class for anything else: what tells this drive from others. Reaches out to whole
/// sectors, as the class map does.
pub fn tables(drive: &DriveMap) -> ExtentSet {
    let of_area = |area: &DriveArea| -> Vec<Extent> {
        match &area.content {
            None => Vec::new(),
            Some(content @ (Content::Mapped(_) | Content::Opaque { .. })) => {
                content.recognised().map(|found| found.evidence.place).into_iter().collect()
            }
            Some(Content::Volume(volume)) => {
                let encryption = volume.encryption.as_ref().map(|encryption| encryption.boot);
                let boot = volume.fixed.iter().filter(|(_, kind)| *kind == FixedKind::Boot).map(|(extent, _)| *extent);
                let nodes = volume.catalog.nodes().filter(|node| node.purpose() == Purpose::Boot && !node.is_deleted());
                let runs = nodes.flat_map(|node| node.streams()).flat_map(|stream| stream.runs());
                let places = boot.chain(runs.filter_map(|run| volume.geometry.extent(run)));
                encryption.into_iter().chain(places.flat_map(|place| volume.on_drive(place))).collect()
            }
        }
    };
    let everywhere = drive.identity.extent();
    let places = drive.layout.table_extents.extents().iter().copied().chain(drive.areas.iter().flat_map(of_area));
    let sectors = places.map(|place| place.aligned_to(drive.identity.logical_sector.bytes()));
    sectors.filter_map(|place| place.intersection(&everywhere)).collect()
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Place {
    class: Class,
    lane: u16,
    area: u32,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Claim {
    extent: Extent,
    place: Place,
}

struct Claims {
    list: Vec<Claim>,
    drive: Extent,
    sector: u64,
}

impl Claims {
    /// A claim reaches out to whole sectors, since less cannot be read, and ends where the drive ends.
    fn add(&mut self, extent: Extent, place: Place) {
        if let Some(extent) = extent.aligned_to(self.sector).intersection(&self.drive) {
            self.list.push(Claim { extent, place });
        }
    }

    /// What is not read file by file: in use as its allocation map says, or else all of it.
    fn add_unlisted(&mut self, content: &Content, extent: Extent, place: impl Fn(Class) -> Place) {
        let Content::Mapped(map) = content else { return self.add(extent, place(Class::Unclaimed)) };
        self.add(extent, place(Class::Free));
        for used in map.in_use() {
            self.add(used, place(Class::Unclaimed));
        }
        for extent in map.structure.extents() {
            self.add(*extent, place(Class::Structure));
        }
    }

    fn add_volume(&mut self, volume: &VolumeMap, choices: &Choices, place: impl Fn(Class) -> Place) {
        for (extent, kind) in &volume.fixed {
            let class = match kind {
                FixedKind::Boot => Class::Tables,
                FixedKind::Metadata => Class::Structure,
            };
            volume.on_drive(*extent).for_each(|extent| self.add(extent, place(class)));
        }
        let map = &volume.allocation;
        for extent in extents_of(volume, &map.allocated.without(&map.bad)) {
            self.add(extent, place(Class::Unclaimed));
        }
        if volume.catalog_incomplete {
            // Neither map knows these clusters: the plan widens, never narrows.
            for extent in extents_of(volume, &map.unknown) {
                self.add(extent, place(Class::Unclaimed));
            }
        }
        for extent in extents_of(volume, &doubtful(volume)) {
            self.add(extent, place(Class::Unclaimed));
        }
        for extent in extents_of(volume, &map.bad) {
            self.add(extent, Place { lane: LANE_KNOWN_BAD, ..place(Class::Unclaimed) });
        }
        let wanted = choices.wanted.choose(&volume.catalog);
        let leading = leading(&volume.catalog, &wanted);
        let bulk = choices.bulk.choose(&volume.catalog);
        for node in volume.catalog.nodes().filter(|node| node.purpose() != Purpose::BadClusters) {
            let need = Need {
                wanted: leading[node.id().0 as usize],
                is_bulk: bulk.lane(node.id()).is_some(),
                folders_tell: folders_tell(volume),
            };
            let band = if choices.prefer == Prefer::Files { size_band(volume, &node) } else { 0 };
            for stream in node.streams() {
                let class = need.class_of(&node, &stream);
                let lane = match class {
                    Class::Wanted => need.wanted.unwrap_or(0),
                    Class::Files => band,
                    _ => 0,
                };
                let behind = behind_valid(volume, &stream, class);
                for (run, is_valid) in stream.runs_cut_at_valid(volume.geometry.cluster_bytes) {
                    let Some(extent) = volume.geometry.extent(run) else { continue };
                    let place = if is_valid { Place { lane, ..place(class) } } else { place_of(behind, &place) };
                    volume.on_drive(extent).for_each(|extent| self.add(extent, place));
                }
            }
        }
    }

    /// Sweeps over the drive with the open claims in a heap, the winning one on top.
    fn resolve(mut self) -> ClassMap {
        // Among claims with one start the heap decides. Files mostly lie in the order of their records, so the list comes in long
        // ascending ranges, which this sort merges.
        self.list.sort_by_key(|claim| claim.extent.start);
        let mut open: BinaryHeap<Reverse<(Place, u64)>> = BinaryHeap::new();
        let mut next = self.list.iter().peekable();
        let mut at = self.drive.start.0;
        let drive_end = self.drive.end();
        ClassMap::from_runs(std::iter::from_fn(move || {
            if at >= drive_end {
                return None;
            }
            while let Some(claim) = next.next_if(|claim| claim.extent.start.0 <= at) {
                open.push(Reverse((claim.place, claim.extent.end())));
            }
            while open.peek().is_some_and(|Reverse((_, end))| *end <= at) {
                open.pop();
            }
            let Reverse((place, end)) = open.peek().copied().expect("the claim on the whole drive stays open");
            // Only a claim that beats the one on top can end its rule before its end.
            while let Some(claim) = next.next_if(|c| c.extent.start.0 < end && c.place >= place) {
                if claim.extent.end() > end {
                    open.push(Reverse((claim.place, claim.extent.end())));
                }
            }
            let until = next.peek().map_or(end, |claim| claim.extent.start.0.min(end));
            let run =
                ClassRun { extent: Extent::between(at, until), class: place.class, lane: place.lane, area: place.area };
            at = until;
            Some(run)
        }))
    }
}

/// The lane of a file by the bytes that all its streams occupy.
fn size_band(volume: &VolumeMap, node: &Node<'_>) -> u16 {
    let extents = node.streams().flat_map(|stream| stream.runs().filter_map(|run| volume.geometry.extent(run)));
    let bytes = extents.map(|extent| extent.bytes).fold(0, u64::saturating_add);
    u16::try_from(SIZE_BANDS.iter().filter(|limit| bytes > **limit).count()).expect("three bands")
}

/// Whether a volume's folders tell where files are, or that there are any: on FAT and exFAT nothing else does, on NTFS they
/// name files whose records cannot be read.
fn folders_tell(volume: &VolumeMap) -> bool {
    volume.kind != FsKind::Ntfs || volume.catalog_incomplete
}

/// What a node's clusters are needed for.
struct Need {
    /// The first pattern that chose it, or something below it.
    wanted: Option<u16>,
    is_bulk: bool,
    /// See [`folders_tell`].
    folders_tell: bool,
}

impl Need {
    /// The class of a stream's clusters.
    fn class_of(&self, node: &Node<'_>, stream: &Stream<'_>) -> Class {
        if node.is_deleted() {
            return Class::Deleted;
        }
        let serves_the_map =
            matches!(stream.role(), Role::FolderIndex | Role::IndexBitmap | Role::AttributeList | Role::Security);
        match node.purpose() {
            Purpose::Boot => Class::Tables,
            Purpose::Structure if self.is_bulk => Class::Bulk,
            Purpose::Structure => Class::Structure,
            _ if serves_the_map && self.folders_tell => Class::Structure,
            // Content, what belongs to it (extended attributes, reparse data, encryption keys), and what a driver opens it by.
            _ if self.wanted.is_some() => Class::Wanted,
            _ if self.is_bulk => Class::Bulk,
            _ => Class::Files,
        }
    }
}

/// The class and lane of what lies behind a file's valid data. No driver returns it. But the valid length of a volume that was
/// not closed may lag behind the data, and a length of nothing is odd: then it comes at the end of the file's own class.
fn behind_valid(volume: &VolumeMap, stream: &Stream<'_>, class: Class) -> (Class, u16) {
    let may_lag = volume.state.dirty != Some(false) || stream.size().min(stream.valid()) == 0;
    match class {
        Class::Wanted | Class::Files | Class::Bulk if may_lag => (class, LANE_BEHIND_VALID),
        Class::Wanted | Class::Files | Class::Bulk => (Class::Unclaimed, 0),
        other => (other, 0),
    }
}

fn place_of((class, lane): (Class, u16), place: &impl Fn(Class) -> Place) -> Place {
    Place { lane, ..place(class) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// The sweep against the plain rule, byte by byte.
        #[test]
        fn the_first_class_wins_everywhere(list in prop::collection::vec((0u64..100, 1u64..40, 0usize..9, 0u16..3), 0..30)) {
            let drive = Extent::between(0, 128);
            let base = Place { class: Class::Outside, lane: 9, area: 0 };
            let mut claims = Claims { list: Vec::new(), drive, sector: 1 };
            claims.add(drive, base);
            let mut plain = [base; 128];
            for (start, bytes, class, lane) in list {
                let place = Place { class: Class::ALL[class], lane, area: 0 };
                claims.add(Extent::between(start, start + bytes), place);
                for at in start..(start + bytes).min(128) {
                    let slot = &mut plain[usize::try_from(at).unwrap()];
                    *slot = (*slot).min(place);
                }
            }
            let map = claims.resolve();
            prop_assert_eq!(map.runs().first().unwrap().extent.start.0, 0);
            prop_assert_eq!(map.runs().last().unwrap().extent.end(), 128);
            for run in map.runs() {
                for at in run.extent.start.0..run.extent.end() {
                    let slot = plain[usize::try_from(at).unwrap()];
                    prop_assert_eq!((run.class, run.lane), (slot.class, slot.lane));
                }
            }
        }
    }
}
