//! The wanted files, counted while a copy runs: what the copy keeps passes through a store that notes it.
//!
//! Which extents belong to which file stands in the structure that the case holds. It is read in the background: the drive
//! does not wait for it.

use crate::base::extent::{Extent, ExtentSet};
use crate::case::Case;
use crate::copy::reading::Event;
use crate::filesystem::ntfs::NamesOnly;
use crate::results::audit::{Snapshot, WantedCount, WantedCounter};
use crate::source::{CopyStore, Keys, RangeMark, Reader, Skip};
use crate::survey::allocation::{Class, DriveMap, Patterns, read_drive};
use std::collections::VecDeque;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// A case's store that counts what a copy brings of the wanted files.
pub(super) struct CountingStore<'s> {
    inner: &'s dyn CopyStore,
    wanted: Patterns,
    state: Mutex<State>,
    /// Set when nobody waits for the counts any more.
    given_up: Arc<AtomicBool>,
}

/// What is needed to count, apart from the drive.
pub(super) struct Sources {
    /// Over the case alone.
    reader: Reader,
    snapshot: Snapshot,
}

enum Change {
    Arrived(Extent),
    Unreadable(Extent),
}

#[derive(Default)]
struct State {
    counter: Option<WantedCounter>,
    /// Kept where files may be known by name alone: their folders' indexes arrive in the course of the copy.
    structure: Option<DriveMap>,
    /// What became of places, oldest first, as far as it is not counted yet.
    log: VecDeque<Change>,
    /// Bytes that were durable when the log began, and bytes that were counted since.
    safe_before: u64,
    counted: u64,
    /// Nobody counts: nothing is wanted, or something was taken back.
    is_off: bool,
}

impl<'s> CountingStore<'s> {
    /// The store of a case before a copy begins, with what counting needs. Nothing is counted when nothing is wanted.
    pub(super) fn new(case: &'s Case, wanted: Patterns, keys: &Arc<Keys>) -> (CountingStore<'s>, Option<Sources>) {
        let inner: &dyn CopyStore = case.store().as_ref();
        let is_off = wanted.is_empty();
        let state = State { safe_before: inner.safe_bytes().unwrap_or(0), is_off, ..State::default() };
        let sources = (!is_off).then(|| Sources {
            reader: case.reader_without_drive(keys),
            snapshot: Snapshot::of(inner, case.file().source.bytes),
        });
        (CountingStore { inner, wanted, state: Mutex::new(state), given_up: Arc::default() }, sources)
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Waits until [`CountingStore::begin`] is done, which drops what could send to `counted`; after `patience` it is given up.
    pub(super) fn wait(&self, counted: &Receiver<()>, patience: Option<Duration>) {
        let Some(patience) = patience else { return };
        let _ = counted.recv_timeout(patience);
        self.give_up();
    }

    /// Ends [`CountingStore::begin`] early, and the search for names with it. Counts that are there already stay.
    fn give_up(&self) {
        self.given_up.store(true, Ordering::Relaxed);
    }

    /// Reads the structure from the case and begins to count; what has arrived meanwhile is made up for. Structure that the case
    /// does not hold, or is not sound, only means that nothing is counted.
    pub(super) fn begin(&self, sources: Sources, planned: &ExtentSet) {
        let Some((drive, mut counter)) = self.counter(sources, planned) else {
            self.state().turn_off();
            return;
        };
        let may_have_names = drive.volumes().any(|(_, volume)| NamesOnly::can_be(volume));
        if may_have_names {
            counter.count_names(&drive, self.inner, &self.wanted, &self.given_up);
        }
        let mut state = self.state();
        if !state.is_off {
            state.counter = Some(counter);
            state.structure = may_have_names.then_some(drive);
        }
    }

    fn counter(&self, sources: Sources, planned: &ExtentSet) -> Option<(DriveMap, WantedCounter)> {
        let Sources { reader, snapshot } = sources;
        let drive = read_drive(&reader.with_stop(Arc::clone(&self.given_up))).ok()?;
        let counter = WantedCounter::new_unless(&drive, &snapshot, planned, &self.wanted, &self.given_up)?;
        Some((drive, counter))
    }

    /// Counts anew the files that only their folders name, unless it was given up.
    pub(super) fn count_names(&self) {
        if self.given_up.load(Ordering::Relaxed) {
            return;
        }
        let state = &mut *self.state();
        if let (Some(counter), Some(drive)) = (&mut state.counter, &state.structure) {
            counter.count_names(drive, self.inner, &self.wanted, &self.given_up);
        }
    }

    /// The counts, by what is durable now; `None` while they are not known.
    pub(super) fn counts(&self) -> Option<Vec<WantedCount>> {
        let state = &mut *self.state();
        let counter = state.counter.as_mut()?;
        let safe = self.inner.safe_bytes().unwrap_or(u64::MAX).saturating_sub(state.safe_before);
        while let Some(change) = state.log.front() {
            match change {
                // Claims become durable in the order in which they were made.
                Change::Arrived(extent) if state.counted + extent.bytes > safe => break,
                Change::Arrived(extent) => {
                    state.counted += extent.bytes;
                    counter.arrived(*extent);
                }
                Change::Unreadable(extent) => counter.unreadable(*extent),
            }
            state.log.pop_front();
        }
        Some(counter.counts())
    }
}

impl State {
    fn turn_off(&mut self) {
        *self = State { is_off: true, ..State::default() };
    }
}

impl CopyStore for CountingStore<'_> {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        self.inner.held(extent)
    }

    fn skipped(&self, extent: Extent) -> Vec<Extent> {
        self.inner.skipped(extent)
    }

    fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        self.inner.skips(extent)
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        self.inner.unreadable(extent)
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        self.inner.load(extent, buffer)
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        if self.state().is_off {
            return self.inner.keep(extent, bytes);
        }
        let held: ExtentSet = self.inner.held(extent).into_iter().collect();
        self.inner.keep(extent, bytes)?;
        let new = held.missing_from(extent);
        self.state().log.extend(new.into_iter().map(Change::Arrived));
        Ok(())
    }

    fn mark(&self, mark: RangeMark) -> io::Result<()> {
        self.inner.mark(mark)?;
        let mut state = self.state();
        match mark {
            RangeMark::Unreadable { extent, .. } if !state.is_off => state.log.push_back(Change::Unreadable(extent)),
            RangeMark::Skipped { .. } | RangeMark::Unreadable { .. } => {}
            // What was counted is taken back.
            _ => state.turn_off(),
        }
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        self.inner.commit()
    }

    fn safe_bytes(&self) -> Option<u64> {
        self.inner.safe_bytes()
    }

    fn room(&self) -> Option<u64> {
        self.inner.room()
    }
}

/// Seconds between two looks at the counts.
const EVERY: f64 = 1.0;

/// Bytes of patterns that are told at most, so that a line of the history stays short.
const MOST_TOLD: usize = 8 << 10;

/// Decides when the counts are told.
#[derive(Default)]
pub(super) struct WantedNews {
    class: Option<Class>,
    told: Vec<WantedCount>,
    told_at_end: Vec<WantedCount>,
    looked_at: f64,
}

impl WantedNews {
    /// What is to be told before `event`.
    pub(super) fn before(&mut self, event: &Event, store: &CountingStore<'_>) -> Option<Event> {
        match event {
            Event::PassBegun { class, .. } if self.class == Some(*class) => None,
            Event::PassBegun { class, .. } => {
                let ended = self.class.replace(*class)?;
                self.at_end_of(ended, store)
            }
            Event::StageBegun { .. } => {
                let ended = self.class.take()?;
                self.at_end_of(ended, store)
            }
            Event::Progress(progress) => {
                let since = progress.seconds - self.looked_at;
                // Each part of a copy counts its seconds from its own start.
                if (0.0..EVERY).contains(&since) {
                    return None;
                }
                self.looked_at = progress.seconds;
                let counts = shortened(store.counts()?);
                (counts != self.told).then(|| self.tell(None, counts))
            }
            _ => None,
        }
    }

    fn at_end_of(&mut self, class: Class, store: &CountingStore<'_>) -> Option<Event> {
        if class == Class::Structure {
            store.count_names();
        }
        let counts = shortened(store.counts()?);
        if counts == self.told_at_end {
            return None;
        }
        self.told_at_end.clone_from(&counts);
        Some(self.tell(Some(class), counts))
    }

    fn tell(&mut self, class: Option<Class>, patterns: Vec<WantedCount>) -> Event {
        self.told.clone_from(&patterns);
        Event::Wanted { class, patterns }
    }
}

/// The counts as far as they are told while a copy runs.
pub(super) fn shortened(mut counts: Vec<WantedCount>) -> Vec<WantedCount> {
    let mut bytes = 0;
    counts.retain(|count| {
        bytes += count.pattern.len() + 64;
        bytes <= MOST_TOLD
    });
    counts
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::{ByteOffset, SectorSize};
    use crate::source::{Failure, MemorySource, ReadError, Source, SourceIdentity};
    use crate::store::image::ImageForm;
    use std::io::Read;
    use std::sync::Barrier;
    use std::sync::atomic::AtomicU64;

    /// A store that keeps everything, and of which the test says how much is durable.
    #[derive(Default)]
    struct Slow {
        safe: AtomicU64,
    }

    impl CopyStore for Slow {
        fn held(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }

        fn skipped(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }

        fn unreadable(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }

        fn load(&self, _: Extent, _: &mut [u8]) -> io::Result<()> {
            Err(io::Error::other("nothing is kept"))
        }

        fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
            Ok(())
        }

        fn mark(&self, _: RangeMark) -> io::Result<()> {
            Ok(())
        }

        fn commit(&self) -> io::Result<()> {
            Ok(())
        }

        fn safe_bytes(&self) -> Option<u64> {
            Some(self.safe.load(Ordering::Relaxed))
        }
    }

    fn unpacked() -> Vec<u8> {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/ntfs-rich.img.zst");
        let packed = std::fs::read(path).unwrap();
        let mut image = Vec::new();
        ruzstd::decoding::StreamingDecoder::new(&packed[..]).unwrap().read_to_end(&mut image).unwrap();
        image
    }

    /// What has arrived counts when it is durable, in the order in which it arrived; what is taken back ends the counting.
    #[test]
    fn only_what_is_durable_counts_as_safe() {
        let reader = Reader::new(Box::new(MemorySource::new(unpacked(), SectorSize::S512)), None);
        let drive = read_drive(&reader).unwrap();
        let wanted = Patterns::new(&["Photos"]).unwrap();
        let inner = Slow { safe: AtomicU64::new(1000) };
        let bytes = drive.identity.bytes;
        let planned: ExtentSet = [Extent::between(0, bytes)].into_iter().collect();
        let counter = WantedCounter::new(&drive, &Snapshot::of(&inner, bytes), &planned, &wanted);
        let files = counter.counts()[0].files;
        let state = State { counter: Some(counter), safe_before: 1000, ..State::default() };
        let store = CountingStore { inner: &inner, wanted, state: Mutex::new(state), given_up: Arc::default() };
        let safe = || store.counts().unwrap()[0].safe;
        let before = safe();
        for extent in Extent::between(0, bytes).pieces(1 << 20) {
            store.keep(extent, &[]).unwrap();
        }
        assert_eq!(safe(), before, "nothing of it is durable");
        let (mut last, mut steps) = (before, 0);
        for durable in (0..=bytes).step_by(1 << 20) {
            inner.safe.store(1000 + durable, Ordering::Relaxed);
            assert!(safe() >= last, "what is durable stays so");
            steps += usize::from(safe() > last);
            last = safe();
        }
        assert!(steps > 2, "{steps}");
        inner.safe.store(1000 + bytes, Ordering::Relaxed);
        assert_eq!(safe(), files);
        let extent = Extent::between(0, 512);
        store.mark(RangeMark::Unreadable { extent, tries: 1, failure: Failure::default() }).unwrap();
        assert!(store.counts().is_some());
        store.mark(RangeMark::Withdrawn { extent }).unwrap();
        assert!(store.counts().is_none(), "what was counted was taken back");
    }

    /// A drive that meets the test at its third request, and goes on when the test does.
    struct Held {
        inner: MemorySource,
        requests: Arc<AtomicU64>,
        meeting: Arc<Barrier>,
    }

    impl Source for Held {
        fn identity(&self) -> &SourceIdentity {
            self.inner.identity()
        }

        fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
            if self.requests.fetch_add(1, Ordering::Relaxed) == 2 {
                self.meeting.wait();
                self.meeting.wait();
            }
            self.inner.read_at(start, buffer)
        }
    }

    /// What has failed, or was stopped, does not wait for the counts: of the structure nothing more is read.
    #[test]
    fn counting_ends_when_it_is_given_up() {
        let counting = |gives_up: bool| {
            let folder = tempfile::tempdir().unwrap();
            let (requests, meeting) = (Arc::<AtomicU64>::default(), Arc::new(Barrier::new(2)));
            let inner = MemorySource::new(unpacked(), SectorSize::S512);
            let case = Case::open_or_create(&folder.path().join("case"), inner.identity(), ImageForm::Raw).unwrap();
            let (store, sources) = CountingStore::new(&case, Patterns::new(&["Photos"]).unwrap(), &Arc::default());
            let drive = Held { inner, requests: Arc::clone(&requests), meeting: Arc::clone(&meeting) };
            let Sources { reader, snapshot } = sources.unwrap();
            let sources = Sources { reader: reader.with_source(Box::new(drive)), snapshot };
            std::thread::scope(|scope| {
                scope.spawn(|| store.begin(sources, &ExtentSet::new()));
                meeting.wait();
                if gives_up {
                    store.give_up();
                }
                meeting.wait();
            });
            assert_eq!(store.counts().is_none(), gives_up);
            requests.load(Ordering::Relaxed)
        };
        assert_eq!(counting(true), 3);
        assert!(counting(false) > 10, "there is more to read");
    }
}
