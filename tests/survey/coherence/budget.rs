//! What a verdict costs at most, on drives that make it dear.

use super::{Judged, extent, random_bytes};
use gleaner::base::units::SectorSize;
use gleaner::source::MemorySource;
use gleaner::survey::coherence::{BUDGET, PROBES, Verdict};

#[test]
fn a_drive_that_hardly_answers_is_not_asked_for_long() {
    let size = 64u64 << 20;
    let source = MemorySource::new(random_bytes(1, 64 << 20), SectorSize::S512).with_unreadable(extent(0, size));
    let judged = Judged::of(source);
    assert_eq!(judged.verdict(), Verdict::Unreadable, "{}", judged.told());
    // The last sector, and what shows that the drive answers nowhere.
    assert!(judged.coherence.read.requests <= 1 + PROBES as u64, "{:?}", judged.coherence.read);
    assert!(judged.coherence.sentence.starts_with("The drive has stopped answering"), "{}", judged.told());
}

#[test]
fn the_budget_holds_whatever_answers() {
    for step in [3u64, 5, 17, 64] {
        let size = 64u64 << 20;
        let mut source = MemorySource::new(random_bytes(step, 64 << 20), SectorSize::S512);
        for at in (0..size / 4096).step_by(usize::try_from(step).unwrap()) {
            source = source.with_unreadable(extent(at * 4096 + 512, 512));
        }
        let judged = Judged::of(source);
        assert!(judged.coherence.read.bytes <= BUDGET.bytes && judged.coherence.read.requests <= BUDGET.requests);
    }
}

#[test]
fn tiny_drives() {
    for bytes in [0usize, 1, 511, 512, 513, 4095, 4096, 5000, 1 << 16] {
        let judged = Judged::image(random_bytes(1, bytes));
        assert!(matches!(judged.verdict(), Verdict::Unclear | Verdict::Random), "{bytes}: {}", judged.told());
    }
}
