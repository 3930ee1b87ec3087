//! The log of what was copied.
