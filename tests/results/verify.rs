//! The copy held against the journal's hashes, `sha256sum`, and second readers.

use crate::common;
use crate::held;
mod second_reader;

use common::fixture;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::filesystem::Role;
use gleaner::results::verify::{ClaimCheck, OwnerKind, check_chunks, check_whole, owners, sha256};
use gleaner::source::SourceLost;
use gleaner::store::image::{self, Image, ImageForm};
use gleaner::store::journal::ChunkHash;
use held::{drive, index};
use std::convert::Infallible;
use std::io;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use tempfile::TempDir;

/// A copy of a drive: its image, and the chunks that it was copied in.
struct Copied {
    scratch: TempDir,
    form: ImageForm,
    chunks: Vec<(Extent, ChunkHash)>,
}

impl Copied {
    /// Copies in chunks of up to `chunk` bytes, save what lies in `left_out`.
    fn new(bytes: &[u8], form: ImageForm, chunk: u64, left_out: &ExtentSet) -> Copied {
        let scratch = tempfile::tempdir().unwrap();
        let mut copied = Copied { scratch, form, chunks: Vec::new() };
        let length = bytes.len() as u64;
        let image = image::create(&copied.path(), form, length, SectorSize::S512, SectorSize::S512).unwrap();
        for part in left_out.missing_from(Extent::between(0, length)) {
            for extent in part.pieces(chunk) {
                let content = &bytes[index(extent.start.0)..index(extent.end())];
                image.write_at(extent.start, content).unwrap();
                copied.chunks.push((extent, ChunkHash::of(content)));
            }
        }
        image.sync().unwrap();
        copied
    }

    fn path(&self) -> PathBuf {
        self.scratch.path().join(self.form.file_name())
    }

    fn image(&self) -> Box<dyn Image> {
        image::open_read_only(&self.path(), self.form).unwrap()
    }

    fn check(&self) -> ClaimCheck {
        check(self.image().as_ref(), &self.chunks)
    }
}

fn check(image: &dyn Image, chunks: &[(Extent, ChunkHash)]) -> ClaimCheck {
    let mut told = 0;
    let chunks = chunks.iter().map(|chunk| Ok::<_, Infallible>(*chunk));
    let Ok(check) = check_chunks(image, chunks, &mut |bytes| told += bytes);
    assert_eq!(told, check.bytes);
    check
}

/// A chunk of 3 MiB + 5 sectors is read in pieces; the last chunk is short.
const CHUNKS: [u64; 3] = [1 << 20, (3 << 20) + 2560, 65_536];

#[test]
fn a_sound_copy_is_sound_in_either_form() {
    let bytes = fixture("ntfs-rich");
    let left_out = ExtentSet::from_iter([Extent::between(5 << 20, (5 << 20) + 512)]);
    for form in [ImageForm::Raw, ImageForm::Vhdx] {
        for chunk in CHUNKS {
            let copied = Copied::new(&bytes, form, chunk, &left_out);
            let check = copied.check();
            assert!(check.all_sound(), "{form} {chunk}: {check:?}");
            assert_eq!(check.bytes, bytes.len() as u64 - 512);
            assert_eq!(check.chunks, copied.chunks.len() as u64);
        }
    }
}

/// One bit, anywhere: its chunk is named, and no other.
#[test]
fn a_flipped_bit_is_found_and_named_with_its_owner() {
    let bytes = fixture("ntfs-rich");
    let map = drive(&bytes);
    let volume = map.volumes().next().unwrap().1;
    let path = "/Photos/2020/sedge 0001.jpg";
    let node = volume.catalog.nodes().find(|n| n.path() == path && !n.is_deleted()).unwrap();
    let run = node.streams().find(|s| s.role() == Role::Data).unwrap().runs().next().unwrap();
    let place = volume.geometry.extent(run).unwrap().start.0 + 777;
    let copied = Copied::new(&bytes, ImageForm::Raw, 65_536, &ExtentSet::new());
    flip(&copied.path(), place);
    let check = copied.check();
    let chunk = Extent::between(place / 65_536 * 65_536, (place / 65_536 + 1) * 65_536);
    assert_eq!(check.differing.extents(), [chunk]);
    assert!(check.unreadable.is_empty() && !check.all_sound());
    let found = owners(&map, &check.doubtful(), 1000);
    assert_eq!(found.more, 0);
    let owner = found
        .listed
        .iter()
        .find(|o| o.holder.as_ref().is_some_and(|h| h.path == path && !h.deleted))
        .unwrap_or_else(|| panic!("{found:?}"));
    assert_eq!(owner.kind, OwnerKind::Content);
    assert!(owner.place.contains(&Extent::between(place, place + 1)));
    let [from, count] = owner.holder.as_ref().unwrap().bytes.unwrap();
    assert!(from <= 777 && 777 < from + count);
    // Put back, it is sound again.
    flip(&copied.path(), place);
    assert!(copied.check().all_sound());
}

fn flip(path: &Path, at: u64) {
    use std::os::unix::fs::FileExt;
    let file = std::fs::File::options().read(true).write(true).open(path).unwrap();
    let mut byte = [0];
    file.read_exact_at(&mut byte, at).unwrap();
    file.write_all_at(&[byte[0] ^ 0x10], at).unwrap();
}

/// The owners of every byte of a volume: what is listed covers it all, the file system's own places are told from
/// files, and records are named by their files.
#[test]
fn every_byte_has_an_owner() {
    let bytes = fixture("ntfs-rich");
    let map = drive(&bytes);
    let volume = map.volumes().next().unwrap().1;
    let whole = Extent::between(0, bytes.len() as u64);
    let found = owners(&map, &ExtentSet::from_iter([whole]), usize::MAX);
    let covered: ExtentSet = found.listed.iter().map(|o| o.place).collect();
    assert_eq!(covered.extents(), [whole]);
    let paths = |kind: OwnerKind| {
        found.listed.iter().filter(move |o| o.kind == kind).filter_map(|o| Some(o.holder.as_ref()?.path.as_str()))
    };
    let live = volume.catalog.nodes().filter(|n| !n.is_deleted()).count();
    assert!(paths(OwnerKind::Record).count() >= live);
    for path in ["/Users/ida/Specimens/specimen 00100.txt", "/Photos/mosaic.raw", "/Surveys/junction"] {
        assert_eq!(paths(OwnerKind::Record).filter(|p| *p == path).count(), 1, "{path}");
    }
    assert!(paths(OwnerKind::Metadata).any(|p| p == "/$Bitmap") && paths(OwnerKind::Metadata).any(|p| p == "/Photos"));
    assert!(paths(OwnerKind::Slack).any(|p| p == "/Surveys/preallocated.dat"), "clusters that were never written");
    assert!(
        found
            .listed
            .iter()
            .any(|o| o.kind == OwnerKind::Nobody && o.class == Some(gleaner::survey::allocation::Class::Free))
    );
    let few = owners(&map, &ExtentSet::from_iter([whole]), 10);
    assert_eq!((few.listed.len(), few.more), (10, found.listed.len() as u64 - 10));
}

/// A compressed file is named with the whole unit: 65,536 bytes that one byte spoils.
#[test]
fn a_byte_of_a_compressed_file_concerns_its_unit() {
    let bytes = fixture("ntfs-rich");
    let map = drive(&bytes);
    let volume = map.volumes().next().unwrap().1;
    let path = "/Surveys/Compressed/transect all compressible.txt";
    let node = volume.catalog.nodes().find(|n| n.path() == path).unwrap();
    let second = node.streams().next().unwrap().layout().nth(2).unwrap();
    let place = second.0.unwrap().0 * 4096 + 5;
    let found = owners(&map, &ExtentSet::from_iter([Extent::between(place, place + 1)]), 10);
    let bytes: Vec<_> = found.listed.iter().filter_map(|o| o.holder.as_ref()).filter(|h| !h.deleted).collect();
    assert_eq!((bytes.len(), bytes[0].path.as_str(), bytes[0].bytes), (1, path, Some([65_536, 65_536])));
}

/// Bytes that were copied again: the last hash is the one that counts.
#[test]
fn a_place_copied_twice_is_judged_by_what_it_holds() {
    let old = vec![1u8; 8192];
    let mut copied = Copied::new(&old, ImageForm::Raw, 4096, &ExtentSet::new());
    let extent = Extent::between(0, 4096);
    let image = image::open(&copied.path(), ImageForm::Raw).unwrap();
    image.write_at(ByteOffset(0), &[2; 4096]).unwrap();
    image.sync().unwrap();
    assert_eq!(copied.check().differing.extents(), [extent]);
    copied.chunks.push((extent, ChunkHash::of(&[2; 4096])));
    assert!(copied.check().all_sound());
}

/// An image of which a place cannot be read back.
struct Failing(Vec<u8>);

impl Image for Failing {
    fn bytes(&self) -> u64 {
        self.0.len() as u64
    }

    fn write_at(&self, _: ByteOffset, _: &[u8]) -> io::Result<()> {
        unreachable!("verifying writes nothing")
    }

    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()> {
        let place = Extent::between(at.0, at.0 + buffer.len() as u64);
        if place.intersection(&Extent::between(2 << 20, (2 << 20) + 1)).is_some() || place.end() > self.bytes() {
            return Err(io::Error::other("a bad place of the image's own disk"));
        }
        buffer.copy_from_slice(&self.0[index(place.start.0)..index(place.end())]);
        Ok(())
    }

    fn sync(&self) -> io::Result<()> {
        unreachable!("verifying writes nothing")
    }

    fn room(&self) -> Option<u64> {
        None
    }

    fn check_intact(&self) -> io::Result<()> {
        Ok(())
    }
}

#[test]
fn what_the_image_does_not_give_back_is_told_apart() {
    let bytes: Vec<u8> = (0..4u32 << 20).map(|n| n.to_le_bytes()[1]).collect();
    let image = Failing(bytes.clone());
    let claim = |start: u64, end: u64, content: &[u8]| (Extent::between(start, end), ChunkHash::of(content));
    let part = |start: u64, end: u64| claim(start, end, &bytes[index(start)..index(end)]);
    let beyond = claim(4 << 20, (4 << 20) + 512, &[0; 512]);
    let claims = [part(0, 1000), part(1000, 3 << 20), part(3 << 20, 4 << 20), beyond];
    let found = check(&image, &claims);
    let lost = [Extent::between(1000, 3 << 20), Extent::between(4 << 20, (4 << 20) + 512)];
    assert_eq!((found.chunks, found.unreadable.extents()), (4, lost.as_slice()));
    assert!(found.differing.is_empty());
    assert_eq!(found.first_error.as_deref(), Some("a bad place of the image's own disk"));
    assert!(sha256(&image, 4 << 20, &AtomicBool::new(false), &mut |_| {}).is_err());
}

#[test]
fn an_error_of_the_journal_ends_it() {
    let chunks = [Err("torn"), Ok((Extent::between(0, 1), ChunkHash([0; 32])))];
    assert_eq!(check_chunks(&Failing(vec![0; 512]), chunks, &mut |_| {}), Err("torn"));
}

/// Against `sha256sum` (GNU coreutils) on the raw image, unread places and all; the VHDX form gives the same sum.
#[test]
fn the_sum_is_what_sha256sum_prints() {
    let mut bytes = fixture("fat16");
    // No whole number of MiB, or of blocks of a VHDX.
    bytes.truncate(bytes.len() - 512 * 3);
    let left_out = ExtentSet::from_iter([Extent::between(1 << 20, 2 << 20), Extent::between(4096, 4608)]);
    let raw = Copied::new(&bytes, ImageForm::Raw, 1 << 20, &left_out);
    let printed = Command::new("sha256sum").arg(raw.path()).output().unwrap();
    let printed = String::from_utf8(printed.stdout).unwrap();
    for copied in [&raw, &Copied::new(&bytes, ImageForm::Vhdx, 1 << 20, &left_out)] {
        let mut told = 0;
        let sum =
            sha256(copied.image().as_ref(), bytes.len() as u64, &AtomicBool::new(false), &mut |more| told += more)
                .unwrap();
        assert_eq!(printed.split(' ').next(), Some(sum.sha256.as_str()));
        assert_eq!((sum.bytes, told), (bytes.len() as u64, bytes.len() as u64));
    }
}

/// One reading gives what two give: overlapping chunks, a chunk beyond the end, changed bytes and all.
#[test]
fn one_reading_checks_chunks_and_sums_the_whole_up() {
    let mut bytes = fixture("fat16");
    bytes.truncate(8 << 20);
    let left_out = ExtentSet::from_iter([Extent::between(1 << 20, 3 << 20), Extent::between(4096, 4608)]);
    for form in [ImageForm::Raw, ImageForm::Vhdx] {
        let mut copied = Copied::new(&bytes, form, 65_536, &left_out);
        // A place that was copied once more, in other pieces; its image has the last bytes.
        let again = Extent::between((5 << 20) + 1024, (5 << 20) + 200_000 / 512 * 512);
        let content = &bytes[index(again.start.0)..index(again.end())];
        copied.chunks.push((again, ChunkHash::of(content)));
        copied.chunks.push((Extent::between(8 << 20, (8 << 20) + 512), ChunkHash::of(&[0; 512])));
        for flipped in [None, Some((6 << 20) + 17), Some((5 << 20) + 70_000)] {
            if let (Some(place), ImageForm::Raw) = (flipped, form) {
                flip(&copied.path(), place);
            }
            let image = copied.image();
            let mut told = 0;
            let chunks = copied.chunks.iter().map(|chunk| Ok::<_, SourceLost>(*chunk));
            let stop = AtomicBool::new(false);
            let (check, sum) =
                check_whole(image.as_ref(), chunks, bytes.len() as u64, &stop, &mut |more| told += more).unwrap();
            let alone = sha256(image.as_ref(), bytes.len() as u64, &stop, &mut |_| {}).unwrap();
            assert_eq!((check.clone(), sum.unwrap()), (copied.check(), alone), "{form} {flipped:?}");
            assert!(!check.all_sound(), "the chunk beyond the end cannot be read");
            assert_eq!(told, bytes.len() as u64);
            assert_eq!(check.differing.is_empty(), flipped.is_none() || form == ImageForm::Vhdx);
        }
    }
}

/// An image that counts what is read of it.
struct Counting {
    image: Box<dyn Image>,
    read: AtomicU64,
}

impl Image for Counting {
    fn bytes(&self) -> u64 {
        self.image.bytes()
    }

    fn write_at(&self, _: ByteOffset, _: &[u8]) -> io::Result<()> {
        unreachable!("verifying writes nothing")
    }

    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()> {
        self.read.fetch_add(buffer.len() as u64, Ordering::Relaxed);
        self.image.read_at(at, buffer)
    }

    fn hole(&self, at: ByteOffset) -> u64 {
        self.image.hole(at)
    }

    fn sync(&self) -> io::Result<()> {
        unreachable!("verifying writes nothing")
    }

    fn room(&self) -> Option<u64> {
        None
    }

    fn check_intact(&self) -> io::Result<()> {
        Ok(())
    }
}

/// Of a drive of 1 GiB of which 3 MiB are held, those are read, once, and little more.
#[test]
fn holes_are_not_read() {
    let scratch = tempfile::tempdir().unwrap();
    for form in ImageForm::ALL {
        let path = scratch.path().join(form.file_name());
        let image = image::create(&path, form, 1 << 30, SectorSize::S512, SectorSize::S512).unwrap();
        let content: Vec<u8> = (0..1u32 << 20).map(|n| n.to_le_bytes()[1] | 1).collect();
        let places = [0u64, 300 << 20, (1 << 30) - (1 << 20)];
        places.iter().for_each(|place| image.write_at(ByteOffset(*place), &content).unwrap());
        image.sync().unwrap();
        let counting = Counting { image: image::open_read_only(&path, form).unwrap(), read: AtomicU64::new(0) };
        let chunk =
            |place: &u64| Ok::<_, SourceLost>((Extent::between(*place, place + (1 << 20)), ChunkHash::of(&content)));
        let stop = AtomicBool::new(false);
        let (check, sum) = check_whole(&counting, places.iter().map(chunk), 1 << 30, &stop, &mut |_| {}).unwrap();
        assert!(check.all_sound() && sum.is_ok());
        let read = counting.read.load(Ordering::Relaxed);
        assert!((3 << 20..4 << 20).contains(&read), "{form}: {read} bytes were read");
    }
}
