//! Damaged VHDX files: typed errors, the second copy of what there are two of, and never a panic.

use crate::simulated_disk::{Content, Disk, Random};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::store::image::{Image, ImageError, ImageForm, Vhdx, VhdxFault, create_in, open_in};

const MIB: u64 = 1 << 20;
const HEADERS: [u64; 2] = [64 << 10, 128 << 10];
const REGIONS: [u64; 2] = [192 << 10, 256 << 10];
const METADATA: u64 = 2 * MIB;
const BAT: u64 = 3 * MIB;

/// A disk of 6 MiB with its blocks 1 and 4 in the file and 2 known to be zero.
fn vhdx() -> Content {
    let disk = Disk::holding(vec![Content::default()]);
    let image = create_in(disk.file(0), ImageForm::Vhdx, 6 * MIB, SectorSize::S512, SectorSize::S512).unwrap();
    image.write_at(ByteOffset(MIB + 5), b"one").unwrap();
    image.write_at(ByteOffset(2 * MIB), &[0; 512]).unwrap();
    image.write_at(ByteOffset(4 * MIB), b"four").unwrap();
    image.sync().unwrap();
    disk.content(0)
}

fn changed(at: u64, bytes: &[u8]) -> Disk {
    let mut content = vhdx();
    content.write(at, bytes);
    Disk::holding(vec![content])
}

fn fault(disk: &Disk) -> VhdxFault {
    match open_in(disk.file(0), ImageForm::Vhdx).err().expect("it must not open") {
        ImageError::Vhdx(fault) => fault,
        other => panic!("{other}"),
    }
}

fn u64_of(disk: &Disk, at: u64) -> u64 {
    let mut bytes = [0; 8];
    disk.file(0).read_at(at, &mut bytes).unwrap();
    u64::from_le_bytes(bytes)
}

fn text(image: &dyn Image, at: u64, length: usize) -> Vec<u8> {
    let mut bytes = vec![0; length];
    image.read_at(ByteOffset(at), &mut bytes).unwrap();
    bytes
}

/// The entry of a block that is present at so many MiB.
fn at(mib: u64) -> u64 {
    (mib << 20) | 6
}

// Entry values by [MS-VHDX] 2.5.1: place in MiB from bit 20 on, state in bits 0 to 2.
#[test]
fn the_table_says_where_blocks_are() {
    let disk = Disk::holding(vec![vhdx()]);
    let entries: Vec<u64> = (0..6).map(|block| u64_of(&disk, BAT + block * 8)).collect();
    assert_eq!(entries, [0, at(4), 2, 0, at(5), 0]);
    assert_eq!(disk.content(0).length(), 6 * MIB);
}

#[test]
fn opening_to_write_replaces_the_older_header() {
    let disk = Disk::holding(vec![vhdx()]);
    let of = |at| (u64_of(&disk, at + 8), u64_of(&disk, at + 16), u64_of(&disk, at + 32));
    let (before, kept) = (of(HEADERS[0]), of(HEADERS[1]));
    // Laid out with 0 and 1; opened once since.
    assert_eq!((before.0, kept.0), (2, 1));
    drop(open_in(disk.file(0), ImageForm::Vhdx).unwrap());
    assert_eq!(of(HEADERS[0]), before);
    let renewed = of(HEADERS[1]);
    assert_eq!(renewed.0, 3);
    assert!(renewed.1 != before.1 && renewed.2 != before.2);
    let steps = disk.steps();
    drop(Vhdx::open_read_only(disk.file(0)).unwrap());
    assert_eq!(disk.steps(), steps, "reading writes");
}

#[test]
fn one_of_two_is_enough() {
    for pair in [HEADERS, REGIONS] {
        for at in pair {
            let disk = changed(at + 20, b"damage");
            let image = open_in(disk.file(0), ImageForm::Vhdx).unwrap();
            assert_eq!(text(image.as_ref(), MIB + 5, 3), b"one");
            assert_eq!(text(image.as_ref(), 4 * MIB, 4), b"four");
        }
    }
    let mut both = vhdx();
    HEADERS.iter().for_each(|&at| both.write(at + 20, b"damage"));
    assert_eq!(fault(&Disk::holding(vec![both])), VhdxFault::Headers);
    let mut both = vhdx();
    REGIONS.iter().for_each(|&at| both.write(at + 20, b"damage"));
    assert_eq!(fault(&Disk::holding(vec![both])), VhdxFault::RegionTables);
    assert_eq!(fault(&changed(0, b"VHDXFILE")), VhdxFault::Signature);
    assert_eq!(fault(&Disk::holding(vec![Content::of(b"vhdxfile")])), VhdxFault::Signature);
}

#[test]
fn metadata_are_checked() {
    for (at, value, sentence) in [
        (0, b"M".as_slice(), "the table has no signature, or too many entries"),
        (10, &[0xFF, 0xFF], "the table has no signature, or too many entries"),
        (10, &[4, 0], "a required item is missing"),
        (32, &[1], "an item that must be understood is not known"),
        (32 + 16, &[0, 0, 0, 0], "an item has an impossible length or offset"),
        (32 + 20, &[0xFF], "an item has an impossible length or offset"),
        (65_536, &[1], "the block size is no power of two from 1 to 256 MiB"),
        (65_536, &[0, 0, 0, 0x20], "the block size is no power of two from 1 to 256 MiB"),
        (65_544, &[1], "the disk's size is no multiple of its sectors, or beyond 64 TiB"),
        (65_551, &[1], "the disk's size is no multiple of its sectors, or beyond 64 TiB"),
        (65_568, &[0, 4], "the logical sector size is neither 512 nor 4096"),
        (65_572, &[0, 4], "the physical sector size is neither 512 nor 4096"),
    ] {
        assert_eq!(fault(&changed(METADATA + at, value)), VhdxFault::Metadata { what: sentence }, "{at}");
    }
    assert_eq!(fault(&changed(METADATA + 65_540, &[2])), VhdxFault::HasParent);
}

#[test]
fn one_damaged_entry_costs_one_block() {
    let four = at(5);
    for (entry, value) in [
        (4, four | 7),
        (4, (four & !7) | 4),
        // Beyond the end of the file, in another region, in the header.
        (4, at(6)),
        (4, !1),
        (4, at(3)),
        (4, 6),
    ] {
        let disk = changed(BAT + entry * 8, &value.to_le_bytes());
        assert_eq!(fault(&disk), VhdxFault::Entry { entry, value });
        let image = Vhdx::open_read_only(disk.file(0)).unwrap();
        let error = image.read_at(ByteOffset(4 * MIB - 1), &mut [0; 2]).unwrap_err();
        assert_eq!(error.kind(), std::io::ErrorKind::InvalidData);
        assert_eq!(text(&image, MIB + 5, 3), b"one");
        assert_eq!(text(&image, 0, 512), [0; 512]);
    }
    // Two entries for one place: neither is believed.
    let disk = changed(BAT + 3 * 8, &four.to_le_bytes());
    assert_eq!(fault(&disk), VhdxFault::Entry { entry: 3, value: four });
    let image = Vhdx::open_read_only(disk.file(0)).unwrap();
    assert!(image.read_at(ByteOffset(3 * MIB), &mut [0]).is_err());
    assert!(image.read_at(ByteOffset(4 * MIB), &mut [0]).is_err());
    assert_eq!(text(&image, MIB + 5, 3), b"one");
}

#[test]
fn room_without_an_entry_is_given_back() {
    let mut content = vhdx();
    content.write(8 * MIB, b"left by a crash");
    let disk = Disk::holding(vec![content]);
    let image = open_in(disk.file(0), ImageForm::Vhdx).unwrap();
    assert_eq!(disk.content(0).length(), 6 * MIB);
    for block in [0, 3, 5] {
        image.write_at(ByteOffset(block * MIB), b"new").unwrap();
        assert_eq!(text(image.as_ref(), block * MIB + 3, 600_000), vec![0; 600_000]);
    }
}

// Check sums made right again behind the damage, so that what lies behind them is reached.
#[test]
fn hostile_files_never_panic() {
    let original = vhdx();
    let mut random = Random::new(11);
    let mut opened = 0;
    for _ in 0..600 {
        let mut content = original.clone();
        for _ in 0..1 + random.below(4) {
            let (area, length) =
                [(HEADERS[0], 80), (REGIONS[0], 80), (METADATA, 200), (METADATA + 65_536, 40), (BAT, 48)]
                    [usize::try_from(random.below(5)).unwrap()];
            let mut bytes = vec![0; usize::try_from(1 + random.below(8)).unwrap()];
            if random.percent(70) {
                random.fill(&mut bytes);
            } else {
                bytes.fill([0, 1, 0x7F, 0xFF][usize::try_from(random.below(4)).unwrap()]);
            }
            content.write(area + random.below(length), &bytes);
        }
        for (at, length) in [(HEADERS[0], 4096), (REGIONS[0], 65_536)] {
            let bytes = content.bytes();
            let at_index = usize::try_from(at).unwrap();
            let mut area = bytes[at_index..at_index + length].to_vec();
            area[4..8].fill(0);
            content.write(at + 4, &crc_32c(&area).to_le_bytes());
        }
        let disk = Disk::holding(vec![content]);
        if let Ok(image) = Vhdx::open_read_only(disk.file(0)) {
            opened += 1;
            let mut bytes = vec![0; 4096];
            for at in (0..image.bytes().min(8 * MIB)).step_by(1 << 19) {
                let _ = image.read_at(ByteOffset(at), &mut bytes);
            }
        }
        if let Ok(image) = open_in(disk.file(0), ImageForm::Vhdx) {
            let _ = image.write_at(ByteOffset(image.bytes() - 1), b"x");
            let _ = image.sync();
        }
    }
    assert!((50..600).contains(&opened), "{opened} opened: the damage is too small or too large to tell anything");
}

fn crc_32c(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0u32, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0x82F6_3B78 } else { crc >> 1 })
    })
}

#[test]
fn sentences() {
    let disk = changed(BAT + 8, &7u64.to_le_bytes());
    let error = open_in(disk.file(0), ImageForm::Vhdx).err().unwrap();
    assert_eq!(
        error.to_string(),
        "the VHDX cannot be used: entry 1 of its block allocation table is damaged (0x0000000000000007); \
         it can still be opened for reading"
    );
}
