//! Making sure that a drive is the one a case belongs to, unchanged.

use crate::base::extent::Extent;
use crate::case::{Attachment, Case, CaseError, Entry, IDENTITY_BYTES};
use crate::source::{CopyStore, Reader, SourceKind};

/// Places that fail before no more are read: each can cost a failing drive seconds, and wear.
const FAILURES_ALLOWED: usize = 3;

/// What the technician answers for where the drive cannot tell.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Word {
    /// It is the case's drive, although no serial number and none of its identifying places says so.
    pub same_drive: bool,
    /// The image file was changed since it was last read, and that is all right.
    pub source_changed: bool,
}

/// By what a drive was found to be the case's.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Confirmed {
    /// The kernel shows that it was neither detached nor written to.
    Attachment,
    /// Its tables and boot sectors are what the case holds.
    Content,
    /// Its serial number and size; none of its identifying places could be read.
    Serial,
    /// The technician's word.
    Word,
}

impl Case {
    /// Makes sure that a drive is the one this case belongs to.
    ///
    /// Nothing is read when the kernel shows that the drive was neither detached nor written to since the case last saw
    /// it. Else the places that identify it are read again (at most 64 KiB) and compared with the image. Where none can be
    /// read, a serial number that both sides know must do, or the technician's word, which the record keeps.
    ///
    /// # Errors
    /// [`CaseError::OtherDrive`] names what differs; [`CaseError::SourceChanged`]; [`CaseError::NotConfirmed`];
    /// [`CaseError::Source`] when the device is gone.
    pub fn confirm(&mut self, reader: &Reader, word: Word) -> Result<Confirmed, CaseError> {
        let identity = reader.identity();
        self.file.source.check(identity)?;
        let attachment = Attachment::of(identity);
        if attachment.is_known() && attachment == self.file.attachment {
            return Ok(Confirmed::Attachment);
        }
        let compared = self.compare(reader)?;
        let changed = identity.kind == SourceKind::ImageFile && self.file.attachment.was_changed(&attachment);
        if changed && !word.source_changed {
            return Err(CaseError::SourceChanged {
                path: identity.path.clone(),
                before: self.file.attachment.when_changed(),
                now: attachment.when_changed(),
            });
        }
        let confirmed = match compared {
            Some(confirmed) => confirmed,
            None if self.file.source.has_serial_of(identity) => Confirmed::Serial,
            None if word.same_drive => Confirmed::Word,
            None => return Err(CaseError::NotConfirmed),
        };
        if changed || confirmed == Confirmed::Word {
            let figures = serde_json::json!({ "source_changed": changed, "same_drive": confirmed == Confirmed::Word });
            let command = "drive accepted by the technician's word".to_owned();
            self.record(&Entry { command, arguments: Vec::new(), outcome: "accepted".to_owned(), figures })?;
        }
        self.file.attachment = attachment;
        self.save()?;
        Ok(confirmed)
    }

    /// Reads the identifying places again; `None` when nothing could be compared although there was something.
    pub(in crate::case) fn compare(&self, reader: &Reader) -> Result<Option<Confirmed>, CaseError> {
        let mut buffer = Vec::new();
        let (mut agreed, mut failed) = (0, 0);
        let places = self.identifying_places();
        for place in &places {
            if self.store.held(*place) != [*place] || failed == FAILURES_ALLOWED {
                continue;
            }
            let Some(now) = reader.look_again(*place)? else {
                failed += 1;
                continue;
            };
            buffer.resize(now.len(), 0);
            self.store.load(*place, &mut buffer).map_err(|e| CaseError::io(&self.folder, e))?;
            if let Some(at) = now.iter().zip(&buffer).position(|(a, b)| a != b) {
                return Err(CaseError::OtherDrive {
                    byte: place.start.0 + at as u64,
                    sector: reader.identity().logical_sector.bytes(),
                });
            }
            agreed += place.bytes;
        }
        Ok((agreed > 0 || places.is_empty()).then_some(Confirmed::Content))
    }

    /// Where a drive is compared with the case. Before the first survey has come to its end there are no tables yet: then
    /// what is held first, which a survey reads first.
    fn identifying_places(&self) -> Vec<Extent> {
        if !self.file.identity_places.is_empty() {
            return self.file.identity_places.clone();
        }
        let mut left = IDENTITY_BYTES;
        let held = self.store.held(Extent::between(0, self.file.source.bytes)).into_iter().map_while(|place| {
            let bytes = place.bytes.min(left);
            left -= bytes;
            (bytes > 0).then(|| Extent::between(place.start.0, place.start.0 + bytes))
        });
        held.collect()
    }
}
