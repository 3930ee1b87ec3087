//! Opening each volume of the copy with a reader that shares no code with ours, and comparing what both see: names
//! folder by folder, sizes, and content up to a limit.
//!
//! The other reader is others' code on bytes that may be damaged: it reads through a [`view::View`] that is
//! bounded to the volume, refuses writes and ends endless reading, and a panic in it is caught. What it is known not to
//! follow is counted and not compared ([`NotCompared`]).

mod children;
mod compare;
mod fat;
mod ntfs;
mod opinion;
mod quiet;
mod view;

pub use opinion::{Difference, FolderDifference, NotCompared, SecondOpinion, Verdict};

use crate::filesystem::{FsKind, VolumeMap};
use crate::source::CopyStore;
use view::View;

/// Asks the second reader about one volume. Content of up to `compare_bytes` bytes in all is read through both.
pub fn second_opinion(volume: &VolumeMap, store: &dyn CopyStore, compare_bytes: u64) -> SecondOpinion {
    let plain = volume.of_store(store);
    let view = View::new(&plain, volume.extent);
    view.allow(compare::CALL_BYTES);
    let reader = match volume.kind {
        FsKind::Ntfs => ntfs::READER,
        FsKind::Fat12 | FsKind::Fat16 | FsKind::Fat32 => fat::READER,
        FsKind::ExFat => "no second reader",
    };
    let mut opinion = SecondOpinion::new(volume.extent.start.0, reader, volume.catalog.orphan_count());
    match volume.kind {
        FsKind::Ntfs => ntfs::compare(volume, store, &view, compare_bytes, &mut opinion),
        FsKind::Fat12 | FsKind::Fat16 | FsKind::Fat32 => {
            fat::compare(volume, store, &view, compare_bytes, &mut opinion);
        }
        // No published crate opens exFAT and is kept well enough to be believed.
        FsKind::ExFat => opinion.verdict = Verdict::NoReader,
    }
    let seen = view.seen();
    opinion.refused_writes = seen.refused_writes;
    opinion.absent_bytes = seen.absent_bytes;
    opinion
}
