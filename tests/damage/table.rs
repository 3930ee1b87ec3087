//! `docs/damage.md`: what becomes of the plan when one structure is lost, or two that stand in for each other. Made here,
//! from real volumes and what the reference parsers say of them; this test holds page and code together.

use crate::describe::Describer;
use crate::fixture::{ALL, BY_MAP, Fixture, Volume, extents, number};
use crate::overlay::Damaged;
use crate::survey::{Survey, survey};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Finding;
use gleaner::filesystem::Role;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;
use std::path::Path;

/// A case: on which fixture, what is lost in words, and its places.
struct Case {
    fixture: &'static str,
    what: &'static str,
    places: fn(&Places<'_>) -> Vec<Extent>,
}

/// Where structure lies on the sound drive.
struct Places<'f> {
    fixture: &'f Fixture,
    volume: &'f Volume,
    describer: Describer<'f>,
}

impl Places<'_> {
    fn sectors(&self, first: u64, count: u64) -> Vec<Extent> {
        let sector = self.volume.answer["sector_bytes"].as_u64().unwrap();
        let start = self.volume.extent.start.0;
        vec![Extent::between(start + first * sector, start + (first + count) * sector)]
    }

    fn last_sector(&self) -> Vec<Extent> {
        let sector = self.volume.answer["sector_bytes"].as_u64().unwrap();
        vec![Extent::between(self.volume.extent.end() - sector, self.volume.extent.end())]
    }

    fn record(&self, number: u64) -> Vec<Extent> {
        self.describer.record(number)
    }

    /// Clusters of a file's data or of one of its attributes.
    fn file(&self, path: &str, attribute: Option<&str>) -> Vec<Extent> {
        let wanted = |f: &&Value| {
            f["path"] == path && f["attribute"].as_str() == attribute && f["stream"].is_null() && f["deleted"] == false
        };
        let file = self.volume.files().find(wanted).unwrap_or_else(|| panic!("{path} {attribute:?} is not there"));
        let places = self.volume.extents_of(file);
        assert!(!places.is_empty(), "{path} {attribute:?} has no clusters");
        places
    }

    /// Record of a live file.
    fn record_of(&self, path: &str) -> Vec<Extent> {
        let file = self.volume.files().find(|f| f["path"] == path && f["deleted"] == false).expect("the file");
        self.record(file["record"].as_u64().unwrap())
    }

    /// The second half of a file's clusters.
    fn second_half(&self, path: &str) -> Vec<Extent> {
        let all = self.file(path, None);
        let half = all.iter().map(|e| e.bytes).sum::<u64>() / 2;
        let mut before = 0;
        let mut places = Vec::new();
        for extent in all {
            let skipped = half.saturating_sub(before).min(extent.bytes) / 4096 * 4096;
            before += extent.bytes;
            places.push(Extent::between(extent.start.0 + skipped, extent.end()));
        }
        places.retain(|e| !e.is_empty());
        places
    }

    /// What opens an encrypted volume.
    fn opens(&self, which: &[usize]) -> Vec<Extent> {
        which.iter().map(|which| self.fixture.opens[*which]).collect()
    }

    fn fat(&self, copy: usize) -> Vec<Extent> {
        vec![extents(&self.volume.answer["fats"], self.volume.extent.start.0)[copy]]
    }

    fn boot_region(&self, copy: usize) -> Vec<Extent> {
        vec![extents(&self.volume.answer["boot_regions"], self.volume.extent.start.0)[copy]]
    }

    /// Blocks by their names in an APFS container's answers.
    fn blocks(&self, names: &[&str]) -> Vec<Extent> {
        let numbers = names.iter().flat_map(|name| match &self.volume.answer[*name] {
            Value::Array(list) => list.iter().map(number).collect(),
            one => vec![number(one)],
        });
        let size = self.volume.cluster;
        numbers
            .map(|block| self.volume.extent.start.0 + block * size)
            .map(|at| Extent::between(at, at + size))
            .collect()
    }

    /// The first block of an APFS container.
    fn block_zero(&self) -> Vec<Extent> {
        vec![Extent { bytes: self.volume.cluster, ..self.volume.extent }]
    }

    /// All of the area that holds an APFS container's superblocks.
    fn descriptors(&self) -> Vec<Extent> {
        let list = &self.volume.answer["descriptors"];
        let (first, count, size) = (number(&list[0]), number(&list[1]), self.volume.cluster);
        let start = self.volume.extent.start.0 + first * size;
        vec![Extent::between(start, start + count * size)]
    }

    /// Structures of a volume of which the allocation map alone is read, by their names in the answers.
    fn named(&self, names: &[&str]) -> Vec<Extent> {
        let places: Vec<Extent> = names.iter().flat_map(|name| self.volume.named(name)).collect();
        assert!(!places.is_empty(), "{names:?}");
        places
    }

    /// A copy of the partition table, or the MBR and its chain.
    fn table(&self, copy: usize) -> Vec<Extent> {
        self.fixture.tables[copy].clone()
    }
}

macro_rules! cases {
    ($($fixture:literal { $($what:literal => |$p:ident| $places:expr;)* })*) => {
        &[$($(Case { fixture: $fixture, what: $what, places: |$p| $places },)*)*]
    };
}

const CASES: &[Case] = cases! {
    "ntfs-rich" {
        "boot sector" => |p| p.sectors(0, 1);
        "boot sector's copy" => |p| p.last_sector();
        "boot sector and its copy" => |p| [p.sectors(0, 1), p.last_sector()].concat();
        "all of $Boot (16 sectors)" => |p| p.sectors(0, 16);
        "record 0 ($MFT)" => |p| p.record(0);
        "$MFTMirr" => |p| p.file("/$MFTMirr", None);
        "record 0 and $MFTMirr" => |p| [p.record(0), p.file("/$MFTMirr", None)].concat();
        "boot sector, its copy, record 0" => |p| [p.sectors(0, 1), p.last_sector(), p.record(0)].concat();
        "boot sector, its copy, record 0, $MFTMirr" => |p| [p.sectors(0, 1), p.last_sector(), p.record(0), p.file("/$MFTMirr", None)].concat();
        "record 5 (root folder)" => |p| p.record(5);
        "record 6 ($Bitmap)" => |p| p.record(6);
        "$Bitmap" => |p| p.file("/$Bitmap", None);
        "$Bitmap and boot sector" => |p| [p.file("/$Bitmap", None), p.sectors(0, 1)].concat();
        "second half of $MFT" => |p| p.second_half("/$MFT");
        "$Bitmap and second half of $MFT" => |p| [p.file("/$Bitmap", None), p.second_half("/$MFT")].concat();
        "all of $MFT" => |p| p.file("/$MFT", None);
        "all of $MFT and $Bitmap" => |p| [p.file("/$MFT", None), p.file("/$Bitmap", None)].concat();
        "one file's record" => |p| p.record_of("/Photos/mosaic.raw");
        "one file's record, $Bitmap" => |p| [p.record_of("/Photos/mosaic.raw"), p.file("/$Bitmap", None)].concat();
        "one file's attribute list" => |p| p.file("/Photos/mosaic.raw", Some("$ATTRIBUTE_LIST"));
        "one folder's index" => |p| p.file("/Users/ida/Specimens", None);
        "root folder's index" => |p| p.file("/", None);
        "$LogFile" => |p| p.file("/$LogFile", None);
        "$UpCase" => |p| p.file("/$UpCase", None);
    }
    "ntfs-mft-list" {
        "attribute list of $MFT" => |p| p.file("/$MFT", Some("$ATTRIBUTE_LIST"));
        "record 15 (part of $MFT's runs)" => |p| p.record(15);
    }
    "fat12-clusters-4k" {
        "boot sector" => |p| p.sectors(0, 1);
        "first FAT" => |p| p.fat(0);
        "both FATs" => |p| [p.fat(0), p.fat(1)].concat();
    }
    "fat16" {
        "boot sector" => |p| p.sectors(0, 1);
        "first FAT" => |p| p.fat(0);
        "second FAT" => |p| p.fat(1);
        "both FATs" => |p| [p.fat(0), p.fat(1)].concat();
        "root folder" => |p| p.file("/", None);
        "root folder and first FAT" => |p| [p.file("/", None), p.fat(0)].concat();
        "a folder" => |p| p.file("/Photos", None);
    }
    "fat32-clusters-512" {
        "boot sector" => |p| p.sectors(0, 1);
        "boot sector's copy" => |p| p.sectors(6, 1);
        "boot sector and its copy" => |p| [p.sectors(0, 1), p.sectors(6, 1)].concat();
        "all of the reserved region" => |p| p.sectors(0, 32);
        "FSInfo" => |p| p.sectors(1, 1);
        "first FAT" => |p| p.fat(0);
        "both FATs" => |p| [p.fat(0), p.fat(1)].concat();
        "root folder" => |p| p.file("/", None);
        "a folder" => |p| p.file("/Photos", None);
        "boot sector and first FAT" => |p| [p.sectors(0, 1), p.fat(0)].concat();
    }
    "exfat-clusters-4k" {
        "main boot region" => |p| p.boot_region(0);
        "backup boot region" => |p| p.boot_region(1);
        "both boot regions" => |p| [p.boot_region(0), p.boot_region(1)].concat();
        "allocation bitmap" => |p| p.file("/<allocation bitmap>", Some("<allocation bitmap>"));
        "FAT" => |p| p.fat(0);
        "allocation bitmap and FAT" => |p| [p.file("/<allocation bitmap>", Some("<allocation bitmap>")), p.fat(0)].concat();
        "up-case table" => |p| p.file("/<up-case table>", Some("<up-case table>"));
        "root folder" => |p| p.file("/", None);
        "root folder and main boot region" => |p| [p.file("/", None), p.boot_region(0)].concat();
        "a folder" => |p| p.file("/Photos", None);
    }
    "encrypted ntfs-cluster-8k" {
        "boot sector" => |p| p.sectors(0, 1);
        "first block of metadata" => |p| p.opens(&[0]);
        "first and second block of metadata" => |p| p.opens(&[0, 1]);
        "all three blocks of metadata" => |p| p.opens(&[0, 1, 2]);
        "first sectors where they were moved to" => |p| p.opens(&[3]);
        "record 0 ($MFT)" => |p| p.record(0);
        "$Bitmap" => |p| p.file("/$Bitmap", None);
    }
    "drive-gpt" {
        "protective MBR" => |p| vec![Extent::between(0, p.fixture.sound.sector.bytes())];
        "primary GPT" => |p| p.table(0);
        "backup GPT" => |p| p.table(1);
        "both GPTs" => |p| [p.table(0), p.table(1)].concat();
        "MBR and both GPTs" => |p| [vec![Extent::between(0, 512)], p.table(0), p.table(1)].concat();
        "MBR, both GPTs, first volume's boot sector" => |p| [vec![Extent::between(0, 512)], p.table(0), p.table(1), p.sectors(0, 1)].concat();
    }
    "drive-mbr-extended" {
        "MBR" => |p| p.table(0)[..1].to_vec();
        "one link of the extended chain" => |p| p.table(0)[2..3].to_vec();
        "MBR and the whole chain" => |p| p.table(0);
        "MBR, chain, first volume's boot sector" => |p| [p.table(0), p.sectors(0, 1)].concat();
    }
    "ext4-used" {
        "superblock" => |p| p.named(&["superblock"]);
        "superblock and its copies" => |p| p.named(&["superblock", "copies of the superblock"]);
        "group descriptors" => |p| p.named(&["group descriptors"]);
        "group descriptors and their copies" => |p| p.named(&["group descriptors", "copies of the descriptors"]);
        "superblock and group descriptors" => |p| p.named(&["superblock", "group descriptors"]);
        "one group's bitmap" => |p| p.named(&["map"])[2..3].to_vec();
        "all bitmaps" => |p| p.named(&["map"]);
    }
    "ext2-used" {
        "superblock" => |p| p.named(&["superblock"]);
        "group descriptors" => |p| p.named(&["group descriptors"]);
        "one group's bitmap" => |p| p.named(&["map"])[2..3].to_vec();
        "all bitmaps" => |p| p.named(&["map"]);
    }
    "hfsplus-4k" {
        "volume header" => |p| p.named(&["volume header"]);
        "alternate header" => |p| p.named(&["alternate header"]);
        "both headers" => |p| p.named(&["volume header", "alternate header"]);
        "allocation file" => |p| p.named(&["map"]);
        "allocation file and volume header" => |p| p.named(&["map", "volume header"]);
    }
    "hfsplus-journal" {
        "journal info block" => |p| p.named(&["journal info block"]);
        "journal header" => |p| p.named(&["journal header"]);
        "newest block list in the journal" => |p| p.named(&["newest block list"]);
        "newest map in the journal" => |p| p.named(&["newest map in the journal"]);
        "volume header" => |p| p.named(&["volume header"]);
        "allocation file, old at home" => |p| p.named(&["map"]);
    }
    "drive-usb-4k-gpt" {
        "primary GPT" => |p| p.table(0);
        "MBR and both GPTs" => |p| [vec![Extent::between(0, 512)], p.table(0), p.table(1)].concat();
    }
    "drive-apfs" {
        "block zero" => |p| p.block_zero();
        "newest superblock" => |p| p.blocks(&["superblock"]);
        "newest checkpoint map" => |p| p.blocks(&["maps"]);
        "newest space manager" => |p| p.blocks(&["space_manager"]);
        "block zero and newest space manager" => |p| [p.block_zero(), p.blocks(&["space_manager"])].concat();
        "all superblocks but block zero" => |p| p.descriptors();
        "all superblocks" => |p| [p.block_zero(), p.descriptors()].concat();
        "object map" => |p| p.blocks(&["object_map"]);
        "chunk information" => |p| p.blocks(&["chunk_information"]);
        "allocation bitmaps" => |p| p.blocks(&["bitmaps"]);
        "newest superblock, chunk information" => |p| p.blocks(&["superblock", "chunk_information"]);
        "newest superblock, allocation bitmaps" => |p| p.blocks(&["superblock", "bitmaps"]);
        "MBR and both GPTs" => |p| [vec![Extent::between(0, 512)], p.table(0), p.table(1)].concat();
    }
};

/// How a structure is lost.
const WAYS: [&str; 2] = ["unreadable", "zeroed"];

fn harmed(fixture: &Fixture, places: &[Extent], way: &str) -> Damaged {
    let mut drive = Damaged::new(&fixture.sound);
    for place in places {
        if way == "unreadable" {
            drive.lose(*place);
        } else {
            place.aligned_to(512).pieces(512).for_each(|sector| drive.set_sector(sector.start.0, [0; 512]));
        }
    }
    drive
}

/// Of each live file the reference knows: whether one of its paths leads to just its clusters. How many, of how many.
fn files_kept(fixture: &Fixture, survey: &Survey) -> (usize, usize) {
    let mut ours: BTreeMap<(u64, String), Vec<Extent>> = BTreeMap::new();
    for (index, map) in survey.drive.volumes() {
        let start = survey.drive.areas[index].area.extent.start.0;
        for node in map.catalog.nodes().filter(|n| !n.is_deleted()) {
            let content = node.streams().find(|s| s.role() == Role::Data && s.name().is_none());
            let mut places: Vec<Extent> = Vec::new();
            for extent in content.into_iter().flat_map(|s| s.runs()).filter_map(|run| map.geometry.extent(run)) {
                match places.last_mut().filter(|last| last.end() == extent.start.0) {
                    Some(last) => last.bytes += extent.bytes,
                    None => places.push(extent),
                }
            }
            for link in node.links() {
                ours.insert((start, link.path()), places.clone());
            }
        }
    }
    let (mut kept, mut all) = (0, 0);
    for volume in &fixture.volumes {
        let client = |f: &&Value| {
            let path = f["path"].as_str().unwrap_or_default();
            f["kind"] == "file" && f["deleted"] == false && f["attribute"].is_null() && f["stream"].is_null()
                // What the file system itself keeps is no client's file.
                && !path.is_empty() && !path.starts_with("/$")
        };
        for file in volume.files().filter(client) {
            all += 1;
            let places = volume.extents_of(file);
            let paths = file["paths"].as_array().unwrap().iter().filter_map(Value::as_str);
            let found = paths.filter_map(|path| ours.get(&(volume.extent.start.0, path.to_owned())));
            kept += usize::from(found.into_iter().any(|held| *held == places));
        }
    }
    (kept, all)
}

/// The most severe things that are said of the harmed drive and not of the sound one.
fn said(survey: &Survey, sound: &BTreeSet<&str>) -> String {
    let all = survey.drive.all_findings();
    let mut new: Vec<&Finding> = all.kept().iter().filter(|f| !sound.contains(f.code.id)).collect();
    new.sort_by_key(|f| std::cmp::Reverse(f.code.severity));
    let mut ids: Vec<&str> = Vec::new();
    for finding in new {
        if !ids.contains(&finding.code.id) && finding.code.id != "unreadable-sectors" {
            ids.push(finding.code.id);
        }
    }
    let more = ids.len().saturating_sub(3);
    ids.truncate(3);
    let list = ids.iter().map(|id| format!("`{id}`")).collect::<Vec<_>>().join(", ");
    if more > 0 { format!("{list}, {more} more") } else { list }
}

#[allow(clippy::cast_precision_loss, reason = "shares for people")]
fn share(part: u64, whole: u64) -> String {
    match part {
        all if all == whole => "100 %".to_owned(),
        _ => format!("{:.2} %", (part as f64 / whole as f64 * 100.0).min(99.99)),
    }
}

struct Row {
    text: String,
    missing: u64,
}

fn row(case: &Case, way: &str, places: &Places<'_>, sound: &Survey, codes: &BTreeSet<&str>) -> Row {
    let fixture = places.fixture;
    let survey = survey(harmed(fixture, &(case.places)(places), way));
    let in_use: ExtentSet = fixture.volumes.iter().flat_map(|v| v.in_use.extents()).copied().collect();
    let covered: u64 = in_use.extents().iter().map(|e| survey.planned.bytes_within(*e)).sum();
    let read: ExtentSet = survey.planned.extents().iter().chain(survey.asked.extents()).copied().collect();
    let excess: u64 = read.extents().iter().flat_map(|e| sound.planned.missing_from(*e)).map(|e| e.bytes).sum();
    let (kept, all) = files_kept(fixture, &survey);
    let text = format!(
        "| {} | {} | {way} | {} | {} | {} | {} | {} |",
        case.fixture,
        case.what,
        share(covered, in_use.bytes()),
        if all == 0 { "–".to_owned() } else { share(kept as u64, all as u64) },
        gleaner::base::human::bytes(excess),
        serde_json::to_value(survey.verdict).unwrap().as_str().unwrap(),
        said(&survey, codes)
    );
    Row { text, missing: in_use.bytes() - covered }
}

fn page() -> (String, Vec<String>) {
    let mut text = String::from(HEAD);
    let mut losses = Vec::new();
    let mut names: Vec<&str> = CASES.iter().map(|case| case.fixture).collect();
    names.dedup();
    for name in names {
        let fixture = match ALL.iter().chain(&BY_MAP).find(|(known, _)| *known == name) {
            Some((_, sector)) => Fixture::load(name, *sector),
            None => Fixture::encrypted(),
        };
        let sound = survey(Damaged::new(&fixture.sound));
        let (kept, all) = files_kept(&fixture, &sound);
        assert_eq!(kept, all, "{name}: even undamaged, files are not found as the reference has them");
        let findings = sound.drive.all_findings();
        let codes = findings.kept().iter().map(|f| f.code.id).collect();
        let volume = &fixture.volumes[0];
        let places = Places { fixture: &fixture, volume, describer: Describer::new(&fixture, volume) };
        for case in CASES.iter().filter(|case| case.fixture == name) {
            for way in WAYS {
                let row = row(case, way, &places, &sound, &codes);
                if row.missing > 0 {
                    losses.push(format!("{} bytes: {}", row.missing, row.text));
                }
                writeln!(text, "{}", row.text).unwrap();
            }
        }
    }
    (text, losses)
}

const HEAD: &str = "# What damage costs

**Most structures of a drive stand there twice, and what stands once can often be inferred from the rest.** When one is lost, gleaner takes the
copy: the backup of the partition table, of the boot sector, of the file table's first records, the second FAT. Where there is no copy, it
searches for volumes and infers their sizes from what it finds. Where a doubt is left, the plan takes more of the drive, never less.
What is lost: a file whose record is lost has only its name, from its folder; its content may still be on the drive, in clusters of no known file. On FAT
and exFAT a lost folder also loses the names of what lies in it. A lost allocation bitmap loses no file; the copy takes longer. On ext and
HFS+ the bitmaps are all that is read: what they do not tell for certain is planned as if it were in use.
What to do: a finding says what was lost and what it means. What is not read yet is not lost: `copy` retries such ranges, and plans again when they
are copied. Power off, let the drive rest, and try again on another day before anything is called lost for good.
For the client: files listed as complete are complete, whatever structure is lost. Ask for the names that matter most, so that they come first;
do not promise files of which only the name is left.

Each row is a real volume or drive of `testdata` with one structure lost, or several that stand in for each other, and what the plan
`allocated` then comes to. *Encrypted* is one that a test encrypts as Windows does, read with its key ([encryption.md](encryption.md)). Made by `scripts/damage-table`; `tests/damage/table.rs` holds this page and the code together.

* **lost how**: *unreadable*, every read of it fails; *zeroed*, it answers with zeros, which is worse: nothing shows that it is damaged.
* **in use, planned**: of the clusters that the undamaged volumes had in use by the reference parsers' account, the share that is planned.
* **files**: of the existing files that the reference parsers know, the share that is still found by its path with just its clusters;
  – where the allocation map alone is read.
* **in excess**: bytes that the survey reads or the plan takes which the plan of the undamaged drive does not.
* **verdict**: of the drive as a whole, as `survey` opens with it ([coherence.md](coherence.md)).
* **what is said**: the most severe findings that the undamaged drive does not have ([findings.md](findings.md)), beside `unreadable-sectors`.

`tests/damage/describe.rs` has the statement behind the first share, and checks it against 10,000 random damages; `tests/apfs/damaged.rs` has
that of APFS, of which the allocation map alone is read, so that it has no files here.

| drive | lost | lost how | in use, planned | files | in excess | verdict | what is said |
|---|---|---|---|---|---|---|---|
";

#[test]
fn the_page_says_what_the_code_does() {
    let (page, losses) = page();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/damage.md");
    if std::env::var_os("GLEANER_WRITE_DOCS").is_some() {
        std::fs::write(&path, &page).unwrap();
    }
    assert!(losses.is_empty(), "something in use is not planned:\n{}", losses.join("\n"));
    let written = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(written == page, "docs/damage.md is out of date: scripts/damage-table");
    assert!(CASES.len() >= 30);
}
