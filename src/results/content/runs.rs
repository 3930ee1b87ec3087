//! Content that lies in clusters as it is.

use super::place::{self, some};
use super::{Absence, Contents, Piece};
use crate::base::extent::Extent;
use crate::base::units::Lcn;
use crate::filesystem::{ClusterRun, Stream};
use std::io;

impl Contents<'_> {
    pub(super) fn read_runs(
        &mut self,
        stream: &Stream<'_>,
        each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
    ) -> io::Result<()> {
        let (size, content) = (stream.size(), stream.size().min(stream.valid()));
        let mut at = 0u64;
        for (first, count) in stream.layout() {
            let left = content - at;
            if left == 0 {
                break;
            }
            let bytes = count.saturating_mul(self.volume.geometry.cluster_bytes).min(left);
            self.read_run(first, count, bytes, stream.is_incomplete(), each)?;
            at += bytes;
        }
        some(Piece::Missing(content - at, Absence::NoPlace), each)?;
        some(Piece::Zeros(size - content), each)
    }

    /// The first `bytes` bytes of a run.
    pub(super) fn read_run(
        &mut self,
        first: Option<Lcn>,
        count: u64,
        bytes: u64,
        incomplete: bool,
        each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
    ) -> io::Result<()> {
        let Some(first) = first else {
            // Where the run list is damaged, the catalog has holes in place of what is not known.
            return some(if incomplete { Piece::Missing(bytes, Absence::NoPlace) } else { Piece::Zeros(bytes) }, each);
        };
        let wanted =
            self.extent(first, count).map_or(Extent::between(0, 0), |e| Extent { bytes: e.bytes.min(bytes), ..e });
        place::read(&self.store, wanted, &mut self.buffer, each)?;
        some(Piece::Missing(bytes - wanted.bytes, Absence::NoPlace), each)
    }

    /// The part of a run that lies in the volume's place on the drive.
    pub(super) fn extent(&self, first: Lcn, count: u64) -> Option<Extent> {
        let run = self.volume.geometry.extent(ClusterRun { first, count })?;
        run.intersection(&self.volume.extent).filter(|inside| inside.start == run.start)
    }
}
