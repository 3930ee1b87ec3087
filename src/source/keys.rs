//! The client's keys, in memory only.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};
use zeroize::Zeroizing;

/// The keys that were given for a drive, and which of them have opened something. Never written anywhere; wiped at the end.
#[derive(Default)]
pub struct Keys {
    list: Vec<Key>,
    /// Keys that take long to derive, by the number of what they come from and the salt.
    derived: Mutex<Derived>,
}

type Derived = BTreeMap<(usize, [u8; 16]), Zeroizing<[u8; 32]>>;

struct Key {
    content: Zeroizing<Vec<u8>>,
    has_opened: AtomicBool,
}

impl fmt::Debug for Keys {
    /// Their number, and no more.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Keys").field("count", &self.list.len()).finish_non_exhaustive()
    }
}

impl Keys {
    /// Keys as they were given: the contents of files, or what was typed.
    pub fn new(contents: impl IntoIterator<Item = Zeroizing<Vec<u8>>>) -> Keys {
        let key = |content| Key { content, has_opened: AtomicBool::new(false) };
        Keys { list: contents.into_iter().map(key).collect(), derived: Mutex::default() }
    }

    /// Whether none were given.
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }

    /// What was given, in order.
    pub fn contents(&self) -> impl Iterator<Item = &[u8]> {
        self.list.iter().map(|key| key.content.as_slice())
    }

    /// A key has opened a volume.
    pub fn note_opened(&self, index: usize) {
        if let Some(key) = self.list.get(index) {
            key.has_opened.store(true, Ordering::Relaxed);
        }
    }

    /// The numbers, from 1, of those that have opened nothing.
    pub fn of_no_use(&self) -> Vec<usize> {
        let unused = self.list.iter().enumerate().filter(|(_, key)| !key.has_opened.load(Ordering::Relaxed));
        unused.map(|(index, _)| index + 1).collect()
    }

    /// What `derive` makes of a key and a salt: once a run.
    pub fn derived(
        &self,
        index: usize,
        salt: [u8; 16],
        derive: impl FnOnce() -> Zeroizing<[u8; 32]>,
    ) -> Zeroizing<[u8; 32]> {
        // Two readings of one structure then wait for each other instead of doing it twice.
        let mut derived = self.derived.lock().unwrap_or_else(PoisonError::into_inner);
        derived.entry((index, salt)).or_insert_with(derive).clone()
    }
}
