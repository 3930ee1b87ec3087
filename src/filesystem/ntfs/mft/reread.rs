//! Reading single file records again, for the attributes whose content lies in them: the catalog says that there is
//! one and how long it is, and keeps nothing of it.

use super::locate::MftTable;
use crate::base::extent::Extent;
use crate::filesystem::ntfs::structure::attribute::{ATTRIBUTE_LIST, Attribute, Attributes, Extents, Form};
use crate::filesystem::ntfs::structure::attribute_list::{LARGEST_LIST, ListEntries};
use crate::filesystem::ntfs::structure::file_name::decode_name;
use crate::filesystem::ntfs::structure::record::{self, RecordError, RecordHeader, Reference};
use crate::filesystem::ntfs::structure::runlist;
use crate::filesystem::ntfs::volume::Volume;
use crate::filesystem::{ClusterRun, Stream, VolumeMap};

/// Why an attribute cannot be read again. `E` is what fetching bytes can fail with.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RereadError<E> {
    /// The bytes could not be read.
    #[error("its record cannot be read: {0}")]
    Fetch(E),
    /// It is not known where the record lies.
    #[error("the place of record {0} is not known")]
    NoPlace(u32),
    /// The record is not sound.
    #[error("record {number} is not usable: {error}")]
    Record {
        /// The record's number.
        number: u32,
        /// What is wrong with it.
        error: RecordError,
    },
    /// The record belongs to another file by now, or to none.
    #[error("record {0} belongs to another file or to none")]
    OtherFile(u32),
    /// The file has no such attribute.
    #[error("the file has no such attribute")]
    Absent,
    /// The attribute's content lies in clusters, not in the record.
    #[error("the attribute's content lies in clusters")]
    NotResident,
}

/// Where the records of a volume lie.
#[derive(Clone, Debug)]
pub struct RecordPlaces {
    record_bytes: u64,
    volume: Extent,
    /// Byte of $MFT and place on the drive of its parts, ascending.
    parts: Vec<(u64, Extent)>,
    /// Bytes of $MFT, parts with unknown places among them.
    bytes: u64,
    /// Whether $MFT may have more than that: nothing tells its length.
    is_open_ended: bool,
}

impl RecordPlaces {
    /// The places in a volume; `None` when it is not NTFS.
    pub fn of(volume: &VolumeMap) -> Option<&RecordPlaces> {
        volume.record_places.as_ref()
    }

    /// By what record 0 says of $MFT: with the places of records that were never written.
    pub(in crate::filesystem::ntfs) fn of_stream(volume: &Volume<'_>, content: &Stream<'_>) -> RecordPlaces {
        let mut parts = Vec::new();
        let mut at = 0u64;
        for (place, count) in content.layout() {
            let bytes = count.saturating_mul(volume.geometry.cluster_bytes);
            let extent = place.and_then(|first| volume.geometry.extent(ClusterRun { first, count }));
            parts.extend(extent.map(|extent| (at, extent)));
            at = at.saturating_add(bytes);
        }
        let within = volume.window.extent();
        // The size is lost with the first part of the run list.
        let bytes = if content.size() == 0 { at } else { content.size().min(within.bytes) };
        let record_bytes = volume.boot.record_bytes;
        RecordPlaces { record_bytes, volume: within, parts, bytes, is_open_ended: false }
    }

    /// By where records were found, where record 0 does not tell.
    pub(in crate::filesystem::ntfs) fn of_table(volume: &Volume<'_>, table: &MftTable) -> RecordPlaces {
        RecordPlaces {
            record_bytes: volume.boot.record_bytes,
            volume: volume.window.extent(),
            parts: table.map.known().collect(),
            bytes: table.map.length,
            is_open_ended: table.partial,
        }
    }

    /// Whether there can be a record of this number.
    pub fn can_have(&self, number: u32) -> bool {
        self.is_open_ended || number < self.count()
    }

    /// Number of records that $MFT has, those with unknown places among them.
    pub fn count(&self) -> u32 {
        u32::try_from(self.bytes / self.record_bytes).unwrap_or(u32::MAX)
    }

    /// The record numbers that have bytes in `extent` of the drive, in ascending order of their numbers.
    pub fn records_in(&self, extent: Extent) -> impl Iterator<Item = u32> + '_ {
        let mut next = 0u64;
        self.parts.iter().flat_map(move |(offset, part)| {
            let range = part.intersection(&extent).map_or(0..0, |shared| {
                let from = offset + (shared.start.0 - part.start.0);
                let first = (from / self.record_bytes).max(next);
                first..(from + shared.bytes).div_ceil(self.record_bytes).max(first)
            });
            next = next.max(range.end);
            range.filter_map(|number| u32::try_from(number).ok())
        })
    }

    /// Where record `number` lies: one place, or several when it is larger than a cluster; `None` if not all is known.
    pub fn place(&self, number: u32) -> Option<Vec<Extent>> {
        let from = u64::from(number).checked_mul(self.record_bytes)?;
        let end = from.checked_add(self.record_bytes)?;
        let mut at = from;
        let mut places = Vec::new();
        let first = self.parts.partition_point(|(offset, part)| offset + part.bytes <= from);
        for (offset, part) in &self.parts[first..] {
            if *offset > at || at >= end {
                break;
            }
            let start = part.start.0 + (at - offset);
            let piece = Extent::between(start, start + (end - at).min(offset + part.bytes - at));
            at += piece.bytes;
            places.push(piece.intersection(&self.volume).filter(|inside| *inside == piece)?);
        }
        (at == end).then_some(places)
    }

    /// The content of a resident attribute of the file in use whose base record is `number`: type `kind`, with the
    /// name that the catalog gives it. Where the base record has no such attribute, its attribute list is followed.
    ///
    /// # Errors
    /// [`RereadError`].
    pub fn resident<E>(
        &self,
        volume: &VolumeMap,
        number: u32,
        kind: u32,
        name: Option<&str>,
        fetch: &mut impl FnMut(Extent) -> Result<Vec<u8>, E>,
    ) -> Result<Vec<u8>, RereadError<E>> {
        let (header, bytes) = self.record(number, fetch)?;
        if !header.in_use || !header.base.is_none() {
            return Err(RereadError::OtherFile(number));
        }
        match find(&bytes, &header, kind, name) {
            Err(RereadError::Absent) => {}
            settled => return settled,
        }
        let list = Attributes::new(&bytes, header.first_attribute).flatten().find(|a| a.kind == ATTRIBUTE_LIST);
        let list = match list.map(|a| a.form) {
            None => return Err(RereadError::Absent),
            Some(Form::Resident(value)) => value.to_vec(),
            Some(Form::NonResident(extents)) => read_list(volume, &extents, fetch)?,
        };
        let mut text = String::new();
        let wanted = ListEntries::new(&list).find(|entry| {
            entry.kind == kind && entry.holder.number() != number && is_named(entry.name, name, &mut text)
        });
        let holder = wanted.ok_or(RereadError::Absent)?.holder;
        let (extension, bytes) = self.record(holder.number(), fetch)?;
        if !extension.in_use || !belongs(&extension, holder, number, &header) {
            return Err(RereadError::OtherFile(holder.number()));
        }
        find(&bytes, &extension, kind, name)
    }

    fn record<E>(
        &self,
        number: u32,
        fetch: &mut impl FnMut(Extent) -> Result<Vec<u8>, E>,
    ) -> Result<(RecordHeader, Vec<u8>), RereadError<E>> {
        let mut bytes = Vec::new();
        for extent in self.place(number).ok_or(RereadError::NoPlace(number))? {
            bytes.extend(fetch(extent).map_err(RereadError::Fetch)?);
        }
        let header = record::open(&mut bytes).map_err(|error| RereadError::Record { number, error })?;
        Ok((header, bytes))
    }
}

/// Whether an extension record is the one its list entry means and is a part of the file. 0 is "not to be checked".
fn belongs(extension: &RecordHeader, entry: Reference, base_number: u32, base: &RecordHeader) -> bool {
    let agree = |a: u16, b: u16| a == b || a == 0 || b == 0;
    extension.base.number() == base_number
        && !extension.base.is_none()
        && agree(extension.base.sequence(), base.sequence)
        && agree(extension.sequence, entry.sequence())
}

fn find<E>(record: &[u8], header: &RecordHeader, kind: u32, name: Option<&str>) -> Result<Vec<u8>, RereadError<E>> {
    let mut text = String::new();
    let is_meant = |a: &Attribute<'_>| a.kind == kind && is_named(a.name, name, &mut text);
    let found = Attributes::new(record, header.first_attribute).flatten().find(is_meant);
    match found.map(|a| a.form) {
        None => Err(RereadError::Absent),
        Some(Form::Resident(value)) => Ok(value.to_vec()),
        Some(Form::NonResident(_)) => Err(RereadError::NotResident),
    }
}

fn is_named(units: &[u8], name: Option<&str>, text: &mut String) -> bool {
    match name {
        None => units.is_empty(),
        Some(name) if units.is_empty() => name.is_empty(),
        Some(name) => {
            decode_name(units, text);
            text == name
        }
    }
}

/// An attribute list that lies in clusters. A part that cannot be read ends it: what is before is still good.
fn read_list<E>(
    volume: &VolumeMap,
    extents: &Extents<'_>,
    fetch: &mut impl FnMut(Extent) -> Result<Vec<u8>, E>,
) -> Result<Vec<u8>, RereadError<E>> {
    let wanted = extents.sizes.valid.min(LARGEST_LIST);
    let mut runs = Vec::new();
    // Runs before the first that is damaged are appended all the same.
    let _ = runlist::unpack(extents.packed, extents.next_vcn, &mut runs);
    let mut list = Vec::new();
    for (place, count) in runs {
        let left = wanted - list.len() as u64;
        let extent = place.and_then(|first| volume.geometry.extent(ClusterRun { first, count }));
        let Some(extent) = extent.filter(|_| left > 0) else { break };
        list.extend(fetch(Extent { bytes: extent.bytes.min(left), ..extent }).map_err(RereadError::Fetch)?);
    }
    Ok(list)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places() -> RecordPlaces {
        let parts = vec![
            (0, Extent::between(4096, 6144)),
            (2048, Extent::between(512, 1024)),
            (2560, Extent::between(9000, 11_048)),
        ];
        RecordPlaces {
            record_bytes: 1024,
            volume: Extent::between(0, 10_536),
            parts,
            bytes: 4608,
            is_open_ended: false,
        }
    }

    #[test]
    fn records_have_places_and_places_have_records() {
        let places = places();
        assert_eq!(places.place(1), Some(vec![Extent::between(5120, 6144)]));
        assert_eq!(places.place(2), Some(vec![Extent::between(512, 1024), Extent::between(9000, 9512)]));
        assert_eq!(places.place(3), Some(vec![Extent::between(9512, 10_536)]));
        assert_eq!(places.place(4), None, "only half of it is described");
        assert_eq!(places.place(u32::MAX), None);
        let within = |from, to| places.records_in(Extent::between(from, to)).collect::<Vec<_>>();
        assert_eq!(within(0, 20_000), [0, 1, 2, 3, 4]);
        assert_eq!(within(5119, 5121), [0, 1]);
        assert_eq!(within(9511, 9512), [2]);
        assert_eq!(within(0, 512), [0u32; 0]);
    }
}
