//! Several signatures in one place: what is whole and came last is believed, and the rest is told.

use super::{common, look, reader};
use gleaner::filesystem::{Content, read_content};
use gleaner::partition::signature::{Certainty, Sign};
use gleaner::source::Window;

fn also<'a>(facts: &'a [(&'static str, String)]) -> Vec<&'a str> {
    facts.iter().filter(|(name, _)| *name == "also there").map(|(_, what)| what.as_str()).collect()
}

#[test]
fn an_lvm_label_left_in_front_of_ext4_is_only_mentioned() {
    let found = look(common::fixture("foreign-ext4-over-lvm")).unwrap();
    assert_eq!((found.kind, also(&found.facts)), (Sign::Ext4, vec!["LVM2 physical volume"]));
}

#[test]
fn ext4_left_behind_under_lvm_is_only_mentioned() {
    // The superblock alone would still be whole where `pvcreate` was told not to wipe: it stands between label and metadata.
    let mut bytes = common::fixture("foreign-lvm");
    let ext = common::fixture("foreign-ext4-over-lvm");
    bytes[1024..2048].copy_from_slice(&ext[1024..2048]);
    let found = look(bytes).unwrap();
    assert_eq!((found.kind, found.certainty), (Sign::LvmMember, Certainty::Checksummed));
    assert_eq!(also(&found.facts), ["ext4"]);
}

#[test]
fn a_disc_in_two_formats_is_told_by_the_newer_one() {
    let found = look(common::fixture("foreign-udf-bridge")).unwrap();
    assert_eq!((found.kind, also(&found.facts)), (Sign::Udf, vec!["ISO 9660"]));
    let found = look(common::fixture("foreign-iso9660-hfsplus")).unwrap();
    assert_eq!((found.kind, also(&found.facts)), (Sign::Iso9660, vec!["Apple partition map"]));
}

#[test]
fn a_fat_boot_sector_left_in_front_of_ext4_does_not_hide_it() {
    let reader = reader(common::fixture("foreign-ext4-behind-fat-front"));
    let content = read_content(&Window::new(&reader, reader.identity().extent())).unwrap();
    assert!(matches!(content, Content::Mapped(_)), "{content:?}");
    assert_eq!(content.recognised().map(|found| found.kind), Some(Sign::Ext4));
}
