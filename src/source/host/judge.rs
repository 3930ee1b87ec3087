//! What the facts mean for a drive and for a place: decided on facts alone, so that tables test it.

use super::facts::{Block, Device, Facts, Node, Under};
use super::gather::Found;
use serde::Serialize;
use std::collections::BTreeSet;
use std::fmt;

/// The drive in question.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Subject {
    /// The drive, by all its names: a loop device is its file.
    pub nodes: BTreeSet<Node>,
    /// And the whole disk, where it is a partition: what lies on another partition still lies on the failing drive.
    pub disk: BTreeSet<Node>,
    /// Of an image file: the file system that it lies on.
    pub lies_on: Option<Device>,
}

/// How a drive is in use.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Used {
    /// A file system on it is mounted.
    Mounted {
        /// Where.
        at: String,
    },
    /// The system swaps to it, or to a file on it.
    Swap {
        /// The device or file.
        name: String,
    },
    /// Another device is made of it: RAID, LVM, encryption and the like.
    PartOf {
        /// That device.
        name: String,
    },
    /// A loop device shows it, or a file on it.
    Loop {
        /// The loop device.
        name: String,
    },
}

impl fmt::Display for Used {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Used::Mounted { at } => write!(f, "mounted at {at}"),
            Used::Swap { name } => write!(f, "the system swaps to {name}"),
            Used::PartOf { name } => write!(f, "the device {name} is made of it (RAID, LVM and the like)"),
            Used::Loop { name } => write!(f, "the loop device {name} shows it, or a file on it"),
        }
    }
}

impl Used {
    /// Whether the drive may be written to by it at any moment. A loop device alone writes nothing: what is mounted on it is a use of
    /// its own.
    pub(super) fn can_change_it(&self) -> bool {
        !matches!(self, Used::Loop { .. })
    }
}

/// Where a place lies.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Ground {
    Elsewhere,
    OnSource,
    Unknown(String),
}

impl Subject {
    pub(super) fn new(facts: &Facts, node: Node, file_system: Device, is_file: bool) -> Subject {
        let mut nodes = BTreeSet::from([node]);
        let mut disk = BTreeSet::new();
        let mut next = Some(node);
        while let Some(Node::Device(device)) = next.take() {
            let Some(block) = facts.blocks.get(&device) else { break };
            // The file alone, not what it lies on.
            if let Some(Under::Nodes(backing)) = &block.backing {
                let same = backing.iter().filter(|node| !matches!(node, Node::FileSystem(_)));
                next = same.clone().copied().find(|node| !nodes.contains(node));
                nodes.extend(same);
            }
            disk.extend(block.partition_of.map(Node::Device));
        }
        disk.extend(&nodes);
        Subject { nodes, disk, lies_on: is_file.then_some(file_system) }
    }
}

/// All that something stands on, itself included; and why it may be more, if so.
fn reach(facts: &Facts, start: impl IntoIterator<Item = Node>) -> (BTreeSet<Node>, Option<String>) {
    let mut found = BTreeSet::new();
    let mut unknown = None;
    let mut waiting: Vec<Node> = start.into_iter().collect();
    while let Some(next) = waiting.pop() {
        if !found.insert(next) {
            continue;
        }
        match facts.under(next) {
            Under::Nodes(nodes) => waiting.extend(nodes),
            Under::Elsewhere => {}
            Under::Unknown(why) => unknown = unknown.or(Some(why)),
        }
    }
    (found, unknown)
}

fn stands_on(facts: &Facts, start: impl IntoIterator<Item = Node>, nodes: &BTreeSet<Node>) -> bool {
    !reach(facts, start).0.is_disjoint(nodes)
}

/// Whether something that a process has open is the drive, a part of it, or the whole disk of it.
pub(super) fn is_of(facts: &Facts, subject: &Subject, node: Node) -> bool {
    subject.disk.contains(&node) || stands_on(facts, [node], &subject.nodes)
}

/// Every use of the drive that is found, in the order of [`Used`].
pub(super) fn uses(facts: &Facts, subject: &Subject) -> Vec<Used> {
    // Each file system once: every mount namespace lists its mounts again.
    let mut seen = BTreeSet::new();
    let mounts = facts.mounts.iter().filter(|mount| seen.insert(mount.file_system));
    let mounted = mounts.filter(|mount| stands_on(facts, [Node::FileSystem(mount.file_system)], &subject.nodes));
    let of = |on: &Under| match on {
        Under::Nodes(nodes) => nodes.clone(),
        Under::Elsewhere | Under::Unknown(_) => Vec::new(),
    };
    let swaps = facts.swaps.iter().filter(|swap| stands_on(facts, of(&swap.on), &subject.nodes));
    let is_part = |parts: &[Device]| stands_on(facts, parts.iter().map(|device| Node::Device(*device)), &subject.nodes);
    let made = facts.blocks.values().filter(|block| is_part(&block.parts));
    let shows = |block: &Block| block.backing.as_ref().is_some_and(|on| stands_on(facts, of(on), &subject.nodes));
    let others = facts.blocks.iter().filter(|(device, _)| !subject.nodes.contains(&Node::Device(**device)));
    let loops = others.filter(|(_, block)| shows(block));
    let mounted = mounted.map(|mount| Used::Mounted { at: mount.at.clone() });
    let swaps = swaps.map(|swap| Used::Swap { name: swap.name.clone() });
    let made = made.map(|block| Used::PartOf { name: block.name.clone() });
    mounted.chain(swaps).chain(made).chain(loops.map(|(_, block)| Used::Loop { name: block.name.clone() })).collect()
}

/// Where a place lies.
pub(super) fn place(facts: &Facts, subject: &Subject, place: &Found) -> Ground {
    // A device in place of a file is written to itself.
    let start = match place.node {
        Node::Device(_) => vec![place.node],
        Node::File { .. } | Node::FileSystem(_) => vec![place.node, Node::FileSystem(place.file_system)],
    };
    let (found, unknown) = reach(facts, start);
    if !found.is_disjoint(&subject.disk) {
        return Ground::OnSource;
    }
    match unknown {
        // A file system does not stand on a file within itself.
        Some(_) if subject.lies_on == Some(place.file_system) => Ground::Elsewhere,
        Some(why) => Ground::Unknown(why),
        None => Ground::Elsewhere,
    }
}

#[cfg(test)]
mod tests {
    use super::super::facts::{Mount, Swap};
    use super::*;

    const SDA: Device = (8, 0);
    const SDA1: Device = (8, 1);
    const SDB: Device = (8, 16);
    const SDB1: Device = (8, 17);
    const SDB2: Device = (8, 18);
    const LOOP0: Device = (7, 0);
    const LOOP1: Device = (7, 1);
    const DM0: Device = (253, 0);
    const IMAGE: Node = Node::File { device: SDA1, inode: 77 };

    fn block(name: &str, partition_of: Option<Device>, parts: &[Device], backing: Option<Under>) -> Block {
        Block { name: name.to_owned(), partition_of, parts: parts.to_vec(), backing }
    }

    fn mount(id: u64, file_system: Device, at: &str, on: Under) -> Mount {
        Mount { id, file_system, at: at.to_owned(), on }
    }

    fn nodes(list: &[Node]) -> Under {
        Under::Nodes(list.to_vec())
    }

    /// The machine's own disk sda; the drive sdb with two partitions; the root file system on sda1.
    fn machine() -> Facts {
        let mut facts = Facts::default();
        facts.blocks.insert(SDA, block("sda", None, &[], None));
        facts.blocks.insert(SDA1, block("sda1", Some(SDA), &[], None));
        facts.blocks.insert(SDB, block("sdb", None, &[], None));
        facts.blocks.insert(SDB1, block("sdb1", Some(SDB), &[], None));
        facts.blocks.insert(SDB2, block("sdb2", Some(SDB), &[], None));
        facts.mounts.push(mount(1, SDA1, "/", nodes(&[])));
        facts
    }

    fn image_on(facts: &mut Facts, device: Device, name: &str) {
        facts.blocks.insert(device, block(name, None, &[], Some(nodes(&[IMAGE, Node::FileSystem(SDA1)]))));
    }

    fn drive(facts: &Facts, device: Device) -> Subject {
        Subject::new(facts, Node::Device(device), (0, 6), false)
    }

    fn image(facts: &Facts) -> Subject {
        Subject::new(facts, IMAGE, SDA1, true)
    }

    fn folder(file_system: Device) -> Found {
        Found { node: Node::FileSystem(file_system), file_system }
    }

    /// What forbids to read it: a loop device alone does not.
    fn used(facts: &Facts, subject: &Subject) -> Option<Used> {
        uses(facts, subject).into_iter().find(Used::can_change_it)
    }

    fn mounted(at: &str) -> Option<Used> {
        Some(Used::Mounted { at: at.to_owned() })
    }

    #[test]
    fn a_machine_at_rest_uses_nothing() {
        let facts = machine();
        for device in [SDB, SDB1] {
            assert_eq!(used(&facts, &drive(&facts, device)), None);
            assert_eq!(place(&facts, &drive(&facts, device), &folder(SDA1)), Ground::Elsewhere);
        }
        assert_eq!(used(&facts, &image(&facts)), None);
        assert_eq!(place(&facts, &image(&facts), &folder(SDA1)), Ground::Elsewhere);
        // The machine's own disk is one too.
        assert_eq!(used(&facts, &drive(&facts, SDA)), mounted("/"));
        assert_eq!(place(&facts, &drive(&facts, SDA), &folder(SDA1)), Ground::OnSource);
    }

    /// Each: what is added to the machine; whether sdb, sdb1 and the image are in use; where a folder of file system `at` lies, seen from
    /// each of them.
    #[test]
    fn ways_to_stand_on_a_drive() {
        const AT: Device = (0, 50);
        /// What it is, what is added, where; in use; where a place lies.
        type Case = (&'static str, fn(&mut Facts), Device, [bool; 3], [char; 3]);
        let cases: [Case; 14] = [
            (
                "a file system with the number of its partition",
                |f| f.mounts.push(mount(9, SDB1, "/mnt", nodes(&[]))),
                SDB1,
                [true, true, false],
                ['x', 'x', '.'],
            ),
            (
                "the other partition",
                |f| f.mounts.push(mount(9, SDB2, "/mnt", nodes(&[]))),
                SDB2,
                [true, false, false],
                ['x', 'x', '.'],
            ),
            (
                "Btrfs on a partition: a number of its own",
                |f| f.mounts.push(mount(9, AT, "/mnt", nodes(&[Node::Device(SDB1)]))),
                AT,
                [true, true, false],
                ['x', 'x', '.'],
            ),
            (
                "Btrfs on two drives",
                |f| f.mounts.push(mount(9, AT, "/mnt", nodes(&[Node::Device(SDA1), Node::Device(SDB)]))),
                AT,
                [true, false, false],
                ['x', 'x', '.'],
            ),
            (
                "an overlay whose upper folder lies on it",
                |f| {
                    f.mounts.push(mount(8, SDB1, "/up", nodes(&[])));
                    f.mounts.push(mount(9, AT, "/mnt", nodes(&[Node::FileSystem(SDB1)])));
                },
                AT,
                [true, true, false],
                ['x', 'x', '.'],
            ),
            (
                "a FUSE driver on the image",
                |f| f.mounts.push(mount(9, AT, "/mnt", nodes(&[IMAGE, Node::FileSystem(SDA1)]))),
                AT,
                [false, false, true],
                ['.', '.', 'x'],
            ),
            (
                "the image on a loop device",
                |f| {
                    image_on(f, LOOP0, "loop0");
                    f.mounts.push(mount(9, LOOP0, "/mnt", nodes(&[])));
                },
                LOOP0,
                [false, false, true],
                ['.', '.', 'x'],
            ),
            (
                "an overlay over Btrfs over a loop device over the image",
                |f| {
                    image_on(f, LOOP0, "loop0");
                    f.mounts.push(mount(8, (0, 49), "/btrfs", nodes(&[Node::Device(LOOP0)])));
                    f.mounts.push(mount(9, AT, "/mnt", nodes(&[Node::FileSystem((0, 49))])));
                },
                AT,
                [false, false, true],
                ['.', '.', 'x'],
            ),
            (
                "LVM",
                |f| {
                    f.blocks.insert(DM0, block("dm-0", None, &[SDB2], None));
                    f.mounts.push(mount(9, DM0, "/mnt", nodes(&[])));
                },
                DM0,
                [true, false, false],
                ['x', 'x', '.'],
            ),
            (
                "a file on the drive, with a file system in it",
                |f| {
                    f.mounts.push(mount(8, SDB1, "/up", nodes(&[])));
                    f.blocks.insert(
                        LOOP1,
                        block(
                            "loop1",
                            None,
                            &[],
                            Some(nodes(&[Node::File { device: SDB1, inode: 5 }, Node::FileSystem(SDB1)])),
                        ),
                    );
                    f.mounts.push(mount(9, LOOP1, "/mnt", nodes(&[])));
                },
                LOOP1,
                [true, true, false],
                ['x', 'x', '.'],
            ),
            ("memory", |f| f.mounts.push(mount(9, AT, "/mnt", Under::Elsewhere)), AT, [false; 3], ['.'; 3]),
            (
                "a source that leads nowhere",
                |f| f.mounts.push(mount(9, AT, "/mnt", Under::Unknown("no source".to_owned()))),
                AT,
                [false; 3],
                ['?'; 3],
            ),
            (
                "a loop device whose file is gone",
                |f| {
                    f.blocks.insert(LOOP1, block("loop1", None, &[], Some(Under::Unknown("gone".to_owned()))));
                    f.mounts.push(mount(9, LOOP1, "/mnt", nodes(&[])));
                },
                LOOP1,
                [false; 3],
                ['?'; 3],
            ),
            ("in no mount table", |_| (), AT, [false; 3], ['?'; 3]),
        ];
        for (what, add, at, uses, lies) in cases {
            let mut facts = machine();
            add(&mut facts);
            let subjects = [drive(&facts, SDB), drive(&facts, SDB1), image(&facts)];
            for (number, subject) in subjects.iter().enumerate() {
                let of = ["sdb", "sdb1", "the image"][number];
                assert_eq!(used(&facts, subject).is_some(), uses[number], "{what}: {of} in use");
                let letter = match place(&facts, subject, &folder(at)) {
                    Ground::Elsewhere => '.',
                    Ground::OnSource => 'x',
                    Ground::Unknown(_) => '?',
                };
                assert_eq!(letter, lies[number], "{what}: a place there, seen from {of}");
            }
        }
    }

    /// A loop device is its file, and another of the same file the same drive.
    #[test]
    fn a_loop_device_counts_as_its_file() {
        let mut facts = machine();
        image_on(&mut facts, LOOP0, "loop0");
        image_on(&mut facts, LOOP1, "loop1");
        facts.mounts.push(mount(9, LOOP1, "/mnt", nodes(&[])));
        let subject = drive(&facts, LOOP0);
        assert_eq!(used(&facts, &subject), mounted("/mnt"));
        assert_eq!(place(&facts, &subject, &folder(LOOP1)), Ground::OnSource);
        // Where the image itself lies is a good place.
        assert_eq!(place(&facts, &subject, &folder(SDA1)), Ground::Elsewhere);
    }

    #[test]
    fn swap_and_parts_of_other_devices_are_uses() {
        let mut facts = machine();
        facts.swaps.push(Swap { name: "/dev/sdb2".to_owned(), on: nodes(&[Node::Device(SDB2)]) });
        assert_eq!(used(&facts, &drive(&facts, SDB)), Some(Used::Swap { name: "/dev/sdb2".to_owned() }));
        assert_eq!(used(&facts, &drive(&facts, SDB1)), None);
        let mut facts = machine();
        facts.blocks.insert((9, 127), block("md127", None, &[SDB1], None));
        assert_eq!(used(&facts, &drive(&facts, SDB)), Some(Used::PartOf { name: "md127".to_owned() }));
        // A loop device on the drive does nothing by itself, but is told.
        let mut facts = machine();
        facts.blocks.insert(LOOP0, block("loop0", None, &[], Some(nodes(&[Node::Device(SDB)]))));
        assert_eq!(used(&facts, &drive(&facts, SDB)), None);
        assert_eq!(uses(&facts, &drive(&facts, SDB)), [Used::Loop { name: "loop0".to_owned() }]);
        assert_eq!(uses(&facts, &drive(&facts, LOOP0)), [], "it is no use of itself");
        facts.mounts.push(mount(9, LOOP0, "/mnt", nodes(&[])));
        let expected = [Used::Mounted { at: "/mnt".to_owned() }, Used::Loop { name: "loop0".to_owned() }];
        assert_eq!(uses(&facts, &drive(&facts, SDB)), expected);
    }

    /// In a container the root is often an overlay whose upper folder is not to be seen; an image there can be worked with there.
    #[test]
    fn a_place_beside_the_image_is_not_on_it() {
        const ROOT: Device = (0, 44);
        let mut facts = Facts::default();
        facts.mounts.push(mount(1, ROOT, "/", Under::Unknown("an upper folder that is not here".to_owned())));
        let file = Node::File { device: ROOT, inode: 3 };
        let subject = Subject::new(&facts, file, ROOT, true);
        assert_eq!(place(&facts, &subject, &folder(ROOT)), Ground::Elsewhere);
        assert_eq!(place(&facts, &subject, &Found { node: file, file_system: ROOT }), Ground::OnSource);
        // A drive beside such a root: not known.
        facts.blocks.insert(SDB, block("sdb", None, &[], None));
        assert!(matches!(place(&facts, &drive(&facts, SDB), &folder(ROOT)), Ground::Unknown(_)));
        // The drive itself as the place.
        let found = Found { node: Node::Device(SDB), file_system: (0, 6) };
        assert_eq!(place(&facts, &drive(&facts, SDB), &found), Ground::OnSource);
    }

    /// What a process may have open.
    #[test]
    fn parts_and_wholes_of_a_drive() {
        let mut facts = machine();
        image_on(&mut facts, LOOP0, "loop0");
        let of = |device, other| is_of(&facts, &drive(&facts, device), Node::Device(other));
        assert!(of(SDB, SDB) && of(SDB, SDB1) && of(SDB1, SDB));
        assert!(!of(SDB1, SDB2) && !of(SDB, SDA) && !of(SDB, SDA1));
        assert!(is_of(&facts, &image(&facts), IMAGE) && is_of(&facts, &image(&facts), Node::Device(LOOP0)));
        let other = Node::File { device: SDA1, inode: 78 };
        assert!(!is_of(&facts, &image(&facts), other) && !is_of(&facts, &drive(&facts, SDA), other));
    }

    /// What points at itself has an end.
    #[test]
    fn circles_end() {
        let mut facts = machine();
        facts.blocks.insert(DM0, block("dm-0", None, &[DM0], None));
        facts.mounts.push(mount(9, DM0, "/mnt", nodes(&[])));
        assert_eq!(place(&facts, &drive(&facts, SDB), &folder(DM0)), Ground::Elsewhere);
        facts.blocks.insert(LOOP0, block("loop0", None, &[], Some(nodes(&[Node::Device(LOOP1)]))));
        facts.blocks.insert(LOOP1, block("loop1", None, &[], Some(nodes(&[Node::Device(LOOP0)]))));
        assert!(drive(&facts, LOOP0).nodes.contains(&Node::Device(LOOP1)));
    }
}
