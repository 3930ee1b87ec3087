//! Where a volume says that a cluster is in use: the places of its mark and of the records that claim it, found in the
//! sound bytes by the reference parsers' answers and by reading single fields here.
//!
//! With that, what a plan may miss is stated exactly. A cluster that was in use on the sound volume, and still lies on
//! the drive, may be missing from the plan only if
//!
//! 1. its mark is lost: every copy of it was hit, or every copy of what leads to the map; and
//! 2. its claims are lost: for each file that owned it, its record or a record on the way to it was hit; and
//! 3. some of that is false rather than unreadable, and looks true: bytes were changed in silence.
//!
//! So no read error, however many there are, loses anything by itself; nor does any damage to one of the two maps.
//!
//! On a volume of which the allocation map alone is read there are no claims. A block may be missing there only if what leads to its
//! mark was changed in silence and nothing seals it. Where all metadata has a checksum, the bitmaps' stand in the group descriptors: a
//! block may be missing only if these are lost and the bitmaps were changed as well.

use crate::fixture::{Fixture, Volume, extents, number};
use crate::overlay::{Damaged, Sound};
use gleaner::base::extent::{Extent, ExtentSet};
use serde_json::Value;
use std::collections::BTreeMap;

/// What was done to a drive.
pub struct Harm {
    /// Bytes that say something else than before.
    pub altered: ExtentSet,
    /// Bytes that say nothing.
    pub lost: ExtentSet,
}

impl Harm {
    pub fn of(drive: &Damaged) -> Harm {
        let (altered, lost) = (drive.altered(), drive.lost());
        let readable = altered.extents().iter().flat_map(|e| lost.missing_from(*e)).collect();
        Harm { altered: readable, lost }
    }

    /// With what a survey left beside it: to the survey that is lost as well. Copying reads it later.
    pub fn and_left(mut self, left: &ExtentSet) -> Harm {
        self.lost.extend(left.extents().iter().copied());
        self.altered = self.altered.extents().iter().flat_map(|e| self.lost.missing_from(*e)).collect();
        self
    }

    pub fn altered(&self, places: &[Extent]) -> bool {
        places.iter().any(|place| self.altered.bytes_within(*place) > 0)
    }

    pub fn hit(&self, places: &[Extent]) -> bool {
        places.iter().any(|place| self.altered.bytes_within(*place) + self.lost.bytes_within(*place) > 0)
    }

    /// Whether no copy is as it was.
    fn all_hit(&self, copies: &Copies) -> bool {
        copies.iter().all(|copy| self.hit(copy))
    }
}

/// The same said in one or more places.
type Copies = Vec<Vec<Extent>>;

/// What is known of a volume's structure.
pub struct Describer<'f> {
    sound: &'f Sound,
    volume: &'f Volume,
    /// What must be right, each in one copy at least, for anything to be found.
    base: Vec<Copies>,
    /// NTFS: places of file records by number, and extension records by their base's number.
    records: Vec<Vec<Extent>>,
    extensions: BTreeMap<u64, Vec<u64>>,
    /// Live folders by path.
    folders: BTreeMap<&'f str, &'f Value>,
}

impl<'f> Describer<'f> {
    pub fn new(fixture: &'f Fixture, volume: &'f Volume) -> Describer<'f> {
        let live_folder = |f: &&Value| f["kind"] == "folder" && f["deleted"] == false && f["attribute"].is_null();
        let folders = volume.files().filter(live_folder).filter_map(|f| Some((f["path"].as_str()?, f))).collect();
        let mut new = Describer {
            sound: &fixture.sound,
            volume,
            base: Vec::new(),
            records: Vec::new(),
            extensions: BTreeMap::new(),
            folders,
        };
        if volume.is("ntfs") {
            new.find_records();
        }
        new.base = new.find_base(&fixture.tables);
        new
    }

    fn find_records(&mut self) {
        let size = number(&self.volume.answer["record_bytes"]);
        let table: Vec<Extent> = self.volume.extents_of(self.system_file(0, None));
        let mut pieces: Vec<Extent> = Vec::new();
        for part in table.iter().flat_map(|extent| extent.pieces(512)) {
            pieces.push(part);
            if pieces.iter().map(|p| p.bytes).sum::<u64>() == size {
                let record: Vec<u8> = pieces.iter().flat_map(|p| self.sound.read(p.start.0, p.bytes)).collect();
                // Base record's number, 6 bytes at 32 (Linux fs/ntfs/layout.h, MFT_RECORD).
                let base = record[32..38].iter().rev().fold(0, |n, byte| n << 8 | u64::from(*byte));
                if record.starts_with(b"FILE") && base != 0 || record[32..40] != [0; 8] {
                    self.extensions.entry(base).or_default().push(self.records.len() as u64);
                }
                self.records.push(std::mem::take(&mut pieces));
            }
        }
    }

    fn system_file(&self, record: u64, attribute: Option<&str>) -> &'f Value {
        let wanted =
            |f: &&Value| f["record"] == record && f["attribute"].as_str() == attribute && f["stream"].is_null();
        self.volume.files().find(wanted).unwrap_or(&Value::Null)
    }

    /// Where a file record lies.
    pub fn record(&self, number: u64) -> Vec<Extent> {
        self.records[usize::try_from(number).unwrap()].clone()
    }

    /// A record with its extension records.
    fn whole_record(&self, record: u64) -> Vec<Extent> {
        let extensions = self.extensions.get(&record).into_iter().flatten();
        std::iter::once(&record)
            .chain(extensions)
            .flat_map(|n| self.records[usize::try_from(*n).unwrap()].clone())
            .collect()
    }

    fn find_base(&self, tables: &[Vec<Extent>]) -> Vec<Copies> {
        let volume = self.volume;
        let start = volume.extent.start.0;
        let sector = number(&volume.answer["sector_bytes"]);
        let at = |sector_number: u64| {
            vec![Extent::between(start + sector_number * sector, start + (sector_number + 1) * sector)]
        };
        let mut base: Vec<Copies> = Vec::new();
        if !tables.is_empty() {
            base.push(tables.to_vec());
        }
        if volume.is_mapped() {
            // Any of it may be what lies.
        } else if volume.is("ntfs") {
            base.push(vec![at(0), at(volume.extent.bytes / sector - 1)]);
            let mirror = volume.extents_of(self.system_file(1, None));
            let size = number(&volume.answer["record_bytes"]);
            base.push(vec![self.records[0].clone(), vec![Extent { bytes: size, ..mirror[0] }]]);
            let rest = self
                .extensions
                .get(&0)
                .into_iter()
                .flatten()
                .map(|n| self.records[usize::try_from(*n).unwrap()].clone());
            base.extend(rest.map(|record| vec![record]));
            let list = volume.extents_of(self.system_file(0, Some("$ATTRIBUTE_LIST")));
            if !list.is_empty() {
                base.push(vec![list]);
            }
        } else if volume.is("exfat") {
            base.push(extents(&volume.answer["boot_regions"], start).into_iter().map(|region| vec![region]).collect());
        } else if volume.is("fat32") {
            base.push(vec![at(0), at(6)]);
        } else {
            base.push(vec![at(0)]);
        }
        base
    }

    /// The copies of a cluster's mark.
    pub fn mark(&self, cluster: u64) -> Copies {
        let one = |extents: Vec<Extent>, from: u64, bytes: u64| vec![part_of(&extents, from, bytes)];
        if self.volume.is("ntfs") {
            return one(self.volume.extents_of(self.system_file(6, None)), cluster / 8, 1);
        }
        if self.volume.is("exfat") {
            let bitmap = self.volume.files().find(|f| f["attribute"] == "<allocation bitmap>").unwrap();
            return one(self.volume.extents_of(bitmap), (cluster - 2) / 8, 1);
        }
        self.table_entry(cluster)
    }

    /// The copies of a cluster's entry in the FAT.
    fn table_entry(&self, cluster: u64) -> Copies {
        let tables = extents(&self.volume.answer["fats"], self.volume.extent.start.0);
        let (from, bytes) = match self.volume.answer["kind"].as_str().unwrap() {
            "fat12" => (cluster * 3 / 2, 2),
            "fat16" => (cluster * 2, 2),
            _ => (cluster * 4, 4),
        };
        tables.iter().map(|table| part_of(&[*table], from, bytes)).collect()
    }

    /// What leads to the map: each must be there in one copy at least.
    fn way_to_map(&self) -> Vec<Copies> {
        let mut way = self.base.clone();
        if self.volume.is("ntfs") {
            way.push(vec![self.whole_record(6)]);
        } else if self.volume.is("exfat") {
            let bitmap = self.volume.files().find(|f| f["attribute"] == "<allocation bitmap>").unwrap();
            way.extend(self.way_to_entry(bitmap));
            way.extend(self.chain(bitmap));
        }
        way
    }

    /// What leads to a file's clusters.
    fn way_to_file(&self, file: &Value) -> Vec<Copies> {
        let mut way = self.base.clone();
        if self.volume.is("ntfs") {
            way.push(vec![self.whole_record(number(&file["record"]))]);
            return way;
        }
        way.extend(self.way_to_entry(file));
        way.extend(self.chain(file));
        way
    }

    /// The entries of the FAT that hold a file's clusters together.
    fn chain(&self, file: &Value) -> Vec<Copies> {
        // A FAT16's root has a place of its own, and contiguous files of exFAT need no FAT.
        if file["contiguous"] == true || file["first_cluster"].is_null() {
            return Vec::new();
        }
        let places = self.volume.extents_of(file).into_iter().flat_map(|e| e.pieces(self.volume.cluster));
        let entries = places.flat_map(|place| self.table_entry(self.volume.cluster_of(place.start.0)));
        // The copy that decides may tell another chain: each copy has to be as it was.
        entries.map(|entry| vec![entry]).collect()
    }

    /// The folders above a file, each as far as the entry that leads on, and their chains.
    fn way_to_entry(&self, file: &Value) -> Vec<Copies> {
        let mut way = Vec::new();
        let mut child = file;
        loop {
            let path = child["path"].as_str().expect("existing files have a path");
            if path == "/" {
                return way;
            }
            let above = path.rsplit_once('/').expect("paths start with a slash").0;
            let folder = self.folders[if above.is_empty() { "/" } else { above }];
            way.push(vec![self.folder_up_to(folder, child)]);
            way.extend(self.chain(folder));
            child = folder;
        }
    }

    /// A folder's bytes from its start to the end of a child's entries.
    fn folder_up_to(&self, folder: &Value, child: &Value) -> Vec<Extent> {
        let places = self.volume.extents_of(folder);
        let first = number(&child["first_cluster"]).to_le_bytes();
        let mut up_to = 0;
        for entry_place in places.iter().flat_map(|place| place.pieces(32)) {
            up_to += 32;
            let entry = self.sound.read(entry_place.start.0, 32);
            let found = if self.volume.is("exfat") {
                matches!(entry[0], 0xC0 | 0x81 | 0x82) && entry[20..24] == first[..4]
            } else {
                let high = if self.volume.is("fat32") { [entry[20], entry[21]] } else { [0, 0] };
                !matches!(entry[0], 0xE5 | b'.')
                    && entry[11] != 0x0F
                    && [entry[26], entry[27], high[0], high[1]] == first[..4]
            };
            if found {
                // exFAT: what follows the entry that has the cluster belongs to its set.
                let bytes = up_to + if self.volume.is("exfat") { 17 * 32 } else { 0 };
                return part_of(&places, 0, bytes);
            }
        }
        panic!("{} has no entry for {}", folder["path"], child["path"]);
    }

    /// Where marks lie: the map that the bitmap or the FATs are.
    pub fn maps(&self) -> Vec<Extent> {
        if self.volume.is_mapped() {
            return self.volume.named("map");
        }
        let of = |wanted: &dyn Fn(&Value) -> bool| {
            self.volume.files().find(|f| wanted(f)).map_or(Vec::new(), |f| self.volume.extents_of(f))
        };
        if self.volume.is("ntfs") {
            return of(&|f| f["record"] == 6 && f["attribute"].is_null() && f["stream"].is_null());
        }
        let mut maps = extents(&self.volume.answer["fats"], self.volume.extent.start.0);
        maps.extend(of(&|f| f["attribute"] == "<allocation bitmap>"));
        maps
    }

    fn owners(&self, cluster: u64) -> impl Iterator<Item = &'f Value> {
        let at = self.volume.heap + (cluster - self.volume.first_number) * self.volume.cluster;
        let place = Extent::between(at, at + 1);
        let live = self.volume.files().filter(|f| f["deleted"] == false);
        live.filter(move |f| self.volume.extents_of(f).iter().any(|e| e.contains(&place)))
    }

    /// Why a cluster that was in use may be missing from a plan, or what should have kept it there.
    pub fn excuse(&self, cluster: u64, harm: &Harm) -> Result<(), String> {
        if self.volume.is_mapped() {
            let names = self.volume.answer["places"].as_object().unwrap().keys();
            let leads: Vec<Extent> = names.flat_map(|name| self.volume.named(name)).collect();
            return match self.volume.answer["has_checksums"] == true {
                true if harm.hit(&self.volume.named("group descriptors")) && harm.altered(&self.maps()) => Ok(()),
                true => Err("all that leads to its mark has a checksum".to_owned()),
                false if harm.altered(&leads) => Ok(()),
                false => Err("nothing that leads to its mark was changed, only unreadable".to_owned()),
            };
        }
        let mark = self.mark(cluster);
        let mut met: Vec<Copies> = vec![mark.clone()];
        let to_map = self.way_to_map();
        if !harm.all_hit(&mark) && !to_map.iter().any(|copies| harm.all_hit(copies)) {
            return Err(format!("its mark stands unharmed at {:?}", mark));
        }
        met.extend(to_map);
        for owner in self.owners(cluster) {
            let way = self.way_to_file(owner);
            if !way.iter().any(|copies| harm.all_hit(copies)) {
                return Err(format!("{} claims it, and nothing on the way there is harmed", owner["path"]));
            }
            met.extend(way);
        }
        let silent = met.iter().flatten().any(|copy| harm.altered(copy));
        if silent { Ok(()) } else { Err("nothing that speaks of it was changed, only unreadable".to_owned()) }
    }
}

/// The part of a file from byte `from`, given the file's places; cut where they end. Out to whole sectors, since what is
/// harmed is harmed by the sector.
fn part_of(places: &[Extent], from: u64, bytes: u64) -> Vec<Extent> {
    let mut at = 0;
    let mut parts = Vec::new();
    for place in places {
        let (start, end) = (from.max(at), (from + bytes).min(at + place.bytes));
        if start < end {
            parts.push(Extent::between(place.start.0 + start - at, place.start.0 + end - at));
        }
        at += place.bytes;
    }
    parts
}
