//! Volumes that Windows encrypts, read with the client's key: the key opens the metadata, the metadata hold the key of the sectors,
//! and what was made plain is read as any other volume. The image keeps the sectors as they are on the drive.
//!
//! Sources, all seen: libyal/libbde, documentation/BitLocker Drive Encryption (BDE) format.asciidoc; cryptsetup, lib/bitlk/bitlk.c;
//! dissect.fve 4.6, bde/*.py. Held against 21 volumes that Windows made, 19 of them whole.

mod cipher;
mod entry;
mod findings;
mod layout;
mod maps;
mod metadata;
mod open;
mod secret;

pub use cipher::Method;
pub use entry::{Entries, Entry};
pub use findings::{CODES, METADATA_LOST};
pub use maps::{ConversionMap, MapsDescriptor};
pub use metadata::{Block, BlockFault};
pub use open::{Attempt, OpenedEncryption, Protector, open};
pub use secret::{Secret, stretch};

pub(super) use findings::NO_FILES_INSIDE;
