//! What volumes say, held against formatters, drivers and reference parsers.

#[path = "../support/cases.rs"]
mod cases;
#[path = "../support/common/mod.rs"]
mod common;
mod exfat;
mod fat;
#[path = "../support/held.rs"]
mod held;
mod lost_names;
mod ntfs;
#[path = "../support/unpack.rs"]
mod unpack;
mod windows;
#[path = "../support/witness.rs"]
mod witness;
