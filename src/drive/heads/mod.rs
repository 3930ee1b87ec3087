//! The map of heads: which bands of a drive one bad head reads, found from what became of reads that were wanted anyway.
//!
//! A head that is dead or weak spoils every n-th band of the drive. Whoever knows the bands reads the others first.
//!
//! - [`HeadFinder::observe`] takes every read as it turned out, in any order.
//! - [`HeadFinder::map`] is there only while the evidence is strong. Ask anew after each read: the map changes with it.
//! - [`HeadMap::risk`] is the chance that a read at a position meets the bad head; [`HeadMap::next_change`] the position up to which
//!   that stays so. [`HeadMap::suspect_bands`] has the bands themselves, [`HeadMap::split`] parts a list of extents by them.
//! - [`HeadFinder::evidence`], [`HeadMap::in_words`] and [`HeadMap::range_evidence`] say what is known, for the report; [`HeadLoad`] what of
//!   a plan lies under the bad head.
//!
//! Bands are looked for on two scales: of even length in zones, and shrinking evenly over the whole drive. `finder` has both,
//! `band_finder` one of them; there `bands::search` finds the first bands, and `bands::ensemble` keeps them right as more is read.
//!
//! It does no I/O and has no clock; the same reads give the same map. Memory on each scale: one byte for each cell, which is 1 MiB
//! or, on drives above 4 TiB, more, so at most 4 MiB; and 2 KiB for each zone, of which there are at most 400.
//! `docs/heads.md` has the model, its sources, and what was measured.

mod band_finder;
mod bands;
mod evidence;
mod finder;
mod load;
mod map;
mod range_evidence;

pub use evidence::weigh::HeadEvidence;
pub use finder::{HeadFinder, Observed};
pub use load::HeadLoad;
pub use map::{HeadMap, Split};
pub use range_evidence::RangeEvidence;
