//! A volume that no table names, as a search found it.

use serde::Serialize;

/// What a volume was found by.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum FoundBy {
    /// The copy of its boot sector alone; at its start stands something else.
    Copy,
    /// Its first structure alone: a boot sector without a copy, or a superblock.
    Start,
    /// Its boot sector and the copy, which agree.
    Both,
}

/// A volume that no table names.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct FoundVolume {
    /// The number it is chosen by: counted on behind the highest number of the table, from 1 where there is none.
    pub number: u32,
    /// What it was found by.
    pub by: FoundBy,
    /// What it says it is, as people call it.
    pub holds: String,
}
