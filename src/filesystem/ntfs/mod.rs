//! NTFS: every file by one pass over $MFT, and what is in use by $Bitmap.
//!
//! Nothing else is read: no index, no journal, no attribute list except that of $MFT itself. Files, names, streams and
//! runs all stand in the file records, and records that belong together name their base record, so that damage to
//! anything else costs nothing here. Once copying has brought the folders' indexes, [`NamesOnly`] finds in them the files whose
//! records did not come.
//!
//! [`boot`], [`record`], [`attribute`], [`attribute_list`] and [`runlist`] parse the structures one by one and know
//! nothing of each other's meaning; the private modules put them together in the order of their work: boot sectors,
//! place of $MFT, sweep, assembly, bitmap.

mod bitmap;
mod boot_pair;
mod findings;
mod folder_index;
mod lost;
mod mft;
mod structure;
mod volume;

pub use findings::*;
pub use folder_index::named_only::{NamedOnly, NamesOnly, RecordState};
pub use lost::infer::read_inferred;
pub use mft::reread::{RecordPlaces, RereadError};
pub use structure::{attribute, attribute_list, boot, lznt1, record, runlist};

use self::bitmap::BitmapPlace;
use self::boot_pair::BootPair;
use self::mft::collect::{Collector, VolumeRecord, system};
use self::mft::locate::Table;
use self::structure::boot::BootSector;
use self::volume::Volume;
use super::{AllocationMap, Catalog, ClusterSet, FixedKind, FsKind, Node, Role, Stream, VolumeMap, VolumeOutcome};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::source::{SourceLost, Window};

/// The boot file's customary size, for when its record is lost: 16 sectors of 512 bytes (common practice, no source).
const BOOT_FILE_BYTES: u64 = 8192;

/// Reads the NTFS volume in `window`. `Ok(Err(findings))` when there is none that can be understood.
///
/// A file record in use that has no name becomes a node without links ([`Node::path`] then shows it among the
/// orphans). A folder that is lost is a [`crate::filesystem::Parent::Lost`] by its record number. Deleted records are in the
/// catalog when they have a name or clusters.
///
/// # Errors
/// [`SourceLost`] when the device is gone. Whatever is merely damaged or unreadable is a finding.
pub fn read(window: &Window<'_>) -> Result<VolumeOutcome, SourceLost> {
    let mut findings = Findings::new();
    let pair = boot_pair::read(window, &mut findings)?;
    let choices = settle_size(window, &pair, &mut findings)?;
    for (index, boot) in choices.iter().enumerate() {
        let volume = Volume::new(window, *boot);
        let mut tried = Findings::new();
        if let Some(table) = mft::locate::locate(&volume, &mut tried)? {
            findings.append(tried);
            if index > 0 {
                let sentence = "The first boot sector does not lead to $MFT; its backup does and was used.";
                findings.push(Finding::at(&BOOT_BACKUP_USED, window.absolute(0), sentence));
            }
            return read_volume(&volume, table, pair.backup, findings).map(|map| Ok(Box::new(map)));
        }
    }
    for boot in &choices {
        if let Some(table) = lost::by_numbers::locate(&Volume::new(window, *boot), &mut findings)? {
            return read_volume(&Volume::new(window, *boot), table, pair.backup, findings).map(|map| Ok(Box::new(map)));
        }
    }
    if let Some(boot) = pair.choices.first() {
        let silent = choices.iter().find(|boot| !table_was_read(window, boot));
        let (code, boot, state) = match silent {
            Some(boot) => (&TABLE_UNREADABLE, boot, "could be read"),
            None => (&TABLE_LOST, boot, "is usable"),
        };
        let sentence = format!(
            "No file record at cluster {} ($MFT) or at cluster {} (its mirror) {state}.",
            boot.mft.0, boot.mirror.0
        );
        findings.push(Finding::at(code, window.absolute(0), sentence));
    }
    Ok(Err(findings))
}

/// Whether both the first record of $MFT and the mirror's copy of it were read, as far as they lie on the drive.
fn table_was_read(window: &Window<'_>, boot: &BootSector) -> bool {
    let unreadable = window.reader().unreadable();
    let places = [boot.mft, boot.mirror].into_iter().filter_map(|first| {
        let offset = first.0.checked_mul(boot.cluster_bytes)?;
        window.locate(offset, boot.record_bytes)
    });
    places.into_iter().all(|place| unreadable.bytes_within(place) == 0)
}

/// The boot sectors to try. Where there is no backup that agrees, the number of sectors is held against the volume's own
/// records: a boot sector that makes the volume too small would hide what lies behind.
fn settle_size(window: &Window<'_>, pair: &BootPair, findings: &mut Findings) -> Result<Vec<BootSector>, SourceLost> {
    let mut choices = pair.choices.clone();
    if pair.agreed {
        return Ok(choices);
    }
    for boot in &mut choices {
        let Some(clusters) = lost::infer::clusters_by_records(window, boot)? else { continue };
        let Some(total_sectors) = clusters.checked_mul(boot.cluster_bytes / boot.sector_bytes) else { continue };
        if clusters > boot.cluster_count() && clusters.saturating_mul(boot.cluster_bytes) <= window.extent().bytes {
            let sentence = format!(
                "The boot sector gives the volume {} clusters, its own records {clusters}; the records were used.",
                boot.cluster_count()
            );
            findings.push(Finding::at(&BOOT_TOO_SMALL, window.absolute(0), sentence));
            boot.total_sectors = total_sectors;
        }
    }
    Ok(choices)
}

fn read_volume(
    volume: &Volume<'_>,
    mut table: Table,
    backup: Option<Extent>,
    mut findings: Findings,
) -> Result<VolumeMap, SourceLost> {
    let window = &volume.window;
    let boot = &volume.boot;
    if boot.volume_bytes() > window.extent().bytes {
        let sentence = format!(
            "The boot sector gives the volume {} bytes; its partition has {} on this drive, {} fewer.",
            boot.volume_bytes(),
            window.extent().bytes,
            boot.volume_bytes() - window.extent().bytes
        );
        findings.push(Finding::at(&VOLUME_CUT, window.absolute(window.extent().bytes), sentence));
    }
    let mut collector = Collector::new(volume.geometry, table.map.length / boot.record_bytes);
    mft::sweep::sweep(volume, &mut table, &mut collector)?;
    let root = mft::assemble::assemble(&mut collector);
    let Collector {
        build,
        slots,
        arena,
        volume: volume_record,
        resident_bitmap,
        resident_table_bitmap,
        seen,
        records_in_use,
        mut counts,
        findings: met,
        incomplete,
        ..
    } = collector;
    let node_of = |number: u32| {
        let slot = usize::try_from(number).ok().and_then(|at| slots.get(at)).copied();
        slot.filter(|s| s.node != mft::collect::NO_NODE && !s.deleted).map(|s| super::NodeId(s.node))
    };
    let (table_node, bitmap_node) = (node_of(system::TABLE), node_of(system::BITMAP));
    let (boot_node, bad_node) = (node_of(system::BOOT), node_of(system::BAD_CLUSTERS));
    // Putting the catalog in order needs room of its own; what is no longer needed makes it.
    drop((slots, arena));
    findings.append(met);
    judge_volume_record(&volume_record, window, &mut findings);
    let catalog = build.finish(root);

    let stream = |node: Option<super::NodeId>, role: Role, name: Option<&str>| {
        node.and_then(|id| catalog.node(id).streams().find(|s| s.role() == role && s.name() == name))
    };
    let table_bitmap = bitmap_place(stream(table_node, Role::IndexBitmap, None), resident_table_bitmap);
    let blank = mft::table_bitmap::judge(volume, &table.map, table_bitmap, seen, &mut findings)?;
    counts.unused = counts.unused.saturating_sub(blank.lost);
    counts.blank = blank.lost;
    let bitmap_place = bitmap_place(stream(bitmap_node, Role::Data, None), resident_bitmap);
    // Without the record of $Bitmap its own clusters are in neither map; and where one record is lost without a trace, so may others be.
    let incomplete =
        incomplete || table.partial || blank.lost + blank.unproven > 0 || matches!(bitmap_place, BitmapPlace::Lost);
    let marks = bitmap::read(volume, bitmap_place, &mut findings)?;
    let bad: ClusterSet = stream(bad_node, Role::Data, Some("$Bad")).into_iter().flat_map(|s| s.runs()).collect();
    let content = stream(table_node, Role::Data, None).filter(|_| !table.partial);
    let record_places = content
        .map_or_else(|| RecordPlaces::of_table(volume, &table), |content| RecordPlaces::of_stream(volume, &content));
    let fixed = fixed_places(volume, boot_node.map(|id| catalog.node(id)), backup);
    let facts = facts(volume, &table, &volume_record, &catalog, records_in_use);
    let mut map = VolumeMap {
        kind: FsKind::Ntfs,
        extent: window.extent(),
        sector_bytes: boot.sector_bytes,
        geometry: volume.geometry,
        record_bytes: Some(boot.record_bytes),
        record_places: Some(record_places),
        records: Some(counts),
        label: volume_record.label,
        serial: format!("{:016X}", boot.serial),
        dirty: volume_record.dirty,
        fixed,
        allocation: AllocationMap { allocated: marks.allocated, bad, unknown: marks.unknown },
        catalog,
        catalog_incomplete: incomplete,
        facts,
        findings,
    };
    let reader = window.reader();
    if let Some(store) = reader.store() {
        folder_index::named_only::name_lost_folders(&mut map, store, reader.stop());
    }
    Ok(map)
}

fn judge_volume_record(record: &VolumeRecord, window: &Window<'_>, findings: &mut Findings) {
    match record.dirty {
        Some(true) => {
            let sentence = "The volume carries the mark of not having been cleanly unmounted.";
            findings.push(Finding::at(&VOLUME_DIRTY, window.absolute(0), sentence));
        }
        Some(false) => {}
        None => {
            let sentence = "Record 3 ($Volume) does not say whether the volume was cleanly unmounted.";
            findings.push(Finding::general(&VOLUME_RECORD, sentence));
        }
    }
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
    table: &Table,
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
