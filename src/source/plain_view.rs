//! A volume that is stored in another form than it is read in: which bytes of the drive its plain bytes are made of.
//!
//! A plain byte has the address on the drive that it would have if the volume were stored as it is read; only where it is stored may
//! differ. Parsers work with plain addresses, plans and copies with stored ones.

use super::CopyStore;
use super::range_mark::{RangeMark, Skip};
use crate::base::extent::{Extent, ExtentSet};
use std::fmt;
use std::io;
use std::sync::Arc;

/// Makes plain sectors of stored ones.
pub trait SectorCipher: Send + Sync {
    /// Decrypts one sector in place. `at` is the byte of the volume at which it is stored.
    fn decrypt(&self, at: u64, sector: &mut [u8]);
}

/// How a range of plain bytes is stored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stored {
    /// Nowhere: it reads as zeros.
    Zeros,
    /// As it is read, from this byte of the drive on.
    Clear(u64),
    /// Encrypted, from this byte of the drive on.
    Encrypted(u64),
}

/// A range of plain bytes, and how it is stored.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct PlainPart {
    /// The plain bytes.
    pub plain: Extent,
    /// How they are stored.
    pub stored: Stored,
}

impl PlainPart {
    /// Where it is stored; `None` for zeros.
    pub fn on_drive(&self) -> Option<Extent> {
        match self.stored {
            Stored::Zeros => None,
            Stored::Clear(start) | Stored::Encrypted(start) => Some(Extent::between(start, start + self.plain.bytes)),
        }
    }

    /// The part of it that `plain` covers.
    fn cut_to(&self, plain: Extent) -> Option<PlainPart> {
        let shared = self.plain.intersection(&plain)?;
        let skipped = shared.start.0 - self.plain.start.0;
        let stored = match self.stored {
            Stored::Zeros => Stored::Zeros,
            Stored::Clear(start) => Stored::Clear(start + skipped),
            Stored::Encrypted(start) => Stored::Encrypted(start + skipped),
        };
        Some(PlainPart { plain: shared, stored })
    }

    /// The plain bytes that are stored in `stored`.
    fn to_plain(self, stored: Extent) -> Option<Extent> {
        let own = self.on_drive()?;
        let shared = own.intersection(&stored)?;
        let start = self.plain.start.0 + (shared.start.0 - own.start.0);
        Some(Extent::between(start, start + shared.bytes))
    }
}

/// A volume as it is read: its plain bytes, part by part.
#[derive(Clone)]
pub struct PlainView {
    volume: Extent,
    sector: u64,
    /// Ascending without gap or overlap, all of the volume.
    parts: Vec<PlainPart>,
    cipher: Arc<dyn SectorCipher>,
}

impl fmt::Debug for PlainView {
    /// Without the cipher, which holds the key.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("PlainView")
            .field("volume", &self.volume)
            .field("parts", &self.parts.len())
            .finish_non_exhaustive()
    }
}

impl PlainView {
    /// A view of `volume`, whose sectors of `sector` bytes `cipher` decrypts.
    ///
    /// `None` unless `parts` cover the volume in ascending order without gap or overlap, are stored within it, and those that are
    /// encrypted begin and end with whole sectors.
    pub fn new(volume: Extent, sector: u64, parts: Vec<PlainPart>, cipher: Arc<dyn SectorCipher>) -> Option<PlainView> {
        let mut at = volume.start.0;
        for part in &parts {
            let is_next = part.plain.start.0 == at && !part.plain.is_empty() && volume.contains(&part.plain);
            let is_stored = match part.stored {
                Stored::Zeros => true,
                Stored::Clear(start) | Stored::Encrypted(start) => {
                    volume.contains(&Extent::new(start, part.plain.bytes)?)
                }
            };
            let has_whole_sectors = match part.stored {
                Stored::Encrypted(start) => [part.plain.start.0, part.plain.end(), start]
                    .iter()
                    .all(|end| end.saturating_sub(volume.start.0).is_multiple_of(sector)),
                Stored::Zeros | Stored::Clear(_) => true,
            };
            if !is_next || !is_stored || !has_whole_sectors {
                return None;
            }
            at = part.plain.end();
        }
        (sector.is_power_of_two() && sector >= 16 && at == volume.end()).then_some(PlainView {
            volume,
            sector,
            parts,
            cipher,
        })
    }

    /// The plain bytes of `plain`, part by part in ascending order. What lies outside of the volume has none.
    pub fn parts(&self, plain: Extent) -> impl Iterator<Item = PlainPart> + '_ {
        let first = self.parts.partition_point(|part| part.plain.end() <= plain.start.0);
        self.parts[first..].iter().map_while(move |part| part.cut_to(plain))
    }

    /// Where the bytes of `plain` are stored. What reads as zeros is nowhere.
    pub fn on_drive(&self, plain: Extent) -> impl Iterator<Item = Extent> + '_ {
        self.parts(plain).filter_map(|part| part.on_drive())
    }

    /// A part reaching out to what is needed to read it: whole sectors where it is encrypted.
    pub(super) fn whole_sectors(&self, part: PlainPart) -> PlainPart {
        if !matches!(part.stored, Stored::Encrypted(_)) {
            return part;
        }
        let base = self.volume.start.0;
        let relative = Extent::between(part.plain.start.0 - base, part.plain.end() - base).aligned_to(self.sector);
        let plain = Extent::between(base + relative.start.0, base + relative.end());
        self.parts(plain).find(|whole| whole.plain.intersection(&part.plain).is_some()).unwrap_or(part)
    }

    /// Decrypts the bytes of a part of whole sectors.
    pub(super) fn decrypt(&self, part: PlainPart, bytes: &mut [u8]) {
        let Stored::Encrypted(start) = part.stored else { return };
        let mut at = start - self.volume.start.0;
        let size = usize::try_from(self.sector).expect("a sector is far smaller than memory");
        for sector in bytes.chunks_exact_mut(size) {
            self.cipher.decrypt(at, sector);
            at += self.sector;
        }
    }

    /// The plain bytes of a part of which something is missing where it is stored: whole sectors.
    pub(super) fn missing_of(&self, part: PlainPart, missing: impl IntoIterator<Item = Extent>) -> ExtentSet {
        let plain = missing.into_iter().filter_map(|stored| part.to_plain(stored));
        match part.stored {
            Stored::Encrypted(_) => {
                let base = self.volume.start.0;
                let sectors = plain.map(|extent| {
                    let relative = Extent::between(extent.start.0 - base, extent.end() - base).aligned_to(self.sector);
                    Extent::between(base + relative.start.0, base + relative.end())
                });
                sectors.filter_map(|extent| extent.intersection(&part.plain)).collect()
            }
            _ => plain.collect(),
        }
    }

    /// How far the volume's sectors are from multiples of their size on the drive: 0 as a rule.
    pub(super) fn phase(&self) -> u64 {
        self.volume.start.0 % self.sector
    }
}

/// What a store holds of a volume, as plain bytes. Nothing is kept through it.
pub struct PlainStore<'s> {
    /// What holds the drive's bytes.
    pub stored: &'s dyn CopyStore,
    /// The volume; `None` where it is stored as it is read.
    pub view: Option<&'s PlainView>,
}

impl PlainStore<'_> {
    fn mapped(&self, view: &PlainView, extent: Extent, state: impl Fn(Extent) -> Vec<Extent>) -> ExtentSet {
        let missing = view.parts(extent).flat_map(|part| {
            let whole = view.whole_sectors(part);
            let states = whole.on_drive().map(&state).unwrap_or_default();
            view.missing_of(whole, states).intersection(part.plain)
        });
        missing.collect()
    }
}

impl CopyStore for PlainStore<'_> {
    /// Whole sectors only: a part of one cannot be decrypted.
    fn held(&self, extent: Extent) -> Vec<Extent> {
        let Some(view) = self.view else { return self.stored.held(extent) };
        let not_held = self.mapped(view, extent, |stored| {
            let held: ExtentSet = self.stored.held(stored).into_iter().collect();
            held.missing_from(stored)
        });
        let plain = view.parts(extent).flat_map(|part| not_held.missing_from(part.plain));
        plain.collect::<ExtentSet>().extents().to_vec()
    }

    fn skipped(&self, extent: Extent) -> Vec<Extent> {
        let Some(view) = self.view else { return self.stored.skipped(extent) };
        let skipped = self.mapped(view, extent, |stored| self.stored.skipped(stored));
        let unreadable: ExtentSet = self.unreadable(extent).into_iter().collect();
        skipped.extents().iter().flat_map(|part| unreadable.missing_from(*part)).collect()
    }

    fn unreadable(&self, extent: Extent) -> Vec<Extent> {
        let Some(view) = self.view else { return self.stored.unreadable(extent) };
        self.mapped(view, extent, |stored| self.stored.unreadable(stored)).extents().to_vec()
    }

    fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
        let Some(view) = self.view else { return self.stored.load(extent, buffer) };
        buffer.fill(0);
        for part in view.parts(extent) {
            let whole = view.whole_sectors(part);
            let Some(stored) = whole.on_drive() else { continue };
            let mut bytes = vec![0; super::reader::length(stored.bytes)];
            self.stored.load(stored, &mut bytes)?;
            view.decrypt(whole, &mut bytes);
            buffer[super::bytes_of(part.plain, extent)]
                .copy_from_slice(&bytes[super::bytes_of(part.plain, whole.plain)]);
        }
        Ok(())
    }

    fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
        Err(io::Error::new(io::ErrorKind::PermissionDenied, "plain bytes are never kept"))
    }

    fn mark(&self, _: RangeMark) -> io::Result<()> {
        Err(io::Error::new(io::ErrorKind::PermissionDenied, "plain bytes are never marked"))
    }

    fn skips(&self, extent: Extent) -> Vec<(Extent, Skip)> {
        self.skipped(extent).into_iter().map(|place| (place, Skip::NotRecorded)).collect()
    }

    fn commit(&self) -> io::Result<()> {
        self.stored.commit()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::units::SectorSize;
    use crate::source::{MemorySource, Reader, Window};
    use std::ops::ControlFlow;

    const SECTOR: u64 = 1024;
    const START: u64 = 3 * 512;
    const SECTORS: u64 = 40;

    /// Adds the number of the sector to each byte.
    struct Shift;

    impl SectorCipher for Shift {
        fn decrypt(&self, at: u64, sector: &mut [u8]) {
            sector.iter_mut().for_each(|byte| *byte = byte.wrapping_add((at / SECTOR).to_le_bytes()[0]));
        }
    }

    fn parts() -> Vec<PlainPart> {
        let part = |from: u64, to: u64, stored: Stored| PlainPart {
            plain: Extent::between(START + from * SECTOR, START + to * SECTOR),
            stored,
        };
        let at = |sector: u64| START + sector * SECTOR;
        vec![
            part(0, 2, Stored::Encrypted(at(30))),
            part(2, 10, Stored::Encrypted(at(2))),
            part(10, 12, Stored::Zeros),
            part(12, 20, Stored::Clear(at(12))),
            part(20, 30, Stored::Encrypted(at(20))),
            part(30, 32, Stored::Zeros),
            part(32, SECTORS, Stored::Encrypted(at(32))),
        ]
    }

    fn index(at: u64) -> usize {
        usize::try_from(at).unwrap()
    }

    fn volume() -> Extent {
        Extent::new(START, SECTORS * SECTOR).unwrap()
    }

    fn view() -> Arc<PlainView> {
        Arc::new(PlainView::new(volume(), SECTOR, parts(), Arc::new(Shift)).unwrap())
    }

    fn drive() -> Vec<u8> {
        (0..volume().end() + 512).map(|n| (n * 7 / 5 % 251).to_le_bytes()[0]).collect()
    }

    /// The plain bytes by the plain meaning of the parts.
    fn expected() -> Vec<u8> {
        let (drive, mut plain) = (drive(), Vec::new());
        for part in parts() {
            let byte = |n: u64| match part.stored {
                Stored::Zeros => 0,
                Stored::Clear(at) => drive[index(at + n)],
                Stored::Encrypted(at) => {
                    drive[index(at + n)].wrapping_add(((at + n - START) / SECTOR).to_le_bytes()[0])
                }
            };
            plain.extend((0..part.plain.bytes).map(byte));
        }
        plain
    }

    fn slice(extent: Extent) -> Vec<u8> {
        expected()[crate::source::bytes_of(extent, volume())].to_vec()
    }

    /// A case that holds all but some places.
    struct Case {
        missing: ExtentSet,
    }

    impl CopyStore for Case {
        fn held(&self, extent: Extent) -> Vec<Extent> {
            self.missing.missing_from(extent)
        }

        fn skipped(&self, _: Extent) -> Vec<Extent> {
            Vec::new()
        }

        fn unreadable(&self, extent: Extent) -> Vec<Extent> {
            self.missing.intersection(extent)
        }

        fn load(&self, extent: Extent, buffer: &mut [u8]) -> io::Result<()> {
            assert_eq!(self.held(extent), [extent]);
            buffer.copy_from_slice(&drive()[index(extent.start.0)..index(extent.end())]);
            Ok(())
        }

        fn keep(&self, _: Extent, _: &[u8]) -> io::Result<()> {
            unreachable!()
        }

        fn mark(&self, _: RangeMark) -> io::Result<()> {
            unreachable!()
        }

        fn commit(&self) -> io::Result<()> {
            Ok(())
        }
    }

    /// Any range of the volume, from an odd byte to an odd byte.
    fn ranges() -> impl Iterator<Item = Extent> {
        let ends = [0, 1, 700, 2048, 3000, 10_240, 11_111, 12_288, 20_480, 30_000, 33_333, SECTORS * SECTOR];
        let pairs = ends.into_iter().flat_map(move |from| ends.into_iter().map(move |to| (from, to)));
        pairs.filter(|(from, to)| from < to).map(|(from, to)| Extent::between(START + from, START + to))
    }

    #[test]
    fn parts_that_do_not_cover_the_volume_make_no_view() {
        let made = |change: fn(&mut Vec<PlainPart>)| {
            let mut parts = parts();
            change(&mut parts);
            PlainView::new(volume(), SECTOR, parts, Arc::new(Shift)).is_some()
        };
        assert!(made(|_| ()));
        assert!(!made(|parts| parts.truncate(6)));
        assert!(!made(|parts| parts[2] = parts[1]));
        assert!(!made(|parts| parts[0].stored = Stored::Encrypted(0)));
        assert!(!made(|parts| parts[0].stored = Stored::Encrypted(START + 100)));
        assert!(!made(|parts| parts[0].stored = Stored::Clear(u64::MAX - 100)));
        assert!(!made(|parts| parts[4].stored = Stored::Clear(START + 31 * SECTOR)));
    }

    #[test]
    fn reading_and_streaming_give_the_plain_bytes() {
        let view = view();
        for range in ranges() {
            let reader = Reader::new(Box::new(MemorySource::new(drive(), SectorSize::S512)), None);
            let window = Window::new(&reader, volume()).through(&view);
            let mut streamed = Vec::new();
            let mut at = range.start.0;
            window
                .stream(&[range], |block| {
                    assert_eq!(block.extent.start.0, at, "{range:?}");
                    at = block.extent.end();
                    streamed.extend_from_slice(block.bytes);
                    ControlFlow::Continue(())
                })
                .unwrap();
            assert!(streamed == slice(range), "{range:?}");
            assert_eq!(window.read_extent(range).unwrap().bytes, slice(range));
            let store = PlainStore { stored: &Case { missing: ExtentSet::new() }, view: Some(&view) };
            let mut loaded = vec![1; slice(range).len()];
            store.load(range, &mut loaded).unwrap();
            assert!(loaded == slice(range) && store.held(range) == [range], "{range:?}");
        }
    }

    #[test]
    fn what_is_missing_costs_whole_sectors_where_they_are_read() {
        let view = view();
        let at = |sector: u64| START + sector * SECTOR;
        // In the place that the first sectors were moved to, in an encrypted sector, in the clear, and in what reads as zeros.
        let lost = [(at(30) + 512, 512), (at(5), 512), (at(12) + 512, 512), (at(10), 512)];
        let lost: ExtentSet = lost.into_iter().map(|(start, bytes)| Extent::new(start, bytes).unwrap()).collect();
        let expected: ExtentSet = [(at(0), SECTOR), (at(5), SECTOR), (at(12) + 512, 512)]
            .map(|(s, b)| Extent::new(s, b).unwrap())
            .into_iter()
            .collect();
        let source = MemorySource::new(drive(), SectorSize::S512);
        let source = lost.extents().iter().fold(source, |source, extent| source.with_unreadable(*extent));
        let reader = Reader::new(Box::new(source), None);
        let window = Window::new(&reader, volume()).through(&view);
        let block = window.read_extent(volume()).unwrap();
        let found: Vec<Extent> = expected.extents().iter().flat_map(|e| block.unreadable.missing_from(*e)).collect();
        assert!(found.is_empty(), "{found:?} is not missing");
        for part in block.unreadable.missing_from(volume()) {
            assert!(block.bytes[crate::source::bytes_of(part, volume())] == slice(part));
        }
        let store = PlainStore { stored: &Case { missing: lost }, view: Some(&view) };
        assert_eq!(store.unreadable(volume()), expected.extents());
        assert_eq!(store.held(volume()), expected.missing_from(volume()));
    }
}
