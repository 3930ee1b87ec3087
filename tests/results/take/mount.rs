//! The independent driver, and a disk that is soon full.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::Duration;
use tempfile::TempDir;

/// An NTFS image mounted read-only by the FUSE driver; a named stream is `name:stream`.
pub struct ReferenceMount {
    scratch: TempDir,
    driver: Child,
}

impl ReferenceMount {
    pub fn new(image: &[u8]) -> ReferenceMount {
        let scratch = tempfile::tempdir().unwrap();
        let (path, folder) = (scratch.path().join("image"), scratch.path().join("mount"));
        fs::write(&path, image).unwrap();
        fs::create_dir(&folder).unwrap();
        let options = "no_detach,ro,streams_interface=windows,show_sys_files";
        let driver = Command::new("ntfs-3g")
            .args(["-o", options])
            .args([&path, &folder])
            .env("LC_ALL", "C.UTF-8")
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("ntfs-3g must be installed");
        let mount = ReferenceMount { scratch, driver };
        for _ in 0..400 {
            if mount.folder().join("$MFT").exists() {
                return mount;
            }
            sleep(Duration::from_millis(25));
        }
        panic!("ntfs-3g did not mount the image");
    }

    fn folder(&self) -> PathBuf {
        self.scratch.path().join("mount")
    }

    pub fn path(&self, path: &str, stream: Option<&str>) -> PathBuf {
        let stream = stream.map_or(String::new(), |name| format!(":{name}"));
        PathBuf::from(format!("{}{path}{stream}", self.folder().display()))
    }

    /// All paths, folders before what is in them.
    pub fn walk(&self) -> Vec<String> {
        let mut all = Vec::new();
        let mut folders = vec![String::new()];
        while let Some(folder) = folders.pop() {
            for entry in fs::read_dir(self.path(&folder, None)).unwrap() {
                let entry = entry.unwrap();
                let path = format!("{folder}/{}", entry.file_name().to_str().unwrap());
                if entry.file_type().unwrap().is_dir() {
                    folders.push(path.clone());
                }
                all.push(path);
            }
        }
        all
    }
}

impl Drop for ReferenceMount {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.folder()).status();
        let _ = self.driver.wait();
    }
}

/// A file system of few bytes.
pub struct SmallDisk(PathBuf);

impl SmallDisk {
    pub fn new(below: &Path, bytes: u64) -> SmallDisk {
        let folder = below.join("small");
        fs::create_dir(&folder).unwrap();
        tool("mount", &["-t", "tmpfs", "-o", &format!("size={bytes}"), "tmpfs", folder.to_str().unwrap()]);
        SmallDisk(folder)
    }

    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(&self.0).status();
    }
}

pub fn tool(program: &str, words: &[&str]) {
    let done = Command::new(program)
        .args(words)
        .envs([("LC_ALL", "C.UTF-8"), ("TZ", "UTC"), ("MTOOLS_SKIP_CHECK", "1")])
        .output()
        .unwrap_or_else(|e| panic!("{program}: {e}"));
    assert!(done.status.success(), "{program} {words:?}: {}", String::from_utf8_lossy(&done.stderr));
}
