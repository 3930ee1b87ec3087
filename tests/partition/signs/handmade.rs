//! Formats that no program at hand makes: volumes built field by field from the published layouts, which are named at
//! each. They show that the code reads what was read of the layout, and no more than that.

use super::look;
use gleaner::base::extent::Extent;
use gleaner::partition::signature::{Certainty, Sign};

/// An image with fields put into it.
struct Image(Vec<u8>);

impl Image {
    fn new(bytes: usize) -> Image {
        Image(vec![0; bytes])
    }

    fn put(mut self, at: usize, field: &[u8]) -> Image {
        self.0[at..at + field.len()].copy_from_slice(field);
        self
    }
}

const MIB: u64 = 1 << 20;

/// libyal/libbde, "BitLocker Drive Encryption (BDE) format", volume header (from memory): the identifier
/// 4967D63B-2E29-4AD8-8399-F6A339E3D001 (as in dissect.fve 4.6, `bde/c_bde.py`) and three offsets, at 160 and 176 of a fixed
/// volume, at 424 and 440 of a removable one.
#[test]
fn windows_volume_encryption_fixed_and_removable() {
    let identifier = hex::decode("3bd66749292ed84a8399f6a339e3d001").unwrap();
    let places = [2 * MIB, 4 * MIB, 6 * MIB];
    let offsets: Vec<u8> = places.iter().flat_map(|at| at.to_le_bytes()).collect();
    let fixed = Image::new(8 << 20)
        .put(0, b"\xEB\x58\x90-FVE-FS-")
        .put(11, &[0, 2, 8])
        .put(160, &identifier)
        .put(176, &offsets);
    let removable = Image::new(8 << 20)
        .put(0, b"\xEB\x58\x90MSWIN4.1")
        .put(11, &[0, 2, 8])
        .put(424, &identifier)
        .put(440, &offsets);
    for (image, form) in [(fixed, "fixed"), (removable, "removable")] {
        let found = look(image.0).unwrap();
        assert_eq!(
            (found.kind, found.encrypted, found.certainty),
            (Sign::VolumeEncryption, true, Certainty::Consistent)
        );
        assert_eq!(found.facts[0], ("form", form.to_owned()));
        for at in places {
            assert!(found.first.contains(&Extent::new(at, 65536).unwrap()), "{:?}", found.first);
        }
    }
    // Metadata beyond the end: a header of a larger volume, or no header at all.
    let cut = Image::new(1 << 20)
        .put(0, b"\xEB\x58\x90-FVE-FS-")
        .put(11, &[0, 2, 8])
        .put(160, &identifier)
        .put(176, &offsets);
    assert_eq!(look(cut.0).unwrap().certainty, Certainty::Partial);
}

/// libyal/libfsrefs, volume header (from memory).
fn refs(sectors: u64) -> Vec<u8> {
    Image::new(512)
        .put(3, b"ReFS\0\0\0\0")
        .put(16, b"FSRS\0\x02")
        .put(24, &sectors.to_le_bytes())
        .put(32, &512u32.to_le_bytes())
        .put(36, &128u32.to_le_bytes())
        .put(40, &[3, 4])
        .put(56, &0x0F3E_0000_5EED_0001_u64.to_le_bytes())
        .0
}

#[test]
fn refs_by_its_header_and_by_the_copy_in_the_last_sector() {
    let found = look(Image::new(4 << 20).put(0, &refs(8192)).0).unwrap();
    assert_eq!((found.kind, found.certainty, found.bytes), (Sign::Refs, Certainty::Consistent, Some(4 << 20)));
    assert_eq!(found.uuid.as_deref(), Some("0F3E00005EED0001"));
    let found = look(Image::new(4 << 20).put((4 << 20) - 512, &refs(8192)).0).unwrap();
    assert_eq!((found.kind, found.certainty), (Sign::Refs, Certainty::Copy));
}

/// Linux `block/partitions/ldm.c`, `ldm_parse_privhead` (from memory); big-endian.
#[test]
fn a_dynamic_disk_by_its_private_header() {
    let long = |n: u64| n.to_be_bytes();
    let header = |image: Image, at: usize| {
        image
            .put(at, b"PRIVHEAD")
            .put(at + 12, &[0, 2, 0, 12])
            .put(at + 0x30, b"0f3e0000-5eed-4a11-8b0b-000000000042\0")
            .put(at + 0x11B, &long(63))
            .put(at + 0x123, &long(6000))
            .put(at + 0x12B, &long(6144))
            .put(at + 0x133, &long(2048))
    };
    let found = look(header(Image::new(4 << 20), 3072).0).unwrap();
    assert_eq!((found.kind, found.certainty), (Sign::DynamicDisk, Certainty::Consistent));
    assert_eq!(found.uuid.as_deref(), Some("0f3e0000-5eed-4a11-8b0b-000000000042"));
    assert!(found.first.contains(&Extent::new(6144 * 512, 2048 * 512).unwrap()));
    let found = look(header(Image::new(4 << 20), (4 << 20) - 512).0).unwrap();
    assert_eq!((found.kind, found.certainty), (Sign::DynamicDisk, Certainty::Copy));
}

/// libyal/libfvde, "FileVault Drive Encryption format", physical volume header (from memory).
#[test]
fn core_storage_is_sealed_by_its_checksum() {
    let mut header = Image::new(512)
        .put(4, &[0xFF; 4])
        .put(8, &[1, 0, 0x10, 0])
        .put(64, &(4 * MIB).to_le_bytes())
        .put(88, b"CS")
        .put(96, &4096u32.to_le_bytes())
        .put(100, &65536u32.to_le_bytes())
        .put(104, &16u64.to_le_bytes())
        .put(304, &[0x11; 16])
        .put(320, &[0x22; 16])
        .0;
    let sum = !crc::Crc::<u32>::new(&crc::CRC_32_ISCSI).checksum(&header[8..]);
    header[..4].copy_from_slice(&sum.to_le_bytes());
    let found = look(Image::new(4 << 20).put(0, &header).0).unwrap();
    assert_eq!((found.kind, found.certainty), (Sign::CoreStorage, Certainty::Checksummed));
    assert_eq!(found.uuid.as_deref(), Some("11111111-1111-1111-1111-111111111111"));
    assert!(found.first.contains(&Extent::new(65536, 65536).unwrap()));
    header[200] ^= 1;
    assert_eq!(look(Image::new(4 << 20).put(0, &header).0).unwrap().certainty, Certainty::Partial);
}

/// A packed list as `nvlist_pack` with XDR writes it (RFC 4506; OpenZFS `module/nvpair/nvpair.c`, from memory).
fn pool_label() -> Vec<u8> {
    fn text(text: &str) -> Vec<u8> {
        let mut packed = u32::try_from(text.len()).unwrap().to_be_bytes().to_vec();
        packed.extend(text.as_bytes());
        packed.resize(packed.len().next_multiple_of(4), 0);
        packed
    }
    let pair = |name: &str, kind: u32, value: Vec<u8>| {
        let mut body = text(name);
        body.extend(kind.to_be_bytes());
        body.extend(1u32.to_be_bytes());
        body.extend(value);
        let length = u32::try_from(body.len() + 8).unwrap();
        [length.to_be_bytes().to_vec(), length.to_be_bytes().to_vec(), body].concat()
    };
    let number = |n: u64| n.to_be_bytes().to_vec();
    [
        vec![1, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1],
        pair("version", 8, number(5000)),
        pair("name", 9, text("fernhollow")),
        pair("pool_guid", 8, number(1_234_567_890_123)),
        pair("guid", 8, number(42)),
        vec![0; 8],
    ]
    .concat()
}

#[test]
fn a_pool_member_by_each_of_its_four_labels() {
    let size: usize = (4 << 20) + 4096;
    for (label, certainty) in [(0, Certainty::Consistent), (3584 << 10, Certainty::Copy), (3840 << 10, Certainty::Copy)]
    {
        let found = look(Image::new(size).put(label + (16 << 10), &pool_label()).0).unwrap();
        assert_eq!((found.kind, found.certainty), (Sign::ZfsMember, certainty));
        assert_eq!(found.label.as_deref(), Some("fernhollow"));
        assert_eq!(found.uuid.as_deref(), Some("1234567890123"));
        assert_eq!(found.facts[0], ("version", "5000".to_owned()));
    }
}

/// Linux `fs/bcachefs/bcachefs_format.h`, `struct bch_sb` (from memory).
#[test]
fn bcachefs_by_its_own_magic() {
    let magic = hex::decode("c68573f666ce90a9d96a60cf803df7ef").unwrap();
    let image = Image::new(4 << 20)
        .put(4096 + 24, &magic)
        .put(4096 + 56, &[0x33; 16])
        .put(4096 + 72, b"fernhollow")
        .put(4096 + 104, &8u64.to_le_bytes())
        .put(4096 + 120, &[8, 0, 0, 2]);
    let found = look(image.0).unwrap();
    assert_eq!((found.kind, found.label.as_deref()), (Sign::Bcachefs, Some("fernhollow")));
    assert_eq!(found.facts, [("devices", "2".to_owned())]);
}

/// FreeBSD `sys/geom/eli/g_eli.h`, `struct g_eli_metadata` (from memory).
#[test]
fn geli_in_the_last_sector() {
    let at = (4 << 20) - 512;
    let image = Image::new(4 << 20)
        .put(at, b"GEOM::ELI")
        .put(at + 16, &7u32.to_le_bytes())
        .put(at + 26, &256u16.to_le_bytes())
        .put(at + 30, &(4 * MIB).to_le_bytes())
        .put(at + 38, &512u32.to_le_bytes());
    let found = look(image.0).unwrap();
    assert_eq!((found.kind, found.encrypted, found.certainty), (Sign::Geli, true, Certainty::Consistent));
}

/// SNIA Common RAID Disk Data Format 2.0, 4.2.1 (from memory).
#[test]
fn an_anchor_of_the_common_format_in_the_last_sector() {
    let mut anchor = Image::new(512).put(0, &[0xDE, 0x11, 0xDE, 0x11]).put(4, &[0xFF; 4]).put(32, b"01.02.00").0;
    let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&anchor);
    anchor[4..8].copy_from_slice(&sum.to_be_bytes());
    let found = look(Image::new(4 << 20).put((4 << 20) - 512, &anchor).0).unwrap();
    assert_eq!((found.kind, found.certainty), (Sign::RaidMember, Certainty::Checksummed));
    assert_eq!(look(Image::new(4 << 20).put((4 << 20) - 512, &[0xDE, 0x11, 0xDE, 0x11]).0), None);
}

/// Signatures of which nothing else is known are told, but never as certain.
#[test]
fn bare_signatures_stay_partial() {
    for (at, text, sign) in
        [(4096, &b"SPACEDB "[..], Sign::StorageSpaces), ((4 << 20) - 4096, b"AppleRAIDHeader\0", Sign::AppleRaid)]
    {
        let found = look(Image::new(4 << 20).put(at, text).0).unwrap();
        assert_eq!((found.kind, found.certainty), (sign, Certainty::Partial));
    }
}
