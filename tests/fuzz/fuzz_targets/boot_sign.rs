//! Recognition of boot sectors, each then read as the volume it seems to be.

#![no_main]

use gleaner::partition::boot_sign::recognise;
use gleaner::base::units::SectorSize;
use gleaner_fuzz::patched::Patched;
use gleaner_fuzz::survey;
use libfuzzer_sys::fuzz_target;

/// What stands at byte 3 or 54 of the boot sectors that are read, for the fuzzer need not find eight bytes by itself.
const SIGNS: [&[u8; 8]; 4] = [b"NTFS    ", b"EXFAT   ", b"MSDOS5.0", b"mkfs.fat"];

fuzz_target!(|input: &[u8]| {
    let Some((which, sector)) = input.split_first() else { return };
    let mut boot = [0; 512];
    let count = sector.len().min(512);
    boot[..count].copy_from_slice(&sector[..count]);
    if let Some(sign) = SIGNS.get(usize::from(*which)) {
        boot[3..11].copy_from_slice(*sign);
    }
    if which & 0x80 == 0 {
        boot[510..].copy_from_slice(&[0x55, 0xAA]);
    }
    let first = recognise(&boot);
    assert_eq!(first, recognise(&[&boot[..], &[0xFF; 512]].concat()), "what lies behind changes nothing");
    assert_eq!(recognise(&boot[..511]), None);
    survey::volume(Patched::starting_with(1 << 20, SectorSize::S512, &boot));
});
