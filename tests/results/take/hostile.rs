//! Names made to escape, to collide or to be devices, written into the file records of an image.

use crate::common::fixture;
use crate::held::Held;
use crate::take::{byte_at, take};
use gleaner::results::take::TakenState;
use std::collections::BTreeSet;
use std::fs;

/// Replaces a name by another of the same length wherever it stands in the image.
fn rename(image: &mut [u8], from: &str, to: &str) {
    let units = |text: &str| text.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>();
    let (from, to) = (units(from), units(to));
    assert_eq!(from.len(), to.len());
    let mut found = 0;
    let mut at = 0;
    while let Some(step) = image[at..].windows(from.len()).position(|window| window == from) {
        at += step;
        image[at..at + to.len()].copy_from_slice(&to);
        at += to.len();
        found += 1;
    }
    assert!(found > 0);
}

#[test]
fn names_cannot_leave_the_folder() {
    let mut image = fixture("ntfs-rich");
    rename(&mut image, "orchid 0001.jpg", "../../../a1.jpg");
    rename(&mut image, "orchid 0002.jpg", "..\\..\\..\\a2.jpg");
    rename(&mut image, "sedge 0001.jpg", "/etc/passwd\0\0\n");
    rename(&mut image, "transects", "../../../");
    rename(&mut image, "stripe 00.raw", "STRIPE 02.RAW");
    rename(&mut image, "stripe 04.raw", "Stripe 02.raw");
    rename(&mut image, "plot list.csv", "con.txt.csv  ");
    rename(&mut image, "Desktop", "..\0\0\0\0\0");
    let result = take(&Held::all(image), &["/"]);
    let parent = result.folder().parent().unwrap().to_path_buf();
    let beside: Vec<_> = fs::read_dir(&parent).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(beside, ["out"]);
    let root = result.folder().canonicalize().unwrap();
    let mut written = BTreeSet::new();
    for taken in &result.files {
        assert_eq!(taken.state, TakenState::Complete, "{taken:?}");
        let path = taken.written_to.as_ref().unwrap();
        assert!(result.folder().join(path).canonicalize().unwrap().starts_with(&root), "{}", path.display());
        assert!(written.insert(path.to_str().unwrap().to_lowercase()), "{} twice", path.display());
        for part in path {
            let part = part.to_str().unwrap();
            assert!(!part.contains(['\\', '\n', '\0', ':']) && !part.ends_with(['.', ' ']), "{part:?}");
        }
    }
    for expected in ["stripe 02.raw", "stripe 02 (2).raw", "stripe 02 (3).raw"] {
        let path = format!("photos/stripes/{expected}");
        assert!(written.contains(&path), "{path}");
    }
    assert!(
        written.iter().any(|path| path.ends_with("/con_.txt.csv _")),
        "a device's name with an end that Windows cuts off"
    );
    // The content is that of its own file: each block begins with the file's name at the time of writing.
    let third = result.files.iter().find(|f| f.path.ends_with("STRIPE 02.RAW")).unwrap();
    assert_eq!(byte_at(&result.folder().join(third.written_to.as_ref().unwrap()), 0), b'F');
    assert!(String::from_utf8_lossy(&result.content(third)).contains("stripe 00.raw"));
}
