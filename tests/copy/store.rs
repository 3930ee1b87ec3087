//! A store in memory that checks what it is given, knows what is durable, and can refuse.

use super::scripted::fill;
use gleaner::extent::{Extent, ExtentSet};
use gleaner::source::Store;
use std::io;
use std::sync::{Mutex, MutexGuard};

#[derive(Clone, Default, PartialEq, Eq, Debug)]
pub struct Places {
    pub held: ExtentSet,
    pub deferred: ExtentSet,
    pub given_up: ExtentSet,
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

    /// From the keep with this number on there is no room.
    pub fn refuse_from_keep(&self, number: Option<usize>) {
        self.state().refuse_from_keep = number;
    }
}

impl Store for MemoryStore {
    fn held(&self, extent: Extent) -> Vec<Extent> {
        self.state().now.held.intersection(extent)
    }

    fn deferred(&self, extent: Extent) -> Vec<Extent> {
        self.state().now.deferred.intersection(extent)
    }

    fn given_up(&self, extent: Extent) -> Vec<Extent> {
        self.state().now.given_up.intersection(extent)
    }

    fn load(&self, _: Extent, _: &mut [u8]) -> io::Result<()> {
        unreachable!("copying never reads back")
    }

    fn keep(&self, extent: Extent, bytes: &[u8]) -> io::Result<()> {
        let mut expected = vec![0; bytes.len()];
        fill(extent.start.0, &mut expected);
        assert!(extent.bytes == bytes.len() as u64 && bytes == expected, "wrong bytes kept at {extent:?}");
        let mut state = self.state();
        state.keeps += 1;
        if state.refuse_from_keep.is_some_and(|from| state.keeps >= from) {
            return Err(io::ErrorKind::StorageFull.into());
        }
        assert_eq!(state.now.held.bytes_within(extent), 0, "{extent:?} kept twice");
        assert_eq!(state.now.given_up.bytes_within(extent), 0, "{extent:?} was given up");
        state.now.held.insert(extent);
        state.now.deferred = without(&state.now.deferred, extent);
        Ok(())
    }

    fn defer(&self, extent: Extent) -> io::Result<()> {
        let mut state = self.state();
        let known = [&state.now.held, &state.now.deferred, &state.now.given_up];
        assert!(known.iter().all(|set| set.bytes_within(extent) == 0), "{extent:?} deferred, but it does not wait");
        state.now.deferred.insert(extent);
        Ok(())
    }

    fn give_up(&self, extent: Extent) -> io::Result<()> {
        let mut state = self.state();
        assert!(state.now.deferred.covers(extent), "{extent:?} given up, but it was not deferred");
        state.now.deferred = without(&state.now.deferred, extent);
        state.now.given_up.insert(extent);
        Ok(())
    }

    fn commit(&self) -> io::Result<()> {
        let mut state = self.state();
        state.commits += 1;
        state.durable = state.now.clone();
        Ok(())
    }
}
