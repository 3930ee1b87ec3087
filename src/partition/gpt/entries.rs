//! The entries of a GPT.
//!
//! Fields: UEFI Specification 2.x, section 5.3.3 "GPT Partition Entry Array" (from memory).

use super::header::Header;
use crate::base::fields::{guid_at, u16_at, u64_at};
use crate::base::finding::{Finding, Findings};
use crate::base::units::{ByteOffset, Lba};
use crate::partition::PartitionEntry;
use crate::partition::areas::ListedPartition;
use crate::partition::findings::{GPT_ENTRY_REVERSED, GPT_OUTSIDE_USABLE};
use crate::partition::kinds::{gpt_name, guid_text};

/// Attribute bit: firmware without UEFI starts from this partition.
const LEGACY_BOOT: u64 = 1 << 2;

/// Units of UTF-16 in a name.
const NAME_UNITS: usize = 36;

/// The entries of an array cut into pieces, whole ones only.
pub(super) fn raw<'a>(array: &'a [u8], header: &Header) -> std::slice::ChunksExact<'a, u8> {
    // A header whose measures are nonsense is never used; 128 keeps this free of panics all the same.
    array.chunks_exact(usize::try_from(header.entry_bytes).unwrap_or(128).max(128))
}

/// Whether an entry is in use: its type is not all zero.
pub(super) fn is_used(entry: &[u8]) -> bool {
    guid_at(entry, 0) != [0; 16]
}

/// What the used entries claim. `array_at` is where the array stands on the drive.
pub(super) fn claims(
    array: &[u8],
    header: &Header,
    array_at: ByteOffset,
    findings: &mut Findings,
) -> Vec<ListedPartition> {
    let mut claims = Vec::new();
    let mut said_at = array_at;
    for (number, entry) in (1u32..).zip(raw(array, header)) {
        if is_used(entry) {
            claims.extend(claim(entry, number, header, said_at, findings));
        }
        said_at = ByteOffset(said_at.0.saturating_add(u64::from(header.entry_bytes)));
    }
    claims
}

fn claim(
    entry: &[u8],
    number: u32,
    header: &Header,
    said_at: ByteOffset,
    findings: &mut Findings,
) -> Option<ListedPartition> {
    let (first, last) = (u64_at(entry, 32), u64_at(entry, 40));
    let Some(sectors) = last.checked_sub(first).map(|above| above.saturating_add(1)) else {
        let sentence = format!("Partition {number} is said to start at {} and to end at {}.", Lba(first), Lba(last));
        findings.push(Finding::at(&GPT_ENTRY_REVERSED, said_at, sentence));
        return None;
    };
    if first < header.first_usable.0 || last > header.last_usable.0 {
        let sentence = format!(
            "Partition {number} is said to lie in sectors {first} to {last}, but only {} to {} are set aside for \
             partitions.",
            header.first_usable.0, header.last_usable.0
        );
        findings.push(Finding::at(&GPT_OUTSIDE_USABLE, said_at, sentence));
    }
    let type_id = guid_text(guid_at(entry, 0));
    let partition = PartitionEntry {
        number,
        type_name: gpt_name(&type_id),
        type_id,
        name: name(entry),
        unique_id: Some(guid_text(guid_at(entry, 16))),
        bootable: u64_at(entry, 48) & LEGACY_BOOT != 0,
        logical: false,
    };
    Some(ListedPartition { entry: partition, first: Lba(first), sectors, said_at, begins_with_boot_sector: false })
}

/// The name, up to its first zero; what is not UTF-16 is replaced.
fn name(entry: &[u8]) -> Option<String> {
    let units = (0..NAME_UNITS).map(|n| u16_at(entry, 56 + 2 * n)).take_while(|unit| *unit != 0);
    let name: String = char::decode_utf16(units).map(|c| c.unwrap_or(char::REPLACEMENT_CHARACTER)).collect();
    (!name.is_empty()).then_some(name)
}
