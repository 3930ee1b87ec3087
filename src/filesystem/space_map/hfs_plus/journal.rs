//! The journal: parts of the volume of which it holds a newer version than the place where they belong.
//!
//! Block lists are followed from the journal's start to its end; the newest versions are then read in place of what stands at home, and
//! only those of what the map needs. What cannot be followed to its end with certainty is an error, and all of the volume is planned
//! then: what a lost transaction marks is on no map, so that not even the old and the new map together are enough. Behind the end, later
//! systems may have written more that counts: what it touches is of unknown mark.
//!
//! Sources: libyal/libfshfs, "Hierarchical File System (HFS)", journal; Technical Note TN1150. From memory: how many bytes a checksum
//! covers, checksums of blocks, sequence numbers, what may stand behind the end. Not checked on a journal that macOS wrote.

use super::header::{self, VolumeHeader};
use crate::base::extent::{Extent, ExtentSet};
use crate::base::fields::{be16, be32, be64, le16, le32, le64};
use crate::filesystem::space_map::Step;
use crate::source::{SourceLost, Window};
use std::cell::Cell;
use std::collections::BTreeMap;

/// Bytes of the journal info block, and of the journal's header, that are read.
const HEAD_BYTES: u64 = 512;
const IN_THIS_VOLUME: u32 = 1;
const ON_ANOTHER_DEVICE: u32 = 2;
const NEEDS_INITIALISING: u32 = 4;

const MAGIC: u32 = 0x4A4E_4C78;
const BYTE_ORDER: u32 = 0x1234_5678;
/// What the checksum of the journal's header covers, from memory: all before the sequence number that later systems added.
const HEADER_SUMMED: usize = 44;
/// The same of a block list, from memory: its head and first entry.
const LIST_SUMMED: usize = 32;
/// Flag of a block list, from memory: its entries have a checksum of their block.
const HAS_CHECKSUMS: u32 = 1;
/// Target of a block that was taken out of its transaction, from memory.
const TAKEN_OUT: u64 = u64::MAX;

/// How far the sequence number behind the end may be ahead of that in the journal's header, which is written seldom.
const MOST_AHEAD: u32 = 1 << 16;

/// The one size of sectors in which targets are counted here: what a journal of larger ones counts in is not certain.
const SECTOR: u64 = 512;
/// Largest block list that is read.
const MOST_LIST_BYTES: u64 = 1 << 20;
/// Most block lists that are read, each of which costs a request, and most versions that they name.
const MOST_LISTS: u64 = 1 << 16;
const MOST_VERSIONS: usize = 1 << 20;
/// Most bytes of versions that are held against their checksum, which keeps them in memory.
const MOST_CHECKED: u64 = 64 << 20;

/// A volume as it is once its journal has been replayed.
pub struct Replayed<'r> {
    window: Window<'r>,
    /// Where the journal's lists go round, in bytes of the volume.
    round: Extent,
    versions: Vec<Version>,
    /// By first byte of the volume: the end of a range, and its newest version.
    newest: BTreeMap<u64, (u64, usize)>,
    /// Ranges of the volume of which there may be an even newer version.
    doubted: ExtentSet,
    /// Where in the round such versions of the volume header stand.
    later_headers: Vec<u64>,
    checked: Cell<u64>,
    /// What of the journal was read, or is needed to mount the volume.
    pub places: ExtentSet,
}

/// A newer version of a range.
struct Version {
    /// First byte of the volume that it replaces.
    at: u64,
    bytes: u64,
    /// Byte of the round at which it stands.
    log: u64,
    checksum: Option<u32>,
}

/// Part of a range.
pub struct NewestPart {
    pub bytes: u64,
    pub newest: Newest,
}

/// Where the newest version of a range stands.
pub enum Newest {
    /// There on the drive.
    At(Vec<Extent>),
    /// In the journal, where it was not read.
    Unread,
    /// In the journal, where it has another checksum.
    Wrong,
}

impl<'r> Replayed<'r> {
    /// A volume of which everything stands at home.
    pub fn at_home(window: &Window<'r>) -> Replayed<'r> {
        Replayed {
            window: *window,
            round: Extent::between(0, 0),
            versions: Vec::new(),
            newest: BTreeMap::new(),
            doubted: ExtentSet::new(),
            later_headers: Vec::new(),
            checked: Cell::new(0),
            places: ExtentSet::new(),
        }
    }

    /// Follows the journal of a volume; `home` is its header as it stands at home.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone; within, why the journal cannot be followed.
    pub fn read(window: &Window<'r>, home: &VolumeHeader, is_wrapped: bool) -> Step<Replayed<'r>> {
        let mut replayed = Replayed::at_home(window);
        Ok(replayed.follow(home, is_wrapped)?.map(|()| replayed))
    }

    /// The volume.
    pub fn window(&self) -> &Window<'r> {
        &self.window
    }

    /// How many ranges have a newer version in the journal.
    pub fn ranges(&self) -> usize {
        self.newest.len()
    }

    /// Bytes of the volume in their newest version, `None` where they are not all in the volume, read and certain. What is read is added to
    /// `places`.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn bytes(&self, at: u64, bytes: u64, places: &mut ExtentSet) -> Result<Option<Vec<u8>>, SourceLost> {
        let mut content = Vec::new();
        for part in self.parts(at, bytes)?.unwrap_or_default() {
            let Newest::At(stored) = part.newest else { return Ok(None) };
            places.extend(stored.iter().copied());
            let Some(read) = self.read_all(&stored)? else { return Ok(None) };
            content.extend(read);
        }
        Ok(Some(content).filter(|content| content.len() as u64 == bytes))
    }

    /// Volume headers behind the journal's end, `None` where one of them was not read.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn later_headers(&self) -> Result<Option<Vec<Vec<u8>>>, SourceLost> {
        let read = |log: &u64| self.read_all(&self.log_places(*log, header::BYTES));
        self.later_headers.iter().map(read).collect()
    }

    /// Where the newest versions of a range stand, in its order; `None` where it is not all in the volume.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn parts(&self, at: u64, bytes: u64) -> Result<Option<Vec<NewestPart>>, SourceLost> {
        let Some(all) = self.window.locate(at, bytes) else { return Ok(None) };
        let at_home = |from: u64, to: u64| Extent::between(all.start.0 + (from - at), all.start.0 + (to - at));
        let end = at + bytes;
        let before = self.newest.range(..at).next_back();
        let mut parts = Vec::new();
        let mut done = at;
        for (from, (to, version)) in before.into_iter().chain(self.newest.range(at..end)) {
            let (from, to) = ((*from).max(at), (*to).min(end));
            if from >= to {
                continue;
            }
            if done < from {
                parts.push(NewestPart { bytes: from - done, newest: Newest::At(vec![at_home(done, from)]) });
            }
            let version = &self.versions[*version];
            let newest = match self.is_right(version)? {
                Some(true) => Newest::At(self.log_places(version.log + (from - version.at), to - from)),
                Some(false) => Newest::Wrong,
                None => Newest::Unread,
            };
            parts.push(NewestPart { bytes: to - from, newest });
            done = to;
        }
        if done < end {
            parts.push(NewestPart { bytes: end - done, newest: Newest::At(vec![at_home(done, end)]) });
        }
        Ok(Some(parts))
    }

    /// Parts of a range of the volume, of which there can be no newer version than the newest that is known.
    pub fn certain(&self, at: u64, bytes: u64) -> Vec<Extent> {
        self.doubted.missing_from(Extent::between(at, at + bytes))
    }

    /// Whether a version has the checksum that its list gives; true where it gives none, `None` where it was not read.
    fn is_right(&self, version: &Version) -> Result<Option<bool>, SourceLost> {
        let Some(checksum) = version.checksum else { return Ok(Some(true)) };
        self.checked.set(self.checked.get().saturating_add(version.bytes));
        if self.checked.get() > MOST_CHECKED {
            return Ok(None);
        }
        let content = self.read_all(&self.log_places(version.log, version.bytes))?;
        Ok(content.map(|content| checksum_of(&content) == checksum))
    }

    /// Where on the drive a range of the round stands, which begins anew at its end.
    fn log_places(&self, log: u64, bytes: u64) -> Vec<Extent> {
        let start = self.round.start.0 + log % self.round.bytes.max(1);
        let first = bytes.min(self.round.end() - start);
        let parts = [(start, first), (self.round.start.0, bytes - first)];
        parts
            .into_iter()
            .filter(|(_, bytes)| *bytes > 0)
            .filter_map(|(at, bytes)| self.window.locate(at, bytes))
            .collect()
    }

    /// The bytes of some places, `None` where they were not all read.
    fn read_all(&self, places: &[Extent]) -> Result<Option<Vec<u8>>, SourceLost> {
        let mut content = Vec::new();
        for place in places {
            let block = self.window.read_extent(*place)?;
            let Some(whole) = block.whole() else { return Ok(None) };
            content.extend_from_slice(whole);
        }
        Ok(Some(content))
    }

    fn follow(&mut self, home: &VolumeHeader, is_wrapped: bool) -> Step<()> {
        let Some(journal) = step!(self.find(home)) else { return Ok(Ok(())) };
        let Some(head) = self.window.read(journal.start.0, HEAD_BYTES)? else { return Ok(Err("it is too short")) };
        self.places.insert(head.extent);
        let Some(raw) = head.whole() else { return Ok(Err("its header was not read")) };
        let Some(form) = Form::parse(raw, journal.bytes) else { return Ok(Err("its header is damaged")) };
        self.round = Extent::between(journal.start.0 + form.header_bytes, journal.start.0 + form.bytes);
        let is_empty = form.start == form.end;
        // The header of the volume and that of the journal say the same, each by itself.
        let is_settled = is_empty && home.dirty == Some(false);
        if !form.is_sealed && !is_settled {
            return Ok(Err("the checksum of its header is wrong"));
        }
        if !is_empty && (is_wrapped || form.header_bytes != SECTOR) {
            return Ok(Err("from where and in what it counts is not certain"));
        }
        let mut left = (form.end + self.round.bytes - form.start) % self.round.bytes;
        let (mut at, mut sequence) = (form.start, 0);
        for _ in 0..MOST_LISTS {
            if left == 0 {
                return self.look_behind_the_end(&form, sequence, is_settled);
            }
            let Some(list) = step!(self.list(&form, at)) else {
                return Ok(Err("a block list in it is damaged"));
            };
            let Some(rest) = left.checked_sub(list.bytes) else { return Ok(Err("it ends within a transaction")) };
            if self.versions.len() + list.versions.len() > MOST_VERSIONS {
                return Ok(Err("it has too many blocks"));
            }
            list.versions.into_iter().for_each(|version| self.keep(version));
            self.places.extend(self.log_places(at, list.bytes));
            (left, sequence) = (rest, list.sequence);
            at = (at + list.bytes) % self.round.bytes;
        }
        Ok(Err("it has too many transactions"))
    }

    /// Later systems write the journal's header seldom, and take what stands behind its end for more transactions as long as their
    /// checksums are right and their sequence numbers go on (from memory).
    fn look_behind_the_end(&mut self, form: &Form, last: u32, is_settled: bool) -> Step<()> {
        // What is left of earlier rounds has lower numbers.
        let (mut sequence, mut most_ahead) = if last == 0 { (form.sequence, MOST_AHEAD) } else { (last, 1) };
        let mut at = form.end;
        let mut left = self.round.bytes - (form.end + self.round.bytes - form.start) % self.round.bytes;
        for _ in 0..MOST_LISTS {
            let list = match self.list(form, at)? {
                Err(_) if is_settled => return Ok(Ok(())),
                Err(why) => return Ok(Err(why)),
                Ok(list) => list,
            };
            let goes_on = |list: &List| {
                list.sequence != 0
                    && list.bytes <= left
                    && (sequence == 0 || list.sequence.wrapping_sub(sequence) <= most_ahead)
            };
            let Some(list) = list.filter(goes_on) else { return Ok(Ok(())) };
            for version in list.versions {
                let replaced = Extent::between(version.at, version.at + version.bytes);
                let of_header = Extent::between(header::AT, header::AT + header::BYTES);
                if replaced.intersection(&of_header) == Some(of_header) {
                    self.later_headers.push(version.log + (header::AT - version.at));
                }
                self.doubted.insert(replaced);
            }
            self.places.extend(self.log_places(at, list.bytes));
            (left, sequence, most_ahead) = (left - list.bytes, list.sequence, 1);
            at = (at + list.bytes) % self.round.bytes;
            if left == 0 {
                return Ok(Ok(()));
            }
        }
        Ok(Err("it has too many transactions"))
    }

    /// Where the journal lies in the volume; `None` where nothing was ever written to it.
    fn find(&mut self, home: &VolumeHeader) -> Step<Option<Extent>> {
        let at = u64::from(home.journal_info) * home.block_bytes;
        let block = self.window.read(at, HEAD_BYTES)?.filter(|_| home.journal_info != 0);
        let Some(block) = block else { return Ok(Err("where it lies is not known")) };
        self.places.insert(block.extent);
        let Some(info) = block.whole() else { return Ok(Err("the block that tells where it lies was not read")) };
        let (flags, at, bytes) = (be32(info, 0).unwrap_or(0), be64(info, 36).unwrap_or(0), be64(info, 44).unwrap_or(0));
        if flags & NEEDS_INITIALISING != 0 {
            return Ok(if home.dirty != Some(false) { Err("it was never written to") } else { Ok(None) });
        }
        if flags & IN_THIS_VOLUME == 0 || flags & ON_ANOTHER_DEVICE != 0 {
            return Ok(Err("it is on another device"));
        }
        let lies_inside = self.window.locate(at, bytes).is_some();
        Ok(if lies_inside { Ok(Some(Extent::between(at, at + bytes))) } else { Err("it lies outside the volume") })
    }

    /// The block list at a byte of the round; `None` where there is none.
    fn list(&mut self, form: &Form, at: u64) -> Step<Option<List>> {
        let places = self.log_places(at, form.list_bytes);
        let Some(raw) = self.read_all(&places)? else { return Ok(Err("a block list in it was not read")) };
        self.places.extend(places);
        let list = form.list(&raw, at).filter(|list| list.bytes <= self.round.bytes);
        let lies_inside = |version: &Version| self.window.locate(version.at, version.bytes).is_some();
        Ok(Ok(list.filter(|list| list.versions.iter().all(lies_inside))))
    }

    /// Makes a version the newest of its range.
    fn keep(&mut self, version: Version) {
        let (from, to) = (version.at, version.at + version.bytes);
        let before = self.newest.range(..from).next_back().map(|(start, range)| (*start, *range));
        if let Some((start, (end, older))) = before.filter(|(_, (end, _))| *end > from) {
            self.newest.insert(start, (from, older));
            self.newest.insert(from, (end, older));
        }
        let inside: Vec<u64> = self.newest.range(from..to).map(|(start, _)| *start).collect();
        for start in inside {
            if let Some((end, older)) = self.newest.remove(&start).filter(|(end, _)| *end > to) {
                self.newest.insert(to, (end, older));
            }
        }
        self.newest.insert(from, (to, self.versions.len()));
        self.versions.push(version);
    }
}

/// Numbers are in the byte order of the machine that wrote the journal.
#[derive(Clone, Copy)]
struct Numbers {
    is_little_endian: bool,
}

impl Numbers {
    fn u16(self, raw: &[u8], at: usize) -> Option<u16> {
        if self.is_little_endian { le16(raw, at) } else { be16(raw, at) }
    }

    fn u32(self, raw: &[u8], at: usize) -> Option<u32> {
        if self.is_little_endian { le32(raw, at) } else { be32(raw, at) }
    }

    fn u64(self, raw: &[u8], at: usize) -> Option<u64> {
        if self.is_little_endian { le64(raw, at) } else { be64(raw, at) }
    }

    /// Whether the first bytes of a structure have the checksum that stands among them, counted as zero.
    fn is_sealed(self, raw: &[u8], summed: usize, field: usize) -> Option<bool> {
        let mut open = raw.get(..summed)?.to_vec();
        open.get_mut(field..field + 4)?.fill(0);
        Some(checksum_of(&open) == self.u32(raw, field)?)
    }
}

fn checksum_of(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(0u32, |sum, byte| (sum << 8) ^ sum.wrapping_add(u32::from(*byte)))
}

/// What the journal's header says; `start` and `end` are bytes of the round.
struct Form {
    numbers: Numbers,
    start: u64,
    end: u64,
    bytes: u64,
    list_bytes: u64,
    header_bytes: u64,
    /// Number of a transaction near the end (from memory); zero from systems that have none.
    sequence: u32,
    is_sealed: bool,
}

/// A block list and what follows it.
struct List {
    /// Bytes of the list and of its versions.
    bytes: u64,
    /// Later systems number transactions; zero before.
    sequence: u32,
    versions: Vec<Version>,
}

impl Form {
    fn parse(raw: &[u8], journal_bytes: u64) -> Option<Form> {
        let numbers = Numbers { is_little_endian: le32(raw, 0)? == MAGIC };
        let bytes = numbers.u64(raw, 24)?;
        let (list_bytes, header_bytes) = (u64::from(numbers.u32(raw, 32)?), u64::from(numbers.u32(raw, 40)?));
        let is_known = numbers.u32(raw, 0)? == MAGIC && numbers.u32(raw, 4)? == BYTE_ORDER;
        let fits = header_bytes.is_power_of_two()
            && (SECTOR..=1 << 16).contains(&header_bytes)
            && list_bytes.is_multiple_of(SECTOR)
            && (SECTOR..=MOST_LIST_BYTES).contains(&list_bytes)
            && bytes.is_multiple_of(SECTOR)
            && bytes <= journal_bytes
            && bytes >= header_bytes + list_bytes;
        // What ends with the journal goes on behind its header.
        let position = |at: usize| {
            let position = numbers.u64(raw, at)?.checked_sub(header_bytes)?;
            (position <= bytes - header_bytes).then(|| position % (bytes - header_bytes))
        };
        if !is_known || !fits {
            return None;
        }
        let is_sealed = numbers.is_sealed(raw, HEADER_SUMMED, 36)?;
        let (start, end, sequence) = (position(8)?, position(16)?, numbers.u32(raw, 44)?);
        Some(Form { numbers, start, end, bytes, list_bytes, header_bytes, sequence, is_sealed })
    }

    /// A block list that agrees with itself, at a byte of the round.
    fn list(&self, raw: &[u8], at: u64) -> Option<List> {
        let numbers = self.numbers;
        let (most, count) = (numbers.u16(raw, 0)?, numbers.u16(raw, 2)?);
        let (bytes, flags) = (u64::from(numbers.u32(raw, 4)?), numbers.u32(raw, 12)?);
        let fits = (1..=most).contains(&count) && 16 + 16 * usize::from(count) <= raw.len();
        if !fits || !numbers.is_sealed(raw, LIST_SUMMED, 8)? {
            return None;
        }
        let mut versions = Vec::new();
        let mut log = self.list_bytes;
        for entry in 1..usize::from(count) {
            let entry = 16 + 16 * entry;
            let (target, length) = (numbers.u64(raw, entry)?, u64::from(numbers.u32(raw, entry + 8)?));
            if length == 0 || !length.is_multiple_of(SECTOR) {
                return None;
            }
            if target != TAKEN_OUT {
                let checksum = numbers.u32(raw, entry + 12).filter(|_| flags & HAS_CHECKSUMS != 0);
                versions.push(Version { at: target.checked_mul(SECTOR)?, bytes: length, log: at + log, checksum });
            }
            log += length;
        }
        (log == bytes).then_some(List { bytes, sequence: numbers.u32(raw, 28)?, versions })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The rule of libyal/libfshfs's document, by hand for two bytes: c = 1, then (1 << 8) ^ (1 + 2).
    #[test]
    fn a_checksum_is_the_complement_of_shifted_sums() {
        assert_eq!((checksum_of(&[]), checksum_of(&[1, 2])), (!0, !0x103));
        assert_eq!(checksum_of(&[0xFF, 0xFF]), !(0xFF00 ^ 0x1FE));
    }
}
