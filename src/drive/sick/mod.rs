//! A simulated drive that fails in the ways in which drives fail, on a clock of its own: a day of a copy passes in
//! seconds, and the very code that reads a real drive runs on it.
//!
//! [`SickDrive`] is a [`crate::source::Source`]: a reader learns what a real drive tells, the outcome of each
//! request and the time it took. What is wrong with it is open only to its witness, the [log](SickDrive::log), and to the
//! [oracle](oracle()) that says how much could have been had. `docs/sick-drives.md` has the model with its sources.

mod ailment;
mod bound;
mod content;
mod drive;
mod geometry;
mod heat;
mod illness;
mod log;
mod oracle;

pub use ailment::{Ailment, Growth, UNIT};
pub use bound::SpeedBound;
pub use content::{Content, NUMBERED};
pub use drive::{DriveSpec, SickDrive};
pub use geometry::{Band, Geometry, HeadOrder, Zone};
pub use heat::Heat;
pub use illness::Illness;
pub use log::{LogTotals, Outcome, Request};
pub use oracle::{Technician, oracle};
