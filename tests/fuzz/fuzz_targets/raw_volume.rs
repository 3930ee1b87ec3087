//! Bytes as they come at the start of a drive of zeros: two for its size, then the drive's first ones.

#![no_main]

use gleaner::base::units::SectorSize;
use gleaner_fuzz::patched::Patched;
use gleaner_fuzz::survey;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let Some((&[low, high], front)) = input.split_first_chunk::<2>() else { return };
    let sector = if high & 1 == 0 { SectorSize::S512 } else { SectorSize::S4096 };
    let bytes = (u64::from(u16::from_le_bytes([low, high])) * 512).max(front.len() as u64);
    survey::drive(Patched::starting_with(bytes, sector, front));
});
