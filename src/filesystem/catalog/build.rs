//! Filling a catalog's tables.

use super::{
    Catalog, ENCRYPTED, Extra, HOLE, INCOMPLETE, LinkEntry, NO_EXTRA, NodeEntry, NodeId, NodeSpec, Parent, Purpose,
    RESIDENT, SPARSE, StreamEntry, StreamSpec, Text, table_index,
};
use crate::base::units::Lcn;
use crate::filesystem::{ClusterRun, Timestamp};
use std::collections::BTreeMap;

/// The tables, filled by a parser in any order.
#[derive(Debug, Default)]
pub struct CatalogBuilder {
    nodes: Vec<NodeEntry>,
    links: Vec<LinkEntry>,
    lost: Vec<bool>,
    streams: Vec<StreamEntry>,
    extras: Vec<Extra>,
    runs: Vec<ClusterRun>,
    text: String,
    lost_sequences: BTreeMap<(u32, u32), u16>,
}

impl CatalogBuilder {
    /// Room for `nodes` nodes; more may be added.
    pub fn with_capacity(nodes: usize) -> CatalogBuilder {
        CatalogBuilder {
            nodes: Vec::with_capacity(nodes),
            links: Vec::with_capacity(nodes),
            lost: Vec::with_capacity(nodes),
            streams: Vec::with_capacity(nodes),
            runs: Vec::with_capacity(nodes / 2),
            text: String::with_capacity(nodes.saturating_mul(16)),
            ..CatalogBuilder::default()
        }
    }

    /// Adds a node.
    ///
    /// # Panics
    /// Beyond 2^32-2 nodes, which no file record table or folder tree in reach of a drive holds.
    pub fn add_node(&mut self, spec: NodeSpec) -> NodeId {
        let id = u32::try_from(self.nodes.len()).expect("fewer than 2^32 nodes");
        self.nodes.push(NodeEntry {
            number: spec.number,
            first_link: 0,
            first_stream: 0,
            kind: spec.kind,
            purpose: spec.purpose,
            deleted: spec.deleted,
            modified: None,
        });
        NodeId(id)
    }

    /// What was said of a node.
    pub fn spec(&self, node: NodeId) -> NodeSpec {
        let NodeEntry { number, kind, purpose, deleted, .. } = self.nodes[node.0 as usize];
        NodeSpec { number, kind, purpose, deleted }
    }

    /// Changes what was said of a node.
    pub fn set_purpose(&mut self, node: NodeId, purpose: Purpose) {
        self.nodes[node.0 as usize].purpose = purpose;
    }

    /// Says when a node's content was last changed.
    pub fn set_modified(&mut self, node: NodeId, modified: Option<Timestamp>) {
        self.nodes[node.0 as usize].modified = modified;
    }

    /// Number of nodes so far.
    pub fn node_count(&self) -> usize {
        self.nodes.len()
    }

    /// Gives a node a name in a folder; hard links are several such names. Names longer than 65,535 bytes are cut.
    pub fn add_link(&mut self, node: NodeId, parent: Parent, name: &str) {
        let mut length = name.len().min(usize::from(u16::MAX));
        while !name.is_char_boundary(length) {
            length -= 1;
        }
        let at = Text((self.text.len() as u64) << 16 | length as u64);
        self.text.push_str(&name[..length]);
        let (parent, lost) = match parent {
            Parent::Folder(folder) => (folder.0, false),
            Parent::Lost(number) => (number, true),
        };
        self.links.push(LinkEntry { node: node.0, parent, name: at });
        self.lost.push(lost);
    }

    /// Goes through all names in the order they were added and lets `place` say anew in which folder each stands. For
    /// parsers that meet a folder's number before, or without ever, meeting the folder. `place` is given the place of
    /// the name in that order, its node and the parent so far.
    pub fn place_links(&mut self, mut place: impl FnMut(usize, NodeId, Parent) -> Parent) {
        for (index, (link, lost)) in self.links.iter_mut().zip(&mut self.lost).enumerate() {
            let parent = if *lost { Parent::Lost(link.parent) } else { Parent::Folder(NodeId(link.parent)) };
            (link.parent, *lost) = match place(index, NodeId(link.node), parent) {
                Parent::Folder(folder) => (folder.0, false),
                Parent::Lost(number) => (number, true),
            };
        }
    }

    /// Notes the sequence number by which a node names the lost folder of this number.
    pub fn note_lost_sequence(&mut self, node: NodeId, number: u32, sequence: u16) {
        self.lost_sequences.insert((node.0, number), sequence);
    }

    /// Gives a node a stream. The run list, in file order, has `None` for the place of a hole.
    ///
    /// # Panics
    /// Beyond 2^32-1 runs in all, which would be 64 GiB of them.
    pub fn add_stream(
        &mut self,
        node: NodeId,
        spec: &StreamSpec<'_>,
        layout: impl IntoIterator<Item = (Option<Lcn>, u64)>,
    ) {
        let first_run = self.runs.len();
        for (place, count) in layout {
            let first = place.unwrap_or(HOLE);
            match self.runs[first_run..].last_mut() {
                Some(last) if first == HOLE && last.first == HOLE => last.count = last.count.saturating_add(count),
                Some(last) if first != HOLE && last.first != HOLE && last.end() == first.0 => last.count += count,
                _ => self.runs.push(ClusterRun { first, count }),
            }
        }
        let mut extra = NO_EXTRA;
        if spec.name.is_some() || spec.valid != spec.size || spec.compression_unit != 0 {
            extra = u32::try_from(self.extras.len()).expect("fewer than 2^32 streams");
            self.extras.push(Extra {
                name: spec.name.map(Box::from),
                valid: spec.valid,
                compression_unit: spec.compression_unit,
            });
        }
        let flag = |on: bool, bit: u8| if on { bit } else { 0 };
        self.streams.push(StreamEntry {
            size: spec.size,
            node: node.0,
            first_run: u32::try_from(first_run).expect("fewer than 2^32 runs"),
            run_count: u32::try_from(self.runs.len() - first_run).expect("fewer than 2^32 runs"),
            extra,
            role: spec.role,
            flags: flag(spec.resident, RESIDENT)
                | flag(spec.sparse, SPARSE)
                | flag(spec.encrypted, ENCRYPTED)
                | flag(spec.incomplete, INCOMPLETE),
        });
    }

    /// Puts the tables in order. `root` is the root folder. Names whose chain of folders does not end at the root (a
    /// parent that is no folder, a circle, more than 1024 levels) become orphans.
    ///
    /// # Panics
    /// When `root` or a node passed earlier is not of this builder: a mistake in the caller.
    pub fn finish(mut self, root: NodeId) -> Catalog {
        assert!((root.0 as usize) < self.nodes.len(), "the root must be a node");
        self.sort_by_node();
        // Nodes, links and streams all ascend: one walk beside each other finds where each node's own begin.
        let (mut link, mut stream) = (0, 0);
        for (index, node) in self.nodes.iter_mut().enumerate() {
            let id = u32::try_from(index).expect("checked in add_node");
            link += self.links[link..].iter().take_while(|l| l.node < id).count();
            stream += self.streams[stream..].iter().take_while(|s| s.node < id).count();
            node.first_link = table_index(link);
            node.first_stream = table_index(stream);
        }
        let mut catalog = Catalog {
            nodes: self.nodes,
            links: self.links,
            lost: self.lost,
            streams: self.streams,
            extras: self.extras,
            runs: self.runs,
            text: self.text,
            root,
            lost_sequences: self.lost_sequences,
            lost_folders: BTreeMap::new(),
        };
        catalog.cut_loose_ends();
        catalog
    }

    /// Parsers mostly fill the tables in node order already; then this does nothing.
    fn sort_by_node(&mut self) {
        if !self.links.is_sorted_by_key(|l| l.node) {
            let mut both: Vec<(LinkEntry, bool)> = self.links.drain(..).zip(self.lost.drain(..)).collect();
            both.sort_by_key(|(l, _)| l.node);
            (self.links, self.lost) = both.into_iter().unzip();
        }
        if !self.streams.is_sorted_by_key(|s| s.node) {
            self.streams.sort_by_key(|s| s.node);
        }
    }
}
