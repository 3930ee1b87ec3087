//! NTFS's two packed forms: run lists and LZNT1.

#![no_main]

use gleaner::fs::ntfs::{lznt1, runlist};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    let mut expected = 0u64;
    let mut error = false;
    for run in runlist::Runs::new(input) {
        match run {
            Ok((place, count)) => {
                assert!(count > 0);
                assert!(place.is_none_or(|lcn| lcn.0 < 1 << 63));
                expected = expected.saturating_add(count);
            }
            Err(_) => error = true,
        }
    }
    let mut runs = Vec::new();
    let unpacked = runlist::unpack(input, expected, &mut runs);
    assert_eq!(unpacked.is_ok(), !error && expected < u64::MAX);
    assert!(runs.iter().try_fold(0u64, |sum, (_, count)| sum.checked_add(*count)).is_some_and(|sum| sum <= expected));
    for size in [512, 4096, 65536] {
        let mut unit = vec![0xAA; size];
        let _ = lznt1::decode(input, &mut unit);
    }
});
