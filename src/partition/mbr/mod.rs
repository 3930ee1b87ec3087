//! The MBR: its sector, the chains of extended partitions, and the layout that both give.

mod extended;
mod layout;
mod listed;
mod sector;

pub(super) use layout::{fit, layout};
pub(super) use sector::{FirstSector, Mbr, MbrEntry};
