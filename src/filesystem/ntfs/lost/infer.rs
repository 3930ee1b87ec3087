//! The geometry of a volume whose boot sector and backup are lost, from its file records.
//!
//! Record 0 says at which cluster $MFT starts and record 1 says it of the mirror; both copies of record 0 carry the
//! same. Where one of them is found, its place divided by its cluster gives the cluster size. That is believed only
//! if what the other records say stands at the places that follow from it.
//!
//! Budget: [`HEAD_BYTES`] from the start, [`MIDDLE_BYTES`] around the middle, [`THIRD_BYTES`] around one third, 13 places
//! of 16 KiB, and for each of at most [`MOST_CANDIDATES`] candidates the records that judge it (some 60 KiB).

use crate::base::fields::{le32, le64, u16_at};
use crate::base::finding::{Finding, Findings};
use crate::base::units::Lcn;
use crate::filesystem::infer::{
    BoundedReader, Choice, HEAD_BYTES, Inferred, MIDDLE_BYTES, certainty, choose, only_choice,
};
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::mft::collect::system;
use crate::filesystem::ntfs::mft::locate::{self, MftTable, table_extents};
use crate::filesystem::ntfs::structure::attribute::{Attribute, Attributes, DATA, Form, INDEX_ALLOCATION, INDEX_ROOT};
use crate::filesystem::ntfs::structure::boot::BootSector;
use crate::filesystem::ntfs::structure::record::{self, RecordHeader};
use crate::filesystem::ntfs::structure::runlist::Runs;
use crate::filesystem::ntfs::volume::Volume;
use crate::source::{SourceLost, Window};
use std::collections::BTreeSet;

/// The range below one third of the volume that is looked through: on small volumes Windows puts $MFT there.
const THIRD_BYTES: u64 = 4 << 20;
/// On larger volumes Windows puts $MFT at this cluster (both common practice, no source).
const USUAL_MFT_CLUSTER: u64 = 786_432;
/// Bytes looked at there, for each cluster size.
const USUAL_PLACE_BYTES: u64 = 16 << 10;
/// Different geometries that are judged; more are only found where someone put them.
const MOST_CANDIDATES: usize = 128;
/// Records read at their computed places, spread over all of $MFT.
const SAMPLES: u64 = 32;
/// A volume may end this much before its partition: a cylinder of 255 heads and 63 sectors, and the last cluster.
const SLACK_BYTES: u64 = 8 << 20;

/// What a place of $MFT or its mirror suggests.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct NtfsCandidate {
    cluster_bytes: u64,
    mft: u64,
    mirror: u64,
    record_bytes: u64,
}

/// A geometry that was checked.
#[derive(Debug)]
pub struct InferredNtfs {
    pub boot: BootSector,
    /// What supports it.
    pub evidence: String,
    /// What should be there too and is not.
    pub lacking: Vec<String>,
}

impl InferredNtfs {
    fn in_words(&self) -> String {
        format!(
            "NTFS with clusters of {} bytes, $MFT at cluster {} and its mirror at cluster {} ({})",
            self.boot.cluster_bytes, self.boot.mft.0, self.boot.mirror.0, self.evidence
        )
    }
}

/// Infers the geometry and reads the volume with it.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_inferred(window: &Window<'_>) -> Result<Inferred, SourceLost> {
    let inferred = match only_choice(infer(window)?, InferredNtfs::in_words) {
        Ok(inferred) => inferred,
        Err(outcome) => return Ok(outcome),
    };
    let volume = Volume::new(window, inferred.boot);
    let mut findings = Findings::new();
    let certainty = certainty(&inferred.lacking);
    let sentence = format!(
        "Boot sector and backup are lost. Inferred from the file records: {}, {} clusters. {certainty} A sector was taken to \
         have {} bytes, which matters to the place of the lost backup alone. The serial number is lost.",
        inferred.in_words(),
        inferred.boot.cluster_count(),
        inferred.boot.sector_bytes
    );
    findings.push(Finding::at(&found::GEOMETRY_INFERRED, window.absolute(0), sentence));
    let Some(table) = locate::locate(&volume, &mut findings)? else { return Ok(Inferred::Nothing) };
    let end = window.extent().bytes;
    let backup = end.checked_sub(volume.boot.sector_bytes).and_then(|at| window.locate(at, volume.boot.sector_bytes));
    let mut map = crate::filesystem::ntfs::volume_map::read(&volume, table, backup, findings)?;
    map.serial.clear();
    map.catalog_incomplete |= !inferred.lacking.is_empty();
    Ok(Inferred::Volume(Box::new(map)))
}

/// The geometry that fits, or all that do when it is not one alone.
pub fn infer(window: &Window<'_>) -> Result<Choice<InferredNtfs>, SourceLost> {
    let reader = BoundedReader::new(window);
    let mut fitting = Vec::new();
    for candidate in candidates(&reader)? {
        if let Some(geometry) = check_candidate(window, candidate)? {
            fitting.push(geometry);
        }
    }
    Ok(choose(fitting, |one| one.lacking.is_empty()))
}

fn candidates(reader: &BoundedReader<'_>) -> Result<BTreeSet<NtfsCandidate>, SourceLost> {
    let volume = reader.window.extent().bytes;
    let (middle, third) = (volume / 2, volume / 3);
    let usual = (9..=21).map(|shift| {
        let at = USUAL_MFT_CLUSTER << shift;
        (at, at.saturating_add(USUAL_PLACE_BYTES))
    });
    let fixed = [
        (0, HEAD_BYTES),
        (middle.saturating_sub(MIDDLE_BYTES / 2), middle + MIDDLE_BYTES / 2),
        (third.saturating_sub(THIRD_BYTES / 2), third + THIRD_BYTES / 2),
    ];
    let mut heads = BTreeSet::new();
    for (from, to) in fixed.into_iter().chain(usual) {
        reader.sectors(from, to, |at, bytes| {
            // Room for more heads than candidates, since most of a flood's give none.
            if bytes.starts_with(b"FILE") && heads.len() < 64 * MOST_CANDIDATES && looks_like_first(bytes) {
                heads.insert(at);
            }
        })?;
    }
    let mut candidates = BTreeSet::new();
    for at in heads {
        if candidates.len() < MOST_CANDIDATES {
            candidates.extend(suggested(reader, at)?);
        }
    }
    Ok(candidates)
}

/// Whether the first sector of a record can be that of record 0, by its own number where it has one.
fn looks_like_first(bytes: &[u8]) -> bool {
    u16_at(bytes, 0x16) & 1 != 0
        && le64(bytes, 0x20) == Some(0)
        && (u16_at(bytes, 4) < 0x30 || le32(bytes, 0x2C) == Some(0))
}

/// The geometries by which the record at `at` would be record 0 of $MFT or of the mirror.
fn suggested(reader: &BoundedReader<'_>, at: u64) -> Result<Vec<NtfsCandidate>, SourceLost> {
    let Some(first) = reader.bytes(at, 512)? else { return Ok(Vec::new()) };
    // "Allocated size" of the record, Linux fs/ntfs/layout.h (`MFT_RECORD`).
    let record_bytes = le32(&first, 0x1C).map_or(0, u64::from);
    if !record_bytes.is_power_of_two() || !(512..=65_536).contains(&record_bytes) {
        return Ok(Vec::new());
    }
    let Some(mut bytes) = reader.bytes(at, 2 * record_bytes)? else { return Ok(Vec::new()) };
    let (table, mirror) = bytes.split_at_mut(usize::try_from(record_bytes).expect("at most 65536"));
    let first_cluster = |record: &mut [u8], number: u32| {
        let header = record::open(record).ok().filter(|h| h.number.is_none_or(|own| own == number))?;
        let extents = table_extents(&RecordHeader { number: None, ..header }, record)?;
        Runs::new(extents.packed).next()?.ok()?.0
    };
    let (Some(Lcn(mft)), Some(Lcn(mirror))) = (first_cluster(table, 0), first_cluster(mirror, 1)) else {
        return Ok(Vec::new());
    };
    let size = |cluster: u64| {
        let bytes = at.checked_div(cluster).filter(|bytes| bytes.checked_mul(cluster) == Some(at))?;
        (bytes.is_power_of_two() && (512..=2 << 20).contains(&bytes)).then_some(bytes)
    };
    let both = [size(mft), size(mirror)].into_iter().flatten();
    Ok(both.map(|cluster_bytes| NtfsCandidate { cluster_bytes, mft, mirror, record_bytes }).collect())
}

/// A boot sector that lets records be read, with as many sectors as the window has.
fn provisional(window: &Window<'_>, candidate: NtfsCandidate) -> BootSector {
    let sector_bytes = if candidate.record_bytes >= 4096 { candidate.cluster_bytes.min(4096) } else { 512 };
    BootSector {
        sector_bytes,
        cluster_bytes: candidate.cluster_bytes,
        total_sectors: window.extent().bytes / sector_bytes,
        mft: Lcn(candidate.mft),
        mirror: Lcn(candidate.mirror),
        record_bytes: candidate.record_bytes,
        index_bytes: 4096,
        serial: 0,
        signed: true,
    }
}

/// The system's own records, read at the places a boot sector gives.
struct SystemRecords<'v> {
    volume: &'v Volume<'v>,
    table: MftTable,
}

impl SystemRecords<'_> {
    fn read(&self, number: u32) -> Result<Option<(RecordHeader, Vec<u8>)>, SourceLost> {
        let bytes = self.volume.boot.record_bytes;
        let own = self.table.map.read(self.volume, u64::from(number) * bytes, bytes)?;
        let own = own.and_then(|mut record| {
            let header = record::open(&mut record).ok()?;
            (header.number.is_none_or(|n| n == number) && header.in_use).then_some((header, record))
        });
        Ok(own.or_else(|| self.table.mirror.sound(number)))
    }

    /// The first attribute of a type and name that `take` takes something from.
    fn attribute<T>(
        &self,
        number: u32,
        kind: u32,
        name: &str,
        take: impl Fn(&Attribute<'_>) -> Option<T>,
    ) -> Result<Option<T>, SourceLost> {
        let units: Vec<u8> = name.encode_utf16().flat_map(u16::to_le_bytes).collect();
        Ok(self.read(number)?.and_then(|(header, record)| {
            let mut all = Attributes::new(&record, header.first_attribute).flatten();
            all.find_map(|a| if a.kind == kind && a.name == units { take(&a) } else { None })
        }))
    }

    fn size(&self, number: u32, name: &str) -> Result<Option<u64>, SourceLost> {
        self.attribute(number, DATA, name, |a| match a.form {
            Form::Resident(value) => Some(value.len() as u64),
            Form::NonResident(extents) => (extents.first_vcn == 0).then_some(extents.sizes.size),
        })
    }

    fn first_cluster(&self, number: u32, kind: u32, name: &str) -> Result<Option<Lcn>, SourceLost> {
        self.attribute(number, kind, name, |a| match a.form {
            Form::NonResident(extents) if extents.first_vcn == 0 => Runs::new(extents.packed).next()?.ok()?.0,
            _ => None,
        })
    }

    /// Clusters of the volume: $BadClus has a stream as long as the volume, $Bitmap a bit for each cluster, filled up to
    /// eight bytes (Linux fs/ntfs/layout.h, words on `FILE_BadClus` and `FILE_Bitmap`; the filling common practice).
    fn clusters(&self) -> Result<Option<u64>, SourceLost> {
        let cluster = self.volume.boot.cluster_bytes;
        let by_bad = self.size(system::BAD_CLUSTERS, "$Bad")?;
        let by_bad = by_bad.filter(|bytes| *bytes > 0 && bytes.is_multiple_of(cluster)).map(|bytes| bytes / cluster);
        let bitmap = self.size(system::BITMAP, "")?;
        Ok(by_bad.filter(|clusters| {
            bitmap.is_none_or(|bytes| (clusters.div_ceil(8)..=clusters.div_ceil(64) * 8).contains(&bytes))
        }))
    }
}

/// Clusters of the volume by its own records, with the places taken from `boot` and its number of sectors not believed.
pub fn clusters_by_records(window: &Window<'_>, boot: &BootSector) -> Result<Option<u64>, SourceLost> {
    let total_sectors = boot.total_sectors.max(window.extent().bytes / boot.sector_bytes);
    let volume = Volume::new(window, BootSector { total_sectors, ..*boot });
    match locate::locate(&volume, &mut Findings::new())? {
        Some(table) => SystemRecords { volume: &volume, table }.clusters(),
        None => Ok(None),
    }
}

/// Checks a candidate; `None` when it does not hold.
fn check_candidate(window: &Window<'_>, candidate: NtfsCandidate) -> Result<Option<InferredNtfs>, SourceLost> {
    let boot = provisional(window, candidate);
    if candidate.mft >= boot.cluster_count() || candidate.mirror >= boot.cluster_count() {
        return Ok(None);
    }
    let volume = Volume::new(window, boot);
    let Some(table) = locate::locate(&volume, &mut Findings::new())? else { return Ok(None) };
    let records = SystemRecords { volume: &volume, table };
    let Some(clusters) = records.clusters()? else { return Ok(None) };
    let (held, bytes) = (window.extent().bytes, clusters.saturating_mul(boot.cluster_bytes));
    if bytes > held || held - bytes > SLACK_BYTES + boot.cluster_bytes {
        return Ok(None);
    }
    let samples = Samples::take(&records)?;
    let marks = landmarks(&records)?;
    let right = marks.iter().filter(|(_, state)| *state == LandmarkState::Right).count();
    let wrong = marks.iter().filter(|(_, state)| *state == LandmarkState::Wrong).count();
    if right < 3 || 2 * wrong > right || !samples.hold() {
        return Ok(None);
    }
    let mut lacking: Vec<String> = marks
        .iter()
        .filter(|(_, state)| matches!(state, LandmarkState::Wrong | LandmarkState::Unreadable))
        .map(|(name, state)| {
            let why = if *state == LandmarkState::Wrong { "is not at its place" } else { "was not read" };
            format!("{name} {why}")
        })
        .collect();
    if samples.wrong > 0 {
        lacking.push(format!("{} of the file records looked at carry another's number", samples.wrong));
    }
    let index_bytes = records.attribute(system::ROOT, INDEX_ROOT, "$I30", |a| match a.form {
        Form::Resident(value) => le32(value, 8).map(u64::from).filter(|bytes| bytes.is_power_of_two()),
        Form::NonResident(_) => None,
    })?;
    if index_bytes.is_none() {
        lacking.push("the root folder's record does not give the size of index records".to_owned());
    }
    let names: Vec<&str> =
        marks.iter().filter(|(_, state)| *state == LandmarkState::Right).map(|(name, _)| name.as_str()).collect();
    let evidence = format!(
        "at their places: {}; {} of {} file records looked at carry their own number; $BadClus and $Bitmap are as long as \
         {clusters} clusters",
        names.join(", "),
        samples.right,
        samples.right + samples.wrong + samples.damaged
    );
    // The volume ends one sector before its partition, where the backup stood, unless its clusters say otherwise.
    let customary = (held / boot.sector_bytes).saturating_sub(1);
    let total_sectors = if customary * boot.sector_bytes / boot.cluster_bytes == clusters {
        customary
    } else {
        bytes / boot.sector_bytes
    };
    let boot = BootSector { total_sectors, index_bytes: index_bytes.unwrap_or(4096), ..boot };
    Ok(Some(InferredNtfs { boot, evidence, lacking }))
}

/// File records looked at.
struct Samples {
    right: u64,
    /// Sound, with another's number.
    wrong: u64,
    damaged: u64,
}

impl Samples {
    fn take(records: &SystemRecords<'_>) -> Result<Samples, SourceLost> {
        let bytes = records.volume.boot.record_bytes;
        let count = records.table.map.length / bytes;
        let mut samples = Samples { right: 0, wrong: 0, damaged: 0 };
        for n in 0..SAMPLES.min(count) {
            // The first dozen are never unused; the rest are spread out.
            let number = if n < 12 { n } else { n * count / SAMPLES };
            let record = records.table.map.read(records.volume, number * bytes, bytes)?;
            let opened = record.map(|mut record| record::open(&mut record));
            match opened {
                Some(Ok(header)) if header.number.is_none_or(|own| u64::from(own) == number) => samples.right += 1,
                // Formatters leave records that no file has yet with the number 0, or empty (common practice, no source).
                Some(Ok(header)) if !header.in_use => {}
                Some(Err(record::RecordError::Unused)) if n >= 12 => {}
                Some(Ok(_)) => samples.wrong += 1,
                _ => samples.damaged += 1,
            }
        }
        Ok(samples)
    }

    /// Damage is to be expected; another record's number in more than one of sixteen is not.
    fn hold(&self) -> bool {
        self.right >= 8 && self.wrong * 16 <= self.right && self.right >= self.damaged
    }
}

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum LandmarkState {
    Right,
    Wrong,
    Unreadable,
    /// Nothing says where it should be.
    Unknown,
}

/// Contents that can be told by their beginnings, at the places their records give.
fn landmarks(records: &SystemRecords<'_>) -> Result<Vec<(String, LandmarkState)>, SourceLost> {
    let index_block = |bytes: &[u8]| bytes.starts_with(b"INDX") && le64(bytes, 0x10) == Some(0);
    // $LogFile's restart page, or the fill of an emptied one; the first names of $AttrDef and letters of $UpCase. Source:
    // Linux fs/ntfs/layout.h and logfile.h (from memory).
    type Test = fn(&[u8]) -> bool;
    let log: Test = |bytes| bytes.starts_with(b"RSTR") || bytes.starts_with(&[0xFF; 16]);
    let definitions: Test = |bytes| bytes.starts_with(b"$\0S\0T\0A\0N\0D\0A\0R\0D\0");
    let letters: Test = |bytes| bytes.starts_with(&[0, 0, 1, 0, 2, 0, 3, 0, 4, 0]);
    let first_record: Test = |bytes| bytes.starts_with(b"FILE") && looks_like_first(bytes);
    let boot = &records.volume.boot;
    let mut marks = vec![
        ("$MFT", Some(boot.mft), first_record),
        ("$MFTMirr", Some(boot.mirror), first_record),
        ("$LogFile", records.first_cluster(2, DATA, "")?, log),
        ("$AttrDef", records.first_cluster(4, DATA, "")?, definitions),
        (
            "the root folder's index",
            records.first_cluster(system::ROOT, INDEX_ALLOCATION, "$I30")?,
            index_block as Test,
        ),
        ("$UpCase", records.first_cluster(10, DATA, "")?, letters),
    ];
    let mut out = Vec::new();
    for (name, place, is_right) in marks.drain(..) {
        let state = match place {
            None => LandmarkState::Unknown,
            Some(Lcn(lcn)) => {
                let block = match lcn.checked_mul(boot.cluster_bytes) {
                    Some(offset) => records.volume.window.read(offset, 512)?,
                    None => None,
                };
                match block {
                    None => LandmarkState::Wrong,
                    Some(block) => match block.whole() {
                        None => LandmarkState::Unreadable,
                        Some(bytes) if is_right(bytes) => LandmarkState::Right,
                        Some(_) => LandmarkState::Wrong,
                    },
                }
            }
        };
        out.push((name.to_owned(), state));
    }
    match records.first_cluster(system::BOOT, DATA, "")? {
        Some(Lcn(0)) => out.push(("$Boot".to_owned(), LandmarkState::Right)),
        Some(_) => out.push(("$Boot".to_owned(), LandmarkState::Wrong)),
        None => {}
    }
    Ok(out)
}
