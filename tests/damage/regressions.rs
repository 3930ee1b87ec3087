//! Damage that once lost something, as small as it can be told. What fuzzing finds is kept here as well.

use crate::fixture::{ALL, Fixture};
use crate::overlay::Damaged;
use crate::survey::survey;
use gleaner::base::extent::Extent;

/// Loses these bytes, from and to, and asks for all that was in use.
fn all_in_use_is_planned(name: &str, lost: &[(u64, u64)]) {
    let sector = ALL.iter().find(|(known, _)| *known == name).expect("a fixture").1;
    let fixture = Fixture::load(name, sector);
    let mut drive = Damaged::new(&fixture.sound);
    lost.iter().for_each(|(from, to)| drive.lose(Extent::between(*from, *to)));
    let survey = survey(drive);
    for volume in &fixture.volumes {
        let missing: Vec<Extent> =
            volume.in_use.extents().iter().flat_map(|extent| survey.planned.missing_from(*extent)).collect();
        assert!(missing.is_empty(), "{name}: {missing:?}");
    }
}

/// One sector of the FAT unreadable in both copies: chains that pass through it break off there, and neither the marks
/// nor the files knew of the clusters behind.
#[test]
fn a_sector_of_both_fats() {
    all_in_use_is_planned("fat32-clusters-512", &[(16384, 25600), (345_088, 345_600)]);
}

/// The same, where all that the sector knew was a cluster marked bad: it belongs to no file.
#[test]
fn a_sector_of_both_fats_with_a_bad_cluster() {
    all_in_use_is_planned("fat12-clusters-4k", &[(5120, 9728)]);
}
