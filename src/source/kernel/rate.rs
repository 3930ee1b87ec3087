//! Whether a rate of reading can be the drive's own.

use super::facts::Attachment;
use super::sysfs::{KernelPlaces, attachment};
use crate::source::drive_details::attribute;
use crate::source::drive_details::device_folder;
use std::path::Path;

/// The fastest that a rotating drive's interface goes: SATA at 6 Gb/s with 8b/10b coding, 600 MB/s (SATA revision 3, from
/// memory). No such drive reads as fast from its disks; more is a cache's.
const MOST_ROTATING: f64 = 600e6;

/// Whether reads at `rate` bytes a second from the block device at `device` can have come from a drive. From nothing
/// else than a block device with hardware behind it; and not faster than that is attached: else a cache gave the bytes.
pub fn can_be_the_drives(rate: f64, device: &Path, places: &KernelPlaces) -> bool {
    device_folder(device, &places.sys).is_some_and(|(folder, _)| rate <= most_rate(&folder))
}

/// The most that a drive can give, in bytes a second; 0 where there is none.
fn most_rate(folder: &Path) -> f64 {
    // From memory: USB 3.2 Gen 2x2, 20 Gb/s with 128b/132b coding; SAS-4, 22.5 Gb/s with 128b/150b; PCI Express 5.0 with four
    // lanes, 32 GT/s each with 128b/130b.
    let most = match attachment(folder) {
        Attachment::Ata => 600e6,
        Attachment::Usb => 2.43e9,
        Attachment::Scsi => 2.4e9,
        Attachment::Nvme => 15.8e9,
        // Loop devices, files behind a virtual machine's disk, memory: nothing tells what gave the bytes.
        Attachment::Other => 0.0,
    };
    let rotates = attribute(folder, &["queue/rotational"]).is_some_and(|flag| flag == "1");
    if rotates { MOST_ROTATING.min(most) } else { most }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;
    use std::os::unix::fs::symlink;
    use std::path::PathBuf;

    fn drive(root: &Path, path: &str, bus: Option<&str>, rotates: bool) -> PathBuf {
        let folder = root.join("devices").join(path);
        fs::create_dir_all(folder.join("queue")).unwrap();
        fs::write(folder.join("queue/rotational"), if rotates { "1\n" } else { "0\n" }).unwrap();
        if let Some(bus) = bus {
            fs::create_dir_all(root.join(bus)).unwrap();
            fs::create_dir_all(folder.join("device")).unwrap();
            symlink(root.join(bus), folder.join("device/subsystem")).unwrap();
        }
        folder
    }

    // Source: the interfaces' rates, as beside the figures.
    #[test]
    fn a_rate_above_the_interfaces_is_a_caches() {
        let root = tempfile::tempdir().unwrap();
        let most = |path: &str, bus: Option<&str>, rotates| most_rate(&drive(root.path(), path, bus, rotates)) / 1e6;
        let near = |one: f64, other: f64| assert!((one - other).abs() < 1.0, "{one} {other}");
        near(most("pci0/ata1/host0/target0/0:0:0:0/block/sda", Some("bus/scsi"), false), 600.0);
        near(most("pci0/ata2/host1/target1/1:0:0:0/block/sdb", Some("bus/scsi"), true), 600.0);
        near(most("pci0/host2/target2/2:0:0:0/block/sdc", Some("bus/scsi"), true), 600.0);
        near(most("pci0/host3/target3/3:0:0:0/block/sdd", Some("bus/scsi"), false), 2400.0);
        near(most("virtual/block/loop0", None, false), 0.0);
    }

    #[test]
    fn a_file_shows_no_drives_rate() {
        let file = tempfile::NamedTempFile::new().unwrap();
        assert!(!can_be_the_drives(1.0, file.path(), &KernelPlaces::default()));
    }
}
