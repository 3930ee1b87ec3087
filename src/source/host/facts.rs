//! What was found out about this machine's devices and file systems, without any judgement.

use std::collections::BTreeMap;

/// A device number as the kernel writes it: major and minor. File systems without a block device have numbers of major 0.
pub(super) type Device = (u32, u32);

/// Something that can be stood on.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Node {
    /// A block device.
    Device(Device),
    /// A file, by its file system's number for it.
    File { device: Device, inode: u64 },
    /// A mounted file system, by its device number in the mount table.
    FileSystem(Device),
}

/// What something stands on.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Under {
    /// These; nothing more when there are none.
    Nodes(Vec<Node>),
    /// Memory, or another machine.
    Elsewhere,
    /// It cannot be told, for this reason.
    Unknown(String),
}

/// A block device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Block {
    /// Its name in sysfs.
    pub name: String,
    /// The disk that it is a partition of.
    pub partition_of: Option<Device>,
    /// The devices that it is made of (`slaves`).
    pub parts: Vec<Device>,
    /// Of a loop device: its file, or device, and what that lies on.
    pub backing: Option<Under>,
}

/// A line of a mount table.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Mount {
    /// The mount's number.
    pub id: u64,
    /// The file system's device number.
    pub file_system: Device,
    /// Where it is mounted.
    pub at: String,
    /// What the file system stands on, by its type, source and options; for those with a block device that is told by its number.
    pub on: Under,
}

/// A line of the table of swaps.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Swap {
    /// Its name there.
    pub name: String,
    /// The device or file, and what that lies on.
    pub on: Under,
}

/// All that was found.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Facts {
    pub blocks: BTreeMap<Device, Block>,
    pub mounts: Vec<Mount>,
    pub swaps: Vec<Swap>,
}

impl Facts {
    /// What a thing stands on directly.
    pub(super) fn under(&self, node: Node) -> Under {
        match node {
            // Where it lies is told together with it.
            Node::File { .. } => Under::Nodes(Vec::new()),
            Node::Device(device) => match self.blocks.get(&device) {
                None => Under::Unknown(format!("the kernel does not describe device {}:{}", device.0, device.1)),
                Some(block) => {
                    let below = block.partition_of.iter().chain(&block.parts).map(|device| Node::Device(*device));
                    match &block.backing {
                        Some(Under::Nodes(nodes)) => Under::Nodes(below.chain(nodes.iter().copied()).collect()),
                        Some(unknown @ Under::Unknown(_)) => unknown.clone(),
                        Some(Under::Elsewhere) | None => Under::Nodes(below.collect()),
                    }
                }
            },
            Node::FileSystem(device) if self.blocks.contains_key(&device) => Under::Nodes(vec![Node::Device(device)]),
            Node::FileSystem(device) => self.under_file_system(device),
        }
    }

    /// By all mounts of it: one namespace may know a source by a name that another does not have.
    fn under_file_system(&self, device: Device) -> Under {
        let mut under = Under::Unknown("its file system is in no mount table".to_owned());
        for mount in self.mounts.iter().filter(|mount| mount.file_system == device) {
            under = match (under, &mount.on) {
                (Under::Nodes(mut nodes), Under::Nodes(more)) => {
                    nodes.extend(more);
                    Under::Nodes(nodes)
                }
                (Under::Unknown(_), on) => on.clone(),
                (known, _) => known,
            };
        }
        under
    }

    /// The file system of a mount.
    pub(super) fn file_system_of(&self, mount_id: u64) -> Option<Device> {
        self.mounts.iter().find(|mount| mount.id == mount_id).map(|mount| mount.file_system)
    }
}
