//! Encrypted volumes by their published signatures.

use super::{Judged, random_bytes};
use crate::common::fixture;
use gleaner::survey::coherence::Verdict;

/// Windows volume encryption by hand: the file system's name in the boot sector (libyal/libbde, from memory), noise behind it.
fn volume_encryption() -> Vec<u8> {
    let mut drive = random_bytes(9, 64 << 20);
    drive[..512].copy_from_slice(&fixture("ntfs-rich")[..512]);
    drive[3..11].copy_from_slice(b"-FVE-FS-");
    drive
}

/// A block of metadata of the first version without an entry (libyal/libbde, format documentation): signature, size and version, then
/// the header of the entries at 64.
fn metadata() -> Vec<u8> {
    let mut block = vec![0; 112];
    block[..12].copy_from_slice(b"-FVE-FS-\x70\0\x01\0");
    [48_u32, 1, 48, 48]
        .iter()
        .zip(block[64..].chunks_exact_mut(4))
        .for_each(|(n, field)| field.copy_from_slice(&n.to_le_bytes()));
    block
}

#[test]
fn whole_drives() {
    // LUKS by cryptsetup (testdata/README.md).
    for drive in [fixture("foreign-luks1"), fixture("foreign-luks2"), volume_encryption()] {
        let judged = Judged::image(drive);
        assert_eq!(judged.verdict(), Verdict::Encrypted, "{}", judged.told());
        assert!(judged.coherence.read.bytes <= 512, "its sign is enough: {:?}", judged.coherence.read);
    }
}

#[test]
fn a_small_encrypted_partition_leaves_the_verdict_to_the_rest() {
    let mut drive = fixture("drive-gpt");
    // The smallest volume's place.
    let answers = crate::common::json("drive-gpt.table.json");
    let partitions = answers["partitiontable"]["partitions"].as_array().unwrap();
    let smallest = partitions.iter().min_by_key(|p| p["size"].as_u64().unwrap()).unwrap();
    let start = usize::try_from(smallest["start"].as_u64().unwrap() * 512).unwrap();
    let bytes = usize::try_from(smallest["size"].as_u64().unwrap() * 512).unwrap();
    drive[start..start + bytes].copy_from_slice(&random_bytes(4, bytes));
    let boot = volume_encryption();
    drive[start..start + 512].copy_from_slice(&boot[..512]);
    // The first version keeps the cluster of its first block of metadata where NTFS has its mirror's.
    drive[start + 56..start + 64].copy_from_slice(&2u64.to_le_bytes());
    let block = metadata();
    drive[start + 8192..start + 8192 + block.len()].copy_from_slice(&block);
    let judged = Judged::image(drive);
    assert_eq!(judged.verdict(), Verdict::Sound, "{}", judged.told());
}
