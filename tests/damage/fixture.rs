//! The fixtures, and what the reference parsers say of them.

use crate::common;
use crate::encrypted::{Conversion, Form, Lock, Recipe};
use crate::overlay::Sound;
use crate::survey::PASSWORD;
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::SectorSize;
use serde_json::Value;
use std::sync::Arc;

/// Name and logical sector of every volume and drive in `testdata` but those made for one purpose.
pub const ALL: [(&str, SectorSize); 32] = [
    ("ntfs-rich", SectorSize::S512),
    ("ntfs-mft-list", SectorSize::S512),
    ("ntfs-cluster-512", SectorSize::S512),
    ("ntfs-cluster-1k", SectorSize::S512),
    ("ntfs-cluster-8k", SectorSize::S512),
    ("ntfs-cluster-64k", SectorSize::S512),
    ("ntfs-cluster-2m", SectorSize::S512),
    ("ntfs-sector-4096", SectorSize::S4096),
    ("ntfs-sector-4096-cluster-64k", SectorSize::S4096),
    ("fat12-floppy", SectorSize::S512),
    ("fat12-clusters-4k", SectorSize::S512),
    ("fat16", SectorSize::S512),
    ("fat16-sector-4096", SectorSize::S4096),
    ("fat32-clusters-512", SectorSize::S512),
    ("fat32-clusters-4k", SectorSize::S512),
    ("fat32-sector-4096", SectorSize::S4096),
    ("exfat-clusters-512", SectorSize::S512),
    ("exfat-clusters-4k", SectorSize::S512),
    ("exfat-clusters-128k", SectorSize::S512),
    ("exfat-sector-4096", SectorSize::S4096),
    ("drive-gpt", SectorSize::S512),
    ("drive-mbr-extended", SectorSize::S512),
    ("drive-gpt-4kn", SectorSize::S4096),
    ("drive-usb-4k-table", SectorSize::S512),
    ("drive-usb-4k-gpt", SectorSize::S512),
    ("drive-windows-gpt", SectorSize::S512),
    ("ext4-used", SectorSize::S512),
    ("ext2-used", SectorSize::S512),
    ("hfsplus-4k", SectorSize::S512),
    ("hfsplus-512", SectorSize::S512),
    ("hfsplus-journal", SectorSize::S512),
    ("hfsplus-journal-old", SectorSize::S512),
];

/// Those of which the allocation map alone is read. Random damage to them, with a statement of its own, is in `tests/apfs`.
pub const BY_MAP: [(&str, SectorSize); 1] = [("drive-apfs", SectorSize::S512)];
/// A fixture of `testdata` that a test encrypts.
pub const ENCRYPTED: (&str, &str) = ("encrypted ntfs-cluster-8k", "ntfs-cluster-8k");

/// A fixture.
pub struct Fixture {
    pub sound: Arc<Sound>,
    /// Where what opens an encrypted volume lies: the three blocks of metadata, and the first sectors where they were moved to.
    pub opens: Vec<Extent>,
    pub volumes: Vec<Volume>,
    /// Where partition tables lie: the copies of the table, each of which tells all (none for a bare volume).
    pub tables: Vec<Vec<Extent>>,
}

/// A volume of it, by the reference parser.
pub struct Volume {
    pub answer: Value,
    /// From its partition's first byte to the last.
    pub extent: Extent,
    pub cluster: u64,
    /// Byte of the drive where the first cluster lies, and that cluster's number.
    pub heap: u64,
    pub first_number: u64,
    /// Clusters in use, as places of the drive.
    pub in_use: ExtentSet,
}

pub fn number(value: &Value) -> u64 {
    value.as_u64().unwrap_or_else(|| panic!("{value} is not a number"))
}

/// The extents in a list of pairs, moved up by `base`.
pub fn extents(value: &Value, base: u64) -> Vec<Extent> {
    let pairs = value.as_array().into_iter().flatten();
    pairs.map(|pair| Extent::new(base + number(&pair[0]), number(&pair[1])).unwrap()).collect()
}

impl Fixture {
    pub fn load(name: &str, sector: SectorSize) -> Fixture {
        let image = common::fixture(name);
        let answers = common::answers(name);
        let sound = Arc::new(Sound::new(&image, sector));
        let (volumes, tables) = match answers["volumes"].as_array() {
            None => (vec![Volume::new(answers, Extent::between(0, sound.bytes))], Vec::new()),
            Some(volumes) => partitioned(name, &sound, volumes),
        };
        Fixture { sound, opens: Vec::new(), volumes, tables }
    }

    /// [`ENCRYPTED`]. What the reference parser says of the plain volume is true of this one.
    pub fn encrypted() -> Fixture {
        let plain = Fixture::load(ENCRYPTED.1, SectorSize::S512);
        let in_use = &plain.volumes[0].in_use;
        let rooms = (16..).map(|number| Extent::new(number * 65536, 65536).unwrap());
        let free: Vec<Extent> = rooms.filter(|room| in_use.bytes_within(*room) == 0).take(4).collect();
        let recipe = Recipe {
            method: 0x8004,
            sector: 512,
            form: Form::Fixed,
            locks: vec![Lock::Password(PASSWORD)],
            metadata: [free[0].start.0, free[1].start.0, free[3].start.0],
            relocated: (8192, free[2].start.0),
            conversion: Conversion::Finished,
            never_written: Vec::new(),
        };
        let image = recipe.encrypt(&common::fixture(ENCRYPTED.1));
        let moved = Extent { bytes: 8192, ..free[2] };
        Fixture {
            sound: Arc::new(Sound::new(&image, SectorSize::S512)),
            opens: vec![free[0], free[1], free[3], moved],
            ..plain
        }
    }
}

impl Volume {
    fn new(answer: Value, extent: Extent) -> Volume {
        let cluster = number(&answer["cluster_bytes"]);
        let heap = extent.start.0 + number(&answer["first_cluster_byte"]);
        let kind = answer["kind"].as_str().unwrap();
        let first_number = if kind.starts_with("fat") || kind == "exfat" { 2 } else { 0 };
        let pairs = answer["allocated"].as_array().unwrap().iter();
        let place = |pair: &Value| {
            Extent::new(heap + (number(&pair[0]) - first_number) * cluster, number(&pair[1]) * cluster).unwrap()
        };
        let in_use = pairs.map(place).collect();
        Volume { answer, extent, cluster, heap, first_number, in_use }
    }

    pub fn is(&self, kind: &str) -> bool {
        self.answer["kind"].as_str().unwrap().starts_with(kind)
    }

    /// Whether its allocation map alone is read.
    pub fn is_mapped(&self) -> bool {
        self.answer["places"].is_object()
    }

    /// Where a structure lies by its name in the answers.
    pub fn named(&self, name: &str) -> Vec<Extent> {
        extents(&self.answer["places"][name], self.extent.start.0)
    }

    /// The number of the cluster that holds byte `at` of the drive.
    pub fn cluster_of(&self, at: u64) -> u64 {
        (at - self.heap) / self.cluster + self.first_number
    }

    pub fn files(&self) -> impl Iterator<Item = &Value> {
        self.answer["files"].as_array().unwrap().iter()
    }

    /// Places of a file of the answers.
    pub fn extents_of(&self, file: &Value) -> Vec<Extent> {
        extents(&file["extents"], self.extent.start.0)
    }
}

/// Volumes and tables of a partitioned drive, by the table as sfdisk or fdisk printed it.
fn partitioned(name: &str, sound: &Sound, answers: &[Value]) -> (Vec<Volume>, Vec<Vec<Extent>>) {
    let table = &common::json(&format!("{name}.table.json"))["partitiontable"];
    let unit = table["sectorsize"].as_u64().unwrap_or(512);
    let partitions = table["partitions"].as_array().unwrap();
    let place = |p: &Value| Extent::new(number(&p["start"]) * unit, number(&p["size"]) * unit).unwrap();
    let volume = |answer: &Value| {
        let start = number(&answer["volume_start"]);
        let extent = partitions.iter().map(place).find(|e| e.start.0 == start).expect("the table knows the volume");
        Volume::new(answer.clone(), extent)
    };
    let volumes = answers.iter().map(volume).collect();
    let tables = if table["label"] == "gpt" {
        // Header and array of 128 entries of 128 bytes, at either end (UEFI specification 5.3).
        let array = (128 * 128u64).next_multiple_of(unit);
        let first = Extent::between(unit, 2 * unit + array);
        let second = Extent::between(sound.bytes - unit - array, sound.bytes);
        vec![vec![first], vec![second]]
    } else {
        // The MBR and every link of the extended chain: all of them are needed, and there is no copy.
        let mut places = vec![Extent::between(0, unit)];
        let extended = partitions.iter().filter(|p| ["5", "f", "85"].contains(&p["type"].as_str().unwrap_or("")));
        let logical: Vec<Extent> = partitions.iter().map(place).collect();
        for area in extended.map(place) {
            // A link stands somewhere in front of each logical partition, behind the one before.
            let inside: Vec<&Extent> = logical.iter().filter(|l| area.contains(l) && **l != area).collect();
            let mut from = area.start.0;
            for partition in inside {
                let signed = (from..partition.start.0).step_by(512).filter(|at| {
                    let sector = sound.sector_at(*at);
                    sector[510..] == [0x55, 0xAA]
                });
                places.extend(signed.map(|at| Extent::between(at, at + unit)));
                from = partition.end();
            }
        }
        vec![places]
    };
    (volumes, tables)
}
