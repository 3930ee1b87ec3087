//! Writing a file whole or not at all, and never over one that another run made; [`replace`] alone does that, with the small files of a
//! case that this process has locked. [`give_free_name`] is the one way in which a complete file takes its name without replacing one.
//!
//! Until it is complete a file has no name, where the file system can do that (`O_TMPFILE`): a run that is killed leaves
//! nothing behind. Elsewhere it has a name of [`PART_PREFIX`] and [`PART_SUFFIX`] until then.

use crate::base::ending::{Ending, Ends};
use rustix::fs::{AtFlags, CWD, Mode, OFlags, RenameFlags, linkat, open, openat, renameat, renameat_with, unlinkat};
use rustix::io::Errno;
use std::fs::{self, File, OpenOptions};
use std::io::{self, BufWriter, Write};
use std::os::fd::{AsRawFd, BorrowedFd};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// How the name of a file starts that is not complete yet, where it must have a name.
pub const PART_PREFIX: &str = ".gleaner-";

/// How it ends.
pub const PART_SUFFIX: &str = ".part";

/// Why a file was not written. Whatever the reason, nothing stands at its path that was not there before.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NewFileError {
    /// There is something already.
    #[error("{path}: exists already and is left as it is; choose another name, or move it away first")]
    Exists {
        /// The path as given.
        path: PathBuf,
    },
    /// It cannot be written.
    #[error("{path}: cannot be written: {error}")]
    Io {
        /// The path as given.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}

/// Who may read a new file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Readers {
    /// Everybody whom the user's mask allows: what is handed out.
    AsUsual,
    /// Its owner alone: what holds a client's data or names.
    OwnerOnly,
}

impl Readers {
    fn mode(self) -> u32 {
        match self {
            Readers::AsUsual => 0o666,
            Readers::OwnerOnly => 0o600,
        }
    }
}

/// A file that has no name yet, or a provisional one.
#[derive(Debug)]
pub struct NewFile {
    file: File,
    /// Where it goes.
    path: PathBuf,
    /// Its provisional name.
    part: Option<PathBuf>,
}

impl NewFile {
    /// Begins a file that is to stand at `path`.
    ///
    /// # Errors
    /// [`NewFileError::Exists`] when there is something already; [`NewFileError::Io`].
    pub fn begin(path: &Path, readers: Readers) -> Result<NewFile, NewFileError> {
        check_new(path)?;
        NewFile::begin_beside(path, readers).map_err(|error| NewFileError::Io { path: path.to_path_buf(), error })
    }

    fn begin_beside(path: &Path, readers: Readers) -> io::Result<NewFile> {
        let mode = Mode::from_raw_mode(readers.mode());
        let path = path.to_path_buf();
        match open(folder_of(&path), OFlags::TMPFILE | OFlags::RDWR | OFlags::CLOEXEC, mode) {
            Ok(file) if Path::new(OPEN_FILES).exists() => Ok(NewFile { file: file.into(), path, part: None }),
            // A file system, or a kernel, that has no files without a name; a system in which no such file can be given one.
            Ok(_) | Err(Errno::OPNOTSUPP | Errno::ISDIR | Errno::INVAL) => {
                let part = part_name(&path);
                let mut options = OpenOptions::new();
                let file = options.read(true).write(true).create_new(true).mode(readers.mode()).open(&part)?;
                Ok(NewFile { file, path, part: Some(part) })
            }
            Err(error) => Err(error.into()),
        }
    }

    /// The file, open for reading and writing.
    pub fn file(&self) -> &File {
        &self.file
    }

    /// Makes the content durable and gives the file its name, durably.
    ///
    /// # Errors
    /// [`NewFileError::Exists`] when there is something by that name by now; [`NewFileError::Io`].
    pub fn publish(self) -> Result<File, NewFileError> {
        let named = self.file.sync_all().and_then(|()| self.give_name()).and_then(|()| sync_folder(&self.path));
        named.map_err(|error| match error.kind() {
            io::ErrorKind::AlreadyExists => NewFileError::Exists { path: self.path.clone() },
            _ => NewFileError::Io { path: self.path.clone(), error },
        })?;
        self.file.try_clone().map_err(|error| NewFileError::Io { path: self.path.clone(), error })
    }

    fn give_name(&self) -> io::Result<()> {
        match &self.part {
            None => link_to(&self.file, &self.path),
            Some(part) => give_free_name(CWD, part, &self.path),
        }
    }

    /// Makes the content durable and puts the file in place of what stands at its path.
    fn put_in_place(self) -> io::Result<()> {
        self.file.sync_all()?;
        let part = match &self.part {
            Some(part) => part.clone(),
            None => {
                let part = part_name(&self.path);
                link_to(&self.file, &part)?;
                part
            }
        };
        fs::rename(&part, &self.path).inspect_err(|_| {
            let _ = fs::remove_file(&part);
        })?;
        sync_folder(&self.path)
    }
}

impl Drop for NewFile {
    fn drop(&mut self) {
        // Gone already when the file took its name; else it is this run's own.
        if let Some(part) = &self.part {
            let _ = fs::remove_file(part);
        }
    }
}

/// Gives the complete file `part` its name, both in the folder `at`; what stands at `name`, whoever made it, stays, and this fails.
///
/// # Errors
/// What the kernel says; of the kind `AlreadyExists` when something stands there. The file then has its provisional name still.
pub fn give_free_name(at: BorrowedFd<'_>, part: &Path, name: &Path) -> io::Result<()> {
    match renameat_with(at, part, at, name, RenameFlags::NOREPLACE) {
        // A file system that cannot promise it.
        Err(Errno::INVAL | Errno::NOSYS | Errno::OPNOTSUPP) => rename_over_own(at, part, name),
        outcome => Ok(outcome?),
    }
}

/// What is renamed over is this run's own: it has just been created, or this fails.
fn rename_over_own(at: BorrowedFd<'_>, part: &Path, name: &Path) -> io::Result<()> {
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    openat(at, name, flags, Mode::RUSR | Mode::WUSR)?;
    renameat(at, part, at, name).inspect_err(|_| {
        let _ = unlinkat(at, name, AtFlags::empty());
    })?;
    Ok(())
}

fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    }
}

fn part_name(path: &Path) -> PathBuf {
    folder_of(path).join(format!("{PART_PREFIX}{}{PART_SUFFIX}", uuid::Uuid::new_v4().simple()))
}

/// Open files by their numbers (proc_pid_fd(5)). Not there in a bare root folder.
const OPEN_FILES: &str = "/proc/self/fd";

/// A link to an open file: by its number in `/proc`, as open(2) describes it for `O_TMPFILE`.
fn link_to(file: &File, path: &Path) -> io::Result<()> {
    let number = format!("{OPEN_FILES}/{}", file.as_raw_fd());
    Ok(linkat(CWD, number, CWD, path, AtFlags::SYMLINK_FOLLOW)?)
}

/// A name is on the disk only when its folder is.
fn sync_folder(path: &Path) -> io::Result<()> {
    File::open(folder_of(path))?.sync_all()
}

/// Refuses a path where there is something already, before any work is done for it.
///
/// # Errors
/// [`NewFileError::Exists`], or [`NewFileError::Io`] when the path cannot even be looked at.
pub fn check_new(path: &Path) -> Result<(), NewFileError> {
    match path.symlink_metadata() {
        Ok(_) => Err(NewFileError::Exists { path: path.to_path_buf() }),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(NewFileError::Io { path: path.to_path_buf(), error }),
    }
}

/// Creates a new file that grows while the work goes on (a trace).
///
/// # Errors
/// [`NewFileError::Exists`] when there is something already, [`NewFileError::Io`] when it cannot be created.
pub fn create_new(path: &Path) -> Result<File, NewFileError> {
    File::create_new(path).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => NewFileError::Exists { path: path.to_path_buf() },
        _ => NewFileError::Io { path: path.to_path_buf(), error },
    })
}

/// Writes a new file at `path` with what `fill` writes. It takes the name only when it is complete and on the disk; on
/// any error, and on a crash, there is nothing at `path`.
///
/// # Errors
/// [`NewFileError::Exists`] when there is something at `path` before, or by the time the content is complete;
/// [`NewFileError::Io`] when writing fails; whatever `fill` returns.
pub fn write_new<T, E: From<NewFileError>>(
    path: &Path,
    readers: Readers,
    fill: impl FnOnce(&mut BufWriter<&File>) -> Result<T, E>,
) -> Result<T, E> {
    let new = NewFile::begin(path, readers)?;
    let mut out = BufWriter::with_capacity(1 << 18, new.file());
    let value = fill(&mut out)?;
    out.flush().map_err(|error| NewFileError::Io { path: path.to_path_buf(), error })?;
    drop(out);
    new.publish()?;
    Ok(value)
}

/// Writes a small file anew in place of what stood there, whichever run made that: a crash leaves the old content or the new, whole.
/// Only for files of a case, by the process that has locked it.
///
/// # Errors
/// What the kernel says, and when anything but a regular file stands there; what stood there then still does.
pub fn replace(path: &Path, content: &[u8]) -> io::Result<()> {
    match path.symlink_metadata() {
        Ok(about) if !about.is_file() => return Err(io::Error::other("is not a regular file, and not replaced")),
        Ok(_) => {}
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(error),
    }
    let new = NewFile::begin_beside(path, Readers::OwnerOnly)?;
    new.file().write_all(content)?;
    new.put_in_place()
}

impl Ends for NewFileError {
    fn ending(&self) -> Ending {
        Ending::Destination
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::fd::AsFd;

    fn put(path: &Path, text: &str) -> Result<(), NewFileError> {
        write_new(path, Readers::AsUsual, |out| {
            out.write_all(text.as_bytes()).map_err(|error| NewFileError::Io { path: path.into(), error })
        })
    }

    fn names(folder: &Path) -> Vec<String> {
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect()
    }

    #[test]
    fn nothing_is_overwritten_and_nothing_half_written_is_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.json");
        put(&path, "first").unwrap();
        let error = put(&path, "second").unwrap_err();
        assert!(matches!(error, NewFileError::Exists { .. }));
        assert!(
            error
                .to_string()
                .ends_with("exists already and is left as it is; choose another name, or move it away first")
        );
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "first");
        let other = folder.path().join("other");
        let failing = write_new(&other, Readers::AsUsual, |out| {
            out.write_all(b"half").unwrap();
            Err::<(), _>(NewFileError::Io { path: other.clone(), error: io::ErrorKind::StorageFull.into() })
        });
        assert!(failing.is_err());
        assert_eq!(names(folder.path()), ["plan.json"]);
    }

    #[test]
    fn a_file_that_appears_meanwhile_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.json");
        let outcome = write_new(&path, Readers::AsUsual, |_| {
            std::fs::write(&path, "somebody else's").unwrap();
            Ok::<_, NewFileError>(())
        });
        assert!(matches!(outcome, Err(NewFileError::Exists { .. })));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody else's");
    }

    /// The same where files without a name are not possible: the provisional name shows while it is written, and goes.
    #[test]
    fn a_provisional_name_goes_with_its_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.json");
        let with_name = || {
            let part = part_name(&path);
            NewFile { file: File::create_new(&part).unwrap(), path: path.clone(), part: Some(part) }
        };
        let dropped = with_name();
        assert_eq!(names(folder.path()).len(), 1);
        drop(dropped);
        assert_eq!(names(folder.path()).len(), 0);
        with_name().publish().unwrap();
        assert_eq!(names(folder.path()), ["plan.json"]);
        assert!(matches!(with_name().publish(), Err(NewFileError::Exists { .. })));
        with_name().put_in_place().unwrap();
        assert_eq!(names(folder.path()), ["plan.json"]);
    }

    // What a file system without RENAME_NOREPLACE gets.
    #[test]
    fn a_name_that_is_taken_stays_also_where_renaming_cannot_promise_it() {
        let folder = tempfile::tempdir().unwrap();
        let at = File::open(folder.path()).unwrap();
        let (part, name) = (Path::new("part"), Path::new("name"));
        let content = |name: &Path| fs::read(folder.path().join(name)).ok();
        for give in [rename_over_own, give_free_name] {
            fs::write(folder.path().join(part), b"complete").unwrap();
            give(at.as_fd(), part, name).unwrap();
            assert_eq!((content(name).as_deref(), content(part)), (Some(&b"complete"[..]), None));
            fs::write(folder.path().join(part), b"another").unwrap();
            assert_eq!(give(at.as_fd(), part, name).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
            assert_eq!(
                (content(name).as_deref(), content(part).as_deref()),
                (Some(&b"complete"[..]), Some(&b"another"[..]))
            );
            fs::remove_file(folder.path().join(name)).unwrap();
            // Nothing is left of a file that could not take its name.
            assert!(give(at.as_fd(), Path::new("missing"), name).is_err() && content(name).is_none());
        }
    }

    #[test]
    fn what_holds_client_data_is_for_its_owner_alone() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("case.json");
        let mode = || path.metadata().unwrap().permissions().mode() & 0o777;
        write_new(&path, Readers::OwnerOnly, |_| Ok::<_, NewFileError>(())).unwrap();
        assert_eq!(mode(), 0o600);
        replace(&path, b"anew").unwrap();
        assert_eq!((mode(), fs::read(&path).unwrap()), (0o600, b"anew".to_vec()));
        assert_eq!(names(folder.path()), ["case.json"]);
    }

    // A later mount may put anything where a dangling link leads.
    #[test]
    fn a_dangling_link_counts_as_existing_and_a_missing_folder_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("link");
        std::os::unix::fs::symlink("nowhere", &link).unwrap();
        assert!(replace(&link, b"x").is_err() && link.is_symlink());
        assert!(matches!(put(&link, "x"), Err(NewFileError::Exists { .. })));
        assert!(matches!(put(&folder.path().join("a/b"), "x"), Err(NewFileError::Io { .. })));
    }
}
