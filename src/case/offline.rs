//! The drive's stand-in when only the case is there.

use crate::base::units::ByteOffset;
use crate::source::{ReadError, Source, SourceIdentity};

pub(super) struct NoDrive {
    identity: SourceIdentity,
    /// Whether an earlier survey left structure.
    structure_left: bool,
}

impl NoDrive {
    pub(super) fn new(identity: SourceIdentity, structure_left: bool) -> NoDrive {
        NoDrive { identity, structure_left }
    }
}

impl Source for NoDrive {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, _start: ByteOffset, _buffer: &mut [u8]) -> Result<(), ReadError> {
        Err(ReadError::NotHeld)
    }

    fn left_structure_before(&self) -> bool {
        self.structure_left
    }
}
