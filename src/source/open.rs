//! Opening a path as a source.

use super::block_device::BlockDevice;
use super::image_file::ImageFile;
use super::{OpenError, Source};
use crate::regular_file::{kind_name, open_with};
use crate::units::SectorSize;
use rustix::fs::OFlags;
use std::fs::{File, OpenOptions};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::Path;
use std::time::Duration;

/// How long, and how often, it is waited for a device that somebody else uses: 0.3 s.
const MOMENT: Duration = Duration::from_millis(50);
const MOMENTS: u32 = 6;

/// Opens an image file or a block device, read-only. `sector_size` is the logical sector size in bytes of an image
/// file (512 when `None`); a block device tells its own, and is opened exclusively where nobody uses it.
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
    let mut options = OpenOptions::new();
    options.read(true);
    let source: Box<dyn Source> = if kind.is_file() {
        let file = open_with(&mut options, path).map_err(|e| OpenError::from_io(path, e))?;
        Box::new(ImageFile::new(path, file, sector)?)
    } else if kind.is_block_device() {
        let direct = i32::try_from(OFlags::DIRECT.bits()).expect("an open flag fits in 31 bits");
        // With O_EXCL the kernel refuses while it uses the device itself, and uses it for nothing as long as it is open (open(2)).
        let exclusive = direct | i32::try_from(OFlags::EXCL.bits()).expect("an open flag fits in 31 bits");
        let (file, is_exclusive) = match open_alone(options.custom_flags(exclusive), path) {
            Err(error) if error.kind() == std::io::ErrorKind::ResourceBusy => {
                (options.custom_flags(direct).open(path), false)
            }
            opened => (opened, true),
        };
        let file = file.map_err(|e| OpenError::from_io(path, e))?;
        Box::new(BlockDevice::new(path, file, is_exclusive)?)
    } else {
        return Err(OpenError::WrongKind { path: path.to_path_buf(), what: kind_name(kind) });
    };
    if source.identity().bytes == 0 {
        return Err(OpenError::Empty { path: path.to_path_buf() });
    }
    Ok(source)
}

/// Opens a device exclusively. Just after a drive is attached the system itself looks at it, for a moment.
fn open_alone(options: &OpenOptions, path: &Path) -> std::io::Result<File> {
    let mut opened = options.open(path);
    for _ in 0..MOMENTS {
        match &opened {
            Err(error) if error.kind() == std::io::ErrorKind::ResourceBusy => std::thread::sleep(MOMENT),
            _ => break,
        }
        opened = options.open(path);
    }
    opened
}
