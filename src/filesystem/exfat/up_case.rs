//! The up-case table (7.2): which letters count as the same in names. Gleaner compares no names by it; it is checked
//! because a volume without it cannot be mounted.

use super::entry::Special;
use super::findings::UP_CASE;
use crate::base::finding::{Finding, Findings};
use crate::filesystem::ClusterRun;
use crate::filesystem::folder_tree::Heap;
use crate::source::SourceLost;
use std::ops::ControlFlow;

/// One letter of two bytes for each of 65,536; a compressed table is shorter (7.2.5).
const MOST_BYTES: u64 = 65_536 * 2;

/// Reads the table and compares its checksum. `runs` are cut where a cluster was read before.
pub(super) fn check(
    special: &Special,
    runs: &mut Vec<ClusterRun>,
    heap: &mut Heap<'_>,
    findings: &mut Findings,
) -> Result<(), SourceLost> {
    let mut note = |sentence: String| findings.push(Finding::at(&UP_CASE, special.place, sentence));
    if special.bytes > MOST_BYTES {
        note(format!("The up-case table has {} bytes, more than the {MOST_BYTES} that may be.", special.bytes));
        return Ok(());
    }
    let extents = heap.take(runs, special.bytes).extents();
    let (mut sum, mut bytes, mut lost) = (0u32, 0, 0);
    heap.window.stream(&extents, |block| {
        sum = checksum(sum, block.bytes);
        bytes += block.extent.bytes;
        lost += block.unreadable.bytes();
        ControlFlow::Continue(())
    })?;
    if bytes < special.bytes || lost > 0 {
        note(format!("{} of the up-case table's {} bytes were not read.", special.bytes - bytes + lost, special.bytes));
    } else if sum != special.checksum {
        note(format!("The up-case table has checksum {sum:08X}, where {:08X} is stored.", special.checksum));
    }
    Ok(())
}

/// The checksum carried on over `bytes` (7.2.2, figure 3), starting at 0.
pub(super) fn checksum(sum: u32, bytes: &[u8]) -> u32 {
    bytes.iter().fold(sum, |sum, byte| sum.rotate_right(1).wrapping_add(u32::from(*byte)))
}
