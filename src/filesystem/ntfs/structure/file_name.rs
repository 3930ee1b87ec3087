//! Names: $FILE_NAME attributes.

use super::record::Reference;
use crate::base::fields::le64;
pub use crate::filesystem::utf16::{decode, decode_name};

/// A file's name in a folder. Source of the layout: Linux fs/ntfs/layout.h (`FILE_NAME_ATTR`).
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct FileName<'r> {
    /// The folder.
    pub parent: Reference,
    /// The name, as UTF-16 in little-endian bytes.
    pub name: &'r [u8],
    /// Whether it is only the 8.3 form of another name of the file.
    pub short: bool,
}

const DOS_ONLY: u8 = 2;

impl<'r> FileName<'r> {
    /// Reads the value of a $FILE_NAME attribute, `None` when it is too short for what it says.
    pub fn parse(value: &'r [u8]) -> Option<FileName<'r>> {
        let parent = Reference(le64(value, 0)?);
        let units = usize::from(*value.get(0x40)?);
        let short = *value.get(0x41)? == DOS_ONLY;
        let name = value.get(0x42..0x42 + 2 * units)?;
        Some(FileName { parent, name, short })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_longer_than_its_attribute_is_refused() {
        let mut value = vec![0; 0x42 + 4];
        value[0x40] = 2;
        value[0x41] = 3;
        value[0x42..].copy_from_slice(b"o\0k\0");
        assert_eq!(FileName::parse(&value).unwrap().name, b"o\0k\0");
        value[0x40] = 3;
        assert_eq!(FileName::parse(&value), None);
        assert_eq!(FileName::parse(&value[..0x41]), None);
    }
}
