//! What stands in each folder of a catalog: the catalog itself goes from a file to its folder.

use crate::filesystem::{Catalog, Link, Node, NodeId, Parent};

/// The names in each folder, deleted files' left out. 12 bytes a name.
pub(super) struct Children<'c> {
    catalog: &'c Catalog,
    /// Folder, node, and which of the node's names; by folder.
    entries: Vec<(u32, u32, u32)>,
}

impl<'c> Children<'c> {
    pub(super) fn of(catalog: &'c Catalog) -> Children<'c> {
        let mut entries = Vec::with_capacity(catalog.len());
        for node in catalog.nodes().filter(|node| !node.is_deleted()) {
            for (index, link) in (0..).zip(node.links()) {
                if let Parent::Folder(folder) = link.parent() {
                    entries.push((folder.0, node.id().0, index));
                }
            }
        }
        entries.sort_unstable();
        Children { catalog, entries }
    }

    /// The files and folders in `folder` with their names there.
    pub(super) fn within(&self, folder: NodeId) -> impl Iterator<Item = (Node<'c>, Link<'c>)> + '_ {
        let first = self.entries.partition_point(|entry| entry.0 < folder.0);
        self.entries[first..].iter().take_while(move |entry| entry.0 == folder.0).filter_map(|&(_, node, index)| {
            let node = self.catalog.node(NodeId(node));
            let link = node.links().nth(usize::try_from(index).ok()?)?;
            Some((node, link))
        })
    }
}
