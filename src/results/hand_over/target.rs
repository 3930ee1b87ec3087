//! The drive that is written: what is refused, judged on the very descriptor that was opened exclusively first.

use super::choose::choose;
use super::compare::read_place;
use super::marks::{END_BYTES, Samples, holds, marks_of, refuse_marks};
use super::{HandOverError, Refusal, last_written};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::units::ByteOffset;
use crate::case::{Case, KnownBy, refuse_source_in_case};
use crate::partition::{DriveMark, drive_marks};
use crate::source::host::Host;
use crate::source::{
    AlignedBuffer, AttachedDrive, OpenError, ReadError, Reader, Source, SourceIdentity, SourceLost, attached_drives,
    device_identity,
};
use crate::store::image::Image;
use crate::survey::allocation::{DriveMap, read_drive, tables};
use rustix::fs::{FallocateFlags, OFlags, fallocate};
use rustix::io::Errno;
use std::collections::BTreeSet;
use std::fs::{File, Metadata};
use std::io;
use std::os::unix::fs::{FileExt, FileTypeExt, MetadataExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Erased at once, in bytes.
const ZEROS: u64 = 1 << 20;

/// A drive that is this process's alone, and may be written.
pub(super) struct Target {
    device: Device,
    drive: AttachedDrive,
    zeros: AlignedBuffer,
    /// Tables and boot sectors that it held.
    pub(super) former_tables: ExtentSet,
}

/// The open device. Reads and writes go past the page cache.
struct Device {
    file: File,
    identity: SourceIdentity,
}

impl Target {
    /// Opens the drive at `path` to write the case's content to it, unless anything speaks against it. `structure` is what is known of the
    /// case's drive; with `overwrite` what the target holds may be lost. Nothing is written here.
    pub(super) fn open(
        path: &Path,
        serial: &str,
        overwrite: bool,
        case: &Case,
        structure: &DriveMap,
    ) -> Result<Target, HandOverError> {
        let refused = |why| HandOverError::Refused { path: path.to_path_buf(), why };
        let before = named(path, serial).map_err(|error| at(path, error))?.map_err(refused)?;
        let file = open_exclusively(path).map_err(|error| match error.kind() {
            io::ErrorKind::ResourceBusy => refused(Refusal::NotExclusive(error)),
            _ => at(path, error),
        })?;
        // From here on by the descriptor: another drive may have taken the name.
        let about = file.metadata().map_err(|error| at(path, error))?;
        let drive = attached(&about, serial).map_err(refused)?;
        if drive != before {
            return Err(refused(Refusal::Exchanged));
        }
        let device = Device { identity: device_identity(path, &file)?, file };
        device.refuse_other_form(case).map_err(refused)?;
        if let Some(how) = Host::look(&device.identity)?.any_use() {
            return Err(refused(Refusal::Held(how)));
        }
        refuse_source_in_case(case.folder(), &device.identity)?;
        if let Some(by @ (KnownBy::Attachment | KnownBy::Serial)) = case.file().knows(&drive) {
            return Err(refused(Refusal::KnownToCase(by.name())));
        }
        let former_tables = device.refuse_by_content(overwrite, case, structure, &refused)?;
        let zeros = AlignedBuffer::new(usize::try_from(ZEROS).expect("1 MiB"));
        let target = Target { device, drive, zeros, former_tables };
        target.check_present(serial).map_err(refused)?;
        Ok(target)
    }

    /// Refuses a drive that is not the one any more that was opened.
    fn check_present(&self, serial: &str) -> Result<(), Refusal> {
        let about = self.device.file.metadata().map_err(|_| Refusal::Exchanged)?;
        if attached(&about, serial)? == self.drive { Ok(()) } else { Err(Refusal::Exchanged) }
    }

    /// Reads a place as the drive gives it now.
    pub(super) fn read(&self, place: Extent, buffer: &mut [u8]) -> io::Result<()> {
        read_place(&self.device, place, buffer)
    }

    /// Writes bytes from memory that direct I/O accepts; behind the last of them the sector is filled with zeros.
    pub(super) fn write(&self, start: ByteOffset, bytes: &[u8]) -> Result<(), HandOverError> {
        let sector = self.sector_bytes();
        let whole = bytes.len() / sector * sector;
        let mut written = self.device.file.write_all_at(&bytes[..whole], start.0);
        if whole < bytes.len() {
            let mut last = AlignedBuffer::new(sector);
            last.bytes_mut()[..bytes.len() - whole].copy_from_slice(&bytes[whole..]);
            written = written.and_then(|()| self.device.file.write_all_at(last.bytes(), start.0 + whole as u64));
        }
        written.map_err(|error| self.failed(start, error))
    }

    /// Writes zeros over a place, out to whole sectors.
    pub(super) fn erase(&self, place: Extent) -> Result<(), HandOverError> {
        let place = place.aligned_to(self.device.identity.logical_sector.bytes());
        match fallocate(
            &self.device.file,
            FallocateFlags::ZERO_RANGE | FallocateFlags::KEEP_SIZE,
            place.start.0,
            place.bytes,
        ) {
            Ok(()) => return Ok(()),
            // Not every device can; what it cannot is written out.
            Err(Errno::OPNOTSUPP | Errno::NOSYS | Errno::INVAL) => {}
            Err(error) => return Err(self.failed(place.start, error.into())),
        }
        place.pieces(ZEROS).try_for_each(|part| {
            let zeros = &self.zeros.bytes()[..usize::try_from(part.bytes).expect("at most 1 MiB")];
            self.write(part.start, zeros)
        })
    }

    /// Makes what was written durable, as far as the drive keeps its word.
    pub(super) fn sync(&self) -> Result<(), HandOverError> {
        self.device.file.sync_all().map_err(|error| self.failed(ByteOffset(0), error))
    }

    /// Its path.
    pub(super) fn path(&self) -> PathBuf {
        self.device.identity.path.clone()
    }

    /// Its size in bytes.
    pub(super) fn bytes(&self) -> u64 {
        self.device.identity.bytes
    }

    fn sector_bytes(&self) -> usize {
        usize::try_from(self.device.identity.logical_sector.bytes()).expect("at most 64 KiB")
    }

    fn failed(&self, start: ByteOffset, error: io::Error) -> HandOverError {
        let lba = self.device.identity.logical_sector.lba_of(start).0;
        HandOverError::Write { path: self.path(), at: start.0, lba, error }
    }
}

impl Device {
    fn refuse_other_form(&self, case: &Case) -> Result<(), Refusal> {
        let source = &case.file().source;
        let sector = self.identity.logical_sector.bytes();
        if sector != source.logical_sector {
            return Err(Refusal::OtherSector { is: sector, wanted: source.logical_sector });
        }
        if self.identity.bytes < source.bytes {
            return Err(Refusal::TooSmall { is: self.identity.bytes, wanted: source.bytes });
        }
        Ok(())
    }

    /// Looks at its ends, at samples and then at its structure, so that the case's own drive is known after few reads. The places of its
    /// tables and boot sectors.
    fn refuse_by_content(
        &self,
        overwrite: bool,
        case: &Case,
        structure: &DriveMap,
        refused: &dyn Fn(Refusal) -> HandOverError,
    ) -> Result<ExtentSet, HandOverError> {
        let content = case.content();
        let read_content = |place: Extent, buffer: &mut [u8]| content.read_at(place.start, buffer);
        let own = ends(content.bytes(), read_content).map_err(|(_, error)| SourceLost::Store(error))?;
        let own = &own | &marks_of(structure);
        let read = |place: Extent, buffer: &mut [u8]| read_place(self, place, buffer);
        let cannot_tell = |place, error: String| refused(Refusal::CannotTell { place, error });
        let there = ends(self.identity.bytes, read).map_err(|(place, error)| cannot_tell(place, error.to_string()))?;
        refuse_marks(&own, &there).map_err(refused)?;
        Samples::of(case, &last_written(structure))?.refuse_same(read).map_err(refused)?;
        let reader = Reader::new(Box::new(self.again()?), None);
        let drive = read_drive(&reader)?;
        if let Some(place) = reader.unreadable().extents().first() {
            return Err(cannot_tell(*place, "a read failed".to_owned()));
        }
        refuse_marks(&own, &marks_of(&drive)).map_err(refused)?;
        match holds(&drive) {
            Some(what) if !overwrite => Err(refused(Refusal::NotEmpty(what))),
            _ => Ok(tables(&drive)),
        }
    }

    /// The same open device once more, for a reader.
    fn again(&self) -> Result<Device, HandOverError> {
        let file = self.file.try_clone().map_err(|error| at(&self.identity.path, error))?;
        Ok(Device { file, identity: self.identity.clone() })
    }
}

impl Source for Device {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        self.file.read_exact_at(buffer, start.0).map_err(ReadError::from_io)
    }
}

/// The numbers in the first and the last bytes of a drive; the place that cannot be read, if one cannot.
fn ends(
    bytes: u64,
    read: impl Fn(Extent, &mut [u8]) -> io::Result<()>,
) -> Result<BTreeSet<DriveMark>, (Extent, io::Error)> {
    let places = [Extent::between(0, END_BYTES.min(bytes)), Extent::between(bytes.saturating_sub(END_BYTES), bytes)];
    let [first, last] = places.map(|place| {
        let mut buffer = vec![0; usize::try_from(place.bytes).expect("at most 1 MiB")];
        read(place, &mut buffer).map(|()| buffer).map_err(|error| (place, error))
    });
    Ok(drive_marks(&first?, &last?, bytes))
}

fn at(path: &Path, error: io::Error) -> HandOverError {
    OpenError::Other { path: path.to_path_buf(), error }.into()
}

/// The whole drive that a path leads to, if it has the serial number.
fn named(path: &Path, serial: &str) -> io::Result<Result<AttachedDrive, Refusal>> {
    Ok(attached(&std::fs::metadata(path)?, serial))
}

fn attached(about: &Metadata, serial: &str) -> Result<AttachedDrive, Refusal> {
    if !about.file_type().is_block_device() {
        return Err(Refusal::NotADrive);
    }
    let device = (rustix::fs::major(about.rdev()), rustix::fs::minor(about.rdev()));
    choose(&attached_drives(Path::new("/sys")), device, serial)
}

/// With O_EXCL the kernel refuses a device that it uses itself, and uses it for nothing as long as it is open (open(2)).
fn open_exclusively(path: &Path) -> io::Result<File> {
    let flags = i32::try_from((OFlags::DIRECT | OFlags::EXCL).bits()).expect("open flags fit in 31 bits");
    File::options().read(true).write(true).custom_flags(flags).open(path)
}
