//! How a drive is attached: what the kernel shows of it that changes when it is detached, exchanged or written to.

use crate::source::{SourceIdentity, SourceKind};
use serde::{Deserialize, Serialize};
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::time::{Duration, UNIX_EPOCH};

/// How the `instance` of a file begins.
const OF_FILE: &str = "file ";

/// Evidence that a drive is still the very same, unchanged. Two equal values that are known mean: neither detached nor
/// written to in between.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Attachment {
    /// Block device: the kernel's boot and the device's sequence number in it. File: its device, inode and size.
    pub instance: Option<String>,
    /// Block device: writes and discards since it was attached. File: the time of its last change.
    pub changes: Option<String>,
}

impl Attachment {
    /// What the kernel shows now.
    pub fn of(identity: &SourceIdentity) -> Attachment {
        let Ok(about) = fs::metadata(&identity.path) else { return Attachment::default() };
        match identity.kind {
            SourceKind::ImageFile => Attachment::of_file(&about),
            SourceKind::BlockDevice => Attachment::of_device(about.rdev()).unwrap_or_default(),
        }
    }

    pub(in crate::case) fn of_file(about: &fs::Metadata) -> Attachment {
        let (changed, touched) = ((about.mtime(), about.mtime_nsec()), (about.ctime(), about.ctime_nsec()));
        Attachment {
            instance: Some(format!("{OF_FILE}{}:{} of {} bytes", about.dev(), about.ino(), about.len())),
            changes: Some(format!("{}.{:09} {}.{:09}", changed.0, changed.1, touched.0, touched.1)),
        }
    }

    /// Whether a file's content was changed between this and `now`: its time of modification differs. (What else `changes`
    /// has also differs when a file is renamed.)
    pub(in crate::case) fn was_changed(&self, now: &Attachment) -> bool {
        matches!((self.modified(), now.modified()), (Some(before), Some(now)) if before != now)
    }

    /// When a file was modified, in seconds and nanoseconds since 1970; `None` for a device.
    fn modified(&self) -> Option<&str> {
        self.instance.as_ref().filter(|instance| instance.starts_with(OF_FILE))?;
        self.changes.as_ref()?.split(' ').next()
    }

    /// When a file was modified, for people.
    pub(in crate::case) fn when_changed(&self) -> String {
        let seconds = self.modified().and_then(|text| text.split('.').next()?.parse::<u64>().ok());
        let when = seconds.and_then(|seconds| UNIX_EPOCH.checked_add(Duration::from_secs(seconds)));
        when.map_or_else(|| "not known".to_owned(), crate::base::human::moment)
    }

    /// Whether the kernel told enough.
    pub fn is_known(&self) -> bool {
        self.instance.is_some() && self.changes.is_some()
    }

    /// As [`Attachment::of`], of a block device by its number. `diskseq` grows with every attachment since boot; fields 5 and 12 of
    /// `stat` count writes and discards (Linux Documentation/ABI/stable/sysfs-block and block/stat.rst; from memory).
    pub(in crate::case) fn of_device(device: u64) -> Option<Attachment> {
        let folder = format!("/sys/dev/block/{}:{}", rustix::fs::major(device), rustix::fs::minor(device));
        let folder = fs::canonicalize(folder).ok()?;
        let disk = if folder.join("partition").exists() { folder.parent()? } else { folder.as_path() };
        let read = |path: &Path| fs::read_to_string(path).ok().map(|text| text.trim().to_owned());
        let boot = read(Path::new("/proc/sys/kernel/random/boot_id"))?;
        let sequence = read(&disk.join("diskseq"))?;
        let stat = read(&disk.join("stat"))?;
        let fields: Vec<&str> = stat.split_whitespace().collect();
        let writes = fields.get(4)?;
        let discards = fields.get(11).copied().unwrap_or("0");
        Some(Attachment {
            instance: Some(format!("boot {boot} disk {sequence}")),
            changes: Some(format!("{writes} writes, {discards} discards")),
        })
    }
}
