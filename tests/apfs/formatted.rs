//! Containers as mkapfs (apfsprogs) makes them, which apfsck calls clean.

use crate::survey::survey_of;
use crate::{answers_of, assert_as_answered, told};
use gleaner::base::finding::Severity;
use gleaner::source::open;
use std::process::Command;

/// Bytes of the image, and blocks of the container where that does not fill it.
const SIZES: [(u64, Option<u64>); 6] = [
    (200 << 20, None),
    (600 << 20, None),
    // Ends in the middle of a chunk; what follows it is outside the map.
    (600 << 20, Some(101_000)),
    (5 << 30, None),
    (300 << 30, None),
    (7 << 40, None),
];

#[test]
fn used_blocks_of_containers_of_mkapfs_are_those_of_the_reference_parsers() {
    let temporary = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    for (bytes, blocks) in SIZES {
        let name = format!("{bytes} bytes, {blocks:?} blocks");
        let image = temporary.path().join("container");
        let _ = std::fs::remove_file(&image);
        std::fs::File::create(&image).unwrap().set_len(bytes).unwrap();
        let mut mkapfs = Command::new("mkapfs");
        mkapfs.env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin").arg(&image).args(blocks.map(|blocks| blocks.to_string()));
        let made = mkapfs.output().expect("mkapfs: scripts/setup installs it");
        assert!(made.status.success(), "{name}: {}", String::from_utf8_lossy(&made.stderr));
        if bytes <= 5 << 30 && blocks.is_none() {
            let checked = Command::new("/usr/sbin/apfsck").arg(&image).output().expect("apfsck");
            assert!(checked.status.success(), "{name}: {}", String::from_utf8_lossy(&checked.stderr));
        }
        let survey = survey_of(open(&image, None).unwrap());
        assert_as_answered(&name, &survey, &answers_of(&image));
        assert_eq!(told(&survey, Severity::Caution), [], "{name}");
        // Bytes behind the container are not known to be free.
        let behind = blocks.map_or(0, |blocks| bytes - blocks * 4096);
        let container = gleaner::base::extent::Extent::between(bytes - behind, bytes);
        assert!(survey.planned.covers(container), "{name}: what lies behind the container is planned");
    }
}
