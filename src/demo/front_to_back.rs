//! The drive of the demo read without a plan, for comparison.

use crate::case::Case;
use crate::copy::session::SessionError;
use crate::drive::sick::SickDrive;
use crate::source::{CopyStore, Reader, Source, SourceLost};
use crate::store::image::ImageForm;
use std::path::Path;

/// Bytes of a request: as many as a copy's.
pub const REQUEST_BYTES: u64 = 1 << 20;

/// Reads a drive from its first byte to its last into a new case in `folder`, until the end or until the drive is gone.
///
/// A request that fails is made once: all of it is left out, and the next one follows at once. That is the quickest way past a
/// damaged place that a reader without a plan has. One that retried, or went on sector by sector, would pay for each try with
/// the drive's time for a failed read.
///
/// # Errors
/// [`SessionError`] when the case cannot be made or written.
pub fn read_front_to_back(drive: &SickDrive, folder: &Path, request_bytes: u64) -> Result<(), SessionError> {
    let case = Case::open_or_create(folder, drive.identity(), ImageForm::Raw)?;
    let reader = Reader::new(Box::new(drive.clone()), None);
    let mut buffer = vec![0; usize::try_from(request_bytes).expect("a request fits in memory")];
    for request in drive.identity().extent().pieces(request_bytes) {
        let bytes = &mut buffer[..usize::try_from(request.bytes).expect("no more than the buffer has")];
        match reader.attempt(request, bytes) {
            Ok(attempt) if attempt.failure.is_some() => {}
            Ok(_) => case.store().keep(request, bytes).map_err(SourceLost::Store)?,
            Err(SourceLost::Gone { .. }) => break,
            Err(lost) => return Err(lost.into()),
        }
    }
    Ok(case.store().commit().map_err(SourceLost::Store)?)
}
