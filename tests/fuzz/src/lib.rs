//! What the fuzz targets have in common.
//!
//! A parser of file systems fed with bytes from nothing never gets past the boot sector. So most targets take one of
//! the real volumes in `testdata` and understand their input as a list of changes to it ([`patched`]), told in places of
//! the structure that a survey of the sound volume reads. Checksums can be set right afterwards ([`mend`]), so that
//! what lies behind them is reached as well.
//!
//! Encrypted volumes are made of one by the tests' own code ([`encrypted`]).
//!
//! The targets look for panics, sums that overflow, reading without end and memory without bound. The library forbids
//! `unsafe`, so a sanitizer for memory errors would find nothing and only take time.

pub mod base;
#[path = "../../support/encrypted/mod.rs"]
pub mod encrypted;
pub mod memory;
pub mod mend;
pub mod patched;
pub mod survey;
