//! The whole drive: how it is divided and what each area holds, read once.

use super::two_maps::{TwoMaps, compare_maps};
use crate::base::ending::{Ending, Ends};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Code, Finding, Findings, Severity};
use crate::filesystem::{self, Content};
use crate::partition::findings::SEARCH_CUT_SHORT;
use crate::partition::{self, Area, AreaKind, DriveLayout, Reserved, Scheme};
use crate::source::{Reader, SourceIdentity, SourceLost, Window};
use std::sync::OnceLock;

/// Some structure could not be read because sectors did not answer.
pub static UNREADABLE: Code = Code {
    id: "unreadable-sectors",
    severity: Severity::Damage,
    meaning: "Sectors that hold tables or file-system structure could not be read. What they describe may be missing \
              from the plan unless the other map of what is used covers it.",
};

/// Some structure was not tried, or not sector by sector.
pub static NOT_READ_YET: Code = Code {
    id: "structure-not-read-yet",
    severity: Severity::Damage,
    meaning: "Tables or file-system structure are not read yet: they were skipped, or too many requests failed \
              before. `copy` reads them first; then survey the case again.",
};

/// The codes of this layer.
pub static CODES: &[&Code] = &[&UNREADABLE, &NOT_READ_YET];

/// An area of the drive and what it holds.
#[derive(Debug)]
pub struct DriveArea {
    /// Where it lies and how the table names it.
    pub area: Area,
    /// What it holds; `None` for space in no partition, and for a partition that is set aside and holds nothing.
    pub content: Option<Content>,
    maps: OnceLock<TwoMaps>,
}

/// All that is known of a drive once its tables and file-system structure were read.
#[derive(Debug)]
pub struct DriveMap {
    /// What the source says about itself.
    pub identity: SourceIdentity,
    /// How it is divided; its areas have moved into `areas`.
    pub layout: DriveLayout,
    /// The areas, in ascending order of their start.
    pub areas: Vec<DriveArea>,
    /// What was requested and could not be read. Whatever it holds, it was looked for as structure.
    pub unread: ExtentSet,
    /// Findings about the drive as a whole.
    pub findings: Findings,
}

/// Reads the tables and every volume's structure.
///
/// # Errors
/// [`SourceLost`] when the device is gone. Damage is not an error: it is in the findings.
pub fn read_drive(reader: &Reader) -> Result<DriveMap, SourceLost> {
    // The rest is for the volumes.
    reader.share_trouble(6, 7);
    let mut layout = partition::read_layout(reader)?;
    layout.table_extents.extend(reader.identity().last_sector());
    let mut areas = Vec::new();
    let read = |area: &Area| if matches!(area.kind, AreaKind::Unpartitioned) { 0 } else { area.extent.bytes };
    let mut bytes_left: u64 = layout.areas.iter().map(read).sum();
    for area in std::mem::take(&mut layout.areas) {
        reader.share_trouble(read(&area), bytes_left);
        bytes_left -= read(&area);
        let window = Window::new(reader, area.extent);
        let reserved = match &area.kind {
            AreaKind::Partition(entry) if layout.types_are_proven() => entry.reserved(),
            _ => None,
        };
        let content = match (&area.kind, reserved) {
            (AreaKind::Unpartitioned, _) => None,
            (_, Some(Reserved::Space)) => filesystem::read_reserved(&window)?,
            // Code has no structure to recognise, and is planned.
            (_, Some(Reserved::Code)) => Some(filesystem::read_reserved(&window)?.unwrap_or_else(Content::code)),
            (_, None) => Some(filesystem::read_content(&window)?),
        };
        areas.push(DriveArea::new(area, content));
    }
    reader.share_trouble(1, 1);
    look_for_bare_volume(reader, &mut layout, &mut areas)?;
    reader.end_shares();
    let mut findings = Findings::new();
    let (unread, not_read_yet) = (reader.unreadable(), reader.not_read_yet());
    let lba = |extent: &Extent| reader.identity().logical_sector.lba_of(extent.start).0;
    for extent in unread.extents().iter().flat_map(|extent| not_read_yet.missing_from(*extent)) {
        let sentence =
            format!("{} bytes from byte {} could not be read (LBA {} on)", extent.bytes, extent.start.0, lba(&extent));
        findings.push(Finding::at(&UNREADABLE, extent.start, sentence));
    }
    for extent in not_read_yet.extents() {
        let sentence =
            format!("{} bytes from byte {} are not read yet (LBA {} on)", extent.bytes, extent.start.0, lba(extent));
        findings.push(Finding::at(&NOT_READ_YET, extent.start, sentence));
    }
    Ok(DriveMap { identity: reader.identity().clone(), layout, areas, unread, findings })
}

/// A drive without any table or boot sector may be one volume whose boot sectors are lost: its structure tells. Only where
/// nothing else was found, and where the search for volumes did not end because the drive does not answer.
fn look_for_bare_volume(
    reader: &Reader,
    layout: &mut DriveLayout,
    areas: &mut Vec<DriveArea>,
) -> Result<(), SourceLost> {
    let lost = matches!(layout.scheme, Scheme::Unrecognised | Scheme::Searched);
    let silent = layout.findings.count(&SEARCH_CUT_SHORT) > 0;
    let [DriveArea { area, content: None, .. }] = areas.as_slice() else { return Ok(()) };
    if !lost || silent {
        return Ok(());
    }
    let area = Area { kind: AreaKind::Volume, ..area.clone() };
    if let Some(volume) = filesystem::read_without_boot_sector(&Window::new(reader, area.extent))? {
        layout.scheme = Scheme::SingleVolume;
        layout.outside_unexplained = false;
        *areas = vec![DriveArea::new(area, Some(Content::Volume(volume)))];
    }
    Ok(())
}

impl DriveArea {
    fn new(area: Area, content: Option<Content>) -> DriveArea {
        DriveArea { area, content, maps: OnceLock::new() }
    }

    /// The two maps of its volume compared: once, however often it is needed. `None` where there is no volume.
    pub fn two_maps(&self) -> Option<&TwoMaps> {
        match &self.content {
            Some(Content::Volume(volume)) => Some(self.maps.get_or_init(|| compare_maps(volume))),
            _ => None,
        }
    }

    /// The number a volume is chosen by: its partition's, 1 for a drive that is one volume, or the one that a search gave.
    pub fn number(&self) -> Option<u32> {
        match &self.area.kind {
            AreaKind::Partition(entry) => Some(entry.number),
            AreaKind::Volume => Some(1),
            AreaKind::Found(volume) => Some(volume.number),
            AreaKind::Unpartitioned => None,
        }
    }
}

/// There is no volume of the number given.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("no volume {asked}: this drive has {there}")]
pub struct NoSuchVolume {
    /// The number or first byte as given.
    pub asked: u64,
    /// The volumes there are.
    pub there: String,
}

impl DriveMap {
    /// The areas that are meant by partition numbers or first bytes; all (`None`) when none are given.
    ///
    /// # Errors
    /// [`NoSuchVolume`] for the first that fits no area.
    pub fn choose_areas(&self, asked: &[u64]) -> Result<Option<Vec<usize>>, NoSuchVolume> {
        if asked.is_empty() {
            return Ok(None);
        }
        let find = |wanted: &u64| {
            let mut candidates = self.areas.iter().enumerate().filter(|(_, area)| area.content.is_some());
            candidates
                .find(|(_, area)| area.number().map(u64::from) == Some(*wanted) || area.area.extent.start.0 == *wanted)
                .map(|(index, _)| index)
                .ok_or_else(|| NoSuchVolume { asked: *wanted, there: self.volume_list() })
        };
        let mut chosen = asked.iter().map(find).collect::<Result<Vec<usize>, _>>()?;
        chosen.sort_unstable();
        chosen.dedup();
        Ok(Some(chosen))
    }

    fn volume_list(&self) -> String {
        let list: Vec<String> = self
            .areas
            .iter()
            .filter(|area| area.content.is_some())
            .filter_map(|area| Some(format!("{} (from byte {})", area.number()?, area.area.extent.start.0)))
            .collect();
        if list.is_empty() { "no volumes".to_owned() } else { list.join(", ") }
    }

    /// The volumes that were understood, with the index of their area.
    pub fn volumes(&self) -> impl Iterator<Item = (usize, &filesystem::VolumeMap)> {
        self.areas.iter().enumerate().filter_map(|(index, area)| match &area.content {
            Some(Content::Volume(volume)) => Some((index, volume.as_ref())),
            _ => None,
        })
    }

    /// The volumes of which the allocation map alone was read, with the index of their area.
    pub fn mapped(&self) -> impl Iterator<Item = (usize, &filesystem::SpaceMap)> {
        self.areas.iter().enumerate().filter_map(|(index, area)| match &area.content {
            Some(Content::Mapped(map)) => Some((index, map.as_ref())),
            _ => None,
        })
    }

    /// All findings: the drive's, then each area's in order.
    pub fn all_findings(&self) -> Findings {
        let mut all = self.findings.clone();
        all.append(self.layout.findings.clone());
        for area in &self.areas {
            match &area.content {
                Some(Content::Volume(volume)) => all.append(volume.findings.clone()),
                Some(Content::Mapped(map)) => all.append(map.findings.clone()),
                Some(Content::Opaque { findings, .. }) => all.append(findings.clone()),
                None => {}
            }
        }
        all
    }
}

impl Ends for NoSuchVolume {
    fn ending(&self) -> Ending {
        Ending::Usage
    }
}
