//! The kernel's tables of mounts and swaps as text, and what a file system of some type stands on.
//!
//! Sources: Linux Documentation/filesystems/proc.rst, 3.5 (mountinfo); overlayfs.rst (`upperdir`); fs/proc_namespace.c and lib/string_helpers.c
//! (`mangle`, seq_show_option: in options the comma too; blank, tab, line break and backslash as three octal digits); mm/swapfile.c. All from memory.

use super::facts::{Device, Node, Under};
use std::ffi::OsString;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

/// A line of a mount table.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct MountLine {
    pub id: u64,
    pub device: Device,
    pub at: PathBuf,
    pub kind: String,
    pub source: PathBuf,
    /// The options of the file system itself, still as they stand there.
    pub options: String,
}

/// Reads a line: number, parent, device, root, mount point, options, any number of optional fields, `-`, type, source, options.
pub(super) fn mount_line(line: &str) -> Option<MountLine> {
    let (front, back) = line.split_once(" - ")?;
    let front: Vec<&str> = front.split(' ').collect();
    let mut back = back.splitn(3, ' ');
    let (major, minor) = front.get(2)?.split_once(':')?;
    Some(MountLine {
        id: front.first()?.parse().ok()?,
        device: (major.parse().ok()?, minor.parse().ok()?),
        at: unmangled(front.get(4)?),
        kind: back.next()?.to_owned(),
        source: unmangled(back.next()?),
        options: back.next().unwrap_or_default().to_owned(),
    })
}

/// The names in the table of swaps; its first line is a heading. `(deleted)` may stand behind a name.
pub(super) fn swap_names(table: &str) -> Vec<PathBuf> {
    table.lines().skip(1).filter_map(|line| line.split_ascii_whitespace().next()).map(unmangled).collect()
}

fn unmangled(field: &str) -> PathBuf {
    let mut bytes = Vec::with_capacity(field.len());
    let mut rest = field.as_bytes();
    while let Some((first, after)) = rest.split_first() {
        let digits = after.get(..3).filter(|digits| *first == b'\\' && digits.iter().all(|d| (b'0'..b'8').contains(d)));
        match digits.map(|d| (u32::from(d[0] - b'0') << 6) | (u32::from(d[1] - b'0') << 3) | u32::from(d[2] - b'0')) {
            Some(number) if number < 256 => {
                bytes.push(u8::try_from(number).expect("below 256"));
                rest = &after[3..];
            }
            _ => {
                bytes.push(*first);
                rest = after;
            }
        }
    }
    OsString::from_vec(bytes).into()
}

/// File systems of other machines, and of the machine that this one runs in.
const NETWORK: [&str; 20] = [
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "smbfs",
    "afs",
    "coda",
    "ceph",
    "lustre",
    "orangefs",
    "9p",
    "virtiofs",
    "vboxsf",
    "davfs",
    "fuse.sshfs",
    "fuse.curlftpfs",
    "fuse.davfs",
    "fuse.ceph",
    "fuse.glusterfs",
    "fuse.vmhgfs-fuse",
];

/// File systems in memory.
const MEMORY: [&str; 5] = ["tmpfs", "ramfs", "rootfs", "devtmpfs", "hugetlbfs"];

/// What a mounted file system stands on that has no block device's number. `resolve` gives what a path of the mount's own
/// namespace leads to; `btrfs` all devices of the file system that one device belongs to.
pub(super) fn under(
    mount: &MountLine,
    resolve: &dyn Fn(&Path) -> Option<Vec<Node>>,
    btrfs: &dyn Fn(Device) -> Vec<Device>,
) -> Under {
    let kind = mount.kind.as_str();
    if NETWORK.contains(&kind) || MEMORY.contains(&kind) {
        return Under::Elsewhere;
    }
    let at = mount.at.display();
    let unknown = |why: &str| Under::Unknown(format!("{at} is of type {kind}, {why}"));
    let leads_to = |path: &Path| if path.is_absolute() { resolve(path) } else { None };
    match kind {
        // What is written goes to the upper folder.
        "overlay" => upper_folders(&mount.options)
            .iter()
            .find_map(|path| leads_to(path))
            .map_or_else(|| unknown("and its upper folder cannot be found from here"), Under::Nodes),
        // Several devices are named together, with colons between.
        "bcachefs" => {
            let text = mount.source.to_string_lossy().into_owned();
            let parts: Option<Vec<Vec<Node>>> = text.split(':').map(|part| leads_to(Path::new(part))).collect();
            parts.map_or_else(|| unknown("whose devices are not known"), |parts| Under::Nodes(parts.concat()))
        }
        _ => match leads_to(&mount.source) {
            Some(nodes) if kind == "btrfs" => {
                let with_others = |node: Node| match node {
                    Node::Device(device) => btrfs(device).into_iter().map(Node::Device).chain([node]).collect(),
                    other => vec![other],
                };
                Under::Nodes(nodes.into_iter().flat_map(with_others).collect())
            }
            Some(nodes) => Under::Nodes(nodes),
            None => unknown("whose device or file is not known"),
        },
    }
}

/// The value of `upperdir`. As it was given it can hold `\,` and `\:` for a comma and a colon, which newer kernels show without the
/// backslash; so both are tried.
fn upper_folders(options: &str) -> Vec<PathBuf> {
    let value = options.split(',').find_map(|option| option.strip_prefix("upperdir=")).map(unmangled);
    let bare = value.as_ref().map(|path| {
        let mut bytes = path.as_os_str().as_bytes().iter();
        let mut bare = Vec::new();
        while let Some(byte) = bytes.next() {
            bare.push(if *byte == b'\\' { *bytes.next().unwrap_or(byte) } else { *byte });
        }
        OsString::from_vec(bare).into()
    });
    value.into_iter().chain(bare).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: the example line of Linux Documentation/filesystems/proc.rst, 3.5 (from memory).
    #[test]
    fn a_line_of_the_mount_table() {
        let line = "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue";
        let expected = MountLine {
            id: 36,
            device: (98, 0),
            at: "/mnt2".into(),
            kind: "ext3".to_owned(),
            source: "/dev/root".into(),
            options: "rw,errors=continue".to_owned(),
        };
        assert_eq!(mount_line(line), Some(expected));
        // Without optional fields, without a source's name, with blanks in the mount point.
        let line = "41 27 0:39 / /mnt/a\\040b\\134c rw - tmpfs none rw";
        let read = mount_line(line).unwrap();
        assert_eq!((read.at, read.source), ("/mnt/a b\\c".into(), "none".into()));
        for broken in ["", "36 35 98 / / rw - ext3", "x 35 98:0 / / rw - ext3 a b", "36 35 98:0 / /mnt rw ext3 a b"] {
            assert_eq!(mount_line(broken), None, "{broken}");
        }
    }

    // Source: proc_swaps in mm/swapfile.c, and swapon(8)'s example (from memory).
    #[test]
    fn the_table_of_swaps() {
        let table = "Filename\t\t\t\tType\t\tSize\t\tUsed\t\tPriority\n/dev/sda2                               partition\t8388604\t\t0\t\t-2\n\
                     /swap\\040file                            file\t\t65532\t\t0\t\t-3\n";
        assert_eq!(swap_names(table), [PathBuf::from("/dev/sda2"), PathBuf::from("/swap file")]);
        assert!(swap_names("").is_empty());
    }

    fn of(kind: &str, source: &str, options: &str) -> Under {
        let mount = MountLine {
            id: 1,
            device: (0, 50),
            at: "/at".into(),
            kind: kind.to_owned(),
            source: source.into(),
            options: options.to_owned(),
        };
        let resolve = |path: &Path| match path.to_str()? {
            "/dev/sdb" => Some(vec![Node::Device((8, 16))]),
            "/dev/sdc" => Some(vec![Node::Device((8, 32))]),
            "/drive.img" => Some(vec![Node::File { device: (8, 1), inode: 7 }, Node::FileSystem((8, 1))]),
            "/upper, :x" => Some(vec![Node::FileSystem((8, 16))]),
            _ => None,
        };
        let btrfs = |device| if device == (8, 16) { vec![(8, 16), (8, 48)] } else { vec![] };
        under(&mount, &resolve, &btrfs)
    }

    #[test]
    fn what_a_file_system_stands_on_by_its_type() {
        let devices = |list: &[Device]| Under::Nodes(list.iter().map(|device| Node::Device(*device)).collect());
        let file = Under::Nodes(vec![Node::File { device: (8, 1), inode: 7 }, Node::FileSystem((8, 1))]);
        for (kind, source, options, expected) in [
            ("btrfs", "/dev/sdc", "rw", devices(&[(8, 32)])),
            ("btrfs", "/dev/sdb", "rw", devices(&[(8, 16), (8, 48), (8, 16)])),
            ("bcachefs", "/dev/sdb:/dev/sdc", "rw", devices(&[(8, 16), (8, 32)])),
            ("fuse", "/drive.img", "rw,user_id=0", file.clone()),
            ("fuse.something", "/drive.img", "rw", file),
            ("tmpfs", "/dev/sdb", "rw", Under::Elsewhere),
            ("nfs4", "server:/export", "rw", Under::Elsewhere),
            ("fuse.sshfs", "host:", "rw", Under::Elsewhere),
            (
                "overlay",
                "overlay",
                "rw,lowerdir=/a:/b,upperdir=/upper\\134\\054\\040\\134:x,workdir=/w",
                Under::Nodes(vec![Node::FileSystem((8, 16))]),
            ),
        ] {
            assert_eq!(of(kind, source, options), expected, "{kind} {source} {options}");
        }
        for (kind, source, options) in [
            ("btrfs", "/dev/root", "rw"),
            ("zfs", "tank/home", "rw"),
            ("bcachefs", "/dev/sdb:/dev/gone", "rw"),
            ("fuse", "somebody", "rw"),
            ("fuse.unheard-of", "dev/sdb", "rw"),
            ("overlay", "overlay", "ro,lowerdir=/a:/b"),
            ("overlay", "overlay", "rw,lowerdir=/a,upperdir=relative,workdir=w"),
            ("overlay", "overlay", "rw,lowerdir=/a,upperdir=/not/here,workdir=w"),
        ] {
            let Under::Unknown(why) = of(kind, source, options) else { panic!("{kind} {source} {options} is known") };
            assert!(why.contains("/at") && why.contains(kind), "{why}");
        }
    }
}
