//! What every byte of the drive is: the two maps of what is used, reconciled, and one class for each byte.

mod class;

pub use class::{Class, ClassMap, ClassRun};
