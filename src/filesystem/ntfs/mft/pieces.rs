//! Attributes that do not lie whole in one record: their pieces, kept until all records have been seen, and joined by
//! the base record they name, their type and their name, in the order of their first VCN.
//!
//! The base record's attribute list says the same, but is one more thing that can be damaged; it is not needed.

use crate::base::units::ByteOffset;
use crate::filesystem::ntfs::structure::attribute::{Attribute, Form, Sizes};
use crate::filesystem::ntfs::structure::runlist::{self, Run};

/// A range of the arena.
#[derive(Clone, Copy, Debug)]
pub struct Slice {
    start: u64,
    bytes: u16,
}

/// Bytes copied out of records: names, and run lists as they are packed there (some 4 bytes a run; unpacked 16).
#[derive(Default)]
pub struct Arena(Vec<u8>);

impl Arena {
    /// Keeps `bytes`, which come out of one record and so are fewer than 2^16.
    pub fn keep(&mut self, bytes: &[u8]) -> Slice {
        let bytes = &bytes[..bytes.len().min(usize::from(u16::MAX))];
        let start = self.0.len() as u64;
        self.0.extend_from_slice(bytes);
        Slice { start, bytes: u16::try_from(bytes.len()).expect("cut to 16 bits") }
    }

    pub fn get(&self, slice: Slice) -> &[u8] {
        let start = usize::try_from(slice.start).expect("a place in memory");
        &self.0[start..start + usize::from(slice.bytes)]
    }
}

/// The file that a record belongs to, as the record itself says.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Owner {
    pub number: u32,
    pub sequence: u16,
    /// Whether the record that says so is no longer in use.
    pub deleted: bool,
}

/// One piece of an attribute.
#[derive(Clone, Copy)]
pub struct Piece {
    pub owner: Owner,
    /// The record it was found in.
    pub holder: u32,
    /// Where that record lies.
    pub place: ByteOffset,
    pub kind: u32,
    pub name: Slice,
    pub flags: u16,
    /// `None`: resident, with its content in the record.
    pub extents: Option<PieceExtents>,
    pub sizes: Sizes,
}

/// The clusters of a piece.
#[derive(Clone, Copy)]
pub struct PieceExtents {
    pub first_vcn: u64,
    pub next_vcn: u64,
    pub packed: Slice,
    pub unit_log2: u8,
}

impl Piece {
    /// Copies what has to be kept of `attribute`.
    pub fn of(attribute: &Attribute<'_>, owner: Owner, holder: u32, place: ByteOffset, arena: &mut Arena) -> Piece {
        let name = arena.keep(attribute.name);
        let (extents, sizes) = match attribute.form {
            Form::Resident(value) => {
                let size = value.len() as u64;
                (None, Sizes { allocated: 0, size, valid: size })
            }
            Form::NonResident(e) => {
                let packed = arena.keep(e.packed);
                let extents =
                    PieceExtents { first_vcn: e.first_vcn, next_vcn: e.next_vcn, packed, unit_log2: e.unit_log2 };
                (Some(extents), e.sizes)
            }
        };
        Piece { owner, holder, place, kind: attribute.kind, name, flags: attribute.flags, extents, sizes }
    }

    /// What pieces are sorted by, so that those of one attribute stand together in order.
    pub fn key<'a>(&self, arena: &'a Arena) -> (u32, &'a [u8], u64, u64, u32) {
        let (first, next) = self.extents.map_or((0, 0), |e| (e.first_vcn, e.next_vcn));
        (self.kind, arena.get(self.name), first, next, self.holder)
    }
}

/// What is wrong with pieces that are joined.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum JoinProblem {
    /// Clusters that no piece describes.
    Gap { from_vcn: u64, to_vcn: u64 },
    /// Clusters that an earlier piece has described already.
    Overlap { from_vcn: u64, to_vcn: u64 },
    /// The last piece ends before the attribute does.
    Tail { from_vcn: u64, to_vcn: u64 },
}

impl std::fmt::Display for JoinProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            JoinProblem::Gap { from_vcn, to_vcn } => {
                write!(f, "no record describes its clusters {from_vcn} to {}", to_vcn.saturating_sub(1))
            }
            JoinProblem::Overlap { from_vcn, to_vcn } => {
                write!(
                    f,
                    "two records describe its clusters {from_vcn} to {}; the first was used",
                    to_vcn.saturating_sub(1)
                )
            }
            JoinProblem::Tail { from_vcn, to_vcn } => {
                write!(f, "its clusters from {from_vcn} up to its end at {to_vcn} are described nowhere")
            }
        }
    }
}

/// Joins the run lists of pieces that are sorted by their first VCN into `layout`. `unpack` unpacks one piece. Where
/// clusters are missing the layout gets a hole, so that what follows keeps its place in the file.
pub fn join(
    pieces: &[PieceExtents],
    allocated_clusters: u64,
    layout: &mut Vec<Run>,
    mut unpack: impl FnMut(&PieceExtents, &mut Vec<Run>),
    mut problem: impl FnMut(JoinProblem),
) {
    let mut reached = 0u64;
    let mut part = Vec::new();
    for piece in pieces {
        if piece.first_vcn > reached {
            problem(JoinProblem::Gap { from_vcn: reached, to_vcn: piece.first_vcn });
            layout.push((None, piece.first_vcn - reached));
            reached = piece.first_vcn;
        }
        let known = reached - piece.first_vcn;
        if known > 0 && piece.next_vcn > piece.first_vcn {
            problem(JoinProblem::Overlap { from_vcn: piece.first_vcn, to_vcn: reached.min(piece.next_vcn) });
        }
        if piece.next_vcn <= reached {
            continue;
        }
        part.clear();
        unpack(piece, &mut part);
        layout.extend(behind(&part, known));
        reached = piece.next_vcn;
    }
    if reached < allocated_clusters {
        problem(JoinProblem::Tail { from_vcn: reached, to_vcn: allocated_clusters });
    }
}

/// The runs without their first `clusters` clusters.
fn behind(runs: &[Run], clusters: u64) -> impl Iterator<Item = Run> {
    let mut skip = clusters;
    runs.iter().filter_map(move |&(place, count)| {
        let cut = skip.min(count);
        skip -= cut;
        let place = place.map(|lcn| crate::base::units::Lcn(lcn.0.saturating_add(cut)));
        (cut < count).then_some((place, count - cut))
    })
}

/// Unpacks a run list and fills it up with a hole to `expected` clusters where it is damaged.
pub(super) fn unpack_filled(packed: &[u8], expected: u64, out: &mut Vec<Run>) -> Result<(), runlist::RunListError> {
    let from = out.len();
    let outcome = runlist::unpack(packed, expected, out);
    if outcome.is_err() {
        let got: u64 = out[from..].iter().map(|r| r.1).sum();
        if got < expected {
            out.push((None, expected - got));
        }
    }
    outcome
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::Lcn;

    fn joined(pieces: &[(u64, u64)], allocated: u64) -> (Vec<Run>, Vec<JoinProblem>) {
        let mut arena = Arena::default();
        let empty = arena.keep(&[]);
        let list: Vec<PieceExtents> = pieces
            .iter()
            .map(|&(first_vcn, next_vcn)| PieceExtents { first_vcn, next_vcn, packed: empty, unit_log2: 0 })
            .collect();
        let (mut layout, mut problems) = (Vec::new(), Vec::new());
        // Every cluster of the file lies 100 behind its VCN.
        let unpack =
            |p: &PieceExtents, out: &mut Vec<Run>| out.push((Some(Lcn(100 + p.first_vcn)), p.next_vcn - p.first_vcn));
        join(&list, allocated, &mut layout, unpack, |p| problems.push(p));
        (layout, problems)
    }

    #[test]
    fn pieces_that_fit_gap_overlap_or_stop_short() {
        let at = |vcn: u64, count: u64| (Some(Lcn(100 + vcn)), count);
        assert_eq!(joined(&[(0, 4), (4, 9)], 9), (vec![at(0, 4), at(4, 5)], vec![]));
        let gap = JoinProblem::Gap { from_vcn: 4, to_vcn: 6 };
        assert_eq!(joined(&[(0, 4), (6, 9)], 9), (vec![at(0, 4), (None, 2), at(6, 3)], vec![gap]));
        let overlap = JoinProblem::Overlap { from_vcn: 2, to_vcn: 4 };
        assert_eq!(joined(&[(0, 4), (2, 9)], 9), (vec![at(0, 4), at(4, 5)], vec![overlap]));
        let twice = JoinProblem::Overlap { from_vcn: 0, to_vcn: 4 };
        assert_eq!(joined(&[(0, 4), (0, 4), (4, 9)], 9), (vec![at(0, 4), at(4, 5)], vec![twice]));
        let tail = JoinProblem::Tail { from_vcn: 4, to_vcn: 9 };
        assert_eq!(joined(&[(0, 4)], 9), (vec![at(0, 4)], vec![tail]));
        assert_eq!(joined(&[(0, 0)], 0), (vec![], vec![]));
        assert_eq!(
            gap.to_string() + "; " + &overlap.to_string() + "; " + &tail.to_string(),
            "no record describes its clusters 4 to 5; two records describe its clusters 2 to 3; the first was used; \
             its clusters from 4 up to its end at 9 are described nowhere"
        );
    }
}
