//! The clusters as they can be read: each once, and only within the volume's place.

use crate::base::extent::Extent;
use crate::filesystem::chain::ClusterBits;
use crate::filesystem::{ClusterGeometry, ClusterRun};
use crate::source::Window;

/// What of a file's clusters is to be read.
pub(in crate::filesystem) struct HeapReads {
    /// Byte of the file and place on the drive, in file order.
    pub parts: Vec<(u64, Extent)>,
    /// The first cluster that was read before; the runs were cut there.
    pub twice: Option<u64>,
    /// Bytes that lie beyond the end of the volume's place.
    pub beyond: u64,
}

impl HeapReads {
    /// The places alone.
    pub fn extents(&self) -> Vec<Extent> {
        self.parts.iter().map(|part| part.1).collect()
    }
}

/// The cluster heap (5), and which of it was read as a folder, a bitmap or the up-case table.
pub(in crate::filesystem) struct Heap<'w> {
    pub window: &'w Window<'w>,
    pub geometry: ClusterGeometry,
    read: ClusterBits,
}

impl<'w> Heap<'w> {
    pub fn new(window: &'w Window<'w>, geometry: ClusterGeometry) -> Heap<'w> {
        // Hostile boot sectors promise more clusters than there are; what lies beyond the window is never read.
        let held = window.extent().end().saturating_sub(geometry.heap_start).div_ceil(geometry.cluster_bytes);
        let numbers = held.min(geometry.cluster_count) + geometry.first_number;
        let numbers = u32::try_from(numbers).expect("cluster numbers have 32 bits");
        Heap { window, geometry, read: ClusterBits::new(numbers) }
    }

    /// Takes the first `bytes` bytes of a file with these runs (which must lie in the volume) for reading. At a cluster
    /// that was taken before, the runs are cut.
    pub fn take(&mut self, runs: &mut Vec<ClusterRun>, bytes: u64) -> HeapReads {
        let cluster_bytes = self.geometry.cluster_bytes;
        let twice = self.read.set_until_taken(runs, bytes.div_ceil(cluster_bytes));
        if let Some((run, at)) = twice {
            runs.truncate(run + 1);
            runs[run].count = at;
        }
        let twice = twice.map(|(run, at)| runs[run].first.0 + at);
        runs.retain(|run| run.count > 0);
        let mut reads = HeapReads { parts: Vec::new(), twice, beyond: 0 };
        let mut byte = 0;
        for run in runs {
            let Some(extent) = self.geometry.extent(*run).filter(|_| byte < bytes) else { continue };
            let wanted = Extent { bytes: extent.bytes.min(bytes - byte), ..extent };
            let inside = wanted.intersection(&self.window.extent());
            reads.beyond += wanted.bytes - inside.map_or(0, |e| e.bytes);
            reads.parts.extend(inside.map(|e| (byte, e)));
            byte += extent.bytes;
        }
        reads
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::source::{MemorySource, Reader};

    /// Clusters of 512 bytes from byte 1024 on, numbered from 2; the volume's place ends within cluster 9.
    #[test]
    fn a_file_is_taken_up_to_its_last_byte_and_no_cluster_twice() {
        let reader = Reader::new(Box::new(MemorySource::new(vec![0; 8192], SectorSize::S512)), None);
        let window = Window::new(&reader, Extent::between(0, 1024 + 7 * 512 + 100));
        let geometry = ClusterGeometry { heap_start: 1024, cluster_bytes: 512, first_number: 2, cluster_count: 8 };
        let mut heap = Heap::new(&window, geometry);
        let mut runs = vec![ClusterRun::new(3, 2), ClusterRun::new(7, 1)];
        let taken = heap.take(&mut runs, 1024 + 40);
        assert_eq!(taken.parts, [(0, Extent::between(1536, 2560)), (1024, Extent::between(3584, 3624))]);
        assert_eq!((taken.twice, taken.beyond), (None, 0));
        let mut runs = vec![ClusterRun::new(9, 1), ClusterRun::new(6, 3)];
        let taken = heap.take(&mut runs, 2048);
        assert_eq!(taken.parts, [(0, Extent::between(4608, 4708)), (512, Extent::between(3072, 3584))]);
        assert_eq!((taken.twice, taken.beyond), (Some(7), 412));
        assert_eq!(runs, [ClusterRun::new(9, 1), ClusterRun::new(6, 1)]);
    }
}
