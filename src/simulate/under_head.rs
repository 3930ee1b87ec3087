//! A plan on a drive with a bad head: what lies under the other heads first.

use super::pieces::{PassShape, Piece, Pieces};
use super::play::Played;
use crate::base::extent::{Extent, ExtentSet};
use crate::drive::heads::{HeadFinder, HeadLoad};
use crate::source::CopyStore;
use crate::survey::allocation::Class;
use serde::Serialize;

/// What is known of a bad head.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BadHead {
    /// The places that it reads.
    pub bands: ExtentSet,
    /// What a technician is told of it.
    pub words: String,
}

impl BadHead {
    /// What the reads that left their results in a store tell of a drive of so many bytes; `None` while that is no strong
    /// evidence. `planned` are the planned extents, each with the number of its file, if it has one.
    pub fn known(
        drive_bytes: u64,
        store: &dyn CopyStore,
        planned: impl FnOnce() -> Vec<(Extent, Option<u32>)>,
    ) -> Option<BadHead> {
        let finder = HeadFinder::of_store(drive_bytes, store);
        let map = finder.map()?;
        let words = map.in_words(&HeadLoad::of(&map, planned()));
        Some(BadHead { bands: map.all_bands().into_iter().collect(), words })
    }
}

/// What a bad head means for one pass.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PassUnderHead {
    /// The pass's number.
    pub number: u32,
    /// Its class.
    pub class: Class,
    /// Its bytes under the bad head.
    pub bad_head_bytes: u64,
    /// When all of it that lies under the other heads had been read, in seconds. `None` when some of that was lost.
    pub others_whole_after: Option<f64>,
}

/// What a bad head means for a plan.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct UnderHead {
    /// What is known of the head.
    pub words: String,
    /// The passes.
    pub passes: Vec<PassUnderHead>,
}

impl Pieces {
    /// In the order of a copy that knows the bands of a bad head: what the other heads read, from `tables` to `unclaimed`; then
    /// what lies in the bands, in the same order; then the classes behind `unclaimed` in the same way. Each pass that has
    /// anything in the bands gets a second one, of the same number, behind all others in the list of passes.
    pub fn under_other_heads_first(self, bands: &ExtentSet) -> Pieces {
        let Pieces { drive_bytes, gap_bytes, mut passes, list } = self;
        let first_passes = passes.len();
        let mut second: Vec<Option<u32>> = vec![None; first_passes];
        // Two queues for what is used and two for the rest.
        let mut queues: [Vec<Piece>; 4] = Default::default();
        for piece in list {
            let shape = &passes[piece.pass()];
            let queue = if shape.class <= Class::Unclaimed { 0 } else { 2 };
            for part in bands.missing_from(piece.extent) {
                queues[queue].push(Piece::new(part, index(piece.pass()), piece.is_gap()));
            }
            for part in bands.intersection(piece.extent) {
                let moved = *second[piece.pass()].get_or_insert_with(|| {
                    let shape = PassShape { bytes: 0, ..passes[piece.pass()].clone() };
                    passes.push(shape);
                    index(passes.len() - 1)
                });
                passes[moved as usize].bytes += part.bytes;
                passes[piece.pass()].bytes -= part.bytes;
                queues[queue + 1].push(Piece::new(part, moved, piece.is_gap()));
            }
        }
        Pieces { drive_bytes, gap_bytes, passes, list: queues.into_iter().flatten().collect() }
    }
}

fn index(pass: usize) -> u32 {
    u32::try_from(pass).expect("a plan has fewer than 10 x 65536 passes, and each gets one more")
}

impl UnderHead {
    /// Of what was played; `passes` of a plan came first, those in the bands behind them.
    pub(super) fn of(words: String, played: &Played, passes: usize) -> UnderHead {
        let (first, behind) = played.passes.split_at(passes);
        let of_pass = |pass: &super::PassPlayed| PassUnderHead {
            number: pass.number,
            class: pass.class,
            bad_head_bytes: behind.iter().filter(|other| other.number == pass.number).map(|other| other.bytes).sum(),
            others_whole_after: pass.whole_after,
        };
        UnderHead { words, passes: first.iter().map(of_pass).collect() }
    }

    /// What lies under the bad head of a class, and when the rest of it was read; `None` when some of that was lost.
    pub fn of_class(&self, class: Class) -> (u64, Option<f64>) {
        let passes = self.passes.iter().filter(|pass| pass.class == class);
        let bytes = passes.clone().map(|pass| pass.bad_head_bytes).sum();
        (bytes, passes.map(|pass| pass.others_whole_after).try_fold(0.0, |last: f64, after| Some(last.max(after?))))
    }
}
