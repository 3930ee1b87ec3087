//! An HFS+ volume with changes to its structure.

#![no_main]

use gleaner::base::units::SectorSize;
use gleaner_fuzz::base::Base;
use gleaner_fuzz::patched::Patched;
use gleaner_fuzz::survey;
use libfuzzer_sys::fuzz_target;
use std::sync::{Arc, LazyLock};

static BASES: LazyLock<Vec<Arc<Base>>> = LazyLock::new(|| {
    let names = ["hfsplus-512", "hfsplus-pieces", "hfsplus-wrapped", "hfsplus-journal-old", "hfsplus-journal-wrap"];
    names.iter().map(|name| Base::fixture(name, SectorSize::S512)).collect()
});

fuzz_target!(init: { LazyLock::force(&BASES); }, |input: &[u8]| {
    if let Some(drive) = Patched::from_input(&BASES, input) {
        survey::volume(drive);
    }
});
