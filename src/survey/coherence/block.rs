//! What a sampled block looks like from outside.

/// What a block looks like.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Look {
    /// All zero.
    Zero,
    /// All of one byte, not zero.
    Constant(u8),
    /// Every sector of it repeats itself after this many bytes, at most 512.
    Periodic(usize),
    /// Its bytes are spread as random ones are.
    Random,
    /// None of these: text, code, media, structure ...
    Other,
}

/// Every look works on sectors of this many bytes, whatever the drive's.
const SECTOR: usize = 512;

/// Random bytes give a chi-square of their histogram around 255 (256 values, 255 degrees of freedom) with a standard deviation of
/// sqrt(2 x 255) = 22.6. Five deviations on each side leave out about one random block in a million. Media and archives in customary
/// formats mostly lie above: their headers, tables and markers favour some bytes. A block too even for chance (below) is no noise either.
const CHI_SQUARE: std::ops::RangeInclusive<f64> = 142.0..=368.0;

/// Periods looked for inside a sector: a pattern repeats after a byte, a word, or a short record.
const PERIODS: [usize; 9] = [1, 2, 4, 8, 16, 32, 64, 128, 256];

impl Look {
    pub(super) fn at(block: &[u8]) -> Look {
        let Some(first) = block.first().copied() else { return Look::Other };
        if block.iter().all(|b| *b == first) {
            return if first == 0 { Look::Zero } else { Look::Constant(first) };
        }
        if let Some(period) = PERIODS.into_iter().find(|period| block.chunks(SECTOR).all(|s| repeats(s, *period))) {
            return Look::Periodic(period);
        }
        if block.len() > SECTOR && repeats(block, SECTOR) {
            return Look::Periodic(SECTOR);
        }
        if CHI_SQUARE.contains(&chi_square(block)) { Look::Random } else { Look::Other }
    }
}

fn repeats(bytes: &[u8], period: usize) -> bool {
    bytes.iter().skip(period).zip(bytes).all(|(later, earlier)| later == earlier)
}

fn histogram(bytes: &[u8]) -> [u32; 256] {
    let mut counts = [0u32; 256];
    for byte in bytes {
        counts[usize::from(*byte)] += 1;
    }
    counts
}

#[allow(clippy::cast_precision_loss, reason = "a block has a few thousand bytes")]
fn chi_square(bytes: &[u8]) -> f64 {
    let expected = bytes.len() as f64 / 256.0;
    histogram(bytes).iter().map(|n| (f64::from(*n) - expected).powi(2) / expected).sum()
}

/// Shannon entropy in bits a byte, 0 to 8. For 4096 random bytes about 7.955 on average (8 less 255 / (2 x 4096 x ln 2), the bias of the
/// estimate).
#[allow(clippy::cast_precision_loss, reason = "a block has a few thousand bytes")]
pub(super) fn entropy(bytes: &[u8]) -> f64 {
    let total = bytes.len() as f64;
    let share = |n: &u32| f64::from(*n) / total;
    histogram(bytes).iter().filter(|n| **n > 0).map(|n| -share(n) * share(n).log2()).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// SplitMix64 (Steele, Lea, Flood 2014; from memory): passes the usual batteries, so its bytes stand for random ones.
    fn noise(seed: u64, bytes: usize) -> Vec<u8> {
        let mut state = seed;
        let next = || {
            state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = state;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            z ^ (z >> 31)
        };
        std::iter::repeat_with(next).flat_map(u64::to_le_bytes).take(bytes).collect()
    }

    #[test]
    fn noise_is_told_from_everything_else() {
        let random = (0..4000).filter(|seed| Look::at(&noise(seed << 32, 4096)) == Look::Random).count();
        assert!(random >= 3999, "{random} of 4000 blocks of noise are recognised as such");
        let mean: f64 = (0..100).map(|seed| entropy(&noise(seed << 32, 4096))).sum::<f64>() / 100.0;
        assert!((mean - 7.955).abs() < 0.002, "{mean}");
        assert!((entropy(b"abcdabcd") - 2.0).abs() < 1e-12);
        // Text, and bytes evener than chance.
        let text = include_bytes!("block.rs");
        assert_eq!(Look::at(&text[..4096]), Look::Other);
        let even: Vec<u8> = (0..16u8).flat_map(|turn| (0..=255u8).map(move |n| n.wrapping_mul(2 * turn + 1))).collect();
        assert_eq!(Look::at(&even), Look::Other);
    }

    #[test]
    fn constants_and_patterns() {
        assert_eq!(Look::at(&[0; 4096]), Look::Zero);
        assert_eq!(Look::at(&[0xFF; 4096]), Look::Constant(0xFF));
        let tagged: Vec<u8> = (0..8u64).flat_map(|lba| (lba + 77).to_le_bytes().repeat(64)).collect();
        assert_eq!(Look::at(&tagged), Look::Periodic(8), "each sector filled with its own number");
        let mut one = noise(1, 512);
        one = one.repeat(8);
        assert_eq!(Look::at(&one), Look::Periodic(512), "one sector repeated");
        one[4095] ^= 1;
        assert!(matches!(Look::at(&one), Look::Random | Look::Other));
    }
}
