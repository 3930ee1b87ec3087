//! Attributes of a file record. Source: Linux fs/ntfs/layout.h (`ATTR_RECORD`), fs/ntfs3/ntfs.h (`struct ATTRIB`).

use crate::base::fields::{le16, le32, le64, u16_at};

/// $STANDARD_INFORMATION.
pub const STANDARD_INFORMATION: u32 = 0x10;
/// $ATTRIBUTE_LIST.
pub const ATTRIBUTE_LIST: u32 = 0x20;
/// $FILE_NAME.
pub const FILE_NAME: u32 = 0x30;
/// $SECURITY_DESCRIPTOR.
pub const SECURITY_DESCRIPTOR: u32 = 0x50;
/// $VOLUME_NAME.
pub const VOLUME_NAME: u32 = 0x60;
/// $VOLUME_INFORMATION.
pub const VOLUME_INFORMATION: u32 = 0x70;
/// $DATA.
pub const DATA: u32 = 0x80;
/// $INDEX_ROOT.
pub const INDEX_ROOT: u32 = 0x90;
/// $INDEX_ALLOCATION.
pub const INDEX_ALLOCATION: u32 = 0xA0;
/// $BITMAP.
pub const BITMAP: u32 = 0xB0;
/// $REPARSE_POINT.
pub const REPARSE_POINT: u32 = 0xC0;
/// $EA.
pub const EA: u32 = 0xE0;
/// $LOGGED_UTILITY_STREAM.
pub const LOGGED_UTILITY_STREAM: u32 = 0x100;
/// Ends the attributes of a record.
const END: u32 = 0xFFFF_FFFF;

const RESIDENT_HEADER: usize = 0x18;
const NON_RESIDENT_HEADER: usize = 0x40;

/// One attribute, borrowed from its record.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Attribute<'r> {
    /// Its type code.
    pub kind: u32,
    /// Its name, as UTF-16 in little-endian bytes; empty when it has none.
    pub name: &'r [u8],
    /// Flags: see [`Attribute::is_compressed`] and the like.
    pub flags: u16,
    /// Where its content is.
    pub form: Form<'r>,
}

/// Where the content of an attribute is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Form<'r> {
    /// In the record.
    Resident(&'r [u8]),
    /// In clusters.
    NonResident(Extents<'r>),
}

/// A part of a non-resident attribute: the clusters from one VCN up to another.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Extents<'r> {
    /// First VCN described.
    pub first_vcn: u64,
    /// The VCN behind the last one described.
    pub next_vcn: u64,
    /// The packed run list.
    pub packed: &'r [u8],
    /// Sizes; they mean something only where `first_vcn` is 0.
    pub sizes: Sizes,
    /// Logarithm of the clusters in a compression unit, 0 for none.
    pub unit_log2: u8,
}

/// The sizes of a non-resident attribute, in bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Sizes {
    /// Whole clusters, holes included.
    pub allocated: u64,
    /// Content.
    pub size: u64,
    /// Content that was ever written; what is behind reads as zero.
    pub valid: u64,
}

impl Attribute<'_> {
    /// Whether its clusters may hold compressed content.
    pub fn is_compressed(&self) -> bool {
        self.flags & 0x00FF != 0
    }

    /// Whether its content is encrypted by the file system.
    pub fn is_encrypted(&self) -> bool {
        self.flags & 0x4000 != 0
    }

    /// Whether it is marked as having holes.
    pub fn is_sparse(&self) -> bool {
        self.flags & 0x8000 != 0
    }
}

/// What can be wrong with an attribute.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
#[non_exhaustive]
pub enum AttributeError {
    /// The record ends before its attributes do; what follows is lost.
    #[error("the record ends at an attribute (byte {at}) that is not its last")]
    NoEnd {
        /// Where in the record.
        at: usize,
    },
    /// The attribute's length or type is impossible; it and what follows are lost.
    #[error("the attribute at byte {at} has type {kind:#x} and length {length}, which cannot be")]
    Chain {
        /// Where in the record.
        at: usize,
        /// The type code.
        kind: u32,
        /// The length in bytes.
        length: u32,
    },
    /// A part of the attribute lies outside of it; it alone is lost.
    #[error("the attribute of type {kind:#x} at byte {at} has its {what} outside of itself")]
    Inside {
        /// Where in the record.
        at: usize,
        /// The type code.
        kind: u32,
        /// Which part.
        what: &'static str,
    },
    /// VCNs or sizes are impossible; it alone is lost.
    #[error("the attribute of type {kind:#x} at byte {at} has impossible {what}")]
    Figures {
        /// Where in the record.
        at: usize,
        /// The type code.
        kind: u32,
        /// Which figures.
        what: &'static str,
    },
}

/// The attributes of a record whose fixups have been put back.
#[derive(Clone, Debug)]
pub struct Attributes<'r> {
    record: &'r [u8],
    at: usize,
    ended: bool,
}

impl<'r> Attributes<'r> {
    /// The attributes of `record` from byte `first` on. An attribute that is wrong in itself gives an error and the
    /// next one follows; where the chain is broken the error is the last item.
    pub fn new(record: &'r [u8], first: usize) -> Attributes<'r> {
        Attributes { record, at: first, ended: false }
    }
}

impl<'r> Iterator for Attributes<'r> {
    type Item = Result<Attribute<'r>, AttributeError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let at = self.at;
        self.ended = true;
        let Some(kind) = le32(self.record, at) else { return Some(Err(AttributeError::NoEnd { at })) };
        if kind == END {
            return None;
        }
        let Some(length) = le32(self.record, at + 4) else { return Some(Err(AttributeError::NoEnd { at })) };
        let whole = usize::try_from(length)
            .ok()
            .filter(|bytes| *bytes >= RESIDENT_HEADER && bytes.is_multiple_of(8) && kind != 0 && kind & 15 == 0)
            .and_then(|bytes| self.record.get(at..at.checked_add(bytes)?));
        let Some(whole) = whole else { return Some(Err(AttributeError::Chain { at, kind, length })) };
        self.at = at + whole.len();
        self.ended = false;
        Some(parse(whole, kind, at))
    }
}

fn parse(whole: &[u8], kind: u32, at: usize) -> Result<Attribute<'_>, AttributeError> {
    let inside = |what| AttributeError::Inside { at, kind, what };
    let half = |field| u16_at(whole, field);
    let name_units = usize::from(whole[9]);
    let name = if name_units == 0 {
        &[]
    } else {
        let start = usize::from(half(0x0A));
        whole.get(start..start + 2 * name_units).ok_or(inside("name"))?
    };
    let form = match whole[8] {
        0 => {
            let start = usize::from(half(0x14));
            let length = le32(whole, 0x10).and_then(|bytes| usize::try_from(bytes).ok()).ok_or(inside("value"))?;
            let end = start.checked_add(length).ok_or(inside("value"))?;
            Form::Resident(whole.get(start..end).ok_or(inside("value"))?)
        }
        1 => Form::NonResident(extents(whole, kind, at)?),
        _ => return Err(AttributeError::Figures { at, kind, what: "residency" }),
    };
    Ok(Attribute { kind, name, flags: half(0x0C), form })
}

fn extents(whole: &[u8], kind: u32, at: usize) -> Result<Extents<'_>, AttributeError> {
    let figures = |what| AttributeError::Figures { at, kind, what };
    if whole.len() < NON_RESIDENT_HEADER {
        return Err(AttributeError::Inside { at, kind, what: "header" });
    }
    // All of them are signed on the drive; a negative one is impossible, save a last VCN of -1 for no clusters.
    let positive = |field| le64(whole, field).filter(|v| i64::try_from(*v).is_ok());
    let first_vcn = positive(0x10).ok_or(figures("VCNs"))?;
    let next_vcn = le64(whole, 0x18).unwrap_or(0).wrapping_add(1);
    if next_vcn < first_vcn || i64::try_from(next_vcn).is_err() {
        return Err(figures("VCNs"));
    }
    let start = usize::from(le16(whole, 0x20).unwrap_or(0));
    let packed = whole.get(start..).filter(|_| start >= NON_RESIDENT_HEADER).ok_or(AttributeError::Inside {
        at,
        kind,
        what: "run list",
    })?;
    let sizes = if first_vcn == 0 {
        let allocated = positive(0x28).ok_or(figures("sizes"))?;
        let size = positive(0x30).ok_or(figures("sizes"))?;
        let valid = positive(0x38).ok_or(figures("sizes"))?.min(size);
        Sizes { allocated, size, valid }
    } else {
        Sizes::default()
    };
    Ok(Extents { first_vcn, next_vcn, packed, sizes, unit_log2: whole[0x22] })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn resident(kind: u32, value: &[u8]) -> Vec<u8> {
        let length = (0x18 + value.len()).next_multiple_of(8);
        let mut bytes = vec![0; length];
        bytes[..4].copy_from_slice(&kind.to_le_bytes());
        bytes[4..8].copy_from_slice(&u32::try_from(length).unwrap().to_le_bytes());
        bytes[0x10..0x14].copy_from_slice(&u32::try_from(value.len()).unwrap().to_le_bytes());
        bytes[0x14] = 0x18;
        bytes[0x18..0x18 + value.len()].copy_from_slice(value);
        bytes
    }

    fn walk(record: &[u8]) -> Vec<Result<(u32, usize), AttributeError>> {
        Attributes::new(record, 0)
            .map(|item| {
                item.map(|a| match a.form {
                    Form::Resident(value) => (a.kind, value.len()),
                    Form::NonResident(extents) => (a.kind, extents.packed.len()),
                })
            })
            .collect()
    }

    /// Header layout: Linux fs/ntfs/layout.h, `ATTR_RECORD`.
    #[test]
    fn one_bad_attribute_costs_itself_and_a_broken_chain_costs_the_rest() {
        let mut record = resident(0x10, &[1; 48]);
        let second = record.len();
        record.extend(resident(0x30, &[2; 70]));
        let third = record.len();
        record.extend(resident(0x80, b"abc"));
        record.extend(END.to_le_bytes());
        record.extend([0; 4]);
        assert_eq!(walk(&record), [Ok((0x10, 48)), Ok((0x30, 70)), Ok((0x80, 3))]);

        let mut inside = record.clone();
        inside[second + 0x10] = 200;
        let error = AttributeError::Inside { at: second, kind: 0x30, what: "value" };
        assert_eq!(walk(&inside), [Ok((0x10, 48)), Err(error), Ok((0x80, 3))]);

        let mut chain = record.clone();
        chain[third + 4] = 1;
        let error = AttributeError::Chain { at: third, kind: 0x80, length: 1 };
        assert_eq!(walk(&chain), [Ok((0x10, 48)), Ok((0x30, 70)), Err(error)]);

        record.truncate(third);
        assert_eq!(walk(&record).last(), Some(&Err(AttributeError::NoEnd { at: third })));
        assert_eq!(
            error.to_string(),
            format!("the attribute at byte {third} has type 0x80 and length 1, which cannot be")
        );
    }
}
