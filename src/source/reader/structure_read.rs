//! Requests for a part of structure, and what follows when one fails.
//!
//! One bad spot is cornered: pieces from the front and from the back until one fails, then the same within that piece, down
//! to the sector. A range that fails at both ends is left, and so is what follows it ([`super::trouble`]). Nothing is read
//! sector by sector through a range, unless the limit is so high that nothing is spared.

use super::trouble::{Judgement, Worth};
use super::{Reader, bytes_of};
use crate::base::extent::{Extent, ExtentSet};
use crate::source::{Failure, RangeMark, Skip, SourceLost};

/// Sizes of pieces, in bytes: from 1 MiB to a sector in steps of 16, which keeps the failures few.
const PIECES: [u64; 2] = [64 << 10, 4 << 10];

impl Reader {
    /// Reads `extent` into `buffer` as far as it comes without much trouble. What does not is zero there, and noted; the marks say
    /// what was tried.
    pub(super) fn read_from_drive(
        &self,
        extent: Extent,
        buffer: &mut [u8],
        worth: Worth,
    ) -> Result<Vec<RangeMark>, SourceLost> {
        let before = self.state().totals.requests;
        let mut read = StructureRead { reader: self, worth, marks: Vec::new() };
        read.whole(extent, buffer)?;
        let marks = read.marks;
        let mut state = self.state();
        if state.totals.requests > before {
            let lost = state.unreadable.bytes_within(extent);
            state.outcomes.made += 1;
            state.outcomes.failed += u64::from(lost > 0);
            state.outcomes.silent_since = if lost < extent.bytes { 0 } else { state.outcomes.silent_since + 1 };
        }
        Ok(marks)
    }
}

/// Where something has failed nearby, the sectors of so many bytes are not tried one by one.
const SHORT: u64 = 4 << 10;

struct StructureRead<'r> {
    reader: &'r Reader,
    worth: Worth,
    marks: Vec<RangeMark>,
}

impl StructureRead<'_> {
    /// What has failed by itself in this run fails again; what stands around it may answer.
    fn whole(&mut self, extent: Extent, buffer: &mut [u8]) -> Result<(), SourceLost> {
        let untried: Vec<Extent> = {
            let state = self.reader.state();
            let failed = state.unreadable.intersection(extent).into_iter();
            let failed: ExtentSet = failed.flat_map(|part| state.not_read_yet.missing_from(part)).collect();
            failed.missing_from(extent)
        };
        if untried == [extent] {
            return self.beside_bad_spots(extent, buffer);
        }
        buffer.fill(0);
        for part in untried {
            self.beside_bad_spots(part, &mut buffer[bytes_of(part, extent)])?;
        }
        Ok(())
    }

    fn beside_bad_spots(&mut self, extent: Extent, buffer: &mut [u8]) -> Result<(), SourceLost> {
        let in_bad_spot = self.reader.state().trouble.bad_spot(extent);
        let Some(passed) = in_bad_spot.filter(|_| extent.bytes <= self.short()) else {
            return self.in_requests(extent, buffer);
        };
        for (part, is_bad) in [
            (Extent::between(extent.start.0, passed.start.0), false),
            (passed, true),
            (Extent::between(passed.end(), extent.end()), false),
        ] {
            let bytes = &mut buffer[bytes_of(part, extent)];
            if is_bad {
                bytes.fill(0);
                self.leave(part, Skip::Near, Failure::default());
            } else if !part.is_empty() {
                self.in_requests(part, bytes)?;
            }
        }
        Ok(())
    }

    fn in_requests(&mut self, extent: Extent, buffer: &mut [u8]) -> Result<(), SourceLost> {
        let longest = match self.worth {
            Worth::Single => None,
            Worth::Stretch => self.reader.state().trouble.longest_request(),
        };
        let Some(longest) = longest else { return self.one_request(extent, buffer) };
        for piece in extent.cut_at_multiples(longest) {
            self.one_request(piece, &mut buffer[bytes_of(piece, extent)])?;
        }
        Ok(())
    }

    fn one_request(&mut self, extent: Extent, buffer: &mut [u8]) -> Result<(), SourceLost> {
        let in_bad_spot = self.is_in_bad_spot(extent);
        let Some(failure) = self.ask(extent, buffer)? else { return Ok(()) };
        // Half of a file record is worth nothing.
        let is_record = self.worth == Worth::Single
            && extent.bytes <= 2 * self.smallest()
            && !self.reader.state().trouble.is_patient();
        if extent.bytes <= self.smallest() {
            self.unreadable(extent, failure);
        } else if is_record || (extent.bytes <= self.short() && self.is_in_bad_spot(extent)) {
            self.leave(extent, Skip::Failed, failure);
        } else if in_bad_spot {
            self.read_backward(extent, buffer, failure)?;
        } else if self.may_corner() {
            self.corner(extent, buffer, failure)?;
        } else {
            self.leave(extent, Skip::Failed, failure);
            self.reader.state().trouble.leave(extent);
        }
        Ok(())
    }

    /// Requests a range if that is allowed; gives the failure, if any. A range that is not requested is left.
    fn ask(&mut self, extent: Extent, buffer: &mut [u8]) -> Result<Option<Failure>, SourceLost> {
        let judgement = match self.reader.is_let_go() || self.reader.has_left_structure_before() {
            true => Judgement::Over,
            false => self.reader.state().trouble.may_request(extent, self.worth),
        };
        match judgement {
            Judgement::Ask => {
                let failure = self.reader.request_structure(extent, buffer)?;
                if failure.is_some() {
                    buffer.fill(0);
                }
                return Ok(failure);
            }
            Judgement::Near => self.leave(extent, Skip::Near, Failure::default()),
            // What comes next may request it as anything that is not read yet.
            Judgement::Over => self.reader.state().leave(extent),
        }
        buffer.fill(0);
        Ok(None)
    }

    fn may_corner(&self) -> bool {
        let state = self.reader.state();
        state.trouble.may_look_closer() && state.trouble.may_corner()
    }

    fn is_in_bad_spot(&self, extent: Extent) -> bool {
        self.reader.state().trouble.bad_spot(extent).is_some()
    }

    /// Longest range of which nothing is tried by itself in a bad spot, in bytes.
    fn short(&self) -> u64 {
        SHORT.max(2 * self.smallest())
    }

    /// Reads backward what follows a bad spot, until something fails.
    fn read_backward(&mut self, failed: Extent, buffer: &mut [u8], failure: Failure) -> Result<(), SourceLost> {
        let pieces: Vec<Extent> = failed.cut_at_multiples(self.smallest().max(SHORT)).collect();
        for (index, piece) in pieces.iter().enumerate().rev() {
            let bytes = &mut buffer[bytes_of(*piece, failed)];
            let may_ask = self.reader.state().trouble.may_corner();
            let failure = if may_ask { self.ask(*piece, bytes)? } else { Some(failure) };
            let Some(failure) = failure else { continue };
            for left in &pieces[..=index] {
                buffer[bytes_of(*left, failed)].fill(0);
                self.leave(*left, Skip::Near, failure);
            }
            break;
        }
        Ok(())
    }

    /// Finds the readable parts of a range that has failed, from both ends.
    fn corner(&mut self, failed: Extent, buffer: &mut [u8], failure: Failure) -> Result<(), SourceLost> {
        let smallest = self.smallest();
        let size = PIECES.into_iter().find(|size| failed.bytes > *size && *size > smallest).unwrap_or(smallest);
        // A bad physical sector then lies in one piece.
        let pieces: Vec<Extent> = failed.cut_at_multiples(size).collect();
        let part = |piece: &Extent| bytes_of(*piece, failed);
        if self.reader.state().trouble.is_patient() {
            return pieces.iter().try_for_each(|piece| self.one_request(*piece, &mut buffer[part(piece)]));
        }
        let mut first_bad = None;
        for (index, piece) in pieces.iter().enumerate() {
            if let Some(failure) = self.ask(*piece, &mut buffer[part(piece)])? {
                first_bad = Some((index, failure));
                break;
            }
        }
        // Everything has answered after all.
        let Some((first, its_failure)) = first_bad else { return Ok(()) };
        let mut last_bad = first;
        for index in (first + 1..pieces.len()).rev() {
            let piece = &pieces[index];
            if !self.reader.state().trouble.may_corner() {
                last_bad = index + 1;
                break;
            }
            if let Some(failure) = self.ask(*piece, &mut buffer[part(piece)])? {
                last_bad = index;
                self.tried(*piece, failure);
                break;
            }
        }
        let bad = pieces[first];
        if last_bad == first && bad.bytes > smallest && self.reader.state().trouble.may_corner() {
            return self.corner(bad, &mut buffer[part(&bad)], its_failure);
        }
        self.tried(bad, its_failure);
        for piece in pieces.iter().take(last_bad).skip(first + 1) {
            buffer[part(piece)].fill(0);
            self.leave(*piece, Skip::Near, failure);
        }
        if first == 0 && last_bad + 1 == pieces.len() && pieces.len() > 1 {
            self.reader.state().trouble.leave(failed);
        }
        Ok(())
    }

    /// A piece that has failed by itself.
    fn tried(&mut self, piece: Extent, failure: Failure) {
        if piece.bytes <= self.smallest() {
            self.unreadable(piece, failure);
        } else {
            self.leave(piece, Skip::Failed, failure);
        }
    }

    fn unreadable(&mut self, extent: Extent, failure: Failure) {
        self.marks.push(RangeMark::Skipped { extent, why: Skip::Failed, failure });
        let mut state = self.reader.state();
        state.unreadable.insert(extent);
        state.totals.unreadable_bytes += extent.bytes;
    }

    fn leave(&mut self, extent: Extent, why: Skip, failure: Failure) {
        self.marks.push(RangeMark::Skipped { extent, why, failure });
        let mut state = self.reader.state();
        state.leave(extent);
        state.totals.unreadable_bytes += if why == Skip::Failed { extent.bytes } else { 0 };
    }

    fn smallest(&self) -> u64 {
        self.reader.identity().physical_sector.bytes()
    }
}
