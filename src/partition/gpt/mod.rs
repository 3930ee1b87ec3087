//! GPT: finding it in the sector size it was written in, reading both copies, and using the better one.

mod copies;
mod entries;
mod header;

use super::areas::lay_out;
use super::drive::Drive;
use super::findings::{
    GPT_BACKUP_ENTRIES, GPT_BACKUP_HEADER, GPT_BACKUP_NOT_LAST, GPT_COPIES_DIFFER, GPT_PRIMARY_ENTRIES,
    GPT_PRIMARY_HEADER, GPT_REVISION, GPT_UNVERIFIED, SECTOR_SIZE_DIFFERS,
};
use super::mbr::MbrEntry;
use super::{DriveLayout, Scheme};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Code, Finding, Findings};
use crate::base::units::{Lba, SectorSize};
use crate::source::SourceLost;
use copies::{Array, Copy, Which};
use header::HeaderState;
use std::collections::BTreeSet;

/// A GPT as found: the sector size it was written in and both its copies.
pub(super) struct Gpt {
    unit: SectorSize,
    primary: Copy,
    backup: Copy,
}

impl Gpt {
    /// Looks for a GPT: a header in sector 1 of the reported size, then of the other; then in the last sector, in both
    /// sizes, and where the drive ended when `protective`, the MBR's own entry, was written. `None` when no copy is
    /// left that can be used.
    pub(super) fn find(drive: &Drive<'_>, protective: Option<&MbrEntry>) -> Result<Option<Gpt>, SourceLost> {
        let mut candidates = Vec::new();
        for unit in drive.units() {
            let primary = Copy::header(drive, Which::Primary, Lba(1), unit)?;
            if primary.state.sound().is_some() {
                return Gpt::from_primary(drive, primary, unit).map(Some);
            }
            candidates.push((unit, primary));
        }
        for (unit, primary) in &candidates {
            for at in ends(drive, *unit, protective) {
                let backup = Copy::header(drive, Which::Backup, at, *unit)?;
                if backup.state.sound().is_some() {
                    return Gpt::from_backup(drive, primary.clone(), backup, *unit).map(Some);
                }
            }
        }
        // No sound header at all. A damaged one may still lead to an array that its CRC proves, or to entries
        // that are better than nothing.
        let mut best: Option<Gpt> = None;
        for (unit, primary) in candidates {
            let last = drive.last(unit).unwrap_or(Lba(0));
            let backup = Copy::header(drive, Which::Backup, last, unit)?;
            let mut gpt = Gpt { unit, primary, backup };
            gpt.primary.read_array(drive, unit)?;
            gpt.backup.read_array(drive, unit)?;
            let rank = gpt.chosen().rank();
            if rank > best.as_ref().map_or(0, |b| b.chosen().rank()) {
                best = Some(gpt);
            }
        }
        Ok(best)
    }

    /// Completes a GPT whose primary header is sound.
    fn from_primary(drive: &Drive<'_>, mut primary: Copy, unit: SectorSize) -> Result<Gpt, SourceLost> {
        primary.read_array(drive, unit)?;
        let alternate = primary.state.sound().map_or(Lba(0), |h| h.alternate);
        let last = drive.last(unit);
        let places = [Some(alternate).filter(|at| at.0 > 1), last];
        let mut backup: Option<Copy> = None;
        for at in places.into_iter().flatten() {
            if backup.as_ref().is_some_and(|b| b.at == at || b.state.sound().is_some()) {
                continue;
            }
            let copy = Copy::header(drive, Which::Backup, at, unit)?;
            // The first place looked at is where the header says; another one counts only with a sound header.
            if backup.is_none() || copy.state.sound().is_some() {
                backup = Some(copy);
            }
        }
        let mut backup = match backup {
            Some(copy) => copy,
            None => Copy::header(drive, Which::Backup, alternate, unit)?,
        };
        backup.read_array(drive, unit)?;
        if !primary.array.is_sound()
            && !backup.array.is_sound()
            && let Some(header) = primary.state.sound().cloned()
        {
            // Customary place, right in front of the backup header; the primary header's CRC can prove it.
            let at = Lba(backup.at.0.saturating_sub(header.array_sectors(unit)));
            let before = backup.clone();
            backup.read_array_by(drive, header, at, unit)?;
            if !backup.array.is_sound() {
                backup = before;
            }
        }
        Ok(Gpt { unit, primary, backup })
    }

    /// Completes a GPT whose backup header is sound and whose primary header is not.
    fn from_backup(
        drive: &Drive<'_>,
        mut primary: Copy,
        mut backup: Copy,
        unit: SectorSize,
    ) -> Result<Gpt, SourceLost> {
        backup.read_array(drive, unit)?;
        // Customary place of the primary array; the backup header's CRC can prove it.
        if let Some(header) = backup.state.sound().cloned() {
            primary.read_array_by(drive, header, Lba(2), unit)?;
        }
        Ok(Gpt { unit, primary, backup })
    }

    /// The better copy; the primary when both are equally good.
    fn chosen(&self) -> &Copy {
        if self.backup.rank() > self.primary.rank() { &self.backup } else { &self.primary }
    }

    /// The layout that the better copy gives, with what was noticed about both.
    pub(super) fn layout(self, drive: &Drive<'_>, mut findings: Findings) -> DriveLayout {
        let unit = self.unit;
        self.note_sector_size(drive, &mut findings);
        self.note_faults(&self.primary, &GPT_PRIMARY_HEADER, &GPT_PRIMARY_ENTRIES, &mut findings);
        self.note_faults(&self.backup, &GPT_BACKUP_HEADER, &GPT_BACKUP_ENTRIES, &mut findings);
        self.note_backup_place(drive, &mut findings);
        self.note_differences(&mut findings);
        let chosen = self.chosen();
        if chosen.rank() < 3 {
            let sentence = format!(
                "No copy of the GPT is sound; the {} copy at {} is used as it stands.",
                chosen.which.name(),
                chosen.at
            );
            findings.push(Finding::at(&GPT_UNVERIFIED, chosen.place(unit), sentence));
        }
        let mut claims = Vec::new();
        if let Some((bytes, header)) = chosen.contents() {
            if header.revision != 0x0001_0000 {
                let (major, minor) = (header.revision >> 16, header.revision & 0xFFFF);
                let sentence = format!("The {} GPT header states revision {major}.{minor}.", chosen.which.name());
                findings.push(Finding::at(&GPT_REVISION, chosen.place(unit), sentence));
            }
            let array_at = chosen.array_place.map(|e| e.start).unwrap_or_default();
            claims = entries::claims(bytes, header, array_at, &mut findings);
        }
        let mut table_extents: ExtentSet = self.primary.extents(drive, unit).into_iter().collect();
        for extent in self.backup.extents(drive, unit) {
            table_extents.insert(extent);
        }
        table_extents.insert(Extent::between(0, unit.bytes().min(drive.bytes())));
        let areas = lay_out(claims, unit, drive.extent(), &mut findings);
        DriveLayout {
            scheme: Scheme::Gpt,
            table_sector: unit,
            areas,
            table_extents,
            promised: BTreeSet::new(),
            outside_unexplained: false,
            findings,
        }
    }

    /// The sector size that the table was written in.
    pub(super) fn unit(&self) -> SectorSize {
        self.unit
    }

    fn note_sector_size(&self, drive: &Drive<'_>, findings: &mut Findings) {
        if self.unit == drive.reported {
            return;
        }
        let chosen = self.chosen();
        let sentence = format!(
            "The drive reports sectors of {} bytes, but the {} GPT header stands at byte {}, which is its place ({}) in \
             sectors of {} bytes. Partitions are placed by {}-byte sectors.",
            drive.reported,
            chosen.which.name(),
            chosen.place(self.unit).0,
            chosen.at,
            self.unit,
            self.unit
        );
        findings.push(Finding::at(&SECTOR_SIZE_DIFFERS, chosen.place(self.unit), sentence));
    }

    fn note_faults(&self, copy: &Copy, header: &'static Code, array: &'static Code, findings: &mut Findings) {
        let (which, unit) = (copy.which.name(), self.unit);
        if let Some(fault) = copy.state.fault() {
            let sentence = format!("The {which} GPT header at {} ({unit}-byte sectors) {fault}.", copy.at);
            findings.push(Finding::at(header, copy.place(unit), sentence));
        }
        let why = match (&copy.array, &copy.state) {
            (Array::Damaged { why, .. }, _) => Some(format!("is damaged: {why}")),
            (Array::Absent, HeaderState::Sound(h)) => {
                Some(format!("is said to start at {}, where there is no room for {} entries", h.array, h.entries))
            }
            _ => None,
        };
        if let Some(why) = why {
            let place = copy.array_place.map_or(copy.place(unit), |e| e.start);
            let sentence = format!("The {which} GPT's list of partitions {why}.");
            findings.push(Finding::at(array, place, sentence));
        }
    }

    fn note_backup_place(&self, drive: &Drive<'_>, findings: &mut Findings) {
        let Some(last) = drive.last(self.unit) else { return };
        let said = match (self.primary.state.sound(), self.backup.state.sound()) {
            (_, Some(_)) => self.backup.at,
            (Some(primary), None) => primary.alternate,
            (None, None) => return,
        };
        if said == last {
            return;
        }
        let sentence = if said > last {
            format!(
                "The backup GPT should stand at {said}, but the source ends after {} sectors of {} bytes; it was larger \
                 when the table was written. Check the capacity the drive reports, or whether the image is complete.",
                drive.sectors(self.unit),
                self.unit
            )
        } else {
            format!(
                "The backup GPT belongs at {said}, {} sectors of {} bytes before the last sector ({last}); the drive was \
                 smaller when the table was written.",
                last.0 - said.0,
                self.unit
            )
        };
        let place = self.unit.offset_of(said).unwrap_or_default();
        findings.push(Finding::at(&GPT_BACKUP_NOT_LAST, place, sentence));
    }

    /// Compares the copies when both are sound.
    fn note_differences(&self, findings: &mut Findings) {
        let (Some(a), Some(b)) = (self.primary.state.sound(), self.backup.state.sound()) else { return };
        if !self.primary.array.is_sound() || !self.backup.array.is_sound() {
            return;
        }
        let mut differ = Vec::new();
        if a.disk_guid != b.disk_guid {
            differ.push("the drive's GUID".to_owned());
        }
        if (a.first_usable, a.last_usable) != (b.first_usable, b.last_usable) {
            differ.push(format!(
                "the usable sectors ({} to {}, {} to {})",
                a.first_usable.0, a.last_usable.0, b.first_usable.0, b.last_usable.0
            ));
        }
        if (a.entries, a.entry_bytes) != (b.entries, b.entry_bytes) {
            differ.push(format!(
                "the entries' number and size ({} of {} bytes, {} of {} bytes)",
                a.entries, a.entry_bytes, b.entries, b.entry_bytes
            ));
        }
        if let (Some((x, _)), Some((y, _))) = (self.primary.contents(), self.backup.contents()) {
            let pairs = entries::raw(x, a).zip(entries::raw(y, b)).zip(1u32..);
            let changed: Vec<u32> = pairs.filter(|((p, q), _)| p != q).map(|(_, number)| number).collect();
            if let Some(first) = changed.first() {
                differ.push(format!("{} entries, the first being partition {first}", changed.len()));
            }
        }
        if !differ.is_empty() {
            let sentence = format!("Primary and backup GPT are both sound but differ in {}.", differ.join("; "));
            findings.push(Finding::at(&GPT_COPIES_DIFFER, self.backup.place(self.unit), sentence));
        }
    }
}

/// Where a backup header may stand: in the last sector, and in the last one of the drive that the protective entry was
/// written for.
fn ends(drive: &Drive<'_>, unit: SectorSize, protective: Option<&MbrEntry>) -> Vec<Lba> {
    let mut places: Vec<Lba> = drive.last(unit).into_iter().collect();
    // FFFFFFFF stands for "more than fits"; it names no place.
    if let Some(entry) = protective.filter(|e| e.sectors != u32::MAX && e.sectors > 0) {
        let end = Lba(u64::from(entry.first) + u64::from(entry.sectors) - 1);
        if end.0 > 1 && !places.contains(&end) && drive.locate(end, unit.bytes(), unit).is_some() {
            places.push(end);
        }
    }
    places
}
