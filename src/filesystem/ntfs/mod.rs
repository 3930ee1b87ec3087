//! NTFS: every file by one pass over $MFT, and what is in use by $Bitmap.
//!
//! Nothing else is read: no index, no journal, no attribute list except that of $MFT itself. Files, names, streams and
//! runs all stand in the file records, and records that belong together name their base record, so that damage to
//! anything else costs nothing here. Once copying has brought the folders' indexes, [`NamesOnly`] finds in them the files whose
//! records did not come.
//!
//! [`boot`], [`record`], [`attribute`], [`attribute_list`] and [`runlist`] parse the structures one by one and know
//! nothing of each other's meaning; the private modules put them together in the order of their work: boot sectors,
//! place of $MFT, sweep, assembly, bitmap.

mod bitmap;
mod boot_pair;
mod findings;
mod folder_index;
mod lost;
mod mft;
mod read;
mod structure;
mod volume;
mod volume_map;

pub use findings::*;
pub use folder_index::named_only::{NamedOnly, NamesOnly, RecordState};
pub use lost::infer::read_inferred;
pub use mft::reread::{RecordPlaces, RereadError};
pub use read::read;
pub use structure::{attribute, attribute_list, boot, lznt1, record, runlist};
