//! What came of a copy: audit, verification, files taken out, images handed over.

mod audit;
#[path = "../support/cases.rs"]
mod cases;
#[path = "../support/common/mod.rs"]
mod common;
mod hand_over;
#[path = "../support/held.rs"]
mod held;
#[path = "../support/mounted.rs"]
mod mounted;
mod take;
mod verify;
#[path = "../support/witness.rs"]
mod witness;
