//! Reading an image while what was read before is being hashed on another thread.

use crate::base::extent::Extent;
use crate::store::image::Image;
use std::io;
use std::sync::mpsc;
use std::thread;

/// Largest single read, in bytes. One is being filled, one waits, one is being hashed: with three buffers of it, this is all the
/// memory that reading takes.
const PIECE: usize = 1 << 20;

static ZEROS: [u8; PIECE] = [0; PIECE];

/// A piece of a chunk.
pub(super) struct Piece<'b, C> {
    /// Its bytes, or why they could not be read.
    pub(super) bytes: io::Result<&'b [u8]>,
    /// The chunk it belongs to.
    pub(super) chunk: (Extent, C),
    /// Whether it is the last one of its chunk.
    pub(super) is_last: bool,
}

/// What was read of a piece.
enum Content {
    Read(Vec<u8>),
    /// Nothing is stored there, so it was not read.
    Hole(usize),
    Lost(io::Error),
}

/// Reads `chunks` in order, piece by piece, and hands each piece to `digest` on another thread. Holes of the image are not
/// read. Ends early when `chunks` gives an error, which comes back.
pub(super) fn stream<C: Copy + Send, E>(
    image: &dyn Image,
    chunks: impl Iterator<Item = Result<(Extent, C), E>>,
    mut digest: impl FnMut(Piece<'_, C>) + Send,
    progress: &mut dyn FnMut(u64),
) -> Result<(), E> {
    let (full_sender, full) = mpsc::sync_channel::<(Content, (Extent, C), bool)>(1);
    let (spare_sender, spare) = mpsc::channel::<Vec<u8>>();
    thread::scope(|scope| {
        let worker = scope.spawn(move || {
            for (content, chunk, is_last) in full {
                let mut hand_over = |bytes: io::Result<&[u8]>| digest(Piece { bytes, chunk, is_last });
                match content {
                    Content::Read(buffer) => {
                        hand_over(Ok(&buffer));
                        let _ = spare_sender.send(buffer);
                    }
                    Content::Hole(count) => hand_over(Ok(&ZEROS[..count])),
                    Content::Lost(error) => hand_over(Err(error)),
                }
            }
        });
        let outcome = (|| {
            for chunk in chunks {
                let (extent, mark) = chunk?;
                let mut at = extent.start;
                while at.0 < extent.end() {
                    let left = usize::try_from(extent.end() - at.0).unwrap_or(PIECE).min(PIECE);
                    let hole = usize::try_from(image.hole(at)).unwrap_or(PIECE).min(left);
                    let count = if hole > 0 { hole } else { left };
                    let content = if hole > 0 {
                        Content::Hole(hole)
                    } else {
                        let mut buffer = spare.try_recv().unwrap_or_default();
                        buffer.resize(count, 0);
                        match image.read_at(at, &mut buffer) {
                            Ok(()) => Content::Read(buffer),
                            Err(error) => Content::Lost(error),
                        }
                    };
                    at.0 += count as u64;
                    if full_sender.send((content, (extent, mark), at.0 == extent.end())).is_err() {
                        return Ok(());
                    }
                    progress(count as u64);
                }
            }
            Ok(())
        })();
        drop(full_sender);
        worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        outcome
    })
}
