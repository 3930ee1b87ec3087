//! HFS+ and HFSX, bare or in an HFS wrapper: what is in use by the allocation file.
//!
//! The volume header counts free blocks, and the allocation file has to agree; it also has to call headers and special files in use. What
//! the journal holds in a newer version is read from there. A volume without a journal that was not cleanly unmounted is planned in
//! full: the map on the drive is then older than the files.

mod fork;
mod header;
mod journal;
mod overflow;

use super::findings::{MAP_FROM_COPY, MAP_OLD, MAP_PART_DOUBTED, MAP_PART_UNREAD, MAP_UNUSABLE};
use super::{SpaceMap, SpaceOutcome};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::filesystem::bits::{BitOrder, BitmapMarks, Scan};
use crate::filesystem::{ClusterGeometry, ClusterRun, ClusterSet, VolumeState};
use crate::partition::signature::Recognised;
use crate::source::{SourceLost, Window};
use header::{ALLOCATION, VolumeHeader};
use journal::{Newest, Replayed};
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
    let is_wrapped = volume.extent() != window.extent();
    let replayed = match replay(&volume, is_wrapped, &mut structure)? {
        Ok(replayed) => replayed,
        Err(why) => return unusable(&why),
    };
    let header = match choose_header(&replayed, &mut structure, &mut findings)? {
        Ok(header) => header,
        Err(why) => return unusable(why),
    };
    let needs_overflow = header.special.iter().any(|(_, fork)| fork.overflows());
    let overflow = if needs_overflow { overflow::overflow(&replayed, &header, &mut structure)? } else { None };
    let Some(runs) = all_extents(ALLOCATION, header.fork(ALLOCATION), &overflow) else {
        return unusable("not all extents of the allocation file are known");
    };
    let Some(map) = parts(&replayed, &header, &runs)? else {
        return unusable("the allocation file is shorter than the volume, or lies outside");
    };
    let mut scan = Scan::with_order(header.blocks, BitOrder::HighestFirst);
    scan.read(&volume, &map.parts)?;
    scan.skip_to(header.blocks);
    let marks = scan.finish();
    let special = special_blocks(&header, &overflow);
    if let Err(why) = check(&header, &marks, &special) {
        return unusable(&why);
    }
    let place = found.evidence.place.start;
    if replayed.ranges() > 0 {
        let sentence = format!("{name}: the journal holds newer versions of {} ranges.", replayed.ranges());
        findings.push(Finding::at(&MAP_OLD, place, sentence));
    }
    if map.doubted_bytes > 0 {
        let sentence =
            format!("The newest marks of {} blocks stand in the journal, and are not certain.", map.doubted_bytes * 8);
        findings.push(Finding::at(&MAP_PART_DOUBTED, place, sentence));
    }
    let unread = marks.unknown.count().saturating_sub(map.doubted_bytes * 8);
    if unread > 0 {
        let sentence = format!("The marks of {unread} of {} blocks were not read.", header.blocks);
        findings.push(Finding::at(&MAP_PART_UNREAD, place, sentence));
    }
    structure.extend(map.parts.iter().map(|(_, place)| *place));
    structure.extend(replayed.places.extents().iter().copied());
    structure.extend(
        special
            .runs()
            .iter()
            .filter_map(|run| volume.locate(run.first.0 * header.block_bytes, run.count * header.block_bytes)),
    );
    let state = VolumeState { dirty: header.dirty, errors_noted: None };
    state.note(place, &mut findings);
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
        state,
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

/// The volume with what its journal holds, or why its map may be older than its files. Also of a volume that was unmounted: that it is
/// mounted again may stand in the journal alone.
fn replay<'r>(
    volume: &Window<'r>,
    is_wrapped: bool,
    structure: &mut ExtentSet,
) -> Result<Result<Replayed<'r>, String>, SourceLost> {
    let at_home = Replayed::at_home(volume);
    let main = look(&at_home, header::AT, structure)?;
    let is_main = main.is_some();
    let home = match main {
        Some(main) => main,
        None => match look(&at_home, alternate_at(volume), structure)? {
            Some(alternate) => said_by_alternate(alternate),
            None => return Ok(Err("neither of its volume headers can be used".to_owned())),
        },
    };
    if home.is_journaled && home.keeps_journal {
        let why = |why| format!("its map may be older than its files, and its journal cannot be followed: {why}");
        return Ok(Replayed::read(volume, &home, is_wrapped)?.map_err(why));
    }
    Ok(match (is_main, home.dirty, home.is_journaled) {
        (true, Some(false), _) | (false, _, false) => Ok(at_home),
        (true, _, _) => {
            Err("not cleanly unmounted by a system that keeps a journal, so its map may be older than its files"
                .to_owned())
        }
        (false, _, true) => {
            Err("its volume header is lost, and so is what tells whether its journal is to be replayed".to_owned())
        }
    })
}

/// Whether the volume was unmounted the alternate header does not say: it is written when special files move.
fn said_by_alternate(alternate: VolumeHeader) -> VolumeHeader {
    VolumeHeader { dirty: None, ..alternate }
}

fn alternate_at(volume: &Window<'_>) -> u64 {
    volume.extent().bytes.saturating_sub(1024)
}

/// A header in its newest version, if it can be read and believed.
fn look(volume: &Replayed<'_>, at: u64, structure: &mut ExtentSet) -> Result<Option<VolumeHeader>, SourceLost> {
    let raw = volume.bytes(at, header::BYTES, structure)?;
    Ok(raw.and_then(|raw| VolumeHeader::parse(&raw, volume.window().extent().bytes)))
}

/// The header that is believed, or why there is none.
fn choose_header(
    volume: &Replayed<'_>,
    structure: &mut ExtentSet,
    findings: &mut Findings,
) -> Result<Result<VolumeHeader, &'static str>, SourceLost> {
    let alternate_at = alternate_at(volume.window());
    let main = look(volume, header::AT, structure)?;
    let alternate = look(volume, alternate_at, structure)?;
    let header = match (main, alternate) {
        (Some(main), Some(alternate)) if !main.is_like(&alternate) => {
            return Ok(Err("its two volume headers contradict each other"));
        }
        (Some(main), _) => main,
        (None, Some(alternate)) => {
            let sentence = "The volume header is damaged; the alternate one is used.";
            findings.push(Finding::at(&MAP_FROM_COPY, volume.window().absolute(alternate_at), sentence));
            said_by_alternate(alternate)
        }
        (None, None) => return Ok(Err("neither of its volume headers can be used")),
    };
    let later = volume.later_headers()?.unwrap_or_default();
    let volume_bytes = volume.window().extent().bytes;
    let agrees = |raw: &Vec<u8>| VolumeHeader::parse(raw, volume_bytes).is_some_and(|later| later.is_like(&header));
    Ok(if later.iter().all(agrees) {
        Ok(header)
    } else {
        Err("its journal may hold a newer header that contradicts it")
    })
}

/// Where the newest marks of all blocks stand.
struct MapParts {
    /// Byte of the allocation file, and place on the drive.
    parts: Vec<(u64, Extent)>,
    /// Bytes of it of which the newest version is not certain: in no part.
    doubted_bytes: u64,
}

/// The parts of the allocation file that describe the volume's blocks, if it is long enough and lies inside.
fn parts(volume: &Replayed<'_>, header: &VolumeHeader, runs: &[ClusterRun]) -> Result<Option<MapParts>, SourceLost> {
    let needed = header.blocks.div_ceil(8);
    let mut map = MapParts { parts: Vec::new(), doubted_bytes: 0 };
    let mut at = 0;
    for run in runs {
        let first = run.first.0 * header.block_bytes;
        let bytes = (run.count * header.block_bytes).min(needed - at);
        let certain = volume.certain(first, bytes);
        map.doubted_bytes += bytes - certain.iter().map(|certain| certain.bytes).sum::<u64>();
        for certain in certain {
            let mut byte = at + (certain.start.0 - first);
            let Some(parts) = volume.parts(certain.start.0, certain.bytes)? else { return Ok(None) };
            for part in parts {
                let mut place_at = byte;
                byte += part.bytes;
                match part.newest {
                    Newest::At(places) => {
                        for place in places {
                            map.parts.push((place_at, place));
                            place_at += place.bytes;
                        }
                    }
                    Newest::Wrong => map.doubted_bytes += part.bytes,
                    Newest::Unread => {}
                }
            }
        }
        at += bytes;
    }
    Ok((at == needed && header.fork(ALLOCATION).bytes >= needed).then_some(map))
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
