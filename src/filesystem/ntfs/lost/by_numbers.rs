//! $MFT without its first record: neither it nor its copy can be used, but the boot sector says where $MFT starts, and
//! records carry their own numbers.
//!
//! From there on, the record at place n of a table in one piece is record n. How far that holds is found by doubling the
//! step and then halving it, some sixty reads of one record, and one of [`GROWTH_BYTES`]. What lies in further pieces of
//! $MFT stays unknown, so the catalog always counts as incomplete.

use crate::base::finding::{Finding, Findings};
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::mft::locate::MftTable;
use crate::filesystem::ntfs::mft::mirror::Mirror;
use crate::filesystem::ntfs::mft::table_map::TableMap;
use crate::filesystem::ntfs::structure::record::{self, RecordError};
use crate::filesystem::ntfs::volume::Volume;
use crate::source::SourceLost;

/// Of the records 1 to 15, which every volume has, so many must stand in their places.
const SYSTEM_RECORDS_NEEDED: usize = 6;

/// By so much Windows lets $MFT grow at a time (common practice, no source): so far behind the last record found it is
/// looked at record by record, because records that no file has used yet may lie in between.
const GROWTH_BYTES: u64 = 256 << 10;

/// What a place holds, if records followed each other without a break up to there.
enum PlaceContent {
    /// The record of that number.
    Right,
    /// A record without a number of its own that no file uses: $MFT goes on here.
    Unnumbered,
    /// Zeros. Windows leaves records so until a file needs them, but free space may be zero as well: they say nothing.
    Zero,
    /// It cannot be read.
    Unreadable,
    /// Something else.
    Wrong,
}

/// Finds as much of $MFT as lies in one piece from its start; `None` when too little supports any of it.
pub fn locate(volume: &Volume<'_>, findings: &mut Findings) -> Result<Option<MftTable>, SourceLost> {
    let (mut standing, mut wrong) = (0, 0);
    for number in 1..16 {
        match look(volume, number)? {
            PlaceContent::Right => standing += 1,
            PlaceContent::Wrong => wrong += 1,
            PlaceContent::Unnumbered | PlaceContent::Zero | PlaceContent::Unreadable => {}
        }
    }
    if standing < SYSTEM_RECORDS_NEEDED || wrong >= standing {
        return Ok(None);
    }
    let records = records_in_one_piece(volume)?;
    let record = volume.boot.record_bytes;
    let mut map = TableMap::new(records * record);
    let clusters = (records * record).div_ceil(volume.boot.cluster_bytes);
    map.add(volume, 0, &[(Some(volume.boot.mft), clusters)], findings);
    let sentence = format!(
        "Neither record 0 of $MFT nor its copy can be used; from cluster {} on, {records} records follow each other by their own \
         numbers and were read.",
        volume.boot.mft
    );
    let place = volume.window.absolute(volume.boot.mft.0.saturating_mul(volume.boot.cluster_bytes));
    findings.push(Finding::at(&found::TABLE_BY_NUMBERS, place, sentence));
    Ok(Some(MftTable { map, mirror: Mirror::read(volume)?, partial: true }))
}

/// The number behind the last place up to which numbers and places agree.
fn records_in_one_piece(volume: &Volume<'_>) -> Result<u64, SourceLost> {
    let most = volume.boot.volume_bytes().min(volume.window.extent().bytes) / volume.boot.record_bytes;
    let mut known = 16;
    let mut step = 16;
    // Doubling, as long as what is met fits or says nothing.
    let mut wrong = loop {
        let next = known + step;
        if next >= most {
            break most;
        }
        match goes_on(volume, next)? {
            Some(true) => known = next + 1,
            Some(false) => break next,
            None => {}
        }
        step *= 2;
    };
    while known < wrong {
        let middle = known + (wrong - known) / 2;
        if goes_on(volume, middle)? == Some(true) {
            known = middle + 1;
        } else {
            wrong = middle;
        }
    }
    last_of_growth(volume, known, most)
}

/// The number behind the last record within one growth of $MFT from `known` on.
fn last_of_growth(volume: &Volume<'_>, known: u64, most: u64) -> Result<u64, SourceLost> {
    if known >= most || matches!(look(volume, known)?, PlaceContent::Wrong) {
        return Ok(known);
    }
    let record = volume.boot.record_bytes;
    let end = most.min(known + GROWTH_BYTES / record);
    let start = volume.boot.mft.0.saturating_mul(volume.boot.cluster_bytes);
    // One request for all of them; the reader keeps it.
    volume.window.read(start.saturating_add(known * record), (end - known) * record)?;
    let mut last = known;
    for number in known..end {
        match look(volume, number)? {
            PlaceContent::Right | PlaceContent::Unnumbered => last = number + 1,
            PlaceContent::Zero | PlaceContent::Unreadable => {}
            PlaceContent::Wrong => break,
        }
    }
    Ok(last)
}

/// Whether the table still runs on at a place: the record there carries its number or waits for a file. Where the place
/// says nothing, the ones before it decide; `None` when they say nothing either.
fn goes_on(volume: &Volume<'_>, number: u64) -> Result<Option<bool>, SourceLost> {
    const NEIGHBOURS: u64 = 8;
    for near in (0..NEIGHBOURS).filter_map(|back| number.checked_sub(back)) {
        match look(volume, near)? {
            PlaceContent::Right | PlaceContent::Unnumbered => return Ok(Some(true)),
            PlaceContent::Wrong => return Ok(Some(false)),
            PlaceContent::Zero | PlaceContent::Unreadable => {}
        }
    }
    Ok(None)
}

fn look(volume: &Volume<'_>, number: u64) -> Result<PlaceContent, SourceLost> {
    let record = volume.boot.record_bytes;
    let start = volume.boot.mft.0.checked_mul(volume.boot.cluster_bytes);
    let Some(offset) = start.and_then(|start| start.checked_add(number.checked_mul(record)?)) else {
        return Ok(PlaceContent::Wrong);
    };
    let Some(block) = volume.window.read(offset, record)? else { return Ok(PlaceContent::Wrong) };
    let Some(raw) = block.whole() else { return Ok(PlaceContent::Unreadable) };
    let mut bytes = raw.to_vec();
    Ok(match record::open(&mut bytes) {
        Ok(header) => match header.number {
            Some(own) if u64::from(own) == number => PlaceContent::Right,
            // Some formatters give records that no file has used yet the number 0.
            Some(0) | None if !header.in_use => PlaceContent::Unnumbered,
            _ => PlaceContent::Wrong,
        },
        Err(RecordError::Unused) => PlaceContent::Zero,
        Err(_) => PlaceContent::Wrong,
    })
}
