//! A file that is written in place and must survive a crash: what the image and the journal stand on.
//!
//! Both are written against the [`DurableFile`] trait, so that tests can put a disk under them that loses power, fills up
//! or fails. On a real disk it is a [`DiskFile`].

mod file;

pub use file::DiskFile;

use std::io;

/// A file that is read and written at positions.
///
/// What has been written can be read back at once, but survives a crash only after [`DurableFile::sync`]. Until then each
/// write may be lost, kept, kept in part, or kept while an earlier one is lost.
pub trait DurableFile: Send + Sync {
    /// Length in bytes.
    ///
    /// # Errors
    /// What the kernel says.
    fn bytes(&self) -> io::Result<u64>;

    /// Fills `buffer` from byte `at`. What lies in a hole reads as zero.
    ///
    /// # Errors
    /// What the kernel says; [`io::ErrorKind::UnexpectedEof`] when the file ends before the buffer is full.
    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()>;

    /// How many bytes from byte `at` on lie in a hole, and so read as zero; 0 where something is stored or that is not known.
    fn hole(&self, _at: u64) -> u64 {
        0
    }

    /// Writes all of `bytes` at byte `at`, lengthening the file where needed.
    ///
    /// # Errors
    /// What the kernel says; part may have been written.
    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()>;

    /// Makes `bytes` bytes from byte `at` read as zero, giving their room back where that is possible. They must lie
    /// within the file.
    ///
    /// # Errors
    /// What the kernel says; part may have been done.
    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()>;

    /// Cuts the file, or lengthens it by a hole, to `bytes` bytes.
    ///
    /// # Errors
    /// What the kernel says.
    fn set_bytes(&self, bytes: u64) -> io::Result<()>;

    /// Makes everything written so far durable, and the length with it.
    ///
    /// # Errors
    /// What the kernel says. Everything written since the last success must then be written again before a later success
    /// counts for it: the kernel reports a lost page once and forgets it.
    fn sync(&self) -> io::Result<()>;

    /// Makes sure of room for `bytes` bytes from byte `at`, where that is possible, without a change of what is read.
    ///
    /// # Errors
    /// What the kernel says, a full disk above all.
    fn reserve(&self, _at: u64, _bytes: u64) -> io::Result<()> {
        Ok(())
    }

    /// Bytes that there is still room for on the file system below, where it tells.
    fn room(&self) -> Option<u64> {
        None
    }

    /// Whether this is still the file that stands at the path it was opened by.
    ///
    /// # Errors
    /// When it was removed or replaced.
    fn check_intact(&self) -> io::Result<()> {
        Ok(())
    }
}

impl<S: DurableFile + ?Sized> DurableFile for Box<S> {
    fn bytes(&self) -> io::Result<u64> {
        (**self).bytes()
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        (**self).read_at(at, buffer)
    }

    fn hole(&self, at: u64) -> u64 {
        (**self).hole(at)
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        (**self).write_at(at, bytes)
    }

    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()> {
        (**self).write_zeros(at, bytes)
    }

    fn set_bytes(&self, bytes: u64) -> io::Result<()> {
        (**self).set_bytes(bytes)
    }

    fn sync(&self) -> io::Result<()> {
        (**self).sync()
    }

    fn reserve(&self, at: u64, bytes: u64) -> io::Result<()> {
        (**self).reserve(at, bytes)
    }

    fn room(&self) -> Option<u64> {
        (**self).room()
    }

    fn check_intact(&self) -> io::Result<()> {
        (**self).check_intact()
    }
}
