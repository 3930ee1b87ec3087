//! Drives in memory. Shares no code with the parsers: fields are placed by the offsets of UEFI Specification 2.x,
//! section 5.2.1 (MBR).

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Code;
use gleaner::base::units::{ByteOffset, SectorSize};
use gleaner::partition::{Area, AreaKind, DriveLayout, PartitionEntry, read_layout};
use gleaner::source::{MemorySource, ReadError, Reader, Source, SourceIdentity, SourceKind};

pub const MIB: usize = 1 << 20;

/// A sector size given in bytes.
pub fn unit(bytes: usize) -> SectorSize {
    SectorSize::new(bytes as u64).expect("a sector size")
}

/// A drive in memory.
#[derive(Clone)]
pub struct Image {
    pub bytes: Vec<u8>,
    pub reported: usize,
    pub unreadable: Vec<Extent>,
}

impl Image {
    /// A blank drive of `bytes` bytes that reports sectors of `reported` bytes.
    pub fn blank(bytes: usize, reported: usize) -> Image {
        Image::of(vec![0; bytes], reported)
    }

    pub fn of(bytes: Vec<u8>, reported: usize) -> Image {
        Image { bytes, reported, unreadable: Vec::new() }
    }

    pub fn put(&mut self, at: usize, bytes: &[u8]) -> &mut Image {
        self.bytes[at..at + bytes.len()].copy_from_slice(bytes);
        self
    }

    /// Ends the sector at byte `at` with 55 AA.
    pub fn sign(&mut self, at: usize) -> &mut Image {
        self.put(at + 510, &[0x55, 0xAA])
    }

    /// Writes entry `index` (0 to 3) of the table in the sector at byte `at`, and signs it.
    pub fn entry(&mut self, at: usize, index: usize, flag: u8, kind: u8, first: u32, sectors: u32) -> &mut Image {
        let mut entry = [0; 16];
        entry[0] = flag;
        entry[4] = kind;
        entry[8..12].copy_from_slice(&first.to_le_bytes());
        entry[12..].copy_from_slice(&sectors.to_le_bytes());
        self.put(at + 0x1BE + 16 * index, &entry).sign(at)
    }

    /// The beginning of an NTFS boot sector at byte `at`.
    pub fn ntfs(&mut self, at: usize) -> &mut Image {
        self.put(at, b"\xEB\x52\x90NTFS    \0\x02\x08").sign(at)
    }

    /// A FAT16 boot sector at byte `at`: the row "1 reserved, 512 root entries, FATs of 16 sectors, 4150 sectors" of
    /// the FAT specification's type determination.
    pub fn fat(&mut self, at: usize) -> &mut Image {
        let parameters = [0, 2, 1, 1, 0, 2, 0, 2, 0x36, 0x10, 0xF8, 16, 0];
        self.put(at, b"\xEB\x3C\x90MSDOS5.0").put(at + 11, &parameters).sign(at)
    }

    pub fn unreadable(&mut self, at: usize, bytes: usize) -> &mut Image {
        self.unreadable.push(Extent::new(at as u64, bytes as u64).unwrap());
        self
    }

    fn source(&self) -> MemorySource {
        let source = MemorySource::new(self.bytes.clone(), unit(self.reported));
        self.unreadable.iter().fold(source, |source, extent| source.with_unreadable(*extent))
    }

    /// Reads the tables of the drive as an image file.
    pub fn read(&self) -> Seen {
        self.read_through(Box::new(self.source()))
    }

    /// The same of a block device, which takes only whole sectors.
    pub fn read_as_device(&self) -> Seen {
        let source = self.source();
        let identity = SourceIdentity { kind: SourceKind::BlockDevice, ..source.identity().clone() };
        self.read_through(Box::new(Device { source, identity }))
    }

    fn read_through(&self, source: Box<dyn Source>) -> Seen {
        let reader = Reader::new(source, None);
        let layout = read_layout(&reader).expect("a source in memory does not vanish");
        check_cover(&layout, self.bytes.len() as u64);
        assert_eq!(reader.totals().repeated_bytes, 0, "a byte was read twice");
        Seen { layout, asked: reader.asked(), sector: self.reported as u64 }
    }
}

/// A block device: refuses what does not start and end on its sectors.
struct Device {
    source: MemorySource,
    identity: SourceIdentity,
}

impl Source for Device {
    fn identity(&self) -> &SourceIdentity {
        &self.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let sector = self.identity.logical_sector.bytes();
        assert!(start.0.is_multiple_of(sector) && (buffer.len() as u64).is_multiple_of(sector), "{start} is odd");
        self.source.read_at(start, buffer)
    }
}

/// What reading a drive's tables gave, and what was read for it.
pub struct Seen {
    pub layout: DriveLayout,
    pub asked: ExtentSet,
    /// The sector size that the drive reports, in bytes.
    sector: u64,
}

impl Seen {
    /// The partitions, as number, type, first byte and length in bytes.
    pub fn partitions(&self) -> Vec<(u32, String, u64, u64)> {
        self.entries().map(|(e, x)| (e.number, e.type_id.clone(), x.start.0, x.bytes)).collect()
    }

    pub fn entries(&self) -> impl Iterator<Item = (&PartitionEntry, Extent)> {
        self.layout.areas.iter().filter_map(|area| match area {
            Area { extent, kind: AreaKind::Partition(entry) } => Some((entry, *extent)),
            _ => None,
        })
    }

    /// The codes of all findings about tables, in their order. What a search for volumes says beside them is held in
    /// `search.rs`.
    pub fn codes(&self) -> Vec<&'static str> {
        let of_search = ["searched-for-volumes", "outside-unexplained", "search-place-unreadable", "search-cut-short"];
        let all = self.layout.findings.kept().iter().map(|f| f.code.id);
        all.filter(|id| !of_search.contains(id)).collect()
    }

    /// The sentence of the only finding of a kind.
    pub fn sentence(&self, code: &'static Code) -> &str {
        let mut of_kind = self.layout.findings.kept().iter().filter(|f| f.code == code);
        let finding = of_kind.next().unwrap_or_else(|| panic!("no {} in {:?}", code.id, self.codes()));
        assert!(of_kind.next().is_none(), "more than one {}", code.id);
        &finding.sentence
    }

    /// Checks that nothing was read but tables and the first 1024 bytes of partitions: the boot sector, and where it is one
    /// of FAT that gives more bytes than the partition has, the FAT behind it.
    pub fn assert_only_tables_were_read(&self) {
        let mut allowed = self.layout.table_extents.clone();
        for (_, extent) in self.entries() {
            allowed.insert(Extent::new(extent.start.0, 1024).unwrap());
        }
        // The drive is read in whole sectors of the size it reports.
        let allowed: ExtentSet = allowed.extents().iter().map(|extent| extent.aligned_to(self.sector)).collect();
        for extent in self.asked.extents() {
            assert!(allowed.covers(*extent), "{extent:?} was read, but only {allowed:?} hold tables");
        }
    }
}

/// Checks what [`DriveLayout`] promises of every drive.
pub fn check_cover(layout: &DriveLayout, bytes: u64) {
    let drive = Extent::new(0, bytes).unwrap();
    let covered: ExtentSet = layout.areas.iter().map(|a| a.extent).collect();
    assert!(covered.covers(drive), "areas leave gaps: {covered:?}");
    assert_eq!(covered.bytes(), bytes, "areas leave the drive");
    assert!(layout.areas.iter().all(|a| !a.extent.is_empty()), "an empty area");
    assert!(layout.areas.is_sorted_by_key(|a| a.extent.start), "areas do not ascend");
    assert!(layout.table_extents.extents().iter().all(|e| drive.contains(e)), "tables outside the drive");
    let gaps = layout.areas.iter().filter(|a| a.kind == AreaKind::Unpartitioned);
    let partitions = || layout.areas.iter().filter(|a| a.kind != AreaKind::Unpartitioned);
    for gap in gaps {
        assert!(partitions().all(|p| p.extent.intersection(&gap.extent).is_none()), "a gap in a partition");
    }
    use gleaner::partition::findings::{FOUND_OVERLAP, PARTITION_OVERLAP, PARTITION_TOO_SHORT};
    if [&PARTITION_OVERLAP, &FOUND_OVERLAP, &PARTITION_TOO_SHORT].iter().all(|code| layout.findings.count(code) == 0) {
        let sum: u64 = layout.areas.iter().map(|a| a.extent.bytes).sum();
        assert_eq!(sum, bytes, "areas overlap and no finding says so");
    }
}

/// CRC-32 bit by bit, as UEFI Specification 2.x, section 5.3.2, asks for: polynomial 04C11DB7 reflected, start and
/// final inversion of FFFFFFFF.
pub fn crc32(bytes: &[u8]) -> u32 {
    let mut crc = u32::MAX;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { crc >> 1 ^ 0xEDB8_8320 } else { crc >> 1 };
        }
    }
    !crc
}

#[test]
fn the_tests_own_crc_gives_the_catalogued_check_value() {
    // CRC-32/ISO-HDLC in the catalogue of parametrised CRC algorithms (reveng).
    assert_eq!(crc32(b"123456789"), 0xCBF4_3926);
}
