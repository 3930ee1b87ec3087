//! Finding $MFT: its first record (or the mirror's copy), and from there all its parts. The record that describes a
//! later part of $MFT may itself lie in any part known by then.

use super::mirror::Mirror;
use super::table_map::TableMap;
use crate::base::finding::{Finding, Findings};
use crate::base::units::Lcn;
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::structure::attribute::{ATTRIBUTE_LIST, Attributes, DATA, Extents, Form, Sizes};
use crate::filesystem::ntfs::structure::attribute_list::{LARGEST_LIST, ListEntries};
use crate::filesystem::ntfs::structure::record::{self, RecordHeader, Reference};
use crate::filesystem::ntfs::structure::runlist::{self, Run};
use crate::filesystem::ntfs::volume::{Volume, small};
use crate::source::SourceLost;

/// $MFT, found.
pub struct MftTable {
    pub map: TableMap,
    pub mirror: Mirror,
    /// Whether parts of it may lie at places that are not known.
    pub partial: bool,
}

/// Records that can be told apart: NTFS itself allows fewer than 2^32, and so does the catalog.
const MOST_RECORDS: u64 = 0xFFFF_FF00;

/// Finds $MFT; `None` when neither it nor its mirror starts with a usable record.
pub fn locate(volume: &Volume<'_>, findings: &mut Findings) -> Result<Option<MftTable>, SourceLost> {
    let own = first_record(volume)?;
    let mirror = Mirror::read(volume)?;
    let first = match own {
        Ok(sound) => sound,
        Err(why) => match mirror.sound(0).filter(|(header, bytes)| table_extents(header, bytes).is_some()) {
            Some(copy) => {
                let place = volume.window.absolute(volume.boot.mft.0.saturating_mul(volume.boot.cluster_bytes));
                let sentence = format!(
                    "The first record of $MFT (cluster {}) {why}; the mirror's copy (cluster {}) was used.",
                    volume.boot.mft.0, volume.boot.mirror.0
                );
                findings.push(Finding::at(&found::TABLE_BY_MIRROR, place, sentence));
                copy
            }
            None => return Ok(None),
        },
    };
    let mut table = MftTable { map: TableMap::new(0), mirror, partial: false };
    let (header, bytes) = first;
    let sizes = table_extents(&header, &bytes).map(|extents| extents.sizes).unwrap_or_default();
    table.map.length = table_length(volume, sizes, findings);
    add_parts(volume, &mut table.map, &bytes, &header, findings);
    add_listed_parts(volume, &mut table.map, &bytes, &header, findings)?;
    Ok(Some(table))
}

/// Record 0 at the place the boot sector gives, or why it cannot be used.
fn first_record(volume: &Volume<'_>) -> Result<Result<(RecordHeader, Vec<u8>), String>, SourceLost> {
    let Some(offset) = volume.boot.mft.0.checked_mul(volume.boot.cluster_bytes) else {
        return Ok(Err("lies outside the volume".to_owned()));
    };
    let Some(block) = volume.window.read(offset, volume.boot.record_bytes)? else {
        return Ok(Err("lies behind the end of the drive or partition".to_owned()));
    };
    let Some(raw) = block.whole() else { return Ok(Err("was not read".to_owned())) };
    let mut bytes = raw.to_vec();
    Ok(match record::open(&mut bytes) {
        Err(error) => Err(format!("is not usable: {error}")),
        Ok(header) if table_extents(&header, &bytes).is_none() => Err("does not describe $MFT".to_owned()),
        Ok(header) => Ok((header, bytes)),
    })
}

/// The first part of $MFT's own content as its base record describes it.
pub fn table_extents<'r>(header: &RecordHeader, record: &'r [u8]) -> Option<Extents<'r>> {
    if !header.in_use || !header.base.is_none() || header.number.is_some_and(|number| number != 0) {
        return None;
    }
    let first = content_parts(record, header).find(|extents| extents.first_vcn == 0)?;
    matches!(runlist::Runs::new(first.packed).next(), Some(Ok((Some(_), _)))).then_some(first)
}

fn content_parts<'r>(record: &'r [u8], header: &RecordHeader) -> impl Iterator<Item = Extents<'r>> {
    Attributes::new(record, header.first_attribute).filter_map(|item| match item {
        Ok(a) if a.kind == DATA && a.name.is_empty() => match a.form {
            Form::NonResident(extents) => Some(extents),
            Form::Resident(_) => None,
        },
        _ => None,
    })
}

/// How much of $MFT to read: what was ever written, in whole records, and no more than the drive could hold.
fn table_length(volume: &Volume<'_>, sizes: Sizes, findings: &mut Findings) -> u64 {
    let record = volume.boot.record_bytes;
    let most = volume.window.extent().bytes.min(volume.boot.volume_bytes()).min(MOST_RECORDS * record);
    if sizes.valid > most {
        let sentence = format!("$MFT claims {} bytes, more than the {most} there can be.", sizes.valid);
        findings.push(Finding::general(&found::TABLE_SIZE, sentence));
    }
    sizes.valid.min(most) / record * record
}

fn add_parts(volume: &Volume<'_>, map: &mut TableMap, record: &[u8], header: &RecordHeader, findings: &mut Findings) {
    for extents in content_parts(record, header) {
        let runs = unpacked(extents.packed, extents.next_vcn - extents.first_vcn, findings);
        map.add(volume, extents.first_vcn, &runs, findings);
    }
}

/// The runs of a part of $MFT, as far as they can be understood.
pub fn unpacked(packed: &[u8], expected: u64, findings: &mut Findings) -> Vec<Run> {
    let mut runs = Vec::new();
    if let Err(error) = runlist::unpack(packed, expected, &mut runs) {
        let sentence = format!("A run list of $MFT is damaged after {} runs: {error}.", runs.len());
        findings.push(Finding::general(&found::TABLE_RUN, sentence));
    }
    runs
}

/// Follows the attribute list of record 0.
fn add_listed_parts(
    volume: &Volume<'_>,
    map: &mut TableMap,
    record: &[u8],
    header: &RecordHeader,
    findings: &mut Findings,
) -> Result<(), SourceLost> {
    let list = Attributes::new(record, header.first_attribute).flatten().find(|a| a.kind == ATTRIBUTE_LIST);
    let list = match list.map(|a| a.form) {
        None => return Ok(()),
        Some(Form::Resident(value)) => value.to_vec(),
        Some(Form::NonResident(extents)) => read_list(volume, &extents, findings)?,
    };
    let mut entries = ListEntries::new(&list);
    let mut waiting: Vec<(u64, Reference)> = entries
        .by_ref()
        .filter(|e| e.kind == DATA && e.name.is_empty() && e.holder.number() != 0)
        .map(|e| (e.first_vcn, e.holder))
        .collect();
    if entries.left() > 0 {
        let sentence = format!(
            "The last {} of {} bytes of $MFT's attribute list cannot be understood.",
            entries.left(),
            list.len()
        );
        findings.push(Finding::general(&found::TABLE_LIST, sentence));
    }
    waiting.sort_by_key(|(vcn, holder)| (*vcn, holder.0));
    waiting.dedup_by_key(|(_, holder)| holder.0);
    let mut unfit = Vec::new();
    // Each round reaches what the round before has located. What is left after the last is found by the sweep.
    for _ in 0..ROUNDS {
        let before = waiting.len();
        let mut still = Vec::new();
        for (vcn, holder) in waiting {
            match add_listed_part(volume, map, header, holder, findings)? {
                Listed::Added => {}
                Listed::NotLocated => still.push((vcn, holder)),
                Listed::Unfit => unfit.push((vcn, holder)),
            }
        }
        waiting = still;
        if waiting.is_empty() || waiting.len() == before {
            break;
        }
    }
    for (vcn, holder) in unfit.into_iter().chain(waiting) {
        let sentence = format!(
            "Record {} should describe $MFT from its cluster {vcn} on, but was not found, was not read or describes something else.",
            holder.number()
        );
        findings.push(Finding::general(&found::TABLE_LIST, sentence));
    }
    Ok(())
}

/// How many times in a row parts of $MFT may describe where the next parts' descriptions are.
const ROUNDS: usize = 64;

/// What became of an entry of $MFT's attribute list.
enum Listed {
    Added,
    /// The record's place is not known (yet).
    NotLocated,
    /// The record cannot be read or is not what the entry says.
    Unfit,
}

/// Adds the parts that one extension record describes.
fn add_listed_part(
    volume: &Volume<'_>,
    map: &mut TableMap,
    base: &RecordHeader,
    holder: Reference,
    findings: &mut Findings,
) -> Result<Listed, SourceLost> {
    let bytes = volume.boot.record_bytes;
    let offset = u64::from(holder.number()).saturating_mul(bytes);
    if !map.knows(offset, bytes) {
        return Ok(Listed::NotLocated);
    }
    let Some(mut record) = map.read(volume, offset, bytes)? else { return Ok(Listed::Unfit) };
    let agree = |a: u16, b: u16| a == b || a == 0 || b == 0;
    let Ok(header) = record::open(&mut record) else { return Ok(Listed::Unfit) };
    let fits = header.in_use
        && !header.base.is_none()
        && header.base.number() == 0
        && agree(header.base.sequence(), base.sequence)
        && agree(header.sequence, holder.sequence());
    if !fits {
        return Ok(Listed::Unfit);
    }
    add_parts(volume, map, &record, &header, findings);
    Ok(Listed::Added)
}

fn read_list(volume: &Volume<'_>, extents: &Extents<'_>, findings: &mut Findings) -> Result<Vec<u8>, SourceLost> {
    let wanted = extents.sizes.valid.min(LARGEST_LIST);
    let mut runs = Vec::new();
    let mut whole = runlist::unpack(extents.packed, extents.next_vcn, &mut runs).is_ok();
    let mut list = Vec::new();
    for (place, count) in runs {
        let left = wanted - list.len() as u64;
        if left == 0 {
            break;
        }
        let extent = place.and_then(|first: Lcn| volume.extent(first, count));
        let Some(extent) = extent else {
            whole = false;
            break;
        };
        let part = crate::base::extent::Extent { bytes: extent.bytes.min(left), ..extent };
        let block = volume.window.read_extent(part)?;
        // Entries before the first unreadable byte are still good.
        let readable = block.unreadable.missing_from(part);
        let good = readable.first().filter(|e| e.start == part.start).map_or(0, |e| small(e.bytes));
        list.extend_from_slice(&block.bytes[..good]);
        if good < block.bytes.len() {
            whole = false;
            break;
        }
    }
    if !whole || (list.len() as u64) < extents.sizes.size {
        let sentence =
            format!("Of $MFT's attribute list, {} of {} bytes could be read.", list.len(), extents.sizes.size);
        findings.push(Finding::general(&found::TABLE_LIST, sentence));
    }
    Ok(list)
}
