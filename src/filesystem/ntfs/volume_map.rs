//! A volume whose $MFT was found: its records swept, both bitmaps judged, and the map made of them.

use super::bitmap::{self, BitmapPlace};
use super::findings::{VOLUME_CUT, VOLUME_RECORD};
use super::folder_index::named_only;
use super::mft::collect::{Collector, NO_NODE, VolumeRecord, system};
use super::mft::locate::MftTable;
use super::mft::reread::RecordPlaces;
use super::mft::table_bitmap::{self, Seen};
use super::mft::{assemble, sweep};
use super::volume::Volume;
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::{
    AllocationMap, Catalog, ClusterSet, FixedKind, FsKind, Node, NodeId, RecordCounts, Role, Stream, VolumeMap,
    VolumeState,
};
use crate::source::{SourceLost, Window};

/// The boot file's customary size, for when its record is lost: 16 sectors of 512 bytes (common practice, no source).
const BOOT_FILE_BYTES: u64 = 8192;

/// Reads the volume whose $MFT is `table`; `backup` is where the copy of its boot sector stands.
pub(super) fn read(
    volume: &Volume<'_>,
    mut table: MftTable,
    backup: Option<Extent>,
    mut findings: Findings,
) -> Result<VolumeMap, SourceLost> {
    let window = &volume.window;
    note_missing_end(volume, &mut findings);
    let mut records = Records::read(volume, &mut table, &mut findings)?;
    let state = state(&records.volume, window, &mut findings);
    let blank = records.check_blank(volume, &table, &mut findings)?;
    let resident = records.resident_bitmap.take();
    let bitmap = bitmap_place(records.stream(records.nodes.bitmap, Role::Data, None), resident);
    // Without the record of $Bitmap its own clusters are in neither map; and where one record is lost without a trace, so may others be.
    let incomplete = records.incomplete || table.partial || blank || matches!(bitmap, BitmapPlace::Lost);
    let marks = bitmap::read(volume, bitmap, &mut findings)?;
    let bad: ClusterSet =
        records.stream(records.nodes.bad, Role::Data, Some("$Bad")).into_iter().flat_map(|s| s.runs()).collect();
    let record_places = records.places(volume, &table);
    let Records { catalog, nodes, volume: volume_record, counts, in_use, .. } = records;
    let mut map = VolumeMap {
        kind: FsKind::Ntfs,
        extent: window.extent(),
        sector_bytes: volume.boot.sector_bytes,
        geometry: volume.geometry,
        record_bytes: Some(volume.boot.record_bytes),
        record_places: Some(record_places),
        records: Some(counts),
        serial: format!("{:016X}", volume.boot.serial),
        state,
        fixed: fixed_places(volume, nodes.boot.map(|id| catalog.node(id)), backup),
        allocation: AllocationMap { allocated: marks.allocated, bad, unknown: marks.unknown },
        facts: facts(volume, &table, &volume_record, &catalog, in_use),
        label: volume_record.label,
        catalog,
        catalog_incomplete: incomplete,
        findings,
        encryption: None,
    };
    let reader = window.reader();
    if let Some(store) = reader.store() {
        named_only::name_lost_folders(&mut map, &window.of_store(store), reader.stop());
    }
    Ok(map)
}

/// Notes a volume that ends beyond its partition or the drive.
fn note_missing_end(volume: &Volume<'_>, findings: &mut Findings) {
    let (window, said) = (&volume.window, volume.boot.volume_bytes());
    let held = window.extent().bytes;
    if said > held {
        let sentence = format!(
            "The boot sector gives the volume {said} bytes; its partition has {held} on this drive, {} fewer.",
            said - held
        );
        findings.push(Finding::at(&VOLUME_CUT, window.absolute(held), sentence));
    }
}

/// Nodes of the catalog that are the file system's own files.
struct SystemNodes {
    table: Option<NodeId>,
    bitmap: Option<NodeId>,
    boot: Option<NodeId>,
    bad: Option<NodeId>,
}

/// What all file records together said.
struct Records {
    catalog: Catalog,
    nodes: SystemNodes,
    volume: VolumeRecord,
    resident_bitmap: Option<Vec<u8>>,
    resident_table_bitmap: Option<Vec<u8>>,
    seen: Seen,
    counts: RecordCounts,
    in_use: u64,
    incomplete: bool,
}

impl Records {
    fn read(volume: &Volume<'_>, table: &mut MftTable, findings: &mut Findings) -> Result<Records, SourceLost> {
        let mut collector = Collector::new(volume.geometry, table.map.length / volume.boot.record_bytes);
        sweep::sweep(volume, table, &mut collector)?;
        let root = assemble::assemble(&mut collector);
        let node_of = |number: u32| {
            let slot = usize::try_from(number).ok().and_then(|at| collector.slots.get(at)).copied();
            slot.filter(|s| s.node != NO_NODE && !s.deleted).map(|s| NodeId(s.node))
        };
        let nodes = SystemNodes {
            table: node_of(system::TABLE),
            bitmap: node_of(system::BITMAP),
            boot: node_of(system::BOOT),
            bad: node_of(system::BAD_CLUSTERS),
        };
        let Collector { build, slots, arena, findings: met, .. } = collector;
        // Putting the catalog in order needs room of its own; what is no longer needed makes it.
        drop((slots, arena));
        findings.append(met);
        Ok(Records {
            catalog: build.finish(root),
            nodes,
            volume: collector.volume,
            resident_bitmap: collector.resident_bitmap,
            resident_table_bitmap: collector.resident_table_bitmap,
            seen: collector.seen,
            counts: collector.counts,
            in_use: collector.records_in_use,
            incomplete: collector.incomplete,
        })
    }

    fn stream(&self, node: Option<NodeId>, role: Role, name: Option<&str>) -> Option<Stream<'_>> {
        node.and_then(|id| self.catalog.node(id).streams().find(|s| s.role() == role && s.name() == name))
    }

    /// Holds records that are all zero against $MFT's own bitmap; whether some may be lost.
    fn check_blank(
        &mut self,
        volume: &Volume<'_>,
        table: &MftTable,
        findings: &mut Findings,
    ) -> Result<bool, SourceLost> {
        let resident = self.resident_table_bitmap.take();
        let bitmap = bitmap_place(self.stream(self.nodes.table, Role::IndexBitmap, None), resident);
        let blank =
            table_bitmap::check_blank_records(volume, &table.map, bitmap, std::mem::take(&mut self.seen), findings)?;
        self.counts.unused = self.counts.unused.saturating_sub(blank.lost);
        self.counts.blank = blank.lost;
        Ok(blank.lost + blank.unproven > 0)
    }

    /// Where the records lie, for reading single ones again.
    fn places(&self, volume: &Volume<'_>, table: &MftTable) -> RecordPlaces {
        match self.stream(self.nodes.table, Role::Data, None).filter(|_| !table.partial) {
            Some(content) => RecordPlaces::of_stream(volume, &content),
            None => RecordPlaces::of_table(volume, table),
        }
    }
}

fn state(record: &VolumeRecord, window: &Window<'_>, findings: &mut Findings) -> VolumeState {
    let state = VolumeState { dirty: record.dirty, errors_noted: None };
    state.note(window.absolute(0), findings);
    if state.dirty.is_none() {
        let sentence = "Record 3 ($Volume) does not say whether the volume was cleanly unmounted.";
        findings.push(Finding::general(&VOLUME_RECORD, sentence));
    }
    state
}

fn bitmap_place(stream: Option<Stream<'_>>, resident: Option<Vec<u8>>) -> BitmapPlace {
    match (stream, resident) {
        (Some(stream), _) if !stream.is_resident() => {
            BitmapPlace::Clusters { layout: stream.layout().collect(), valid: stream.valid(), size: stream.size() }
        }
        (_, Some(bytes)) => BitmapPlace::Resident(bytes),
        _ => BitmapPlace::Lost,
    }
}

/// The boot sectors, and the boot file as far as its size goes.
fn fixed_places(volume: &Volume<'_>, boot_file: Option<Node<'_>>, backup: Option<Extent>) -> Vec<(Extent, FixedKind)> {
    let window = &volume.window;
    let mut places = ExtentSet::new();
    places.extend_with(window.locate(0, volume.boot.sector_bytes));
    places.extend_with(backup);
    let content = boot_file.and_then(|n| n.streams().find(|s| s.role() == Role::Data && s.name().is_none()));
    match content {
        Some(stream) => {
            let mut left = stream.size();
            for run in stream.runs() {
                let Some(extent) = volume.extent(run.first, run.count) else { continue };
                let part = Extent { bytes: extent.bytes.min(left), ..extent };
                left -= part.bytes;
                places.insert(part);
            }
        }
        None => places.extend_with(window.locate(0, BOOT_FILE_BYTES)),
    }
    places.extents().iter().map(|e| (*e, FixedKind::Boot)).collect()
}

/// Adding a place that may not exist.
trait ExtendWith {
    fn extend_with(&mut self, extent: Option<Extent>);
}

impl ExtendWith for ExtentSet {
    fn extend_with(&mut self, extent: Option<Extent>) {
        if let Some(extent) = extent {
            self.insert(extent);
        }
    }
}

fn facts(
    volume: &Volume<'_>,
    table: &MftTable,
    record: &VolumeRecord,
    catalog: &Catalog,
    in_use: u64,
) -> Vec<(&'static str, String)> {
    let boot = &volume.boot;
    let version = record.version.map_or("unknown".to_owned(), |(major, minor)| format!("{major}.{minor}"));
    vec![
        ("NTFS version", version),
        ("cluster size", format!("{} bytes", boot.cluster_bytes)),
        ("file record size", format!("{} bytes", boot.record_bytes)),
        ("index record size", format!("{} bytes", boot.index_bytes)),
        ("file records", format!("{} ({in_use} in use)", table.map.length / boot.record_bytes)),
        ("files and folders known", catalog.len().to_string()),
        ("parts of $MFT", table.map.parts().to_string()),
    ]
}
