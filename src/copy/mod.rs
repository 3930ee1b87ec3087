//! The act of copying: a drive and a plan come in; a case that holds what the drive gave comes out.
//!
//! [`reading`] decides what is read next; around it stand the session that opens drive and case, measuring the drive's pace, the
//! history of a copy, and plans that are made again when structure arrives late.

pub mod follow_plan;
pub mod history;
pub mod mend;
pub mod pace;
pub mod reading;
pub mod session;
