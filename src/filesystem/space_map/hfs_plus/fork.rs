//! Forks: where a file lies, in up to eight extents beside its record; from the ninth on in the extents overflow file.
//!
//! Source: Technical Note TN1150, "Fork Data Structure" (in libyal/libfshfs).

use crate::base::fields::{be32, be64};
use crate::filesystem::ClusterRun;

/// A fork as its record has it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Fork {
    /// Length in bytes.
    pub bytes: u64,
    /// Blocks of all its extents, those in the overflow file included.
    pub blocks: u64,
    /// Extents in the record, in the order of the file.
    pub extents: Vec<ClusterRun>,
}

impl Fork {
    /// A fork whose extents lie within so many blocks.
    pub fn parse(raw: &[u8], volume_blocks: u64) -> Option<Fork> {
        let extents = extents(raw.get(16..80)?, volume_blocks)?;
        let blocks = u64::from(be32(raw, 12)?);
        (count(&extents) <= blocks && blocks <= volume_blocks).then_some(Fork { bytes: be64(raw, 0)?, blocks, extents })
    }

    /// Whether some of its extents stand in the overflow file.
    pub fn overflows(&self) -> bool {
        count(&self.extents) < self.blocks
    }
}

/// Blocks of some extents.
pub fn count(extents: &[ClusterRun]) -> u64 {
    extents.iter().map(|run| run.count).sum()
}

/// Eight extents, of which the first without blocks ends the list.
pub fn extents(raw: &[u8], volume_blocks: u64) -> Option<Vec<ClusterRun>> {
    let mut runs = Vec::new();
    for at in (0..64).step_by(8) {
        let run = ClusterRun::new(be32(raw, at)?.into(), be32(raw, at + 4)?.into());
        if run.count == 0 {
            break;
        }
        if run.end() > volume_blocks {
            return None;
        }
        runs.push(run);
    }
    Some(runs)
}
