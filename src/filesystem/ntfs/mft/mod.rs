//! The file table, $MFT: where its parts lie, one pass over its records, and the files put together from them.

pub(super) mod assemble;
pub(super) mod collect;
pub(super) mod locate;
pub(super) mod mirror;
mod pieces;
pub(super) mod reread;
pub(super) mod sweep;
pub(super) mod table_bitmap;
pub(super) mod table_map;
