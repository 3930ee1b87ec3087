//! Why a drive, or a place to write at, is refused.

use std::io;
use std::path::PathBuf;

/// Why a drive, or a place to write at, is refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum HostError {
    /// A case, or a file to be written, lies on the drive that is to be read.
    #[error(
        "{place}: lies on the drive that is to be read ({device}), which is never written to; choose a place elsewhere"
    )]
    OnSource {
        /// The place.
        place: PathBuf,
        /// The drive.
        device: PathBuf,
    },
    /// Nobody says what the place stands on.
    #[error(
        "{place}: it cannot be told whether it lies on the drive that is to be read ({device}): {why}; choose another place, or say \
         --case-is-elsewhere if you know that it does not"
    )]
    CannotTell {
        /// The place.
        place: PathBuf,
        /// What is not known.
        why: String,
        /// The drive.
        device: PathBuf,
    },
    /// The drive is mounted.
    #[error(
        "{path} is mounted at {at}: the system may write to it at any moment; unmount it, or say --mounted if that cannot be done"
    )]
    Mounted {
        /// The drive.
        path: PathBuf,
        /// Where.
        at: String,
    },
    /// The drive is in use otherwise.
    #[error(
        "{path} is in use: {how}; it may be written to at any moment; end that use, or say --mounted if that cannot be done"
    )]
    InUse {
        /// The drive.
        path: PathBuf,
        /// What uses it.
        how: String,
    },
    /// The kernel's tables cannot be read.
    #[error("the system does not say what it does with drives: {path}: {error}; make /proc and /sys readable")]
    NotKnown {
        /// The table.
        path: PathBuf,
        /// What the kernel said.
        error: io::Error,
    },
}
