//! Finding the facts out, from /proc and /sys. Nothing here decides anything.

use super::HostError;
use super::facts::{Block, Device, Facts, Mount, Node, Swap, Under};
use super::table::{MountLine, mount_line, swap_names, under};
use rustix::fs::{AtFlags, CWD, StatxFlags};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// What a path leads to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Found {
    /// The device, the file, or the file system of a folder.
    pub node: Node,
    /// The file system that it lies on.
    pub file_system: Device,
}

impl Found {
    /// What stands on it stands on these.
    fn nodes(self) -> Vec<Node> {
        match self.node {
            Node::Device(_) => vec![self.node],
            Node::File { .. } => vec![self.node, Node::FileSystem(self.file_system)],
            Node::FileSystem(_) => vec![Node::FileSystem(self.file_system)],
        }
    }
}

/// Looks at a path. Its file system is found by the number of its mount: a file system may show other device numbers in its
/// files than in the mount table, as Btrfs does.
pub(super) fn look(path: &Path, facts: &Facts) -> io::Result<Found> {
    look_with(path, &|mount| facts.file_system_of(mount))
}

fn look_with(path: &Path, file_system_of: &dyn Fn(u64) -> Option<Device>) -> io::Result<Found> {
    let wanted = StatxFlags::BASIC_STATS | StatxFlags::MNT_ID;
    // No request goes to another machine or a driver that hangs: what it is, and where, the kernel knows itself.
    let about = rustix::fs::statx(CWD, path, AtFlags::STATX_DONT_SYNC, wanted)?;
    let shown = (about.stx_dev_major, about.stx_dev_minor);
    let has_mount = about.stx_mask & StatxFlags::MNT_ID.bits() != 0;
    let file_system = has_mount.then(|| file_system_of(about.stx_mnt_id)).flatten().unwrap_or(shown);
    let kind = rustix::fs::FileType::from_raw_mode(about.stx_mode.into());
    let node = if kind.is_block_device() {
        Node::Device((about.stx_rdev_major, about.stx_rdev_minor))
    } else if kind.is_dir() {
        Node::FileSystem(file_system)
    } else {
        Node::File { device: shown, inode: about.stx_ino }
    };
    Ok(Found { node, file_system })
}

/// Finds all out.
pub(super) fn gather() -> Result<Facts, HostError> {
    let lines = mount_lines()?;
    let systems: BTreeMap<u64, Device> = lines.iter().map(|(line, _)| (line.id, line.device)).collect();
    let resolve = |path: &Path| look_with(path, &|mount| systems.get(&mount).copied()).ok().map(Found::nodes);
    let btrfs = btrfs_devices();
    let others = |device: Device| btrfs.iter().find(|set| set.contains(&device)).cloned().unwrap_or_default();
    let mount = |(line, root): &(MountLine, PathBuf)| {
        // By the root of a process in the same mount namespace, a path means what it means there.
        let within = |path: &Path| resolve(&root.join(path.strip_prefix("/").unwrap_or(path)));
        Mount {
            id: line.id,
            file_system: line.device,
            at: match root.to_str() {
                Some("/") => line.at.display().to_string(),
                _ => format!("{} as process {} sees it", line.at.display(), process_of(root)),
            },
            on: under(line, &within, &others),
        }
    };
    let swaps = fs::read_to_string("/proc/swaps").unwrap_or_default();
    let swap = |name: PathBuf| Swap {
        on: resolve(&name).map_or_else(|| Under::Unknown("its name leads nowhere".to_owned()), Under::Nodes),
        name: name.display().to_string(),
    };
    Ok(Facts {
        blocks: blocks(&resolve)?,
        mounts: lines.iter().map(mount).collect(),
        swaps: swap_names(&swaps).into_iter().map(swap).collect(),
    })
}

/// The mount tables: this process's own, and one of each other mount namespace that can be seen. With each line, the root folder
/// as the namespace sees it.
fn mount_lines() -> Result<Vec<(MountLine, PathBuf)>, HostError> {
    let own = PathBuf::from("/proc/self/mountinfo");
    // Names in it need not be UTF-8.
    let text = |path: &Path| fs::read(path).map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    let table = text(&own).map_err(|error| HostError::NotKnown { path: own, error })?;
    let mut lines: Vec<(MountLine, PathBuf)> =
        table.lines().filter_map(mount_line).map(|line| (line, PathBuf::from("/"))).collect();
    let mut seen: BTreeSet<PathBuf> = fs::read_link("/proc/self/ns/mnt").into_iter().collect();
    for process in processes() {
        let Ok(namespace) = fs::read_link(process.join("ns/mnt")) else { continue };
        if seen.contains(&namespace) {
            continue;
        }
        if let Ok(table) = text(&process.join("mountinfo")) {
            seen.insert(namespace);
            lines.extend(table.lines().filter_map(mount_line).map(|line| (line, process.join("root"))));
        }
    }
    Ok(lines)
}

/// The number in `/proc/NUMBER/root`.
fn process_of(root: &Path) -> String {
    root.parent().and_then(Path::file_name).unwrap_or_default().to_string_lossy().into_owned()
}

fn processes() -> impl Iterator<Item = PathBuf> {
    let is_number = |entry: &fs::DirEntry| entry.file_name().to_str().is_some_and(|name| name.parse::<u32>().is_ok());
    fs::read_dir("/proc").into_iter().flatten().flatten().filter(is_number).map(|entry| entry.path())
}

fn number(text: &str) -> Option<Device> {
    let (major, minor) = text.trim().split_once(':')?;
    Some((major.parse().ok()?, minor.parse().ok()?))
}

fn number_in(folder: &Path) -> Option<Device> {
    number(&fs::read_to_string(folder.join("dev")).ok()?)
}

/// All block devices, by sysfs (Linux Documentation/ABI/stable/sysfs-block and testing/sysfs-block; from memory).
fn blocks(resolve: &dyn Fn(&Path) -> Option<Vec<Node>>) -> Result<BTreeMap<Device, Block>, HostError> {
    let all = PathBuf::from("/sys/class/block");
    let entries = fs::read_dir(&all).map_err(|error| HostError::NotKnown { path: all, error })?;
    let block = |entry: fs::DirEntry| {
        let folder = fs::canonicalize(entry.path()).ok()?;
        let parts = fs::read_dir(folder.join("slaves")).into_iter().flatten().flatten();
        let parts: Vec<Device> = parts.filter_map(|entry| number_in(&entry.path())).collect();
        // Partitions that a program has mapped by device-mapper have a name that begins so (from memory: util-linux, kpartx).
        let mapped = fs::read_to_string(folder.join("dm/uuid")).is_ok_and(|uuid| uuid.starts_with("part"));
        let partition_of = match folder.join("partition").exists() {
            true => folder.parent().and_then(number_in),
            false => parts.first().copied().filter(|_| mapped),
        };
        let backing = fs::read_to_string(folder.join("loop/backing_file")).ok();
        let name = entry.file_name().to_string_lossy().into_owned();
        let backing = backing.map(|path| match resolve(Path::new(path.trim_end_matches('\n'))) {
            Some(nodes) => Under::Nodes(nodes),
            None => Under::Unknown(format!("the file of {name} cannot be found from here")),
        });
        Some((number_in(&folder)?, Block { name, partition_of, parts, backing }))
    };
    Ok(entries.flatten().filter_map(block).collect())
}

/// The devices of each Btrfs file system (Linux fs/btrfs/sysfs.c; from memory).
fn btrfs_devices() -> Vec<Vec<Device>> {
    let all = fs::read_dir("/sys/fs/btrfs").into_iter().flatten().flatten();
    let devices = |entry: fs::DirEntry| {
        let devices = fs::read_dir(entry.path().join("devices")).into_iter().flatten().flatten();
        devices.filter_map(|device| number_in(&device.path())).collect()
    };
    all.map(devices).collect()
}

/// Another process that may write to the drive, as far as processes can be looked at: one that has it open for writing, or a driver
/// in user space that has it open at all. `is_of` says which things are the drive.
pub(super) fn process_at_work(is_of: impl Fn(Node) -> bool) -> Option<String> {
    let own = std::process::id().to_string();
    let others = processes().filter(|process| process.file_name().is_some_and(|name| *name != *own));
    for process in others {
        let files = fs::read_dir(process.join("fd")).into_iter().flatten().flatten();
        let open: Vec<(PathBuf, Open)> = files.filter_map(|file| Some((file.path(), opened(&file.path())?))).collect();
        let is_driver = open.iter().any(|(_, what)| *what == Open::Fuse);
        let of_drive = open.iter().filter(|(_, what)| matches!(what, Open::Node(node) if is_of(*node)));
        let how = match of_drive.map(|(file, _)| is_writing(&process, file)).max() {
            Some(true) => "has it open for writing",
            Some(false) if is_driver => "is a file system driver and has it open",
            _ => continue,
        };
        let name = fs::read_to_string(process.join("comm")).unwrap_or_default();
        return Some(format!("the process {} ({}) {how}", name.trim(), process_of(&process.join("fd"))));
    }
    None
}

/// What a process has open.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Open {
    Node(Node),
    /// The device by which drivers in user space serve the kernel.
    Fuse,
}

/// Its number (Linux Documentation/admin-guide/devices.txt; from memory).
const FUSE: Device = (10, 229);

fn opened(file: &Path) -> Option<Open> {
    let about = rustix::fs::statx(CWD, file, AtFlags::STATX_DONT_SYNC, StatxFlags::TYPE | StatxFlags::INO).ok()?;
    let device = (about.stx_rdev_major, about.stx_rdev_minor);
    let kind = rustix::fs::FileType::from_raw_mode(about.stx_mode.into());
    match () {
        () if kind.is_block_device() => Some(Open::Node(Node::Device(device))),
        () if kind.is_char_device() => (device == FUSE).then_some(Open::Fuse),
        () => {
            let inode = about.stx_ino;
            Some(Open::Node(Node::File { device: (about.stx_dev_major, about.stx_dev_minor), inode }))
        }
    }
}

/// `flags` in octal; the lowest two bits are 0 for reading only (proc_pid_fdinfo(5), open(2)).
fn is_writing(process: &Path, file: &Path) -> bool {
    let about = process.join("fdinfo").join(file.file_name().unwrap_or_default());
    let about = fs::read_to_string(about).unwrap_or_default();
    let flags = about.lines().find_map(|line| line.strip_prefix("flags:"));
    flags.and_then(|flags| u32::from_str_radix(flags.trim(), 8).ok()).is_some_and(|flags| flags & 3 != 0)
}
