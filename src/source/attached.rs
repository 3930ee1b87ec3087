//! The drives that are attached to this machine.

use super::drive_details::{DriveDetails, Told, attribute, told};
use serde::Serialize;
use std::fs;
use std::path::{Path, PathBuf};

/// A whole block device, as sysfs tells of it. Nothing is opened for this.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct AttachedDrive {
    /// Its path, such as `/dev/sdb`.
    #[serde(serialize_with = "crate::base::text::serialize_path")]
    pub path: PathBuf,
    /// Its number, major and minor.
    #[serde(skip)]
    pub device: Option<(u32, u32)>,
    /// Size in bytes.
    pub bytes: u64,
    /// The unit it is addressed in, in bytes.
    pub logical_sector: Option<u64>,
    /// Whether the kernel refuses to write to it.
    pub read_only: Option<bool>,
    /// Model, where the kernel tells.
    pub model: Option<String>,
    /// Serial number, where the kernel tells.
    pub serial: Option<String>,
    /// What else it tells.
    #[serde(flatten)]
    pub details: DriveDetails,
    /// Of a loop device: the file that holds its bytes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub backing_file: Option<String>,
    /// Number that no other attachment since the machine was started has, where the kernel tells (Linux
    /// Documentation/ABI/testing/sysfs-block, `diskseq`, from memory).
    #[serde(skip)]
    pub sequence: Option<u64>,
}

/// The drives below `sysfs` (which is `/sys`), by name. One of size 0 has nothing in it and is left out, and so is a single path to a
/// drive with several (`hidden`).
pub fn attached_drives(sysfs: &Path) -> Vec<AttachedDrive> {
    let entries = fs::read_dir(sysfs.join("block")).into_iter().flatten().flatten();
    let mut drives: Vec<AttachedDrive> = entries.filter_map(|entry| drive(&entry.path())).collect();
    drives.sort_by(|one, other| one.path.cmp(&other.path));
    drives
}

fn drive(folder: &Path) -> Option<AttachedDrive> {
    // In units of 512 bytes whatever the drive's sectors are.
    let bytes = attribute(folder, &["size"])?.parse::<u64>().ok()?.checked_mul(512)?;
    if bytes == 0 || attribute(folder, &["hidden"]).is_some_and(|flag| flag != "0") {
        return None;
    }
    // A slash in a device's name is an exclamation mark in sysfs.
    let name = folder.file_name()?.to_string_lossy().replace('!', "/");
    let real = fs::canonicalize(folder).ok()?;
    let Told { model, serial, details } = told(&real);
    let numbers = attribute(&real, &["dev"]);
    Some(AttachedDrive {
        path: Path::new("/dev").join(name),
        device: numbers.and_then(|text| text.split_once(':').map(|(a, b)| Some((a.parse().ok()?, b.parse().ok()?)))?),
        bytes,
        logical_sector: attribute(&real, &["queue/logical_block_size"]).and_then(|text| text.parse().ok()),
        read_only: attribute(&real, &["ro"]).map(|flag| flag != "0"),
        model,
        serial,
        details,
        backing_file: attribute(&real, &["loop/backing_file"]),
        sequence: attribute(&real, &["diskseq"]).and_then(|text| text.parse().ok()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the layout of /sys/block (Linux Documentation/ABI/stable/sysfs-block, from memory).
    #[test]
    fn drives_are_listed_by_name_and_empty_ones_left_out() {
        let sysfs = tempfile::tempdir().unwrap();
        let put = |path: &str, text: &str| {
            let path = sysfs.path().join(path);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        put("block/sdb/size", "1953525168\n");
        put("block/sdb/diskseq", "17\n");
        put("block/sdb/device/model", "FERNHOLLOW 1000 \n");
        put("block/sda/size", "2048\n");
        put("block/loop0/size", "0\n");
        put("block/cciss!c0d0/size", "8\n");
        put("block/sdb/dev", "8:16\n");
        put("block/sdb/ro", "1\n");
        put("block/sdb/queue/logical_block_size", "4096\n");
        put("block/nvme0c0n1/size", "2048\n");
        put("block/nvme0c0n1/hidden", "1\n");
        let drives = attached_drives(sysfs.path());
        let paths: Vec<&str> = drives.iter().map(|drive| drive.path.to_str().unwrap()).collect();
        assert_eq!(paths, ["/dev/cciss/c0d0", "/dev/sda", "/dev/sdb"]);
        assert_eq!((drives[2].bytes, drives[2].sequence), (1_000_204_886_016, Some(17)));
        assert_eq!(drives[2].model.as_deref(), Some("FERNHOLLOW 1000"));
        let told = (drives[2].device, drives[2].read_only, drives[2].logical_sector);
        assert_eq!(told, (Some((8, 16)), Some(true), Some(4096)));
        assert_eq!((drives[1].device, drives[1].read_only), (None, None));
    }
}
