//! Whatever the tables say: no panic, every byte in an area, little read, the same answer twice.

use crate::partition::building::{Image, crc32};
use proptest::prelude::*;

const SIZE: usize = 128 << 10;

/// A small drive with an MBR, a chain of three links, and volumes.
fn divided_by_mbr(table: usize) -> Image {
    let mut image = Image::blank(SIZE, 512);
    let sector = |lba: usize| lba * table;
    image.entry(0, 0, 0x80, 0x07, 1, 2).ntfs(sector(1));
    image.entry(0, 1, 0, 0x0F, 8, 20);
    for (link, next) in [(8u32, 6u32), (14, 12), (20, 0)] {
        let at = sector(link as usize);
        image.entry(at, 0, 0, 0x07, 1, 3).ntfs(at + table);
        if next > 0 {
            image.entry(at, 1, 0, 0x05, next, 4);
        }
    }
    image
}

/// A small drive with a GPT of 16 entries in both copies (UEFI 5.3 by hand).
fn divided_by_gpt(table: usize) -> Image {
    let mut image = Image::blank(SIZE, 512);
    let last = SIZE / table - 1;
    image.entry(0, 0, 0, 0xEE, 1, u32::try_from(last).unwrap());
    let array_sectors = 2048usize.div_ceil(table);
    let mut array = vec![0; 2048];
    for (number, first) in [(0, 8u64), (1, 12), (5, 16)] {
        let entry = &mut array[number * 128..][..128];
        entry[..16].fill(0xE5);
        entry[16..32].fill(u8::try_from(number).unwrap() + 1);
        entry[32..40].copy_from_slice(&first.to_le_bytes());
        entry[40..48].copy_from_slice(&(first + 2).to_le_bytes());
        entry[56] = b'P';
    }
    for (my, other, at) in [(1, last, 2), (last, 1, last - array_sectors)] {
        let mut header = vec![0; 92];
        header[..8].copy_from_slice(b"EFI PART");
        header[10] = 1;
        header[12] = 92;
        for (field, value) in [(24, my), (32, other), (40, 6), (48, last - 6), (72, at)] {
            header[field..field + 8].copy_from_slice(&(value as u64).to_le_bytes());
        }
        header[80] = 16;
        header[84] = 128;
        header[88..].copy_from_slice(&crc32(&array).to_le_bytes());
        let crc = crc32(&header);
        header[16..20].copy_from_slice(&crc.to_le_bytes());
        image.put(my * table, &header).put(at * table, &array);
    }
    image
}

/// Kind of table, the sector size it counts in, and the one the drive reports.
fn drive() -> impl Strategy<Value = (bool, usize, usize)> {
    (any::<bool>(), prop::sample::select(vec![512, 4096]), prop::sample::select(vec![512, 1024, 4096]))
}

fn image((gpt, table, reported): (bool, usize, usize)) -> Image {
    let image = if gpt { divided_by_gpt(table) } else { divided_by_mbr(table) };
    Image { reported, ..image }
}

/// Damage to one place: bytes overwritten, a field set to an extreme, a sector copied elsewhere, one made unreadable.
#[derive(Clone, Debug)]
enum Damage {
    Bytes(usize, Vec<u8>),
    Extreme(usize, u64),
    Copied(usize, usize),
    Unreadable(usize),
    CutTo(usize),
}

/// Places are mostly in table sectors, where damage tells.
fn place() -> impl Strategy<Value = usize> {
    prop_oneof![0usize..2048, 4096usize..12288, SIZE - 12288..SIZE - 16, 0usize..SIZE - 16]
}

fn damage() -> impl Strategy<Value = Damage> {
    let extremes = vec![0, 1, 2, 0x7FFF_FFFF, 0xFFFF_FFFF, u64::MAX, 1 << 63, u64::MAX / 512, u64::MAX / 4096 + 1];
    prop_oneof![
        (place(), prop::collection::vec(any::<u8>(), 1..16)).prop_map(|(at, bytes)| Damage::Bytes(at, bytes)),
        (place(), prop::sample::select(extremes)).prop_map(|(at, value)| Damage::Extreme(at & !3, value)),
        (place(), place()).prop_map(|(from, to)| Damage::Copied(from / 512 * 512, to / 512 * 512)),
        place().prop_map(|at| Damage::Unreadable(at / 512 * 512)),
        (1usize..SIZE).prop_map(Damage::CutTo),
    ]
}

fn apply(image: &mut Image, damage: &Damage) {
    match damage {
        Damage::Bytes(at, bytes) => {
            image.put(*at, bytes);
        }
        Damage::Extreme(at, value) => {
            image.put(*at, &value.to_le_bytes());
        }
        Damage::Copied(from, to) => {
            let sector = image.bytes[*from..*from + 512].to_vec();
            image.put(*to, &sector);
        }
        Damage::Unreadable(at) => {
            image.unreadable(*at, 512);
        }
        // Applied last, by the caller.
        Damage::CutTo(_) => {}
    }
}

/// Makes the CRCs of GPT headers right again, so that hostile values get past them.
fn forge_crcs(image: &mut Image) {
    for at in (0..image.bytes.len().saturating_sub(511)).step_by(512) {
        if image.bytes[at..].starts_with(b"EFI PART") {
            image.put(at + 12, &92u32.to_le_bytes()).put(at + 16, &[0; 4]);
            let crc = crc32(&image.bytes[at..at + 92]);
            image.put(at + 16, &crc.to_le_bytes());
        }
    }
}

fn check(image: &Image) -> Result<(), TestCaseError> {
    // `Image::read` checks that areas cover the drive and that nothing is read twice.
    let (first, second) = (image.read(), image.read());
    prop_assert_eq!(&first.layout, &second.layout, "two readings of one drive differ");
    for finding in first.layout.findings.kept() {
        prop_assert!(finding.sentence.ends_with('.'), "no sentence: {}", finding.sentence);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn damaged_tables(drive in drive(), list in prop::collection::vec(damage(), 0..6), forge in any::<bool>()) {
        let mut image = image(drive);
        for damage in &list {
            apply(&mut image, damage);
        }
        if forge {
            forge_crcs(&mut image);
        }
        if let Some(Damage::CutTo(bytes)) = list.last() {
            image.bytes.truncate(*bytes);
        }
        check(&image)?;
    }

    #[test]
    fn random_first_sectors(sector in prop::collection::vec(any::<u8>(), 512), signed in any::<bool>(), size in 512usize..20000) {
        let mut image = Image::blank(size.max(512), 512);
        image.put(0, &sector);
        if signed {
            image.sign(0);
        }
        check(&image)?;
    }
}

#[test]
fn the_undamaged_drives_of_these_properties_are_sound() {
    for table in [512, 4096] {
        for (image, partitions) in [(divided_by_mbr(table), 4), (divided_by_gpt(table), 3)] {
            let seen = Image { reported: table, ..image }.read();
            assert_eq!((seen.codes(), seen.entries().count()), (vec![], partitions), "{table}");
        }
    }
}
