//! What an area of the drive holds: a volume that can be read, or something that can only be taken whole.

use super::infer::{self, Inferred};
use super::{VolumeMap, exfat, fat, ntfs};
use crate::finding::{Code, Finding, Findings, Severity};
use crate::partition::boot_sign::{self, BootSign};
use crate::source::{SourceLost, Window};

/// What was found in a partition.
#[derive(Debug)]
pub enum Content {
    /// A volume whose maps were read.
    Volume(Box<VolumeMap>),
    /// Something that is recognised but not read, or not recognised: it can only be planned whole.
    Opaque {
        /// What the first sector looks like.
        sign: Option<BootSign>,
        /// Why it was not read.
        findings: Findings,
    },
}

/// A volume of a kind that is not read file by file.
pub static NOT_READ: Code = Code {
    id: "volume-taken-whole",
    severity: Severity::Caution,
    meaning: "What is in use on this volume is not known, so all of it is planned as if it were in use. Nothing is lost, \
              but reading takes as long as the volume is large.",
};

/// Nothing recognisable at the start of a partition.
pub static NOT_RECOGNISED: Code = Code {
    id: "volume-not-recognised",
    severity: Severity::Damage,
    meaning: "No known boot sector stands at the start of this partition or where its copy would be. The volume may be blank, \
              encrypted as a whole, or damaged; all of it is planned as if it were in use.",
};

/// Boot sectors lost, and more than one geometry fits what is left.
pub static GEOMETRY_AMBIGUOUS: Code = Code {
    id: "volume-geometry-ambiguous",
    severity: Severity::Damage,
    meaning: "The boot sectors are lost, and what is left of the file system fits more than one layout, as after formatting \
              twice. None was believed, so that nothing is left out: all of the volume is planned.",
};

/// The codes of this module.
pub static CODES: &[&Code] = &[&NOT_READ, &NOT_RECOGNISED, &GEOMETRY_AMBIGUOUS];

/// Reads the volume in `window`.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn read_content(window: &Window<'_>) -> Result<Content, SourceLost> {
    let sector = 512.min(window.extent().bytes);
    let first = window.read(0, sector)?;
    let sign = first.as_ref().and_then(|block| block.whole()).and_then(boot_sign::recognise);
    let outcome = match sign {
        Some(BootSign::Ntfs) => ntfs::read(window)?,
        Some(BootSign::Fat) => fat::read(window)?,
        Some(BootSign::ExFat) => exfat::read(window)?,
        Some(other) => {
            let mut findings = Findings::new();
            let sentence = format!("{}: recognised, not read file by file", other.name());
            findings.push(Finding::at(&NOT_READ, window.extent().start, sentence));
            return Ok(Content::Opaque { sign, findings });
        }
        // The first sector says nothing: its copies may. NTFS keeps one in the last sector, FAT32 in the seventh, exFAT
        // in the thirteenth.
        None => match ntfs::read(window)? {
            Ok(volume) => Ok(volume),
            Err(_) => match fat::read(window)? {
                Ok(volume) => Ok(volume),
                Err(_) => exfat::read(window)?,
            },
        },
    };
    Ok(match outcome {
        Ok(volume) => Content::Volume(volume),
        Err(mut findings) => {
            if sign.is_none() {
                findings = Findings::new();
                let sentence = "no known boot sector at the start or at the places of its copies";
                findings.push(Finding::at(&NOT_RECOGNISED, window.extent().start, sentence));
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
            Content::Opaque { sign, findings }
        }
    })
}
