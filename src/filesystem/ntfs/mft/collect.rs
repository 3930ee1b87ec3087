//! Turns file records into the catalog, one after the other as they arrive. What needs other records first (pieces of
//! attributes, names in extension records) is kept aside for [`super::assemble`].

use super::pieces::{Arena, Owner, Piece, Slice, unpack_filled};
use super::table_bitmap::Seen;
use crate::base::fields::{le16, le64};
use crate::base::finding::{Finding, Findings};
use crate::base::units::ByteOffset;
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::structure::attribute::{
    ATTRIBUTE_LIST, Attribute, Attributes, BITMAP, DATA, EA, Extents, FILE_NAME, Form, INDEX_ALLOCATION,
    LOGGED_UTILITY_STREAM, REPARSE_POINT, SECURITY_DESCRIPTOR, STANDARD_INFORMATION, Sizes, VOLUME_INFORMATION,
    VOLUME_NAME,
};
use crate::filesystem::ntfs::structure::attribute_list::ListEntries;
use crate::filesystem::ntfs::structure::file_name::{self, FileName};
use crate::filesystem::ntfs::structure::record::{RecordHeader, Reference};
use crate::filesystem::ntfs::structure::runlist::Run;
use crate::filesystem::{
    CatalogBuilder, ClusterGeometry, ClusterRun, NodeId, NodeKind, NodeSpec, Parent, Purpose, RecordCounts, Role,
    StreamSpec, Timestamp,
};

/// Record numbers with a meaning of their own. Source: Linux fs/ntfs/layout.h (`NTFS_SYSTEM_FILES`).
pub mod system {
    pub const TABLE: u32 = 0;
    pub const VOLUME: u32 = 3;
    pub const ROOT: u32 = 5;
    pub const BITMAP: u32 = 6;
    pub const BOOT: u32 = 7;
    pub const BAD_CLUSTERS: u32 = 8;
    pub const EXTEND: u32 = 11;
    pub const FIRST_USER: u32 = 24;
}

/// The name of every index of file names.
const FOLDER_INDEX_NAME: &[u8] = b"$\0I\x003\x000\0";

/// What the table of nodes by record number holds.
#[derive(Clone, Copy)]
pub struct Slot {
    pub node: u32,
    pub sequence: u16,
    pub deleted: bool,
}

pub const NO_NODE: u32 = u32::MAX;
const EMPTY: Slot = Slot { node: NO_NODE, sequence: 0, deleted: false };

/// What is known of a name besides what the catalog keeps, until parents are looked up.
#[derive(Clone, Copy)]
pub struct LinkNote {
    /// Sequence number the parent had.
    pub sequence: u16,
    /// Whether the name is that of a deleted file.
    pub deleted: bool,
}

/// A name found apart from its file's base record, or an 8.3 name that may be the only one.
pub struct LateName {
    pub owner: Owner,
    pub place: ByteOffset,
    pub parent: Reference,
    pub name: Slice,
    pub short: bool,
}

/// A part of $MFT described by an extension record.
pub(super) struct TablePart {
    pub first_vcn: u64,
    pub next_vcn: u64,
    pub packed: Vec<u8>,
}

/// What $Volume says.
#[derive(Default)]
pub struct VolumeRecord {
    pub label: Option<String>,
    pub version: Option<(u8, u8)>,
    pub dirty: Option<bool>,
}

/// The tables being filled.
pub struct Collector {
    pub geometry: ClusterGeometry,
    pub build: CatalogBuilder,
    pub slots: Vec<Slot>,
    /// One for each name, in the order they were added.
    pub notes: Vec<LinkNote>,
    pub arena: Arena,
    pub pieces: Vec<Piece>,
    pub late_names: Vec<LateName>,
    /// Nodes in use that had no name when their base record was read.
    pub nameless: Vec<NodeId>,
    /// Base and extension records as resident attribute lists name them.
    pub listed: Vec<(u32, Reference)>,
    /// Base and extension records that were found: number, and sequence number of the extension.
    pub extensions: Vec<(u32, u32, u16)>,
    pub volume: VolumeRecord,
    pub resident_bitmap: Option<Vec<u8>>,
    /// $MFT's own bitmap, where it lies in a record.
    pub resident_table_bitmap: Option<Vec<u8>>,
    /// Which records are in use, and which are all zero.
    pub seen: Seen,
    pub records_in_use: u64,
    pub counts: RecordCounts,
    pub findings: Findings,
    pub incomplete: bool,
    table_parts: Vec<TablePart>,
    layout: Vec<Run>,
    text: String,
}

/// A run list as a record holds it.
pub(super) struct RunList<'r> {
    pub(super) packed: &'r [u8],
    /// How many clusters it describes.
    pub(super) clusters: u64,
    /// The record's number and place.
    pub(super) number: u32,
    pub(super) place: ByteOffset,
    pub(super) in_use: bool,
}

/// The record being taken in.
struct Holder<'h> {
    number: u32,
    place: ByteOffset,
    header: &'h RecordHeader,
    owner: Owner,
    extension: bool,
    /// The node, once there is one; extension records have none of their own.
    node: Option<NodeId>,
}

impl Holder<'_> {
    fn in_use(&self) -> bool {
        self.header.in_use
    }
}

/// Rooms made in advance: beyond them the tables grow as they fill.
const MOST_ROOM: u64 = 4 << 20;

impl Collector {
    /// Empty tables with room for `records` file records.
    pub fn new(geometry: ClusterGeometry, records: u64) -> Collector {
        let room = usize::try_from(records.min(MOST_ROOM)).unwrap_or(0);
        Collector {
            geometry,
            build: CatalogBuilder::with_capacity(room),
            slots: Vec::with_capacity(room),
            notes: Vec::with_capacity(room),
            arena: Arena::default(),
            pieces: Vec::new(),
            late_names: Vec::new(),
            nameless: Vec::new(),
            listed: Vec::new(),
            extensions: Vec::new(),
            volume: VolumeRecord::default(),
            resident_bitmap: None,
            resident_table_bitmap: None,
            seen: Seen::default(),
            records_in_use: 0,
            counts: RecordCounts::default(),
            findings: Findings::new(),
            incomplete: false,
            table_parts: Vec::new(),
            layout: Vec::new(),
            text: String::new(),
        }
    }

    /// Parts of $MFT that turned up in extension records since this was asked last.
    pub(super) fn take_table_parts(&mut self) -> Vec<TablePart> {
        std::mem::take(&mut self.table_parts)
    }

    /// Takes in one sound record.
    pub fn take(&mut self, number: u32, place: ByteOffset, header: &RecordHeader, record: &[u8]) {
        let deleted = !header.in_use;
        if header.in_use {
            self.records_in_use += 1;
            self.seen.in_use.add(number);
            self.check_number(number, place, header);
        }
        let extension = !header.base.is_none();
        let owner = if extension {
            Owner { number: header.base.number(), sequence: header.base.sequence(), deleted }
        } else {
            Owner { number, sequence: header.sequence, deleted }
        };
        if extension && header.in_use {
            self.extensions.push((owner.number, number, header.sequence));
        }
        let mut holder = Holder { number, place, header, owner, extension, node: None };
        if header.in_use && !extension {
            self.make_node(&mut holder);
        }
        self.attributes(&mut holder, record);
    }

    fn check_number(&mut self, number: u32, place: ByteOffset, header: &RecordHeader) {
        if let Some(own) = header.number.filter(|own| *own != number) {
            let sentence = format!("Record {number} says of itself that it is record {own}; it was used as {number}.");
            self.findings.push(Finding::at(&found::RECORD_MISPLACED, place, sentence));
            self.counts.misnumbered += 1;
        }
    }

    /// The holder's node. A deleted record gets one only when it has something to tell: records that were prepared
    /// and never used have not.
    fn make_node(&mut self, holder: &mut Holder<'_>) -> NodeId {
        if let Some(node) = holder.node {
            return node;
        }
        let kind = if holder.header.folder { NodeKind::Folder } else { NodeKind::File };
        let purpose = purpose_of(holder.number);
        let node =
            self.build.add_node(NodeSpec { number: holder.number, kind, purpose, deleted: holder.owner.deleted });
        holder.node = Some(node);
        let at = usize::try_from(holder.number).expect("32 bits");
        if self.slots.len() <= at {
            self.slots.resize(at + 1, EMPTY);
        }
        self.slots[at] = Slot { node: node.0, sequence: holder.owner.sequence, deleted: holder.owner.deleted };
        node
    }

    fn attributes(&mut self, holder: &mut Holder<'_>, record: &[u8]) {
        let mut named = false;
        let mut listed = false;
        let mut short = None;
        let mut modified = None;
        for item in Attributes::new(record, holder.header.first_attribute) {
            let attribute = match item {
                Ok(attribute) => attribute,
                Err(error) => {
                    if holder.in_use() {
                        let sentence = format!("Record {}: {error}.", holder.number);
                        self.findings.push(Finding::at(&found::ATTRIBUTE_DAMAGED, holder.place, sentence));
                        self.incomplete = true;
                    }
                    continue;
                }
            };
            listed |= attribute.kind == ATTRIBUTE_LIST;
            match (attribute.kind, attribute.form) {
                // Source: Linux fs/ntfs/layout.h (`STANDARD_INFORMATION`, `last_data_change_time`).
                (STANDARD_INFORMATION, Form::Resident(value)) => modified = le64(value, 8),
                (FILE_NAME, Form::Resident(value)) => match FileName::parse(value) {
                    Some(name) if name.short => short = Some(name),
                    Some(name) => {
                        named = true;
                        self.name(holder, &name);
                    }
                    None => self.bad_name(holder),
                },
                (ATTRIBUTE_LIST, Form::Resident(value)) => self.list(holder, value),
                (DATA, Form::Resident(value)) => self.resident_data(holder, &attribute, value),
                (VOLUME_NAME | VOLUME_INFORMATION, Form::Resident(value)) => {
                    self.volume_record(holder, attribute.kind, value);
                }
                (BITMAP, Form::Resident(value)) if holder.owner.number == 0 && holder.in_use() => {
                    if attribute.name.is_empty() {
                        self.resident_table_bitmap = Some(value.to_vec());
                    }
                }
                (_, Form::Resident(_)) => {}
                (_, Form::NonResident(extents)) => self.clusters(holder, &attribute, &extents),
            }
        }
        if let Some(name) = short.filter(|_| !named) {
            // Beside a long name the 8.3 name is no path of its own. That long name may be in another record.
            if listed || holder.extension {
                self.late_name(holder, &name);
            } else {
                named = true;
                self.name(holder, &name);
            }
        }
        if let Some(node) = holder.node {
            self.build.set_modified(node, modified.and_then(Timestamp::from_ntfs));
        }
        if let Some(node) = holder.node.filter(|_| !named && holder.in_use()) {
            self.nameless.push(node);
        }
    }

    fn name(&mut self, holder: &mut Holder<'_>, name: &FileName<'_>) {
        if holder.extension {
            self.late_name(holder, name);
        } else if holder.number == system::ROOT {
            // The root's own name is "." in itself.
            self.make_node(holder);
        } else {
            let node = self.make_node(holder);
            file_name::decode_name(name.name, &mut self.text);
            self.build.add_link(node, Parent::Lost(name.parent.number()), &self.text);
            self.notes.push(LinkNote { sequence: name.parent.sequence(), deleted: holder.owner.deleted });
        }
    }

    fn late_name(&mut self, holder: &Holder<'_>, name: &FileName<'_>) {
        let kept = self.arena.keep(name.name);
        self.late_names.push(LateName {
            owner: holder.owner,
            place: holder.place,
            parent: name.parent,
            name: kept,
            short: name.short,
        });
    }

    /// Adds a name that was kept aside.
    pub(super) fn add_late_name(&mut self, node: NodeId, late: &LateName) {
        file_name::decode_name(self.arena.get(late.name), &mut self.text);
        self.build.add_link(node, Parent::Lost(late.parent.number()), &self.text);
        self.notes.push(LinkNote { sequence: late.parent.sequence(), deleted: late.owner.deleted });
    }

    fn bad_name(&mut self, holder: &Holder<'_>) {
        if holder.in_use() {
            let sentence = format!("A name in record {} is longer than the attribute that holds it.", holder.number);
            self.findings.push(Finding::at(&found::NAME_DAMAGED, holder.place, sentence));
            self.incomplete = true;
        }
    }

    fn list(&mut self, holder: &Holder<'_>, value: &[u8]) {
        if !holder.in_use() || holder.extension {
            return;
        }
        let mut entries = ListEntries::new(value);
        for entry in entries.by_ref() {
            let listed = (holder.number, entry.holder);
            if entry.holder.number() != holder.number && self.listed.last() != Some(&listed) {
                self.listed.push(listed);
            }
        }
        if entries.left() > 0 {
            let sentence = format!(
                "The last {} of {} bytes of the attribute list in record {} cannot be understood; the file's further records are known by their own references.",
                entries.left(),
                value.len(),
                holder.number
            );
            self.findings.push(Finding::at(&found::ATTRIBUTE_DAMAGED, holder.place, sentence));
        }
    }

    fn resident_data(&mut self, holder: &mut Holder<'_>, attribute: &Attribute<'_>, value: &[u8]) {
        if holder.extension {
            self.piece(holder, attribute);
            return;
        }
        if holder.number == system::BITMAP && holder.in_use() && attribute.name.is_empty() {
            self.resident_bitmap = Some(value.to_vec());
        }
        if let Some(node) = holder.node {
            let size = value.len() as u64;
            self.add_stream(node, attribute, None, Sizes { allocated: 0, size, valid: size }, false);
        }
    }

    fn volume_record(&mut self, holder: &Holder<'_>, kind: u32, value: &[u8]) {
        if holder.owner.number != system::VOLUME || !holder.in_use() {
            return;
        }
        if kind == VOLUME_NAME {
            let mut label = String::new();
            file_name::decode(value, &mut label);
            self.volume.label = Some(label).filter(|l| !l.is_empty());
        } else if let (Some(major), Some(minor), Some(flags)) = (value.get(8), value.get(9), le16(value, 10)) {
            // Source: Linux fs/ntfs/layout.h (`VOLUME_INFORMATION`).
            self.volume.version = Some((*major, *minor));
            self.volume.dirty = Some(flags & 1 != 0);
        }
    }

    fn piece(&mut self, holder: &Holder<'_>, attribute: &Attribute<'_>) {
        let piece = Piece::of(attribute, holder.owner, holder.number, holder.place, &mut self.arena);
        self.pieces.push(piece);
    }

    /// An attribute that owns clusters: straight into the catalog when all of it is here, else kept as a piece.
    fn clusters(&mut self, holder: &mut Holder<'_>, attribute: &Attribute<'_>, extents: &Extents<'_>) {
        let most = i64::MAX.unsigned_abs() / self.geometry.cluster_bytes;
        if extents.next_vcn > most {
            if holder.in_use() {
                let sentence = format!(
                    "An attribute of type {:#x} in record {} claims {} clusters, more bytes than can be counted; it was not used.",
                    attribute.kind, holder.number, extents.next_vcn
                );
                self.findings.push(Finding::at(&found::ATTRIBUTE_DAMAGED, holder.place, sentence));
                self.incomplete = true;
            }
            return;
        }
        if holder.extension
            && holder.owner.number == 0
            && holder.in_use()
            && attribute.kind == DATA
            && attribute.name.is_empty()
        {
            let Extents { first_vcn, next_vcn, packed, .. } = *extents;
            self.table_parts.push(TablePart { first_vcn, next_vcn, packed: packed.to_vec() });
        }
        let all_here =
            extents.first_vcn == 0 && extents.sizes.allocated <= extents.next_vcn * self.geometry.cluster_bytes;
        if holder.extension || !all_here {
            if !holder.extension {
                self.make_node(holder);
            }
            self.piece(holder, attribute);
            return;
        }
        let node = self.make_node(holder);
        let mut layout = std::mem::take(&mut self.layout);
        layout.clear();
        let list = RunList {
            packed: extents.packed,
            clusters: extents.next_vcn,
            number: holder.number,
            place: holder.place,
            in_use: holder.in_use(),
        };
        let sound = self.unpack(&list, &mut layout);
        self.layout = layout;
        let unit = Some(extents.unit_log2);
        self.add_stream(node, attribute, unit, extents.sizes, !sound);
    }

    /// Unpacks a run list and checks each run against the volume; what is outside becomes a hole. Whether all was
    /// sound. Findings are made for records in use only: clusters of deleted ones may have been overwritten since.
    pub(super) fn unpack(&mut self, list: &RunList<'_>, layout: &mut Vec<Run>) -> bool {
        let RunList { packed, clusters, number, place, in_use } = *list;
        let from = layout.len();
        let mut sound = true;
        if let Err(error) = unpack_filled(packed, clusters, layout) {
            sound = false;
            if in_use {
                let sentence = format!("A run list in record {number} is damaged: {error}.");
                self.findings.push(Finding::at(&found::RUN_LIST_DAMAGED, place, sentence));
                self.incomplete = true;
            }
        }
        for run in &mut layout[from..] {
            let (Some(first), count) = *run else { continue };
            if self.geometry.holds(ClusterRun { first, count }) {
                continue;
            }
            sound = false;
            run.0 = None;
            if in_use {
                let sentence = format!(
                    "Record {number} claims {count} clusters from {first}; the volume has {} clusters.",
                    self.geometry.cluster_count
                );
                self.findings.push(Finding::at(&found::RUN_OUTSIDE, place, sentence));
                self.incomplete = true;
            }
        }
        sound
    }

    /// Adds a stream whose runs are in `self.layout`; `unit` is `None` for a resident one.
    fn add_stream(
        &mut self,
        node: NodeId,
        attribute: &Attribute<'_>,
        unit: Option<u8>,
        sizes: Sizes,
        incomplete: bool,
    ) {
        let (kind, name) = (attribute.kind, attribute.name);
        let default_name = name.is_empty() || (name == FOLDER_INDEX_NAME && matches!(kind, INDEX_ALLOCATION | BITMAP));
        if !default_name {
            file_name::decode_name(name, &mut self.text);
        }
        // A unit of 2^16 clusters would be 32 MiB at least; the format's largest is 64 KiB.
        let unit_log2 = unit.filter(|log2| attribute.is_compressed() && (1..=16).contains(log2));
        let spec = StreamSpec {
            role: role_of(kind, name),
            name: (!default_name).then_some(self.text.as_str()),
            size: sizes.size,
            valid: sizes.valid,
            resident: unit.is_none(),
            compression_unit: unit_log2.map_or(0, |log2| 1 << log2),
            sparse: attribute.is_sparse(),
            encrypted: attribute.is_encrypted(),
            incomplete,
        };
        let runs = if unit.is_none() { &[] } else { self.layout.as_slice() };
        self.build.add_stream(node, &spec, runs.iter().copied());
    }

    /// Adds a stream joined from `pieces`, which are of one attribute and sorted; `layout` holds its runs.
    pub(super) fn add_joined(&mut self, node: NodeId, first: &Piece, layout: &mut Vec<Run>, incomplete: bool) {
        std::mem::swap(&mut self.layout, layout);
        let name = self.arena.get(first.name).to_vec();
        let unit = first.extents.map(|e| e.unit_log2);
        let attribute = Attribute { kind: first.kind, name: &name, flags: first.flags, form: Form::Resident(&[]) };
        self.add_stream(node, &attribute, unit, first.sizes, incomplete);
        std::mem::swap(&mut self.layout, layout);
    }
}

/// Whom a record serves, by its number.
pub fn purpose_of(number: u32) -> Purpose {
    match number {
        system::BOOT => Purpose::Boot,
        system::BAD_CLUSTERS => Purpose::BadClusters,
        n if n < system::FIRST_USER => Purpose::Structure,
        _ => Purpose::Client,
    }
}

fn role_of(kind: u32, name: &[u8]) -> Role {
    match kind {
        DATA => Role::Data,
        INDEX_ALLOCATION if name == FOLDER_INDEX_NAME => Role::FolderIndex,
        BITMAP => Role::IndexBitmap,
        ATTRIBUTE_LIST => Role::AttributeList,
        SECURITY_DESCRIPTOR => Role::Security,
        EA => Role::ExtendedAttributes,
        REPARSE_POINT => Role::Reparse,
        LOGGED_UTILITY_STREAM => Role::LoggedUtility,
        _ => Role::OtherAttribute,
    }
}
