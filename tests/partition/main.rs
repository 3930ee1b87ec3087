//! How a drive is divided, and what is recognised on it.

#[path = "../support/common/mod.rs"]
mod common;
mod partition;
mod signs;
