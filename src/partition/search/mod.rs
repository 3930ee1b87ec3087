//! Volumes found where no table names them: by their boot sectors, by the copies of these, and by the superblocks of
//! other kinds.
//!
//! Whether and how far the drive is searched follows from the state of its table:
//!
//! | table | where | allowance |
//! |---|---|---|
//! | none, or it names no partition | the whole drive | [`THOROUGH`] |
//! | known to lack partitions, or not one of them stands where it says | gaps, and partitions that lead to nothing | [`THOROUGH`] |
//! | an entry leads to nothing, or one was taken out | the same, from 1 MiB on | [`MODEST`] |
//! | sound | gaps from 32 MiB on | [`GLANCE`] |
//!
//! Places within 16 MiB of a failed read come after the others of their kind, and are passed over once a volume is known around
//! them and more reads have failed there: under a dead head the likely places at a drive's start would all fail.
//!
//! Nothing that is left of a table is believed: it only names places to look at. A place counts when a volume's own
//! structure stands there.

mod allowance;
mod boot;
mod candidate;
mod place_search;
mod table_remains;

pub use allowance::{Allowance, GLANCE, MODEST, MOST_VOLUMES, THOROUGH};

use super::areas::fill_gaps;
use super::drive::Drive;
use super::findings::{
    FOUND_OVERLAP, OUTSIDE_UNEXPLAINED, PARTITION_TOO_SHORT, SEARCH_CUT_SHORT, SEARCH_UNREADABLE, SEARCHED,
    VOLUME_FOUND,
};
use super::{Area, AreaKind, DriveLayout, FoundBy, FoundVolume, Scheme, findings as found};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Code, Finding};
use crate::base::human;
use crate::source::SourceLost;
use boot::FoundBoot;
use candidate::{Choice, VolumeCandidate, settle};
use place_search::PlaceSearch;

/// Findings that say that the table lacks partitions, or may.
static TABLE_LACKS_PARTITIONS: &[&Code] = &[
    &found::GPT_UNVERIFIED,
    &found::GPT_ENTRY_REVERSED,
    &found::GPT_LOST,
    &found::EBR_UNREADABLE,
    &found::EBR_SIGNATURE_MISSING,
    &found::EBR_LOOP,
    &found::EBR_BEYOND_DRIVE,
    &found::EBR_TOO_MANY,
    &found::PARTITION_BEYOND_DRIVE,
    &found::PARTITION_COVERS_TABLE,
];

/// Findings that say that an entry is odd.
static ENTRY_IS_ODD: &[&Code] = &[
    &found::PARTITION_EMPTY,
    &found::PARTITION_OVERLAP,
    &found::EBR_NO_LOGICAL,
    &found::MBR_HOLE,
    &found::EXTENDED_EMPTY,
    &found::MBR_SIGNATURE_MISSING,
];

/// Completes what the tables gave by what a search finds.
pub(super) fn complete(drive: &Drive<'_>, mut layout: DriveLayout) -> Result<DriveLayout, SourceLost> {
    let has_partitions = layout.areas.iter().any(|a| matches!(a.kind, AreaKind::Partition(_)));
    let is_single = layout.scheme == Scheme::SingleVolume;
    if is_single || drive.bytes() < 512 {
        return Ok(layout);
    }
    let noticed = |list: &[&'static Code]| list.iter().any(|code| layout.findings.count(code) > 0);
    let vacant = vacant_partitions(drive, &layout, noticed(TABLE_LACKS_PARTITIONS))?;
    let (allowance, why, doubted) = if !has_partitions {
        (THOROUGH, "no partition is known", true)
    } else if vacant.all {
        (THOROUGH, "not one partition begins with the volume that the table says it has", true)
    } else if noticed(TABLE_LACKS_PARTITIONS) {
        (THOROUGH, "the table is damaged", true)
    } else if !vacant.extents.is_empty() {
        (MODEST, "a partition does not begin with the volume that the table says it has", true)
    } else if noticed(ENTRY_IS_ODD) {
        (MODEST, "an entry of the table is odd or was taken out", false)
    } else {
        (GLANCE, "the table has gaps", false)
    };
    let gaps = layout.areas.iter().filter(|a| a.kind == AreaKind::Unpartitioned).map(|a| a.extent);
    let ranges: ExtentSet = gaps.chain(vacant.extents).filter(|e| e.bytes >= allowance.shortest).collect();
    let mut search = PlaceSearch::new(drive, ranges.clone(), allowance);
    if allowance == THOROUGH {
        let sector = drive.window().read(0, 512)?;
        search.add_table_remains(sector.as_ref().and_then(|block| block.whole()));
    }
    for (at, boot) in &vacant.too_short {
        search.add_volume(*at, boot)?;
    }
    if !ranges.is_empty() {
        search.run()?;
    }
    let searched = !ranges.is_empty();
    adopt(&mut search, &mut layout, drive);
    if searched && allowance != GLANCE {
        note_search(&search, &allowance, why, ranges.bytes(), &mut layout, drive);
    }
    layout.outside_unexplained = doubted;
    let outside: u64 = layout.areas.iter().filter(|a| a.kind == AreaKind::Unpartitioned).map(|a| a.extent.bytes).sum();
    if doubted && outside > 0 {
        let sentence = format!(
            "{} ({outside} bytes) lie in no volume that is known, and no sound table says that nothing is there; plans of \
             scope `allocated` read them last.",
            human::bytes(outside)
        );
        layout.findings.push(Finding::general(&OUTSIDE_UNEXPLAINED, sentence));
    }
    Ok(layout)
}

/// Partitions that do not begin with what their type says.
struct Vacant {
    /// Those where nothing stands, at the start or at the copies' places.
    extents: Vec<Extent>,
    /// Whether that is all there are.
    all: bool,
    /// Volumes that are longer than their partition.
    too_short: Vec<(u64, FoundBoot)>,
}

/// Looks at the first sectors of partitions: of those that their type promises a boot sector for, and of all when the
/// table is `damaged`.
fn vacant_partitions(drive: &Drive<'_>, layout: &DriveLayout, damaged: bool) -> Result<Vacant, SourceLost> {
    let mut vacant = Vacant { extents: Vec::new(), all: false, too_short: Vec::new() };
    let mut standing = 0;
    for area in &layout.areas {
        let AreaKind::Partition(_) = &area.kind else { continue };
        let promised = layout.promised.contains(&area.extent.start);
        if !promised && !damaged {
            standing += 1;
            continue;
        }
        let sector = drive.window().read(area.extent.start.0, 512)?;
        let boot = sector.as_ref().and_then(|block| block.whole()).and_then(FoundBoot::parse);
        match boot {
            Some(boot) => {
                standing += 1;
                if boot.bytes > area.extent.bytes && area.extent.end() < drive.bytes() {
                    vacant.too_short.push((area.extent.start.0, boot));
                }
            }
            None if !promised => standing += 1,
            None => {
                let known = sector.as_ref().and_then(|b| b.whole()).and_then(super::boot_sign::recognise).is_some();
                if known || copy_stands(drive, area.extent)? {
                    standing += 1;
                } else {
                    vacant.extents.push(area.extent);
                }
            }
        }
    }
    vacant.all = standing == 0 && !vacant.extents.is_empty();
    Ok(vacant)
}

/// Whether the copy of a boot sector stands where the partition's file system will look for it in any case.
fn copy_stands(drive: &Drive<'_>, partition: Extent) -> Result<bool, SourceLost> {
    let window = crate::source::Window::new(drive.window().reader(), partition);
    let end = partition.bytes;
    if let Some(tail) = end.checked_sub(4096) {
        window.read(tail, 4096)?;
    }
    let tails = [512, 1024, 2048, 4096].map(|unit| end.checked_sub(unit));
    let heads = [6 * 512, 12 * 512, 6 * 4096, 12 * 4096].map(Some);
    for at in tails.into_iter().chain(heads).flatten() {
        let block = window.read(at, 512)?;
        if block.as_ref().and_then(|b| b.whole()).and_then(FoundBoot::parse).is_some() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Turns what was found into areas.
fn adopt(search: &mut PlaceSearch<'_, '_>, layout: &mut DriveLayout, drive: &Drive<'_>) {
    let candidates = std::mem::take(&mut search.candidates);
    let explained = |c: &VolumeCandidate| {
        layout.areas.iter().any(|a| {
            matches!(a.kind, AreaKind::Partition(_))
                && a.extent.start == c.extent.start
                && a.extent.end() >= c.extent.end()
        })
    };
    let (used, disputes) = settle(candidates.into_iter().filter(|c| !explained(c)).collect());
    for (first, second, choice) in disputes {
        let verdict = match choice {
            Choice::First => "the first is used: more signs are for it",
            Choice::Second => "the second is used: more signs are for it",
            Choice::Both => "the signs for both are equal, and both are used",
        };
        let sentence = format!(
            "The {} volume of {} bytes at byte {} (found by {}) and the {} volume of {} bytes at byte {} (found by {}) \
             overlap: {verdict}.",
            first.holds,
            first.extent.bytes,
            first.extent.start.0,
            first.evidence,
            second.holds,
            second.extent.bytes,
            second.extent.start.0,
            second.evidence
        );
        layout.findings.push(Finding::at(&FOUND_OVERLAP, second.extent.start, sentence));
    }
    if used.is_empty() {
        return;
    }
    let highest = layout.areas.iter().filter_map(|a| match &a.kind {
        AreaKind::Partition(entry) => Some(entry.number),
        _ => None,
    });
    let mut number = highest.max().unwrap_or(0);
    for volume in used {
        number += 1;
        note_volume(&volume, number, layout, drive);
        let kind = AreaKind::Found(FoundVolume { number, by: volume.by, holds: volume.holds });
        layout.areas.push(Area { extent: volume.extent, kind });
    }
    if layout.scheme == Scheme::Unrecognised {
        layout.scheme = Scheme::Searched;
    }
    let starts: Vec<u64> = layout.areas.iter().map(|a| a.extent.start.0).collect();
    let led = search.arrays.iter().filter(|(place, _)| starts.contains(place));
    layout.table_extents.extend(led.map(|(_, array)| *array));
    let areas = std::mem::take(&mut layout.areas);
    layout.areas = fill_gaps(areas, drive.extent());
}

fn note_volume(volume: &VolumeCandidate, number: u32, layout: &mut DriveLayout, drive: &Drive<'_>) {
    let extent = volume.extent;
    let length = match volume.said {
        Some(said) if said > extent.bytes => {
            format!("{said} bytes, of which the source holds {}", extent.bytes)
        }
        Some(said) => format!("{said} bytes"),
        None => format!("unknown length (taken to be the {} bytes up to what comes next)", extent.bytes),
    };
    let sentence = format!(
        "Volume {number}: {} of {length} at {}, found by {}.",
        volume.holds,
        drive.reported.lba_of(extent.start),
        volume.evidence
    );
    layout.findings.push(Finding::at(&VOLUME_FOUND, extent.start, sentence));
    for area in &layout.areas {
        let AreaKind::Partition(entry) = &area.kind else { continue };
        let Some(shared) = area.extent.intersection(&extent) else { continue };
        let (code, sentence) = if area.extent.start == extent.start {
            let sentence = format!(
                "The table gives partition {} {} bytes, the boot sector in it {}; volume {number} is the whole of it.",
                entry.number, area.extent.bytes, extent.bytes
            );
            (&PARTITION_TOO_SHORT, sentence)
        } else {
            let sentence = format!(
                "Volume {number}, which no table names, and partition {} share {} bytes from {}; both are examined.",
                entry.number,
                shared.bytes,
                drive.reported.lba_of(shared.start)
            );
            (&FOUND_OVERLAP, sentence)
        };
        layout.findings.push(Finding::at(code, shared.start, sentence));
    }
}

fn note_search(
    search: &PlaceSearch<'_, '_>,
    allowance: &Allowance,
    why: &str,
    range_bytes: u64,
    layout: &mut DriveLayout,
    drive: &Drive<'_>,
) {
    let found = layout.areas.iter().filter(|a| matches!(a.kind, AreaKind::Found(_)));
    let by =
        |wanted: FoundBy| found.clone().filter(|a| matches!(&a.kind, AreaKind::Found(v) if v.by == wanted)).count();
    let spent = search.spent;
    let sentence = format!(
        "Because {why}, volumes were looked for in {} of the drive: {} places, {} reads, {} bytes (allowed: {allowance}). \
         Found: {} ({} by their start and its copy, {} by their start alone, {} by a copy alone).",
        human::bytes(range_bytes),
        spent.places,
        spent.reads,
        spent.bytes,
        found.clone().count(),
        by(FoundBy::Both),
        by(FoundBy::Start),
        by(FoundBy::Copy)
    );
    layout.findings.push(Finding::general(&SEARCHED, sentence));
    if let Some(why) = search.cut_short {
        let sentence = format!(
            "The search for volumes ended after {} places, {} reads and {} unreadable places, because {why}; places were \
             left that it would have looked at.",
            spent.places, spent.reads, spent.failures
        );
        layout.findings.push(Finding::general(&SEARCH_CUT_SHORT, sentence));
    }
    for extent in search.unreadable.extents() {
        let sentence = format!(
            "{} bytes at {}, where a volume might begin or end, were not read and were passed over.",
            extent.bytes,
            drive.reported.lba_of(extent.start)
        );
        layout.findings.push(Finding::at(&SEARCH_UNREADABLE, extent.start, sentence));
    }
}
