//! A Linux block device, read with direct I/O so that the kernel's read-ahead touches nothing that was not asked for.

use super::{OpenError, ReadError, Source, SourceIdentity, SourceKind};
use crate::units::{ByteOffset, SectorSize};
use std::fs::{self, File};
use std::io::{Seek, SeekFrom};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};

pub(super) struct BlockDevice {
    file: File,
    identity: SourceIdentity,
    /// Whether it had a folder there when it was opened: in some containers none has.
    in_sysfs: bool,
}

impl BlockDevice {
    pub(super) fn new(path: &Path, mut file: File) -> Result<BlockDevice, OpenError> {
        let other = |e: rustix::io::Errno| OpenError::from_io(path, e.into());
        let bytes = file.seek(SeekFrom::End(0)).map_err(|e| OpenError::from_io(path, e))?;
        let logical = u64::from(rustix::fs::ioctl_blksszget(&file).map_err(other)?);
        let physical = u64::from(rustix::fs::ioctl_blkpbszget(&file).map_err(other)?);
        let logical_sector = SectorSize::new(logical).ok_or(OpenError::SectorSize { bytes: logical })?;
        let sysfs = sysfs_folder(&file);
        let identity = SourceIdentity {
            path: path.to_path_buf(),
            kind: SourceKind::BlockDevice,
            bytes,
            logical_sector,
            physical_sector: SectorSize::new(physical).unwrap_or(logical_sector).max(logical_sector),
            model: sysfs.as_deref().and_then(|folder| attribute(folder, &["device/model", "device/name"])),
            serial: sysfs.as_deref().and_then(serial),
        };
        Ok(BlockDevice { file, identity, in_sysfs: sysfs.is_some() })
    }
}

impl Source for BlockDevice {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        self.file.read_exact_at(buffer, start.0).map_err(ReadError::from_io)
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
    let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
    let folder = fs::canonicalize(format!("/sys/dev/block/{major}:{minor}")).ok()?;
    if folder.join("partition").exists() { folder.parent().map(Path::to_path_buf) } else { Some(folder) }
}

fn attribute(folder: &Path, names: &[&str]) -> Option<String> {
    let text = names.iter().find_map(|name| fs::read_to_string(folder.join(name)).ok())?;
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

/// The serial number: a plain attribute for some transports, else SCSI's unit serial number page (VPD page 80h: a
/// four-byte header, then ASCII; SPC, from memory).
fn serial(folder: &Path) -> Option<String> {
    attribute(folder, &["device/serial", "serial"]).or_else(|| {
        let page = fs::read(folder.join("device/vpd_pg80")).ok()?;
        let text = String::from_utf8_lossy(page.get(4..)?).trim().to_owned();
        (!text.is_empty()).then_some(text)
    })
}
