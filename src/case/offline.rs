//! The drive's stand-in when only the case is there.

use crate::source::{ReadError, Source, SourceIdentity};
use crate::units::ByteOffset;

pub(super) struct NoDrive {
    identity: SourceIdentity,
}

impl NoDrive {
    pub(super) fn new(identity: SourceIdentity) -> NoDrive {
        NoDrive { identity }
    }
}

impl Source for NoDrive {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, _start: ByteOffset, _buffer: &mut [u8]) -> Result<(), ReadError> {
        Err(ReadError::NotHeld)
    }
}
