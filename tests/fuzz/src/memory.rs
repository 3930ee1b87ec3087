//! A file in memory that stays small whatever is asked of it.

use gleaner::store::durable_file::DurableFile;
use std::io;
use std::sync::{Mutex, MutexGuard};

/// More than this is not held: a file that would grow beyond it gets no room.
const MOST: u64 = 16 << 20;

/// The file.
pub struct Memory(Mutex<Vec<u8>>);

impl Memory {
    /// A file that holds `bytes`.
    pub fn new(bytes: Vec<u8>) -> Memory {
        Memory(Mutex::new(bytes))
    }

    fn lock(&self) -> MutexGuard<'_, Vec<u8>> {
        self.0.lock().expect("no panic while it is held")
    }

    /// What it holds.
    pub fn content(&self) -> Vec<u8> {
        self.lock().clone()
    }
}

fn within(at: u64, bytes: u64) -> io::Result<std::ops::Range<usize>> {
    let end = at.checked_add(bytes).filter(|end| *end <= MOST).ok_or(io::ErrorKind::StorageFull)?;
    Ok(at as usize..end as usize)
}

impl DurableFile for Memory {
    fn bytes(&self) -> io::Result<u64> {
        Ok(self.lock().len() as u64)
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        let held = self.lock();
        let range = within(at, buffer.len() as u64).map_err(|_| io::ErrorKind::UnexpectedEof)?;
        buffer.copy_from_slice(held.get(range).ok_or(io::ErrorKind::UnexpectedEof)?);
        Ok(())
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        let range = within(at, bytes.len() as u64)?;
        let mut held = self.lock();
        if held.len() < range.end {
            held.resize(range.end, 0);
        }
        held[range].copy_from_slice(bytes);
        Ok(())
    }

    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()> {
        let range = within(at, bytes)?;
        self.lock().get_mut(range).ok_or(io::ErrorKind::InvalidInput)?.fill(0);
        Ok(())
    }

    fn set_bytes(&self, bytes: u64) -> io::Result<()> {
        let range = within(0, bytes)?;
        self.lock().resize(range.end, 0);
        Ok(())
    }

    fn sync(&self) -> io::Result<()> {
        Ok(())
    }
}

/// A file that more than one holds.
#[derive(Clone)]
pub struct Shared(pub std::sync::Arc<Memory>);

impl DurableFile for Shared {
    fn bytes(&self) -> io::Result<u64> {
        self.0.bytes()
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.0.read_at(at, buffer)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.0.write_at(at, bytes)
    }

    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()> {
        self.0.write_zeros(at, bytes)
    }

    fn set_bytes(&self, bytes: u64) -> io::Result<()> {
        self.0.set_bytes(bytes)
    }

    fn sync(&self) -> io::Result<()> {
        self.0.sync()
    }
}
