//! What a failed read is taken for. The kernel's error number tells, or its absence:
//!
//! - **gone** ([`ReadError::Gone`]): ENODEV, ENXIO, ENOMEDIUM, ESHUTDOWN, EBADF; and any error after which the source is no longer
//!   the one that was opened. Nothing more can be read until the drive is back.
//! - **medium** ([`Blame::Medium`]): ENODATA, EILSEQ. The drive answered, and says that it cannot read the range.
//! - **link** ([`Blame::Link`]): ETIMEDOUT, so a time-out is not an answer; ENOLINK, ENOTCONN, ESTALE, ENOMEM, EAGAIN, EINVAL; an
//!   image file that became shorter. The range may be sound.
//! - **undecided** ([`Blame::Undecided`]): EIO, which the kernel gives for both, and everything else.
//!
//! A medium error has a number of its own (ENODATA; EILSEQ for a protection error): `blk_status_to_errno` of the Linux kernel, and
//! measured in a virtual machine, `docs/kernel.md`. EIO is what everything else becomes.
//!
//! This judges one read. Whether a drive of which many reads fail still answers is judged by those who make many.

use super::SourceLost;
use crate::base::extent::Extent;
use rustix::io::Errno;
use serde::Serialize;
use std::io;

/// Why one read failed.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// These bytes could not be read; others may be.
    #[error("unreadable: {0}")]
    Unreadable(io::Error),
    /// There is no drive, only what a case holds, and these bytes are not in the case.
    #[error("these bytes are not in the case")]
    NotHeld,
    /// The device is gone: nothing more can be read until it is back.
    #[error("the device no longer answers: {0}")]
    Gone(io::Error),
}

impl ReadError {
    /// Tells a bad range from a vanished device.
    pub fn from_io(error: io::Error) -> ReadError {
        if blame(&error).is_some() { ReadError::Unreadable(error) } else { ReadError::Gone(error) }
    }

    /// What follows for a read of `extent`: a failure of this range alone, or the end of reading. `is_present` tells whether the
    /// source is still the one that was opened; `sector` is its logical sector size, in bytes.
    pub(super) fn judge(
        self,
        extent: Extent,
        is_present: impl FnOnce() -> bool,
        sector: u64,
    ) -> Result<Failure, SourceLost> {
        match self {
            ReadError::Unreadable(error) if is_present() => Ok(Failure::of(&error)),
            ReadError::Unreadable(error) | ReadError::Gone(error) => Err(SourceLost::Gone { extent, sector, error }),
            ReadError::NotHeld => Err(SourceLost::NotInCase { extent }),
        }
    }
}

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
    /// The failure of a range that an error of the kernel is.
    pub fn of(error: &io::Error) -> Failure {
        let errno = error.raw_os_error().and_then(|number| u16::try_from(number).ok()).unwrap_or(0);
        Failure { blame: blame(error).unwrap_or(Blame::Undecided), errno }
    }
}

/// What an error of the kernel blames; `None` where it says that the device is gone.
fn blame(error: &io::Error) -> Option<Blame> {
    match error.raw_os_error().map(Errno::from_raw_os_error) {
        Some(Errno::NODEV | Errno::NXIO | Errno::NOMEDIUM | Errno::SHUTDOWN | Errno::BADF) => None,
        Some(Errno::NODATA | Errno::ILSEQ) => Some(Blame::Medium),
        Some(
            Errno::NOMEM
            | Errno::AGAIN
            | Errno::INVAL
            | Errno::NOTCONN
            | Errno::STALE
            | Errno::TIMEDOUT
            | Errno::NOLINK,
        ) => Some(Blame::Link),
        None if error.kind() == io::ErrorKind::UnexpectedEof => Some(Blame::Link),
        _ => Some(Blame::Undecided),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: `blk_status_to_errno` in the Linux kernel's block/blk-core.c (from memory): ENODATA for a medium error, EILSEQ
    // for protection, ENOLINK for transport, ETIMEDOUT for a time-out, ENOMEM, EAGAIN for resources, ENODEV for a device that
    // went offline, EIO for the rest.
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
        assert!(matches!(ReadError::from_io(Errno::NODEV.into()), ReadError::Gone(_)));
        assert!(matches!(ReadError::from_io(Errno::IO.into()), ReadError::Unreadable(_)));
    }

    #[test]
    fn the_same_error_ends_the_reading_where_the_source_is_another_one_now() {
        let extent = Extent::between(4096, 8192);
        let judge = |is_present| ReadError::from_io(Errno::NODATA.into()).judge(extent, || is_present, 512);
        assert_eq!(judge(true).unwrap(), Failure { blame: Blame::Medium, errno: 61 });
        assert!(matches!(judge(false), Err(SourceLost::Gone { extent: at, .. }) if at == extent));
    }
}
