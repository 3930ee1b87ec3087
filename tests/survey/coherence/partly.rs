//! Damage of one kind at a time: the verdict stays with the drive, and the evidence names what fails.

use super::{Judged, extent, noise};
use crate::common::{answers, fixture};
use gleaner::base::units::SectorSize;
use gleaner::source::MemorySource;
use gleaner::survey::coherence::{Check, Outcome, Verdict};

/// Where the reference parser finds each file record of the volume.
fn record_places(name: &str) -> Vec<u64> {
    let answers = answers(name);
    let files = answers["files"].as_array().unwrap();
    let table = files.iter().find(|file| file["path"] == "/$MFT" && file["stream"].is_null()).unwrap();
    let record = answers["record_bytes"].as_u64().unwrap();
    let size = table["size"].as_u64().unwrap();
    let runs =
        table["extents"].as_array().unwrap().iter().map(|run| (run[0].as_u64().unwrap(), run[1].as_u64().unwrap()));
    let places = runs.flat_map(|(start, bytes)| (0..bytes / record).map(move |n| start + n * record));
    places.take(usize::try_from(size / record).unwrap()).collect()
}

fn used(image: &[u8], places: &[u64]) -> Vec<usize> {
    let sound = |place: &u64| usize::try_from(*place).ok().filter(|at| &image[*at..*at + 4] == b"FILE");
    places.iter().filter_map(sound).collect()
}

#[test]
fn the_last_sector_does_not_answer() {
    for name in ["drive-gpt", "ntfs-rich", "fat16", "drive-mbr-extended"] {
        let image = fixture(name);
        let last = extent(image.len() as u64 - 512, 512);
        let judged = Judged::of(MemorySource::new(image, SectorSize::S512).with_unreadable(last));
        assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{name}: {}", judged.told());
        assert_eq!(judged.outcome(Check::LastSector), Outcome::Fails, "{name}");
        assert!(judged.coherence.findings.kept().iter().any(|f| f.code.id == "drive-last-sector-unreadable"));
    }
}

#[test]
fn capacity_cut_and_padded() {
    for name in ["drive-gpt", "ntfs-rich", "fat32-clusters-4k", "exfat-clusters-4k", "drive-mbr-extended"] {
        let image = fixture(name);
        let mut cut = image.clone();
        cut.truncate(image.len() / 4 * 3 / 4096 * 4096);
        let judged = Judged::image(cut);
        assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{name} cut: {}", judged.told());
        assert_eq!(judged.outcome(Check::Capacity), Outcome::Fails, "{name} cut: {}", judged.told());

        let mut padded = image;
        padded.resize(padded.len() + (16 << 20), 0);
        let judged = Judged::image(padded);
        assert_eq!(judged.verdict(), Verdict::Sound, "{name} padded: {}", judged.told());
    }
    let mut padded = fixture("drive-gpt");
    padded.resize(padded.len() + (16 << 20), 0);
    assert_eq!(
        Judged::image(padded).outcome(Check::Capacity),
        Outcome::InPart,
        "the GPT's copy is not in the last sector"
    );
}

#[test]
fn one_file_record_damaged_or_a_third_of_them() {
    let name = "ntfs-rich";
    let image = fixture(name);
    let sound = Judged::image(image.clone());
    let places = used(&image, &record_places(name));
    let before = format!("{0} of {0} file records", gleaner::base::human::count(places.len() as u64));
    assert!(sound.figures(Check::FileRecords).starts_with(&before), "{before}: {}", sound.told());

    let mut one = image.clone();
    one[places[40] + 510] ^= 0xFF;
    let judged = Judged::image(one);
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{}", judged.told());
    assert_eq!(judged.outcome(Check::FileRecords), Outcome::InPart);
    let now = format!("{} of {} file records", places.len() - 1, places.len());
    assert!(judged.figures(Check::FileRecords).replace(',', "").starts_with(&now), "{now}: {}", judged.told());

    let mut third = image;
    for place in places.iter().skip(24).step_by(3) {
        for (at, word) in noise(*place as u64).take(128).enumerate() {
            third[place + at * 8..place + at * 8 + 8].copy_from_slice(&word.to_le_bytes());
        }
    }
    let judged = Judged::image(third);
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{}", judged.told());
    assert_eq!(judged.outcome(Check::FileRecords), Outcome::InPart);
}

#[test]
fn copies_of_a_fat_that_differ() {
    for name in ["fat16", "fat32-clusters-4k", "fat12-clusters-4k"] {
        let answer = answers(name);
        let second = usize::try_from(answer["fats"][1][0].as_u64().unwrap()).unwrap();
        let mut image = fixture(name);
        for byte in &mut image[second + 32..second + 64] {
            *byte ^= 0x55;
        }
        let judged = Judged::image(image);
        assert_eq!(judged.outcome(Check::FileTables), Outcome::Fails, "{name}: {}", judged.told());
        assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{name}: {}", judged.told());
    }
}

#[test]
fn a_lost_boot_sector_is_damage_when_its_copy_serves() {
    for name in ["ntfs-rich", "fat32-clusters-4k", "exfat-clusters-4k"] {
        let mut image = fixture(name);
        image[..512].fill(0);
        let judged = Judged::image(image);
        assert!(!judged.verdict().says_stop() || judged.drive.volumes().count() == 0, "{name}: {}", judged.told());
    }
    let mut drive = fixture("drive-gpt");
    let start = answers("drive-gpt")["volumes"][1]["volume_start"].as_u64().unwrap();
    let start = usize::try_from(start).unwrap();
    drive[start..start + 512].fill(0x11);
    let judged = Judged::image(drive);
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{}", judged.told());
    assert_ne!(judged.outcome(Check::BootSectors), Outcome::Holds, "{}", judged.told());
}

#[test]
fn the_start_of_the_drive_does_not_answer() {
    let image = fixture("drive-gpt");
    let judged = Judged::of(MemorySource::new(image, SectorSize::S512).with_unreadable(extent(0, 34 * 512)));
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "the GPT's copy serves: {}", judged.told());
    assert_eq!(judged.outcome(Check::Tables), Outcome::InPart);
}

/// Marks of the bitmap taken away from clusters of files: said, and the files are believed.
#[test]
fn clusters_of_files_that_are_marked_free() {
    for name in ["ntfs-rich", "exfat-clusters-4k"] {
        let answer = answers(name);
        let files = answer["files"].as_array().unwrap();
        let path = if name.starts_with("ntfs") { "/$Bitmap" } else { "/<allocation bitmap>" };
        let is_bitmap = |file: &&serde_json::Value| {
            file["stream"].is_null()
                && (file["path"] == path || file["attribute"] == "bitmap" || file["name"] == "$Bitmap")
        };
        let bitmap = files.iter().find(is_bitmap).unwrap_or_else(|| panic!("{name}: no bitmap in the answers"));
        let base = bitmap["extents"][0][0].as_u64().unwrap();
        let first = if name.starts_with("ntfs") { 0 } else { 2 };
        let heap = answer["first_cluster_byte"].as_u64().unwrap();
        let file = files
            .iter()
            .find(|file| {
                let path = file["path"].as_str().unwrap_or("");
                file["deleted"] == false
                    && path.contains("Photos/")
                    && file["extents"].as_array().is_some_and(|e| !e.is_empty())
            })
            .unwrap();
        let cluster =
            (file["extents"][0][0].as_u64().unwrap() - heap) / answer["cluster_bytes"].as_u64().unwrap() + first;
        let bit = cluster - first;
        let mut image = fixture(name);
        let at = usize::try_from(base + bit / 8).unwrap();
        assert_ne!(image[at] & 1 << (bit % 8), 0, "{name}: the file's cluster is marked");
        image[at] &= !(1 << (bit % 8));
        let judged = Judged::image(image);
        let codes: Vec<_> = judged.coherence.findings.kept().iter().map(|f| (f.code.id, f.sentence.as_str())).collect();
        assert!(
            matches!(codes.as_slice(), [("clusters-marked-free", sentence)] if sentence.starts_with("1 of ")),
            "{name}: {codes:?}"
        );
        assert_eq!(judged.outcome(Check::TwoMaps), Outcome::InPart, "{name}");
    }
}

/// The record of one file in place of another's: both now claim the same clusters.
#[test]
fn clusters_that_two_files_of_ntfs_claim() {
    let name = "ntfs-rich";
    let answer = answers(name);
    let places = record_places(name);
    let in_clusters = |file: &&serde_json::Value| {
        file["deleted"] == false
            && file["path"].as_str().is_some_and(|path| path.starts_with("/Photos/2019/"))
            && file["extents"].as_array().is_some_and(|extents| extents.len() == 1)
    };
    let chosen: Vec<u64> =
        answer["files"].as_array().unwrap().iter().filter(in_clusters).map(|f| f["record"].as_u64().unwrap()).collect();
    let place = |number: u64| usize::try_from(places[usize::try_from(number).unwrap()]).unwrap();
    let mut image = fixture(name);
    let record = image[place(chosen[0])..place(chosen[0]) + 1024].to_vec();
    image[place(chosen[1])..place(chosen[1]) + 1024].copy_from_slice(&record);
    // Its own number, which stands at byte 2C (Linux fs/ntfs/layout.h, `MFT_RECORD`).
    let number = u32::try_from(chosen[1]).unwrap().to_le_bytes();
    image[place(chosen[1]) + 0x2C..place(chosen[1]) + 0x30].copy_from_slice(&number);
    let judged = Judged::image(image);
    let codes: Vec<&str> = judged.coherence.findings.kept().iter().map(|f| f.code.id).collect();
    assert!(codes.contains(&"clusters-of-two-files") && codes.contains(&"name-twice-in-a-folder"), "{codes:?}");
    assert_eq!(judged.verdict(), Verdict::PartlyDamaged, "{}", judged.told());
}
