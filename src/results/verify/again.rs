//! Reading the drive again, when a person wants that: part of what was copied, compared with the image.

use crate::base::extent::{Extent, ExtentSet};
use crate::source::{CopyStore, Reader, SourceLost};
use serde::Serialize;

/// One look at the drive.
const LOOK: u64 = 64 << 10;

/// What a second reading of part of the drive gave.
#[derive(Serialize, Debug, Clone, PartialEq, Eq, Default)]
pub struct AgainCheck {
    /// Bytes that were read again and compared.
    pub bytes: u64,
    /// Places of 64 KiB at most that read otherwise now.
    pub differing: ExtentSet,
    /// Places that cannot be read any more.
    pub unreadable: ExtentSet,
}

/// Reads about `bytes` bytes of what is held again, spread evenly over it in ascending order, and compares.
///
/// # Errors
/// [`SourceLost`] when the device is gone, or the image cannot be read.
pub fn read_again(
    reader: &Reader,
    store: &dyn CopyStore,
    bytes: u64,
    progress: &mut dyn FnMut(u64),
) -> Result<AgainCheck, SourceLost> {
    let held = store.held(reader.identity().extent());
    let all: u64 = held.iter().map(|e| e.bytes).sum();
    // A look at every so many bytes of what is held; the remainder carries on from one extent to the next.
    let every = (all / (bytes / LOOK).max(1)).max(LOOK);
    let mut check = AgainCheck::default();
    let (mut passed, mut next) = (0, 0);
    let mut kept = Vec::new();
    for extent in held {
        while next < passed + extent.bytes {
            let start = extent.start.0 + (next - passed);
            let place = Extent::between(start / LOOK * LOOK, start / LOOK * LOOK + LOOK);
            let place = place.intersection(&extent).expect("the look starts in the extent");
            compare(reader, store, place, &mut kept, &mut check)?;
            progress(place.bytes);
            next += every;
        }
        passed += extent.bytes;
    }
    Ok(check)
}

fn compare(
    reader: &Reader,
    store: &dyn CopyStore,
    place: Extent,
    kept: &mut Vec<u8>,
    check: &mut AgainCheck,
) -> Result<(), SourceLost> {
    match reader.look_again(place)? {
        None => check.unreadable.insert(place),
        Some(now) => {
            kept.resize(now.len(), 0);
            store.load(place, kept).map_err(SourceLost::Store)?;
            check.bytes += place.bytes;
            if now != *kept {
                check.differing.insert(place);
            }
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::source::MemorySource;
    use std::io;

    /// Holds all that the drive had before one byte of it changed.
    struct Before(Vec<u8>);

    impl CopyStore for Before {
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
            let from = usize::try_from(extent.start.0).unwrap();
            buffer.copy_from_slice(&self.0[from..from + buffer.len()]);
            Ok(())
        }
        fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
            unreachable!()
        }
        fn mark(&self, _: crate::source::RangeMark) -> io::Result<()> {
            unreachable!()
        }
        fn commit(&self) -> io::Result<()> {
            unreachable!()
        }
    }

    #[test]
    fn a_changed_byte_and_a_lost_sector_are_found_when_all_is_read_again() {
        let before: Vec<u8> = (0..1u32 << 20).map(|n| u8::try_from(n / 512 % 251).unwrap()).collect();
        let mut now = before.clone();
        now[700_000] ^= 1;
        let lost = Extent::new(100_352, 512).unwrap();
        let drive = MemorySource::new(now, SectorSize::S512).with_unreadable(lost);
        let reader = Reader::new(Box::new(drive), None);
        let store = Before(before);
        let check = read_again(&reader, &store, 1 << 20, &mut |_| ()).unwrap();
        assert_eq!(check.differing.extents(), [Extent::new(655_360, LOOK).unwrap()]);
        assert_eq!(check.unreadable.extents(), [Extent::new(65_536, LOOK).unwrap()]);
        assert_eq!(check.bytes, (1 << 20) - LOOK);
        assert_eq!(reader.totals().repeated_bytes, 0, "one look at each place");
        let sample = read_again(&reader, &store, 4 * LOOK, &mut |_| ()).unwrap();
        assert_eq!(sample.bytes + sample.unreadable.bytes(), 4 * LOOK);
    }
}
