//! What becomes of what is recognised: its findings, and the order in which it is planned.

use super::{common, reader};
use gleaner::base::extent::Extent;
use gleaner::copy::session::Workplace;
use gleaner::drive::model::preset;
use gleaner::drive::model::{ModelChoice, RateOrigin};
use gleaner::filesystem::{Content, read_content};
use gleaner::partition::signature::Sign;
use gleaner::report::values::{Costs, Trouble, survey};
use gleaner::source::Window;
use gleaner::survey::allocation::{Choices, Class, DriveMap, classify, read_drive};
use gleaner::survey::coherence;

fn drive(name: &str) -> DriveMap {
    read_drive(&reader(common::fixture(&format!("foreign-{name}")))).unwrap()
}

fn codes(drive: &DriveMap) -> Vec<&'static str> {
    drive.all_findings().kept().iter().map(|finding| finding.code.id).collect()
}

#[test]
fn each_kind_is_told_by_what_it_asks_for() {
    for (name, expected) in [
        ("luks2", vec!["volume-encrypted"]),
        ("luks2-second-header", vec!["volume-encrypted", "volume-header-damaged"]),
        ("lvm", vec!["volume-is-member"]),
        ("md-1.2", vec!["volume-is-member"]),
        ("ext4", vec!["volume-read-by-map"]),
        (
            "ext4-copy-only",
            vec![
                "volume-header-damaged",
                "map-from-copy",
                "map-from-copy",
                "map-part-doubted",
                "map-part-doubted",
                "volume-read-by-map",
            ],
        ),
        ("swap-4k", vec!["volume-taken-whole"]),
        ("iso9660-mbr", vec!["volume-taken-whole"]),
    ] {
        assert_eq!(codes(&drive(name)), expected, "{name}");
    }
}

#[test]
fn key_material_and_descriptions_come_before_the_rest_and_nothing_is_left_out() {
    for (name, at, bytes) in
        [("luks2", 0u64, 16u64 << 20), ("lvm", 4096, 1_044_480), ("md-1.0", (8 << 20) - 8192, 4096)]
    {
        let drive = drive(name);
        let map = classify(&drive, &Choices::default());
        let wanted = Extent::new(at, bytes).unwrap();
        let early: u64 = map
            .runs()
            .iter()
            .filter(|run| matches!(run.class, Class::Tables | Class::Structure))
            .filter_map(|run| run.extent.intersection(&wanted))
            .map(|part| part.bytes)
            .sum();
        assert_eq!(early, bytes, "{name}");
        // What it was recognised by serves to know the drive again.
        assert!(map.bytes_of(Class::Tables) > 0, "{name}");
        let whole = [Class::Tables, Class::Structure, Class::Unclaimed].map(|class| map.bytes_of(class));
        assert_eq!(whole.iter().sum::<u64>(), drive.identity.bytes, "{name}");
    }
}

#[test]
fn the_survey_says_what_it_is() {
    let reader = reader(common::fixture("foreign-luks2"));
    let drive = read_drive(&reader).unwrap();
    let coherence = coherence::judge(&drive, &reader).unwrap();
    let model = preset("desktop-7200").unwrap().model();
    let choice = ModelChoice { model, origin: RateOrigin::Chosen };
    let costs = Costs::new(&choice, None, drive.identity.bytes);
    let reading = (reader.totals(), Trouble::of(&reader, None));
    let report =
        survey(&drive, (coherence, classify(&drive, &Choices::default())), reading, costs, &Workplace::default());
    let json = serde_json::to_value(&report).unwrap();
    let area = &json["areas"][0];
    assert_eq!(area["holds"], "LUKS2 encryption");
    let found = &area["recognised"];
    assert_eq!(
        (&found["kind"], &found["encrypted"], &found["label"]),
        (&"luks2".into(), &true.into(), &"fernhollow".into())
    );
    // As blkid has it.
    assert_eq!(found["uuid"], common::answers("foreign-luks2")["blkid"]["UUID"]);
}

/// Many formatters write nothing at the end of a volume, where NTFS keeps the copy of its boot sector.
#[test]
fn an_old_copy_of_an_ntfs_boot_sector_does_not_hide_what_came_after() {
    let mut bytes = common::fixture("ntfs-rich");
    let ext = common::fixture("foreign-ext4");
    let start = 2 << 20;
    bytes[..start].copy_from_slice(&ext[..start]);
    let reader = reader(bytes);
    let content = read_content(&Window::new(&reader, reader.identity().extent())).unwrap();
    assert_eq!(content.recognised().map(|found| found.kind), Some(Sign::Ext4), "{:?}", content.name());
    assert!(!matches!(content, Content::Volume(_)));
}
