//! What an area of the drive holds: a volume that can be read, one whose allocation map can, or something that can only be taken whole.

use super::infer::{self, Inferred};
use super::space_map::{self, SpaceOutcome};
use super::state::{DIRTY, ERRORS_NOTED};
use super::volume_encryption::{self, Attempt};
use super::{SpaceMap, VolumeMap, exfat, fat, ntfs};
use crate::base::extent::Extent;
use crate::base::finding::{Code, Finding, Findings, Severity};
use crate::partition::boot_sign::{self, BootSign};
use crate::partition::signature::{self, Certainty, Family, Recognised, Sign};
use crate::source::{SourceLost, Window};

/// What was found in a partition.
#[derive(Debug)]
pub enum Content {
    /// A volume whose maps were read.
    Volume(Box<VolumeMap>),
    /// A volume of which the allocation map alone was read.
    Mapped(Box<SpaceMap>),
    /// Something that is recognised but not read, or not recognised: it can only be planned whole.
    Opaque {
        /// What the first sector looks like.
        sign: Option<BootSign>,
        /// What it was recognised as.
        recognised: Option<Box<Recognised>>,
        /// Why it was not read.
        findings: Findings,
    },
}

impl Content {
    /// Code that starts the drive: planned whole, with nothing in it to recognise.
    pub(crate) fn code() -> Content {
        Content::Opaque { sign: None, recognised: None, findings: Findings::new() }
    }

    /// What it is in a word, where that is known.
    pub fn name(&self) -> Option<&'static str> {
        match self {
            Content::Volume(volume) => Some(volume.kind.name()),
            Content::Mapped(map) => Some(map.recognised.kind.name()),
            Content::Opaque { recognised: Some(found), .. } => Some(found.kind.name()),
            Content::Opaque { sign, .. } => sign.map(BootSign::name),
        }
    }

    /// What it was recognised as, where it is not read file by file.
    pub fn recognised(&self) -> Option<&Recognised> {
        match self {
            Content::Mapped(map) => Some(&map.recognised),
            Content::Opaque { recognised, .. } => recognised.as_deref(),
            Content::Volume(_) => None,
        }
    }

    /// Places of a volume that is not read file by file without which the rest is worth nothing.
    pub fn first(&self) -> &[Extent] {
        self.recognised().map_or(&[], |found| &found.first)
    }
}

/// A volume of a kind that is not read file by file.
pub static NOT_READ: Code = Code {
    id: "volume-taken-whole",
    severity: Severity::Caution,
    meaning: "What is in use on this volume is not known, so all of it is planned as if it were in use. Nothing is lost, \
              but reading takes as long as the volume is large.",
};

/// An encrypted volume.
pub static ENCRYPTED: Code = Code {
    id: "volume-encrypted",
    severity: Severity::Caution,
    meaning: "What is in use cannot be known without the key, so all of it is planned. Ask the client for the password or recovery \
              key. The headers with the key material are read first: without them even the right key opens nothing.",
};

/// A member of something larger.
pub static MEMBER: Code = Code {
    id: "volume-is-member",
    severity: Severity::Caution,
    meaning: "This is one part of an array, a pool or a volume group. All of it is planned, its description first; \
              only all parts together give the client's files. Ask for the other drives.",
};

/// The structure something was recognised by is damaged.
pub static HEADER_DAMAGED: Code = Code {
    id: "volume-header-damaged",
    severity: Severity::Damage,
    meaning: "What this volume was recognised by is damaged, written over, or only its copy is left. It may be another thing than \
              it seems; where its allocation map cannot be read either, all of it is planned.",
};

/// Nothing recognisable at the start of a partition.
pub static NOT_RECOGNISED: Code = Code {
    id: "volume-not-recognised",
    severity: Severity::Damage,
    meaning: "No known boot sector stands at the start of this partition or where its copy would be. The volume may be blank, \
              completely encrypted, or damaged; all of it is planned as if it were in use.",
};

/// The start of a partition does not answer.
pub static START_UNREADABLE: Code = Code {
    id: "volume-start-unreadable",
    severity: Severity::Damage,
    meaning: "The first sector of this volume was not read, and no copy of a boot sector or superblock was found. Nothing is known \
              to be wrong with it: when the drive answers there again, the volume may be read. Until then all of it is planned as if it \
              were in use.",
};

/// Boot sectors lost, and more than one geometry fits what is left.
pub static GEOMETRY_AMBIGUOUS: Code = Code {
    id: "volume-geometry-ambiguous",
    severity: Severity::Damage,
    meaning: "The boot sectors are lost, and what is left of the file system fits more than one layout, as after formatting \
              twice. None was used, so that nothing is left out: all of the volume is planned.",
};

/// The codes of this module.
pub static CODES: &[&Code] = &[
    &NOT_READ,
    &ENCRYPTED,
    &MEMBER,
    &HEADER_DAMAGED,
    &NOT_RECOGNISED,
    &START_UNREADABLE,
    &GEOMETRY_AMBIGUOUS,
    &DIRTY,
    &ERRORS_NOTED,
];

/// Reads the volume in `window`.
///
/// A boot sector of NTFS or exFAT is believed, because both have a signature; that of FAT, which has none, only when no
/// whole superblock of another kind stands where FAT would have written over it. Without a boot sector, what is recognised
/// whole, or by a copy that leads to a sound allocation map, comes before boot sectors' copies: these outlive formatting, since
/// many formatters write nothing at the end.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_content(window: &Window<'_>) -> Result<Content, SourceLost> {
    let sector = 512.min(window.extent().bytes);
    let first = window.read(0, sector)?;
    let sign = first.as_ref().and_then(|block| block.whole()).and_then(boot_sign::recognise);
    let read = match sign {
        Some(BootSign::Ntfs) => Some(ntfs::read(window)?),
        Some(BootSign::Fat) => match signature::look_in_front(window)? {
            Some(found) => return by_its_map(window, sign, found, Findings::new()),
            None => Some(fat::read(window)?),
        },
        Some(BootSign::ExFat) => Some(exfat::read(window)?),
        // The first sector says all that a look further in would.
        Some(BootSign::Foreign(Sign::VolumeEncryption)) => match signature::look_in_front(window)? {
            Some(found) => return by_its_map(window, sign, found, Findings::new()),
            None => None,
        },
        Some(BootSign::Foreign(_)) | None => None,
    };
    let mut findings = match read {
        Some(Ok(volume)) => return Ok(Content::Volume(volume)),
        Some(Err(findings)) => findings,
        None => Findings::new(),
    };
    let found = signature::look(window)?;
    if let Some(found) = found.clone().filter(|found| found.certainty >= Certainty::Consistent) {
        return by_its_map(window, sign, found, findings);
    }
    let by_map = found.as_ref().map_or(Ok(None), |found| space_map::read(window, found))?;
    // A map that agrees with itself throughout is as good as a whole superblock; checksums lead to that of APFS.
    if let (Some(Ok(map)), Some(found)) = (&by_map, &found)
        && (map.unknown.is_empty() || found.kind == Sign::Apfs)
    {
        return with_map(window, sign, found.clone(), by_map, findings);
    }
    if read_by_first_sector(sign) {
        // Its own copies were tried already.
    } else if let Some(volume) = by_copies(window)? {
        return Ok(Content::Volume(volume));
    } else if found.is_none() {
        if let Some(found) = signature::look_for_metadata(window)? {
            return with_map(window, sign, found, None, findings);
        }
        let (code, sentence) = if first.as_ref().is_some_and(|block| block.whole().is_none()) {
            (&START_UNREADABLE, "the first sector was not read, and nothing known stands at the places of its copies")
        } else {
            (&NOT_RECOGNISED, "no known boot sector or superblock at the start or at the places of its copies")
        };
        findings.push(Finding::at(code, window.extent().start, sentence));
    }
    // Last of all, because it reads some MiB: no healthy volume comes here.
    match infer::read(window)? {
        Inferred::Volume(volume) => return Ok(Content::Volume(volume)),
        Inferred::Ambiguous(fitting) => {
            let sentence = format!("What is left fits more than one layout: {}.", fitting.join("; "));
            findings.push(Finding::at(&GEOMETRY_AMBIGUOUS, window.extent().start, sentence));
        }
        Inferred::Nothing => {}
    }
    match found {
        Some(found) => with_map(window, sign, found, by_map, findings),
        None => Ok(Content::Opaque { sign, recognised: None, findings }),
    }
}

/// Looks at the start of a partition that has no file system by definition, and no further as long as nothing is recognised
/// there: `None`. What is recognised all the same is read as anywhere else.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_reserved(window: &Window<'_>) -> Result<Option<Content>, SourceLost> {
    let first = window.read(0, 512.min(window.extent().bytes))?;
    let Some(sector) = first.as_ref().and_then(|block| block.whole()) else { return Ok(None) };
    if boot_sign::recognise(sector).is_none() && signature::look_at_start(window)?.is_none() {
        return Ok(None);
    }
    read_content(window).map(Some)
}

/// Reads a volume whose boot sectors and their copies are all lost, if one geometry alone fits what is left of it. Reads
/// some MiB.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_without_boot_sector(window: &Window<'_>) -> Result<Option<Box<VolumeMap>>, SourceLost> {
    Ok(match infer::read(window)? {
        Inferred::Volume(volume) => Some(volume),
        Inferred::Ambiguous(_) | Inferred::Nothing => None,
    })
}

fn read_by_first_sector(sign: Option<BootSign>) -> bool {
    matches!(sign, Some(BootSign::Ntfs | BootSign::Fat | BootSign::ExFat))
}

/// The first sector says nothing; its copies may. NTFS keeps one in the last sector, FAT32 in the seventh, exFAT in the
/// thirteenth.
fn by_copies(window: &Window<'_>) -> Result<Option<Box<VolumeMap>>, SourceLost> {
    for read in [ntfs::read, fat::read, exfat::read] {
        if let Ok(volume) = read(window)? {
            return Ok(Some(volume));
        }
    }
    Ok(None)
}

/// Something recognised: by its allocation map if that can be read, as it is inside if a key opens it, else whole.
fn by_its_map(
    window: &Window<'_>,
    sign: Option<BootSign>,
    found: Recognised,
    findings: Findings,
) -> Result<Content, SourceLost> {
    let by_map = space_map::read(window, &found)?;
    with_map(window, sign, found, by_map, findings)
}

/// Something recognised, with what reading its allocation map gave.
fn with_map(
    window: &Window<'_>,
    sign: Option<BootSign>,
    found: Recognised,
    by_map: Option<SpaceOutcome>,
    mut findings: Findings,
) -> Result<Content, SourceLost> {
    match by_map {
        Some(Ok(mut map)) => {
            note_doubt(window, &found, &mut findings);
            findings.append(std::mem::take(&mut map.findings));
            map.findings = findings;
            return Ok(Content::Mapped(map));
        }
        Some(Err(why)) => findings.append(why),
        None => {}
    }
    opened_or_whole(window, sign, found, findings)
}

/// A volume that is encrypted in a way that can be opened, as it is inside if a key fits; everything else as [`taken_whole`].
fn opened_or_whole(
    window: &Window<'_>,
    sign: Option<BootSign>,
    mut found: Recognised,
    mut findings: Findings,
) -> Result<Content, SourceLost> {
    // What is encrypted twice stays closed.
    if found.kind != Sign::VolumeEncryption || window.view().is_some() {
        return Ok(taken_whole(window, sign, found, findings, false));
    }
    let Attempt { opened, findings: noticed, facts, structure } = volume_encryption::open(window)?;
    findings.append(noticed);
    let is_open = opened.is_some();
    if let Some(opened) = opened {
        // Only the boot sector tells for certain whether all is encrypted: without it, what does not read as a whole is not believed.
        let is_certain = found.certainty >= Certainty::Consistent;
        match read_content(&window.through(&opened.view))? {
            Content::Volume(mut volume) if is_certain || !volume.catalog_incomplete => {
                note_doubt(window, &found, &mut findings);
                findings.append(std::mem::take(&mut volume.findings));
                volume.findings = findings;
                volume
                    .facts
                    .push(("encryption", format!("{}, opened by {}", opened.method.name(), opened.opened_by.name())));
                volume.encryption = Some(opened);
                return Ok(Content::Volume(volume));
            }
            content => {
                let inside = content.name().unwrap_or("nothing that is recognised");
                let why = match content {
                    Content::Volume(_) => {
                        "not all of it can be read, and the boot sector that tells how it is encrypted is lost"
                    }
                    _ => "not read file by file",
                };
                let sentence = format!("Inside is {inside}: {why}");
                findings.push(Finding::at(&volume_encryption::NO_FILES_INSIDE, window.extent().start, sentence));
                match content {
                    Content::Opaque { findings: inner, .. } => findings.append(inner),
                    Content::Mapped(map) => findings.append(map.findings),
                    Content::Volume(_) => {}
                }
            }
        }
    }
    found.facts.extend(facts);
    found.first.extend(structure.extents().iter().copied());
    Ok(taken_whole(window, sign, found, findings, is_open))
}

/// Something recognised, with the findings that say what that means.
fn taken_whole(
    window: &Window<'_>,
    sign: Option<BootSign>,
    found: Recognised,
    mut findings: Findings,
    is_open: bool,
) -> Content {
    let name = found.kind.name();
    let (code, sentence) = match found.kind.family() {
        _ if found.encrypted && !is_open => {
            let what = match found.kind {
                Sign::VolumeEncryption => "give its key with --key; without it the content cannot be read",
                _ => "the content can be read only with its key",
            };
            (&ENCRYPTED, format!("{name}: {what}"))
        }
        Family::Member => (&MEMBER, format!("{name}: holds files only together with what it belongs to")),
        Family::Memory => (&NOT_READ, format!("{name}: memory contents that the system wrote, no files")),
        Family::Table => (&NOT_READ, format!("{name}: the partitions that it names are not looked at")),
        Family::FileSystem | Family::Encryption => (&NOT_READ, format!("{name}: recognised, not read file by file")),
    };
    findings.push(Finding::at(code, window.extent().start, sentence));
    note_doubt(window, &found, &mut findings);
    Content::Opaque { sign, recognised: Some(Box::new(found)), findings }
}

/// What is not in order about what something was recognised by.
fn note_doubt(window: &Window<'_>, found: &Recognised, findings: &mut Findings) {
    let name = found.kind.name();
    let place = found.evidence.place.start;
    if found.certainty < Certainty::Consistent {
        let how = if found.certainty == Certainty::Copy { "only a copy is left" } else { "not in order" };
        let sentence = format!("{name}, recognised by {}: {how}", found.evidence.what);
        findings.push(Finding::at(&HEADER_DAMAGED, place, sentence));
    }
    if let Some(bytes) = found.bytes.filter(|bytes| *bytes > window.extent().bytes) {
        let sentence = format!("{name} gives its size as {bytes} bytes, {} are here", window.extent().bytes);
        findings.push(Finding::at(&HEADER_DAMAGED, place, sentence));
    }
}
