//! What every room uses: no bytes of a drive come in, and nothing of a drive is decided here.
//!
//! Numbers with their units, stretches of the drive, findings, fields of on-disk structures, text made neutral, figures as people read
//! them, the one clock, and files of ours that are written whole or not at all.

pub(crate) mod chance;
pub mod clock;
pub mod ending;
pub mod extent;
pub mod fields;
pub mod finding;
pub mod human;
pub mod new_file;
pub mod regular_file;
pub mod text;
pub mod units;
