//! From what was read of a drive to its plan, in one step; and the same plan again once more is known.

use super::no_match::{note, note_lost_folders, note_unlisted, unknown_names, without_match};
use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use crate::filesystem::Content;
use crate::plan::{
    BuildError, Fingerprint, NoMatch, Plan, PlanHeader, PlanRequest, PlanSource, PlanVolume, ScopeError, Sweeps, build,
};
use crate::source::{Reader, SourceLost};
use crate::survey::allocation::{Choices, Class, ClassMap, DriveMap, NoSuchVolume, PatternError, Patterns, classify};
use std::collections::BTreeSet;

/// Why a plan cannot be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum MakeError {
    /// A pattern.
    #[error(transparent)]
    Pattern(#[from] PatternError),
    /// A pattern that matches nothing.
    #[error(transparent)]
    NoMatch(#[from] NoMatch),
    /// A volume.
    #[error(transparent)]
    Volume(#[from] NoSuchVolume),
    /// The rest of the request.
    #[error(transparent)]
    Build(#[from] BuildError),
    /// The drive.
    #[error(transparent)]
    Lost(#[from] SourceLost),
}

impl From<ScopeError> for MakeError {
    fn from(error: ScopeError) -> MakeError {
        MakeError::Build(error.into())
    }
}

/// Makes the plan of `request`. `volumes` names the volumes to keep to, by number or first byte; all when it is empty.
/// A wanted pattern that matches nothing is refused, unless what it matches may be among what is not known; then a
/// finding says so.
///
/// # Errors
/// [`MakeError`].
pub fn make(reader: &Reader, drive: &DriveMap, request: &PlanRequest, volumes: &[u64]) -> Result<Plan, MakeError> {
    make_of(reader, drive, request, volumes, true)
}

fn make_of(
    reader: &Reader,
    drive: &DriveMap,
    request: &PlanRequest,
    volumes: &[u64],
    refuses: bool,
) -> Result<Plan, MakeError> {
    let choices = request.check()?;
    let areas = drive.choose_areas(volumes)?;
    let mut none = without_match(&request.wants, drive, areas.as_deref())?;
    let unknown = unknown_names(drive, areas.as_deref());
    if refuses && unknown.is_none() && !none.is_empty() {
        return Err(none.swap_remove(0).into());
    }
    let numbered = |list: Vec<usize>| list.into_iter().map(|n| u32::try_from(n).expect("few areas")).collect();
    let request = PlanRequest { areas: areas.map(numbered), ..request.clone() };
    let request = request.widened(drive.layout.outside_unexplained);
    let map = classify(drive, &choices);
    let source = plan_source(reader, &map)?;
    let sweeps = Sweeps::new(&map).avoiding(&drive.unread);
    let mut findings = drive.all_findings();
    note(&none, unknown, &mut findings);
    note_lost_folders(&request.wants, drive, &mut findings);
    note_unlisted(&request.wants, drive, request.areas.as_ref(), &mut findings);
    Ok(build(&sweeps, &request, source, plan_volumes(drive), &findings)?)
}

/// Makes the plan that `header` belongs to anew, from what is known of the drive now. A volume that it kept to and that
/// no longer stands there is passed over; when none is left, all are taken: a plan widens, never narrows. A pattern that
/// matches nothing is a finding.
///
/// # Errors
/// [`MakeError`].
pub fn make_again(reader: &Reader, drive: &DriveMap, header: &PlanHeader) -> Result<Plan, MakeError> {
    let request = PlanRequest {
        scope: header.scope,
        also: header.also.clone(),
        without: header.without.clone(),
        areas: None,
        bridge: header.bridge.clone(),
        wants: header.wants.clone(),
        bulk: header.bulk.clone(),
        order: header.order,
    };
    let there: BTreeSet<u64> =
        drive.areas.iter().filter(|a| a.content.is_some()).map(|a| a.area.extent.start.0).collect();
    let kept_to = header.volumes.iter().any(|volume| !volume.chosen);
    let chosen: Vec<u64> = header
        .volumes
        .iter()
        .filter(|volume| kept_to && volume.chosen && there.contains(&volume.start))
        .map(|volume| volume.start)
        .collect();
    make_of(reader, drive, &request, &chosen, false)
}

impl PlanRequest {
    /// Whether the request can be met at all, whatever the drive holds.
    ///
    /// # Errors
    /// [`MakeError`] for a pattern or a class that cannot be used.
    pub fn check(&self) -> Result<Choices, MakeError> {
        self.choice()?;
        Ok(Choices { wanted: Patterns::new(&self.wants)?, bulk: Patterns::new(&self.bulk)?, prefer: self.order.prefer })
    }
}

/// How much of the drive a fingerprint covers where no table could be read.
const WITHOUT_TABLES: u64 = 64 << 10;

/// The drive's identity with the fingerprint of its tables and boot sectors, as far as they were read; where none was, of
/// the first 64 KiB that were. The same from the drive and from its case.
///
/// # Errors
/// [`SourceLost`]; but the places are kept from the first reading, so the drive is not asked again.
fn plan_source(reader: &Reader, map: &ClassMap) -> Result<PlanSource, SourceLost> {
    let looked_at = reader.looked_at();
    let tables = map.runs().iter().filter(|run| run.class == Class::Tables);
    let mut places: Vec<Extent> = tables.flat_map(|run| looked_at.intersection(run.extent)).collect();
    if places.is_empty() {
        let mut left = WITHOUT_TABLES;
        places = looked_at.extents().iter().map(|extent| first_bytes(*extent, &mut left)).collect();
        places.retain(|place| !place.is_empty());
    }
    let blocks = places.iter().map(|place| reader.read(*place)).collect::<Result<Vec<_>, _>>()?;
    let fingerprint = Fingerprint::of(blocks.iter().map(|block| (block.extent, block.bytes.as_slice())));
    Ok(PlanSource::new(reader.identity(), fingerprint))
}

/// The beginning of an extent, as far as there is something `left`.
fn first_bytes(extent: Extent, left: &mut u64) -> Extent {
    let bytes = extent.bytes.min(*left);
    *left -= bytes;
    Extent::between(extent.start.0, extent.start.0 + bytes)
}

/// The volumes as a plan lists them.
fn plan_volumes(drive: &DriveMap) -> Vec<PlanVolume> {
    let entry = |(index, area): (usize, &crate::survey::allocation::DriveArea)| {
        let content = area.content.as_ref()?;
        let volume = match content {
            Content::Volume(volume) => Some(volume),
            Content::Mapped(_) | Content::Opaque { .. } => None,
        };
        Some(PlanVolume {
            area: u32::try_from(index).expect("few areas"),
            start: area.area.extent.start.0,
            bytes: area.area.extent.bytes,
            file_system: content.name().map(str::to_owned),
            label: volume.map_or_else(|| content.recognised()?.label.clone(), |v| v.label.clone()),
            serial: volume.map_or_else(|| content.recognised()?.uuid.clone(), |v| Some(v.serial.clone())),
            chosen: true,
        })
    };
    drive.areas.iter().enumerate().filter_map(entry).collect()
}

impl Ends for MakeError {
    fn ending(&self) -> Ending {
        match self {
            MakeError::Pattern(error) => error.ending(),
            MakeError::NoMatch(error) => error.ending(),
            MakeError::Volume(error) => error.ending(),
            MakeError::Build(BuildError::Scope(_)) => Ending::Usage,
            MakeError::Build(_) => Ending::Plan,
            MakeError::Lost(error) => error.ending(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::source::MemorySource;
    use crate::survey::allocation::ClassRun;

    /// What tells a drive of 4 MiB that was read at two places, whose first mebibyte is of a class.
    fn told(class: Class) -> (Fingerprint, Vec<u8>) {
        let bytes: Vec<u8> = (0_u32..1 << 20).flat_map(|n| n.wrapping_mul(0x9E37_79B9).to_le_bytes()).collect();
        let reader = Reader::new(Box::new(MemorySource::new(bytes.clone(), SectorSize::S512)), None);
        for (from, to) in [(4096, 8192), (2 << 20, (2 << 20) + (100 << 10))] {
            reader.read(Extent::between(from, to)).unwrap();
        }
        let run = |from: u64, to: u64, class| ClassRun {
            extent: Extent::between(from << 20, to << 20),
            class,
            lane: 0,
            area: ClassRun::NO_AREA,
        };
        let map = ClassMap::from_runs([run(0, 1, class), run(1, 4, Class::Free)]);
        (plan_source(&reader, &map).unwrap().fingerprint, bytes)
    }

    #[test]
    fn a_drive_is_told_by_its_tables_and_without_any_by_the_first_64_kib_that_were_read() {
        let of = |bytes: &[u8], places: &[(usize, usize)]| {
            let extent = |(from, to): &(usize, usize)| Extent::between(*from as u64, *to as u64);
            Fingerprint::of(places.iter().map(|place| (extent(place), &bytes[place.0..place.1])))
        };
        let (fingerprint, bytes) = told(Class::Tables);
        assert_eq!(fingerprint, of(&bytes, &[(4096, 8192)]));
        let (fingerprint, bytes) = told(Class::Structure);
        assert_eq!(fingerprint, of(&bytes, &[(4096, 8192), (2 << 20, (2 << 20) + (60 << 10))]));
    }
}
