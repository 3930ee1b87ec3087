//! The folder that files are taken into. Folders in it are reached from its own descriptor name by name, so that
//! neither a long path nor a link put there meanwhile leads anywhere else. Files are synced all together at the end, not one by one as
//! `base::new_file` does it, which thousands of small files could not pay; they take their names as there.

use super::error::TakeError;
use super::names::Given;
use crate::base::new_file::{PART_PREFIX, PART_SUFFIX, give_free_name};
use crate::filesystem::Timestamp;
use rustix::fs::{AtFlags, CWD, Mode, OFlags, Timespec, Timestamps, UTIME_OMIT};
use rustix::io::Errno;
use std::fs::File;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::{Path, PathBuf};

/// A folder in the destination.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub(super) struct FolderId(u32);

struct Folder {
    parent: FolderId,
    name: String,
    modified: Option<Timestamp>,
}

/// The destination, and what was made in it.
pub(super) struct Destination {
    path: PathBuf,
    root: OwnedFd,
    /// The first stands for the destination itself.
    folders: Vec<Folder>,
    given: Given,
    /// The folder used last: files come folder by folder mostly.
    open: Option<(FolderId, OwnedFd)>,
    parts: u64,
}

const FOLDER: OFlags = OFlags::RDONLY.union(OFlags::DIRECTORY).union(OFlags::NOFOLLOW).union(OFlags::CLOEXEC);

impl Destination {
    /// The destination itself.
    pub(super) const TOP: FolderId = FolderId(0);

    /// Makes the folder `path`, or takes it as it is when it is empty.
    pub(super) fn open(path: &Path) -> Result<Destination, TakeError> {
        let failed = |error| TakeError::io(path, error);
        match std::fs::create_dir(path) {
            Err(error) if error.kind() != io::ErrorKind::AlreadyExists => return Err(failed(error)),
            Ok(()) => {}
            Err(_) => {
                if std::fs::read_dir(path).map_err(failed)?.next().is_some() {
                    return Err(TakeError::NotEmpty { path: path.into() });
                }
            }
        }
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
        let root = rustix::fs::openat(CWD, path, flags, Mode::empty()).map_err(|e| failed(e.into()))?;
        let top = Folder { parent: Self::TOP, name: String::new(), modified: None };
        Ok(Destination { path: path.into(), root, folders: vec![top], given: Given::default(), open: None, parts: 0 })
    }

    /// Makes a folder in another, under `name` or a name like it. `modified` is set at the end.
    pub(super) fn make_folder(
        &mut self,
        parent: FolderId,
        name: &str,
        modified: Option<Timestamp>,
    ) -> Result<FolderId, TakeError> {
        let name = self.given.unique(parent.0, name);
        let made = self.folder(parent).and_then(|at| {
            rustix::fs::mkdirat(at, &name, Mode::from_raw_mode(0o777))?;
            Ok(())
        });
        made.map_err(|error| TakeError::io(self.path.join(self.path_of(parent)).join(&name), error))?;
        let id = FolderId(u32::try_from(self.folders.len()).expect("fewer folders than nodes"));
        self.folders.push(Folder { parent, name, modified });
        Ok(id)
    }

    /// A folder's path from the destination.
    pub(super) fn path_of(&self, folder: FolderId) -> PathBuf {
        let mut names = Vec::new();
        let mut at = folder;
        while at != Self::TOP {
            names.push(self.entry(at).name.as_str());
            at = self.entry(at).parent;
        }
        names.iter().rev().collect()
    }

    /// The same with the destination before it, for messages.
    pub(super) fn full_path_of(&self, folder: FolderId) -> PathBuf {
        self.path.join(self.path_of(folder))
    }

    /// A name for a file in a folder: `name`, or one like it.
    pub(super) fn name_for(&mut self, folder: FolderId, name: &str) -> String {
        self.given.unique(folder.0, name)
    }

    /// A new file in a folder, under a name that no other file has; [`Destination::put`] gives it its own.
    pub(super) fn new_part(&mut self, folder: FolderId) -> io::Result<(File, String)> {
        self.parts += 1;
        let name = format!("{PART_PREFIX}{}{PART_SUFFIX}", self.parts);
        let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let made = rustix::fs::openat(self.folder(folder)?, &name, flags, Mode::from_raw_mode(0o666))?;
        Ok((File::from(made), name))
    }

    /// Gives a new file its name; nothing that stands there is replaced.
    pub(super) fn put(&mut self, folder: FolderId, part: &str, name: &str) -> io::Result<()> {
        give_free_name(self.folder(folder)?, Path::new(part), Path::new(name))
    }

    /// Takes away a file that was not completed.
    pub(super) fn discard(&mut self, folder: FolderId, part: &str) {
        if let Ok(at) = self.folder(folder) {
            // Nothing more can be done about it; its name tells what it is.
            let _ = rustix::fs::unlinkat(at, part, AtFlags::empty());
        }
    }

    /// Gives a file a second name; where the file system has no such thing, a copy.
    pub(super) fn second_name(&mut self, from: (FolderId, &str), to: (FolderId, &str)) -> io::Result<()> {
        let source = self.folder(from.0)?.try_clone_to_owned()?;
        let target = self.folder(to.0)?;
        match rustix::fs::linkat(&source, from.1, target, to.1, AtFlags::empty()) {
            Ok(()) => return Ok(()),
            Err(Errno::PERM | Errno::OPNOTSUPP | Errno::NOSYS | Errno::MLINK | Errno::XDEV) => {}
            Err(error) => return Err(error.into()),
        }
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let mut original = File::from(rustix::fs::openat(&source, from.1, flags, Mode::empty())?);
        let times = original.metadata()?.modified()?;
        let (mut copy, part) = self.new_part(to.0)?;
        let copied = io::copy(&mut original, &mut copy).and_then(|_| copy.set_modified(times));
        let put = copied.and_then(|()| self.put(to.0, &part, to.1));
        put.inspect_err(|_| self.discard(to.0, &part))
    }

    /// Sets the folders' times, which every file made in them has changed, and makes all of it durable.
    pub(super) fn finish(mut self) -> Result<(), TakeError> {
        for index in (1..self.folders.len()).rev() {
            let id = FolderId(u32::try_from(index).expect("counted in 32 bits"));
            if let Some(modified) = self.entry(id).modified {
                // A file system that cannot hold the time still holds the files.
                let _ = self.folder(id).and_then(|folder| set_modified(folder, modified));
            }
        }
        rustix::fs::syncfs(&self.root).map_err(|e| TakeError::io(&self.path, e.into()))
    }

    fn entry(&self, id: FolderId) -> &Folder {
        &self.folders[id.0 as usize]
    }

    fn folder(&mut self, id: FolderId) -> io::Result<BorrowedFd<'_>> {
        if id == Self::TOP {
            return Ok(self.root.as_fd());
        }
        if self.open.as_ref().is_none_or(|(open, _)| *open != id) {
            let mut way = vec![id];
            while let Some(parent) = way.last().map(|at| self.entry(*at).parent).filter(|p| *p != Self::TOP) {
                way.push(parent);
            }
            let mut at = self.root.try_clone()?;
            for step in way.iter().rev() {
                at = rustix::fs::openat(&at, &self.entry(*step).name, FOLDER, Mode::empty())?;
            }
            self.open = Some((id, at));
        }
        let (_, open) = self.open.as_ref().expect("opened just now");
        Ok(open.as_fd())
    }
}

/// Sets when a file or folder was changed, and leaves alone when it was last looked at.
pub(super) fn set_modified(file: impl AsFd, modified: Timestamp) -> io::Result<()> {
    let (tv_sec, nanoseconds) = modified.to_unix();
    let times = Timestamps {
        last_access: Timespec { tv_sec: 0, tv_nsec: UTIME_OMIT },
        last_modification: Timespec { tv_sec, tv_nsec: nanoseconds.into() },
    };
    Ok(rustix::fs::futimens(file, &times)?)
}
