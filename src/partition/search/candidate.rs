//! A volume that a search came upon, what supports it, and which of two that overlap is believed.

use crate::base::extent::Extent;
use crate::partition::FoundBy;

/// A volume that a search came upon.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct VolumeCandidate {
    /// Where it lies, cut to the drive.
    pub(super) extent: Extent,
    /// How long it says it is, in bytes; `None` when nothing says so, and it is taken to reach up to what comes next.
    pub(super) said: Option<u64>,
    pub(super) by: FoundBy,
    /// Whether what its boot sector leads to stands there too (see [`super::boot::Landmark`]).
    pub(super) live: bool,
    /// Whether its boot sector says that it stands where it does, so that it is no image of a drive in a file.
    pub(super) in_its_place: bool,
    /// What it says it is.
    pub(super) holds: String,
    /// What supports it, as the end of a sentence.
    pub(super) evidence: String,
}

/// Which of two candidates is used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Choice {
    First,
    Second,
    Both,
}

impl VolumeCandidate {
    /// How much supports it: 1 for each of boot sector, copy, and what the boot sector leads to.
    pub(super) fn weight(&self) -> u32 {
        u32::from(self.by == FoundBy::Both) + u32::from(self.live) + 1
    }

    /// Whether two things say the same. Only then places inside it are not looked at.
    pub(super) fn is_confirmed(&self) -> bool {
        self.weight() >= 2
    }

    /// Which of two that share sectors is used.
    ///
    /// One inside another is an image of a drive in a file, so the outer one is, provided that its own start stands and
    /// a second thing supports it; but an inner one that two things support and that says it lies where it does may
    /// be what the drive was divided anew into, and then both are. Otherwise the one that more supports.
    pub(super) fn choose(first: &VolumeCandidate, second: &VolumeCandidate) -> Choice {
        if first.extent.start != second.extent.start {
            if first.extent.contains(&second.extent) {
                return nested(first, second);
            }
            if second.extent.contains(&first.extent) {
                return match nested(second, first) {
                    Choice::First => Choice::Second,
                    Choice::Second => Choice::First,
                    Choice::Both => Choice::Both,
                };
            }
        }
        match first.weight().cmp(&second.weight()) {
            std::cmp::Ordering::Greater => Choice::First,
            std::cmp::Ordering::Less => Choice::Second,
            std::cmp::Ordering::Equal => Choice::Both,
        }
    }
}

fn nested(outer: &VolumeCandidate, inner: &VolumeCandidate) -> Choice {
    let outer_stands = outer.is_confirmed() && outer.by != FoundBy::Copy;
    let inner_is_partition = inner.is_confirmed() && inner.in_its_place;
    match (outer_stands, inner_is_partition) {
        (true, true) => Choice::Both,
        (true, false) => Choice::First,
        (false, _) if inner.weight() > outer.weight() => Choice::Second,
        (false, true) => Choice::Both,
        (false, false) => Choice::First,
    }
}

/// What of the candidates is used, ascending, and each pair that could not both be right.
pub(super) fn settle(
    mut candidates: Vec<VolumeCandidate>,
) -> (Vec<VolumeCandidate>, Vec<(VolumeCandidate, VolumeCandidate, Choice)>) {
    // The heaviest first; of two alike the larger, then the earlier.
    candidates.sort_by_key(|c| {
        (c.said.is_none(), std::cmp::Reverse(c.weight()), std::cmp::Reverse(c.extent.bytes), c.extent.start)
    });
    let mut used: Vec<VolumeCandidate> = Vec::new();
    let mut disputes = Vec::new();
    for mut candidate in candidates {
        if candidate.said.is_none() {
            // Ends where the next one begins.
            let next = used.iter().map(|u| u.extent.start.0).filter(|start| *start > candidate.extent.start.0).min();
            candidate.extent =
                Extent::between(candidate.extent.start.0, next.unwrap_or(u64::MAX).min(candidate.extent.end()));
        }
        let meets = |u: &VolumeCandidate| u.extent.intersection(&candidate.extent).is_some();
        if used.iter().any(|u| meets(u) && VolumeCandidate::choose(u, &candidate) == Choice::First) {
            for winner in used.iter().filter(|u| meets(u)) {
                // One that lies inside another is only part of that one's content.
                let inside = winner.extent.contains(&candidate.extent) && winner.extent.start != candidate.extent.start;
                if !inside && VolumeCandidate::choose(winner, &candidate) == Choice::First {
                    disputes.push((winner.clone(), candidate.clone(), Choice::First));
                }
            }
            continue;
        }
        used.retain(|u| {
            if !meets(u) {
                return true;
            }
            let choice = VolumeCandidate::choose(u, &candidate);
            if choice == Choice::Both || !candidate.extent.contains(&u.extent) {
                disputes.push((u.clone(), candidate.clone(), choice));
            }
            choice != Choice::Second
        });
        used.push(candidate);
    }
    used.sort_by_key(|u| (u.extent.start, u.extent.bytes));
    (used, disputes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn candidate(start: u64, end: u64, by: FoundBy, live: bool, in_its_place: bool) -> VolumeCandidate {
        let extent = Extent::between(start, end);
        VolumeCandidate {
            extent,
            said: Some(extent.bytes),
            by,
            live,
            in_its_place,
            holds: String::new(),
            evidence: String::new(),
        }
    }

    fn used(list: &[VolumeCandidate]) -> (Vec<(u64, u64)>, usize) {
        let mut reversed = list.to_vec();
        reversed.reverse();
        let (used, disputes) = settle(list.to_vec());
        assert_eq!(used, settle(reversed).0, "the order of finding must not matter");
        (used.iter().map(|c| (c.extent.start.0, c.extent.end())).collect(), disputes.len())
    }

    // Source: the rule is this project's own; see `VolumeCandidate::choose`.
    #[test]
    fn an_image_in_a_file_is_not_a_volume_of_the_drive() {
        let outer = candidate(10, 100, FoundBy::Start, true, false);
        let image = candidate(20, 30, FoundBy::Both, true, false);
        assert_eq!(used(&[outer, image]), (vec![(10, 100)], 0));
    }

    #[test]
    fn a_left_over_boot_sector_does_not_swallow_what_came_after_it() {
        let old = candidate(10, 100, FoundBy::Start, false, true);
        let (first, second) =
            (candidate(20, 50, FoundBy::Both, true, false), candidate(50, 90, FoundBy::Both, true, false));
        assert_eq!(used(&[old, first.clone(), second.clone()]), (vec![(20, 50), (50, 90)], 2));
        // The copy of the volume that filled the drive before it was divided anew.
        let old = candidate(20, 100, FoundBy::Copy, true, true);
        assert_eq!(used(&[old, first, second]), (vec![(20, 50), (50, 90)], 2));
    }

    #[test]
    fn two_that_are_equally_likely_are_both_kept() {
        let old = candidate(10, 100, FoundBy::Both, true, true);
        let new = candidate(20, 100, FoundBy::Both, true, true);
        assert_eq!(used(&[old, new]), (vec![(10, 100), (20, 100)], 1));
        let (a, b) = (candidate(0, 60, FoundBy::Both, false, false), candidate(50, 90, FoundBy::Both, false, false));
        assert_eq!(used(&[a.clone(), b]), (vec![(0, 60), (50, 90)], 1));
        let weak = candidate(50, 90, FoundBy::Start, false, false);
        assert_eq!(used(&[a, weak]), (vec![(0, 60)], 1));
    }

    #[test]
    fn one_of_unknown_length_ends_where_the_next_begins() {
        let unknown = VolumeCandidate { said: None, ..candidate(10, 100, FoundBy::Start, false, false) };
        let next = candidate(40, 60, FoundBy::Start, false, false);
        assert_eq!(used(&[unknown, next]), (vec![(10, 40), (40, 60)], 0));
    }
}
