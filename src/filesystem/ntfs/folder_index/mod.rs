//! Folder indexes: their entries, and the files that only these entries name.

mod index;
pub(super) mod named_only;
