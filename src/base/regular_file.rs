//! Opening files of ours: plans, models, journals, cases. Where such a name leads to a pipe or a device, opening could wait without
//! end or read from a drive.

use std::fs::{File, FileType, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::{FileTypeExt, OpenOptionsExt};
use std::path::Path;

/// Opens a regular file to read it.
///
/// # Errors
/// As [`open_with`].
pub fn open(path: &Path) -> io::Result<File> {
    open_with(File::options().read(true), path)
}

/// Opens a regular file as `options` say, without waiting for another process.
///
/// # Errors
/// What the kernel says; and when there is something else than a regular file.
pub fn open_with(options: &mut OpenOptions, path: &Path) -> io::Result<File> {
    // Without it a pipe is opened only when another process opens its other end. For a regular file it means nothing.
    let flag = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).expect("an open flag fits in 31 bits");
    let opened = options.custom_flags(flag).open(path);
    let about = match &opened {
        Ok(file) => file.metadata(),
        Err(_) => path.metadata(),
    };
    match about.map(|about| about.file_type()) {
        Ok(kind) if !kind.is_file() => {
            Err(io::Error::new(io::ErrorKind::InvalidInput, format!("is a {}, not a regular file", kind_name(kind))))
        }
        _ => opened,
    }
}

/// Reads a whole regular file of at most `most` bytes.
///
/// # Errors
/// As [`open_with`]; and when the file is larger.
pub fn read(path: &Path, most: u64) -> io::Result<Vec<u8>> {
    let mut content = Vec::new();
    open(path)?.take(most.saturating_add(1)).read_to_end(&mut content)?;
    if content.len() as u64 > most {
        return Err(io::Error::new(io::ErrorKind::InvalidData, format!("is larger than {most} bytes")));
    }
    Ok(content)
}

/// What something in a file system is, for people.
pub fn kind_name(kind: FileType) -> &'static str {
    match () {
        () if kind.is_file() => "regular file",
        () if kind.is_dir() => "folder",
        () if kind.is_char_device() => "character device",
        () if kind.is_block_device() => "block device",
        () if kind.is_fifo() => "pipe",
        () if kind.is_socket() => "socket",
        () => "special file",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_regular_files_are_opened_and_nobody_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        let pipe = at("pipe");
        rustix::fs::mknodat(rustix::fs::CWD, &pipe, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
        let socket = at("socket");
        let _bound = std::os::unix::net::UnixListener::bind(&socket).unwrap();
        std::fs::write(at("file"), b"four").unwrap();
        let refusal = |path: &Path| open(path).unwrap_err().to_string();
        assert_eq!(refusal(&pipe), "is a pipe, not a regular file");
        assert_eq!(refusal(folder.path()), "is a folder, not a regular file");
        assert_eq!(refusal(Path::new("/dev/zero")), "is a character device, not a regular file");
        assert!(open(&socket).is_err() && open(&at("missing")).is_err());
        let writing = open_with(File::options().read(true).append(true).create(true), &pipe).unwrap_err();
        assert_eq!(writing.to_string(), "is a pipe, not a regular file");
        let unread = open_with(File::options().write(true), &pipe).unwrap_err();
        assert_eq!(unread.to_string(), "is a pipe, not a regular file");
        assert_eq!(read(&at("file"), 4).unwrap(), b"four");
        assert_eq!(read(&at("file"), 3).unwrap_err().to_string(), "is larger than 3 bytes");
    }
}
