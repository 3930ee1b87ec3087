//! The image and the journal.

mod image;
mod journal;
#[path = "../support/simulated_disk.rs"]
mod simulated_disk;
