//! NTFS.
