//! What this machine does with a drive: whether a file system on it is mounted, or it is in use otherwise; and whether a place that
//! is to be written to lies on it. What cannot be told is refused.
//!
//! Three things are looked at, each of which can miss something: the mount tables of all processes, what block devices are made of (sysfs),
//! and whether the drive could be opened exclusively, which the kernel refuses while it uses the drive itself. `facts` holds
//! what was found, without any judgement; `judge` decides on facts alone.

mod error;
mod facts;
mod gather;
mod judge;
mod table;

pub use error::HostError;
pub use judge::Used;

use crate::source::{AttachedDrive, SourceIdentity, SourceKind, attached_drives};
use facts::{Facts, Node};
use gather::{gather, look, process_at_work};
use judge::{Ground, Subject};
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// What this machine does, as it was when it was looked at.
pub struct Host {
    facts: Facts,
    subject: Subject,
    source: PathBuf,
}

/// A drive of this machine.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct HostDrive {
    /// What sysfs tells of it.
    #[serde(flatten)]
    pub drive: AttachedDrive,
    /// What this machine does with it.
    pub uses: Vec<Used>,
}

/// The drives of this machine, by name, from sysfs and procfs: no drive is opened. Left out is what is made of other devices, and
/// what is memory.
///
/// # Errors
/// [`HostError::NotKnown`] when the kernel's tables cannot be read.
pub fn drives() -> Result<Vec<HostDrive>, HostError> {
    let facts = gather()?;
    let is_made = |drive: &AttachedDrive| {
        let block = drive.device.and_then(|device| facts.blocks.get(&device));
        block.is_some_and(|block| !block.parts.is_empty() || ["ram", "zram"].iter().any(|m| block.name.starts_with(m)))
    };
    let with_uses = |drive: AttachedDrive| {
        let subject = drive.device.map(|device| Subject::new(&facts, Node::Device(device), device, false));
        HostDrive { uses: subject.map_or_else(Vec::new, |subject| judge::uses(&facts, &subject)), drive }
    };
    Ok(attached_drives(Path::new("/sys")).into_iter().filter(|drive| !is_made(drive)).map(with_uses).collect())
}

impl Host {
    /// Looks at the machine, with a view to one drive.
    ///
    /// # Errors
    /// [`HostError::NotKnown`] when the kernel's tables cannot be read. For an image file they need not be there: in a folder that
    /// serves as root there often is no `/proc`, and no drive can wear.
    pub fn look(source: &SourceIdentity) -> Result<Host, HostError> {
        let is_file = source.kind == SourceKind::ImageFile;
        let facts = match gather() {
            Err(_) if is_file => Facts::default(),
            gathered => gathered?,
        };
        let not_known = |error| HostError::NotKnown { path: source.path.clone(), error };
        let found = look(&source.path, &facts).map_err(not_known)?;
        let subject = Subject::new(&facts, found.node, found.file_system, is_file);
        Ok(Host { facts, subject, source: source.path.clone() })
    }

    /// Refuses a drive that the system uses: that is mounted, in part or as a whole, in any mount namespace that can be seen; that is
    /// swapped to, part of another device, or open to a program that may write to it. `exclusive` says whether the drive was opened exclusively.
    ///
    /// # Errors
    /// [`HostError::Mounted`], [`HostError::InUse`].
    pub fn refuse_used(&self, exclusive: bool) -> Result<(), HostError> {
        let path = self.source.clone();
        match judge::uses(&self.facts, &self.subject).into_iter().find(Used::can_change_it) {
            Some(Used::Mounted { at }) => return Err(HostError::Mounted { path, at }),
            Some(other) => return Err(HostError::InUse { path, how: other.to_string() }),
            None => {}
        }
        if let Some(how) = self.process_that_stays() {
            return Err(HostError::InUse { path, how });
        }
        if !exclusive {
            let how =
                "the kernel keeps it for a file system in another mount namespace, or for another program".to_owned();
            return Err(HostError::InUse { path, how });
        }
        Ok(())
    }

    /// What uses the drive in any way, a loop device on it among them, as the end of a sentence. A drive that is going to be written
    /// must be no other's.
    pub fn any_use(&self) -> Option<String> {
        let used = judge::uses(&self.facts, &self.subject).first().map(Used::to_string);
        used.or_else(|| self.process_that_stays())
    }

    /// A process that has the drive open and does not let go within a second. A program that is being started has for a moment all that
    /// its parent has open, and system services look at new devices.
    fn process_that_stays(&self) -> Option<String> {
        const LOOKS: u32 = 10;
        for look in 0..LOOKS {
            let found = process_at_work(|node| judge::is_of(&self.facts, &self.subject, node))?;
            if look + 1 == LOOKS {
                return Some(found);
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        None
    }

    /// Refuses a place to write at that lies on the drive, or of which that cannot be told unless `elsewhere` says that it does not.
    /// A place that does not exist yet counts as the folder that it will be in.
    ///
    /// # Errors
    /// [`HostError::OnSource`], [`HostError::CannotTell`].
    pub fn refuse_place(&self, place: &Path, elsewhere: bool) -> Result<(), HostError> {
        let existing = place.ancestors().find_map(|part| {
            let part = if part.as_os_str().is_empty() { Path::new(".") } else { part };
            fs::metadata(part).is_ok().then_some(part)
        });
        let refused = |why: String| HostError::CannotTell { place: place.into(), why, device: self.source.clone() };
        let found = match look(existing.unwrap_or(Path::new("/")), &self.facts) {
            Ok(found) => found,
            Err(_) if elsewhere => return Ok(()),
            Err(error) => return Err(refused(error.to_string())),
        };
        match judge::place(&self.facts, &self.subject, &found) {
            Ground::Elsewhere => Ok(()),
            Ground::OnSource => Err(HostError::OnSource { place: place.into(), device: self.source.clone() }),
            Ground::Unknown(_) if elsewhere => Ok(()),
            Ground::Unknown(why) => Err(refused(why)),
        }
    }
}
