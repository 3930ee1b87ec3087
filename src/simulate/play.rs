//! Playing pieces in an order.

use super::curve::CurvePoint;
use super::law::Law;
use super::pieces::{Piece, Pieces};
use super::player::Player;
use super::tally::{Content, Tally};
use crate::base::extent::Extent;
use crate::drive::model::DriveModel;
use crate::survey::allocation::Class;
use serde::Serialize;

/// How pieces are read.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Way {
    /// As they are listed; those that touch and follow one another in one go.
    AsListed,
    /// As they are listed, gaps of up to so many bytes read through.
    Bridging(u64),
    /// All of the drive from front to back. The pieces must ascend.
    WholeDrive,
}

/// A class after pieces were played.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct ClassPlayed {
    /// The class.
    pub class: Class,
    /// Bytes of it that were to be read.
    pub bytes: f64,
    /// Of those, bytes that a bad region kept.
    pub lost_bytes: f64,
    /// When the last of it had been read, in seconds; `None` when some was lost.
    pub whole_after: Option<f64>,
    /// Bytes of it that are expected to be read before the drive dies.
    pub expected_bytes: f64,
    /// The same, where a byte counts only once all tables and structure that the plan reads are read as well.
    pub expected_with_structure: f64,
}

/// A pass after pieces were played.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct PassPlayed {
    /// Its number, from 1.
    pub number: u32,
    /// Its class.
    pub class: Class,
    /// The pattern it serves, for `wanted`.
    pub pattern: Option<String>,
    /// Bytes it reads.
    pub bytes: u64,
    /// When the last byte of it had been read, in seconds; `None` when some was lost. What earlier passes read of it in
    /// their gaps is counted there.
    pub whole_after: Option<f64>,
}

/// What playing came to.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Played {
    /// Time of it all, in seconds.
    pub seconds: f64,
    /// The classes of which anything was to be read.
    pub classes: Vec<ClassPlayed>,
    /// The passes.
    pub passes: Vec<PassPlayed>,
    /// Bytes read over time, on a drive that lives.
    pub curve: Vec<CurvePoint>,
}

impl Played {
    /// A class, if anything of it was to be read.
    pub fn of(&self, class: Class) -> Option<&ClassPlayed> {
        self.classes.iter().find(|played| played.class == class)
    }

    /// When a class and all before it are complete, in seconds; `None` when some of it was lost.
    pub fn prefix_after(&self, class: Class) -> Option<f64> {
        let prefix = self.classes.iter().filter(|played| played.class <= class);
        prefix.map(|played| played.whole_after).try_fold(0.0, |last: f64, after| Some(last.max(after?)))
    }
}

/// Seconds to read a whole drive front to back.
pub(super) fn whole_seconds(model: &DriveModel, drive_bytes: u64, request_bytes: u64) -> f64 {
    let mut player = Player::new(model, drive_bytes, request_bytes, None);
    let whole = Extent::between(0, drive_bytes);
    player.enter(whole);
    player.through(whole.end(), |_| {});
    player.clock
}

/// The pieces from `first` on that are read in one go: the index behind the last.
fn in_one_go(list: &[Piece], first: usize, limit: u64) -> usize {
    let mut next = first + 1;
    while let Some(piece) = list.get(next) {
        let end = list[next - 1].extent.end();
        if piece.extent.start.0.checked_sub(end).is_none_or(|gap| gap > limit) {
            break;
        }
        next += 1;
    }
    next
}

/// Plays pieces on a model.
pub fn play(pieces: &Pieces, model: &DriveModel, request_bytes: u64, law: Law, way: Way) -> Played {
    play_observed(pieces, model, request_bytes, law, way, |_, _, _| {})
}

/// As [`play`]; `observe` is told of every piece with the times at which its first and its last byte were read.
pub fn play_observed(
    pieces: &Pieces,
    model: &DriveModel,
    request_bytes: u64,
    law: Law,
    way: Way,
    mut observe: impl FnMut(&Piece, f64, f64),
) -> Played {
    let mut player = Player::new(model, pieces.drive_bytes, request_bytes, law.bad_region());
    let mut tally = Tally::new(law);
    let list = pieces.list.as_slice();
    let mut passes = vec![(0.0_f64, false); pieces.passes.len()];
    let is_structure = |piece: &Piece| !piece.is_gap() && pieces.passes[piece.pass()].class <= Class::Structure;
    let behind_structure = list.iter().rposition(is_structure).map_or(0, |last| last + 1);
    if behind_structure == 0 {
        tally.structure_read(0.0);
    }
    let mut first = 0;
    while first < list.len() {
        let behind = match way {
            Way::AsListed => in_one_go(list, first, 0),
            Way::Bridging(limit) => in_one_go(list, first, limit),
            Way::WholeDrive => list.len(),
        };
        let go = Extent::between(list[first].extent.start.0, list[behind - 1].extent.end());
        player.enter(if way == Way::WholeDrive { Extent::between(0, pieces.drive_bytes) } else { go });
        for (piece, index) in list[first..behind].iter().zip(first + 1..) {
            player.through(piece.extent.start.0, |_| {});
            let pass = &pieces.passes[piece.pass()];
            let content = if piece.is_gap() { Content::Mix(&pass.gap_mix) } else { Content::Of(pass.class) };
            let began = player.clock;
            player.through(piece.extent.end(), |span| {
                tally.add(span, content);
                if !piece.is_gap() {
                    let (until, lost) = &mut passes[piece.pass()];
                    (*until, *lost) = (span.ended, *lost | span.lost);
                }
            });
            observe(piece, began, player.clock);
            if index == behind_structure {
                tally.structure_read(player.clock);
            }
        }
        first = behind;
    }
    if way == Way::WholeDrive {
        player.through(pieces.drive_bytes, |_| {});
    }
    let classes = Class::ALL.into_iter().filter_map(|class| class_played(&tally, class)).collect();
    let whole = |(shape, (until, lost)): (&super::PassShape, (f64, bool))| PassPlayed {
        number: shape.number,
        class: shape.class,
        pattern: shape.pattern.clone(),
        bytes: shape.bytes,
        whole_after: (!lost).then_some(until),
    };
    let passes = pieces.passes.iter().zip(passes).map(whole).collect();
    Played { seconds: player.clock, classes, passes, curve: tally.curve(player.clock) }
}

fn class_played(tally: &Tally, class: Class) -> Option<ClassPlayed> {
    let at = class as usize;
    let end = tally.ends[at]?;
    Some(ClassPlayed {
        class,
        bytes: tally.read[at] + tally.lost[at],
        lost_bytes: tally.lost[at],
        whole_after: (tally.lost[at] <= 0.0).then_some(end.seconds),
        expected_bytes: tally.expected[at],
        expected_with_structure: tally.with_structure[at],
    })
}
