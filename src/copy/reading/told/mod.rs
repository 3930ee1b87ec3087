//! What people and programs are told of a copy: while it runs, at its end, and in sentences.

pub(super) mod event;
pub(super) mod outcome;
pub(super) mod plan_counts;
pub(super) mod progress;
pub(super) mod regions;
mod sentences;
