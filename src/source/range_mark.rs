//! What can be said of a range of the drive beside that its bytes have arrived.

use crate::base::extent::Extent;
use rustix::io::Errno;
use serde::Serialize;
use std::io;

/// What a failed read blames.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Blame {
    /// Not recorded: the journal is older than this distinction.
    #[default]
    NotRecorded,
    /// The medium: the drive answered, and says that it cannot read the range.
    Medium,
    /// The system or the link between it and the drive; the range may be sound.
    Link,
    /// Either: the kernel gave an error that both have.
    Undecided,
}

/// A failed read, as the journal keeps it.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default, Serialize)]
pub struct Failure {
    /// What it blames.
    pub blame: Blame,
    /// The kernel's error number; 0 where there was none.
    pub errno: u16,
}

impl Failure {
    /// The failure that an error of the kernel is.
    ///
    /// A medium error has a number of its own (ENODATA; EILSEQ for a protection error): `blk_status_to_errno` of the Linux
    /// kernel, and measured in a virtual machine, `docs/kernel.md`. EIO is what everything else becomes.
    pub fn of(error: &io::Error) -> Failure {
        let number = error.raw_os_error();
        let blame = match number.map(Errno::from_raw_os_error) {
            Some(Errno::NODATA | Errno::ILSEQ) => Blame::Medium,
            Some(
                Errno::NOMEM
                | Errno::AGAIN
                | Errno::INVAL
                | Errno::NOTCONN
                | Errno::STALE
                | Errno::TIMEDOUT
                | Errno::NOLINK,
            ) => Blame::Link,
            // An image file that became shorter.
            None if error.kind() == io::ErrorKind::UnexpectedEof => Blame::Link,
            _ => Blame::Undecided,
        };
        Failure { blame, errno: number.and_then(|number| u16::try_from(number).ok()).unwrap_or(0) }
    }
}

/// Why a range was skipped.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Skip {
    /// Not recorded: the journal is older than this distinction.
    #[default]
    NotRecorded,
    /// It was not tried: it lies near a range that failed or was slow.
    Near,
    /// A read of it failed, together with other bytes or alone.
    Failed,
    /// It was being read when the drive stopped answering, and may be what stops it. Read after everything else.
    Suspect,
    /// It was unreadable, and the technician wants it tried again.
    Again,
}

/// What is said of a range of the drive.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum RangeMark {
    /// It was skipped, and is retried later.
    Skipped {
        /// The range.
        extent: Extent,
        /// Why.
        why: Skip,
        /// The failed read, when there was one.
        failure: Failure,
    },
    /// It failed at every try so far, alone.
    Unreadable {
        /// The range.
        extent: Extent,
        /// How often it was tried alone; 0 where that was not recorded.
        tries: u16,
        /// The last failed read.
        failure: Failure,
    },
    /// Bytes that had been kept are not believed any more; the range is not read yet.
    Withdrawn {
        /// The range.
        extent: Extent,
    },
    /// An unreadable range is to be tried again: from now on it is skipped.
    Retry {
        /// The range.
        extent: Extent,
    },
}

impl RangeMark {
    /// The range.
    pub fn extent(&self) -> Extent {
        match *self {
            RangeMark::Skipped { extent, .. }
            | RangeMark::Unreadable { extent, .. }
            | RangeMark::Withdrawn { extent }
            | RangeMark::Retry { extent } => extent,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: `blk_status_to_errno` in the Linux kernel's block/blk-core.c (from memory): ENODATA for a medium error, EILSEQ
    // for protection, ENOLINK for transport, ETIMEDOUT for a time-out, ENOMEM, EAGAIN for resources, EIO for the rest.
    #[test]
    fn errors_blame_what_the_kernel_means_by_them() {
        let blame = |errno: Errno| Failure::of(&errno.into()).blame;
        for errno in [Errno::NODATA, Errno::ILSEQ] {
            assert_eq!(blame(errno), Blame::Medium);
        }
        for errno in [Errno::NOMEM, Errno::AGAIN, Errno::INVAL, Errno::NOTCONN, Errno::TIMEDOUT, Errno::NOLINK] {
            assert_eq!(blame(errno), Blame::Link);
        }
        assert_eq!(blame(Errno::IO), Blame::Undecided);
        assert_eq!(Failure::of(&io::ErrorKind::UnexpectedEof.into()).blame, Blame::Link);
        assert_eq!(Failure::of(&Errno::IO.into()).errno, 5);
    }
}
