//! Numbers by chance that are the same every time: each is a mix of a seed and of what it is for.

/// A seed's sequence: SplitMix64 (Steele, Lea and Flood, OOPSLA 2014; constants from memory).
pub(crate) struct Chances(u64);

impl Chances {
    pub(crate) fn of(seed: u64) -> Chances {
        Chances(mix(seed))
    }

    pub(crate) fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        mix(self.0)
    }

    /// From 0 up to, not including, 1.
    pub(crate) fn share(&mut self) -> f64 {
        share(self.next())
    }

    /// A whole number below `limit`.
    pub(crate) fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit.max(1)
    }

    /// An index into a list of `count`, which is not empty.
    pub(crate) fn index(&mut self, count: usize) -> usize {
        usize::try_from(self.below(count as u64)).expect("below a length")
    }

    /// Near to a normal distribution of mean 0 and variance 1: twelve even draws summed up.
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.share()).sum::<f64>() - 6.0
    }

    /// Between the two, every order of magnitude as likely as the next.
    pub(crate) fn between(&mut self, least: f64, most: f64) -> f64 {
        least * (most / least).powf(self.share())
    }
}

/// The chance of one event: from 0 up to, not including, 1, the same at every call.
pub(crate) fn draw(seed: u64, place: u64, count: u64) -> f64 {
    share(mix(mix(mix(seed) ^ place) ^ count))
}

fn share(number: u64) -> f64 {
    f64::from(u32::try_from(number >> 32).expect("32 bits")) / 4_294_967_296.0
}

fn mix(number: u64) -> u64 {
    let number = number.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let number = (number ^ (number >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    let number = (number ^ (number >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    number ^ (number >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn draws_are_even_and_the_same_each_time() {
        let draws: Vec<f64> = (0..10_000).map(|n| draw(7, n / 100, n % 100)).collect();
        let mean = draws.iter().sum::<f64>() / 10_000.0;
        // The mean of 10,000 even draws has a standard deviation of 1 / sqrt(12 x 10,000) = 0.0029.
        assert!((mean - 0.5).abs() < 0.012, "{mean}");
        assert_eq!(draw(7, 50, 3).to_bits(), draws[5003].to_bits());
        let mut chances = Chances::of(1);
        assert!((0..1000).all(|_| (16.0..=256.0).contains(&chances.between(16.0, 256.0))));
    }
}
