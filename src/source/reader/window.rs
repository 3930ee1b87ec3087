//! A volume's view of the drive, and the plain bytes of a volume that is stored encrypted.

use super::{Block, Reader, StreamBlock, bytes_of, length};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::units::ByteOffset;
use crate::source::{CopyStore, PlainPart, PlainStore, PlainView, SourceLost};
use std::ops::ControlFlow;
use std::sync::Arc;

/// A volume's view of the drive: offsets count from the volume's start and cannot leave it. What is read through it is plain where
/// the window has a [`PlainView`]; places are then plain addresses.
#[derive(Clone, Copy)]
pub struct Window<'r> {
    reader: &'r Reader,
    extent: Extent,
    view: Option<&'r Arc<PlainView>>,
}

impl<'r> Window<'r> {
    /// The part `extent` of the drive, cut to where the drive ends.
    pub fn new(reader: &'r Reader, extent: Extent) -> Window<'r> {
        let extent =
            extent.intersection(&reader.identity().extent()).unwrap_or(Extent::between(extent.start.0, extent.start.0));
        Window { reader, extent, view: None }
    }

    /// The same volume, read through `view`.
    #[must_use]
    pub fn through<'v>(&self, view: &'v Arc<PlainView>) -> Window<'v>
    where
        'r: 'v,
    {
        Window { reader: self.reader, extent: self.extent, view: Some(view) }
    }

    /// Where the window lies on the drive.
    pub fn extent(&self) -> Extent {
        self.extent
    }

    /// The reader below, which gives bytes as they are stored.
    pub fn reader(&self) -> &'r Reader {
        self.reader
    }

    /// How plain bytes are made, where the volume is stored encrypted.
    pub fn view(&self) -> Option<&'r Arc<PlainView>> {
        self.view
    }

    /// What a store holds of the volume, in the window's addresses.
    pub fn of_store(&self, stored: &'r dyn CopyStore) -> PlainStore<'r> {
        PlainStore { stored, view: self.view.map(Arc::as_ref) }
    }

    /// The range on the drive of `bytes` bytes at `offset` from the window's start, or `None` if not all of it lies
    /// in the window.
    pub fn locate(&self, offset: u64, bytes: u64) -> Option<Extent> {
        let end = offset.checked_add(bytes)?;
        (end <= self.extent.bytes).then(|| Extent::between(self.extent.start.0 + offset, self.extent.start.0 + end))
    }

    /// The offset on the drive of a byte of the window.
    pub fn absolute(&self, offset: u64) -> ByteOffset {
        ByteOffset(self.extent.start.0.saturating_add(offset))
    }

    /// As [`Reader::read`], from the window's start; `Ok(None)` when the bytes do not all lie in the window.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read(&self, offset: u64, bytes: u64) -> Result<Option<Block>, SourceLost> {
        self.locate(offset, bytes).map(|extent| self.read_extent(extent)).transpose()
    }

    /// As [`Reader::read`].
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read_extent(&self, extent: Extent) -> Result<Block, SourceLost> {
        let Some(view) = self.view else { return self.reader.read(extent) };
        let mut plain = Block { extent, bytes: vec![0; length(extent.bytes)], unreadable: ExtentSet::new() };
        for part in view.parts(extent) {
            let whole = view.whole_sectors(part);
            let Some(stored) = whole.on_drive() else { continue };
            let mut block = self.reader.read(stored)?;
            view.decrypt(whole, &mut block.bytes);
            plain.bytes[bytes_of(part.plain, extent)].copy_from_slice(&block.bytes[bytes_of(part.plain, whole.plain)]);
            let missing = view.missing_of(whole, block.unreadable.extents().iter().copied());
            plain.unreadable.extend(missing.intersection(part.plain));
        }
        blank(&mut plain.bytes, extent, &plain.unreadable);
        Ok(plain)
    }

    /// As [`Reader::stream`].
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone; blocks that arrived before were handed over.
    pub fn stream(
        &self,
        extents: &[Extent],
        mut each: impl FnMut(StreamBlock<'_>) -> ControlFlow<()>,
    ) -> Result<(), SourceLost> {
        let Some(view) = self.view else { return self.reader.stream(extents, each) };
        let mut parts = extents.iter().flat_map(|extent| view.parts(*extent)).peekable();
        let mut is_over = false;
        while let Some(part) = parts.peek().copied().filter(|_| !is_over) {
            if part.on_drive().is_none() {
                parts.next();
                is_over = zeros(part.plain, &mut each).is_break();
                continue;
            }
            let mut stored: Vec<(PlainPart, PlainPart)> = Vec::new();
            while let Some(part) = parts.next_if(|part| part.on_drive().is_some()) {
                stored.push((part, view.whole_sectors(part)));
            }
            is_over = self.stream_stored(view, &stored, &mut each)?.is_break();
        }
        Ok(())
    }

    /// Parts that are stored somewhere, each with the whole sectors that it takes.
    fn stream_stored(
        &self,
        view: &PlainView,
        parts: &[(PlainPart, PlainPart)],
        each: &mut impl FnMut(StreamBlock<'_>) -> ControlFlow<()>,
    ) -> Result<ControlFlow<()>, SourceLost> {
        let places: Vec<Extent> = parts.iter().filter_map(|(_, whole)| whole.on_drive()).collect();
        let mut plain = Vec::new();
        let mut next = ControlFlow::Continue(());
        let (mut index, mut done) = (0, 0);
        self.reader.stream_cut_from(view.phase(), &places, |block| {
            // Blocks come in the order of the places, and end where these end.
            let (part, whole) = parts[index];
            let in_whole = Extent::between(whole.plain.start.0 + done, whole.plain.start.0 + done + block.extent.bytes);
            done += block.extent.bytes;
            if done == whole.plain.bytes {
                (index, done) = (index + 1, 0);
            }
            let arrived = view.parts(in_whole).next().unwrap_or(whole);
            plain.clear();
            plain.extend_from_slice(block.bytes);
            view.decrypt(arrived, &mut plain);
            let Some(wanted) = in_whole.intersection(&part.plain) else { return ControlFlow::Continue(()) };
            let missing = |stored: &ExtentSet| -> ExtentSet {
                let of_block = view.missing_of(arrived, stored.extents().iter().copied());
                of_block.intersection(wanted).into_iter().collect()
            };
            let (unreadable, not_read_yet) = (missing(&block.unreadable), missing(&block.not_read_yet));
            let bytes = &mut plain[bytes_of(wanted, in_whole)];
            blank(bytes, wanted, &unreadable);
            next = each(StreamBlock { extent: wanted, bytes, unreadable, not_read_yet });
            next
        })?;
        Ok(next)
    }

    /// Whether all of a range was read by now, or was never requested.
    pub fn has_not_failed(&self, extent: Extent) -> bool {
        let unreadable = self.reader.unreadable();
        self.on_drive(extent).iter().all(|place| unreadable.bytes_within(*place) == 0)
    }

    /// Where the bytes of a range are stored.
    pub fn on_drive(&self, extent: Extent) -> Vec<Extent> {
        self.view.map_or_else(|| vec![extent], |view| view.on_drive(extent).collect())
    }
}

/// What is missing is zero, whatever decrypting made of it.
fn blank(bytes: &mut [u8], extent: Extent, missing: &ExtentSet) {
    missing.extents().iter().for_each(|part| bytes[bytes_of(*part, extent)].fill(0));
}

/// Hands over zeros that are stored nowhere.
fn zeros(extent: Extent, each: &mut impl FnMut(StreamBlock<'_>) -> ControlFlow<()>) -> ControlFlow<()> {
    let bytes = vec![0; length(extent.bytes.min(Reader::STREAM_REQUEST))];
    for piece in extent.pieces(Reader::STREAM_REQUEST) {
        let bytes = &bytes[..length(piece.bytes)];
        each(StreamBlock { extent: piece, bytes, unreadable: ExtentSet::new(), not_read_yet: ExtentSet::new() })?;
    }
    ControlFlow::Continue(())
}
