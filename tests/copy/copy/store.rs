//! A store in memory that checks what it is given, knows what is durable, and can refuse.

use super::scripted::fill;
use gleaner::base::clock::Clock;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::source::{CopyStore, RangeMark, Skip};
use std::collections::BTreeMap;
use std::io;
use std::sync::{Mutex, MutexGuard};
use std::time::Duration;

#[derive(Clone, Default, PartialEq, Eq, Debug)]
pub struct Places {
    pub held: ExtentSet,
    pub deferred: ExtentSet,
    pub given_up: ExtentSet,
    /// Of the deferred ones, those that may have stopped the drive.
    pub suspects: ExtentSet,
    /// Of the deferred ones, requests that failed.
    pub failed: ExtentSet,
}

#[derive(Default)]
struct State {
    now: Places,
    /// As of the last commit: what a power cut leaves.
    durable: Places,
    keeps: usize,
    commits: usize,
    refuse_from_keep: Option<usize>,
}

#[derive(Default)]
pub struct MemoryStore {
    state: Mutex<State>,
    /// Bytes as they were kept, where they need not be the drive's own.
    believed: Mutex<Option<BTreeMap<u64, Vec<u8>>>>,
    /// A clock on which its answers take time, as on a machine.
    clock: Mutex<Option<Clock>>,
}

fn without(set: &ExtentSet, extent: Extent) -> ExtentSet {
    set.extents()
        .iter()
        .flat_map(|e| {
            [
                Extent::between(e.start.0, e.end().min(extent.start.0)),
                Extent::between(e.start.0.max(extent.end()), e.end()),
            ]
        })
        .collect()
}

impl MemoryStore {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap()
    }

    pub fn held_set(&self) -> ExtentSet {
        self.state().now.held.clone()
    }

    pub fn deferred_set(&self) -> ExtentSet {
        self.state().now.deferred.clone()
    }

    pub fn given_up_set(&self) -> ExtentSet {
        self.state().now.given_up.clone()
    }

    pub fn places(&self) -> Places {
        self.state().now.clone()
    }

    pub fn is_committed(&self) -> bool {
        let state = self.state();
        state.now == state.durable
    }

    pub fn commits(&self) -> usize {
        self.state().commits
    }

    /// What is left after a power cut.
    pub fn cut_power(&self) {
        let mut state = self.state();
        state.now = state.durable.clone();
    }

    /// Takes whatever the drive gives, and gives that back.
    pub fn believe_anything(&self) {
        *self.believed.lock().unwrap() = Some(BTreeMap::new());
    }

    /// What a power cut would leave.
    pub fn durable_bytes(&self) -> u64 {
        self.state().durable.held.bytes()
    }

    /// All that is held is the drive's own.
    pub fn check_all(&self) {
        for extent in self.held_set().extents().iter().flat_map(|extent| extent.pieces(1 << 20)) {
            let mut bytes = vec![0; usize::try_from(extent.bytes).unwrap()];
            self.load(extent, &mut bytes).unwrap();
            let mut expected = bytes.clone();
            fill(extent.start.0, &mut expected);
            assert!(bytes == expected, "{extent:?} is not the drive's");
        }
    }

    /// From the keep with this number on there is no room.
    /// What it is asked takes time on this clock.
    pub fn take_time_on(&self, clock: Clock) {
        *self.clock.lock().unwrap() = Some(clock);
    }

    pub fn refuse_from_keep(&self, number: Option<usize>) {
        self.state().refuse_from_keep = number;
    }
}

impl CopyStore for MemoryStore {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        if let Some(clock) = self.clock.lock().unwrap().as_ref() {
            clock.sleep(Duration::from_micros(1));
        }
        self.state().now.held.intersection(extent)
    }

    fn skipped(&self, extent: Extent) -> Vec<Extent> {
        self.state().now.deferred.intersection(extent)
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        self.state().now.given_up.intersection(extent)
    }

    fn safe_bytes(&self) -> Option<u64> {
        Some(self.durable_bytes())
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        fill(extent.start.0, buffer);
        if let Some(believed) = self.believed.lock().unwrap().as_ref() {
            let (start, bytes) = believed.range(..=extent.start.0).next_back().expect("it is held");
            let from = usize::try_from(extent.start.0 - start).unwrap();
            buffer.copy_from_slice(&bytes[from..from + buffer.len()]);
        }
        Ok(())
    }

    fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        let state = self.state();
        let mut list: Vec<(Extent, Skip)> =
            state.now.suspects.intersection(extent).into_iter().map(|place| (place, Skip::Suspect)).collect();
        let others = state.now.deferred.intersection(extent).into_iter();
        for place in others.flat_map(|e| state.now.suspects.missing_from(e)) {
            let failed = state.now.failed.intersection(place).into_iter();
            list.extend(failed.map(|place| (place, Skip::Failed)));
            list.extend(state.now.failed.missing_from(place).into_iter().map(|place| (place, Skip::Near)));
        }
        list.sort_unstable();
        list
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        let mut expected = vec![0; bytes.len()];
        fill(extent.start.0, &mut expected);
        if let Some(believed) = self.believed.lock().unwrap().as_mut() {
            believed.insert(extent.start.0, bytes.to_vec());
        } else {
            assert!(extent.bytes == bytes.len() as u64 && bytes == expected, "wrong bytes kept at {extent:?}");
        }
        let mut state = self.state();
        state.keeps += 1;
        if state.refuse_from_keep.is_some_and(|from| state.keeps >= from) {
            return Err(io::ErrorKind::StorageFull.into());
        }
        assert_eq!(state.now.held.bytes_within(extent), 0, "{extent:?} kept twice");
        assert_eq!(state.now.given_up.bytes_within(extent), 0, "{extent:?} was given up");
        state.now.held.insert(extent);
        state.now.deferred = without(&state.now.deferred, extent);
        state.now.suspects = without(&state.now.suspects, extent);
        state.now.failed = without(&state.now.failed, extent);
        Ok(())
    }

    fn mark(&self, mark: RangeMark) -> io::Result<()> {
        let mut state = self.state();
        let now = &mut state.now;
        match mark {
            RangeMark::Skipped { extent, why, .. } => {
                for set in [&now.held, &now.given_up] {
                    assert_eq!(set.bytes_within(extent), 0, "{extent:?} skipped, but something is known of it");
                }
                now.deferred.insert(extent);
                now.suspects = without(&now.suspects, extent);
                now.failed = without(&now.failed, extent);
                if why == Skip::Failed {
                    now.failed.insert(extent);
                }
                if why == Skip::Suspect {
                    now.suspects.insert(extent);
                }
            }
            RangeMark::Unreadable { extent, .. } => {
                assert!(now.deferred.covers(extent), "{extent:?} unreadable, but it was not skipped");
                now.deferred = without(&now.deferred, extent);
                now.suspects = without(&now.suspects, extent);
                now.failed = without(&now.failed, extent);
                now.given_up.insert(extent);
            }
            RangeMark::Withdrawn { extent } => {
                assert!(now.held.covers(extent), "{extent:?} withdrawn, but it was not held");
                now.held = without(&now.held, extent);
            }
            RangeMark::Retry { extent } => {
                now.given_up = without(&now.given_up, extent);
                now.deferred.insert(extent);
            }
        }
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        let mut state = self.state();
        state.commits += 1;
        state.durable = state.now.clone();
        Ok(())
    }
}
