//! Storage that refuses to go on after the first failure to write.

use super::Storage;
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};

/// Storage that refuses every write and sync after the first that failed.
///
/// After a failed sync nobody knows which writes are on the disk, and a second sync may report success although the
/// first one's pages are lost. So the only sound way on is to stop, and to begin again from what the journal says.
pub struct Cautious {
    storage: Box<dyn Storage>,
    failed: AtomicBool,
}

impl Cautious {
    /// Watches over `storage`.
    pub fn new(storage: Box<dyn Storage>) -> Cautious {
        Cautious { storage, failed: AtomicBool::new(false) }
    }

    fn change<T>(&self, change: impl FnOnce(&dyn Storage) -> io::Result<T>) -> io::Result<T> {
        if self.failed.load(Ordering::SeqCst) {
            return Err(io::Error::other(
                "an earlier write failed, so nothing more is written; begin again from the journal",
            ));
        }
        change(self.storage.as_ref()).inspect_err(|_| self.failed.store(true, Ordering::SeqCst))
    }
}

impl Storage for Cautious {
    fn bytes(&self) -> io::Result<u64> {
        self.storage.bytes()
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.storage.read_at(at, buffer)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.change(|storage| storage.write_at(at, bytes))
    }

    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()> {
        self.change(|storage| storage.write_zeros(at, bytes))
    }

    fn set_bytes(&self, bytes: u64) -> io::Result<()> {
        self.change(|storage| storage.set_bytes(bytes))
    }

    // The check is repeated behind the sync: a write that failed on another thread meanwhile must not be taken for safe.
    fn sync(&self) -> io::Result<()> {
        self.change(|storage| storage.sync())?;
        self.change(|_| Ok(()))
    }
}
