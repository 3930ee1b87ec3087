//! HFS+ and HFSX, bare or in an HFS wrapper: what is in use by the allocation file.
//!
//! The volume header counts free blocks, and the allocation file has to agree; it also has to call headers and special files in use. A
//! volume that was not cleanly unmounted is planned in full, with a journal or without: the map on the drive is then older than the
//! files.

mod fork;
mod header;
mod overflow;

use super::findings::{MAP_FROM_COPY, MAP_PART_UNREAD, MAP_UNUSABLE};
use super::{SpaceMap, SpaceOutcome};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::bits::{BitOrder, BitmapMarks, Scan};
use crate::filesystem::{ClusterGeometry, ClusterRun, ClusterSet};
use crate::partition::signature::Recognised;
use crate::source::{SourceLost, Window};
use header::{ALLOCATION, VolumeHeader};
use overflow::{Overflow, all_extents};

/// Reads the allocation map of an HFS+ volume.
///
/// Memory: 16 bytes for each run of blocks in use.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read(window: &Window<'_>, found: &Recognised) -> Result<SpaceOutcome, SourceLost> {
    let mut findings = Findings::new();
    let mut structure = ExtentSet::new();
    let name = found.kind.name();
    let unusable = |why: &str| {
        let mut findings = Findings::new();
        findings.push(Finding::at(&MAP_UNUSABLE, found.evidence.place.start, format!("{name}: {why}")));
        Ok(Err(findings))
    };
    let volume = match locate(window, &mut structure)? {
        Some(volume) => volume,
        None => return unusable("the master directory block around it is damaged"),
    };
    let header = match choose_header(&volume, &mut structure, &mut findings)? {
        Ok(header) => header,
        Err(why) => return unusable(why),
    };
    if header.dirty {
        return unusable("not cleanly unmounted, so the allocation map may be older than the files");
    }
    let needs_overflow = header.special.iter().any(|(_, fork)| fork.overflows());
    let overflow = if needs_overflow { overflow::overflow(&volume, &header, &mut structure)? } else { None };
    let Some(runs) = all_extents(ALLOCATION, header.fork(ALLOCATION), &overflow) else {
        return unusable("not all extents of the allocation file are known");
    };
    let Some(parts) = parts(&volume, &header, &runs) else {
        return unusable("the allocation file is shorter than the volume, or lies outside");
    };
    let mut scan = Scan::with_order(header.blocks, BitOrder::HighestFirst);
    scan.read(&volume, &parts)?;
    scan.skip_to(header.blocks);
    let marks = scan.finish();
    let special = special_blocks(&header, &overflow);
    if let Err(why) = check(&header, &marks, &special) {
        return unusable(&why);
    }
    if !marks.unknown.is_empty() {
        let sentence = format!("The marks of {} of {} blocks were not read.", marks.unknown.count(), header.blocks);
        findings.push(Finding::at(&MAP_PART_UNREAD, parts[0].1.start, sentence));
    }
    structure.extend(
        special
            .runs()
            .iter()
            .filter_map(|run| volume.locate(run.first.0 * header.block_bytes, run.count * header.block_bytes)),
    );
    let mut recognised = found.clone();
    recognised.facts.push(("allocation block", format!("{} bytes", header.block_bytes)));
    recognised.facts.push(("journal", if header.is_journaled { "yes" } else { "no" }.to_owned()));
    Ok(Ok(Box::new(SpaceMap {
        recognised,
        extent: window.extent(),
        geometry: ClusterGeometry {
            heap_start: volume.extent().start.0,
            cluster_bytes: header.block_bytes,
            first_number: 0,
            cluster_count: header.blocks,
        },
        used: marks.allocated,
        unknown: marks.unknown,
        structure,
        findings,
    })))
}

/// The HFS+ volume in a partition: all of it, or what an HFS wrapper holds. `None` where a wrapper's own figures are impossible.
fn locate<'r>(window: &Window<'r>, structure: &mut ExtentSet) -> Result<Option<Window<'r>>, SourceLost> {
    let Some(block) = window.read(header::AT, header::BYTES)? else { return Ok(None) };
    let Some(master) = block.whole().filter(|raw| raw.starts_with(b"BD")) else { return Ok(Some(*window)) };
    structure.insert(block.extent);
    let inside = header::embedded(master, window.extent().bytes);
    Ok(inside.and_then(|(at, bytes)| window.locate(at, bytes)).map(|extent| Window::new(window.reader(), extent)))
}

/// The header that is believed, or why there is none.
fn choose_header(
    volume: &Window<'_>,
    structure: &mut ExtentSet,
    findings: &mut Findings,
) -> Result<Result<VolumeHeader, &'static str>, SourceLost> {
    let bytes = volume.extent().bytes;
    let mut look = |at: u64| -> Result<Option<VolumeHeader>, SourceLost> {
        let Some(block) = volume.read(at, header::BYTES)? else { return Ok(None) };
        structure.insert(block.extent);
        Ok(block.whole().and_then(|raw| VolumeHeader::parse(raw, bytes)))
    };
    let main = look(header::AT)?;
    let alternate_at = bytes.saturating_sub(1024);
    let alternate = look(alternate_at)?;
    Ok(match (main, alternate) {
        (Some(main), Some(alternate)) if !main.is_like(&alternate) => {
            Err("its two volume headers contradict each other")
        }
        (Some(main), _) => Ok(main),
        // Whether the volume was unmounted the alternate header does not say: it is written when special files move.
        (None, Some(alternate)) if alternate.is_journaled => {
            Err("its volume header is lost, and so is what tells whether its journal was replayed")
        }
        (None, Some(alternate)) => {
            let sentence = "The volume header is damaged; the alternate one is used.";
            findings.push(Finding::at(&MAP_FROM_COPY, volume.absolute(alternate_at), sentence));
            Ok(alternate)
        }
        (None, None) => Err("neither of its volume headers can be used"),
    })
}

/// The parts of the allocation file that describe the volume's blocks: byte of the file, and place on the drive.
fn parts(volume: &Window<'_>, header: &VolumeHeader, runs: &[ClusterRun]) -> Option<Vec<(u64, Extent)>> {
    let needed = header.blocks.div_ceil(8);
    let mut parts = Vec::new();
    let mut at = 0;
    for run in runs {
        let bytes = (run.count * header.block_bytes).min(needed - at);
        if bytes > 0 {
            parts.push((at, volume.locate(run.first.0 * header.block_bytes, bytes)?));
        }
        at += bytes;
    }
    (at == needed && header.fork(ALLOCATION).bytes >= needed).then_some(parts)
}

/// Blocks of the special files and of both headers.
fn special_blocks(header: &VolumeHeader, overflow: &Overflow) -> ClusterSet {
    let block = header.block_bytes;
    let head = ClusterRun::new(0, (header::AT + header::BYTES).div_ceil(block).min(header.blocks));
    // The last kibibyte of the blocks: the alternate header, where the volume ends with them.
    let tail = 1024u64.div_ceil(block).min(header.blocks);
    let tail = ClusterRun::new(header.blocks - tail, tail);
    let of_file =
        |(file, fork): &(u32, fork::Fork)| all_extents(*file, fork, overflow).unwrap_or_else(|| fork.extents.clone());
    header.special.iter().flat_map(of_file).chain([head, tail]).collect()
}

/// Whether the map can be right: as many free blocks as the header says, and none of the file system's own among them.
fn check(header: &VolumeHeader, marks: &BitmapMarks, special: &ClusterSet) -> Result<(), String> {
    let (used, unknown) = (marks.allocated.count(), marks.unknown.count());
    let expected = header.blocks - header.free_blocks;
    if !(used..=used + unknown).contains(&expected) {
        return Err(format!("the allocation file marks {used} blocks as in use, the volume header says {expected}"));
    }
    if !special.without(&marks.allocated).without(&marks.unknown).is_empty() {
        return Err("the allocation file calls the file system's own blocks free".to_owned());
    }
    Ok(())
}
