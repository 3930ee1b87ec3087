//! Content that NTFS compressed. It is cut into units; a unit of which all clusters exist is stored as it is, one with
//! fewer is stored compressed in them, one without clusters is zero. Source: Linux fs/ntfs/compress.c (from memory).

use super::place::{Fetch, fetch_into, length, some};
use super::{Absence, Contents, Piece};
use crate::base::units::Lcn;
use crate::filesystem::Stream;
use crate::filesystem::ntfs::lznt1;
use std::io;

/// The largest unit that is decoded, in bytes; the format's own limit is 64 KiB (16 clusters of up to 4 KiB).
const LARGEST_UNIT: u64 = 1 << 20;

/// The stored clusters of one unit.
#[derive(Default)]
struct Unit {
    runs: Vec<(Option<Lcn>, u64)>,
    stored: u64,
}

impl Unit {
    fn push(&mut self, first: Option<Lcn>, count: u64) {
        self.stored += if first.is_some() { count } else { 0 };
        self.runs.push((first, count));
    }
}

impl Contents<'_> {
    pub(super) fn read_compressed(
        &mut self,
        stream: &Stream<'_>,
        each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
    ) -> io::Result<()> {
        let (size, content) = (stream.size(), stream.size().min(stream.valid()));
        let clusters = u64::from(stream.compression_unit());
        let unit_bytes = clusters.saturating_mul(self.volume.geometry.cluster_bytes);
        let mut layout = stream.layout();
        let (mut rest, mut at) = (layout.next(), 0u64);
        let mut unit = Unit::default();
        while let (Some((first, count)), true) = (rest, at < content) {
            // A hole of whole units needs no unit by unit: it may be larger than the drive.
            if unit.runs.is_empty() && first.is_none() && count >= clusters {
                let units = count / clusters;
                let bytes = units.saturating_mul(unit_bytes).min(content - at);
                self.read_run(None, 0, bytes, stream.is_incomplete(), each)?;
                at += bytes;
                rest = left(first, count, units * clusters).or_else(|| layout.next());
                continue;
            }
            let taken = count.min(clusters - unit.runs.iter().map(|run| run.1).sum::<u64>());
            unit.push(first, taken);
            rest = left(first, count, taken).or_else(|| layout.next());
            let full = unit.runs.iter().map(|run| run.1).sum::<u64>() == clusters;
            if full || rest.is_none() {
                let bytes = unit_bytes.min(content - at);
                self.read_unit(&std::mem::take(&mut unit), clusters, bytes, stream.is_incomplete(), each)?;
                at += bytes;
            }
        }
        some(Piece::Missing(content - at, Absence::NoPlace), each)?;
        some(Piece::Zeros(size - content), each)
    }

    /// The first `bytes` bytes of a unit.
    fn read_unit(
        &mut self,
        unit: &Unit,
        clusters: u64,
        bytes: u64,
        incomplete: bool,
        each: &mut dyn FnMut(Piece<'_>) -> io::Result<()>,
    ) -> io::Result<()> {
        let cluster = self.volume.geometry.cluster_bytes;
        if unit.stored == 0 {
            return self.read_run(None, 0, bytes, incomplete, each);
        }
        if unit.stored == clusters {
            let mut wanted = bytes;
            for &(first, count) in &unit.runs {
                let part = (count * cluster).min(wanted);
                self.read_run(first, count, part, incomplete, each)?;
                wanted -= part;
            }
            return Ok(());
        }
        match self.decoded(unit, clusters * cluster) {
            Ok(decoded) => each(Piece::Bytes(&decoded[..length(bytes)])),
            Err(Fetch::Absent(absence)) => each(Piece::Missing(bytes, absence)),
            Err(Fetch::Io(error)) => Err(error),
        }
    }

    /// A compressed unit, decoded. One missing cluster spoils all of it.
    fn decoded(&self, unit: &Unit, unit_bytes: u64) -> Result<Vec<u8>, Fetch> {
        let damaged = Fetch::Absent(Absence::Damaged);
        // The stored clusters come first, the hole behind them.
        let ends = unit.runs.iter().position(|run| run.0.is_none()).unwrap_or(unit.runs.len());
        if unit_bytes > LARGEST_UNIT || unit.runs[ends..].iter().any(|run| run.0.is_some()) {
            return Err(damaged);
        }
        let mut stored = vec![0; length(unit.stored * self.volume.geometry.cluster_bytes)];
        let mut at = 0;
        for &(first, count) in &unit.runs[..ends] {
            let bytes = count * self.volume.geometry.cluster_bytes;
            let extent = first.and_then(|first| self.extent(first, count)).filter(|extent| extent.bytes == bytes);
            let extent = extent.ok_or(Fetch::Absent(Absence::NoPlace))?;
            fetch_into(&self.store, extent, &mut stored[at..at + length(bytes)])?;
            at += length(bytes);
        }
        let mut decoded = vec![0; length(unit_bytes)];
        lznt1::decode(&stored, &mut decoded).map_err(|_| damaged)?;
        Ok(decoded)
    }
}

/// What is left of a run behind its first `taken` clusters.
fn left(first: Option<Lcn>, count: u64, taken: u64) -> Option<(Option<Lcn>, u64)> {
    (taken < count).then(|| (first.map(|lcn| Lcn(lcn.0 + taken)), count - taken))
}
