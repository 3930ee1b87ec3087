//! Copying that is cut short in every way: killed, interrupted, out of room, with a torn journal. However often that
//! happens, the case ends as if nothing had, and at no moment does the journal say more than the image holds. Needs root
//! (tmpfs, FUSE, loop devices).

#[path = "support/cases.rs"]
mod cases;
#[path = "support/common/mod.rs"]
mod common;
#[path = "crash/interruptions.rs"]
mod interruptions;
#[path = "crash/kills.rs"]
mod kills;
#[path = "support/mounted.rs"]
mod mounted;
#[path = "crash/refusals.rs"]
mod refusals;
#[path = "crash/room.rs"]
mod room;
#[path = "support/witness.rs"]
mod witness;
