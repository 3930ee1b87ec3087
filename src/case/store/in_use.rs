//! Whether a process works on a case, told without touching the lock.
//!
//! To try the lock would be to take it for a moment, and a copy that starts in that moment would be refused. Linux lists
//! all locks in `/proc/locks` (proc_locks(5)): number, kind, whether mandatory, access, process, `MAJOR:MINOR:INODE`,
//! start and end.

use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// Whether the file at `path` is locked with flock(2) by some process, as far as the system tells. `false` may also mean
/// that it does not tell: of processes in another container, or of file systems whose device number differs there.
pub fn is_locked(path: &Path) -> bool {
    let (Ok(file), Ok(list)) = (fs::metadata(path), fs::read_to_string("/proc/locks")) else { return false };
    let device = file.dev();
    lists(&list, rustix::fs::major(device), rustix::fs::minor(device), file.ino())
}

fn lists(list: &str, major: u32, minor: u32, inode: u64) -> bool {
    let wanted = format!("{major:02x}:{minor:02x}:{inode}");
    list.lines().any(|line| {
        let mut words = line.split_ascii_whitespace().skip(1);
        // A line with an arrow is a process that waits for the lock.
        words.next() == Some("FLOCK") && words.nth(3) == Some(wanted.as_str())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of proc_locks(5), from memory, and a waiting process as the kernel's fs/locks.c shows it.
    #[test]
    fn the_list_of_locks() {
        let list = "1: POSIX  ADVISORY  READ  5433 08:01:7864448 128 128\n\
                    2: FLOCK  ADVISORY  WRITE 2001 08:01:7864554 0 EOF\n\
                    3: -> FLOCK  ADVISORY  WRITE 2002 08:01:7864555 0 EOF\n";
        assert!(lists(list, 8, 1, 7_864_554));
        for other in [7_864_448, 7_864_555, 786_455] {
            assert!(!lists(list, 8, 1, other), "{other}");
        }
        assert!(!lists(list, 8, 2, 7_864_554));
    }
}
