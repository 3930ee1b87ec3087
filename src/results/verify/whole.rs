//! One sum over the whole image as a drive.

use super::read_ahead;
use crate::base::extent::Extent;
use crate::source::SourceLost;
use crate::store::image::Image;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};

/// The SHA-256 of an image as a drive.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct WholeSum {
    /// The sum in lower-case hexadecimal.
    pub sha256: String,
    /// Bytes it covers.
    pub bytes: u64,
}

/// A sum that is being made, of bytes in their order.
#[derive(Default)]
pub(super) struct Summing {
    hasher: Sha256,
    error: Option<io::Error>,
}

impl Summing {
    pub(super) fn take(&mut self, bytes: &io::Result<&[u8]>) {
        match bytes {
            Ok(bytes) => self.hasher.update(bytes),
            Err(error) => {
                self.error.get_or_insert_with(|| io::Error::new(error.kind(), error.to_string()));
            }
        }
    }

    pub(super) fn finish(self, bytes: u64) -> io::Result<WholeSum> {
        match self.error {
            Some(error) => Err(error),
            None => Ok(WholeSum { sha256: hex::encode(self.hasher.finalize()), bytes }),
        }
    }
}

/// The SHA-256 of `drive_bytes` bytes of the image, unread ranges as zeros and unreadable ones with their fill: what
/// `sha256sum` prints for the raw image, and the same for both forms.
///
/// # Errors
/// [`SourceLost::Store`] when a range cannot be read; [`SourceLost::Stopped`] soon after `stop` is set.
pub fn sha256(
    image: &dyn Image,
    drive_bytes: u64,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(u64),
) -> Result<WholeSum, SourceLost> {
    let mut sum = Summing::default();
    let chunks = Extent::between(0, drive_bytes).pieces(64 << 20);
    let chunks =
        chunks.map(|extent| if stop.load(Ordering::Relaxed) { Err(SourceLost::Stopped) } else { Ok((extent, ())) });
    read_ahead::stream(image, chunks, |piece| sum.take(&piece.bytes), progress)?;
    sum.finish(drive_bytes).map_err(SourceLost::Store)
}
