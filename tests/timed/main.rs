//! Times that must come out as they were set: `scripts/test` gives these tests the machine before all others.

#[path = "../support/cases.rs"]
mod cases;
#[path = "../support/common/mod.rs"]
mod common;
mod pace;
mod simulated_time;
#[path = "../support/witness.rs"]
mod witness;
