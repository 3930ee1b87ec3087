//! Refusals that protect the drive: a case that lies on it, and a system that has it mounted.

use super::CaseError;
use crate::source::{SourceIdentity, SourceKind};
use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

/// A device number as the kernel writes it: major and minor.
type Device = (u32, u32);

/// Whether a mounted source is accepted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Mounted {
    /// Refuse it.
    Refuse,
    /// The user said that it must be.
    Accept,
}

fn device(number: u64) -> Device {
    (rustix::fs::major(number), rustix::fs::minor(number))
}

fn sysfs(device: Device) -> Option<PathBuf> {
    fs::canonicalize(format!("/sys/dev/block/{}:{}", device.0, device.1)).ok()
}

fn number_in(folder: &Path) -> Option<Device> {
    let text = fs::read_to_string(folder.join("dev")).ok()?;
    let (major, minor) = text.trim().split_once(':')?;
    Some((major.parse().ok()?, minor.parse().ok()?))
}

/// The device itself and all that it stands on: the disk of a partition, the parts of a volume, the device that a loop
/// device's file lies on.
fn below(start: Device) -> BTreeSet<Device> {
    let mut found = BTreeSet::new();
    let mut waiting = vec![start];
    while let Some(next) = waiting.pop() {
        if !found.insert(next) {
            continue;
        }
        let Some(folder) = sysfs(next) else { continue };
        if folder.join("partition").exists() {
            waiting.extend(folder.parent().and_then(number_in));
        }
        let parts = fs::read_dir(folder.join("slaves")).into_iter().flatten().flatten();
        waiting.extend(parts.filter_map(|entry| number_in(&entry.path())));
        let backing = fs::read_to_string(folder.join("loop/backing_file")).ok();
        waiting.extend(backing.and_then(|path| fs::metadata(path.trim()).ok()).map(|about| holder(&about)));
    }
    found
}

/// What holds the bytes of a file: the device that it lies on, or is.
fn holder(about: &fs::Metadata) -> Device {
    device(if about.file_type().is_block_device() { about.rdev() } else { about.dev() })
}

/// The devices by which the system reaches the source: itself, or all loop devices made of an image file.
fn devices_of(identity: &SourceIdentity) -> BTreeSet<Device> {
    let Ok(source) = fs::metadata(&identity.path) else { return BTreeSet::new() };
    if identity.kind == SourceKind::BlockDevice {
        return BTreeSet::from([device(source.rdev())]);
    }
    let is_made_of_it = |folder: &Path| {
        let backing = fs::read_to_string(folder.join("loop/backing_file")).ok();
        let about = backing.and_then(|path| fs::metadata(path.trim()).ok());
        about.is_some_and(|about| (about.dev(), about.ino()) == (source.dev(), source.ino()))
    };
    let all = fs::read_dir("/sys/block").into_iter().flatten().flatten().map(|entry| entry.path());
    all.filter(|folder| is_made_of_it(folder)).filter_map(|folder| number_in(&folder)).collect()
}

/// Refuses a place to write at - a case, or any file - that lies on the source.
///
/// # Errors
/// [`CaseError::OnSource`].
pub fn refuse_writing_to_source(folder: &Path, identity: &SourceIdentity) -> Result<(), CaseError> {
    let existing = folder.ancestors().find_map(|part| {
        let part = if part.as_os_str().is_empty() { Path::new(".") } else { part };
        fs::metadata(part).ok()
    });
    let Some(about) = existing else { return Ok(()) };
    let mut sources = devices_of(identity);
    // A partition as the source: a case on another partition of the same drive is still a case on the failing drive.
    let partitions = sources.iter().filter_map(|source| sysfs(*source)).filter(|f| f.join("partition").exists());
    let disks: Vec<Device> = partitions.filter_map(|folder| number_in(folder.parent()?)).collect();
    sources.extend(disks);
    if !below(device(about.dev())).is_disjoint(&sources) {
        return Err(CaseError::OnSource { folder: folder.into(), device: identity.path.display().to_string() });
    }
    Ok(())
}

/// Refuses a source that is mounted, or of which a partition is.
///
/// # Errors
/// [`CaseError::Mounted`] says where.
pub fn refuse_mounted(identity: &SourceIdentity, mounted: Mounted) -> Result<(), CaseError> {
    if mounted == Mounted::Accept {
        return Ok(());
    }
    let sources = devices_of(identity);
    let text = fs::read_to_string("/proc/self/mountinfo").unwrap_or_default();
    for (number, at) in text.lines().filter_map(mount) {
        if !below(number).is_disjoint(&sources) {
            return Err(CaseError::Mounted { path: identity.path.clone(), at });
        }
    }
    Ok(())
}

/// Device and mount point of a line: the third and fifth field (Linux Documentation/filesystems/proc.rst).
fn mount(line: &str) -> Option<(Device, String)> {
    let fields: Vec<&str> = line.split(' ').collect();
    let (major, minor) = fields.get(2)?.split_once(':')?;
    Some(((major.parse().ok()?, minor.parse().ok()?), (*fields.get(4)?).to_owned()))
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the example line of Linux Documentation/filesystems/proc.rst, 3.5 (from memory).
    #[test]
    fn a_line_of_the_mount_table() {
        let line = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue";
        assert_eq!(mount(line), Some(((98, 0), "/mnt2".to_owned())));
    }
}
