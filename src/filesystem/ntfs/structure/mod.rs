//! The structures of NTFS one by one, as bytes: none of these modules knows what another's content means.

pub mod attribute;
pub mod attribute_list;
pub mod boot;
pub(super) mod file_name;
pub mod lznt1;
pub mod record;
pub mod runlist;
