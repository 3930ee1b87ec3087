//! The folder of a case, and its record.

mod case_files;
#[path = "../support/cases.rs"]
mod cases;
#[path = "../support/common/mod.rs"]
mod common;
mod record;
#[path = "../support/witness.rs"]
mod witness;
