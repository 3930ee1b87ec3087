//! What the file systems share when a volume's geometry has to be inferred, because its boot sector and its copies are
//! all lost: a bounded look at the volume, and what came of it.
//!
//! It happens only after nothing else was recognised, so a healthy volume costs nothing here. A wrong geometry would
//! silently narrow a plan; that is why each file system accepts one only where structures stand at the places it
//! computes, and none at all where two geometries fit.

mod bounded_reader;

pub(super) use bounded_reader::{BoundedReader, HEAD_BYTES, MIDDLE_BYTES, SECTOR};

use super::{VolumeMap, exfat, fat, ntfs};
use crate::source::{SourceLost, Window};

/// What came of inferring a volume's geometry.
#[derive(Debug)]
pub enum Inferred {
    /// Nothing of the file system, or too little to be sure of a geometry.
    Nothing,
    /// More than one geometry fits, each said in a few words: none is used.
    Ambiguous(Vec<String>),
    /// The volume as read with the one geometry that fits.
    Volume(Box<VolumeMap>),
}

/// Tries all file systems, and accepts a volume only where one geometry of one of them fits.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read(window: &Window<'_>) -> Result<Inferred, SourceLost> {
    let mut volumes = Vec::new();
    let mut fitting = Vec::new();
    for outcome in [ntfs::read_inferred(window)?, fat::read_inferred(window)?, exfat::read_inferred(window)?] {
        match outcome {
            Inferred::Nothing => {}
            Inferred::Ambiguous(list) => fitting.extend(list),
            Inferred::Volume(volume) => {
                fitting.push(format!(
                    "{} with clusters of {} bytes",
                    volume.kind.name(),
                    volume.geometry.cluster_bytes
                ));
                volumes.push(volume);
            }
        }
    }
    Ok(match (fitting.len(), volumes.pop()) {
        (0, _) => Inferred::Nothing,
        (1, Some(volume)) => Inferred::Volume(volume),
        _ => Inferred::Ambiguous(fitting),
    })
}

/// What [`choose`] leaves: one geometry, none, or several that fit equally well.
pub(super) type Choice<T> = Result<Option<T>, Vec<T>>;

/// The one geometry that a volume is to be read with, or what there is to say in its place.
pub(super) fn only_choice<T>(choice: Choice<T>, in_words: impl Fn(&T) -> String) -> Result<T, Inferred> {
    match choice {
        Ok(Some(one)) => Ok(one),
        Ok(None) => Err(Inferred::Nothing),
        Err(several) => Err(Inferred::Ambiguous(several.iter().map(in_words).collect())),
    }
}

/// How sure a geometry is, in a sentence; `lacking` is what should be there too and is not.
pub(super) fn certainty(lacking: &[String]) -> String {
    if lacking.is_empty() {
        "Everything that was checked agrees.".to_owned()
    } else {
        format!("Not everything agrees: {}.", lacking.join("; "))
    }
}

/// Of the geometries that fit, the one that nothing speaks against, if the others all have something against them.
pub(super) fn choose<T>(mut fitting: Vec<T>, unblemished: impl Fn(&T) -> bool) -> Choice<T> {
    if fitting.len() > 1 && fitting.iter().filter(|one| unblemished(one)).count() == 1 {
        fitting.retain(|one| unblemished(one));
    }
    if fitting.len() > 1 { Err(fitting) } else { Ok(fitting.pop()) }
}
