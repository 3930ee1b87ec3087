//! What can be wrong with a plan file.

use crate::base::ending::{Ending, Ends};
use crate::base::extent::Extent;
use crate::plan::{FORMAT, LARGEST, VERSION};
use crate::survey::allocation::Class;
use std::io;
use std::path::PathBuf;

/// Why a plan could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PlanReadError {
    /// It cannot be opened.
    #[error("{path}: the plan cannot be opened: {error}")]
    Open {
        /// The path as given.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
    /// It cannot be read to its end.
    #[error("the plan cannot be read to its end: {0}")]
    Io(io::Error),
    /// It is not JSON, or not of the right shape.
    #[error("not a sound plan: line {line}, column {column}: {problem}")]
    Shape {
        /// The line, from 1.
        line: usize,
        /// Column in bytes, from 1; 0 before the line's first byte.
        column: usize,
        /// What is wrong there.
        problem: String,
    },
    /// It is JSON of the right shape that says something impossible.
    #[error("not a sound plan: {}{fault}", line.map_or_else(String::new, |n| format!("line {n}: ")))]
    Invalid {
        /// Line, from 1, where the fault has one.
        line: Option<usize>,
        /// What is wrong.
        fault: Fault,
    },
}

/// Something impossible in a plan.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Fault {
    /// The first line does not name the format.
    #[error("this is not a plan: its first line must begin with \"format\":\"{FORMAT}\"")]
    NotAPlan,
    /// Written by a later program.
    #[error("the plan has version {found}, this program reads versions 1 to {VERSION}: use a newer program")]
    Version {
        /// The version found.
        found: u64,
    },
    /// A line that is neither a pass nor an extent nor a gap, or stands where it cannot.
    #[error("a line that is no part of a plan, or stands where it cannot stand")]
    Line,
    /// The file ends too early.
    #[error("the file ends before the plan does: it was cut off")]
    Short,
    /// A part that is too long to be what it claims.
    #[error("a line that is longer than any of a plan: the file is damaged or not a plan")]
    TooLong,
    /// A number beyond 2^53-1.
    #[error("{what} is {value}, above {LARGEST}")]
    TooLarge {
        /// Which number.
        what: &'static str,
        /// Its value.
        value: u64,
    },
    /// A sector size that no drive has.
    #[error("{which} sector size {bytes}: must be a power of two from 512 to 65536")]
    SectorSize {
        /// Logical or physical.
        which: &'static str,
        /// The value found.
        bytes: u64,
    },
    /// A fingerprint that no drive can have.
    #[error("the fingerprint cannot be right: {0}")]
    Fingerprint(&'static str),
    /// Classes that are not all nine in order, or a scope that cannot be.
    #[error("the header contradicts itself: {0}")]
    Header(String),
    /// Passes out of order.
    #[error("pass {number} ({class}, lane {lane}) is out of order: passes count from 1 and ascend by class and lane")]
    PassOrder {
        /// The number it carries.
        number: u32,
        /// Its class.
        class: Class,
        /// Its lane.
        lane: u16,
    },
    /// A class that the scope does not take.
    #[error("pass {number} reads `{class}`, which the scope does not take")]
    PassOutOfScope {
        /// Its number.
        number: u32,
        /// Its class.
        class: Class,
    },
    /// A pattern that the header does not have.
    #[error("pass {number} names another pattern than the header gives for its lane")]
    PassPattern {
        /// Its number.
        number: u32,
    },
    /// Counts that do not agree with the extents or the totals.
    #[error("{what}: {stated} stated, {counted} counted")]
    Count {
        /// Which count.
        what: String,
        /// What the file states.
        stated: u64,
        /// What its extents give.
        counted: u64,
    },
    /// Nothing in it.
    #[error("an extent of 0 bytes at byte {0}")]
    Empty(u64),
    /// Behind the end of the drive.
    #[error("bytes {start} to {start}+{bytes} lie beyond the drive's {size} bytes")]
    BeyondEnd {
        /// First byte.
        start: u64,
        /// Length in bytes.
        bytes: u64,
        /// The drive's size.
        size: u64,
    },
    /// Not on sectors.
    #[error("{} bytes from byte {} do not start and end on sectors of {sector} bytes", extent.bytes, extent.start.0)]
    Unaligned {
        /// The extent.
        extent: Extent,
        /// The sector size.
        sector: u64,
    },
    /// Not behind the one before.
    #[error("the extent at byte {} does not lie behind the one before, which ends at byte {before_end}", extent.start.0)]
    Descends {
        /// The extent.
        extent: Extent,
        /// Where the one before ends.
        before_end: u64,
    },
    /// A gap that is not one.
    #[error(
        "the gap of {} bytes at byte {} does not lie inside its extent, behind the gap before it", gap.bytes, gap.start.0
    )]
    GapOutside {
        /// The gap.
        gap: Extent,
    },
    /// A gap larger than the plan's own rule.
    #[error("the gap of {} bytes at byte {} is longer than the plan's rule allows, {limit} bytes", gap.bytes, gap.start.0)]
    GapTooLong {
        /// The gap.
        gap: Extent,
        /// The limit in bytes.
        limit: u64,
    },
    /// A byte that would be read twice.
    #[error(
        "two passes read the same bytes: {} from byte {} and {} from byte {}",
        first.bytes, first.start.0, second.bytes, second.start.0
    )]
    PassesOverlap {
        /// One extent.
        first: Extent,
        /// The other.
        second: Extent,
    },
}

impl Ends for PlanReadError {
    fn ending(&self) -> Ending {
        Ending::Plan
    }
}
