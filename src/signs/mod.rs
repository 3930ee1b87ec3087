//! Contents of other kinds, recognised by their published signatures and never guessed at: foreign file systems, members
//! of pools and arrays, encrypted volumes.
//!
//! A signature alone is not believed: sizes must fit the volume that is looked at, and a checksum, where the format has
//! one, must hold or the certainty says that it did not. NTFS, FAT and exFAT are not among these: they are read.

mod checksums;
mod ext;
mod fields;
mod ground;
mod luks;
mod sign;

pub use sign::{Certainty, Evidence, Family, Recognised, Sign};

use crate::source::{SourceLost, Window};
use ground::Ground;

/// What is read first, in one request: every primary superblock but those at the end of a member lies in it.
pub const HEAD_BYTES: u64 = 68 << 10;

/// Looks at a volume, or a whole drive. `None` when nothing is recognised; unreadable sectors cost what they hold.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn look(window: &Window<'_>) -> Result<Option<Recognised>, SourceLost> {
    let mut ground = Ground::new(window.extent());
    ground.read(window, 0, HEAD_BYTES)?;
    Ok(judge(&ground))
}

type Look = fn(&Ground) -> Option<Recognised>;

/// Those that are asked, in the order that decides between equals.
const LOOKS: [Look; 2] = [luks::look, ext::look];

fn judge(ground: &Ground) -> Option<Recognised> {
    let mut found: Vec<Recognised> = LOOKS.iter().filter_map(|look| look(ground)).collect();
    // Stable: between equals the order of the list stays.
    found.sort_by_key(|recognised| std::cmp::Reverse(recognised.certainty));
    let mut found = found.into_iter();
    let mut first = found.next()?;
    for other in found {
        first.facts.push(("also there", other.kind.name().to_owned()));
    }
    Some(first)
}
