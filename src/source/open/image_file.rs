//! A regular file that holds a drive's bytes.

use crate::base::units::{ByteOffset, SectorSize};
use crate::source::{OpenError, ReadError, Source, SourceIdentity, SourceKind};
use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;

pub(super) struct ImageFile {
    file: File,
    identity: SourceIdentity,
}

impl ImageFile {
    pub(super) fn new(path: &Path, file: File, sector: SectorSize) -> Result<ImageFile, OpenError> {
        let bytes = file.metadata().map_err(|e| OpenError::from_io(path, e))?.len();
        let identity = SourceIdentity {
            path: path.to_path_buf(),
            kind: SourceKind::ImageFile,
            bytes,
            logical_sector: sector,
            physical_sector: sector,
            model: None,
            serial: None,
            details: Default::default(),
        };
        Ok(ImageFile { file, identity })
    }
}

impl Source for ImageFile {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        self.file.read_exact_at(buffer, start.0).map_err(ReadError::from_io)
    }
}
