//! A source comes in; how it is divided comes out: MBR with its extended chain, GPT, or one volume and no table; and the gaps between.
//!
//! Only sectors that hold tables or boot sectors are read, as long as these are sound. More places are looked at, one
//! after the other, when one fails: the other copy, then the other sector size. [`read_layout`] never fails on a
//! table because part of it is damaged; what was noticed stands in [`DriveLayout::findings`]. Volumes that no table names
//! are searched for within a stated allowance ([`search`]).

mod areas;
pub mod boot_sign;
mod drive;
pub mod findings;
mod found;
mod gpt;
mod kinds;
mod marks;
mod mbr;
pub mod search;
pub mod signature;
mod whole;

pub use found::{FoundBy, FoundVolume};
pub use marks::{DriveMark, drive_marks};

use crate::base::extent::{Extent, ExtentSet};
use crate::base::finding::{Finding, Findings};
use crate::base::units::{ByteOffset, SectorSize};
use crate::source::{Reader, SourceLost};
use drive::Drive;
use findings::{
    GPT_LOST, LBA0_UNREADABLE, MBR_HYBRID, MBR_SIGNATURE_MISSING, NO_TABLE, PROTECTIVE_MBR_MISSING,
    PROTECTIVE_MBR_SIZE, SOURCE_TOO_SHORT,
};
use mbr::{FirstSector, Mbr};
use serde::Serialize;
use std::collections::BTreeSet;

/// What divides the drive.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Scheme {
    /// A GUID partition table.
    Gpt,
    /// A master boot record.
    Mbr,
    /// No table: the whole drive is one volume.
    SingleVolume,
    /// No table, but volumes were found by a search.
    Searched,
    /// Neither a table nor a volume was recognised.
    Unrecognised,
}

/// What a table says of one partition.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct PartitionEntry {
    /// Number as operating systems give it: from 1; logical partitions from 5.
    pub number: u32,
    /// Type: `0x07` (two hexadecimal digits) in an MBR, a GUID in capitals in a GPT.
    pub type_id: String,
    /// What that type is used for.
    pub type_name: String,
    /// Name in the table (GPT only), as it stands there: it may hold any character.
    pub name: Option<String>,
    /// The partition's own GUID (GPT only), in capitals.
    pub unique_id: Option<String>,
    /// Whether the table marks it as the one to start from.
    pub bootable: bool,
    /// Whether it lies in an extended partition.
    pub logical: bool,
}

/// What a partition without a file system is set aside for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reserved {
    /// Room that the operating system keeps for itself.
    Space,
    /// Code that starts the drive.
    Code,
}

impl PartitionEntry {
    /// What the partition is set aside for, if it has no file system by the definition of its type.
    pub fn reserved(&self) -> Option<Reserved> {
        kinds::reserved_for(&self.type_id)
    }
}

/// What an area is.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AreaKind {
    /// A partition.
    Partition(PartitionEntry),
    /// A volume that fills the drive; there is no table.
    Volume,
    /// A volume that no table names.
    Found(FoundVolume),
    /// In no partition.
    Unpartitioned,
}

/// A range of the drive.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct Area {
    /// Where it lies: never empty, never past the end of the drive. Partitions may overlap when the table says so.
    pub extent: Extent,
    /// What it is.
    pub kind: AreaKind,
}

/// How a drive is divided.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DriveLayout {
    /// What divides it.
    pub scheme: Scheme,
    /// The sector size that the table counts in; not always the one the drive reports.
    pub table_sector: SectorSize,
    /// Ascending by start. Partitions as the table gives them, and the gaps between them, before the first and behind
    /// the last: every byte of the drive lies in at least one.
    pub areas: Vec<Area>,
    /// Sectors (of [`DriveLayout::table_sector`] bytes) that hold tables: MBR, every link of an extended chain, GPT
    /// headers and entry arrays, both copies. Damaged ones are among them.
    pub table_extents: ExtentSet,
    /// Starts of partitions whose type promises one of the file systems that [`boot_sign::recognise`] knows. Only an MBR's
    /// types say so much.
    pub promised: BTreeSet<ByteOffset>,
    /// Whether volumes may lie in space that is in none: the table is lost, or lacks partitions.
    pub outside_unexplained: bool,
    /// What was noticed.
    pub findings: Findings,
}

impl DriveLayout {
    /// Whether a partition's type is certain: a CRC proves the table, and its copies do not contradict each other.
    pub fn types_are_proven(&self) -> bool {
        let doubts = [&findings::GPT_UNVERIFIED, &findings::GPT_COPIES_DIFFER];
        self.scheme == Scheme::Gpt && doubts.iter().all(|code| self.findings.count(code) == 0)
    }
}

/// Reads how the drive is divided.
///
/// # Errors
/// [`SourceLost`] when the source no longer answers. Damage is never an error: it is told in
/// [`DriveLayout::findings`].
pub fn read_layout(reader: &Reader) -> Result<DriveLayout, SourceLost> {
    let drive = Drive::new(reader);
    let layout = by_tables(&drive, reader)?;
    search::complete(&drive, layout)
}

/// The layout that the tables alone give.
fn by_tables(drive: &Drive<'_>, reader: &Reader) -> Result<DriveLayout, SourceLost> {
    let mut findings = Findings::new();
    let length = drive.reported.bytes().min(drive.bytes());
    if length < 512 {
        let sentence = format!("The source has {} bytes, less than one sector of 512.", drive.bytes());
        findings.push(Finding::general(&SOURCE_TOO_SHORT, sentence));
        return Ok(undivided(drive, Scheme::Unrecognised, findings));
    }
    let block = reader.read(Extent::between(0, length))?;
    let first = block.whole().and_then(|sector| FirstSector::recognise(sector, drive.bytes()));
    if let Some(first) = &first
        && whole::is_disc_with_table(drive, first)?
    {
        return Ok(undivided(drive, Scheme::SingleVolume, findings));
    }
    match first {
        None => {
            let sentence = format!("The drive's first sector ({length} bytes) was not read.");
            findings.push(Finding::at(&LBA0_UNREADABLE, ByteOffset(0), sentence));
            by_gpt(drive, None, findings)
        }
        Some(FirstSector::Volume(_)) => Ok(undivided(drive, Scheme::SingleVolume, findings)),
        Some(FirstSector::Table(mbr)) => {
            let reading = mbr::fit(drive, &mbr, &mut findings)?;
            Ok(mbr::layout(drive, &mbr, reading, findings))
        }
        Some(FirstSector::Protective(mbr) | FirstSector::Unclear(mbr)) => by_gpt(drive, Some(&mbr), findings),
    }
}

/// The layout of a drive whose first sector calls for a GPT, or tells nothing.
fn by_gpt(drive: &Drive<'_>, mbr: Option<&Mbr>, mut findings: Findings) -> Result<DriveLayout, SourceLost> {
    let protective = mbr.and_then(Mbr::protective);
    if let Some(gpt) = gpt::Gpt::find(drive, protective)? {
        if let Some(mbr) = mbr {
            note_guard(drive, mbr, gpt.unit(), &mut findings);
        }
        return Ok(gpt.layout(drive, findings));
    }
    let Some(mbr) = mbr else {
        // A drive that answers nowhere gets no requests for some hundred sectors more, one by one.
        let behind = drive.window().read(1024, 512)?;
        if behind.is_some_and(|block| block.whole().is_some()) && whole::without_table(drive)?.is_some() {
            return Ok(undivided(drive, Scheme::SingleVolume, findings));
        }
        let sentence = "The first sector was not read, and no GPT was found behind it or at the end of the drive.";
        findings.push(Finding::at(&NO_TABLE, ByteOffset(0), sentence));
        return Ok(undivided(drive, Scheme::Unrecognised, findings));
    };
    if mbr.protective().is_some() {
        let sentence = format!(
            "The MBR says that the drive has a GPT, but no usable header stands in the second sector or in the last of \
             {} bytes, whether sectors are taken as 512 or 4096 bytes.",
            drive.bytes()
        );
        findings.push(Finding::at(&GPT_LOST, ByteOffset(0), sentence));
    }
    by_unclear_mbr(drive, mbr, findings)
}

/// The last resort: entries of an MBR that is unsigned, empty, or was to guard a GPT that is lost.
fn by_unclear_mbr(drive: &Drive<'_>, mbr: &Mbr, mut findings: Findings) -> Result<DriveLayout, SourceLost> {
    let names_partitions = mbr.ordinary().next().is_some();
    if mbr.signed && (names_partitions || mbr.protective().is_none()) {
        let reading = mbr::fit(drive, mbr, &mut findings)?;
        return Ok(mbr::layout(drive, mbr, reading, findings));
    }
    // Without its signature a table must prove itself: by entries without a flaw that lead to boot sectors.
    if !mbr.signed && names_partitions && mbr.is_beyond_doubt(drive.bytes()) {
        let mut fitted = Findings::new();
        let reading = mbr::fit(drive, mbr, &mut fitted)?;
        if reading.has_evidence() {
            let sentence = "The MBR does not end with 55 AA, but its entries lead to boot sectors; it is used.";
            findings.push(Finding::at(&MBR_SIGNATURE_MISSING, ByteOffset(510), sentence));
            findings.append(fitted);
            return Ok(mbr::layout(drive, mbr, reading, findings));
        }
    }
    if mbr.protective().is_none() {
        if whole::without_table(drive)?.is_some() {
            return Ok(undivided(drive, Scheme::SingleVolume, findings));
        }
        let what = if mbr.blank { "is all zero" } else { "is neither a partition table nor a known boot sector" };
        let sentence =
            format!("The drive's first sector {what}, and no GPT was found behind it or at the end of the drive.");
        findings.push(Finding::at(&NO_TABLE, ByteOffset(0), sentence));
    }
    Ok(undivided(drive, Scheme::Unrecognised, findings))
}

/// Notes what is odd about the MBR in front of a GPT that was found.
fn note_guard(drive: &Drive<'_>, mbr: &Mbr, unit: SectorSize, findings: &mut Findings) {
    let Some(entry) = mbr.protective().filter(|_| mbr.signed) else {
        let sentence = "A GPT was found, but the first sector has no signed entry of type EE that guards it.";
        findings.push(Finding::at(&PROTECTIVE_MBR_MISSING, ByteOffset(0), sentence));
        return;
    };
    let others = mbr.ordinary().count();
    if others > 0 {
        let sentence = format!("The MBR in front of the GPT has {others} entries of its own; the GPT is used.");
        findings.push(Finding::at(&MBR_HYBRID, ByteOffset(0), sentence));
        // In a hybrid table the guarding entry covers only what is in front of the first other one.
        return;
    }
    let behind = drive.sectors(unit).saturating_sub(1);
    if entry.sectors != u32::MAX && u64::from(entry.sectors) != behind {
        let sentence = format!(
            "The MBR guards {} sectors behind the first, but the source has {behind} of {unit} bytes.",
            entry.sectors
        );
        findings.push(Finding::at(&PROTECTIVE_MBR_SIZE, ByteOffset(0), sentence));
    }
}

/// A drive that no table divides.
fn undivided(drive: &Drive<'_>, scheme: Scheme, findings: Findings) -> DriveLayout {
    let kind = if scheme == Scheme::SingleVolume { AreaKind::Volume } else { AreaKind::Unpartitioned };
    let whole = Some(Area { extent: drive.extent(), kind }).filter(|a| !a.extent.is_empty());
    let mut table_extents = ExtentSet::new();
    if scheme == Scheme::Unrecognised {
        // Whatever stands there, it is the table's place, and worth copying first.
        table_extents.insert(Extent::between(0, drive.reported.bytes().min(drive.bytes())));
    }
    let areas = whole.into_iter().collect();
    let (promised, table_sector) = (BTreeSet::new(), drive.reported);
    DriveLayout { scheme, table_sector, areas, table_extents, promised, outside_unexplained: false, findings }
}
