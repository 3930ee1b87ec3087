//! What the second readers of `verify` see on volumes that Windows and others made: the same as gleaner.

use super::samples::{HEALTHY, surveyed_at};
use super::unpack;
use gleaner::base::extent::Extent;
use gleaner::filesystem::FsKind;
use gleaner::results::verify::{NotCompared, Verdict, second_opinion};
use gleaner::source::{CopyStore, RangeMark};
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;

/// An image of which everything was copied.
struct CompleteImage(File);

impl CopyStore for CompleteImage {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        vec![extent]
    }

    fn skipped(&self, _: Extent) -> Vec<Extent> {
        Vec::new()
    }

    fn unreadable(&self, _: Extent) -> Vec<Extent> {
        Vec::new()
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        self.0.read_exact_at(buffer, extent.start.0)
    }

    fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
        unreachable!("nothing is copied here")
    }

    fn mark(&self, _: RangeMark) -> io::Result<()> {
        unreachable!("nothing is copied here")
    }

    fn commit(&self) -> io::Result<()> {
        unreachable!("nothing is copied here")
    }
}

#[test]
fn second_readers_see_the_same_on_volumes_of_windows() {
    let Some(folder) = unpack::folder("second readers on volumes of others") else { return };
    for (file, _, _) in HEALTHY {
        let unpacked = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).expect("a temporary folder");
        for (name, path) in unpack::unpack(&folder.join(file), unpacked.path()) {
            let survey = surveyed_at(&name, &path);
            let store = CompleteImage(File::open(&path).expect("it was unpacked"));
            for (_, volume) in survey.drive.volumes() {
                let opinion = second_opinion(volume, &store, 64 << 20);
                let (expected, left_out): (_, &[_]) = match volume.kind {
                    // $Boot lies at cluster 0.
                    FsKind::Ntfs => (Verdict::Agrees, &[(NotCompared::NotFollowed, 1)]),
                    FsKind::ExFat => (Verdict::NoReader, &[]),
                    _ => (Verdict::Agrees, &[]),
                };
                assert_eq!((&opinion.verdict, opinion.not_compared.as_slice()), (&expected, left_out), "{name}");
                assert!(opinion.contents_compared >= 6 || volume.kind != FsKind::Ntfs, "{name}: {opinion:?}");
            }
        }
    }
}
