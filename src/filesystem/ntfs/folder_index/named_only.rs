//! Files that a folder's index names while their own records are unreadable, damaged, or not read yet.
//!
//! The survey reads no index. When one was copied, its entries tell names, sizes and times of files of which nothing else is
//! left. All is taken from what a store holds; nothing is read from the drive.

use super::index::{self, IndexBlock, IndexEntry};
use crate::base::extent::Extent;
use crate::filesystem::ntfs::mft::collect::purpose_of;
use crate::filesystem::ntfs::mft::reread::RecordPlaces;
use crate::filesystem::ntfs::structure::attribute::{BITMAP, INDEX_ROOT};
use crate::filesystem::ntfs::structure::file_name::decode_name;
use crate::filesystem::ntfs::structure::record;
use crate::filesystem::ntfs::volume::small;
use crate::filesystem::{Node, NodeId, NodeKind, Purpose, Role, Stream, Timestamp, VolumeMap};
use crate::source::CopyStore;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, Ordering};

/// Bytes of an index block where the index root does not tell: what formatters make (common practice, no source).
const USUAL_BLOCK: u64 = 4096;

/// Longest bitmap of an index that is read: enough for 8 million blocks.
const LONGEST_BITMAP: u64 = 1 << 20;

/// Names in the unused space of index blocks that are kept of a volume; the others are counted.
const MOST_LEFT_OVER: usize = 10_000;

/// What is known of a file's record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RecordState {
    /// It is unreadable, or what was read is no file record.
    Lost,
    /// It is not read yet.
    NotReadYet,
}

/// A file or folder that is known by its folder's index alone.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct NamedOnly {
    /// Number of its record.
    pub number: u32,
    /// The record's sequence number, as the index has it.
    pub sequence: u16,
    /// The folder whose index names it.
    pub folder: NodeId,
    /// Its name there.
    pub name: String,
    /// File or folder.
    pub kind: NodeKind,
    /// Size in bytes, as it was when the index entry was last written.
    pub size: u64,
    /// When its content was last changed, of the same age.
    pub modified: Option<Timestamp>,
    /// What is known of its record.
    pub record: RecordState,
}

impl NamedOnly {
    /// Its path.
    pub fn path(&self, volume: &VolumeMap) -> String {
        match volume.catalog.node(self.folder).path() {
            root if root == "/" => format!("/{}", self.name),
            folder => format!("{folder}/{}", self.name),
        }
    }
}

/// All that the indexes of a volume name and its catalog does not know.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct NamesOnly {
    /// Files and folders that exist, ascending by the number of their record; one with several names by its first.
    pub existing: Vec<NamedOnly>,
    /// Their other names: hard links, and short names.
    pub further_names: Vec<NamedOnly>,
    /// Names in the unused space of index blocks: of deleted files, or of existing files as they were once named.
    pub left_over: Vec<NamedOnly>,
    /// How many more of those there are.
    pub left_over_unlisted: u64,
    /// Bytes of index blocks in use that were read and are damaged, by their folder.
    pub damaged: BTreeMap<NodeId, u64>,
}

impl NamesOnly {
    /// Whether some records of the volume were not read or not usable, so that there can be such names at all.
    pub fn can_be(volume: &VolumeMap) -> bool {
        volume.record_bytes.is_some() && volume.catalog_incomplete
    }

    /// Reads the folder indexes of a volume as far as `store` holds them. Volumes without file records have none.
    pub fn find(volume: &VolumeMap, store: &dyn CopyStore) -> NamesOnly {
        NamesOnly::find_unless(volume, store, &AtomicBool::new(false))
    }

    /// As [`NamesOnly::find`]; ends early, with what it has, once `stop` is set.
    pub fn find_unless(volume: &VolumeMap, store: &dyn CopyStore, stop: &AtomicBool) -> NamesOnly {
        let places = RecordPlaces::of(volume).filter(|_| NamesOnly::can_be(volume));
        places
            .map_or_else(NamesOnly::default, |places| Search::new(volume, &volume.of_store(store), places, stop).run())
    }
}

/// Gives lost folders with existing files in them the names that `store` has in the indexes of other folders.
pub fn name_lost_folders(volume: &mut VolumeMap, store: &dyn CopyStore, stop: &AtomicBool) {
    if volume.catalog.nameless_lost_folders() == 0 {
        return;
    }
    let NamesOnly { existing, further_names, .. } = NamesOnly::find_unless(volume, store, stop);
    // The first name comes last, so that it counts.
    for named in further_names.iter().chain(&existing).filter(|named| named.kind == NodeKind::Folder) {
        volume.catalog.name_lost_folder(named.number, named.sequence, named.folder, &named.name);
    }
}

struct Search<'s> {
    volume: &'s VolumeMap,
    store: &'s dyn CopyStore,
    places: &'s RecordPlaces,
    /// Numbers of the existing files and folders of the catalog.
    known: BTreeSet<u32>,
    /// What was found of the records of others.
    states: BTreeMap<u32, Option<RecordState>>,
    existing: BTreeMap<u32, (NamedOnly, bool)>,
    further_names: Vec<NamedOnly>,
    left_over: BTreeMap<(u32, NodeId, String), NamedOnly>,
    left_over_unlisted: u64,
    damaged: BTreeMap<NodeId, u64>,
    /// Bytes of indexes that may still be read: hostile run lists may name the same place again and again.
    budget: u64,
    stop: &'s AtomicBool,
}

/// The bytes could not be read.
struct NotHeld;

impl<'s> Search<'s> {
    fn new(
        volume: &'s VolumeMap,
        store: &'s dyn CopyStore,
        places: &'s RecordPlaces,
        stop: &'s AtomicBool,
    ) -> Search<'s> {
        let known = volume.catalog.nodes().filter(|node| !node.is_deleted()).map(|node| node.number());
        Search {
            volume,
            store,
            places,
            known: known.collect(),
            states: BTreeMap::new(),
            existing: BTreeMap::new(),
            further_names: Vec::new(),
            left_over: BTreeMap::new(),
            left_over_unlisted: 0,
            damaged: BTreeMap::new(),
            budget: volume.extent.bytes,
            stop,
        }
    }

    fn run(mut self) -> NamesOnly {
        let catalog = &self.volume.catalog;
        let is_folder = |node: &Node<'_>| {
            let is_client = node.purpose() == Purpose::Client || node.id() == catalog.root();
            node.kind() == NodeKind::Folder && !node.is_deleted() && is_client
        };
        for folder in catalog.nodes().take_while(|_| !self.stop.load(Ordering::Relaxed)).filter(is_folder) {
            self.folder(&folder);
        }
        let Search { existing, further_names, left_over, left_over_unlisted, damaged, .. } = self;
        NamesOnly {
            left_over: left_over.into_values().filter(|left| !existing.contains_key(&left.number)).collect(),
            existing: existing.into_values().map(|(named, _)| named).collect(),
            further_names,
            left_over_unlisted,
            damaged,
        }
    }

    fn folder(&mut self, folder: &Node<'_>) {
        let (volume, places, store) = (self.volume, self.places, self.store);
        let mut fetch = |extent: Extent| load(store, extent).ok_or(NotHeld);
        let mut attribute = |kind| places.resident(volume, folder.number(), kind, Some("$I30"), &mut fetch).ok();
        let root = attribute(INDEX_ROOT);
        let block_bytes = root.as_deref().and_then(index::block_bytes).unwrap_or(USUAL_BLOCK);
        if let Some(root) = &root {
            // The record's own update sequence proves it; damage here is the record's.
            let _ = index::root_entries(root, |entry| self.existing(folder, &entry));
        }
        let Some(blocks) = folder.streams().find(|s| s.role() == Role::FolderIndex) else { return };
        let bitmap = attribute(BITMAP).or_else(|| {
            let stream = folder.streams().find(|s| s.role() == Role::IndexBitmap && !s.is_resident())?;
            let bytes = stream.size().min(LONGEST_BITMAP);
            stream_bytes(volume, store, &stream, bytes)
        });
        self.blocks(folder, &blocks, block_bytes, bitmap.as_deref());
    }

    fn blocks(&mut self, folder: &Node<'_>, stream: &Stream<'_>, block_bytes: u64, bitmap: Option<&[u8]>) {
        let mut number = 0u64;
        let mut bytes = vec![0; small(block_bytes)];
        let mut filled = 0;
        let mut all_held = true;
        for part in parts(self.volume, stream) {
            let Some(mut part) = part.extent else {
                // A hole, or a place outside of the volume: blocks that lie in it are passed over.
                let behind = (filled as u64).saturating_add(part.bytes);
                number = number.saturating_add(behind / block_bytes);
                (filled, all_held) = (small(behind % block_bytes), false);
                continue;
            };
            while !part.is_empty() {
                let count = part.bytes.min(block_bytes - filled as u64);
                let piece = Extent { bytes: count, ..part };
                part = Extent::between(piece.end(), part.end());
                if self.budget < count || self.stop.load(Ordering::Relaxed) {
                    return;
                }
                self.budget -= count;
                let end = filled + small(count);
                all_held &= is_held(self.store, piece) && self.store.load(piece, &mut bytes[filled..end]).is_ok();
                filled = end;
                if filled == bytes.len() {
                    if all_held {
                        // Without its bitmap, names in a block are no proof that the files exist.
                        let in_use = bitmap.is_some_and(|bits| is_set(bits, number));
                        self.block(folder, &mut bytes, in_use);
                    }
                    (filled, all_held, number) = (0, true, number + 1);
                }
            }
        }
    }

    fn block(&mut self, folder: &Node<'_>, bytes: &mut [u8], in_use: bool) {
        let length = bytes.len() as u64;
        let Some(block) = IndexBlock::open(bytes) else {
            if in_use {
                *self.damaged.entry(folder.id()).or_default() += length;
            }
            return;
        };
        if in_use && block.entries(|entry| self.existing(folder, &entry)).is_err() {
            *self.damaged.entry(folder.id()).or_default() += length;
        }
        block.left_over(folder.number(), !in_use, |entry| self.left_over(folder, &entry));
    }

    /// An entry in use. Names of one record in several folders are hard links: the first counts, a long one before a short one.
    fn existing(&mut self, folder: &Node<'_>, entry: &IndexEntry<'_>) {
        if entry.name.parent.number() != folder.number() {
            return;
        }
        let Some(named) = self.named(folder, entry) else { return };
        match self.existing.get_mut(&named.number) {
            Some(known) if known.1 && !entry.name.short => {
                self.further_names.push(std::mem::replace(known, (named, false)).0);
            }
            Some(_) => self.further_names.push(named),
            None => {
                self.existing.insert(named.number, (named, entry.name.short));
            }
        }
    }

    fn left_over(&mut self, folder: &Node<'_>, entry: &IndexEntry<'_>) {
        let Some(named) = self.named(folder, entry).filter(|_| !entry.name.short) else { return };
        if self.left_over.len() < MOST_LEFT_OVER {
            self.left_over.insert((named.number, named.folder, named.name.clone()), named);
        } else {
            self.left_over_unlisted += 1;
        }
    }

    /// What an entry names, unless its record was read: then the file is in the catalog, or the entry is older than what the
    /// record holds now.
    fn named(&mut self, folder: &Node<'_>, entry: &IndexEntry<'_>) -> Option<NamedOnly> {
        let number = entry.file.number();
        if self.known.contains(&number) || purpose_of(number) != Purpose::Client {
            return None;
        }
        let record = match self.states.get(&number) {
            Some(state) => *state,
            None => {
                let state = self.record_state(number);
                self.states.insert(number, state);
                state
            }
        }?;
        let mut name = String::new();
        decode_name(entry.name.name, &mut name);
        Some(NamedOnly {
            number,
            sequence: entry.file.sequence(),
            folder: folder.id(),
            name,
            kind: if entry.is_folder { NodeKind::Folder } else { NodeKind::File },
            size: entry.size.min(i64::MAX.unsigned_abs()),
            modified: entry.modified,
            record,
        })
    }

    /// `None` when it was read, or cannot exist.
    fn record_state(&self, number: u32) -> Option<RecordState> {
        if !self.places.can_have(number) {
            return None;
        }
        let Some(places) = self.places.place(number) else {
            let some_to_come = self.volume.records.is_some_and(|counts| counts.not_read_yet > 0);
            return Some(if some_to_come { RecordState::NotReadYet } else { RecordState::Lost });
        };
        if places.iter().any(|place| !self.store.unreadable(*place).is_empty()) {
            return Some(RecordState::Lost);
        }
        let mut bytes = Vec::new();
        for place in places {
            match load(self.store, place) {
                Some(part) => bytes.extend(part),
                None => return Some(RecordState::NotReadYet),
            }
        }
        record::open(&mut bytes).is_err().then_some(RecordState::Lost)
    }
}

/// A part of a stream: its bytes, and where they lie unless that is not known.
struct StreamPart {
    bytes: u64,
    extent: Option<Extent>,
}

fn parts<'v>(volume: &'v VolumeMap, stream: &Stream<'v>) -> impl Iterator<Item = StreamPart> + 'v {
    stream.layout().map(move |(place, count)| StreamPart {
        bytes: count.saturating_mul(volume.geometry.cluster_bytes),
        extent: place.and_then(|first| volume.geometry.extent(crate::filesystem::ClusterRun { first, count })),
    })
}

/// The first `bytes` bytes of a stream, as far as they are held.
fn stream_bytes(volume: &VolumeMap, store: &dyn CopyStore, stream: &Stream<'_>, bytes: u64) -> Option<Vec<u8>> {
    let mut all = Vec::new();
    for part in parts(volume, stream) {
        let left = bytes - all.len() as u64;
        let Some(extent) = part.extent.filter(|_| left > 0) else { break };
        match load(store, Extent { bytes: extent.bytes.min(left), ..extent }) {
            Some(part) => all.extend(part),
            None => break,
        }
    }
    (!all.is_empty()).then_some(all)
}

fn is_held(store: &dyn CopyStore, extent: Extent) -> bool {
    store.held(extent).iter().map(|part| part.bytes).sum::<u64>() == extent.bytes
}

fn load(store: &dyn CopyStore, extent: Extent) -> Option<Vec<u8>> {
    let mut bytes = vec![0; small(extent.bytes)];
    (is_held(store, extent) && store.load(extent, &mut bytes).is_ok()).then_some(bytes)
}

fn is_set(bits: &[u8], number: u64) -> bool {
    usize::try_from(number / 8).ok().and_then(|at| bits.get(at)).is_some_and(|byte| byte >> (number % 8) & 1 != 0)
}
