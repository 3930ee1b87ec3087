//! What every byte of the drive is: the two maps of what is used, reconciled, and one class for each byte. Which
//! files are wanted: `patterns`.

mod census;
mod class;
mod classify;
mod deleted;
mod doubt;
mod drive;
mod keys;
mod leading;
mod patterns;
mod two_maps;

pub use census::{Census, census};
pub use class::{Class, ClassMap, ClassRun};
pub use classify::{Choices, LANE_BEHIND_VALID, LANE_KNOWN_BAD, Prefer, SIZE_BANDS, classify, tables};
pub use deleted::{DeletedCensus, Leftovers, Remains};
pub use doubt::{DOUBTED_BYTES, doubtful};
pub use drive::{CODES, DriveArea, DriveMap, NOT_READ_YET, NoSuchVolume, UNREADABLE, read_drive};
pub use keys::KeyError;
pub use patterns::bulk::DEFAULT_BULK;
pub use patterns::nearest::{NearName, nearest};
pub use patterns::pattern::{Choice, PatternError, Patterns};
pub use patterns::typed::{exact, patterns_of_list};
pub use two_maps::{MapComparison, Share, TwoMaps, compare_maps, extents_of};
