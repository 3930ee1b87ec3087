//! Opening a path as a source.

mod block_device;
mod image_file;

pub use block_device::device_identity;

use crate::base::regular_file::{self, kind_name};
use crate::base::units::SectorSize;
use crate::source::{OpenError, Source};
use block_device::BlockDevice;
use image_file::ImageFile;
use rustix::fs::OFlags;
use std::fs::File;
use std::io;
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::Path;
use std::time::Duration;

/// Opens an image file or a block device, read-only. `sector_size` is the logical sector size in bytes of an image
/// file (512 when `None`); a block device tells its own, and is opened exclusively where nothing else uses it.
///
/// # Errors
/// [`OpenError`] when there is nothing there, no permission, something else than a file or block device, no bytes,
/// or a sector size that cannot be one.
pub fn open(path: &Path, sector_size: Option<u64>) -> Result<Box<dyn Source>, OpenError> {
    let sector = match sector_size {
        Some(bytes) => SectorSize::new(bytes).ok_or(OpenError::SectorSize { bytes })?,
        None => SectorSize::S512,
    };
    let kind = std::fs::metadata(path).map_err(|e| OpenError::from_io(path, e))?.file_type();
    let source: Box<dyn Source> = if kind.is_file() {
        let file = regular_file::open(path).map_err(|e| OpenError::from_io(path, e))?;
        Box::new(ImageFile::new(path, file, sector)?)
    } else if kind.is_block_device() {
        let (file, is_exclusive) = open_device(path).map_err(|e| OpenError::from_io(path, e))?;
        Box::new(BlockDevice::new(path, file, is_exclusive)?)
    } else {
        return Err(OpenError::WrongKind { path: path.to_path_buf(), what: kind_name(kind) });
    };
    if source.identity().bytes == 0 {
        return Err(OpenError::Empty { path: path.to_path_buf() });
    }
    Ok(source)
}

/// Opens a block device, and says whether exclusively: with O_EXCL the kernel refuses while it uses the device itself, and uses it for
/// nothing as long as it is open (open(2)).
fn open_device(path: &Path) -> io::Result<(File, bool)> {
    let open = |flags: OFlags| {
        let flags = i32::try_from(flags.bits()).expect("open flags fit in 31 bits");
        File::options().read(true).custom_flags(flags).open(path)
    };
    // The system looks at a drive just attached, for a moment; what was unmounted a moment ago may not be free yet.
    for _ in 0..4 {
        match open(OFlags::DIRECT | OFlags::EXCL) {
            Err(error) if error.kind() == io::ErrorKind::ResourceBusy => std::thread::sleep(Duration::from_millis(100)),
            opened => return Ok((opened?, true)),
        }
    }
    Ok((open(OFlags::DIRECT)?, false))
}
