//! A volume that is stored in another form than it is read in: which bytes of the drive its plain bytes are made of.
//!
//! A plain byte has the address on the drive that it would have if the volume were stored as it is read; only where it is stored may
//! differ. Parsers work with plain addresses, plans and copies with stored ones.

use super::Store;
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
    pub stored: &'s dyn Store,
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

impl Store for PlainStore<'_> {
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
