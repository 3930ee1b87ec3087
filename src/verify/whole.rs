//! One sum over the whole image as a drive.

use super::read_ahead;
use crate::extent::Extent;
use crate::image::Image;
use crate::source::SourceLost;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::sync::atomic::{AtomicBool, Ordering};

/// The SHA-256 of an image as a drive.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct WholeSum {
    /// The sum in lower-case hexadecimal.
    pub sha256: String,
    /// Bytes it covers.
    pub bytes: u64,
}

/// The SHA-256 of `drive_bytes` bytes of the image, unread places as zeros and unreadable ones with their fill: what
/// `sha256sum` prints for the raw image, and the same for both forms.
///
/// # Errors
/// [`SourceLost::Store`] when a place cannot be read; [`SourceLost::Stopped`] soon after `stop` is set.
pub fn sha256(
    image: &dyn Image,
    drive_bytes: u64,
    stop: &AtomicBool,
    progress: &mut dyn FnMut(u64),
) -> Result<WholeSum, SourceLost> {
    let (mut hasher, mut outcome) = (Sha256::new(), Ok(()));
    let chunks = Extent::between(0, drive_bytes).pieces(64 << 20);
    let chunks =
        chunks.map(|extent| if stop.load(Ordering::Relaxed) { Err(SourceLost::Stopped) } else { Ok((extent, ())) });
    let digest = |(_, bytes): read_ahead::Read<'_>, _: Option<(Extent, ())>| match bytes {
        Ok(bytes) => hasher.update(bytes),
        Err(error) if outcome.is_ok() => outcome = Err(SourceLost::Store(error)),
        Err(_) => {}
    };
    read_ahead::stream(image, chunks, digest, progress)?;
    outcome?;
    Ok(WholeSum { sha256: hex::encode(hasher.finalize()), bytes: drive_bytes })
}
