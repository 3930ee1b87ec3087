//! What every part of reading a volume needs to know: where it is and how it is divided.

use super::structure::boot::BootSector;
use crate::base::extent::Extent;
use crate::base::units::Lcn;
use crate::filesystem::{ClusterGeometry, ClusterRun};
use crate::source::Window;

/// A volume whose boot sector has been understood.
#[derive(Clone, Copy)]
pub(super) struct Volume<'w> {
    pub window: Window<'w>,
    pub boot: BootSector,
    pub geometry: ClusterGeometry,
}

impl<'w> Volume<'w> {
    pub(super) fn new(window: &Window<'w>, boot: BootSector) -> Volume<'w> {
        let geometry = ClusterGeometry {
            heap_start: window.extent().start.0,
            cluster_bytes: boot.cluster_bytes,
            first_number: 0,
            cluster_count: boot.cluster_count(),
        };
        Volume { window: *window, boot, geometry }
    }

    /// The part of a run that lies on the drive: `None` when the run is not in the volume or starts behind the end of
    /// the window. A run that ends behind it gives a shorter extent.
    pub(super) fn extent(&self, first: Lcn, count: u64) -> Option<Extent> {
        self.geometry.extent(ClusterRun { first, count })?.intersection(&self.window.extent())
    }
}

/// A length that is known to be small (a record, a read of at most some MiB).
pub(super) fn small(bytes: u64) -> usize {
    usize::try_from(bytes).expect("a record or a request is far smaller than memory")
}
