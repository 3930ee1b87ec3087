//! What the kernel tells of a drive: names, numbers and how it is attached, from sysfs.
//!
//! Sources (all from memory): Linux Documentation/ABI/stable/sysfs-block and testing/sysfs-block-device, drivers/scsi/scsi_sysfs.c
//! (`model`, `rev`, `wwid`, `vpd_pg80`, `vpd_pg83`, `vpd_pg89`), drivers/nvme/host/core.c (`serial`, `model`, `firmware_rev`, `wwid`),
//! Documentation/ABI/testing/sysfs-bus-usb (`idVendor`, `serial`), drivers/mmc/core/mmc.c (`name`, `serial`, `fwrev`).

use crate::base::fields::be16;
use serde::{Deserialize, Serialize};
use std::fs;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

/// Who told a serial number.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SerialFrom {
    /// The drive.
    Drive,
    /// The USB device that it is in or behind: many adapters pass the drive's number on, others have their own.
    UsbDevice,
}

/// What the kernel tells of a drive beside its model and serial number, as far as it does.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DriveDetails {
    /// Who told the serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serial_from: Option<SerialFrom>,
    /// World wide name, with its kind before it (`naa.`, `eui.`, `uuid.`).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wwn: Option<String>,
    /// Revision of the drive's firmware.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub firmware: Option<String>,
    /// How it is attached: `usb`, `ata`, `nvme`, `scsi`, `mmc`, `virtio`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bus: Option<String>,
}

impl DriveDetails {
    /// Whether the kernel told none of it.
    pub fn is_empty(&self) -> bool {
        *self == DriveDetails::default()
    }

    /// Whether its names are those of an adapter, and say nothing against another name of the same drive.
    pub fn names_an_adapter(&self) -> bool {
        self.bus.as_deref() == Some("usb")
    }
}

/// Model, serial number and the rest.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Told {
    pub model: Option<String>,
    pub serial: Option<String>,
    pub details: DriveDetails,
}

/// The folder of a block device below `sysfs` (which is `/sys`); of a partition, its whole drive's.
pub(super) fn drive_folder(sysfs: &Path, major: u32, minor: u32) -> Option<PathBuf> {
    let folder = fs::canonicalize(sysfs.join(format!("dev/block/{major}:{minor}"))).ok()?;
    if folder.join("partition").exists() { folder.parent().map(Path::to_path_buf) } else { Some(folder) }
}

/// The folder in sysfs of the whole drive that the block device at `device` is or belongs to, and that of the partition.
pub(super) fn device_folder(device: &Path, sysfs: &Path) -> Option<(PathBuf, Option<PathBuf>)> {
    let about = fs::metadata(device).ok().filter(|about| about.file_type().is_block_device())?;
    let (major, minor) = (rustix::fs::major(about.rdev()), rustix::fs::minor(about.rdev()));
    let drive = drive_folder(sysfs, major, minor)?;
    let own = fs::canonicalize(sysfs.join(format!("dev/block/{major}:{minor}"))).ok()?;
    let partition = (own != drive).then_some(own);
    Some((drive, partition))
}

/// The first attribute there is of some, without blanks around it.
pub(super) fn attribute(folder: &Path, names: &[&str]) -> Option<String> {
    names.iter().find_map(|name| text(&fs::read(folder.join(name)).ok()?))
}

fn text(bytes: &[u8]) -> Option<String> {
    let text = String::from_utf8_lossy(bytes);
    let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
    (!text.is_empty()).then(|| text.to_owned())
}

/// What is told in a drive's folder.
pub(super) fn told(folder: &Path) -> Told {
    let usb = folder.ancestors().find(|ancestor| ancestor.join("idVendor").exists());
    let identify = ata_identify(folder);
    let of_ata = |words: std::ops::Range<usize>| ata_text(identify.as_deref()?.get(words.start * 2..words.end * 2)?);
    let own_serial =
        attribute(folder, &["device/serial", "serial"]).or_else(|| of_ata(10..20)).or_else(|| unit_serial(folder));
    let usb_serial = || usb.and_then(|device| attribute(device, &["serial"]));
    let (serial, serial_from) = match own_serial {
        Some(serial) => (Some(serial), Some(SerialFrom::Drive)),
        None => match usb_serial() {
            Some(serial) => (Some(serial), Some(SerialFrom::UsbDevice)),
            None => (None, None),
        },
    };
    Told {
        // SCSI's own field has 16 characters, of which a longer model fills all.
        model: of_ata(27..47).or_else(|| attribute(folder, &["device/model", "device/name"])),
        serial,
        details: DriveDetails {
            serial_from,
            wwn: attribute(folder, &["wwid", "device/wwid"]).filter(|id| is_wwn(id)).or_else(|| designator(folder)),
            firmware: of_ata(23..27)
                .or_else(|| attribute(folder, &["device/firmware_rev", "device/fwrev", "device/rev"])),
            bus: bus(folder, usb.is_some()),
        },
    }
}

/// Others (`t10.`, `nvme.`) are put together from vendor, model and serial number.
fn is_wwn(id: &str) -> bool {
    ["naa.", "eui.", "uuid."].iter().any(|kind| id.starts_with(kind))
}

fn bus(folder: &Path, in_usb: bool) -> Option<String> {
    let is_ata =
        |name: &str| name.strip_prefix("ata").is_some_and(|n| !n.is_empty() && n.bytes().all(|b| b.is_ascii_digit()));
    let within_ata = folder.components().any(|part| part.as_os_str().to_str().is_some_and(is_ata));
    let subsystem = fs::canonicalize(folder.join("device/subsystem")).ok();
    let subsystem = subsystem.as_deref().and_then(Path::file_name).and_then(|name| name.to_str());
    match (in_usb, within_ata, subsystem) {
        (true, _, _) => Some("usb".to_owned()),
        (_, true, _) => Some("ata".to_owned()),
        // A drive with several paths hangs on a subsystem of its own.
        (_, _, Some("nvme-subsystem")) => Some("nvme".to_owned()),
        (_, _, other) => other.map(str::to_owned),
    }
}

/// SCSI's unit serial number page (80h): four bytes of header, the last two of them the length, then ASCII (SPC-4, 7.8.15).
fn unit_serial(folder: &Path) -> Option<String> {
    let page = fs::read(folder.join("device/vpd_pg80")).ok()?;
    let length = usize::from(be16(&page, 2)?);
    text(page.get(4..)?.get(..length).unwrap_or(&page[4..]))
}

/// The drive's own name in SCSI's device identification page (83h): descriptors of code set, association and type, length, and
/// name; type 3 is NAA, type 2 EUI-64, association 0 the drive itself (SPC-4, 7.8.6).
fn designator(folder: &Path) -> Option<String> {
    let page = fs::read(folder.join("device/vpd_pg83")).ok()?;
    let mut rest = page.get(4..)?;
    let mut found: Option<(u8, String)> = None;
    while let [_, kind, _, length, ..] = *rest {
        let name = rest.get(4..4 + usize::from(length))?;
        let prefix = match kind & 0x3F {
            3 => Some("naa"),
            2 => Some("eui"),
            _ => None,
        };
        // The kernel too takes NAA before EUI-64.
        if let Some(prefix) =
            prefix.filter(|_| !name.is_empty() && found.as_ref().is_none_or(|(before, _)| *before < kind & 0xF))
        {
            found = Some((kind & 0xF, format!("{prefix}.{}", hex::encode(name))));
        }
        rest = &rest[4 + usize::from(length)..];
    }
    found.map(|(_, name)| name)
}

/// What IDENTIFY DEVICE gave, from SCSI's page for ATA (89h), where it begins at byte 60 (SAT-3, 12.4.2).
fn ata_identify(folder: &Path) -> Option<Vec<u8>> {
    let page = fs::read(folder.join("device/vpd_pg89")).ok()?;
    page.get(60..60 + 512).map(<[u8]>::to_vec)
}

/// Text in words of IDENTIFY DEVICE: the first character is in each word's upper half (ACS-3, 3.3.10). Nothing but ASCII.
fn ata_text(words: &[u8]) -> Option<String> {
    let swapped: Vec<u8> = words.chunks_exact(2).flat_map(|word| [word[1], word[0]]).collect();
    if swapped.iter().all(|byte| matches!(byte, 0x20..=0x7E | 0)) { text(&swapped) } else { None }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    /// A tree like sysfs with one drive in it.
    struct Tree {
        root: tempfile::TempDir,
        folder: PathBuf,
    }

    impl Tree {
        /// `path` is the drive's folder below `devices`, `device` the one that its link `device` leads to.
        fn new(path: &str, device: &str, subsystem: &str) -> Tree {
            let root = tempfile::tempdir().unwrap();
            let folder = root.path().join("devices").join(path);
            let device = root.path().join("devices").join(device);
            fs::create_dir_all(&folder).unwrap();
            fs::create_dir_all(&device).unwrap();
            fs::create_dir_all(root.path().join("dev/block")).unwrap();
            fs::create_dir_all(root.path().join("bus").join(subsystem)).unwrap();
            symlink(&folder, root.path().join("dev/block/8:16")).unwrap();
            symlink(&device, folder.join("device")).unwrap();
            symlink(root.path().join("bus").join(subsystem), device.join("subsystem")).unwrap();
            Tree { root, folder }
        }

        fn with(self, name: &str, content: impl AsRef<[u8]>) -> Tree {
            fs::write(self.folder.join(name), content).unwrap();
            self
        }

        fn told(&self) -> Told {
            told(&drive_folder(self.root.path(), 8, 16).unwrap())
        }
    }

    fn some(text: &str) -> Option<String> {
        Some(text.to_owned())
    }

    /// As a virtual machine's USB storage shows it: no serial number at the disk, one at the device that has `idVendor`.
    #[test]
    fn behind_usb_the_serial_number_is_the_usb_devices() {
        let host = "pci0000:00/0000:00:03.0/usb2/2-1/2-1:1.0/host6/target6:0:0/6:0:0:0";
        let tree = Tree::new(&format!("{host}/block/sdb"), host, "scsi")
            .with("device/model", "USB HARDDISK    \n")
            .with("device/rev", "2.5+\n");
        let usb = tree.root.path().join("devices/pci0000:00/0000:00:03.0/usb2");
        for (folder, serial) in [(usb.clone(), "0000:00:03.0\n"), (usb.join("2-1"), "FERN-USB-1\n")] {
            fs::write(folder.join("idVendor"), "46f4\n").unwrap();
            fs::write(folder.join("serial"), serial).unwrap();
        }
        let told = tree.told();
        // The nearest such device: above it are hubs, which have numbers of their own.
        assert_eq!((told.serial, told.model), (some("FERN-USB-1"), some("USB HARDDISK")));
        assert_eq!(told.details.serial_from, Some(SerialFrom::UsbDevice));
        assert_eq!((told.details.bus, told.details.firmware), (some("usb"), some("2.5+")));
        // Of a partition, its drive's.
        let partition = tree.folder.join("sdb1");
        fs::create_dir(&partition).unwrap();
        fs::write(partition.join("partition"), "1\n").unwrap();
        symlink(&partition, tree.root.path().join("dev/block/8:17")).unwrap();
        assert_eq!(drive_folder(tree.root.path(), 8, 17), Some(tree.folder.canonicalize().unwrap()));
        // An adapter that passes SCSI's page on.
        let told = tree.with("device/vpd_pg80", b"\0\x80\0\x04FERN behind").told();
        assert_eq!((told.serial, told.details.serial_from), (some("FERN"), Some(SerialFrom::Drive)));
    }

    #[test]
    fn ata_tells_its_full_names_in_a_page_of_its_own() {
        let host = "pci0000:00/0000:00:1f.2/ata1/host0/target0:0:0/0:0:0:0";
        let tree = Tree::new(&format!("{host}/block/sda"), host, "scsi")
            .with("device/vendor", "ATA     \n")
            .with("device/model", "FERNHOLLOW DESKT\n")
            .with("device/rev", "0001\n")
            .with("device/wwid", "naa.5000c500a1b2c3d4\n")
            .with("device/vpd_pg80", b"\0\x80\0\x14        FERN-0815-01");
        let told = tree.told();
        assert_eq!((told.model, told.serial), (some("FERNHOLLOW DESKT"), some("FERN-0815-01")));
        assert_eq!(told.details.bus, some("ata"));
        assert_eq!((told.details.wwn, told.details.firmware), (some("naa.5000c500a1b2c3d4"), some("0001")));
        // ACS-3, 7.12.7: words 10 to 19, 23 to 26, 27 to 46 (from memory).
        let mut page = vec![0u8; 572];
        let mut put = |word: usize, text: &str, length: usize| {
            let text = format!("{text:length$}");
            for (at, pair) in text.as_bytes().chunks_exact(2).enumerate() {
                page[60 + (word + at) * 2..][..2].copy_from_slice(&[pair[1], pair[0]]);
            }
        };
        put(10, "FERN-0815-01", 20);
        put(23, "FH010001", 8);
        put(27, "FERNHOLLOW DESKTOP 4000", 40);
        let told = tree.with("device/vpd_pg89", &page).told();
        assert_eq!((told.model, told.serial), (some("FERNHOLLOW DESKTOP 4000"), some("FERN-0815-01")));
        assert_eq!(told.details.firmware, some("FH010001"));
    }

    #[test]
    fn nvme_tells_at_the_controller() {
        let controller = "pci0000:00/0000:00:04.0/nvme/nvme0";
        let tree = Tree::new(&format!("{controller}/nvme0n1"), controller, "nvme")
            .with("device/model", "Fernhollow NVMe 1                       \n")
            .with("device/serial", "FERN-NVME-1         \n")
            .with("device/firmware_rev", "1.0     \n")
            .with("wwid", "eui.0025385b71b00001\n");
        let told = tree.told();
        assert_eq!((told.model, told.serial), (some("Fernhollow NVMe 1"), some("FERN-NVME-1")));
        assert_eq!(told.details.serial_from, Some(SerialFrom::Drive));
        assert_eq!((told.details.wwn, told.details.firmware), (some("eui.0025385b71b00001"), some("1.0")));
        assert_eq!(told.details.bus, some("nvme"));
        // Put together from other names, it is no world wide name.
        let told = tree.with("wwid", "nvme.1b36-4645524e-51454d55-00000001\n").told();
        assert_eq!(told.details.wwn, None);
    }

    #[test]
    fn scsi_and_mmc_and_nothing() {
        let host = "pci0000:00/0000:00:05.0/host2/target2:0:0/2:0:0:0";
        // An EUI-64, a target port's NAA name (association 1), the drive's own.
        let mut page = vec![0, 0x83, 0, 36];
        page.extend([1, 2, 0, 8, 0, 1, 2, 3, 4, 5, 6, 7]);
        page.extend([1, 0x13, 0, 8, 0x50, 0, 0, 0, 0, 0, 0, 1]);
        page.extend([1, 3, 0, 8, 0x50, 0, 0xC5, 0, 0, 0, 0, 2]);
        let tree = Tree::new(&format!("{host}/block/sdc"), host, "scsi").with("device/vpd_pg83", &page);
        let told = tree.told();
        assert_eq!((told.details.wwn, told.details.bus), (some("naa.5000c50000000002"), some("scsi")));
        assert_eq!((told.serial, told.details.serial_from), (None, None));
        // Cut off in every place, it is no name and no panic.
        for end in 0..page.len() {
            let _ = Tree::new(&format!("{host}/block/sdc"), host, "scsi").with("device/vpd_pg83", &page[..end]).told();
        }
        let card = "platform/mmc_host/mmc0/mmc0:aaaa";
        let tree = Tree::new(&format!("{card}/block/mmcblk0"), card, "mmc")
            .with("device/name", "FERN8\n")
            .with("device/serial", "0x12345678\n")
            .with("device/fwrev", "0x0\n");
        let told = tree.told();
        assert_eq!((told.model, told.serial, told.details.bus), (some("FERN8"), some("0x12345678"), some("mmc")));
        // A loop device has no `device` at all.
        let root = tempfile::tempdir().unwrap();
        assert_eq!(super::told(root.path()), Told::default());
        assert_eq!(drive_folder(root.path(), 7, 0), None);
    }
}
