//! Run lists ("mapping pairs"): where the clusters of a stream lie, packed into a few bytes a run.
//!
//! Each run starts with a byte whose low half is the number of bytes of its length, and whose high half that of its
//! place. The length is unsigned; the place is a signed difference from the last run that had one; no place bytes
//! mean a hole; a zero byte ends the list. Source: Linux-NTFS project documentation, page "data runs"; Linux
//! fs/ntfs3/run.c.

use crate::base::units::Lcn;

/// One run: place (`None` for a hole) and number of clusters.
pub type Run = (Option<Lcn>, u64);

/// What is wrong with a run list.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RunListError {
    /// A length or place of more than 8 bytes, or a length of none.
    #[error("a run starts with byte {header:#04x}, which gives its length {} and its offset {} bytes", header & 15, header >> 4)]
    Header {
        /// The byte seen.
        header: u8,
    },
    /// The list ends in the middle of a run or without its end mark.
    #[error("it ends without its end mark")]
    Unterminated,
    /// A run of no clusters, or of more than 2^63-1.
    #[error("a run has the impossible length of {0} clusters")]
    Length(u64),
    /// A run before cluster 0 or behind 2^63-1.
    #[error("a run lies at an impossible cluster, {delta:+} from cluster {from}")]
    Place {
        /// The place of the run before.
        from: u64,
        /// The difference given.
        delta: i64,
    },
    /// The runs' lengths do not add up to what the attribute says.
    #[error("its runs cover {found} clusters where the attribute says {expected}")]
    Sum {
        /// Clusters by the attribute's first and last VCN.
        expected: u64,
        /// Clusters that the runs add up to (or more).
        found: u64,
    },
}

/// The runs of a packed list, one by one; ends after the end mark or the first error.
#[derive(Clone, Debug)]
pub struct Runs<'a> {
    packed: &'a [u8],
    place: u64,
    ended: bool,
}

impl<'a> Runs<'a> {
    /// Reads the list packed in `packed`; bytes behind its end mark are ignored.
    pub fn new(packed: &'a [u8]) -> Runs<'a> {
        Runs { packed, place: 0, ended: false }
    }

    fn step(&mut self) -> Result<Option<Run>, RunListError> {
        let (&header, rest) = self.packed.split_first().ok_or(RunListError::Unterminated)?;
        if header == 0 {
            return Ok(None);
        }
        let (length_bytes, place_bytes) = (usize::from(header & 15), usize::from(header >> 4));
        if !(1..=8).contains(&length_bytes) || place_bytes > 8 {
            return Err(RunListError::Header { header });
        }
        if rest.len() < length_bytes + place_bytes {
            return Err(RunListError::Unterminated);
        }
        let (length, rest) = rest.split_at(length_bytes);
        let (delta, rest) = rest.split_at(place_bytes);
        let count = unsigned(length);
        if count == 0 || i64::try_from(count).is_err() {
            return Err(RunListError::Length(count));
        }
        let mut run = (None, count);
        if place_bytes > 0 {
            let delta = signed(delta);
            let place = self.place.checked_add_signed(delta).filter(|at| i64::try_from(*at).is_ok());
            self.place = place.ok_or(RunListError::Place { from: self.place, delta })?;
            run.0 = Some(Lcn(self.place));
        }
        self.packed = rest;
        Ok(Some(run))
    }
}

impl Iterator for Runs<'_> {
    type Item = Result<Run, RunListError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let step = self.step().transpose();
        self.ended = !matches!(step, Some(Ok(_)));
        step
    }
}

fn unsigned(bytes: &[u8]) -> u64 {
    let mut wide = [0; 8];
    wide[..bytes.len()].copy_from_slice(bytes);
    u64::from_le_bytes(wide)
}

fn signed(bytes: &[u8]) -> i64 {
    let negative = bytes.last().is_some_and(|b| b & 0x80 != 0);
    let mut wide = [if negative { 0xFF } else { 0 }; 8];
    wide[..bytes.len()].copy_from_slice(bytes);
    i64::from_le_bytes(wide)
}

/// Appends the runs of a packed list to `out`, which must add up to `expected` clusters. On an error the runs before
/// it, at most `expected` clusters, have been appended.
///
/// # Errors
/// [`RunListError`], for the first thing that is wrong.
pub fn unpack(packed: &[u8], expected: u64, out: &mut Vec<Run>) -> Result<(), RunListError> {
    let mut found = 0u64;
    for run in Runs::new(packed) {
        let (place, count) = run?;
        let kept = count.min(expected - found);
        if kept > 0 {
            out.push((place, kept));
        }
        found += kept;
        if kept < count {
            return Err(RunListError::Sum { expected, found: found.saturating_add(count - kept) });
        }
    }
    if found == expected { Ok(()) } else { Err(RunListError::Sum { expected, found }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn runs(packed: &str) -> Vec<(Option<u64>, u64)> {
        let bytes: Vec<u8> = packed.split(' ').map(|b| u8::from_str_radix(b, 16).unwrap()).collect();
        Runs::new(&bytes).map(|run| run.unwrap()).map(|(place, count)| (place.map(|p| p.0), count)).collect()
    }

    fn error(packed: &[u8]) -> RunListError {
        Runs::new(packed).find_map(Result::err).unwrap()
    }

    /// The examples of the Linux-NTFS documentation, page "data runs". The page prints the totals and places of the
    /// second one; bytes of the others follow its rules and were decoded by a separate script.
    #[test]
    fn worked_examples() {
        assert_eq!(runs("21 18 34 56 00"), [(Some(0x5634), 24)]);
        let three = runs("31 38 73 25 34 32 14 01 E5 11 02 31 42 AA 00 03 00");
        assert_eq!(three, [(Some(0x34_2573), 0x38), (Some(0x36_3758), 0x114), (Some(0x39_3802), 0x42)]);
        assert_eq!(three.iter().map(|r| r.1).sum::<u64>(), 0x18E);
        assert_eq!(runs("11 30 60 21 10 00 01 11 20 E0 00"), [(Some(0x60), 48), (Some(0x160), 16), (Some(0x140), 32)]);
        assert_eq!(runs("11 30 20 01 60 11 10 30 00"), [(Some(0x20), 48), (None, 96), (Some(0x50), 16)]);
        let compressed = runs("11 08 40 01 08 11 10 08 11 0C 10 01 04 00");
        assert_eq!(compressed, [(Some(0x40), 8), (None, 8), (Some(0x48), 16), (Some(0x58), 12), (None, 4)]);
    }

    /// A run at cluster 0 ($Boot) has a place of zero, which is not a hole. Source: Linux fs/ntfs3/run.c, where only
    /// a place of no bytes makes a hole.
    #[test]
    fn cluster_zero_is_a_place() {
        assert_eq!(runs("11 02 00 00"), [(Some(0), 2)]);
    }

    /// The limits follow from the field widths named in the module's words.
    #[test]
    fn impossible_lists_are_refused() {
        assert_eq!(error(&[0x10, 5, 0]), RunListError::Header { header: 0x10 });
        assert_eq!(error(&[0x19, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0]), RunListError::Header { header: 0x19 });
        assert_eq!(error(&[0x91, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0]), RunListError::Header { header: 0x91 });
        assert_eq!(error(&[0x11, 0, 5, 0]), RunListError::Length(0));
        assert_eq!(error(&[0x11, 1, 0xFF, 0]), RunListError::Place { from: 0, delta: -1 });
        assert_eq!(error(&[0x11, 1]), RunListError::Unterminated);
        assert_eq!(error(&[0x11, 1, 1]), RunListError::Unterminated);
        let far = [0x81, 1, 255, 255, 255, 255, 255, 255, 255, 0x7F, 0x11, 1, 1, 0];
        assert_eq!(error(&far), RunListError::Place { from: i64::MAX as u64, delta: 1 });
        assert_eq!(error(&[0x08, 255, 255, 255, 255, 255, 255, 255, 255, 0]), RunListError::Length(u64::MAX));
        assert_eq!(
            RunListError::Header { header: 0x9A }.to_string(),
            "a run starts with byte 0x9a, which gives its length 10 and its offset 9 bytes"
        );
    }

    #[test]
    fn sums_are_checked_against_the_attribute() {
        let packed = [0x11, 4, 9, 0x11, 4, 9, 0];
        let unpacked = |expected| {
            let mut out = Vec::new();
            let result = unpack(&packed, expected, &mut out);
            (result, out.iter().map(|r| r.1).sum::<u64>())
        };
        assert_eq!(unpacked(8), (Ok(()), 8));
        assert_eq!(unpacked(9), (Err(RunListError::Sum { expected: 9, found: 8 }), 8));
        assert_eq!(unpacked(6), (Err(RunListError::Sum { expected: 6, found: 8 }), 6));
        assert_eq!(unpacked(4), (Err(RunListError::Sum { expected: 4, found: 8 }), 4));
    }
}
