//! A Linux block device, read with direct I/O so that the kernel's read-ahead touches nothing that was not requested.

use crate::base::units::{ByteOffset, SectorSize};
use crate::source::drive_details::{Told, attribute, drive_folder, told};
use crate::source::{OpenError, ReadError, Source, SourceIdentity, SourceKind};
use std::fs::File;
use std::io::{Seek, SeekFrom};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};

pub(super) struct BlockDevice {
    file: File,
    identity: SourceIdentity,
    /// Whether it had a folder there when it was opened: in some containers none has.
    in_sysfs: bool,
    is_exclusive: bool,
}

impl BlockDevice {
    pub(super) fn new(path: &Path, file: File, is_exclusive: bool) -> Result<BlockDevice, OpenError> {
        let identity = device_identity(path, &file)?;
        let in_sysfs = sysfs_folder(&file).is_some();
        Ok(BlockDevice { file, identity, in_sysfs, is_exclusive })
    }
}

/// What an open block device says about itself, and what the kernel tells of it.
///
/// # Errors
/// [`OpenError`] when it does not tell its size or its sectors.
pub fn device_identity(path: &Path, mut file: &File) -> Result<SourceIdentity, OpenError> {
    let other = |e: rustix::io::Errno| OpenError::from_io(path, e.into());
    let bytes = file.seek(SeekFrom::End(0)).map_err(|e| OpenError::from_io(path, e))?;
    let logical = u64::from(rustix::fs::ioctl_blksszget(file).map_err(other)?);
    let physical = u64::from(rustix::fs::ioctl_blkpbszget(file).map_err(other)?);
    let logical_sector = SectorSize::new(logical).ok_or(OpenError::SectorSize { bytes: logical })?;
    let Told { model, serial, details } = sysfs_folder(file).as_deref().map(told).unwrap_or_default();
    Ok(SourceIdentity {
        path: path.to_path_buf(),
        kind: SourceKind::BlockDevice,
        bytes,
        logical_sector,
        physical_sector: SectorSize::new(physical).unwrap_or(logical_sector).max(logical_sector),
        model,
        serial,
        details,
    })
}

impl Source for BlockDevice {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        self.file.read_exact_at(buffer, start.0).map_err(ReadError::from_io)
    }

    fn is_exclusive(&self) -> bool {
        self.is_exclusive
    }

    /// A drive that is removed while it is open loses its folder in sysfs, or its size, or (SCSI) its state turns to
    /// `offline`; reads then fail with EIO like bad sectors do (Linux block layer, from memory).
    fn is_present(&self) -> bool {
        let size = (&self.file).seek(SeekFrom::End(0)).unwrap_or(0);
        if size != self.identity.bytes {
            return false;
        }
        match sysfs_folder(&self.file) {
            Some(folder) => attribute(&folder, &["device/state"]).is_none_or(|state| state != "offline"),
            None => !self.in_sysfs,
        }
    }
}

/// The device's folder in sysfs; of a partition, its whole drive's.
fn sysfs_folder(file: &File) -> Option<PathBuf> {
    let device = file.metadata().ok()?.rdev();
    drive_folder(Path::new("/sys"), rustix::fs::major(device), rustix::fs::minor(device))
}
