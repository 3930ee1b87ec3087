//! Partition tables with changes, on real drives and on one of zeros, in sectors of 512 and 4096 bytes.

#![no_main]

use gleaner::partition::read_layout;
use gleaner::source::Reader;
use gleaner::base::units::SectorSize;
use gleaner_fuzz::base::Base;
use gleaner_fuzz::patched::Patched;
use libfuzzer_sys::fuzz_target;
use std::sync::{Arc, LazyLock};

static BASES: LazyLock<Vec<Arc<Base>>> = LazyLock::new(|| {
    vec![
        Base::zeros(1 << 20, SectorSize::S512),
        Base::zeros(1 << 20, SectorSize::S4096),
        Base::fixture("drive-mbr-extended", SectorSize::S512),
        Base::fixture("drive-usb-4k-table", SectorSize::S512),
        Base::fixture("drive-usb-4k-gpt", SectorSize::S512),
        Base::fixture("drive-gpt-4kn", SectorSize::S4096),
    ]
});

fuzz_target!(init: { LazyLock::force(&BASES); }, |input: &[u8]| {
    let Some(drive) = Patched::from_input(&BASES, input) else { return };
    let bytes = drive.bytes();
    let reader = Reader::new(Box::new(drive), None);
    let layout = read_layout(&reader).expect("memory does not vanish");
    let mut covered = 0;
    for area in &layout.areas {
        assert!(!area.extent.is_empty() && area.extent.end() <= bytes);
        assert!(area.extent.start.0 <= covered, "bytes {covered} on lie in no area");
        covered = covered.max(area.extent.end());
    }
    assert_eq!(covered, bytes);
    assert!(layout.table_extents.extents().iter().all(|e| e.end() <= bytes));
});
