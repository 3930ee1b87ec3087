//! NTFS volumes of any size in memory: the structure has its bytes, the files' clusters only their places.
//!
//! Source of the layout: Linux fs/ntfs/layout.h, from memory; `the_volume_is_read_by_others` holds it against an
//! independent parser. An invented archive of weather sheets; its sizes and holes are common practice, no source.

use crate::layouts::{to_f64, whole};
use gleaner::base::extent::Extent;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::drive::sick::{Content, NUMBERED};
use gleaner::source::{DriveDetails, ReadError, Source, SourceIdentity, SourceKind};
use std::collections::BTreeMap;

pub const CLUSTER: u64 = 4096;
const RECORD: usize = 1024;
const FIRST_OWN: u32 = 24;
/// What is wanted of it.
pub const WANTED: &str = "/Documents/**";

/// What the volume is like.
#[derive(Clone, Copy)]
pub struct Shape {
    pub bytes: u64,
    pub files: u32,
    /// Where the file table begins, in bytes.
    pub table_at: u64,
    /// Share of the volume that is in use.
    pub full: f64,
    /// One folder in so many is wanted.
    pub wanted_one_in: u32,
}

/// A volume.
pub struct Volume {
    identity: SourceIdentity,
    /// Bytes of the structure by their place; none touch.
    chunks: BTreeMap<u64, Vec<u8>>,
    /// Each file's runs.
    pub files: Vec<Vec<Extent>>,
    /// The file table.
    pub table: Extent,
}

const FOLDER: u32 = 40;

impl Volume {
    pub fn new(shape: &Shape) -> Volume {
        let mut maker = Maker::new(shape);
        maker.fill(shape);
        maker.finish(shape)
    }
}

/// A run in clusters.
type Run = (u64, u64);

struct Maker {
    clusters: u64,
    bitmap: Vec<u8>,
    at: u64,
    numbers: u64,
    records: Vec<[u8; RECORD]>,
    table: Run,
    mirror: Run,
    /// The volume's bitmap and the table's own, known when all is placed.
    bitmaps: [Run; 2],
    chunks: BTreeMap<u64, Vec<u8>>,
    files: Vec<Vec<Extent>>,
}

impl Maker {
    fn new(shape: &Shape) -> Maker {
        let clusters = (shape.bytes / NUMBERED - 1) / 8;
        let folders = shape.files.div_ceil(FOLDER) + 1;
        let records = u64::from(FIRST_OWN + shape.files + folders);
        let table = (shape.table_at / CLUSTER, records.div_ceil(4));
        let mirror = (clusters / 2, 1);
        let bitmap = vec![0; usize::try_from(clusters.div_ceil(64) * 8).unwrap()];
        let mut maker = Maker {
            clusters,
            bitmap,
            at: 0,
            numbers: 1,
            records: Vec::new(),
            table,
            mirror,
            bitmaps: [(0, 0); 2],
            chunks: BTreeMap::new(),
            files: Vec::new(),
        };
        [table, mirror].into_iter().for_each(|run| maker.mark(run));
        maker
    }

    fn mark(&mut self, (first, count): Run) {
        for cluster in first..first + count {
            let byte = &mut self.bitmap[usize::try_from(cluster / 8).unwrap()];
            assert!(*byte >> (cluster % 8) & 1 == 0, "cluster {cluster} is taken");
            *byte |= 1 << (cluster % 8);
        }
    }

    /// The next free clusters, in as many runs as it takes around the file table and its mirror.
    fn take(&mut self, count: u64) -> Vec<Run> {
        let mut runs = Vec::new();
        let mut left = count;
        let mut fixed = [self.table, self.mirror];
        fixed.sort_unstable();
        while left > 0 {
            if let Some((first, length)) = fixed.into_iter().find(|(first, n)| (*first..first + n).contains(&self.at)) {
                self.at = first + length;
                continue;
            }
            let next = fixed.into_iter().map(|(first, _)| first).find(|first| *first > self.at);
            let part = left.min(next.unwrap_or(self.clusters) - self.at);
            assert!(part > 0, "the volume is full");
            self.mark((self.at, part));
            runs.push((self.at, part));
            self.at += part;
            left -= part;
        }
        runs
    }

    /// From 0 up to, not including, 1 (Knuth's MMIX constants).
    fn share(&mut self) -> f64 {
        self.numbers = self.numbers.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        f64::from(u32::try_from(self.numbers >> 32).unwrap()) / 4_294_967_296.0
    }

    /// The metadata files, then folders of 40 files each with holes between them.
    fn fill(&mut self, shape: &Shape) {
        self.system_files();
        let bytes = to_f64(shape.bytes) * shape.full;
        let mean = bytes / f64::from(shape.files) / to_f64(CLUSTER);
        // Three fifths of free space lie between files, the rest behind them.
        let hole = to_f64(shape.bytes) * (1.0 - shape.full) * 0.6 / f64::from(shape.files) / to_f64(CLUSTER);
        let wanted_parent = self.folder("Documents", 5);
        let mut parent = 5;
        for file in 0..shape.files {
            if file % FOLDER == 0 {
                let is_wanted = (file / FOLDER).is_multiple_of(shape.wanted_one_in);
                let above = if is_wanted { wanted_parent } else { 5 };
                parent = self.folder(&format!("Weather sheets {:05}", file / FOLDER), above);
            }
            // Sizes of an exponential law, cut at eight times its mean.
            let clusters = whole((mean * -self.share().max(1e-4).ln()).clamp(1.0, mean * 8.0));
            let runs = if self.share() < 0.04 && clusters >= 4 {
                let first = self.take(clusters / 2);
                self.at += 1 + whole(hole * 4.0);
                [first, self.take(clusters - clusters / 2)].concat()
            } else {
                self.take(clusters)
            };
            if self.share() < 0.2 {
                self.at += whole(hole * 5.0 * -self.share().max(1e-3).ln());
            }
            let attributes = [
                name(&format!("Station {file:06}.sheet"), parent, clusters * CLUSTER, false),
                outside(0x80, "", &runs, clusters * CLUSTER),
            ];
            self.record(1, &attributes);
            self.files.push(runs.into_iter().map(extent).collect());
        }
    }

    fn folder(&mut self, title: &str, parent: u32) -> u32 {
        let number = u32::try_from(self.records.len()).unwrap();
        let index = self.index_block();
        self.record(3, &[vec![name(title, parent, 0, true)], index].concat());
        number
    }

    /// An index of one block that is empty: who looks for files reads their records.
    fn index_block(&mut self) -> Vec<Vec<u8>> {
        let runs = self.take(1);
        let mut block = vec![0; 4096];
        block[..4].copy_from_slice(b"INDX");
        put(&mut block, 4, &0x28_u16.to_le_bytes());
        put(&mut block, 6, &9_u16.to_le_bytes());
        // Entries begin at 0x40, and the only one ends the list.
        for (at, value) in [(0x18, 0x28_u32), (0x1C, 0x38), (0x20, 0xFE8)] {
            put(&mut block, at, &value.to_le_bytes());
        }
        put(&mut block, 0x48, &16_u16.to_le_bytes());
        put(&mut block, 0x4C, &2_u16.to_le_bytes());
        protect(&mut block, 0x28, 8);
        self.chunks.insert(runs[0].0 * CLUSTER, block);
        let mut root = vec![0; 0x38];
        for (at, value) in [(0, 0x30_u32), (4, 1), (8, 4096), (12, 1), (16, 16), (20, 40), (24, 40), (28, 1)] {
            put(&mut root, at, &value.to_le_bytes());
        }
        put(&mut root, 40, &24_u16.to_le_bytes());
        put(&mut root, 44, &3_u16.to_le_bytes());
        vec![
            inside(0x90, "$I30", &root),
            outside(0xA0, "$I30", &runs, CLUSTER),
            inside(0xB0, "$I30", &[1, 0, 0, 0, 0, 0, 0, 0]),
        ]
    }

    fn record(&mut self, flags: u16, attributes: &[Vec<u8>]) {
        let number = u32::try_from(self.records.len()).unwrap();
        let mut record = [0; RECORD];
        record[..4].copy_from_slice(b"FILE");
        let mut at = 0x38;
        for (id, attribute) in (0_u16..).zip(std::iter::once(&standard()).chain(attributes)) {
            put(&mut record, at, attribute);
            put(&mut record, at + 14, &id.to_le_bytes());
            at += attribute.len();
        }
        put(&mut record, at, &u32::MAX.to_le_bytes());
        let used = u32::try_from(at + 8).unwrap();
        let sequence = u16::try_from(number.clamp(1, 15)).unwrap();
        for (at, value) in [(4, 0x30), (6, 3), (0x10, sequence), (0x12, 1), (0x14, 0x38), (0x16, flags), (0x28, 20)] {
            put(&mut record, at, &value.to_le_bytes());
        }
        for (at, value) in [(0x18, used), (0x1C, 1024), (0x2C, number)] {
            put(&mut record, at, &value.to_le_bytes());
        }
        protect(&mut record, 0x30, 2);
        self.records.push(record);
    }

    fn system_files(&mut self) {
        let boot = self.take(2);
        let log = self.take((4 << 20) / CLUSTER);
        let (definitions, case) = (self.take(1), self.take(32));
        let bitmap_bytes = self.bitmap.len() as u64;
        let bitmap = self.take(bitmap_bytes.div_ceil(CLUSTER));
        let own_bitmap = self.take((self.table.1 * 4).div_ceil(8).div_ceil(CLUSTER));
        // $UpCase: every code unit is its own upper case.
        let upper: Vec<u8> = (0..=u16::MAX).flat_map(u16::to_le_bytes).collect();
        self.chunks.insert(case[0].0 * CLUSTER, upper);
        let root_index = self.index_block();
        let data = |runs: &[Run], bytes: u64| outside(0x80, "", runs, bytes);
        let system = |title: &str, bytes: u64| name(title, 5, bytes, false);
        let table_bytes = self.table.1 * CLUSTER;
        let own_bytes = (self.table.1 * 4).div_ceil(64) * 8;
        let (table, mirror) = ([self.table], [self.mirror]);
        self.record(
            1,
            &[system("$MFT", table_bytes), data(&table, table_bytes), outside(0xB0, "", &own_bitmap, own_bytes)],
        );
        self.record(1, &[system("$MFTMirr", CLUSTER), data(&mirror, CLUSTER)]);
        self.record(1, &[system("$LogFile", 4 << 20), data(&log, 4 << 20)]);
        let version = [0, 0, 0, 0, 0, 0, 0, 0, 3, 1, 0, 0];
        let label: Vec<u8> = "Weather".encode_utf16().flat_map(u16::to_le_bytes).collect();
        self.record(
            1,
            &[system("$Volume", 0), inside(0x60, "", &label), inside(0x70, "", &version), inside(0x80, "", &[])],
        );
        self.record(1, &[system("$AttrDef", 2560), data(&definitions, 2560)]);
        self.record(3, &[vec![name(".", 5, 0, true)], root_index].concat());
        self.record(1, &[system("$Bitmap", bitmap_bytes), data(&bitmap, bitmap_bytes)]);
        self.record(1, &[system("$Boot", 8192), data(&boot, 8192)]);
        let all = sparse("$Bad", self.clusters);
        self.record(1, &[system("$BadClus", 0), inside(0x80, "", &[]), all]);
        self.record(1, &[system("$Secure", 0)]);
        self.record(1, &[system("$UpCase", 131_072), data(&case, 131_072)]);
        let extend = self.index_block();
        self.record(3, &[vec![name("$Extend", 5, 0, true)], extend].concat());
        (12..16).for_each(|_| self.record(1, &[inside(0x80, "", &[])]));
        (16..24).for_each(|_| self.record(0, &[]));
        self.bitmaps = [bitmap[0], own_bitmap[0]];
    }

    fn finish(mut self, shape: &Shape) -> Volume {
        let [bitmap_at, own_bitmap_at] = self.bitmaps.map(|run| run.0 * CLUSTER);
        let used = self.records.len();
        let capacity = usize::try_from(self.table.1 * 4).unwrap();
        assert!(used <= capacity);
        (used..capacity).for_each(|_| self.record(0, &[]));
        let in_use = |record: usize| record < used && !(16..24).contains(&record);
        let mut own = vec![0; usize::try_from((self.table.1 * 4).div_ceil(64) * 8).unwrap()];
        (0..capacity).filter(|record| in_use(*record)).for_each(|record| own[record / 8] |= 1 << (record % 8));
        self.chunks.insert(own_bitmap_at, own);
        // Clusters behind the volume's end count as in use.
        for cluster in self.clusters..self.bitmap.len() as u64 * 8 {
            self.bitmap[usize::try_from(cluster / 8).unwrap()] |= 1 << (cluster % 8);
        }
        self.chunks.insert(bitmap_at, std::mem::take(&mut self.bitmap));
        self.chunks.insert(self.table.0 * CLUSTER, self.records.concat());
        self.chunks.insert(self.mirror.0 * CLUSTER, self.records[..4].concat());
        let sectors = shape.bytes / NUMBERED - 1;
        let boot = boot_sector(sectors, self.table.0, self.mirror.0);
        self.chunks.insert(0, boot.clone());
        self.chunks.insert(sectors * NUMBERED, boot);
        let identity = SourceIdentity {
            path: "volume".into(),
            kind: SourceKind::ImageFile,
            bytes: shape.bytes,
            logical_sector: SectorSize::S512,
            physical_sector: SectorSize::S512,
            model: None,
            serial: None,
            details: DriveDetails::default(),
        };
        let table = extent(self.table);
        Volume { identity, chunks: self.chunks, files: self.files, table }
    }
}

fn boot_sector(sectors: u64, table: u64, mirror: u64) -> Vec<u8> {
    let mut boot = vec![0; 512];
    boot[..11].copy_from_slice(b"\xEB\x52\x90NTFS    ");
    boot[0x0B..0x0E].copy_from_slice(&[0, 2, 8]);
    boot[0x15] = 0xF8;
    boot[0x24..0x28].copy_from_slice(&[0x80, 0, 0x80, 0]);
    for (at, value) in [(0x28, sectors), (0x30, table), (0x38, mirror), (0x48, 0x5EA5_0000_0000_0011)] {
        put(&mut boot, at, &value.to_le_bytes());
    }
    // Records of 2^10 bytes, index blocks of one cluster.
    boot[0x40] = 0xF6;
    boot[0x44] = 1;
    boot[510..].copy_from_slice(&[0x55, 0xAA]);
    boot
}

fn put(bytes: &mut [u8], at: usize, value: &[u8]) {
    bytes[at..at + value.len()].copy_from_slice(value);
}

/// The update sequence: the last two bytes of each sector are kept aside.
fn protect(bytes: &mut [u8], at: usize, sectors: usize) {
    put(bytes, at, &1_u16.to_le_bytes());
    for sector in 0..sectors {
        let end = sector * 512 + 510;
        let kept = [bytes[end], bytes[end + 1]];
        put(bytes, at + 2 + sector * 2, &kept);
        put(bytes, end, &1_u16.to_le_bytes());
    }
}

fn utf16(text: &str) -> Vec<u8> {
    text.encode_utf16().flat_map(u16::to_le_bytes).collect()
}

/// 2026-01-01 in units of 100 ns since 1601.
const WHEN: u64 = 134_116_992_000_000_000;

fn standard() -> Vec<u8> {
    let mut content = vec![0; 48];
    (0..4).for_each(|n| put(&mut content, n * 8, &WHEN.to_le_bytes()));
    inside(0x10, "", &content)
}

fn name(title: &str, parent: u32, bytes: u64, is_folder: bool) -> Vec<u8> {
    let mut content = vec![0; 66];
    let sequence = u64::from(parent.clamp(1, 15));
    put(&mut content, 0, &(u64::from(parent) | sequence << 48).to_le_bytes());
    (1..5).for_each(|n| put(&mut content, n * 8, &WHEN.to_le_bytes()));
    put(&mut content, 0x28, &bytes.div_ceil(CLUSTER).saturating_mul(CLUSTER).to_le_bytes());
    put(&mut content, 0x30, &bytes.to_le_bytes());
    put(&mut content, 0x38, &(if is_folder { 0x1000_0000_u32 } else { 0x20 }).to_le_bytes());
    content[0x40] = u8::try_from(title.len()).unwrap();
    content[0x41] = 3;
    content.extend(utf16(title));
    inside(0x30, "", &content)
}

/// A resident attribute.
fn inside(kind: u32, title: &str, content: &[u8]) -> Vec<u8> {
    let title = utf16(title);
    let content_at = (0x18 + title.len()).next_multiple_of(8);
    let mut bytes = vec![0; (content_at + content.len()).next_multiple_of(8)];
    let length = u32::try_from(bytes.len()).unwrap();
    put(&mut bytes, 0, &kind.to_le_bytes());
    put(&mut bytes, 4, &length.to_le_bytes());
    bytes[9] = u8::try_from(title.len() / 2).unwrap();
    bytes[10] = 0x18;
    put(&mut bytes, 0x10, &u32::try_from(content.len()).unwrap().to_le_bytes());
    bytes[0x14] = u8::try_from(content_at).unwrap();
    bytes[0x16] = u8::from(kind == 0x30);
    put(&mut bytes, 0x18, &title);
    put(&mut bytes, content_at, content);
    bytes
}

/// A non-resident attribute.
fn outside(kind: u32, title: &str, runs: &[Run], bytes: u64) -> Vec<u8> {
    let count = runs.iter().map(|(_, count)| count).sum::<u64>();
    let mut before = 0_i64;
    let mut list = Vec::new();
    for (first, count) in runs {
        let first = i64::try_from(*first).unwrap();
        let way = first - before;
        before = first;
        let (count, way) = (shortest(i64::try_from(*count).unwrap()), shortest(way));
        list.push(u8::try_from(count.len() | way.len() << 4).unwrap());
        list.extend(count.into_iter().chain(way));
    }
    non_resident(kind, title, &list, count, bytes, 0)
}

/// A stream of so many clusters, none of which is anywhere.
fn sparse(title: &str, clusters: u64) -> Vec<u8> {
    let count = shortest(i64::try_from(clusters).unwrap());
    let list: Vec<u8> = std::iter::once(u8::try_from(count.len()).unwrap()).chain(count).collect();
    non_resident(0x80, title, &list, clusters, clusters * CLUSTER, 0x8000)
}

fn non_resident(kind: u32, title: &str, list: &[u8], clusters: u64, bytes: u64, flags: u16) -> Vec<u8> {
    let title = utf16(title);
    // Sparse streams carry one more field: the bytes that are really there.
    let head = if flags == 0 { 0x40 } else { 0x48 };
    let list_at = (head + title.len()).next_multiple_of(8);
    let mut attribute = vec![0; (list_at + list.len() + 1).next_multiple_of(8)];
    let length = u32::try_from(attribute.len()).unwrap();
    put(&mut attribute, 0, &kind.to_le_bytes());
    put(&mut attribute, 4, &length.to_le_bytes());
    attribute[8] = 1;
    attribute[9] = u8::try_from(title.len() / 2).unwrap();
    attribute[10] = u8::try_from(head).unwrap();
    put(&mut attribute, 12, &flags.to_le_bytes());
    put(&mut attribute, 0x18, &(clusters - 1).to_le_bytes());
    attribute[0x20] = u8::try_from(list_at).unwrap();
    for (at, value) in [(0x28, clusters * CLUSTER), (0x30, bytes), (0x38, bytes)] {
        put(&mut attribute, at, &value.to_le_bytes());
    }
    put(&mut attribute, head, &title);
    put(&mut attribute, list_at, list);
    attribute
}

/// A signed number in as few bytes as it takes.
fn shortest(number: i64) -> Vec<u8> {
    let bytes = number.to_le_bytes();
    let fits = |count: &usize| {
        let shift = 64 - count * 8;
        number << shift >> shift == number
    };
    bytes[..(1..=8).find(fits).unwrap()].to_vec()
}

fn extent((first, count): Run) -> Extent {
    Extent::between(first * CLUSTER, (first + count) * CLUSTER)
}

impl Source for Volume {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        Content::Numbers.fill(start, buffer)?;
        let wanted = Extent::between(start.0, start.0 + buffer.len() as u64);
        let before = self.chunks.range(..wanted.end());
        for (at, chunk) in before.rev() {
            let place = Extent::between(*at, at + chunk.len() as u64);
            let Some(shared) = place.intersection(&wanted) else { break };
            let index = |byte: u64| usize::try_from(byte).unwrap();
            let own = &chunk[index(shared.start.0 - at)..index(shared.end() - at)];
            buffer[index(shared.start.0 - start.0)..index(shared.end() - start.0)].copy_from_slice(own);
        }
        Ok(())
    }
}
