//! Walking the tree that both readers see, folder by folder from the root.

use super::children::Children;
use super::opinion::{Difference, Explanation, SecondOpinion};
use super::quiet::quietly;
use super::view::View;
use crate::base::text::without_lone_surrogates;
use crate::base::units::Lcn;
use crate::filesystem::ntfs::NamesOnly;
use crate::filesystem::{Node, NodeId, NodeKind, Role, Stream, VolumeMap};
use crate::results::content::{Contents, Piece};
use crate::source::Store;
use std::collections::{BTreeMap, BTreeSet};
use std::io;

/// Entries of one folder that are looked at beyond twice as many as ours has, so that a folder that runs in a circle
/// ends. FAT allows 65,536 in all.
const MORE_ENTRIES: usize = 1 << 17;

/// What any call may read besides what it is made for: records, run lists, FATs.
pub(super) const CALL_BYTES: u64 = 16 << 20;

/// An entry of a folder as the other reader gives it.
pub(super) struct Entry<P> {
    pub name: String,
    pub folder: bool,
    pub place: P,
}

/// What the other reader says of a file.
pub(super) struct File {
    /// Size of its content, `None` if it has none.
    pub size: Option<u64>,
    /// Why what it says of this file is not to be trusted.
    pub weakness: Option<Explanation>,
}

/// Another reader, with a volume open.
pub(super) trait Other {
    /// What it knows a file or folder by.
    type Place: Clone;

    /// The root folder.
    fn root(&mut self) -> Self::Place;

    /// The entries of a folder, without those for itself and its parent; an error if there are more than `most`.
    fn list(&mut self, folder: &Self::Place, most: usize) -> Result<Vec<Entry<Self::Place>>, String>;

    /// What is known of a file.
    fn file(&mut self, file: &Self::Place) -> Result<File, String>;

    /// Reads the first `bytes` bytes of a file's content into `each`.
    fn content(
        &mut self,
        file: &Self::Place,
        bytes: u64,
        each: &mut dyn FnMut(&[u8]) -> io::Result<()>,
    ) -> Result<(), String>;

    /// Why anything may differ on this volume; for when nothing closer is known.
    fn weakness(&self) -> Option<Explanation>;

    /// Why its list of one of our folders may differ.
    fn folder_weakness(&self, folder: &Node<'_>) -> Option<Explanation>;

    /// How a name of ours looks to this reader, where it cannot show all of it.
    fn seen_as(&self, name: &str) -> Option<String>;
}

pub(super) struct Comparison<'c, 's, O: Other> {
    pub other: O,
    pub view: &'c View<'s>,
    pub volume: &'c VolumeMap,
    pub opinion: &'c mut SecondOpinion,
    contents: Contents<'c>,
    children: Children<'c>,
    /// Names of files whose records are lost or not read yet, with their folders.
    named_only: BTreeSet<(NodeId, String)>,
    /// Bytes of content that may still be read for comparing.
    budget: u64,
}

impl<'c, 's, O: Other> Comparison<'c, 's, O> {
    pub(super) fn new(
        other: O,
        view: &'c View<'s>,
        volume: &'c VolumeMap,
        store: &'c dyn Store,
        budget: u64,
        opinion: &'c mut SecondOpinion,
    ) -> Comparison<'c, 's, O> {
        let (contents, children) = (Contents::new(volume, store), Children::of(&volume.catalog));
        let names = NamesOnly::find(volume, store);
        let names = names.existing.into_iter().chain(names.further_names);
        let named_only = names.map(|named| (named.folder, without_lone_surrogates(&named.name))).collect();
        Comparison { other, view, volume, opinion, contents, children, named_only, budget }
    }

    /// Folders that only one of the two sees are not entered: our tree has an end, theirs may not.
    pub(super) fn run(mut self) {
        let mut waiting = vec![(self.other.root(), self.volume.catalog.root())];
        while let Some((theirs, ours)) = waiting.pop() {
            self.folder(&theirs, ours, &mut waiting);
        }
        self.opinion.settle();
    }

    /// Runs a call of the other reader that is worth reading `bytes` bytes; with what it gave, why a difference in it
    /// would be explained.
    fn ask<T>(
        &mut self,
        bytes: u64,
        call: impl FnOnce(&mut O) -> Result<T, String>,
    ) -> (Result<T, String>, Option<Explanation>) {
        self.view.allow(bytes.saturating_add(CALL_BYTES));
        let absent = self.view.seen().absent_bytes;
        let (outcome, panicked) = match quietly(|| call(&mut self.other)) {
            Ok(outcome) => (outcome, false),
            Err(message) => (Err(message), true),
        };
        let explanation = if self.view.seen().absent_bytes > absent {
            Some(Explanation::NotInCopy)
        } else if panicked {
            Some(Explanation::Panicked)
        } else {
            self.other.weakness()
        };
        (outcome, explanation)
    }

    fn folder(&mut self, theirs: &O::Place, ours: NodeId, waiting: &mut Vec<(O::Place, NodeId)>) {
        let (mut mine, hidden) = self.mine(ours);
        let most = 2 * mine.len() + MORE_ENTRIES;
        let (listed, explanation) =
            self.ask(self.index_bytes(ours).saturating_mul(2), |other| other.list(theirs, most));
        let explanation = explanation.or_else(|| self.other.folder_weakness(&self.volume.catalog.node(ours)));
        let listed = match listed {
            Ok(listed) => listed,
            Err(message) => {
                let path = self.volume.catalog.node(ours).path();
                return self.opinion.differ(path, Difference::Unreadable { message }, explanation);
            }
        };
        self.opinion.folders += 1;
        for entry in listed {
            self.opinion.files += u64::from(!entry.folder);
            let (node, as_it_is) = match mine.remove(&entry.name) {
                Some(node) => (Some(node), true),
                None => (hidden.get(&entry.name).and_then(|name| mine.remove(name)), false),
            };
            let Some(node) = node else {
                let path = self.path_in(ours, &entry.name);
                let named_only = self.named_only.contains(&(ours, entry.name)).then_some(Explanation::NamedOnly);
                self.opinion.differ(path, Difference::OnlyTheirs, named_only.or(explanation));
                continue;
            };
            if !as_it_is {
                let path = self.path_in(ours, &entry.name);
                self.opinion.differ(path, Difference::OnlyTheirs, Some(Explanation::ShortNameLetters));
            }
            let node = self.volume.catalog.node(node);
            match (node.kind(), entry.folder) {
                (NodeKind::Folder, true) => waiting.push((entry.place, node.id())),
                (NodeKind::File, false) => self.file(&node, &entry.place),
                _ => self.opinion.differ(node.path(), Difference::Kind, explanation),
            }
        }
        for (name, _) in mine {
            let path = self.path_in(ours, &name);
            self.opinion.differ(path, Difference::OnlyOurs, explanation);
        }
    }

    /// Bytes of a folder's entries.
    fn index_bytes(&self, folder: NodeId) -> u64 {
        let streams = self.volume.catalog.node(folder).streams();
        streams.filter(|s| s.role() == Role::FolderIndex).map(|s| s.size().min(self.volume.extent.bytes)).sum()
    }

    /// Our names in a folder; and those the other reader shows differently, by what it shows.
    fn mine(&self, folder: NodeId) -> (BTreeMap<String, NodeId>, BTreeMap<String, String>) {
        let mut names = BTreeMap::new();
        let mut hidden = BTreeMap::new();
        for (node, link) in self.children.within(folder) {
            if let Some(seen) = self.other.seen_as(link.name()) {
                hidden.insert(seen, link.name().to_owned());
            }
            names.insert(without_lone_surrogates(link.name()), node.id());
        }
        (names, hidden)
    }

    fn path_in(&self, folder: NodeId, name: &str) -> String {
        let folder = self.volume.catalog.node(folder).path();
        if folder == "/" { format!("/{name}") } else { format!("{folder}/{name}") }
    }

    fn file(&mut self, node: &Node<'_>, theirs: &O::Place) {
        let (file, explanation) = self.ask(0, |other| other.file(theirs));
        let file = match file {
            Ok(file) => file,
            Err(message) => {
                return self.opinion.differ(node.path(), Difference::Unreadable { message }, explanation);
            }
        };
        let explanation = file.weakness.or(explanation);
        let stream = node.streams().find(|s| s.role() == Role::Data && s.name().is_none());
        let ours = stream.map(|s| s.size());
        if ours.unwrap_or(0) != file.size.unwrap_or(0) {
            let difference = Difference::Size { ours, theirs: file.size };
            self.opinion.differ(node.path(), difference, explanation);
        } else if let (Some(stream), None) = (stream, file.weakness) {
            self.content(node, &stream, theirs);
        }
    }

    /// Reads through both what both can read: content as it is stored, as far as it was ever written.
    fn content(&mut self, node: &Node<'_>, stream: &Stream<'_>, theirs: &O::Place) {
        let bytes = stream.size().min(stream.valid());
        let stored_as_it_is = stream.compression_unit() == 0 && !stream.is_incomplete();
        if bytes == 0 || bytes > self.budget || !stored_as_it_is {
            return;
        }
        self.budget -= bytes;
        let mut ours = blake3::Hasher::new();
        let mut left = bytes;
        let read = self.contents.read(node, stream, &mut |piece| {
            let part = piece.bytes().min(left);
            left -= part;
            match piece {
                Piece::Bytes(bytes) => {
                    ours.update(&bytes[..usize::try_from(part).expect("a piece in memory")]);
                    Ok(())
                }
                Piece::Zeros(_) => {
                    zeros(&mut ours, part);
                    Ok(())
                }
                // Nothing to compare with; the audit tells of it.
                Piece::Missing(..) => Err(io::Error::other("not all there")),
            }
        });
        if read.is_err() {
            return;
        }
        let mut other = blake3::Hasher::new();
        let (outcome, mut explanation) = self.ask(bytes.saturating_mul(2), |reader| {
            reader.content(theirs, bytes, &mut |part| {
                other.update(part);
                Ok(())
            })
        });
        if explanation.is_none() && stream.runs().next().is_some_and(|run| run.first == Lcn(0)) {
            explanation = Some(Explanation::ClusterZero);
        }
        match outcome {
            Err(message) => self.opinion.differ(node.path(), Difference::Unreadable { message }, explanation),
            Ok(()) if other.finalize() == ours.finalize() && other.count() == ours.count() => {
                self.opinion.contents_compared += 1;
                self.opinion.bytes_compared += bytes;
            }
            Ok(()) => self.opinion.differ(node.path(), Difference::Content { bytes }, explanation),
        }
    }
}

fn zeros(hasher: &mut blake3::Hasher, count: u64) {
    let block = [0; 1 << 14];
    let mut left = count;
    while left > 0 {
        let part = usize::try_from(left).map_or(block.len(), |left| left.min(block.len()));
        hasher.update(&block[..part]);
        left -= part as u64;
    }
}
