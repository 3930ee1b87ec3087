//! Writing a file whole or not at all, and never over an existing one.

use std::fs::{File, Permissions};
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

/// How the name of a file starts that is not complete yet. A crash can leave one; whoever knows that nobody is writing
/// may remove it.
pub const PART_PREFIX: &str = ".gleaner-";

/// How it ends.
pub const PART_SUFFIX: &str = ".part";

/// Why a file was not written. Whatever the reason, nothing stands at its path that was not there before.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum WriteNewError {
    /// There is something already.
    #[error("{path}: exists already and is left as it is; choose another name, or move it away first")]
    Exists {
        /// The path asked for.
        path: PathBuf,
    },
    /// It cannot be written.
    #[error("{path}: cannot be written: {error}")]
    Io {
        /// The path asked for.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}

/// Refuses a path where there is something already, before any work is done for it.
///
/// # Errors
/// [`WriteNewError::Exists`], or [`WriteNewError::Io`] when the path cannot even be looked at.
pub fn check_new(path: &Path) -> Result<(), WriteNewError> {
    match path.symlink_metadata() {
        Ok(_) => Err(WriteNewError::Exists { path: path.to_path_buf() }),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(WriteNewError::Io { path: path.to_path_buf(), error }),
    }
}

/// Creates a new file that grows while the work goes on (a trace, a journal).
///
/// # Errors
/// [`WriteNewError::Exists`] when there is something already, [`WriteNewError::Io`] when it cannot be created.
pub fn create_new(path: &Path) -> Result<File, WriteNewError> {
    File::create_new(path).map_err(|error| match error.kind() {
        io::ErrorKind::AlreadyExists => WriteNewError::Exists { path: path.to_path_buf() },
        _ => WriteNewError::Io { path: path.to_path_buf(), error },
    })
}

/// Writes a new file at `path` with what `fill` writes. The content goes to a temporary file beside it, which takes the
/// name only when it is complete and on the disk; on any error, and on a crash, there is nothing at `path`.
///
/// # Errors
/// [`WriteNewError::Exists`] when there is something at `path` before, or by the time the content is complete;
/// [`WriteNewError::Io`] when writing fails; whatever `fill` returns.
pub fn write_new<T, E: From<WriteNewError>>(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<&File>) -> Result<T, E>,
) -> Result<T, E> {
    let failed = |error| WriteNewError::Io { path: path.to_path_buf(), error };
    // Asked before as well as after: filling may take long, and is for nothing when the name is taken.
    check_new(path)?;
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    // The usual permissions under the user's mask; a temporary file's own would let nobody else read the result.
    let mut maker = tempfile::Builder::new();
    let maker = maker.prefix(PART_PREFIX).suffix(PART_SUFFIX).permissions(Permissions::from_mode(0o666));
    let temporary = maker.tempfile_in(folder).map_err(failed)?;
    let mut out = BufWriter::with_capacity(1 << 18, temporary.as_file());
    let value = fill(&mut out)?;
    out.flush().map_err(failed)?;
    drop(out);
    temporary.as_file().sync_all().map_err(failed)?;
    temporary.persist_noclobber(path).map_err(|refused| match refused.error.kind() {
        io::ErrorKind::AlreadyExists => WriteNewError::Exists { path: path.to_path_buf() },
        _ => failed(refused.error),
    })?;
    // The name itself is on the disk only when its folder is.
    File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
    Ok(value)
}

/// Writes a small file anew in place of what stood there: a crash leaves the old content or the new, whole.
///
/// # Errors
/// What the kernel says; the old content then still stands.
pub fn replace(path: &Path, content: &[u8]) -> io::Result<()> {
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    let mut maker = tempfile::Builder::new();
    let maker = maker.prefix(PART_PREFIX).suffix(PART_SUFFIX).permissions(Permissions::from_mode(0o666));
    let mut temporary = maker.tempfile_in(folder)?;
    temporary.write_all(content)?;
    temporary.as_file().sync_all()?;
    temporary.persist(path).map_err(|refused| refused.error)?;
    File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn put(path: &Path, text: &str) -> Result<(), WriteNewError> {
        write_new(path, |out| {
            out.write_all(text.as_bytes()).map_err(|error| WriteNewError::Io { path: path.into(), error })
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
        assert!(matches!(error, WriteNewError::Exists { .. }));
        assert!(
            error
                .to_string()
                .ends_with("exists already and is left as it is; choose another name, or move it away first")
        );
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "first");
        let other = folder.path().join("other");
        let failing = write_new(&other, |out| {
            out.write_all(b"half").unwrap();
            Err::<(), _>(WriteNewError::Io { path: other.clone(), error: io::ErrorKind::StorageFull.into() })
        });
        assert!(failing.is_err());
        assert_eq!(names(folder.path()), ["plan.json"]);
    }

    #[test]
    fn a_file_that_appears_meanwhile_stays() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("plan.json");
        let outcome = write_new(&path, |_| {
            std::fs::write(&path, "somebody else's").unwrap();
            Ok::<_, WriteNewError>(())
        });
        assert!(matches!(outcome, Err(WriteNewError::Exists { .. })));
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody else's");
    }

    // Where a dangling link leads, nobody knows what a later mount puts there.
    #[test]
    fn a_dangling_link_counts_as_existing_and_a_missing_folder_is_an_error() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("link");
        std::os::unix::fs::symlink("nowhere", &link).unwrap();
        assert!(matches!(put(&link, "x"), Err(WriteNewError::Exists { .. })));
        assert!(matches!(put(&folder.path().join("a/b"), "x"), Err(WriteNewError::Io { .. })));
    }
}
