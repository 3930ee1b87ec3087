//! The list of checksums beside what was taken, as `sha256sum --check` reads it in the destination folder.

use super::destination::Destination;
use super::{TakeError, Taken};
use crate::results::verify::checksum_line;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::Path;

/// Its name, unless a file that was taken has it.
const NAME: &str = "taken.sha256";

/// The list while it grows. It takes its name at the end.
pub(super) struct ChecksumList {
    out: BufWriter<File>,
    part: String,
    written: io::Result<()>,
}

impl ChecksumList {
    pub(super) fn begin(destination: &mut Destination) -> Result<ChecksumList, TakeError> {
        let part = destination.new_part(Destination::TOP);
        let (file, part) = part.map_err(|error| TakeError::io(destination.full_path_of(Destination::TOP), error))?;
        Ok(ChecksumList { out: BufWriter::new(file), part, written: Ok(()) })
    }

    /// Adds a file under each name that it was written by.
    pub(super) fn add(&mut self, taken: &Taken) {
        let Some(sha256) = &taken.sha256 else { return };
        for path in taken.written_to.iter().chain(taken.other_names.iter().map(|(_, path)| path)) {
            if self.written.is_ok() {
                self.written = self.out.write_all(&checksum_line(sha256, path.as_os_str()));
            }
        }
    }

    /// Gives it its name. What it lists is complete, also when the work ended early.
    pub(super) fn finish(self, destination: &mut Destination) -> Result<(), TakeError> {
        let ChecksumList { mut out, part, written } = self;
        let name = destination.name_for(Destination::TOP, NAME);
        let put = written.and_then(|()| out.flush()).and_then(|()| destination.put(Destination::TOP, &part, &name));
        put.map_err(|error| {
            destination.discard(Destination::TOP, &part);
            TakeError::io(destination.full_path_of(Destination::TOP).join(Path::new(&name)), error)
        })
    }
}
