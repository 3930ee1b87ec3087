//! Invented drives at the level of extents, with the fullness, file counts, sizes and fragmentation that studies of real
//! ones give. Nothing is drawn at run time: each is the same every time.
//!
//! Sources: on average half full (Douceur and Bolosky, "A Large-Scale Study of File-System Contents", SIGMETRICS 1999,
//! abstract); mean fullness falling from 49 to 45 %, 90,000 files on 46 GB (Agrawal, Bolosky, Douceur, Lorch, "A
//! Five-Year Study of File-System Metadata", FAST 2007; from memory); fragmentation not prevalent, about 4 % of files,
//! 225,000 files on a desktop (Meyer and Bolosky, "A Study of Practical Deduplication", FAST 2011, abstract; figures
//! from memory); sizes log-normal in their body with a median of 4 KiB (both later studies, from memory). Everything else
//! here (holes, share of wanted folders, sizes of photos, the size and place of bulk files) is common practice, no source.

#![allow(dead_code, reason = "each test program uses its own part of this")]

use gleaner::base::extent::Extent;
use gleaner::drive::model::{DriveModel, preset};
use gleaner::survey::allocation::{Class, ClassMap, ClassRun};

const CLUSTER: u64 = 4096;
const MIB: u64 = 1 << 20;
const GB: u64 = 1_000_000_000;

/// What a volume is like.
#[derive(Clone, Copy)]
pub struct Contents {
    /// Number of files.
    pub files: u32,
    /// Share of the volume that is in use.
    pub full: f64,
    /// Median file size in bytes; the mean follows from the rest.
    pub median: f64,
    /// Share of files in more than one piece, and how many pieces such a file has.
    pub fragmented: (f64, u32),
    /// Holes for each thousand pieces, and the share of free space that lies behind everything else.
    pub holes: (u32, f64),
    /// Share of folders that is wanted.
    pub wanted: f64,
    /// Bytes of paging and hibernation files.
    pub bulk: u64,
    /// Whether all folders' own clusters are structure, as they must be where records are missing.
    pub folders_first: bool,
}

/// A kind of drive.
#[derive(Clone)]
pub struct Kind {
    pub name: &'static str,
    pub drive_bytes: u64,
    pub volumes: Vec<(f64, Contents)>,
    model: &'static str,
}

/// A file's piece: where, and whose.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct FilePiece {
    pub extent: Extent,
    pub file: u32,
}

/// A drive.
pub struct Layout {
    pub map: ClassMap,
    /// Pieces of the files of class `files`, ascending; empty unless asked for.
    pub pieces: Vec<FilePiece>,
    /// The same of class `wanted`, folders' own clusters left out.
    pub wanted: Vec<FilePiece>,
    /// The file records of the wanted files, ascending.
    pub wanted_records: Vec<Extent>,
    pub files: u32,
}

/// Where preferring small files cuts, as `gleaner::survey::allocation` does.
pub const BANDS: [u64; 2] = [MIB, 64 * MIB];

const PLAIN: Contents = Contents {
    files: 0,
    full: 0.45,
    median: 4096.0,
    fragmented: (0.04, 4),
    holes: (60, 0.5),
    wanted: 0.15,
    bulk: 0,
    folders_first: false,
};

pub fn kinds() -> Vec<Kind> {
    let one = |name, drive_bytes, model, contents| Kind { name, drive_bytes, model, volumes: vec![(1.0, contents)] };
    vec![
        one(
            "fresh desktop, 1 TB",
            1000 * GB,
            "desktop-7200",
            Contents { files: 225_000, full: 0.15, fragmented: (0.01, 3), holes: (5, 0.98), bulk: 12 * GB, ..PLAIN },
        ),
        one(
            "old full desktop, 1 TB",
            1000 * GB,
            "desktop-7200",
            Contents { files: 1_200_000, full: 0.87, holes: (80, 0.2), bulk: 16 * GB, ..PLAIN },
        ),
        one(
            "photo archive, 4 TB",
            4000 * GB,
            "desktop-7200",
            Contents {
                files: 500_000,
                full: 0.60,
                median: 3e6,
                fragmented: (0.01, 3),
                holes: (20, 0.7),
                wanted: 0.25,
                ..PLAIN
            },
        ),
        one(
            "server share, many small files, 4 TB",
            4000 * GB,
            "desktop-7200",
            Contents { files: 5_000_000, full: 0.5, wanted: 0.10, ..PLAIN },
        ),
        one(
            "badly fragmented, 1 TB",
            1000 * GB,
            "notebook-5400",
            Contents { files: 600_000, full: 0.8, fragmented: (0.4, 12), holes: (300, 0.1), bulk: 8 * GB, ..PLAIN },
        ),
        Kind {
            name: "two volumes, 1 TB",
            drive_bytes: 1000 * GB,
            model: "notebook-5400",
            volumes: vec![
                (0.25, Contents { files: 400_000, full: 0.5, wanted: 0.02, bulk: 12 * GB, ..PLAIN }),
                (0.75, Contents { files: 300_000, median: 64e3, wanted: 0.25, ..PLAIN }),
            ],
        },
        one(
            "USB stick, 64 GB",
            64 * GB,
            "usb-stick",
            // An exFAT volume: there folders are the only map.
            Contents {
                files: 20_000,
                full: 0.5,
                median: 300e3,
                fragmented: (0.06, 3),
                wanted: 0.3,
                folders_first: true,
                ..PLAIN
            },
        ),
    ]
}

/// The largest, for planning at scale: `files` files on a drive of 1 MB for each, most with a hole behind them so that few
/// runs merge.
pub fn large(files: u32) -> Kind {
    let contents = Contents { files, fragmented: (0.10, 3), holes: (950, 0.1), wanted: 0.10, ..PLAIN };
    Kind {
        name: "20 TB in the whole, small files with holes between",
        drive_bytes: u64::from(files) * 1_000_000,
        model: "desktop-7200",
        volumes: vec![(1.0, contents)],
    }
}

impl Kind {
    pub fn model(&self) -> DriveModel {
        if self.model == "usb-stick" {
            // No heads; an interface as slow as USB 2, a request as dear as there.
            let bridge = preset("usb2-bridge").unwrap().model();
            let mut model = preset("sata-ssd").unwrap().model();
            model.name = "USB stick: no heads, rate and requests of USB 2".to_owned();
            model.interface_rate = bridge.interface_rate;
            model.request_ms = bridge.request_ms;
            return model;
        }
        preset(self.model).unwrap().model()
    }

    /// The same kind with so many times fewer files on a drive as much smaller.
    pub fn smaller(mut self, times: u32) -> Kind {
        self.drive_bytes = self.drive_bytes / u64::from(times) / MIB * MIB;
        for (_, contents) in &mut self.volumes {
            contents.files /= times;
            contents.bulk /= u64::from(times);
        }
        self
    }

    /// The kind with all folders' own clusters as structure.
    pub fn folders_first(mut self) -> Kind {
        self.volumes.iter_mut().for_each(|(_, contents)| contents.folders_first = true);
        self
    }

    /// The kind with another share of folders wanted.
    pub fn wanting(mut self, share: f64) -> Kind {
        self.volumes.iter_mut().for_each(|(_, contents)| contents.wanted = share);
        self
    }

    /// Makes the drive. `bands`: class `files` in lanes by size, as a plan that prefers many files has them.
    /// `with_pieces`: files are told apart as well.
    pub fn layout(&self, bands: bool, with_pieces: bool) -> Layout {
        let mut runs = Runs { list: Vec::new(), at: 0 };
        let mut layout = Layout {
            map: ClassMap::default(),
            pieces: Vec::new(),
            wanted: Vec::new(),
            wanted_records: Vec::new(),
            files: 0,
        };
        runs.add(Class::Tables, 0, ClassRun::NO_AREA, 34 * 512);
        runs.until(Class::Outside, ClassRun::NO_AREA, MIB);
        let room = self.drive_bytes - 2 * MIB;
        for (area, (share, contents)) in (0..).zip(&self.volumes) {
            let bytes = whole(to_f64(room) * share) / MIB * MIB;
            volume(contents, area, bytes, bands, with_pieces, &mut runs, &mut layout);
        }
        runs.until(Class::Outside, ClassRun::NO_AREA, self.drive_bytes - 33 * 512);
        runs.until(Class::Tables, ClassRun::NO_AREA, self.drive_bytes);
        layout.map = ClassMap::from_runs(runs.list);
        layout
    }
}

struct Runs {
    list: Vec<ClassRun>,
    at: u64,
}

impl Runs {
    fn add(&mut self, class: Class, lane: u16, area: u32, bytes: u64) -> Extent {
        let extent = Extent::between(self.at, self.at + bytes);
        self.at = extent.end();
        match self.list.last_mut() {
            Some(last) if (last.class, last.lane, last.area) == (class, lane, area) => last.extent.bytes += bytes,
            _ => self.list.push(ClassRun { extent, class, lane, area }),
        }
        extent
    }

    fn until(&mut self, class: Class, area: u32, end: u64) {
        self.add(class, 0, area, end.saturating_sub(self.at));
    }
}

/// Something to be placed: in order of `key`.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Item {
    key: u64,
    bytes: u64,
    file: u32,
    kind: u8,
}

const STRUCTURE: u8 = 0;
const BULK: u8 = 1;
const WANTED: u8 = 2;
const FILES: u8 = 8;

fn is_wanted(item: &Item) -> bool {
    (WANTED..FILES).contains(&item.kind) && item.file != u32::MAX
}

/// A fixed sequence of numbers (Knuth's MMIX constants), good enough to scatter things.
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mixed = (self.0 ^ (self.0 >> 31)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
        mixed ^ (mixed >> 29)
    }

    /// From 0 up to, not including, 1.
    fn share(&mut self) -> f64 {
        f64::from(u32::try_from(self.next() >> 32).unwrap()) / 4_294_967_296.0
    }

    /// A standard normal number (Box and Muller).
    fn normal(&mut self) -> f64 {
        let (a, b) = (self.share().max(1e-9), self.share());
        (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }
}

#[allow(clippy::cast_precision_loss)]
pub fn to_f64(value: u64) -> f64 {
    value as f64
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn whole(value: f64) -> u64 {
    value as u64
}

fn volume(
    contents: &Contents,
    area: u32,
    bytes: u64,
    bands: bool,
    with_pieces: bool,
    runs: &mut Runs,
    layout: &mut Layout,
) {
    let start = runs.at;
    let mut numbers = Numbers(u64::from(area) + u64::from(contents.files));
    // A file record of 1 KiB each, a bitmap of a bit a cluster, a log of 64 MiB.
    let table = (u64::from(contents.files) * 1024).next_multiple_of(CLUSTER);
    let fixed = (bytes / CLUSTER / 8).next_multiple_of(CLUSTER) + (64 * MIB).min(bytes / 100 / CLUSTER * CLUSTER);
    let used = whole(to_f64(bytes) * contents.full);
    let for_files = used.saturating_sub(table + fixed + contents.bulk);
    let items = items(contents, for_files, bands, &mut numbers, layout);
    let placed: u64 = items.iter().map(|item| item.bytes).sum();
    let free = (bytes - CLUSTER * 2).saturating_sub(placed + table + fixed);
    let scattered = to_f64(free) * (1.0 - contents.holes.1);
    let holes = (items.len() as u64 * u64::from(contents.holes.0) / 1000).max(1);
    // Holes of exponential lengths with the mean that makes their sum.
    let mean_hole = scattered / to_f64(holes);
    runs.add(Class::Tables, 0, area, CLUSTER * 2);
    // The table of files begins 3 GiB into the volume, or an eighth into a small one; what belongs to it lies next to it.
    let table_at = start + (3 << 30).min(bytes / 8 / CLUSTER * CLUSTER);
    let mut table_done = false;
    let first_file = layout.files - contents.files;
    let put_table = |runs: &mut Runs, layout: &mut Layout| {
        let place = runs.add(Class::Structure, 0, area, table + fixed);
        let mut wanted: Vec<u32> = items.iter().filter(|item| is_wanted(item)).map(|item| item.file).collect();
        wanted.sort_unstable();
        wanted.dedup();
        let record = |file: u32| Extent::new(place.start.0 + u64::from(file - first_file) * 1024, 1024).unwrap();
        layout.wanted_records.extend(wanted.into_iter().map(record));
    };
    let end = start + bytes;
    for item in &items {
        if !table_done && runs.at >= table_at {
            table_done = true;
            put_table(runs, layout);
        }
        let (class, lane) = match item.kind {
            STRUCTURE => (Class::Structure, 0),
            BULK => (Class::Bulk, 0),
            kind @ WANTED..FILES => (Class::Wanted, u16::from(kind - WANTED)),
            kind => (Class::Files, u16::from(kind - FILES)),
        };
        let extent = runs.add(class, lane, area, item.bytes);
        if with_pieces && item.file != u32::MAX {
            let piece = FilePiece { extent, file: item.file };
            match class {
                Class::Files => layout.pieces.push(piece),
                Class::Wanted => layout.wanted.push(piece),
                _ => {}
            }
        }
        if numbers.next() % 1000 < u64::from(contents.holes.0) {
            let hole = whole(-numbers.share().max(1e-9).ln() * mean_hole / to_f64(CLUSTER)) * CLUSTER;
            // What was deleted there before; a tenth of what is marked as in use has no owner.
            let class = match numbers.next() % 40 {
                0 => Class::Unclaimed,
                1..14 => Class::Deleted,
                _ => Class::Free,
            };
            runs.add(class, 0, area, hole.max(CLUSTER));
        }
    }
    if !table_done {
        put_table(runs, layout);
    }
    let rest = end.saturating_sub(CLUSTER);
    runs.until(Class::Free, area, rest);
    runs.add(Class::Tables, 0, area, CLUSTER);
}

/// The volume's files in pieces, its folders' own clusters and its bulk files, in the order in which they were placed.
fn items(contents: &Contents, for_files: u64, bands: bool, numbers: &mut Numbers, layout: &mut Layout) -> Vec<Item> {
    const FOLDER: u32 = 24;
    // So many folders stand in one that leads to them: wanted folders lie together, so few others lead there.
    const LEADS_TO: u32 = 64;
    let mut leader = 0;
    let mean = to_f64(for_files) / f64::from(contents.files);
    let sigma = (2.0 * (mean / contents.median).max(1.2).ln()).sqrt();
    let largest = to_f64(for_files) / 50.0;
    let mut sizes: Vec<f64> = Vec::with_capacity(contents.files as usize);
    sizes.extend((0..contents.files).map(|_| (contents.median * (sigma * numbers.normal()).exp()).min(largest)));
    let scale = to_f64(for_files) / sizes.iter().sum::<f64>();
    let mut items = Vec::with_capacity(sizes.len() + sizes.len() / 8);
    let step = 1 << 16;
    let all = u64::from(contents.files) * step;
    let mut kind = FILES;
    for (file, size) in (0..contents.files).zip(sizes) {
        let key = u64::from(file) * step;
        if file % FOLDER == 0 {
            // A fifth of what is wanted comes under a second pattern.
            let second = u8::from(numbers.next().is_multiple_of(5));
            kind = if numbers.share() < contents.wanted { WANTED + second } else { FILES };
            if file % (FOLDER * LEADS_TO) == 0 {
                leader = items.len();
            }
            let of_folder = if contents.folders_first { STRUCTURE } else { kind };
            items.push(Item { key, bytes: CLUSTER, file: u32::MAX, kind: of_folder });
            items[leader].kind = items[leader].kind.min(of_folder);
        }
        let bytes = (whole(size * scale) / CLUSTER).max(1) * CLUSTER;
        let band = BANDS.iter().filter(|limit| bytes > **limit).count();
        let kind = if bands && kind == FILES { FILES + u8::try_from(band).unwrap() } else { kind };
        let (share, pieces) = contents.fragmented;
        let pieces = if numbers.share() < share { u64::from(pieces).min(bytes / CLUSTER) } else { 1 };
        let each = bytes / pieces / CLUSTER * CLUSTER;
        let file = layout.files + file;
        for piece in 0..pieces {
            // Later pieces went wherever there was room then, most of them not far.
            let far = if numbers.next().is_multiple_of(4) { all } else { 4096 * step };
            let key = if piece == 0 { key } else { (key + numbers.next() % far) % all };
            let bytes = if piece + 1 == pieces { bytes - each * (pieces - 1) } else { each };
            items.push(Item { key, bytes, file, kind });
        }
    }
    layout.files += contents.files;
    for part in 0..if contents.bulk > 0 { 3 } else { 0_u64 } {
        let bytes = contents.bulk / 3 / CLUSTER * CLUSTER;
        items.push(Item { key: all / 16 * (1 + part * 3), bytes, file: u32::MAX, kind: BULK });
    }
    items.sort_unstable();
    items
}
