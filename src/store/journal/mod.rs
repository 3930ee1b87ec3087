//! The log of what has been copied: one checked record for each claim, appended and never changed.
//!
//! `docs/formats/journal.md` describes the file, `docs/durability.md` what survives which failure. The rule everything
//! rests on: nothing of a claim reaches the file before the bytes it names are durable in the image. So any record
//! that is found whole is true, whatever happened to its neighbours.
//!
//! Claims are taken in the order of the journal: a withdrawal or a retry takes back what stands before it, and nothing
//! else does.

mod claim;
mod error;
mod header;
mod ranges;
mod record;
mod salvage;
mod scan;
mod writer;

pub use claim::{ChunkHash, JournalClaim};
pub use error::{JournalError, Unsound};
pub use header::{JournalHeader, VERSION, is_journal, read_header};
pub use ranges::{RangeState, Ranges};
pub use record::RECORD_BYTES;
pub use salvage::{Salvaged, salvage};
pub use scan::{Claims, read_claims, read_claims_in, replay, standing_chunks};
pub use writer::Journal;

use crc::{CRC_32_ISCSI, Crc};

/// CRC-32C (Castagnoli), as iSCSI has it (RFC 3720, 12.1).
const CRC_32C: Crc<u32> = Crc::<u32>::new(&CRC_32_ISCSI);

#[cfg(test)]
mod tests {
    use super::CRC_32C;

    // Check value of CRC-32/ISCSI in the Catalogue of parametrised CRC algorithms; the other two are the worked
    // examples of RFC 3720, B.4 (32 bytes of zeros, 32 bytes of ones; from memory).
    #[test]
    fn crc_32c_worked_values() {
        assert_eq!(CRC_32C.checksum(b"123456789"), 0xE306_9283);
        assert_eq!(CRC_32C.checksum(&[0; 32]), 0x8A91_36AA);
        assert_eq!(CRC_32C.checksum(&[0xFF; 32]), 0x62A8_AB43);
    }
}
