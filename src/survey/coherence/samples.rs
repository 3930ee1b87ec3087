//! A few places of the drive, looked at where structure leaves doubt.

use super::block::{Look, entropy};
use super::evidence::{Check, Evidence, Outcome, counted};
use super::{Effort, held};
use crate::base::clock::Moment;
use crate::base::extent::Extent;
use crate::base::human;
use crate::source::{Block, ReadTotals, Reader, SourceLost};
use std::collections::BTreeMap;
use std::time::Duration;

/// The most that a verdict may cost beyond what the survey reads anyway, the last sector included. A mebibyte is a hundredth of a second on
/// a healthy drive; 128 requests at 15 ms each are two seconds.
pub const BUDGET: Effort = Effort { bytes: 1 << 20, requests: 128 };

/// Bytes of a sample: a physical sector of the larger kind, enough for a histogram of 256 values to mean something (16 of each).
pub const SAMPLE_BYTES: u64 = 4096;

/// Places spread evenly over the drive. With 64 an area of a twentieth of the drive is missed once in 27 drives.
pub const PLACES: u64 = 64;

/// Sampling ends after this time.
pub const TIME_ALLOWED: Duration = Duration::from_secs(60);

/// A drive's addresses wrap at powers of two from here on.
const SMALLEST_WRAP: u64 = 1 << 20;

/// The most requests that one sample can cost: the whole of it, then its eight sectors.
const REQUESTS_A_SAMPLE: u64 = 9;

/// What the samples showed.
#[derive(Default)]
pub(super) struct Samples {
    /// Places that answered.
    pub(super) answered: u64,
    pub(super) unreadable: u64,
    not_read: u64,
    pub(super) zero: u64,
    constant: BTreeMap<u8, u64>,
    pub(super) periodic: u64,
    pub(super) random: u64,
    lowest_entropy: Option<f64>,
    /// How often the most frequent block came that is neither constant nor periodic within itself.
    pub(super) most_equal: u64,
    /// Where the first sector comes again, at this and all larger powers of two that were looked at.
    pub(super) wraps_at: Option<u64>,
    wraps_looked_at: u64,
    gave_up: Option<&'static str>,
}

impl Samples {
    /// Looks at up to [`PLACES`] places and at the powers of two. `first` is the drive's first sector; `before` what had been read when
    /// judging began.
    pub(super) fn take(reader: &Reader, first: Option<&Block>, before: ReadTotals) -> Result<Samples, SourceLost> {
        let mut samples = Samples::default();
        let mut seen: BTreeMap<Vec<u8>, u64> = BTreeMap::new();
        let began = reader.clock().now();
        let size = reader.identity().bytes;
        reader.announce("samples", (PLACES * SAMPLE_BYTES).min(size));
        for place in spread(size) {
            if samples.must_stop(reader, before, began) {
                break;
            }
            match look(reader, place)? {
                Answer::Bytes(block) => {
                    samples.add_block(&block);
                    *seen.entry(block).or_default() += 1;
                }
                Answer::Unreadable => samples.unreadable += 1,
                Answer::NotHeld => samples.not_read += 1,
                Answer::AskedBefore => {}
            }
        }
        // Blocks of one byte, or of a short pattern, say so themselves; equal blocks of anything else are one block at many addresses.
        let telling = |block: &[u8]| matches!(Look::at(block), Look::Random | Look::Other | Look::Periodic(512));
        samples.most_equal =
            seen.iter().filter(|(block, _)| telling(block)).map(|(_, count)| *count).max().unwrap_or(0);
        if let Some(first) = first.and_then(Block::whole) {
            samples.look_for_wrap(reader, first, before, began)?;
        }
        Ok(samples)
    }

    fn must_stop(&mut self, reader: &Reader, before: ReadTotals, began: Moment) -> bool {
        let now = reader.totals();
        self.gave_up = match () {
            () if reader.has_left_off() => Some("too many requests failed"),
            () if now.requests - before.requests + REQUESTS_A_SAMPLE > BUDGET.requests => {
                Some("the number of requests was used up")
            }
            () if now.bytes - before.bytes + SAMPLE_BYTES > BUDGET.bytes => Some("the number of bytes was used up"),
            () if reader.clock().since(began) > TIME_ALLOWED => Some("the time was used up"),
            () => self.gave_up,
        };
        self.gave_up.is_some()
    }

    fn add_block(&mut self, block: &[u8]) {
        self.answered += 1;
        match Look::at(block) {
            Look::Zero => self.zero += 1,
            Look::Constant(byte) => *self.constant.entry(byte).or_default() += 1,
            Look::Periodic(_) => self.periodic += 1,
            Look::Random => {
                self.random += 1;
                let entropy = entropy(block);
                self.lowest_entropy = Some(self.lowest_entropy.map_or(entropy, |lowest| lowest.min(entropy)));
            }
            Look::Other => {}
        }
    }

    /// Whether the first sector comes again at a power of two and all larger ones: addresses with too few bits do that. A first sector of
    /// one byte says nothing.
    fn look_for_wrap(
        &mut self,
        reader: &Reader,
        first: &[u8],
        before: ReadTotals,
        began: Moment,
    ) -> Result<(), SourceLost> {
        if matches!(Look::at(first), Look::Zero | Look::Constant(_)) {
            return Ok(());
        }
        let size = reader.identity().bytes;
        let mut place = SMALLEST_WRAP;
        while place < size && !self.must_stop(reader, before, began) {
            let sample = Extent::between(place, size.min(place + SAMPLE_BYTES));
            if let Answer::Bytes(block) = look(reader, sample)? {
                self.wraps_looked_at += 1;
                if block.starts_with(first) {
                    self.wraps_at.get_or_insert(place);
                } else {
                    self.wraps_at = None;
                }
            }
            place *= 2;
        }
        Ok(())
    }

    /// The byte, not zero, that most samples consist of, and how many do.
    pub(super) fn constant(&self) -> Option<(u8, u64)> {
        self.constant.iter().map(|(byte, count)| (*byte, *count)).max_by_key(|(_, count)| *count)
    }

    /// Whether `part` is at least three in four of the samples that answered, of which there must be eight.
    pub(super) fn mostly(&self, part: u64) -> bool {
        self.answered >= 8 && part * 4 >= self.answered * 3
    }

    /// Whether nearly all, 15 in 16, are random. All of them would be on a drive that is: a random block fails the test once in a million.
    pub(super) fn nearly_all_random(&self) -> bool {
        self.answered >= 8 && self.random * 16 >= self.answered * 15
    }

    pub(super) fn evidence(&self) -> Vec<Evidence> {
        let looked_for = |count: u64, what: &str| (count > 0).then(|| format!("{} {what}", human::count(count)));
        let constant: u64 = self.constant.values().sum();
        let other = self.answered - self.zero - constant - self.periodic - self.random;
        let mut kinds: Vec<String> = [
            looked_for(self.zero, "all zero"),
            looked_for(self.periodic, "a pattern that repeats"),
            looked_for(self.random, "like random bytes"),
            looked_for(other, "of other content"),
            looked_for(self.unreadable, "without answer"),
            looked_for(self.not_read, "not in the case"),
        ]
        .into_iter()
        .flatten()
        .collect();
        kinds.extend(self.constant.iter().map(|(byte, count)| format!("{} all {byte:02X}", human::count(*count))));
        let mut figures = format!(
            "{} of {} each: {}",
            counted(self.answered + self.unreadable + self.not_read, "sample", "samples"),
            human::unit_size(SAMPLE_BYTES),
            if kinds.is_empty() { "nothing".to_owned() } else { kinds.join(", ") }
        );
        if let Some(entropy) = self.lowest_entropy {
            figures += &format!("; entropy of the random ones at least {entropy:.2} bits a byte");
        }
        if self.most_equal > 1 {
            figures += &format!("; the same block {} times", human::count(self.most_equal));
        }
        if let Some(why) = self.gave_up {
            figures += &format!("; sampling ended early: {why}");
        }
        let outcome = match () {
            () if self.answered == 0 => Outcome::NotRead,
            () if other * 4 >= self.answered => Outcome::Holds,
            () if other > 0 || (self.zero > 0 && self.zero == self.answered) => Outcome::InPart,
            () => Outcome::Fails,
        };
        let mut lines = vec![Evidence::new(Check::Samples, outcome, figures)];
        if self.wraps_looked_at > 0 {
            lines.push(match self.wraps_at {
                Some(at) => Evidence::new(
                    Check::Wrap,
                    Outcome::Fails,
                    format!("the first sector comes again at byte {at} and at every larger power of two"),
                ),
                None => Evidence::new(
                    Check::Wrap,
                    Outcome::Holds,
                    format!(
                        "the first sector does not come again at {}",
                        counted(self.wraps_looked_at, "power of two", "powers of two")
                    ),
                ),
            });
        }
        lines
    }
}

/// How a place answered.
enum Answer {
    Bytes(Vec<u8>),
    Unreadable,
    /// There is only a case, and it does not hold the place.
    NotHeld,
    /// It was streamed before, and is not to be read again.
    AskedBefore,
}

fn look(reader: &Reader, place: Extent) -> Result<Answer, SourceLost> {
    if reader.would_ask_again(place) {
        return Ok(Answer::AskedBefore);
    }
    Ok(match held(reader, place)? {
        None => Answer::NotHeld,
        Some(block) if block.whole().is_some() => Answer::Bytes(block.bytes),
        Some(_) => Answer::Unreadable,
    })
}

/// Up to [`PLACES`] places of [`SAMPLE_BYTES`] bytes over a drive of `size` bytes, in an order that has them spread however early it ends
/// (each next one halves a gap: the bits of its number reversed).
pub(super) fn spread(size: u64) -> Vec<Extent> {
    let mut places: Vec<Extent> = Vec::new();
    for number in 0..PLACES {
        let slot = number.reverse_bits() >> (64 - PLACES.trailing_zeros());
        // The middle of each slot, in 128 bits: drives can have up to 2^64 bytes.
        let middle = u128::from(size) * u128::from(2 * slot + 1) / u128::from(2 * PLACES);
        let start = u64::try_from(middle).unwrap_or(u64::MAX) / SAMPLE_BYTES * SAMPLE_BYTES;
        let place = Extent::between(start, start.saturating_add(SAMPLE_BYTES).min(size));
        if place.bytes == SAMPLE_BYTES && !places.contains(&place) {
            places.push(place);
        }
    }
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_are_spread_and_stay_so_when_cut_short() {
        let size = 1 << 40;
        let places = spread(size);
        assert_eq!(places.len(), 64);
        for count in [4, 8, 16, 64] {
            let mut starts: Vec<u64> = places[..count].iter().map(|p| p.start.0).collect();
            starts.sort_unstable();
            let widest = starts.windows(2).map(|w| w[1] - w[0]).max().unwrap();
            assert_eq!(widest, size / count as u64, "the first {count} lie evenly");
        }
        assert!(spread(4095).is_empty());
        assert_eq!(spread(8192).len(), 2);
        assert_eq!(spread(u64::MAX).len(), 64);
    }
}
