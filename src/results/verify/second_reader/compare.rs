//! Walking the tree that both readers see, folder by folder from the root.

use super::children::Children;
use super::opinion::{Difference, NotCompared, SecondOpinion};
use super::quiet::quietly;
use super::view::View;
use crate::base::text::without_lone_surrogates;
use crate::filesystem::ntfs::NamesOnly;
use crate::filesystem::{Node, NodeId, NodeKind, Role, Stream, VolumeMap};
use crate::results::content::{Contents, Piece};
use crate::source::CopyStore;
use std::collections::{BTreeMap, BTreeSet};
use std::io;

/// Entries of one folder that are looked at beyond twice as many as ours has, so that a folder that runs in a circle
/// ends. FAT allows 65,536 in all.
const MORE_ENTRIES: usize = 1 << 17;

/// What any call may read besides what it is made for: records, run lists, FATs.
pub(super) const CALL_BYTES: u64 = 16 << 20;

/// An entry of a folder as the second reader gives it.
pub(super) struct ListedEntry<P> {
    pub name: String,
    pub is_folder: bool,
    pub place: P,
}

/// A second reader, with a volume open.
pub(super) trait SecondReader {
    /// What it knows a file or folder by.
    type Place: Clone;

    /// The root folder.
    fn root(&mut self) -> Self::Place;

    /// The entries of a folder, without those for itself and its parent; an error if there are more than `most`.
    fn list(&mut self, folder: &Self::Place, most: usize) -> Result<Vec<ListedEntry<Self::Place>>, String>;

    /// Size of a file's content, `None` if it has none.
    fn size(&mut self, file: &Self::Place) -> Result<Option<u64>, String>;

    /// Reads the first `bytes` bytes of a file's content into `each`.
    fn content(
        &mut self,
        file: &Self::Place,
        bytes: u64,
        each: &mut dyn FnMut(&[u8]) -> io::Result<()>,
    ) -> Result<(), String>;

    /// Whether it can find every file of the volume; otherwise what it fails at says nothing.
    fn sees_all(&self) -> bool;

    /// Whether it can follow a file or folder of ours at all.
    fn follows(&self, node: &Node<'_>) -> bool;

    /// How a name of ours looks to this reader, where it cannot show all of it.
    fn seen_as(&self, name: &str) -> Option<String>;
}

/// What came of a call of the second reader in place of an answer.
enum Unanswered {
    /// Nothing that says anything about the copy.
    NotCompared(NotCompared),
    /// What it said.
    Failed(String),
}

pub(super) struct Comparison<'c, 's, R: SecondReader> {
    reader: R,
    view: &'c View<'s>,
    volume: &'c VolumeMap,
    opinion: &'c mut SecondOpinion,
    contents: Contents<'c>,
    children: Children<'c>,
    /// Names of files whose records are lost or not read yet, with their folders.
    named_only: BTreeSet<(NodeId, String)>,
    /// Bytes of content that may still be read for comparing.
    budget: u64,
}

impl<'c, 's, R: SecondReader> Comparison<'c, 's, R> {
    pub(super) fn new(
        reader: R,
        view: &'c View<'s>,
        volume: &'c VolumeMap,
        store: &'c dyn CopyStore,
        budget: u64,
        opinion: &'c mut SecondOpinion,
    ) -> Comparison<'c, 's, R> {
        let (contents, children) = (Contents::new(volume, store), Children::of(&volume.catalog));
        let names = NamesOnly::find(volume, store);
        let names = names.existing.into_iter().chain(names.further_names);
        let named_only = names.map(|named| (named.folder, without_lone_surrogates(&named.name))).collect();
        Comparison { reader, view, volume, opinion, contents, children, named_only, budget }
    }

    /// Folders that only one of the two sees are not entered: our tree has an end, theirs may not.
    pub(super) fn run(mut self) {
        let mut waiting = vec![(self.reader.root(), self.volume.catalog.root())];
        while let Some((theirs, ours)) = waiting.pop() {
            self.folder(&theirs, ours, &mut waiting);
        }
    }

    /// Calls the second reader for what is worth reading `bytes` bytes.
    fn ask<T>(&mut self, bytes: u64, call: impl FnOnce(&mut R) -> Result<T, String>) -> Result<T, Unanswered> {
        self.view.allow(bytes.saturating_add(CALL_BYTES));
        let absent = self.view.seen().absent_bytes;
        let outcome = quietly(|| call(&mut self.reader));
        if self.view.seen().absent_bytes > absent {
            return Err(Unanswered::NotCompared(NotCompared::NotInCopy));
        }
        match outcome {
            Ok(Ok(answer)) => Ok(answer),
            Ok(Err(message)) if self.reader.sees_all() => Err(Unanswered::Failed(message)),
            Ok(Err(_)) | Err(_) => Err(Unanswered::NotCompared(NotCompared::NotFollowed)),
        }
    }

    fn note_unanswered(&mut self, node: &Node<'_>, unanswered: Unanswered) {
        match unanswered {
            Unanswered::NotCompared(why) => self.opinion.leave_out(why),
            Unanswered::Failed(message) => self.opinion.differ(node.path(), Difference::Unreadable { message }),
        }
    }

    fn folder(&mut self, theirs: &R::Place, ours: NodeId, waiting: &mut Vec<(R::Place, NodeId)>) {
        let folder = self.volume.catalog.node(ours);
        if !self.reader.follows(&folder) {
            return self.opinion.leave_out(NotCompared::NotFollowed);
        }
        let (mut mine, hidden) = self.mine(ours);
        let most = 2 * mine.len() + MORE_ENTRIES;
        let listed = match self.ask(self.index_bytes(&folder).saturating_mul(2), |reader| reader.list(theirs, most)) {
            Ok(listed) => listed,
            Err(unanswered) => return self.note_unanswered(&folder, unanswered),
        };
        self.opinion.folders += 1;
        for entry in listed {
            self.opinion.files += u64::from(!entry.is_folder);
            let as_seen = |mine: &mut BTreeMap<_, _>| hidden.get(&entry.name).and_then(|name| mine.remove(name));
            let Some(node) = mine.remove(&entry.name).or_else(|| as_seen(&mut mine)) else {
                let path = self.path_in(ours, &entry.name);
                if self.named_only.contains(&(ours, entry.name)) {
                    self.opinion.leave_out(NotCompared::NamedOnly);
                } else {
                    self.opinion.differ(path, Difference::OnlyTheirs);
                }
                continue;
            };
            let node = self.volume.catalog.node(node);
            match (node.kind(), entry.is_folder) {
                (NodeKind::Folder, true) => waiting.push((entry.place, node.id())),
                (NodeKind::File, false) => self.file(&node, &entry.place),
                _ => self.opinion.differ(node.path(), Difference::Kind),
            }
        }
        for name in mine.into_keys() {
            let path = self.path_in(ours, &name);
            self.opinion.differ(path, Difference::OnlyOurs);
        }
    }

    /// Bytes of a folder's entries.
    fn index_bytes(&self, folder: &Node<'_>) -> u64 {
        let indexes = folder.streams().filter(|s| s.role() == Role::FolderIndex);
        indexes.map(|s| s.size().min(self.volume.extent.bytes)).sum()
    }

    /// Our names in a folder; and those the second reader shows differently, by what it shows.
    fn mine(&self, folder: NodeId) -> (BTreeMap<String, NodeId>, BTreeMap<String, String>) {
        let mut names = BTreeMap::new();
        let mut hidden = BTreeMap::new();
        for (node, link) in self.children.within(folder) {
            if let Some(seen) = self.reader.seen_as(link.name()) {
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

    fn file(&mut self, node: &Node<'_>, theirs: &R::Place) {
        if !self.reader.follows(node) {
            return self.opinion.leave_out(NotCompared::NotFollowed);
        }
        let size = match self.ask(0, |reader| reader.size(theirs)) {
            Ok(size) => size,
            Err(unanswered) => return self.note_unanswered(node, unanswered),
        };
        let stream = node.streams().find(|s| s.role() == Role::Data && s.name().is_none());
        let ours = stream.map(|s| s.size());
        if ours.unwrap_or(0) != size.unwrap_or(0) {
            self.opinion.differ(node.path(), Difference::Size { ours, theirs: size });
        } else if let Some(stream) = stream {
            self.content(node, &stream, theirs);
        }
    }

    /// Reads through both what both can read: content as it is stored, as far as it was ever written.
    fn content(&mut self, node: &Node<'_>, stream: &Stream<'_>, theirs: &R::Place) {
        let bytes = stream.size().min(stream.valid());
        let stored_as_it_is = stream.compression_unit() == 0 && !stream.is_incomplete();
        if bytes == 0 || bytes > self.budget || !stored_as_it_is {
            return;
        }
        self.budget -= bytes;
        let Some(ours) = self.our_hash(node, stream, bytes) else { return };
        let mut hasher = blake3::Hasher::new();
        let outcome = self.ask(bytes.saturating_mul(2), |reader| {
            reader.content(theirs, bytes, &mut |part| {
                hasher.update(part);
                Ok(())
            })
        });
        match outcome {
            Err(unanswered) => self.note_unanswered(node, unanswered),
            Ok(()) if hasher.count() == bytes && hasher.finalize() == ours => {
                self.opinion.contents_compared += 1;
                self.opinion.bytes_compared += bytes;
            }
            Ok(()) => self.opinion.differ(node.path(), Difference::Content { bytes }),
        }
    }

    /// The hash of the first `bytes` bytes as gleaner reads them; `None` where some are missing, which the audit tells.
    fn our_hash(&mut self, node: &Node<'_>, stream: &Stream<'_>, bytes: u64) -> Option<blake3::Hash> {
        let mut hasher = blake3::Hasher::new();
        let mut left = bytes;
        let read = self.contents.read(node, stream, &mut |piece| {
            let part = piece.bytes().min(left);
            left -= part;
            match piece {
                Piece::Bytes(bytes) => {
                    hasher.update(&bytes[..usize::try_from(part).expect("a piece in memory")]);
                    Ok(())
                }
                Piece::Zeros(_) => {
                    zeros(&mut hasher, part);
                    Ok(())
                }
                Piece::Missing(..) => Err(io::Error::other("missing")),
            }
        });
        read.is_ok().then(|| hasher.finalize())
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
