//! Whether a drive is the case's own, whatever it calls itself: behind another bridge it has another name and serial number.

use super::Refusal;
use crate::base::extent::{Extent, ExtentSet};
use crate::case::{Case, ContentPart};
use crate::filesystem::Content;
use crate::partition::{AreaKind, DriveMark, Scheme};
use crate::source::{CopyStore, SourceLost};
use crate::store::image::Image;
use crate::survey::allocation::DriveMap;
use std::collections::BTreeSet;
use std::io;

/// How much of a drive's start and end is looked at, in bytes.
pub(super) const END_BYTES: u64 = 1 << 20;

/// How many samples are compared beside tables and boot sectors, and how large each is, in bytes.
const SAMPLES: u64 = 64;
const SAMPLE_BYTES: u64 = 4096;

/// Most of tables and boot sectors that is compared, in bytes.
const TABLE_BYTES: u64 = 64 << 10;

/// All numbers that a drive has in its structure.
pub(super) fn marks_of(drive: &DriveMap) -> BTreeSet<DriveMark> {
    let mut marks = BTreeSet::new();
    for area in &drive.areas {
        if let AreaKind::Partition(entry) = &area.area.kind {
            marks.extend(entry.unique_id.clone().map(DriveMark::PartitionGuid));
        }
        let number = match &area.content {
            Some(Content::Volume(volume)) => Some(volume.serial.clone()),
            Some(content) => content.recognised().and_then(|found| found.uuid.clone()),
            None => None,
        };
        // Nothing but zeros and dashes is no number.
        let number = number.filter(|number| number.chars().any(|c| !matches!(c, '0' | '-')));
        marks.extend(number.map(DriveMark::Volume));
    }
    marks
}

/// Refuses a drive that has a number of the case's drive.
pub(super) fn refuse_marks(own: &BTreeSet<DriveMark>, others: &BTreeSet<DriveMark>) -> Result<(), Refusal> {
    own.intersection(others).next().map_or(Ok(()), |mark| Err(Refusal::BearsMark(mark.clone())))
}

/// What a drive holds, in a few words; `None` where nothing is recognised.
pub(super) fn holds(drive: &DriveMap) -> Option<String> {
    let table = match drive.layout.scheme {
        Scheme::Gpt => Some("a GUID partition table"),
        Scheme::Mbr => Some("a master boot record"),
        Scheme::SingleVolume | Scheme::Searched | Scheme::Unrecognised => None,
    };
    let contents = drive.areas.iter().filter_map(|area| area.content.as_ref().and_then(Content::name));
    let found: Vec<&str> = table.into_iter().chain(contents).collect();
    (!found.is_empty()).then(|| found.join(", "))
}

/// Places of the case's drive with what they hold, none of them zeros alone. They are held, and tell a drive without any number.
pub(super) struct Samples(Vec<(Extent, Vec<u8>)>);

impl Samples {
    /// Of `tables`, which tell a copy that is not finished from the drive, and evenly of all that is held.
    pub(super) fn of(case: &Case, tables: &ExtentSet) -> Result<Samples, SourceLost> {
        let content = case.content();
        let held = case.store().held(Extent::between(0, content.bytes()));
        let total: u64 = held.iter().map(|place| place.bytes).sum();
        let mut left = TABLE_BYTES;
        let of_tables = tables.extents().iter().flat_map(|place| case.store().held(*place));
        let of_tables = of_tables.map_while(|place| {
            let part = Extent { bytes: place.bytes.min(left), ..place };
            left -= part.bytes;
            (part.bytes > 0).then_some(part)
        });
        let mut samples: Vec<Extent> = of_tables.collect();
        samples.extend((0..SAMPLES).filter_map(|number| sample_at(&held, total / SAMPLES * number)));
        let mut read = Vec::new();
        for place in samples {
            let mut bytes = vec![0; usize::try_from(place.bytes).expect("at most 64 KiB")];
            content.read_at(place.start, &mut bytes).map_err(SourceLost::Store)?;
            read.push((place, bytes));
        }
        read.retain(|(_, bytes)| bytes.iter().any(|byte| *byte != 0));
        if read.is_empty() {
            read.extend(first_that_holds_anything(case)?);
        }
        Ok(Samples(read))
    }

    /// Refuses a drive, of which `read` reads a place, that has all of it.
    pub(super) fn refuse_same(&self, read: impl Fn(Extent, &mut [u8]) -> io::Result<()>) -> Result<(), Refusal> {
        if self.0.is_empty() {
            return Err(Refusal::NothingKnown);
        }
        for (place, bytes) in &self.0 {
            let mut there = vec![0; bytes.len()];
            read(*place, &mut there)
                .map_err(|error| Refusal::CannotTell { place: *place, error: error.to_string() })?;
            if there != *bytes {
                return Ok(());
            }
        }
        Err(Refusal::SameContent)
    }
}

/// The sample that begins behind so many held bytes.
fn sample_at(held: &[Extent], mut behind: u64) -> Option<Extent> {
    let place = held.iter().find(|place| {
        let is_in = behind < place.bytes;
        behind -= if is_in { 0 } else { place.bytes };
        is_in
    })?;
    let start = place.start.0 + behind;
    Some(Extent::between(start, (start + SAMPLE_BYTES).min(place.end())))
}

fn first_that_holds_anything(case: &Case) -> Result<Option<(Extent, Vec<u8>)>, SourceLost> {
    let mut found = None;
    let looked = case.content().for_each_part(
        |error| Some(SourceLost::Store(error)),
        |at, piece| {
            let ContentPart::Bytes(bytes) = piece else { return Ok(()) };
            let samples = Extent::between(at.0, at.0 + bytes.len() as u64).pieces(SAMPLE_BYTES);
            let mut parts = samples.zip(bytes.chunks(usize::try_from(SAMPLE_BYTES).expect("4096")));
            found = parts.find(|(_, part)| part.iter().any(|byte| *byte != 0)).map(|(at, part)| (at, part.to_vec()));
            if found.is_some() { Err(None) } else { Ok(()) }
        },
    );
    match looked {
        Err(Some(error)) => Err(error),
        Err(None) | Ok(()) => Ok(found),
    }
}
