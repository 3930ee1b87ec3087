//! Drives that answer, but not with the client's data.

use super::{Judged, noise, random_bytes};
use crate::common::fixture;
use gleaner::survey::coherence::{Check, Outcome, Verdict};

const DRIVE: usize = 64 << 20;

#[test]
fn one_byte_everywhere() {
    let judged = Judged::image(vec![0; DRIVE]);
    assert_eq!(judged.verdict(), Verdict::Blank, "{}", judged.told());
    for byte in [0xFF, 0x00_u8.wrapping_sub(0x33), 0x5A] {
        let judged = Judged::image(vec![byte; DRIVE]);
        assert_eq!(judged.verdict(), Verdict::Constant, "{byte:02X}: {}", judged.told());
        assert!(judged.coherence.sentence.contains(&format!("{byte:02X}")), "{}", judged.told());
    }
}

#[test]
fn one_sector_everywhere() {
    // A sector of noise; a boot sector; the first sector of a partitioned drive.
    let sectors = [
        random_bytes(3, 512),
        fixture("ntfs-rich")[..512].to_vec(),
        fixture("fat32-clusters-4k")[..512].to_vec(),
        fixture("drive-mbr-extended")[..512].to_vec(),
        fixture("drive-gpt")[..512].to_vec(),
    ];
    for (number, sector) in sectors.into_iter().enumerate() {
        let judged = Judged::image(sector.repeat(DRIVE / 512));
        assert_eq!(judged.verdict(), Verdict::Repeating, "sector {number}: {}", judged.told());
    }
}

/// The drive as read through addresses that lack the bits from `period` on.
fn wrapped(image: &[u8], period: usize) -> Vec<u8> {
    image[..period].iter().copied().cycle().take(image.len()).collect()
}

#[test]
fn addresses_that_wrap() {
    let image = fixture("drive-gpt");
    for megabytes in [8, 16, 32] {
        let judged = Judged::image(wrapped(&image, megabytes << 20));
        assert_eq!(judged.verdict(), Verdict::Repeating, "{megabytes} MiB: {}", judged.told());
        assert_eq!(judged.outcome(Check::Wrap), Outcome::Fails);
        assert!(judged.coherence.sentence.contains(&format!("{megabytes} MiB")), "{}", judged.told());
    }
}

#[test]
fn noise_everywhere_and_noise_behind_a_table() {
    for seed in 0..8 {
        let judged = Judged::image(random_bytes(seed << 40, DRIVE));
        assert_eq!(judged.verdict(), Verdict::Random, "{}", judged.told());
        assert!(judged.coherence.sentence.contains("look alike from outside"));
    }
    let mut behind = random_bytes(5, DRIVE);
    behind[..512].fill(0);
    behind[446..462].copy_from_slice(&[0, 0, 0, 0, 7, 0, 0, 0, 0, 8, 0, 0, 0, 0xF0, 1, 0]);
    behind[510..512].copy_from_slice(&[0x55, 0xAA]);
    let judged = Judged::image(behind);
    assert_eq!(judged.verdict(), Verdict::Random, "{}", judged.told());
    assert!(judged.coherence.sentence.contains("only the table"), "{}", judged.told());
}

/// Every sector combined with a pattern of its own number: a key that depends on the address.
fn disguised(image: &mut [u8], key: impl Fn(u64) -> [u8; 8]) {
    for (lba, sector) in (0u64..).zip(image.chunks_mut(512)) {
        let key = key(lba);
        sector.iter_mut().zip(key.iter().cycle()).for_each(|(byte, key)| *byte ^= key);
    }
}

#[test]
fn sectors_combined_with_their_address() {
    for name in ["drive-gpt", "drive-mbr-extended", "ntfs-rich", "fat16"] {
        // A key that leaves the first sector alone, and one that does not.
        for first in [0u64, 0x1234_5678_9ABC] {
            let mut image = fixture(name);
            disguised(&mut image, |lba| (lba.wrapping_mul(0x0101_0101_0101_0101) ^ first).to_le_bytes());
            let judged = Judged::image(image);
            assert!(
                matches!(judged.verdict(), Verdict::Repeating | Verdict::Misplaced | Verdict::Unclear),
                "{name}: {}",
                judged.told()
            );
            if first == 0 || name.starts_with("drive") {
                assert!(judged.verdict().says_stop(), "{name}, key {first:x}: {}", judged.told());
            }
        }
        // A key as good as random: nothing but noise is left.
        let mut image = fixture(name);
        let mut words = noise(11);
        image.chunks_exact_mut(8).for_each(|chunk| {
            let word = words.next().unwrap().to_le_bytes();
            chunk.iter_mut().zip(word).for_each(|(byte, key)| *byte ^= key);
        });
        let judged = Judged::image(image);
        assert_eq!(judged.verdict(), Verdict::Random, "{name}: {}", judged.told());
    }
}

/// The drive's blocks in another order; the first `kept` stay.
fn shuffled(image: &[u8], block: usize, kept: usize, seed: u64) -> Vec<u8> {
    let mut order: Vec<usize> = (0..image.len() / block).collect();
    let mut words = noise(seed);
    for at in (kept + 1..order.len()).rev() {
        let other = kept + usize::try_from(words.next().unwrap() % (at - kept + 1) as u64).unwrap();
        order.swap(at, other);
    }
    let mut out: Vec<u8> =
        order.iter().flat_map(|from| image[from * block..(from + 1) * block].iter().copied()).collect();
    out.extend_from_slice(&image[out.len()..]);
    out
}

#[test]
fn blocks_in_another_order() {
    let mut stopped = 0;
    let mut judged_in_all = 0;
    for name in ["drive-gpt", "drive-mbr-extended", "drive-gpt-4kn", "ntfs-rich"] {
        let image = fixture(name);
        for seed in 0..6 {
            let judged = Judged::image(shuffled(&image, 1 << 20, 1, seed));
            assert!(
                !matches!(judged.verdict(), Verdict::Sound | Verdict::Blank | Verdict::Encrypted),
                "{name}, seed {seed}: {}",
                judged.told()
            );
            judged_in_all += 1;
            stopped += u32::from(judged.verdict().says_stop());
        }
    }
    assert!(stopped * 4 >= judged_in_all * 3, "{stopped} of {judged_in_all} shuffled drives are called so");
}
