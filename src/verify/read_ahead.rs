//! Reading an image while what was read before is being hashed on another thread.

use crate::extent::Extent;
use crate::image::Image;
use std::io;
use std::sync::mpsc;
use std::thread;

/// Largest single read, in bytes. With three buffers of it, this is all the memory that reading takes.
const PIECE: u64 = 1 << 20;

/// What is handed over for each piece: where it lies, and its bytes or why it could not be read.
pub(super) type Read<'b> = (Extent, io::Result<&'b [u8]>);

/// Reads `chunks` in order, piece by piece, and hands each piece to `digest` on another thread, `Some(chunk)` with the
/// last piece of each chunk. Ends early when `chunks` gives an error, which comes back.
pub(super) fn stream<C: Copy + Send, E>(
    image: &dyn Image,
    chunks: impl Iterator<Item = Result<(Extent, C), E>>,
    mut digest: impl FnMut(Read<'_>, Option<(Extent, C)>) + Send,
    progress: &mut dyn FnMut(u64),
) -> Result<(), E> {
    let (full_sender, full) = mpsc::sync_channel::<(Extent, io::Result<Vec<u8>>, Option<(Extent, C)>)>(1);
    let (spare_sender, spare) = mpsc::channel::<Vec<u8>>();
    for _ in 0..3 {
        let _ = spare_sender.send(Vec::new());
    }
    thread::scope(|scope| {
        let worker = scope.spawn(move || {
            for (piece, bytes, last) in full {
                match bytes {
                    Ok(buffer) => {
                        digest((piece, Ok(&buffer)), last);
                        let _ = spare_sender.send(buffer);
                    }
                    Err(error) => {
                        digest((piece, Err(error)), last);
                        let _ = spare_sender.send(Vec::new());
                    }
                }
            }
        });
        let outcome = (|| {
            for chunk in chunks {
                let (extent, mark) = chunk?;
                for piece in extent.pieces(PIECE) {
                    let Ok(mut buffer) = spare.recv() else { return Ok(()) };
                    buffer.resize(usize::try_from(piece.bytes).expect("at most 1 MiB"), 0);
                    let bytes = image.read_at(piece.start, &mut buffer).map(|()| buffer);
                    let last = (piece.end() == extent.end()).then_some((extent, mark));
                    if full_sender.send((piece, bytes, last)).is_err() {
                        return Ok(());
                    }
                    progress(piece.bytes);
                }
            }
            Ok(())
        })();
        drop(full_sender);
        worker.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic));
        outcome
    })
}
