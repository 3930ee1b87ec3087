//! A whole drive with changes: surveyed, classified, planned, the plan written and read.

#![no_main]

use gleaner::base::units::SectorSize;
use gleaner_fuzz::base::Base;
use gleaner_fuzz::patched::Patched;
use gleaner_fuzz::survey;
use libfuzzer_sys::fuzz_target;
use std::sync::{Arc, LazyLock};

static BASES: LazyLock<Vec<Arc<Base>>> = LazyLock::new(|| {
    vec![
        Base::fixture("drive-mbr-extended", SectorSize::S512),
        Base::fixture("drive-usb-4k-gpt", SectorSize::S512),
        Base::fixture("drive-gpt-4kn", SectorSize::S4096),
        Base::fixture("fat12-floppy", SectorSize::S512),
    ]
});

fuzz_target!(init: { LazyLock::force(&BASES); }, |input: &[u8]| {
    if let Some(drive) = Patched::from_input(&BASES, input) {
        survey::drive(drive);
    }
});
