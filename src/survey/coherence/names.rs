//! Whether the names of existing files can be names, and stand once in their folder.

use super::evidence::Tally;
use super::findings as found;
use crate::base::finding::Finding;
use crate::base::human;
use crate::filesystem::{FsKind, Link, Node, Parent, Purpose, VolumeMap};
use std::borrow::Cow;
use std::char::REPLACEMENT_CHARACTER;
use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};

/// Names of which fewer than this share is text are taken as garbled. Real volumes have a few odd names (unpaired surrogates, line breaks);
/// bytes at random give one in every few characters (the control characters and surrogates are 3 % of all UTF-16 units, so that of
/// names of ten units a quarter is hit).
pub(super) const HOLD: f64 = 0.99;
pub(super) const FAIL: f64 = 0.85;

/// What names on FAT and exFAT cannot hold beside control characters. Sources: exFAT specification 1.00, 7.7.3, table 35 (from memory);
/// "FAT: General Overview of On-Disk Format" 1.03, long directory entries.
const NOT_ALLOWED: [char; 9] = ['"', '*', '/', ':', '<', '>', '?', '\\', '|'];

/// The names of a volume.
pub(super) struct Names {
    /// Those that can be names.
    pub(super) tally: Tally,
    pub(super) findings: Vec<Finding>,
}

/// Looks at the names of a volume's existing files.
pub(super) fn check(volume: &VolumeMap) -> Names {
    let mut tally = Tally::default();
    let mut first_bad = None;
    for node in existing(volume) {
        // Bitmap and up-case table of exFAT have no names of their own; ours are not among those that are judged by its rule.
        let forbidden = volume.kind != FsKind::Ntfs && node.purpose() == Purpose::Client;
        for link in node.links() {
            let good = is_text(link.name()) && !(forbidden && link.name().contains(NOT_ALLOWED));
            tally.add(good);
            if !good && first_bad.is_none() {
                first_bad = Some(link.path());
            }
        }
    }
    let mut findings = Vec::new();
    if let Some(path) = first_bad {
        #[allow(clippy::cast_precision_loss, reason = "a share needs no 53 bits")]
        let few = tally.good as f64 >= HOLD * tally.total as f64;
        let code = if few { &found::NAMES_ODD } else { &found::NAMES_GARBLED };
        let sentence = format!(
            "{} of {} names have characters that no name can have, the first is {path:?}.",
            human::count(tally.bad()),
            human::count(tally.total)
        );
        findings.push(Finding::at(code, volume.extent.start, sentence));
    }
    for (name, count) in twice(volume) {
        let sentence = format!("{name:?} stands {count} times in its folder.");
        findings.push(Finding::at(&found::NAME_TWICE, volume.extent.start, sentence));
    }
    Names { tally, findings }
}

fn existing(volume: &VolumeMap) -> impl Iterator<Item = Node<'_>> {
    volume.catalog.nodes().filter(|node| !node.is_deleted())
}

fn is_text(name: &str) -> bool {
    if name.is_ascii() {
        return !name.bytes().any(|byte| byte.is_ascii_control());
    }
    !name.contains(|c: char| c == REPLACEMENT_CHARACTER || c.is_control())
}

/// Paths that more than one file has, with how many. First by hashes, eight bytes a name: nearly all names stand once.
fn twice(volume: &VolumeMap) -> BTreeMap<String, u64> {
    let links = || existing(volume).flat_map(|node| node.links());
    let hash = |link: &Link<'_>| {
        let Parent::Folder(folder) = link.parent() else { return None };
        // Names that cannot be shown look alike.
        if link.name().contains(REPLACEMENT_CHARACTER) {
            return None;
        }
        let mut hasher = DefaultHasher::new();
        (folder.0, folded(volume.kind, link.name())).hash(&mut hasher);
        Some(hasher.finish())
    };
    let mut hashes: Vec<u64> = links().filter_map(|link| hash(&link)).collect();
    hashes.sort_unstable();
    let again: BTreeSet<u64> = hashes.windows(2).filter(|pair| pair[0] == pair[1]).map(|pair| pair[0]).collect();
    let mut paths: BTreeMap<String, u64> = BTreeMap::new();
    if !again.is_empty() {
        for link in links().filter(|link| hash(link).is_some_and(|hash| again.contains(&hash))) {
            *paths.entry(folded(volume.kind, &link.path()).into_owned()).or_default() += 1;
        }
    }
    paths.retain(|_, count| *count > 1);
    paths
}

/// FAT and exFAT ignore upper and lower case; of the letters beyond ASCII only the volume's own table knows, so they count as they
/// are.
fn folded(kind: FsKind, name: &str) -> Cow<'_, str> {
    if kind == FsKind::Ntfs { name.into() } else { name.to_ascii_uppercase().into() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::Extent;
    use crate::filesystem::{AllocationMap, CatalogBuilder, ClusterGeometry, NodeKind, NodeSpec, VolumeState};

    /// A volume with a folder; files in the root and in the folder, and deleted ones in the root.
    fn volume(kind: FsKind, in_root: &[&str], in_folder: &[&str], deleted: &[&str]) -> VolumeMap {
        let mut build = CatalogBuilder::default();
        let mut add = |kind, deleted| build.add_node(NodeSpec { number: 0, kind, purpose: Purpose::Client, deleted });
        let (root, folder) = (add(NodeKind::Folder, false), add(NodeKind::Folder, false));
        let mut files = Vec::new();
        for (parent, names, deleted) in [(root, in_root, false), (folder, in_folder, false), (root, deleted, true)] {
            files.extend(names.iter().map(|name| (add(NodeKind::File, deleted), parent, *name)));
        }
        build.add_link(folder, Parent::Folder(root), "Surveys");
        files.into_iter().for_each(|(node, parent, name)| build.add_link(node, Parent::Folder(parent), name));
        VolumeMap {
            encryption: None,
            kind,
            extent: Extent::between(0, 1 << 20),
            sector_bytes: 512,
            geometry: ClusterGeometry { heap_start: 0, cluster_bytes: 4096, first_number: 0, cluster_count: 256 },
            record_bytes: None,
            record_places: None,
            records: None,
            label: None,
            serial: String::new(),
            state: VolumeState { dirty: Some(false), errors_noted: None },
            fixed: Vec::new(),
            allocation: AllocationMap::default(),
            catalog: build.finish(root),
            catalog_incomplete: false,
            facts: Vec::new(),
            findings: crate::base::finding::Findings::new(),
        }
    }

    fn codes(volume: &VolumeMap) -> Vec<&'static str> {
        check(volume).findings.iter().map(|finding| finding.code.id).collect()
    }

    #[test]
    fn a_name_that_stands_twice_in_one_folder() {
        let twice = [found::NAME_TWICE.id];
        for kind in [FsKind::Ntfs, FsKind::ExFat, FsKind::Fat16] {
            assert_eq!(codes(&volume(kind, &["a.txt", "b.txt", "a.txt"], &[], &[])), twice);
            let elsewhere = volume(kind, &["a.txt", "b.txt"], &["a.txt"], &["a.txt", "a.txt"]);
            assert_eq!(codes(&elsewhere), [""; 0], "in another folder, or deleted");
        }
        // NTFS keeps names apart by case where a program asks for it.
        let by_case = |kind| volume(kind, &["a.txt", "A.TXT"], &[], &[]);
        assert_eq!(codes(&by_case(FsKind::Ntfs)), [""; 0]);
        assert_eq!(codes(&by_case(FsKind::ExFat)), twice);
        let three = check(&volume(FsKind::ExFat, &["x", "X", "x"], &[], &[])).findings;
        assert_eq!(three[0].sentence, "\"/X\" stands 3 times in its folder.");
    }

    #[test]
    fn characters_that_a_name_cannot_hold() {
        for bad in ["a\u{1}", "\u{FFFD}", "a\u{7F}"] {
            assert_eq!(codes(&volume(FsKind::Ntfs, &[bad], &[], &[])), [found::NAMES_GARBLED.id]);
        }
        for bad in ["what?", "a*b", "a|b", "<a>", "a:b", "a\\b", "\"a\""] {
            assert_eq!(codes(&volume(FsKind::ExFat, &[bad], &[], &[])), [found::NAMES_GARBLED.id], "{bad}");
            assert_eq!(codes(&volume(FsKind::Fat32, &[bad], &[], &[])), [found::NAMES_GARBLED.id], "{bad}");
            assert_eq!(codes(&volume(FsKind::Ntfs, &[bad], &[], &[])), [""; 0], "NTFS itself allows {bad}");
        }
        // One in two hundred is what some program wrote.
        let numbers: Vec<String> = (0..200).map(|n| format!("plot {n}")).collect();
        let mut many: Vec<&str> = numbers.iter().map(String::as_str).collect();
        many.push("line\nbreak");
        assert_eq!(codes(&volume(FsKind::Ntfs, &many, &[], &[])), [found::NAMES_ODD.id]);
    }
}
