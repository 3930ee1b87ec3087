//! Contents of other kinds, recognised by their published signatures and never guessed at: foreign file systems, members
//! of pools and arrays, encrypted volumes.
//!
//! A signature alone is not believed: the fields beside it must be in their ranges, the sizes should fit the place that is
//! looked at, and a checksum, where the format has one that is cheap, should hold; [`Certainty`] says how far that went.
//! NTFS, FAT and exFAT are not among these: they are read.
//!
//! # What is read
//!
//! [`HEAD_BYTES`] from the start, in one request. Only when these say nothing, or nothing certain, [`TAIL_BYTES`] at the end
//! and [`COPIES`] further pieces of 4 KiB where copies of superblocks would be. A disc with UDF costs up to five small
//! requests more. All told less than 700 KiB; nothing that was read before is read again. An APFS container whose first block is damaged
//! is recognised by a superblock of its checkpoints within the first piece.
//!
//! # When several match
//!
//! What is whole comes before what is known by its copy, and that before what is partly damaged (a checksum makes no
//! difference here: not every format has one). Between equals the order of the list: what encloses (encryption, arrays, LVM, pools)
//! before what is enclosed, UDF before the ISO 9660 that is there for older systems, a file system before a partition map
//! around it. What is left of an older use gives itself away by being inconsistent: the first thing that a later format
//! writes over is, as a rule, what the older one's checksum or second structure covers. The others are told among the
//! facts.

pub(crate) mod checksums;
mod enclosing;
mod file_systems;
mod sign;
mod swap;
mod texts;
mod volume_bytes;

pub(crate) use checksums::fletcher64;
pub use enclosing::volume_encryption::{EncryptedBoot, EncryptedForm};
pub use sign::{Certainty, Evidence, Family, Recognised, Sign};

use crate::base::extent::Extent;
use crate::source::{SourceLost, Window};
use enclosing::{apple, cache, geli, luks, lvm, raid, volume_encryption, windows, zfs};
use file_systems::{apfs, btrfs, ext, hfs, journaled, log_structured, optical, refs, shared_disk, ufs, xfs};
use volume_bytes::VolumeBytes;

/// What is read first, in one request: every primary superblock lies in it but those that stand at the end.
pub const HEAD_BYTES: u64 = 68 << 10;

/// What is read at the end when the start says nothing certain: array members, backup headers, the last two labels of a
/// pool.
pub const TAIL_BYTES: u64 = 520 << 10;

/// Number of places further in that are looked at when the start says nothing certain.
pub const COPIES: usize = ext::COPIES_AT.len() + luks::SECOND_AT.len() + 1;

/// What is looked at in front of a FAT volume, see [`look_in_front`].
pub const FRONT_BYTES: u64 = 2048;

/// Looks at a volume, or a whole drive. `None` when nothing is recognised; unreadable sectors cost what they hold.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn look(window: &Window<'_>) -> Result<Option<Recognised>, SourceLost> {
    if is_silent(window)? {
        return Ok(None);
    }
    let mut volume = VolumeBytes::new(window.extent());
    volume.read(window, 0, HEAD_BYTES)?;
    optical::read_further(&mut volume, window)?;
    let found = best_recognised(&volume);
    if found.as_ref().is_some_and(|found| found.certainty >= Certainty::Consistent) {
        return Ok(found);
    }
    let bytes = window.extent().bytes;
    let tail = bytes.saturating_sub(TAIL_BYTES).max(HEAD_BYTES);
    volume.read(window, tail, bytes.saturating_sub(tail))?;
    let copies = ext::COPIES_AT.into_iter().chain(luks::SECOND_AT).chain([btrfs::COPY_AT]);
    for at in copies.filter(|at| *at >= HEAD_BYTES && *at < tail) {
        volume.read(window, at, COPY_BYTES)?;
    }
    Ok(best_recognised(&volume))
}

/// An encrypted volume whose boot sector is lost, by a block of metadata where Windows puts the first one. Reads 1 MiB, so it comes when
/// [`look`] has found nothing, and only where a volume is known to lie.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn look_for_metadata(window: &Window<'_>) -> Result<Option<Recognised>, SourceLost> {
    Ok(volume_encryption::look_by_block(&where_metadata_lie(window)?))
}

/// What the lost boot sector of an encrypted volume would say, where [`look_for_metadata`] recognised one.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn encrypted_boot_by_block(window: &Window<'_>) -> Result<Option<EncryptedBoot>, SourceLost> {
    Ok(EncryptedBoot::by_block(&where_metadata_lie(window)?).map(|(_, boot)| boot))
}

fn where_metadata_lie(window: &Window<'_>) -> Result<VolumeBytes, SourceLost> {
    let mut volume = VolumeBytes::new(window.extent());
    volume.read(window, volume_encryption::SEARCHED.0, volume_encryption::SEARCHED.1)?;
    Ok(volume)
}

const COPY_BYTES: u64 = 4096;

/// Where the first sector is known not to answer, one more is asked before the whole head is: each sector that fails can
/// cost a drive seconds.
fn is_silent(window: &Window<'_>) -> Result<bool, SourceLost> {
    const PROBE_AT: u64 = 32 << 10;
    let sector = window.reader().identity().physical_sector.bytes();
    let lost = |extent: Extent| !window.has_not_failed(extent);
    if !window.locate(0, 512).is_some_and(lost) {
        return Ok(false);
    }
    match window.read(PROBE_AT, sector) {
        Ok(probe) => Ok(probe.is_some_and(|block| block.whole().is_none())),
        Err(SourceLost::NotInCase { .. }) => Ok(false),
        Err(error) => Err(error),
    }
}

/// Looks at the first [`FRONT_BYTES`] bytes only, behind a boot sector that looks like that of FAT: a FAT volume writes
/// zeros, a file-system information sector or its table there, so a superblock that stands there whole came later, and
/// the boot sector is what is left of before. Also finds the identifier of an encrypted removable volume.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn look_in_front(window: &Window<'_>) -> Result<Option<Recognised>, SourceLost> {
    look_at(window, FRONT_BYTES)
}

/// Looks at the first [`HEAD_BYTES`] bytes only, where nothing is expected.
///
/// # Errors
/// [`SourceLost`] when the device is gone.
pub fn look_at_start(window: &Window<'_>) -> Result<Option<Recognised>, SourceLost> {
    look_at(window, HEAD_BYTES)
}

fn look_at(window: &Window<'_>, bytes: u64) -> Result<Option<Recognised>, SourceLost> {
    let mut volume = VolumeBytes::new(window.extent());
    volume.read(window, 0, bytes)?;
    Ok(best_recognised(&volume).filter(|found| found.certainty >= Certainty::Consistent))
}

/// What the first sector alone says, for a caller that has read no more and does not know the volume's length: places are then
/// meaningless.
pub(crate) fn of_first_sector(sector: &[u8]) -> Option<Recognised> {
    let anywhere = Extent::between(0, u64::MAX);
    best_recognised(&VolumeBytes::of_start(anywhere, sector)).filter(|found| found.certainty >= Certainty::Consistent)
}

type Recogniser = fn(&VolumeBytes) -> Option<Recognised>;

/// Those that are asked, in the order that decides between equals.
const RECOGNISERS: [Recogniser; 32] = [
    volume_encryption::look,
    luks::look,
    geli::look,
    raid::md,
    raid::ddf,
    apple::raid,
    lvm::look,
    cache::bcache,
    zfs::look,
    windows::storage_spaces,
    apple::core_storage,
    refs::look,
    apfs::look,
    xfs::look,
    btrfs::look,
    cache::bcachefs,
    ext::look,
    log_structured::f2fs,
    log_structured::nilfs2,
    journaled::jfs,
    journaled::reiserfs,
    journaled::squashfs,
    shared_disk::gfs2,
    shared_disk::ocfs2,
    ufs::look,
    swap::look,
    optical::udf,
    optical::iso,
    hfs::hfs_plus,
    hfs::hfs,
    windows::dynamic_disk,
    apple::partition_map,
];

fn best_recognised(volume: &VolumeBytes) -> Option<Recognised> {
    let mut found: Vec<Recognised> = RECOGNISERS.iter().filter_map(|look| look(volume)).collect();
    // Stable: between equals the order of the list stays.
    found.sort_by_key(|recognised| std::cmp::Reverse(recognised.certainty.rank()));
    let mut found = found.into_iter();
    let mut first = found.next()?;
    for other in found {
        first.facts.push(("also there", other.kind.name().to_owned()));
    }
    Some(first)
}
