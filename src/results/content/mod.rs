//! The content of a file as a case holds it: every byte of it in order, or why it is not there.
//!
//! Whatever is missing keeps its place and its length. Nothing is read from the drive.

mod compressed;
mod place;
mod runs;

use crate::filesystem::ntfs::{RecordPlaces, RereadError, attribute};
use crate::filesystem::{Node, Role, Stream, VolumeMap};
use crate::source::{CopyStore, PlainStore};
use place::Fetch;
use serde::Serialize;
use std::io;

/// Why bytes of a file are not there.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Absence {
    /// The case does not hold their place: not planned, not yet read, or skipped.
    NotRead,
    /// Their place could not be read.
    Unreadable,
    /// Their place is not known: the run list is damaged or ends too early, or points outside the volume.
    NoPlace,
    /// What holds them (a file record, a compression unit) was read and makes no sense.
    Damaged,
}

impl Absence {
    /// What people read.
    pub fn name(self) -> &'static str {
        match self {
            Absence::NotRead => "not read",
            Absence::Unreadable => "unreadable",
            Absence::NoPlace => "place unknown",
            Absence::Damaged => "damaged",
        }
    }
}

/// The next bytes of a file.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Piece<'b> {
    /// Bytes as they are in the file.
    Bytes(&'b [u8]),
    /// So many zero bytes that are nowhere stored: a hole, or what was never written.
    Zeros(u64),
    /// So many bytes that are missing.
    Missing(u64, Absence),
}

impl Piece<'_> {
    /// Its length in the file, in bytes.
    pub fn bytes(&self) -> u64 {
        match self {
            Piece::Bytes(bytes) => bytes.len() as u64,
            Piece::Zeros(count) | Piece::Missing(count, _) => *count,
        }
    }
}

/// Reads the contents of one volume's files out of a case.
pub struct Contents<'c> {
    volume: &'c VolumeMap,
    store: PlainStore<'c>,
    records: Option<&'c RecordPlaces>,
    buffer: Vec<u8>,
}

impl<'c> Contents<'c> {
    /// The files of `volume` as `store` holds them.
    pub fn new(volume: &'c VolumeMap, store: &'c dyn CopyStore) -> Contents<'c> {
        Contents { volume, store: volume.of_store(store), records: RecordPlaces::of(volume), buffer: Vec::new() }
    }

    /// Hands over a stream's content in order, piece by piece; their lengths add up to [`Stream::size`]. A piece holds
    /// at most 1 MiB of bytes. Encrypted content comes as it is stored.
    ///
    /// # Errors
    /// What the kernel says of the case, or what `each` gives. Missing bytes are pieces, not errors.
    pub fn read(
        &mut self,
        node: &Node<'_>,
        stream: &Stream<'_>,
        each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
    ) -> io::Result<()> {
        if stream.size() == 0 {
            Ok(())
        } else if stream.is_resident() {
            self.read_resident(node, stream, each)
        } else if stream.compression_unit() > 0 {
            self.read_compressed(stream, each)
        } else {
            self.read_runs(stream, each)
        }
    }

    /// The tag of a file's reparse point: what kind of stand-in the file is. `None` when it is no stand-in, or when the copy cannot
    /// tell because the record is missing.
    ///
    /// # Errors
    /// What the kernel says of the case.
    pub fn reparse_tag(&mut self, node: &Node<'_>) -> io::Result<Option<u32>> {
        let value = match self.resident(node, attribute::REPARSE_POINT, None) {
            Ok(value) => value,
            Err(RereadError::Fetch(Fetch::Io(error))) => return Err(error),
            Err(_) => {
                let Some(stream) = node.streams().find(|s| s.role() == Role::Reparse) else { return Ok(None) };
                let mut start = Vec::new();
                self.read(node, &stream, &mut |piece| {
                    if let (true, Piece::Bytes(bytes)) = (start.len() < 4, piece) {
                        start.extend_from_slice(&bytes[..bytes.len().min(4)]);
                    }
                    Ok(())
                })?;
                start
            }
        };
        Ok(value.first_chunk::<4>().map(|tag| u32::from_le_bytes(*tag)))
    }

    fn resident(&self, node: &Node<'_>, kind: u32, name: Option<&str>) -> Result<Vec<u8>, RereadError<Fetch>> {
        let places = self.records.ok_or(RereadError::NoPlace(node.number()))?;
        places.resident(self.volume, node.number(), kind, name, &mut |extent| place::fetch(&self.store, extent))
    }

    fn read_resident(
        &mut self,
        node: &Node<'_>,
        stream: &Stream<'_>,
        each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
    ) -> io::Result<()> {
        // Only content is taken out of records; the catalog keeps no other resident attributes.
        let absence = match self.resident(node, attribute::DATA, stream.name()) {
            Ok(value) if value.len() as u64 == stream.size() => return each(Piece::Bytes(&value)),
            Err(RereadError::Fetch(Fetch::Io(error))) => return Err(error),
            Err(RereadError::Fetch(Fetch::Absent(absence))) => absence,
            Err(RereadError::NoPlace(_)) => Absence::NoPlace,
            Ok(_) | Err(_) => Absence::Damaged,
        };
        each(Piece::Missing(stream.size(), absence))
    }
}
