//! What is shown and asked at the command line.

mod advice;
#[path = "../support/cases.rs"]
mod cases;
mod cli;
mod columns;
#[path = "../support/common/mod.rs"]
mod common;
mod copy_screen;
mod first_screen;
mod hostile_names;
#[path = "../support/terminal.rs"]
mod terminal;
#[path = "../support/unpack.rs"]
mod unpack;
#[path = "../support/witness.rs"]
mod witness;
