//! Recognition of foreign, encrypted and member volumes. The input: a byte that chooses one of the signs below to be put
//! in its place (so that the fuzzer need not find it by itself) or none, then the volume's first bytes, or, with the
//! byte's highest bit set, its last.

#![no_main]

use gleaner::partition::signature::look;
use gleaner::source::{Reader, Source, Window};
use gleaner::base::units::SectorSize;
use gleaner_fuzz::base::Base;
use gleaner_fuzz::patched::Patched;
use libfuzzer_sys::fuzz_target;
use std::sync::{Arc, LazyLock};

const BYTES: u64 = 4 << 20;

static BASES: LazyLock<Vec<Arc<Base>>> =
    LazyLock::new(|| [SectorSize::S512, SectorSize::S4096].map(|sector| Base::zeros(BYTES, sector)).to_vec());

/// Published signatures and where they stand (the specifications are named in `src/partition/signature`).
const SIGNS: [(u64, &[u8]); 16] = [
    (0x438, &[0x53, 0xEF]),
    (0, b"XFSB"),
    (0x10040, b"_BHRfS_M"),
    (32, b"NXSB"),
    (1024, b"H+\0\x04"),
    (0, b"LUKS\xBA\xBE\0\x01"),
    (0, b"LUKS\xBA\xBE\0\x02"),
    (3, b"-FVE-FS-"),
    (512, b"LABELONE"),
    (4096, &[0xFC, 0x4E, 0x2B, 0xA9]),
    (4086, b"SWAPSPACE2"),
    (0x8001, b"CD001"),
    (0x400, &[0x10, 0x20, 0xF5, 0xF2]),
    (3, b"ReFS\0\0\0\0"),
    (4096, b"SPACEDB "),
    (0x1018, &[0xC6, 0x85, 0x73, 0xF6]),
];

fuzz_target!(init: { LazyLock::force(&BASES); }, |input: &[u8]| {
    let Some((which, bytes)) = input.split_first() else { return };
    let mut drive = Patched::sound(&BASES[usize::from(which >> 6 & 1)]);
    let at = if which & 0x80 == 0 { 0 } else { BYTES - (bytes.len() as u64).min(BYTES) };
    drive.write(at, bytes);
    if let Some((place, sign)) = SIGNS.get(usize::from(which & 0x1F)) {
        drive.write(*place, sign);
    }
    let extent = drive.identity().extent();
    let reader = Reader::new(Box::new(drive), None);
    let found = look(&Window::new(&reader, extent)).expect("memory does not vanish");
    if let Some(found) = found {
        assert!(found.first.iter().all(|place| extent.contains(place)), "{found:?}");
    }
});
