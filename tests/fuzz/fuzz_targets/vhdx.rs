//! A VHDX with changes: opened to read and to write, read everywhere, written. The input: a byte that says whether
//! checksums are set right, then changes as three bytes of place, one of length and that many bytes.

#![no_main]

use gleaner::store::image::{Image, ImageForm, Vhdx, create_in};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner_fuzz::memory::{Memory, Shared};
use gleaner_fuzz::mend::CRC_32C;
use libfuzzer_sys::fuzz_target;
use std::sync::{Arc, LazyLock};

static SOUND: LazyLock<Vec<u8>> = LazyLock::new(|| {
    let file = Shared(Arc::new(Memory::new(Vec::new())));
    let (sector, physical) = (SectorSize::S512, SectorSize::S4096);
    let image = create_in(Box::new(file.clone()), ImageForm::Vhdx, 5 << 20, sector, physical).expect("an image");
    image.write_at(ByteOffset(1 << 20), &[1; 4096]).expect("room");
    image.sync().expect("memory");
    file.0.content()
});

/// Where what stands (\[MS-VHDX\], 2.2): file identifier, headers, region tables, then metadata and block table.
const PLACES: [(u32, u32); 6] =
    [(64 << 10, 4096), (128 << 10, 4096), (192 << 10, 1024), (256 << 10, 1024), (1 << 20, 2 << 20), (0, 64 << 10)];

fn mend(file: &mut [u8]) {
    for (at, bytes) in [(64 << 10, 4096), (128 << 10, 4096), (192 << 10, 64 << 10), (256 << 10, 64 << 10)] {
        let Some(part) = file.get_mut(at..at + bytes) else { continue };
        part[4..8].fill(0);
        let crc = CRC_32C.checksum(part);
        part[4..8].copy_from_slice(&crc.to_le_bytes());
    }
}

fn read_all(image: &dyn Image) {
    let mut buffer = vec![0; 64 << 10];
    let bytes = image.bytes();
    for at in [0, 1 << 20, 2 << 20, bytes / 2, bytes.saturating_sub(1 << 20)] {
        let _ = image.read_at(ByteOffset(at), &mut buffer);
    }
}

fuzz_target!(init: { LazyLock::force(&SOUND); }, |input: &[u8]| {
    let Some((flag, mut rest)) = input.split_first() else { return };
    let mut file = SOUND.clone();
    while let Some((&[which, low, high, length], behind)) = rest.split_first_chunk::<4>() {
        let (start, room) = PLACES[usize::from(which) % PLACES.len()];
        let at = (start + u32::from(u16::from_le_bytes([low, high])) * if room > 65536 { 8 } else { 1 } % room) as usize;
        let count = behind.len().min(usize::from(length) % 33).min(file.len() - at);
        file[at..at + count].copy_from_slice(&behind[..count]);
        rest = &behind[count..];
    }
    if flag & 1 != 0 {
        mend(&mut file);
    }
    if flag & 2 != 0 {
        file.truncate(file.len() * usize::from(flag >> 2) / 64);
    }
    if let Ok(image) = Vhdx::open_read_only(Box::new(Memory::new(file.clone()))) {
        read_all(&image);
    }
    if let Ok(image) = Vhdx::open(Box::new(Memory::new(file))) {
        read_all(&image);
        let _ = image.write_at(ByteOffset(3 << 20), &[2; 1024]);
        let _ = image.sync();
        read_all(&image);
    }
});
