//! What a search may cost.

use std::fmt;

/// What a search may cost, and how far it looks.
///
/// Reads are counted as the search makes them; one over a range that cannot be read becomes several requests
/// ([`crate::source::Reader::read`]), and what was read before costs the drive nothing again. A look at contents of another
/// kind ([`crate::partition::signature::look`]) counts as one read of its head, and may make a few requests more.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Allowance {
    /// Reads.
    pub reads: u64,
    /// Bytes. They stay in memory until the drive is closed.
    pub bytes: u64,
    /// Ranges that cannot be read, each of which can cost a failing drive seconds.
    pub failures: u64,
    /// Multiples of 1 MiB that are looked at from the start of each range on.
    pub steps_at_start: u64,
    /// Multiples of 1 MiB that are looked at behind the end of each volume found. Reserved partitions of 16, 32 and 128
    /// MiB stand between volumes (common practice, no source).
    pub steps_behind: u64,
    /// The shortest range that is searched, in bytes.
    pub shortest: u64,
}

/// The table is lost, or is known to lack partitions. At 15 ms a read that is a minute at most.
pub const THOROUGH: Allowance =
    Allowance { reads: 4096, bytes: 64 << 20, failures: 32, steps_at_start: 1024, steps_behind: 160, shortest: 512 };

/// The table stands, but one of its entries leads to nothing, or one was taken out.
pub const MODEST: Allowance =
    Allowance { reads: 512, bytes: 8 << 20, failures: 8, steps_at_start: 32, steps_behind: 32, shortest: 1 << 20 };

/// The table is sound, and has a gap in which a volume would have room. A drive without such a gap costs nothing.
pub const GLANCE: Allowance =
    Allowance { reads: 128, bytes: 1 << 20, failures: 2, steps_at_start: 8, steps_behind: 4, shortest: 32 << 20 };

/// Volumes that a search takes note of.
pub const MOST_VOLUMES: usize = 128;

/// What a search has used up so far.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(super) struct Spent {
    pub(super) reads: u64,
    pub(super) bytes: u64,
    pub(super) failures: u64,
    pub(super) places: u64,
}

impl Spent {
    /// What is used up, if anything is.
    pub(super) fn exhausts(&self, allowance: &Allowance) -> Option<&'static str> {
        if self.failures >= allowance.failures {
            Some("too many ranges were not read")
        } else if self.reads >= allowance.reads {
            Some("its number of reads was used up")
        } else if self.bytes >= allowance.bytes {
            Some("its number of bytes was used up")
        } else {
            None
        }
    }
}

impl fmt::Display for Allowance {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} requests, {} bytes and {} unreadable ranges", self.reads, self.bytes, self.failures)
    }
}
