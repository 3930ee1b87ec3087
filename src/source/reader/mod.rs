//! The one layer every read of a source passes through, and is counted and recorded in.
//!
//! - Structure ([`Reader::read`], [`Reader::stream`]) is read in whole sectors. Small reads are kept, and what a store holds comes
//!   from there. A byte that was streamed without a store, or has failed with others, may be requested again:
//!   [`ReadTotals::repeated_bytes`] counts what arrived twice.
//! - [`Reader::attempt`] (copying) makes the request that it is given, as often as it is given it. Its caller sees to it that
//!   nothing is read twice.
//! - [`Reader::look_again`] is meant to read a byte twice.

mod request;
mod stream;
mod structure_read;
mod trace;
mod trouble;
mod window;

pub use request::{Attempt, ReadTotals};
pub use stream::StreamBlock;
pub use trace::Trace;
pub use trouble::{LeftOff, TroubleLimit};
pub use window::Window;

use crate::base::clock::Clock;
use crate::base::extent::{Extent, ExtentSet};
use crate::source::{AlignedBuffer, CopyStore, Keys, Source, SourceIdentity, SourceLost};
use serde::Serialize;
use std::collections::BTreeMap;
use std::ops::{Bound, Range};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard};
use trouble::{Trouble, Worth};

/// Bytes that were requested, with the ranges that could not be read (those bytes are zero).
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Block {
    /// Where the bytes lie on the drive.
    pub extent: Extent,
    /// The bytes, as many as the extent has.
    pub bytes: Vec<u8>,
    /// What of the extent could not be read.
    pub unreadable: ExtentSet,
}

impl Block {
    /// The bytes, or `None` when any of them could not be read.
    pub fn whole(&self) -> Option<&[u8]> {
        self.unreadable.is_empty().then_some(&self.bytes)
    }

    /// Whether all of `part` (an extent of the drive within this block) was read.
    pub fn has_read(&self, part: Extent) -> bool {
        self.unreadable.bytes_within(part) == 0
    }
}

/// How the reads went that were made, each with all requests that it took.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct ReadOutcomes {
    /// Reads for which the drive was needed.
    pub made: u64,
    /// Those of them of which something did not arrive.
    pub failed: u64,
    /// Those of them that nothing has arrived after: 0 when the last read brought anything.
    pub silent_since: u64,
}

/// What is being read at the moment, for a progress bar.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Activity {
    /// What is being read, in a few words.
    pub what: &'static str,
    /// Bytes announced so far, since the start.
    pub announced_bytes: u64,
}

struct State {
    totals: ReadTotals,
    asked: ExtentSet,
    kept: BTreeMap<u64, Arc<Vec<u8>>>,
    /// What could not be read, or was skipped, when it was requested last.
    unreadable: ExtentSet,
    /// What the callers of [`Reader::read`] wanted since then, wherever it came from.
    looked_at: ExtentSet,
    trouble: Trouble,
    /// What of `unreadable` is only not read yet.
    not_read_yet: ExtentSet,
    outcomes: ReadOutcomes,
    trace: Option<Trace>,
    activity: Activity,
}

impl State {
    /// A range is not read, and nothing says that it cannot be.
    fn leave(&mut self, extent: Extent) {
        self.unreadable.insert(extent);
        self.not_read_yet.insert(extent);
    }
}

/// Reads a source; see the module.
pub struct Reader {
    source: Box<dyn Source>,
    clock: Clock,
    store: Option<Arc<dyn CopyStore>>,
    keys: Arc<Keys>,
    stop: Arc<AtomicBool>,
    answers_when_stopped: bool,
    state: Mutex<State>,
}

impl Reader {
    /// Reads `source`, recording every request in `trace` if given.
    pub fn new(source: Box<dyn Source>, trace: Option<Trace>) -> Reader {
        let state = State {
            totals: ReadTotals::default(),
            asked: ExtentSet::new(),
            kept: BTreeMap::new(),
            unreadable: ExtentSet::new(),
            looked_at: ExtentSet::new(),
            trouble: Trouble::new(TroubleLimit::default()),
            not_read_yet: ExtentSet::new(),
            outcomes: ReadOutcomes::default(),
            trace,
            activity: Activity::default(),
        };
        Reader {
            clock: source.clock(),
            source,
            store: None,
            keys: Arc::default(),
            stop: Arc::default(),
            answers_when_stopped: false,
            state: Mutex::new(state),
        }
    }

    /// Keeps all that arrives in `store`, and takes from there what it holds already: the drive gives nothing twice.
    #[must_use]
    pub fn with_store(mut self, store: Arc<dyn CopyStore>) -> Reader {
        self.store = Some(store);
        self
    }

    /// Opens encrypted volumes with `keys`.
    #[must_use]
    pub fn with_keys(mut self, keys: Arc<Keys>) -> Reader {
        self.keys = keys;
        self
    }

    /// The client's keys.
    pub fn keys(&self) -> &Arc<Keys> {
        &self.keys
    }

    /// The store, if it has one.
    pub fn store(&self) -> Option<&dyn CopyStore> {
        self.store.as_deref()
    }

    /// Set when nothing more is to be read.
    pub fn stop(&self) -> &AtomicBool {
        &self.stop
    }

    /// Reads nothing more once `stop` is set: every request then gives [`SourceLost::Stopped`].
    #[must_use]
    pub fn with_stop(mut self, stop: Arc<AtomicBool>) -> Reader {
        self.stop = stop;
        self
    }

    /// Once it is stopped, the structure that is not read yet counts as that, and the reading ends with what there is, not with
    /// [`SourceLost::Stopped`].
    #[must_use]
    pub fn answering_when_stopped(mut self) -> Reader {
        self.answers_when_stopped = true;
        self
    }

    /// Leaves the structure when it has cost so much trouble.
    #[must_use]
    pub fn with_trouble_limit(self, limit: TroubleLimit) -> Reader {
        self.state().trouble = Trouble::new(limit);
        self
    }

    /// What is read next may cost `share` of `of` parts of the failures that the structure may still cost.
    pub fn share_trouble(&self, share: u64, of: u64) {
        self.state().trouble.share(share, of);
    }

    /// The structure is read: what follows may cost all failures that are left.
    pub fn end_shares(&self) {
        self.state().trouble.end_shares();
    }

    fn has_left_structure_before(&self) -> bool {
        self.source.left_structure_before()
    }

    /// Whether a search may as well end: no more requests are made.
    pub fn asks_no_more(&self) -> bool {
        self.is_let_go() || self.state().trouble.is_used_up()
    }

    /// Whether no more requests may fail, or the reading was stopped.
    pub fn has_left_off(&self) -> bool {
        self.is_let_go() || self.state().trouble.is_over()
    }

    /// Why some of the structure was left, when some was.
    pub fn left_off(&self) -> Option<LeftOff> {
        let state = self.state();
        match self.is_let_go() {
            true => Some(LeftOff::Stopped),
            false if state.trouble.has_left() => Some(LeftOff::TroubleLimit),
            false => (self.has_left_structure_before() && !state.not_read_yet.is_empty()).then_some(LeftOff::Before),
        }
    }

    /// Requests for structure that failed or were slow.
    pub fn troubles(&self) -> u64 {
        self.state().trouble.failures()
    }

    /// Whether it was stopped and answers with what it has.
    pub fn is_let_go(&self) -> bool {
        self.answers_when_stopped && self.stop.load(Ordering::Relaxed)
    }

    /// Whether it was asked to read nothing more.
    pub fn is_asked_to_stop(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    fn check_stop(&self) -> Result<(), SourceLost> {
        if self.is_asked_to_stop() { Err(SourceLost::Stopped) } else { Ok(()) }
    }

    /// Goes on with another source for the same drive; store, trace and counts stay.
    #[must_use]
    pub fn with_source(mut self, source: Box<dyn Source>) -> Reader {
        self.clock = source.clock();
        self.source = source;
        self
    }

    /// What the source says about itself.
    pub fn identity(&self) -> &SourceIdentity {
        self.source.identity()
    }

    /// The clock on which reads take time.
    pub fn clock(&self) -> &Clock {
        &self.clock
    }

    /// What was requested of the source so far.
    pub fn totals(&self) -> ReadTotals {
        self.state().totals
    }

    /// Lets go of what is kept and of what is known to be unreadable, so that structure is parsed anew from what the
    /// store holds by now. Without a store the drive would have to give it again.
    pub fn forget(&self) {
        let mut state = self.state();
        state.kept.clear();
        state.unreadable = ExtentSet::new();
        state.looked_at = ExtentSet::new();
        state.trouble = Trouble::new(state.trouble.limit());
        state.not_read_yet = ExtentSet::new();
    }

    /// Says what is read next and how much of it, so that progress can be shown.
    pub fn announce(&self, what: &'static str, bytes: u64) {
        let mut state = self.state();
        state.activity = Activity { what, announced_bytes: state.activity.announced_bytes.saturating_add(bytes) };
    }

    /// What is being read.
    pub fn activity(&self) -> Activity {
        self.state().activity
    }

    /// What callers of [`Reader::read`] wanted and got, in whole sectors, whether it came from the drive or from the store: the same
    /// for the same structure. Begun anew by [`Reader::forget`].
    pub fn looked_at(&self) -> ExtentSet {
        let state = self.state();
        let sector = self.identity().logical_sector.bytes();
        let whole = state.looked_at.extents().iter().map(|extent| extent.aligned_to(sector));
        let whole: ExtentSet = whole.filter_map(|extent| extent.intersection(&self.identity().extent())).collect();
        whole.extents().iter().flat_map(|extent| state.unreadable.missing_from(*extent)).collect()
    }

    /// Every byte that was requested of the source so far.
    pub fn asked(&self) -> ExtentSet {
        self.state().asked.clone()
    }

    /// Whether [`Reader::read`] of `extent` would request something from the drive a second time: parts that were streamed and not
    /// kept, or that did not answer.
    pub fn would_ask_again(&self, extent: Extent) -> bool {
        let parts = self.not_kept(self.to_sectors(extent));
        let state = self.state();
        let before = |part: &Extent| state.asked.bytes_within(*part) + state.unreadable.bytes_within(*part) > 0;
        self.store.is_none() && parts.iter().any(before)
    }

    /// Every range that could not be read so far.
    pub fn unreadable(&self) -> ExtentSet {
        self.state().unreadable.clone()
    }

    /// What of [`Reader::unreadable`] is only not read yet: a case has skipped it, or it was left because of trouble, by itself or
    /// with its neighbours, or the reading was stopped.
    pub fn not_read_yet(&self) -> ExtentSet {
        self.state().not_read_yet.clone()
    }

    /// How the reads went that were made so far. Requests that [`Reader::attempt`] and [`Reader::look_again`] make are not
    /// among them.
    pub fn outcomes(&self) -> ReadOutcomes {
        self.state().outcomes
    }

    /// Writes out what the trace holds back.
    pub fn flush_trace(&self) -> Result<(), SourceLost> {
        self.state().trace.as_mut().map_or(Ok(()), Trace::flush).map_err(SourceLost::Trace)
    }

    /// Reads a small piece of structure and keeps it: reading any of it again costs the drive nothing. Meant for
    /// pieces up to some 100 KiB (tables, boot sectors, single records); large ones go through [`Reader::stream`].
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone. A range that cannot be read is not an error: see
    /// [`Block::unreadable`].
    pub fn read(&self, extent: Extent) -> Result<Block, SourceLost> {
        self.check_bounds(extent)?;
        self.state().looked_at.insert(extent);
        for missing in self.not_kept(extent) {
            let sectors = self.to_sectors(missing);
            // Alignment may reach into a kept neighbour; that part is not read again.
            for part in self.not_kept(sectors) {
                let mut buffer = AlignedBuffer::new(length(part.bytes));
                let bytes = &mut buffer.bytes_mut()[..length(part.bytes)];
                self.fetch(part, bytes, Worth::Single)?;
                self.state().kept.insert(part.start.0, Arc::new(bytes.to_vec()));
            }
        }
        let mut bytes = vec![0; length(extent.bytes)];
        self.copy_kept(extent, &mut bytes);
        Ok(Block { extent, bytes, unreadable: self.unreadable_in(extent) })
    }

    /// Fills `buffer` with `extent`, from what is kept where it is kept and else from the source, without keeping it.
    fn fill(&self, extent: Extent, buffer: &mut [u8]) -> Result<(), SourceLost> {
        self.check_bounds(extent)?;
        let missing = self.not_kept(extent);
        if missing == [extent] && self.to_sectors(extent) == extent {
            return self.fetch(extent, buffer, Worth::Stretch);
        }
        for part in missing {
            let sectors = self.to_sectors(part);
            let mut aligned = AlignedBuffer::new(length(sectors.bytes));
            self.fetch(sectors, aligned.bytes_mut(), Worth::Stretch)?;
            buffer[bytes_of(part, extent)].copy_from_slice(&aligned.bytes()[bytes_of(part, sectors)]);
        }
        self.copy_kept(extent, buffer);
        Ok(())
    }

    /// The ranges in `extent` that were requested and could not be read.
    fn unreadable_in(&self, extent: Extent) -> ExtentSet {
        self.state().unreadable.intersection(extent).into_iter().collect()
    }

    /// What of them is only not read yet.
    fn not_read_yet_in(&self, extent: Extent) -> ExtentSet {
        self.state().not_read_yet.intersection(extent).into_iter().collect()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        // A panic while holding the lock leaves only counters behind; they stay usable.
        self.state.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn check_bounds(&self, extent: Extent) -> Result<(), SourceLost> {
        let size = self.identity().bytes;
        if extent.end() > size { Err(SourceLost::BeyondEnd { extent, size }) } else { Ok(()) }
    }

    /// An image file could be read byte by byte. It is read as the drive would be: what a case holds, and what a plan is known by, is
    /// then the same.
    fn to_sectors(&self, extent: Extent) -> Extent {
        let aligned = extent.aligned_to(self.identity().logical_sector.bytes());
        Extent::between(aligned.start.0, aligned.end().min(self.identity().bytes))
    }

    fn not_kept(&self, extent: Extent) -> Vec<Extent> {
        let held =
            ExtentSet::from_iter(self.kept_in(extent).iter().map(|(at, b)| Extent::between(*at, at + b.len() as u64)));
        held.missing_from(extent)
    }

    fn kept_in(&self, extent: Extent) -> Vec<(u64, Arc<Vec<u8>>)> {
        let state = self.state();
        let before = state.kept.range((Bound::Unbounded, Bound::Excluded(extent.start.0))).next_back();
        let inside = state.kept.range(extent.start.0..extent.end());
        before
            .into_iter()
            .chain(inside)
            .filter(|(at, bytes)| *at + bytes.len() as u64 > extent.start.0)
            .map(|(at, bytes)| (*at, Arc::clone(bytes)))
            .collect()
    }

    fn copy_kept(&self, extent: Extent, buffer: &mut [u8]) {
        for (at, bytes) in self.kept_in(extent) {
            let held = Extent::between(at, at + bytes.len() as u64);
            if let Some(shared) = held.intersection(&extent) {
                buffer[bytes_of(shared, extent)].copy_from_slice(&bytes[bytes_of(shared, held)]);
            }
        }
    }

    /// Fills `buffer` with `extent`, from the store as far as it holds it, else from the drive.
    fn fetch(&self, extent: Extent, buffer: &mut [u8], worth: Worth) -> Result<(), SourceLost> {
        // What the store holds may take long as well.
        if !self.is_let_go() {
            self.check_stop()?;
        }
        let Some(store) = self.store.as_ref().filter(|_| !self.is_let_go()) else {
            self.read_from_drive(extent, buffer, worth)?;
            return Ok(());
        };
        let mut known = ExtentSet::new();
        for part in store.held(extent) {
            store.load(part, &mut buffer[bytes_of(part, extent)]).map_err(SourceLost::Store)?;
            known.insert(part);
        }
        // What was skipped is copying's to retry: parsing the same structure again must not cost the drive again.
        let skipped = store.skipped(extent);
        for part in &skipped {
            let mut state = self.state();
            // What failed in this very run was tried.
            let new = state.unreadable.missing_from(*part);
            state.not_read_yet.extend(new);
        }
        for part in store.unreadable(extent).into_iter().chain(skipped) {
            buffer[bytes_of(part, extent)].fill(0);
            self.state().unreadable.insert(part);
            known.insert(part);
        }
        for part in known.missing_from(extent) {
            let marks = self.read_from_drive(part, &mut buffer[bytes_of(part, extent)], worth)?;
            let unreadable = self.unreadable_in(part);
            for arrived in unreadable.missing_from(part) {
                store.keep(arrived, &buffer[bytes_of(arrived, extent)]).map_err(SourceLost::Store)?;
            }
            marks.into_iter().try_for_each(|mark| store.mark(mark)).map_err(SourceLost::Store)?;
        }
        Ok(())
    }
}

/// Where `part` stands in the bytes of `whole`.
pub(crate) fn bytes_of(part: Extent, whole: Extent) -> Range<usize> {
    let from = length(part.start.0 - whole.start.0);
    from..from + length(part.bytes)
}

/// A length in memory. Requests are bounded far below 2^32, so this holds on every target we build for.
pub(in crate::source) fn length(bytes: u64) -> usize {
    usize::try_from(bytes).expect("a request is far smaller than memory")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::source::MemorySource;
    use std::ops::ControlFlow;

    fn drive() -> Vec<u8> {
        (0..4u32 << 20).map(|n| (n / 512 % 251) as u8).collect()
    }

    #[test]
    fn nothing_is_requested_twice_and_everything_arrives() {
        let reader = Reader::new(Box::new(MemorySource::new(drive(), SectorSize::S512)), None);
        let kept = Extent::new(1 << 20, 1024).unwrap();
        assert_eq!(reader.read(kept).unwrap().bytes, drive()[1 << 20..(1 << 20) + 1024]);
        reader.read(Extent::new((1 << 20) + 512, 2048).unwrap()).unwrap();
        let mut arrived = Vec::new();
        let all = [Extent::new(100, 2_000_000).unwrap(), Extent::new(3 << 20, 1 << 20).unwrap()];
        reader
            .stream(&all, |block| {
                arrived.extend_from_slice(block.bytes);
                ControlFlow::Continue(())
            })
            .unwrap();
        let mut expected = drive()[100..2_000_100].to_vec();
        expected.extend_from_slice(&drive()[3 << 20..]);
        assert!(arrived == expected);
        assert_eq!(reader.totals().repeated_bytes, 0);
        // Whole sectors are read.
        assert_eq!(reader.totals().bytes, 3907 * 512 + (1 << 20));
    }

    #[test]
    fn a_bad_sector_costs_only_itself_and_is_named() {
        let bad = Extent::new(40_960 + 512, 512).unwrap();
        let source = MemorySource::new(drive(), SectorSize::S512).with_unreadable(bad);
        let reader = Reader::new(Box::new(source), None);
        let mut seen = ExtentSet::new();
        reader
            .stream(&[Extent::new(0, 2 << 20).unwrap()], |block| {
                seen = seen.extents().iter().chain(block.unreadable.extents()).copied().collect();
                let lost = block.unreadable.bytes_within(block.extent);
                assert_eq!(lost, if block.extent.start.0 == 0 { 512 } else { 0 });
                ControlFlow::Continue(())
            })
            .unwrap();
        assert_eq!(seen.extents(), [bad]);
        assert_eq!(reader.totals().unreadable_bytes, 512);
        // One request each of 1 MiB, 64 KiB, 4 KiB and 512 bytes failed.
        assert_eq!(reader.totals().failed_requests, 4);
    }

    #[test]
    fn a_stream_can_be_stopped_early() {
        let reader = Reader::new(Box::new(MemorySource::new(drive(), SectorSize::S512)), None);
        let mut blocks = 0;
        reader
            .stream(&[Extent::new(0, 4 << 20).unwrap()], |_| {
                blocks += 1;
                ControlFlow::Break(())
            })
            .unwrap();
        assert_eq!(blocks, 1);
    }
}
