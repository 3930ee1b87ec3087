//! Reading what folders hold, where a folder is a file of entries in clusters of its own (FAT, exFAT).

use crate::base::extent::{Extent, ExtentSet};
use crate::base::units::ByteOffset;
use crate::source::{SourceLost, Window};
use std::ops::ControlFlow;

/// Folders are read and parsed in batches of about this many bytes, which bounds the memory they take.
const BATCH_BYTES: u64 = 16 << 20;

/// What a folder's clusters hold.
pub(super) struct Content {
    /// Where the bytes lie on the drive, in folder order.
    pub extents: Vec<Extent>,
    /// The bytes of all extents.
    pub bytes: Vec<u8>,
    /// What of the extents could not be read.
    pub unreadable: ExtentSet,
}

/// A folder that is placed and not yet read.
pub(super) trait Placed {
    /// Where its entries lie, in folder order.
    fn extents(&self) -> &[Extent];

    /// Bytes of its entries.
    fn bytes(&self) -> u64 {
        self.extents().iter().map(|e| e.bytes).sum()
    }

    /// Where its entries start.
    fn start(&self) -> ByteOffset {
        self.extents().first().map_or(ByteOffset(0), |e| e.start)
    }
}

/// Reads folders level by level, those of one level in the order they have on the drive. `list` is given each with what it
/// holds, and the list that its subfolders are to be added to.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read_levels<F: Placed>(
    window: &Window<'_>,
    mut level: Vec<F>,
    mut list: impl FnMut(&F, &Content, &mut Vec<F>),
) -> Result<(), SourceLost> {
    while !level.is_empty() {
        level.sort_by_key(Placed::start);
        window.reader().announce("folders", level.iter().map(Placed::bytes).sum());
        let mut below = Vec::new();
        let mut rest = level.as_slice();
        while !rest.is_empty() {
            let (batch, later) = rest.split_at(batch_length(rest.iter().map(Placed::bytes)));
            let places: Vec<&[Extent]> = batch.iter().map(Placed::extents).collect();
            for (folder, content) in batch.iter().zip(read_batch(window, &places)?) {
                list(folder, &content, &mut below);
            }
            rest = later;
        }
        level = below;
    }
    Ok(())
}

/// How many folders from the start of a list make a batch, by their sizes in bytes: at least one.
fn batch_length(sizes: impl Iterator<Item = u64>) -> usize {
    let mut bytes = 0;
    let fits = sizes.take_while(|size| {
        bytes += size;
        bytes <= BATCH_BYTES
    });
    fits.count().max(1)
}

/// Reads folders, given by their places, in the order their clusters have on the drive, neighbouring ones in one
/// request. The places must lie in the window, and none may be given twice.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub(super) fn read_batch(window: &Window<'_>, folders: &[&[Extent]]) -> Result<Vec<Content>, SourceLost> {
    let empty = |extents: &&[Extent]| Content {
        extents: extents.to_vec(),
        bytes: vec![0; index(extents.iter().map(|e| e.bytes).sum())],
        unreadable: ExtentSet::new(),
    };
    let mut contents: Vec<Content> = folders.iter().map(empty).collect();
    // Each piece with its folder and its place in that folder's bytes.
    let mut pieces: Vec<(Extent, usize, usize)> = Vec::new();
    for (number, extents) in folders.iter().enumerate() {
        let mut at = 0;
        for extent in *extents {
            pieces.push((*extent, number, at));
            at += index(extent.bytes);
        }
    }
    pieces.sort_unstable();
    let all: ExtentSet = pieces.iter().map(|(extent, ..)| *extent).collect();
    let mut first = 0;
    window.stream(all.extents(), |block| {
        while pieces.get(first).is_some_and(|(extent, ..)| extent.end() <= block.extent.start.0) {
            first += 1;
        }
        for (extent, number, at) in pieces[first..].iter().take_while(|p| p.0.start.0 < block.extent.end()) {
            let Some(shared) = extent.intersection(&block.extent) else { continue };
            let from = index(shared.start.0 - block.extent.start.0);
            let to = at + index(shared.start.0 - extent.start.0);
            let count = index(shared.bytes);
            let content = &mut contents[*number];
            content.bytes[to..to + count].copy_from_slice(&block.bytes[from..from + count]);
            for lost in block.unreadable.intersection(shared) {
                content.unreadable.insert(lost);
            }
        }
        ControlFlow::Continue(())
    })?;
    Ok(contents)
}

/// A place in a batch in memory.
fn index(bytes: u64) -> usize {
    usize::try_from(bytes).expect("a batch is far smaller than memory")
}
