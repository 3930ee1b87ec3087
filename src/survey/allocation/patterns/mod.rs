//! Patterns as people type them come in; which files and folders they choose comes out (`Patterns::choose`).

pub(super) mod bulk;
pub(super) mod nearest;
pub(super) mod pattern;
pub(super) mod typed;
