//! A regular file as storage.

use super::DurableFile;
use rustix::fs::{FallocateFlags, SeekFrom, fallocate, seek};
use rustix::io::Errno;
use std::fs::File;
use std::io;
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};

/// A regular file.
#[derive(Debug)]
pub struct DiskFile {
    file: File,
    /// Where it was opened; `None` when it need not stand there any more.
    path: Option<PathBuf>,
}

impl DiskFile {
    /// How much is written at once where zeros have to be written out.
    const ZEROS: [u8; 1 << 16] = [0; 1 << 16];

    /// Takes over an open file; open it for writing as well if it is to be written.
    pub fn new(file: File) -> DiskFile {
        DiskFile { file, path: None }
    }

    /// As [`DiskFile::new`], and [`DurableFile::check_intact`] makes sure that the file still stands at `path`.
    pub fn at(file: File, path: &Path) -> DiskFile {
        DiskFile { file, path: Some(path.to_path_buf()) }
    }
}

impl DurableFile for DiskFile {
    fn bytes(&self) -> io::Result<u64> {
        Ok(self.file.metadata()?.len())
    }

    fn read_at(&self, at: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.file.read_exact_at(buffer, at)
    }

    // Asking moves the file's own position, which nothing here goes by.
    fn hole(&self, at: u64) -> u64 {
        match seek(&self.file, SeekFrom::Data(at)) {
            Ok(data) => data.saturating_sub(at),
            // Behind the last data.
            Err(Errno::NXIO) => self.bytes().map_or(0, |end| end.saturating_sub(at)),
            Err(_) => 0,
        }
    }

    fn write_at(&self, at: u64, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all_at(bytes, at)
    }

    // A hole punched is right whatever stood there before, and where nothing stood it costs no room.
    fn write_zeros(&self, at: u64, bytes: u64) -> io::Result<()> {
        if bytes == 0 {
            return Ok(());
        }
        match fallocate(&self.file, FallocateFlags::PUNCH_HOLE | FallocateFlags::KEEP_SIZE, at, bytes) {
            Ok(()) => Ok(()),
            // A file system without holes, e.g. FAT.
            Err(Errno::OPNOTSUPP | Errno::NOSYS) => {
                let (mut at, mut left) = (at, bytes);
                while left > 0 {
                    let part = usize::try_from(left).map_or(Self::ZEROS.len(), |left| left.min(Self::ZEROS.len()));
                    self.file.write_all_at(&Self::ZEROS[..part], at)?;
                    (at, left) = (at + part as u64, left - part as u64);
                }
                Ok(())
            }
            Err(error) => Err(error.into()),
        }
    }

    fn set_bytes(&self, bytes: u64) -> io::Result<()> {
        self.file.set_len(bytes)
    }

    // fdatasync: the data and whatever is needed to find it again (POSIX "synchronized I/O data integrity completion"),
    // which is the length and the allocation, but not the times.
    fn sync(&self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn reserve(&self, at: u64, bytes: u64) -> io::Result<()> {
        match fallocate(&self.file, FallocateFlags::KEEP_SIZE, at, bytes) {
            // A file system that cannot.
            Ok(()) | Err(Errno::OPNOTSUPP | Errno::NOSYS) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    fn room(&self) -> Option<u64> {
        let about = rustix::fs::fstatvfs(&self.file).ok()?;
        Some(about.f_bavail.saturating_mul(about.f_frsize))
    }

    fn check_intact(&self) -> io::Result<()> {
        let Some(path) = &self.path else { return Ok(()) };
        let own = self.file.metadata()?;
        let there =
            std::fs::metadata(path).map_err(|error| io::Error::new(error.kind(), format!("{path:?}: {error}")))?;
        if (own.dev(), own.ino()) == (there.dev(), there.ino()) {
            return Ok(());
        }
        Err(io::Error::other(format!("{path:?} was removed or replaced while it was in use")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::MetadataExt;

    #[test]
    fn zeros_replace_what_was_there_and_give_its_room_back() {
        let storage = DiskFile::new(tempfile::tempfile().unwrap());
        storage.write_at(0, &[7; 300_000]).unwrap();
        storage.sync().unwrap();
        let before = storage.file.metadata().unwrap().blocks();
        storage.write_zeros(1000, 200_000).unwrap();
        storage.write_zeros(5, 0).unwrap();
        storage.sync().unwrap();
        let mut held = vec![1; 300_000];
        storage.read_at(0, &mut held).unwrap();
        assert!(held[..1000].iter().all(|&b| b == 7));
        assert!(held[1000..201_000].iter().all(|&b| b == 0));
        assert!(held[201_000..].iter().all(|&b| b == 7));
        assert_eq!(storage.bytes().unwrap(), 300_000);
        assert!(storage.file.metadata().unwrap().blocks() < before);
        let error = storage.read_at(299_999, &mut [0; 2]).unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::UnexpectedEof);
    }

    /// A mebibyte is a whole number of blocks on every file system that these files lie on.
    #[test]
    fn a_hole_is_told_up_to_the_next_data_or_the_end() {
        const MIB: u64 = 1 << 20;
        let storage = DiskFile::new(tempfile::tempfile().unwrap());
        storage.file.set_len(4 * MIB).unwrap();
        storage.write_at(2 * MIB, &[7; 4096]).unwrap();
        assert_eq!([0, MIB, 2 * MIB, 3 * MIB].map(|at| storage.hole(at)), [2 * MIB, MIB, 0, MIB]);
    }
}
