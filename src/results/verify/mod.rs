//! Is the copy what the journal says it is? The image read back against the journal's hashes, its sum as a whole, the
//! files that own a range, and what an independent reader sees of each volume.
//!
//! Nothing here writes, and only [`read_again`] reads the drive, when a person wants that. `docs/verifying.md` says what each answer is worth.

mod again;
mod claims;
mod duration;
mod owners;
mod read_ahead;
mod second_copy;
mod second_reader;
mod whole;

pub use again::{AgainCheck, read_again};
pub use claims::{ClaimCheck, check_chunks, check_whole};
pub use duration::{DISK_RATE, Expected};
pub use owners::{Holder, Owner, OwnerKind, Owners, owners};
pub use second_copy::{CopyComparison, ReadPlace, checksum_line, compare_copy};
pub use second_reader::{Difference, FolderDifference, NotCompared, SecondOpinion, Verdict, second_opinion};
pub use whole::{WholeSum, sha256};
