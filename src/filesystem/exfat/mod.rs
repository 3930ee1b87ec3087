//! exFAT: boot regions, allocation bitmap, file allocation table, and the tree of folders.
//!
//! Source of all formats: "exFAT file system specification" 1.00, Microsoft (MicrosoftDocs/win32,
//! desktop-src/FileIO/exfat-specification.md); sections are named where they are used.

mod bitmap;
mod boot;
mod entry;
mod findings;
mod infer;
mod shared;
mod table;
mod up_case;
mod volume;
mod walk;

pub use findings::*;
pub use volume::{read, read_inferred};
