//! What a survey says of a drive.

#[path = "../support/cases.rs"]
mod cases;
mod census;
mod coherence;
#[path = "../support/common/mod.rs"]
mod common;
mod drives;
mod guards;
#[path = "../support/mounted.rs"]
mod mounted;
mod two_maps;
#[path = "../support/witness.rs"]
mod witness;
