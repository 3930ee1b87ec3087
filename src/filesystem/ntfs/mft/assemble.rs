//! After all records have been seen: pieces are joined, names put into their folders, purposes settled.

use super::collect::{Collector, LateName, NO_NODE, RunList, Slot, purpose_of, system};
use super::pieces::{Owner, Piece, join};
use crate::base::finding::Finding;
use crate::base::units::ByteOffset;
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::structure::attribute::INDEX_ALLOCATION;
use crate::filesystem::{NodeId, NodeKind, NodeSpec, Parent, Purpose};
use std::collections::{BTreeMap, BTreeSet};

/// Deeper than this, folders below $Extend are taken for the client's; Windows makes four levels.
const EXTEND_DEPTH: usize = 32;

/// Completes the tables; the root folder's node comes back.
pub fn assemble(collector: &mut Collector) -> NodeId {
    let mut orphans = Orphans::default();
    late_names(collector, &mut orphans);
    join_pieces(collector, &mut orphans);
    check_lists(collector);
    let root = root(collector);
    place_names(collector);
    below_extend(collector);
    root
}

/// The sequence number a record gets when its file is deleted. Source: Linux fs/ntfs/layout.h (`sequence_number`:
/// goes up by one, leaving out 0).
fn after_deletion(sequence: u16) -> u16 {
    sequence.checked_add(1).unwrap_or(1)
}

/// Whether the record in `slot` is the one meant by a reference with this sequence number, made by a file that is in
/// use or deleted.
fn is_meant(slot: Slot, sequence: u16, by_deleted: bool) -> bool {
    let same = sequence == 0 || slot.sequence == 0 || slot.sequence == sequence;
    if slot.node == NO_NODE {
        false
    } else if slot.deleted {
        by_deleted && (same || slot.sequence == after_deletion(sequence))
    } else {
        same
    }
}

fn slot_of(slots: &[Slot], number: u32) -> Option<Slot> {
    usize::try_from(number).ok().and_then(|at| slots.get(at)).copied()
}

/// Nodes for files whose base record is lost.
#[derive(Default)]
struct Orphans(BTreeMap<Owner, NodeId>);

impl Orphans {
    /// The node of the file that an extension record names as its base, made here if need be.
    fn owner(&mut self, collector: &mut Collector, owner: Owner, kind: NodeKind, place: ByteOffset) -> NodeId {
        let slot = slot_of(&collector.slots, owner.number);
        // Pieces of a deleted file belong to no file that has the record now.
        if let Some(slot) = slot.filter(|s| s.deleted == owner.deleted && is_meant(*s, owner.sequence, owner.deleted)) {
            return NodeId(slot.node);
        }
        *self.0.entry(owner).or_insert_with(|| {
            if !owner.deleted {
                collector.incomplete = true;
                let sentence = format!(
                    "A record in use belongs to a file whose main record, number {}, is lost or belongs to another file by now.",
                    owner.number
                );
                collector.findings.push(Finding::at(&found::EXTENSION_ALONE, place, sentence));
            }
            let purpose = purpose_of(owner.number);
            collector.build.add_node(NodeSpec { number: owner.number, kind, purpose, deleted: owner.deleted })
        })
    }
}

/// Names from extension records; then 8.3 names of files that have no other.
fn late_names(collector: &mut Collector, orphans: &mut Orphans) {
    let names = std::mem::take(&mut collector.late_names);
    let nameless: BTreeSet<NodeId> = std::mem::take(&mut collector.nameless).into_iter().collect();
    let mut named = BTreeSet::new();
    let (short, long): (Vec<&LateName>, Vec<&LateName>) = names.iter().partition(|n| n.short);
    for late in long {
        let node = orphans.owner(collector, late.owner, NodeKind::File, late.place);
        named.insert(node);
        if late.owner.number != system::ROOT {
            collector.add_late_name(node, late);
        }
    }
    for late in short {
        let node = orphans.owner(collector, late.owner, NodeKind::File, late.place);
        let alone = nameless.contains(&node) || orphans.0.contains_key(&late.owner);
        if alone && late.owner.number != system::ROOT && named.insert(node) {
            collector.add_late_name(node, late);
        }
    }
    let mut count = 0u64;
    for node in nameless.difference(&named) {
        let number = collector.build.spec(*node).number;
        // Records 12 to 15 are in use and have no names.
        if number >= system::FIRST_USER {
            count += 1;
            let sentence = format!("Record {number} is in use and has no name.");
            collector.findings.push(Finding::general(&found::NAMELESS, sentence));
        }
    }
    if count > 0 {
        collector.incomplete = true;
    }
}

fn join_pieces(collector: &mut Collector, orphans: &mut Orphans) {
    let mut pieces: Vec<(NodeId, Piece)> = Vec::with_capacity(collector.pieces.len());
    for piece in std::mem::take(&mut collector.pieces) {
        let kind = if piece.kind == INDEX_ALLOCATION { NodeKind::Folder } else { NodeKind::File };
        pieces.push((orphans.owner(collector, piece.owner, kind, piece.place), piece));
    }
    let arena = &collector.arena;
    pieces.sort_by(|(a, x), (b, y)| (a, x.key(arena)).cmp(&(b, y.key(arena))));
    let mut rest = pieces.as_slice();
    while let Some((first_node, first)) = rest.first() {
        let same = |(node, piece): &(NodeId, Piece)| {
            let name = |p: &Piece| collector.arena.get(p.name);
            node == first_node && piece.kind == first.kind && name(piece) == name(first)
        };
        let count = rest.iter().take_while(|entry| same(entry)).count();
        let (group, behind) = rest.split_at(count);
        join_group(collector, *first_node, group);
        rest = behind;
    }
}

fn join_group(collector: &mut Collector, node: NodeId, group: &[(NodeId, Piece)]) {
    let mut layout = Vec::new();
    for (_, resident) in group.iter().filter(|(_, p)| p.extents.is_none()) {
        collector.add_joined(node, resident, &mut layout, false);
    }
    let parts: Vec<&Piece> = group.iter().map(|(_, p)| p).filter(|p| p.extents.is_some()).collect();
    let Some(first) = parts.first() else { return };
    let in_use = !first.owner.deleted;
    let extents: Vec<_> = parts.iter().filter_map(|p| p.extents).collect();
    let allocated = first.sizes.allocated / collector.geometry.cluster_bytes;
    let mut sound = true;
    let mut problems = Vec::new();
    let mut at = 0;
    join(
        &extents,
        allocated,
        &mut layout,
        |extents, out| {
            // `join` asks for the pieces in order, but leaves out those that add nothing.
            while parts[at].extents.is_none_or(|e| (e.first_vcn, e.next_vcn) != (extents.first_vcn, extents.next_vcn)) {
                at += 1;
            }
            let packed = collector.arena.get(extents.packed).to_vec();
            let clusters = extents.next_vcn - extents.first_vcn;
            let Piece { holder: number, place, .. } = *parts[at];
            sound &= collector.unpack(&RunList { packed: &packed, clusters, number, place, in_use }, out);
        },
        |problem| problems.push(problem),
    );
    if in_use {
        for problem in &problems {
            let sentence =
                format!("The attribute of type {:#x} of file record {}: {problem}.", first.kind, first.owner.number);
            collector.findings.push(Finding::at(&found::PARTS_DISAGREE, first.place, sentence));
            collector.incomplete = true;
        }
    }
    collector.add_joined(node, first, &mut layout, !sound || !problems.is_empty());
}

/// Attribute lists are not needed for joining; they tell what should have been there.
fn check_lists(collector: &mut Collector) {
    collector.extensions.sort_unstable();
    let mut listed = std::mem::take(&mut collector.listed);
    listed.sort_unstable_by_key(|(base, holder)| (*base, holder.0));
    listed.dedup();
    for (base, holder) in listed {
        let number = holder.number();
        let from = collector.extensions.partition_point(|e| (e.0, e.1) < (base, number));
        let there = collector.extensions.get(from).is_some_and(|&(b, n, sequence)| {
            (b, n) == (base, number) && (holder.sequence() == 0 || sequence == holder.sequence())
        });
        if !there {
            let sentence =
                format!("File record {base} names record {number} as holding part of it, which was not found.");
            collector.findings.push(Finding::general(&found::EXTENSION_MISSING, sentence));
            collector.incomplete = true;
        }
    }
    collector.extensions = Vec::new();
}

/// The root folder; a stand-in if its record is lost.
fn root(collector: &mut Collector) -> NodeId {
    let at = usize::try_from(system::ROOT).expect("a small number");
    if let Some(slot) = collector.slots.get(at).filter(|s| s.node != NO_NODE && !s.deleted) {
        let node = NodeId(slot.node);
        if collector.build.spec(node).kind == NodeKind::Folder {
            return node;
        }
    }
    let sentence = "Record 5, the root folder, is lost or no folder; paths start at a stand-in for it.";
    collector.findings.push(Finding::general(&found::ROOT_MISSING, sentence));
    let spec = NodeSpec { number: system::ROOT, kind: NodeKind::Folder, purpose: Purpose::Structure, deleted: false };
    let node = collector.build.add_node(spec);
    if collector.slots.len() <= at {
        collector.slots.resize(at + 1, Slot { node: NO_NODE, sequence: 0, deleted: false });
    }
    // Sequence 0: whatever is said of the root is meant for it.
    collector.slots[at] = Slot { node: node.0, sequence: 0, deleted: false };
    node
}

/// Looks up every name's folder by record number and sequence number.
fn place_names(collector: &mut Collector) {
    let Collector { build, slots, notes, .. } = collector;
    let mut lost = Vec::new();
    build.place_links(|index, node, parent| {
        let Parent::Lost(number) = parent else { return parent };
        let note = notes[index];
        match slot_of(slots, number).filter(|slot| is_meant(*slot, note.sequence, note.deleted)) {
            Some(slot) => Parent::Folder(NodeId(slot.node)),
            None => {
                lost.extend((!note.deleted).then_some((node, number, note.sequence)));
                parent
            }
        }
    });
    lost.into_iter().for_each(|(node, number, sequence)| build.note_lost_sequence(node, number, sequence));
    *notes = Vec::new();
}

/// What lies below $Extend serves the file system (quotas, object identities, the change journal, transactions).
fn below_extend(collector: &mut Collector) {
    let Some(extend) = slot_of(&collector.slots, system::EXTEND).filter(|s| s.node != NO_NODE && !s.deleted) else {
        return;
    };
    let Ok(extend) = usize::try_from(extend.node) else { return };
    let mut below = vec![false; collector.build.node_count()];
    below[extend] = true;
    let index = |node: NodeId| usize::try_from(node.0).expect("32 bits");
    for _ in 0..EXTEND_DEPTH {
        let mut more = Vec::new();
        collector.build.place_links(|_, node, parent| {
            if let Parent::Folder(folder) = parent
                && below[index(folder)]
                && !below[index(node)]
            {
                below[index(node)] = true;
                more.push(node);
            }
            parent
        });
        if more.is_empty() {
            break;
        }
        for node in more {
            if collector.build.spec(node).purpose == Purpose::Client {
                collector.build.set_purpose(node, Purpose::Structure);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: Linux fs/ntfs/layout.h (`sequence_number`, from memory): goes up by one on deletion, leaving out 0.
    #[test]
    fn a_reference_means_a_record_by_its_sequence_number() {
        assert_eq!([1, 2, 0xFFFE, 0xFFFF].map(after_deletion), [2, 3, 0xFFFF, 1]);
        let slot = |sequence, deleted| Slot { node: 7, sequence, deleted };
        // Of existing files only the number itself, and 0 on either side for any.
        for (of, sequence, is_meant_by) in [(5, 5, true), (5, 4, false), (5, 6, false), (5, 0, true), (0, 5, true)] {
            for by_deleted in [false, true] {
                assert_eq!(is_meant(slot(of, false), sequence, by_deleted), is_meant_by, "{of} by {sequence}");
            }
        }
        // A deleted one only by what is deleted itself, also by the number that it had before.
        for (of, sequence, is_meant_by) in [(5, 5, true), (5, 4, true), (5, 3, false), (5, 6, false), (1, 0xFFFF, true)]
        {
            assert_eq!(is_meant(slot(of, true), sequence, true), is_meant_by, "{of} by {sequence}");
            assert!(!is_meant(slot(of, true), sequence, false));
        }
        assert!(!is_meant(Slot { node: NO_NODE, ..slot(5, false) }, 5, true));
    }
}
