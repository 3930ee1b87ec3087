//! Drives that are one volume of a kind whose first sector tells nothing, or tells something else.

use super::drive::Drive;
use super::mbr::FirstSector;
use crate::partition::signature::{self, Certainty, Recognised, Sign};
use crate::source::SourceLost;

/// What fills a drive on which no table was found; its copy counts as well, since there is nothing to speak against it.
pub(super) fn without_table(drive: &Drive<'_>) -> Result<Option<Recognised>, SourceLost> {
    match signature::look(drive.window())?.filter(|found| found.certainty >= Certainty::Copy) {
        Some(found) => Ok(Some(found)),
        None => signature::look_for_metadata(drive.window()),
    }
}

/// Whether the drive is a disc's content in spite of a table: images for discs that also start from a memory stick have an
/// MBR whose entry covers the whole, from sector 0 on, where no partition can be.
pub(super) fn is_disc_with_table(drive: &Drive<'_>, first: &FirstSector) -> Result<bool, SourceLost> {
    let (FirstSector::Table(mbr) | FirstSector::Protective(mbr) | FirstSector::Unclear(mbr)) = first else {
        return Ok(false);
    };
    if !mbr.ordinary().any(|(_, entry)| entry.first == 0 && entry.sectors > 0) {
        return Ok(false);
    }
    let found = signature::look(drive.window())?;
    Ok(found.is_some_and(|f| matches!(f.kind, Sign::Iso9660 | Sign::Udf) && f.certainty >= Certainty::Consistent))
}
