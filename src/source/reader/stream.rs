//! Reading long ranges: the next request is under way while the last one is being parsed.

use crate::base::extent::{Extent, ExtentSet};
use crate::source::{AlignedBuffer, Reader, SourceLost};
use std::ops::ControlFlow;
use std::sync::mpsc;
use std::thread;

impl Reader {
    /// Largest single request of a stream, in bytes.
    pub const STREAM_REQUEST: u64 = 1 << 20;

    /// Reads `extents` in the order given, in requests of up to [`Reader::STREAM_REQUEST`], and hands each to `each`
    /// as it arrives. Nothing is kept. A block never spans two extents. `each` may stop the stream early.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone; blocks that arrived before were handed over.
    pub fn stream(
        &self,
        extents: &[Extent],
        each: impl FnMut(StreamBlock<'_>) -> ControlFlow<()>,
    ) -> Result<(), SourceLost> {
        self.stream_cut_from(0, extents, each)
    }

    /// As [`Reader::stream`], with requests that end on multiples of their size counted from byte `base`, where no extent begins
    /// before it.
    pub(super) fn stream_cut_from(
        &self,
        base: u64,
        extents: &[Extent],
        mut each: impl FnMut(StreamBlock<'_>) -> ControlFlow<()>,
    ) -> Result<(), SourceLost> {
        self.state().trouble.begin_stretch(extents.iter().map(|extent| extent.bytes).sum());
        // One buffer being filled, one waiting, one being parsed: enough to keep the source busy, little memory. On a
        // simulated clock nothing is read ahead: how far that comes before `each` stops depends on the machine.
        let buffers = if self.clock().is_simulated() { 1 } else { 3 };
        let (full_sender, full) = mpsc::sync_channel::<Result<(Extent, AlignedBuffer), SourceLost>>(1);
        let (spare_sender, spare) = mpsc::channel::<AlignedBuffer>();
        let request = usize::try_from(Self::STREAM_REQUEST).expect("1 MiB fits in memory");
        let largest = extents.iter().map(|e| e.bytes).max().unwrap_or(0);
        let size = usize::try_from(largest).unwrap_or(request).min(request);
        for _ in 0..buffers {
            let _ = spare_sender.send(AlignedBuffer::new(size));
        }
        thread::scope(|scope| {
            scope.spawn(move || {
                // Requests end on multiples of their size, so that those of a long extent are aligned to large blocks of
                // whatever lies below.
                let from_base = |extent: &Extent| Extent::between(extent.start.0 - base, extent.end() - base);
                let requests =
                    extents.iter().flat_map(|extent| from_base(extent).cut_at_multiples(Self::STREAM_REQUEST));
                let requests = requests.map(|cut| Extent::between(cut.start.0 + base, cut.end() + base));
                for extent in requests {
                    let Ok(mut buffer) = spare.recv() else { return };
                    let count = usize::try_from(extent.bytes).expect("a request is at most 1 MiB");
                    let filled = self.fill(extent, &mut buffer.bytes_mut()[..count]);
                    let lost = filled.is_err();
                    if full_sender.send(filled.map(|()| (extent, buffer))).is_err() || lost {
                        return;
                    }
                }
            });
            // Dropping `full` and `spare_sender` at the end of this closure is what stops the thread early.
            let (full, spare_sender) = (full, spare_sender);
            for arrived in &full {
                let (extent, buffer) = arrived?;
                let count = usize::try_from(extent.bytes).expect("a request is at most 1 MiB");
                let (unreadable, not_read_yet) = (self.unreadable_in(extent), self.not_read_yet_in(extent));
                let block = StreamBlock { extent, bytes: &buffer.bytes()[..count], unreadable, not_read_yet };
                if each(block).is_break() {
                    return Ok(());
                }
                let _ = spare_sender.send(buffer);
            }
            Ok(())
        })
    }
}

/// One arrived piece of a stream, borrowed for as long as it is being parsed.
pub struct StreamBlock<'b> {
    /// Where the bytes lie on the drive.
    pub extent: Extent,
    /// The bytes, as many as the extent has.
    pub bytes: &'b [u8],
    /// What of the extent could not be read (those bytes are zero).
    pub unreadable: ExtentSet,
    /// What of that is only not read yet: see [`Reader::not_read_yet`].
    pub not_read_yet: ExtentSet,
}
