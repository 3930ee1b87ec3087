//! A volume counted: files, folders, fragments, and what is special about them.

use crate::filesystem::{NodeKind, Purpose, Role, VolumeMap};
use serde::Serialize;

/// Counts over the existing files and folders of one volume, the file system's own files left out unless said otherwise.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct Census {
    /// Files.
    pub files: u64,
    /// Folders, the root included.
    pub folders: u64,
    /// Deleted files and folders of which a record is left.
    pub deleted: u64,
    /// Sum of the files' sizes in bytes.
    pub file_bytes: u64,
    /// Files that own at least one cluster.
    pub files_with_clusters: u64,
    /// Of those, files in more than one extent.
    pub fragmented_files: u64,
    /// Extents of all files' content.
    pub extents: u64,
    /// Most extents of any one file.
    pub most_extents: u64,
    /// Files whose content lies in their record.
    pub resident_files: u64,
    /// Named streams.
    pub named_streams: u64,
    /// Files with compressed content.
    pub compressed_files: u64,
    /// Files with holes.
    pub sparse_files: u64,
    /// Files the file system encrypted: copied as they are, of no use without the key.
    pub encrypted_files: u64,
    /// Names beyond each file's first (hard links).
    pub further_names: u64,
    /// Files and folders whose folder is lost.
    pub orphans: u64,
    /// Files whose run list is incomplete or damaged.
    pub incomplete_files: u64,
}

/// Counts a volume.
pub fn census(volume: &VolumeMap) -> Census {
    let mut count = Census { orphans: volume.catalog.orphan_count(), ..Census::default() };
    for node in
        volume.catalog.nodes().filter(|node| node.purpose() == Purpose::Client || node.kind() == NodeKind::Folder)
    {
        if node.is_deleted() {
            count.deleted += 1;
            continue;
        }
        if node.kind() == NodeKind::Folder {
            count.folders += u64::from(node.purpose() == Purpose::Client || node.id() == volume.catalog.root());
            continue;
        }
        count.files += 1;
        count.further_names += (node.links().count() as u64).saturating_sub(1);
        let mut extents = 0;
        let mut flags = [false; 5];
        for stream in node.streams().filter(|stream| stream.role() == Role::Data) {
            extents += stream.runs().count() as u64;
            match stream.name() {
                None => count.file_bytes = count.file_bytes.saturating_add(stream.size()),
                Some(_) => count.named_streams += 1,
            }
            let of_stream = [
                stream.name().is_none() && stream.is_resident(),
                stream.compression_unit() != 0,
                stream.is_sparse(),
                stream.is_encrypted(),
                stream.is_incomplete(),
            ];
            flags.iter_mut().zip(of_stream).for_each(|(flag, of_stream)| *flag |= of_stream);
        }
        count.extents += extents;
        count.most_extents = count.most_extents.max(extents);
        count.files_with_clusters += u64::from(extents > 0);
        count.fragmented_files += u64::from(extents > 1);
        let [resident, compressed, sparse, encrypted, incomplete] = flags.map(u64::from);
        count.resident_files += resident;
        count.compressed_files += compressed;
        count.sparse_files += sparse;
        count.encrypted_files += encrypted;
        count.incomplete_files += incomplete;
    }
    count
}
