//! A dynamic virtual hard disk after Microsoft's published specification, \[MS-VHDX\] "Virtual Hard Disk v2 (VHDX) File
//! Format". Section numbers are the specification's; where its text was not at hand they are marked 'from memory'.
//!
//! A block that was never written keeps its entry, which says that it is not present; one of zeros alone gets an entry that says so;
//! any other gets a place in the file ([`Vhdx`]'s `write_at`).
//!
//! The log is never used. The specification keeps one so that changes which span sectors are applied whole; the only
//! structures changed here after creation are the entries of the block allocation table, of which each lies in one
//! sector and is right by itself, and the headers, of which there are two for that purpose.
//!
//! Order of writing, for which [`Vhdx::sync`](super::Image::sync) sees: the file grows and the payload is written; that
//! is made durable; then the entries that point at it are written; those are made durable. So at no moment does the
//! file on the disk hold an entry that points beyond its end or at another block's bytes.

mod bat;
mod geometry;
mod header;
mod metadata;
mod region;

pub use geometry::VhdxGeometry;

use super::raw::{check_length, write_sparsely};
use super::zeros::are_zero;
use super::{Image, ImageError, VhdxFault, check_within};
use crate::base::units::ByteOffset;
use crate::store::durable_file::DurableFile;
use bat::{Bat, Block};
use header::{Header, current_header};
use region::Regions;
use std::io;
use std::sync::{Mutex, MutexGuard, PoisonError};

pub(super) const MIB: u64 = 1 << 20;

/// A VHDX that is read, and written where it was opened for it.
pub struct Vhdx {
    storage: Box<dyn DurableFile>,
    geometry: VhdxGeometry,
    bat: Mutex<Bat>,
    /// Held through a whole sync: a second one must not return while the first one's entries are under way.
    syncing: Mutex<()>,
    writable: bool,
}

/// Makes empty storage a VHDX without content.
pub(super) fn lay_out(storage: &dyn DurableFile, geometry: &VhdxGeometry) -> Result<(), ImageError> {
    header::lay_out(storage)?;
    let end = region::lay_out(storage, geometry.bat_bytes())?;
    metadata::lay_out(storage, region::METADATA_AT, geometry)?;
    storage.set_bytes(end)?;
    Ok(())
}

impl Vhdx {
    /// Opens it to go on writing: room that a crash left without an entry is given back, and the header is replaced by
    /// one with new write identifiers, as section 2.2.2 asks for (from memory).
    ///
    /// # Errors
    /// [`ImageError::Vhdx`], also for one damaged entry of the block allocation table; [`ImageError::Io`].
    pub fn open(storage: Box<dyn DurableFile>) -> Result<Vhdx, ImageError> {
        let (mut vhdx, header, slot, used) = Vhdx::read(storage)?;
        if let Some((entry, value)) = vhdx.lock().first_damaged() {
            return Err(VhdxFault::Entry { entry, value }.into());
        }
        vhdx.writable = true;
        if vhdx.storage.bytes()? > used {
            vhdx.storage.set_bytes(used)?;
        }
        let renewed = header.renewed();
        renewed.write(vhdx.storage.as_ref(), slot.other())?;
        vhdx.storage.sync()?;
        Ok(vhdx)
    }

    /// Opens it only to read. Blocks whose entry is damaged cannot be read, the others can.
    ///
    /// # Errors
    /// [`ImageError::Vhdx`], [`ImageError::Io`].
    pub fn open_read_only(storage: Box<dyn DurableFile>) -> Result<Vhdx, ImageError> {
        Ok(Vhdx::read(storage)?.0)
    }

    /// Its sizes.
    pub fn geometry(&self) -> &VhdxGeometry {
        &self.geometry
    }

    /// The image, the header in force and where it stands, and the end of all that is in use.
    fn read(storage: Box<dyn DurableFile>) -> Result<(Vhdx, Header, header::Slot, u64), ImageError> {
        let bytes = storage.bytes()?;
        let (header, slot) = current_header(storage.as_ref())?;
        let regions = Regions::read(storage.as_ref(), &header, bytes)?;
        let geometry = metadata::read(storage.as_ref(), regions.metadata)?;
        let bat = Bat::read(storage.as_ref(), &geometry, &regions, bytes)?;
        let used = bat.end();
        let vhdx = Vhdx { storage, geometry, bat: Mutex::new(bat), syncing: Mutex::new(()), writable: false };
        Ok((vhdx, header, slot, used))
    }

    fn sync_with(&self, changed: &[(u64, Vec<u8>)]) -> io::Result<()> {
        self.storage.sync()?;
        if changed.is_empty() {
            return Ok(());
        }
        for (place, entries) in changed {
            self.storage.write_at(*place, entries)?;
        }
        self.storage.sync()
    }

    // The table is changed in single steps that cannot panic half way, so a poisoned lock still guards a sound table.
    fn lock(&self) -> MutexGuard<'_, Bat> {
        self.bat.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Each block that `length` bytes from `at` touch: its number, the first byte in it, and which part of the bytes.
    fn blocks(
        &self,
        at: ByteOffset,
        length: usize,
    ) -> impl Iterator<Item = (u64, u64, std::ops::Range<usize>)> + use<> {
        let block_bytes = self.geometry.block_bytes();
        let mut done = 0;
        std::iter::from_fn(move || {
            let place = at.0 + done as u64;
            let (block, inside) = (place / block_bytes, place % block_bytes);
            let part = usize::try_from(block_bytes - inside).map_or(length - done, |left| left.min(length - done));
            let range = done..done + part;
            done += part;
            (part > 0).then_some((block, inside, range))
        })
    }
}

impl Image for Vhdx {
    fn bytes(&self) -> u64 {
        self.geometry.bytes()
    }

    fn write_at(&self, at: ByteOffset, bytes: &[u8]) -> io::Result<()> {
        check_within(at, bytes.len(), self.bytes())?;
        if !self.writable {
            return Err(io::Error::new(io::ErrorKind::PermissionDenied, "the image was opened only to be read"));
        }
        for (block, inside, range) in self.blocks(at, bytes.len()) {
            let part = &bytes[range];
            let mut bat = self.lock();
            let place = match bat.block(block) {
                Block::At(place) => place,
                Block::Damaged => return Err(damaged(block)),
                // Nothing in this block differs from zero so far, and nothing will.
                Block::Absent if are_zero(part) => {
                    bat.set_zero(block);
                    continue;
                }
                Block::Absent => bat.allocate(block, self.storage.as_ref())?,
            };
            drop(bat);
            write_sparsely(self.storage.as_ref(), place + inside, part)?;
        }
        Ok(())
    }

    fn read_at(&self, at: ByteOffset, buffer: &mut [u8]) -> io::Result<()> {
        check_within(at, buffer.len(), self.bytes())?;
        for (block, inside, range) in self.blocks(at, buffer.len()) {
            let part = &mut buffer[range];
            let found = self.lock().block(block);
            match found {
                Block::At(place) => self.storage.read_at(place + inside, part)?,
                Block::Absent => part.fill(0),
                Block::Damaged => return Err(damaged(block)),
            }
        }
        Ok(())
    }

    fn hole(&self, at: ByteOffset) -> u64 {
        let (block, inside) = (at.0 / self.geometry.block_bytes(), at.0 % self.geometry.block_bytes());
        let left = (self.geometry.block_bytes() - inside).min(self.bytes().saturating_sub(at.0));
        if left == 0 {
            return 0;
        }
        match self.lock().block(block) {
            Block::At(place) => self.storage.hole(place + inside).min(left),
            Block::Absent => left,
            Block::Damaged => 0,
        }
    }

    fn sync(&self) -> io::Result<()> {
        let _one_at_a_time = self.syncing.lock().unwrap_or_else(PoisonError::into_inner);
        // Taken before the payload is made durable: what is added meanwhile waits for the next time.
        let changed = self.lock().take_changed();
        let synced = self.sync_with(&changed);
        if synced.is_err() {
            self.lock().put_back(&changed);
        }
        synced
    }

    fn room(&self) -> Option<u64> {
        self.storage.room()
    }

    fn check_intact(&self) -> io::Result<()> {
        self.storage.check_intact()?;
        let end = self.lock().end();
        check_length(self.storage.as_ref(), end)
    }
}

fn damaged(block: u64) -> io::Error {
    let text = format!("the block allocation table's entry for block {block} of the VHDX is damaged");
    io::Error::new(io::ErrorKind::InvalidData, text)
}
