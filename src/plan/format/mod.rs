//! The plan as a value and as a file: docs/formats/plan.md.

pub(super) mod file;
pub(super) mod header;
pub(super) mod identity;
pub(super) mod model;
pub(super) mod read;
pub(super) mod write;
