//! Real volumes and drives, damaged: singly and in telling pairs for the table in `docs/damage.md`, and at random ten
//! thousand times. What was in use on the sound volume is what the reference parsers say beside each fixture.

#[path = "../support/common/mod.rs"]
mod common;

mod describe;
#[path = "../support/encrypted/mod.rs"]
mod encrypted;
mod fixture;
mod harm;
#[allow(dead_code, reason = "tests/apfs fills a drive of its own")]
mod overlay;
mod random;
mod regressions;
mod survey;
mod table;
