//! The kernel's log, as `/dev/kmsg` gives it.
//!
//! Source: Linux Documentation/ABI/testing/dev-kmsg, from memory: a record is `priority,number,microseconds,flags;text`, then
//! lines that begin with a blank and belong to it. The priority's bits above the lowest three say who wrote it, 0 the kernel.

use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read, Seek, SeekFrom};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Most bytes that are taken at once: the log of a kernel has at most some MiB.
const MOST_BYTES: usize = 16 << 20;

/// The log, open for reading.
#[derive(Debug)]
pub(super) struct KernelLog {
    file: File,
}

impl KernelLog {
    /// Opens the log at its oldest record.
    pub(super) fn open(path: &Path) -> io::Result<KernelLog> {
        let nonblocking = i32::try_from(rustix::fs::OFlags::NONBLOCK.bits()).expect("an open flag fits in 31 bits");
        Ok(KernelLog { file: OpenOptions::new().read(true).custom_flags(nonblocking).open(path)? })
    }

    /// Passes over all that it has now.
    pub(super) fn skip(&mut self) -> io::Result<()> {
        self.file.seek(SeekFrom::End(0)).map(|_| ())
    }

    /// The texts of the kernel's own records from here to the end, without what programs have written there.
    pub(super) fn read(&mut self) -> io::Result<Vec<String>> {
        let mut bytes = Vec::new();
        let mut record = vec![0; 16 << 10];
        while bytes.len() < MOST_BYTES {
            match self.file.read(&mut record) {
                Ok(0) => break,
                Ok(count) => bytes.extend_from_slice(&record[..count]),
                Err(error) if error.kind() == ErrorKind::WouldBlock => break,
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                // Records were overwritten before they were read; the next read gives the oldest that is left.
                Err(error) if error.kind() == ErrorKind::BrokenPipe => {}
                Err(error) => return Err(error),
            }
        }
        let text = String::from_utf8_lossy(&bytes);
        Ok(text.lines().filter_map(kernel_text).map(str::to_owned).collect())
    }
}

/// The text of a record that the kernel itself wrote.
fn kernel_text(line: &str) -> Option<&str> {
    let (head, text) = line.split_once(';')?;
    let priority: u64 = head.split(',').next()?.parse().ok()?;
    (priority >> 3 == 0).then_some(text)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write;

    #[test]
    fn only_the_kernel_is_heard_and_only_once() {
        let mut file = tempfile::NamedTempFile::new().unwrap();
        writeln!(
            file,
            "6,1,10,-;one\n SUBSYSTEM=block\n12,2,20,-;from a program\nno record\n3,3,30,-,caller=T1;two; more"
        )
        .unwrap();
        let mut log = KernelLog::open(file.path()).unwrap();
        assert_eq!(log.read().unwrap(), ["one", "two; more"]);
        assert_eq!(log.read().unwrap(), [""; 0]);
        writeln!(file, "3,4,40,-;three").unwrap();
        assert_eq!(log.read().unwrap(), ["three"]);
        writeln!(file, "3,5,50,-;four").unwrap();
        log.skip().unwrap();
        writeln!(file, "3,6,60,-;five").unwrap();
        assert_eq!(log.read().unwrap(), ["five"]);
    }
}
