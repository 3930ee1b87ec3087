//! NTFS's two packed forms: run lists and LZNT1.

#![no_main]

use gleaner::filesystem::ntfs::{lznt1, runlist};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|input: &[u8]| {
    // `None` once the sum of all lengths is beyond 64 bits.
    let mut sum = Some(0u64);
    let mut error = false;
    for run in runlist::Runs::new(input) {
        match run {
            Ok((place, count)) => {
                assert!(count > 0);
                assert!(place.is_none_or(|lcn| lcn.0 < 1 << 63));
                sum = sum.and_then(|sum| sum.checked_add(count));
            }
            Err(_) => error = true,
        }
    }
    let expected = sum.unwrap_or(u64::MAX);
    let mut runs = Vec::new();
    let unpacked = runlist::unpack(input, expected, &mut runs);
    assert_eq!(unpacked.is_ok(), !error && sum.is_some());
    assert!(runs.iter().try_fold(0u64, |sum, (_, count)| sum.checked_add(*count)).is_some_and(|sum| sum <= expected));
    for size in [512, 4096, 65536] {
        let mut unit = vec![0xAA; size];
        let _ = lznt1::decode(input, &mut unit);
    }
});
