//! The two copies of a GPT: reading each, and how far each can be trusted.

use super::entries;
use super::header::{Header, HeaderState};
use crate::base::extent::Extent;
use crate::base::units::{ByteOffset, Lba, SectorSize};
use crate::partition::drive::Drive;
use crate::partition::signature::checksums::crc32_ieee;
use crate::source::SourceLost;

/// Which copy.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Which {
    Primary,
    Backup,
}

impl Which {
    pub(super) fn name(self) -> &'static str {
        match self {
            Which::Primary => "primary",
            Which::Backup => "backup",
        }
    }
}

/// What stands where an entry array should be.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Array {
    /// Not looked for, or not on the drive.
    Absent,
    /// Does not agree with the CRC in the header, or some of its sectors cannot be read; those are zero in `bytes`.
    Damaged { bytes: Vec<u8>, why: String },
    /// Agrees with the CRC in the header.
    Sound(Vec<u8>),
}

impl Array {
    pub(super) fn bytes(&self) -> Option<&[u8]> {
        match self {
            Array::Absent => None,
            Array::Damaged { bytes, .. } | Array::Sound(bytes) => Some(bytes),
        }
    }

    pub(super) fn is_sound(&self) -> bool {
        matches!(self, Array::Sound(_))
    }
}

/// One copy: a header and the array it leads to.
#[derive(Clone, Debug)]
pub(super) struct Copy {
    pub(super) which: Which,
    /// The sector the header was looked for in.
    pub(super) at: Lba,
    pub(super) state: HeaderState,
    pub(super) array: Array,
    /// Where the array was read, if it was.
    pub(super) array_place: Option<Extent>,
    /// The header whose measures and CRC the array was read by: its own, or that of the other copy.
    read_by: Option<Header>,
}

impl Copy {
    /// Reads the header of a copy, and nothing else yet.
    pub(super) fn header(drive: &Drive<'_>, which: Which, at: Lba, unit: SectorSize) -> Result<Copy, SourceLost> {
        let state = match drive.read(at, unit.bytes(), unit)? {
            None => HeaderState::Absent,
            Some(block) => block.whole().map_or(HeaderState::Unreadable, |sector| HeaderState::of(sector, at, unit)),
        };
        Ok(Copy { which, at, state, array: Array::Absent, array_place: None, read_by: None })
    }

    /// Reads the array that the copy's own header leads to, if that header is sound or good enough to try.
    pub(super) fn read_array(&mut self, drive: &Drive<'_>, unit: SectorSize) -> Result<(), SourceLost> {
        match self.state.usable().cloned() {
            Some(header) => {
                let at = header.array;
                self.read_array_by(drive, header, at, unit)
            }
            None => Ok(()),
        }
    }

    /// Reads an array at `at` by the measures and the CRC in `header`, which may be that of the other copy.
    pub(super) fn read_array_by(
        &mut self,
        drive: &Drive<'_>,
        header: Header,
        at: Lba,
        unit: SectorSize,
    ) -> Result<(), SourceLost> {
        // An array in front of sector 2 would be the MBR and the header themselves.
        if at.0 < 2 {
            return Ok(());
        }
        let Some(block) = drive.read(at, header.array_bytes(), unit)? else { return Ok(()) };
        self.array_place = Some(block.extent);
        self.array = if !block.unreadable.is_empty() {
            let why = format!("{} of its {} bytes were not read", block.unreadable.bytes(), block.extent.bytes);
            Array::Damaged { bytes: block.bytes, why }
        } else {
            match crc32_ieee(&[&block.bytes]) {
                is if is == header.array_crc => Array::Sound(block.bytes),
                is => {
                    let why = format!("its CRC is {is:08X} where {:08X} is given", header.array_crc);
                    Array::Damaged { bytes: block.bytes, why }
                }
            }
        };
        self.read_by = Some(header);
        Ok(())
    }

    /// How far the copy can be trusted: 4 when header and array are sound, 0 when there is nothing to use. A sound
    /// array counts more than a sound header, for the array is what names the partitions.
    pub(super) fn rank(&self) -> u8 {
        match (self.state.sound().is_some(), &self.array) {
            (true, Array::Sound(_)) => 4,
            (false, Array::Sound(_)) => 3,
            (true, Array::Damaged { .. }) => 2,
            (false, Array::Damaged { .. }) if self.names_something() => 1,
            _ => 0,
        }
    }

    fn names_something(&self) -> bool {
        let Some((bytes, header)) = self.contents() else { return false };
        entries::raw(bytes, header).any(entries::is_used)
    }

    /// The array's bytes with the header they were read by.
    pub(super) fn contents(&self) -> Option<(&[u8], &Header)> {
        self.array.bytes().zip(self.read_by.as_ref())
    }

    /// Where the header was looked for.
    pub(super) fn place(&self, unit: SectorSize) -> ByteOffset {
        unit.offset_of(self.at).unwrap_or(ByteOffset(u64::MAX))
    }

    /// The whole sectors on the drive that belong to this copy.
    pub(super) fn extents(&self, drive: &Drive<'_>, unit: SectorSize) -> Vec<Extent> {
        let header = drive.locate(self.at, unit.bytes(), unit);
        let array = self.array_place.map(|place| place.aligned_to(unit.bytes()));
        header.into_iter().chain(array).filter_map(|e| e.intersection(&drive.extent())).collect()
    }
}
