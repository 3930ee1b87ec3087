//! The files of a case: nothing is removed or replaced that the same run did not make, whoever only looks takes no lock, and
//! what was damaged or lost can be put right. Needs root (mounts).

mod foreign;
mod form;
mod looking;
mod mending;
mod plans;
mod replaced;
mod sums;

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// Every file below a folder with its inode, size and content.
fn files(folder: &Path) -> BTreeMap<PathBuf, (u64, u64, Vec<u8>)> {
    let mut found = BTreeMap::new();
    let mut folders = vec![folder.to_path_buf()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(next).expect("a folder") {
            let path = entry.expect("an entry").path();
            let about = path.symlink_metadata().expect("a file");
            if about.is_dir() {
                folders.push(path);
            } else {
                let content = fs::read(&path).unwrap_or_default();
                found.insert(path, (about.ino(), about.len(), content));
            }
        }
    }
    found
}

/// The drive of the demo in a new folder, with a place for its case.
struct Drive {
    folder: tempfile::TempDir,
    bytes: Vec<u8>,
}

impl Drive {
    fn new() -> Drive {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let drive = folder.path().join("drive.img");
        gleaner::demo::make_drive(&drive).expect("the demo's drive");
        let bytes = fs::read(&drive).expect("its bytes");
        Drive { folder, bytes }
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn path(&self) -> PathBuf {
        self.at("drive.img")
    }

    fn case(&self) -> PathBuf {
        self.at("case")
    }
}
