//! How much of each place is copied, skipped, unreadable, or still to be read: what a report and a running copy show of a drive.

use super::place_shares::Places;
use crate::base::extent::Extent;

/// For copied, skipped and unreadable the share of each place, 0 to 1.
#[derive(Clone, PartialEq, Debug)]
pub struct StateShares {
    /// In the image.
    pub copied: Vec<f64>,
    /// Will be retried.
    pub skipped: Vec<f64>,
    /// Failed at every try so far.
    pub unreadable: Vec<f64>,
}

impl StateShares {
    /// What the extents in each state take of `places`.
    pub fn of(
        places: &Places,
        copied: impl IntoIterator<Item = Extent>,
        skipped: impl IntoIterator<Item = Extent>,
        unreadable: impl IntoIterator<Item = Extent>,
    ) -> StateShares {
        StateShares {
            copied: places.shares(copied),
            skipped: places.shares(skipped),
            unreadable: places.shares(unreadable),
        }
    }

    fn known(&self) -> impl Iterator<Item = f64> {
        let parts = self.copied.iter().zip(&self.skipped).zip(&self.unreadable);
        parts.map(|((copied, skipped), unreadable)| copied + skipped + unreadable)
    }

    /// Places of which something was read or requested.
    pub fn touched(&self) -> usize {
        self.known().filter(|known| *known > 0.0).count()
    }

    /// What of each place is not read yet, nearly, where `planned` is the share that a plan reads: where a survey has read what no
    /// plan takes, it is a little more. Empty where the plan is not known.
    pub fn not_read_yet(&self, planned: &[f64]) -> Vec<f64> {
        planned.iter().zip(self.known()).map(|(planned, known)| planned - known).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_read_yet_is_planned_and_in_no_other_state() {
        let places = Places::of_size(100, 4, 400);
        let of = |start, end| [Extent::between(start, end)];
        let shares = StateShares::of(&places, of(0, 150), of(150, 175), of(300, 310));
        assert_eq!(shares.copied, [1.0, 0.5, 0.0, 0.0]);
        assert_eq!((shares.skipped[1], shares.unreadable[3], shares.touched()), (0.25, 0.1, 3));
        assert_eq!(shares.not_read_yet(&[1.0, 1.0, 0.5, 0.1]), [0.0, 0.25, 0.5, 0.0]);
        assert!(shares.not_read_yet(&[]).is_empty());
    }
}
