//! The drive's bytes as they are, in a sparse file of the drive's size.

use super::zeros::{Run, runs};
use super::{Image, ImageError, check_within};
use crate::base::units::ByteOffset;
use crate::store::durable_file::DurableFile;
use std::io;

/// A sparse file with the drive's bytes at the drive's offsets.
///
/// Long runs of zeros are made holes: that is right whatever stood there before (bytes that a crash left without a
/// claim, a fill), and takes no room.
pub struct Raw {
    storage: Box<dyn DurableFile>,
    bytes: u64,
}

impl Raw {
    /// Takes a file over; it is as long as the drive.
    ///
    /// # Errors
    /// [`ImageError::Io`]; [`ImageError::Empty`].
    pub fn open(storage: Box<dyn DurableFile>) -> Result<Raw, ImageError> {
        match storage.bytes()? {
            0 => Err(ImageError::Empty),
            bytes => Ok(Raw { storage, bytes }),
        }
    }
}

/// Makes empty storage a raw image of `bytes` bytes, all hole.
pub(super) fn lay_out(storage: &dyn DurableFile, bytes: u64) -> Result<(), ImageError> {
    storage.set_bytes(bytes).map_err(|error| match error.kind() {
        // The kernel takes a length beyond 2^63 for a negative one.
        io::ErrorKind::FileTooLarge | io::ErrorKind::InvalidInput => ImageError::FileTooLong { bytes },
        _ => ImageError::Io(error),
    })
}

/// Writes with long runs of zeros as holes.
pub(super) fn write_sparsely(storage: &dyn DurableFile, at: u64, bytes: &[u8]) -> io::Result<()> {
    for (place, run) in runs(at, bytes) {
        match run {
            Run::Data(data) => storage.write_at(place, data)?,
            Run::Zeros(zeros) => storage.write_zeros(place, zeros)?,
        }
    }
    Ok(())
}

/// Refuses a file that became shorter than `bytes`.
pub(super) fn check_length(storage: &dyn DurableFile, bytes: u64) -> io::Result<()> {
    let now = storage.bytes()?;
    if now >= bytes {
        return Ok(());
    }
    Err(io::Error::other(format!("the image was cut from {bytes} to {now} bytes while it was in use")))
}

impl Image for Raw {
    fn bytes(&self) -> u64 {
        self.bytes
    }

    fn write_at(&self, at: ByteOffset, bytes: &[u8]) -> io::Result<()> {
        check_within(at, bytes.len(), self.bytes)?;
        write_sparsely(self.storage.as_ref(), at.0, bytes)
    }

    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()> {
        check_within(at, buffer.len(), self.bytes)?;
        self.storage.read_at(at.0, buffer)
    }

    fn hole(&self, at: ByteOffset) -> u64 {
        self.storage.hole(at.0).min(self.bytes.saturating_sub(at.0))
    }

    fn sync(&self) -> io::Result<()> {
        self.storage.sync()
    }

    fn room(&self) -> Option<u64> {
        self.storage.room()
    }

    fn check_intact(&self) -> io::Result<()> {
        self.storage.check_intact()?;
        check_length(self.storage.as_ref(), self.bytes)
    }
}
