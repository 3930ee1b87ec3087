//! File systems mounted for a test.

#![allow(dead_code, reason = "each test program uses its own part of this")]

use crate::witness::run;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A mounted file system; unmounted when dropped, and its loop device, if any, detached.
pub struct Mounted {
    at: tempfile::TempDir,
    device: Option<PathBuf>,
}

impl Mounted {
    /// A new one in memory that holds `size`.
    pub fn tmpfs(size: &str) -> Mounted {
        let at = tempfile::tempdir().expect("a temporary folder");
        let size = format!("size={size}");
        run(Command::new("mount").args(["-t", "tmpfs", "-o", &size, "none"]).arg(at.path()));
        Mounted { at, device: None }
    }

    /// What is in an image file, through a loop device.
    pub fn image(image: &Path) -> Mounted {
        let at = tempfile::tempdir().expect("a temporary folder");
        let device = PathBuf::from(run(Command::new("losetup").args(["--find", "--show"]).arg(image)).trim());
        // From here on dropping takes down what there is.
        let mounted = Mounted { at, device: Some(device.clone()) };
        run(Command::new("mount").arg(device).arg(mounted.path()));
        mounted
    }

    /// What is on a device, so that nothing is written to it.
    pub fn read_only(device: &Path) -> Mounted {
        let at = tempfile::tempdir().expect("a temporary folder");
        run(Command::new("mount").args(["-o", "ro,noload"]).arg(device).arg(at.path()));
        Mounted { at, device: None }
    }

    /// What is on a device.
    pub fn device(device: &Path) -> Mounted {
        let at = tempfile::tempdir().expect("a temporary folder");
        run(Command::new("mount").arg(device).arg(at.path()));
        Mounted { at, device: None }
    }

    /// What a command mounts that ends with the place.
    pub fn with(command: &mut Command) -> Mounted {
        let at = tempfile::tempdir().expect("a temporary folder");
        run(command.arg(at.path()));
        Mounted { at, device: None }
    }

    /// Where.
    pub fn path(&self) -> &Path {
        self.at.path()
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let unmounted = Command::new("umount").arg(self.path()).output();
        if !unmounted.is_ok_and(|ended| ended.status.success()) {
            let _ = Command::new("umount").arg("--lazy").arg(self.path()).output();
        }
        if let Some(device) = &self.device {
            let _ = Command::new("losetup").arg("--detach").arg(device).status();
        }
    }
}
