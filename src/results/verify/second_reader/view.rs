//! A volume of the copy as other readers want it: something to read and seek in, bounded to the volume, that refuses
//! every write.

use crate::base::extent::Extent;
use crate::source::CopyStore;
use std::cell::RefCell;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::rc::Rc;

/// Bytes kept together: the other readers ask for a few bytes at a time, again and again.
const BLOCK: u64 = 64 << 10;
/// Blocks kept, each at a place given by its number.
const BLOCKS: usize = 64;

/// What happened to a view so far.
#[derive(Clone, Copy, Default, Debug)]
pub(super) struct Seen {
    /// Writes that were refused.
    pub refused_writes: u64,
    /// Bytes that were requested and are not in the copy; they were given as zeros.
    pub absent_bytes: u64,
    /// Bytes asked for in all.
    pub asked_bytes: u64,
}

struct Block {
    number: u64,
    bytes: Vec<u8>,
    /// Whether all of it is held.
    whole: bool,
}

struct Shared<'s> {
    store: &'s dyn CopyStore,
    volume: Extent,
    blocks: Vec<Option<Block>>,
    seen: Seen,
    /// Beyond this many bytes asked for in all, reading fails: a reader that runs in a circle is stopped by it.
    most_bytes: u64,
}

/// A view; its clones share what they keep and what they have seen.
#[derive(Clone)]
pub(super) struct View<'s> {
    shared: Rc<RefCell<Shared<'s>>>,
    at: u64,
}

impl<'s> View<'s> {
    /// The volume at `volume` of what `store` holds. Nothing can be read before [`View::allow`].
    pub(super) fn new(store: &'s dyn CopyStore, volume: Extent) -> View<'s> {
        let blocks = (0..BLOCKS).map(|_| None).collect();
        let shared = Shared { store, volume, blocks, seen: Seen::default(), most_bytes: 0 };
        View { shared: Rc::new(RefCell::new(shared)), at: 0 }
    }

    /// Lets `bytes` more bytes be requested from now on, and then no more.
    pub(super) fn allow(&self, bytes: u64) {
        let mut shared = self.shared.borrow_mut();
        shared.most_bytes = shared.seen.asked_bytes.saturating_add(bytes);
    }

    /// What was asked of it so far.
    pub(super) fn seen(&self) -> Seen {
        self.shared.borrow().seen
    }
}

impl Shared<'_> {
    /// Bytes from `at` on, up to the end of their block.
    fn read(&mut self, at: u64, buffer: &mut [u8]) -> io::Result<usize> {
        let number = at / BLOCK;
        let slot = usize::try_from(number % BLOCKS as u64).expect("fewer than the blocks kept");
        if self.blocks[slot].as_ref().is_none_or(|block| block.number != number) {
            let spare = self.blocks[slot].take().map(|block| block.bytes).unwrap_or_default();
            self.blocks[slot] = Some(self.load(number, spare)?);
        }
        let block = self.blocks[slot].as_ref().expect("loaded just now");
        let from = index(at % BLOCK);
        let count = buffer.len().min(block.bytes.len() - from);
        buffer[..count].copy_from_slice(&block.bytes[from..from + count]);
        let whole = block.whole;
        self.seen.asked_bytes += count as u64;
        if !whole {
            let start = self.volume.start.0 + at;
            let asked = Extent::between(start, start + count as u64);
            let held: u64 = self.store.held(asked).iter().map(|e| e.bytes).sum();
            self.seen.absent_bytes += asked.bytes - held;
        }
        if self.seen.asked_bytes > self.most_bytes {
            return Err(io::Error::other("it asks for far more than this can take, as if it ran in a circle"));
        }
        Ok(count)
    }

    fn load(&self, number: u64, mut bytes: Vec<u8>) -> io::Result<Block> {
        let start = self.volume.start.0 + number * BLOCK;
        let place = Extent::between(start, (start + BLOCK).min(self.volume.end()));
        bytes.clear();
        bytes.resize(index(place.bytes), 0);
        let held = self.store.held(place);
        for part in &held {
            let from = index(part.start.0 - place.start.0);
            self.store.load(*part, &mut bytes[from..from + index(part.bytes)])?;
        }
        let whole = held == [place];
        Ok(Block { number, bytes, whole })
    }
}

impl Read for View<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut shared = self.shared.borrow_mut();
        if buffer.is_empty() || self.at >= shared.volume.bytes {
            return Ok(0);
        }
        let count = shared.read(self.at, buffer)?;
        drop(shared);
        self.at += count as u64;
        Ok(count)
    }
}

impl Seek for View<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let target = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => self.shared.borrow().volume.bytes.checked_add_signed(by),
        };
        self.at = target.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
        Ok(self.at)
    }
}

impl Write for View<'_> {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        self.shared.borrow_mut().seen.refused_writes += 1;
        Err(io::Error::new(io::ErrorKind::PermissionDenied, "the copy is never written"))
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn index(at: u64) -> usize {
    usize::try_from(at).expect("inside a block")
}
