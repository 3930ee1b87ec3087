//! What must not be recognised, and input that nobody meant well.

use super::{common, look, look_with, reader};
use common::damaged::Random;
use gleaner::filesystem::{Content, read_content};
use gleaner::partition::signature;
use gleaner::source::Window;
use proptest::prelude::*;

#[test]
fn volumes_that_are_read_are_not_taken_for_others() {
    for name in [
        "ntfs-rich",
        "ntfs-cluster-512",
        "ntfs-sector-4096",
        "fat12-floppy",
        "fat16",
        "fat32-clusters-512",
        "fat32-sector-4096",
        "exfat-clusters-512",
        "exfat-clusters-4k",
        "exfat-sector-4096",
        "drive-gpt",
        "drive-mbr-extended",
    ] {
        assert_eq!(look(common::fixture(name)), None, "{name}");
    }
}

#[test]
fn a_healthy_ntfs_volume_is_not_looked_at_for_signs() {
    let reader = reader(common::fixture("ntfs-rich"));
    let window = Window::new(&reader, reader.identity().extent());
    assert!(matches!(read_content(&window).unwrap(), Content::Volume(_)));
    let before = reader.totals().requests;
    look_with(&reader);
    // The head is not among what was read.
    assert!(reader.totals().requests > before);
}

#[test]
fn zeros_noise_and_text_are_nothing() {
    let mut random = Random(0x5EED);
    let noise = (0..4 << 20).map(|_| u8::try_from(random.below(256)).unwrap()).collect();
    let text = "Fernhollow Survey, plot 7: maidenhair, 14 plants.\n".bytes().cycle().take(4 << 20).collect();
    for bytes in [vec![0; 4 << 20], vec![0xFF; 4 << 20], noise, text, Vec::new(), vec![0x55; 511]] {
        let length = bytes.len();
        assert_eq!(look(bytes), None, "{length} bytes");
    }
}

/// A signature without its surroundings is no volume. Those that say nothing else of themselves are told as partial.
#[test]
fn a_stray_signature_is_not_believed() {
    for (at, magic) in MAGICS {
        let mut bytes = vec![0; 2 << 20];
        bytes[*at..at + magic.len()].copy_from_slice(magic);
        if let Some(found) = look(bytes) {
            assert_eq!(found.certainty, signature::Certainty::Partial, "{found:?}");
        }
    }
}

/// Signatures and their places.
const MAGICS: &[(usize, &[u8])] = &[
    (0, b"XFSB"),
    (0, b"LUKS\xBA\xBE\0\x01"),
    (0, b"LUKS\xBA\xBE\0\x02"),
    (0x4000, b"SKUL\xBA\xBE\0\x02"),
    (0, b"hsqs"),
    (0, b"ER\x02\0"),
    (512, b"PM"),
    (512, b"LABELONE"),
    (3, b"-FVE-FS-"),
    (3, b"ReFS\0\0\0\0"),
    (16, b"FSRS"),
    (32, b"NXSB"),
    (88, b"CS"),
    (1024, b"H+\0\x04"),
    (1024, b"BD"),
    (1024, b"\x10\x20\xF5\xF2"),
    (1030, b"\x34\x34"),
    (1080, b"\x53\xEF"),
    (2048, b"OCFSV2"),
    (3072, b"PRIVHEAD"),
    (4086, b"SWAPSPACE2"),
    (4086, b"S1SUSPEND"),
    (4096, b"\xFC\x4E\x2B\xA9\x01\0\0\0"),
    (4096, b"SPACEDB "),
    (4120, b"\xC6\x85\x73\xF6\x4E\x1A\x45\xCA\x82\x65\xF5\x7F\x48\xBA\x6D\x81"),
    (9564, b"\x54\x19\x01\0"),
    (16384, b"\x01\x01\0\0\0\0\0\0\0\0\0\x01"),
    (32768, b"JFS1"),
    (32768, b"\x01CD001\x01"),
    (34816, b"\0BEA01\x01"),
    (36864, b"\0NSR03\x01"),
    (65536, b"\x01\x16\x19\x70\0\0\0\x01"),
    (65588, b"ReIsEr2Fs"),
    (65600, b"_BHRfS_M"),
    (66908, b"\x19\x01\x54\x19"),
];

/// Fixtures small enough to be damaged often.
const SMALL: [&str; 12] =
    ["ext4", "xfs", "lvm", "md-1.2", "swap-4k", "luks2", "udf-512", "iso9660", "hfs", "apple-map", "ufs2", "squashfs"];

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    /// Noise with signatures in their places: no panic, and everything that is named lies within the volume.
    #[test]
    fn noise_with_signatures_is_survived(seed in 1u64.., length in 0usize..200_000,
                                         chosen in prop::collection::vec(0..MAGICS.len(), 0..6)) {
        let mut random = Random(seed);
        let mut bytes: Vec<u8> = (0..length).map(|_| u8::try_from(random.below(256)).unwrap()).collect();
        for (at, magic) in chosen.into_iter().map(|n| MAGICS[n]) {
            if let Some(place) = bytes.get_mut(at..at + magic.len()) {
                place.copy_from_slice(magic);
            }
        }
        check(bytes);
    }

    /// Real volumes with bytes changed where superblocks stand, cut at any length.
    #[test]
    fn damaged_volumes_are_survived(which in 0..SMALL.len(), seed in 1u64.., changes in 0u64..40, cut in 0u64..3) {
        let mut bytes = common::fixture(&format!("foreign-{}", SMALL[which]));
        let mut random = Random(seed);
        let places = [0u64, 512, 1024, 4096, 8192, 32768, 34816, 65536];
        for _ in 0..changes {
            let at = usize::try_from(random.of(&places) + random.below(512)).unwrap();
            if let Some(byte) = bytes.get_mut(at) {
                *byte = random.of(&[0, 1, 0x7F, 0x80, 0xFF]);
            }
        }
        if cut == 0 {
            bytes.truncate(usize::try_from(random.below(bytes.len() as u64 + 1)).unwrap());
        }
        check(bytes);
    }
}

fn check(bytes: Vec<u8>) {
    let reader = reader(bytes);
    let whole = reader.identity().extent();
    if let Some(found) = look_with(&reader) {
        assert!(whole.contains(&found.evidence.place), "{found:?}");
        assert!(found.first.iter().all(|extent| whole.contains(extent) && !extent.is_empty()), "{found:?}");
    }
}
