//! What a folder's entries say, the same for FAT and exFAT.

use crate::base::units::ByteOffset;
use crate::filesystem::Timestamp;

/// Where content lies, as an entry gives it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(in crate::filesystem) struct ContentPlace {
    pub first_cluster: u32,
    /// In bytes (exFAT: `DataLength`); 0 for folders of FAT, which have as many clusters as their chain.
    pub size: u64,
    /// Bytes that were ever written (exFAT: `ValidDataLength`).
    pub valid: u64,
    /// One run from the first cluster on; the table says nothing of it (exFAT: `NoFatChain`).
    pub contiguous: bool,
}

/// A file or folder as its parent folder lists it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(in crate::filesystem) struct FolderEntry {
    /// Where its entry stands, or the first of several.
    pub place: ByteOffset,
    pub name: String,
    pub is_folder: bool,
    pub deleted: bool,
    /// When it was last written.
    pub modified: Option<Timestamp>,
    pub content: ContentPlace,
    /// Clusters that entries of a vendor hold beside it (exFAT).
    pub more: Vec<ContentPlace>,
    /// Whether its checksum is right and its name whole, where it has a checksum (exFAT).
    pub sound: bool,
}

/// What a folder holds that was left out.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(in crate::filesystem) struct PassedOver {
    /// What cannot be an entry.
    pub implausible: u64,
    pub first_implausible: Option<ByteOffset>,
    /// Parts of entries, or of long names, that belong to none.
    pub strays: u64,
    pub first_stray: Option<ByteOffset>,
    /// Behind the end mark.
    pub behind_end: u64,
    pub first_behind_end: Option<ByteOffset>,
    /// Entries that could not be read.
    pub unreadable: u64,
}
