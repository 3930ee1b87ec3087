//! Where a volume's groups lie, and what stands at fixed places in them.
//!
//! Source: Linux, Documentation/filesystems/ext4/blockgroup.rst, and fs/ext4/balloc.c (`ext4_num_base_meta_clusters`); held against
//! `dumpe2fs` by the tests.

use super::superblock::{Copies, Superblock};

impl Superblock {
    /// Groups of the volume.
    pub fn groups(&self) -> u64 {
        (self.geometry.blocks - self.geometry.first_block).div_ceil(self.geometry.group_blocks)
    }

    /// The first block of a group; saturates.
    pub fn group_start(&self, group: u64) -> u64 {
        self.geometry.first_block.saturating_add(group.saturating_mul(self.geometry.group_blocks))
    }

    /// The first block behind a group.
    pub fn group_end(&self, group: u64) -> u64 {
        self.group_start(group + 1).min(self.geometry.blocks)
    }

    /// Clusters of a group: the bits of its bitmap.
    pub fn clusters_in(&self, group: u64) -> u64 {
        (self.group_end(group).saturating_sub(self.group_start(group))).div_ceil(self.geometry.cluster_blocks)
    }

    /// Whether a group begins with a superblock; group 0 has the first.
    pub fn has_copy(&self, group: u64) -> bool {
        let is_power_of = |base: u64| {
            let mut power = base;
            while power < group {
                power = power.saturating_mul(base);
            }
            power == group
        };
        match self.copies {
            _ if group == 0 => true,
            Copies::All => true,
            Copies::Sparse => group == 1 || [3, 5, 7].into_iter().any(is_power_of),
            Copies::Two(groups) => groups.iter().any(|copy| u64::from(*copy) == group),
        }
    }

    /// Groups other than the first that begin with a superblock, ascending.
    pub fn copy_groups(&self) -> impl Iterator<Item = u64> {
        // Numbers that are no power of 3, 5 or 7 are passed quickly enough for the few that are taken.
        let most = self.groups().min(1 << 20);
        (1..most).filter(|group| self.has_copy(*group))
    }

    /// Group descriptors in a block.
    pub fn descriptors_in_block(&self) -> u64 {
        self.geometry.block_bytes / self.geometry.descriptor_bytes
    }

    /// Blocks of group descriptors.
    pub fn descriptor_blocks(&self) -> u64 {
        self.groups().div_ceil(self.descriptors_in_block())
    }

    /// The block of the superblock itself.
    fn own_block(&self) -> u64 {
        super::superblock::AT / self.geometry.block_bytes
    }

    /// The first meta block group, where `number` is at or behind it.
    fn is_meta(&self, number: u64) -> bool {
        self.first_meta_block.is_some_and(|first| number >= first)
    }

    /// The place of descriptor block `number`.
    pub fn descriptor_block(&self, number: u64) -> u64 {
        if !self.is_meta(number) {
            return self.own_block() + 1 + number;
        }
        let group = number.saturating_mul(self.descriptors_in_block());
        match group {
            0 => self.own_block() + 1,
            group => self.group_start(group) + u64::from(self.has_copy(group)),
        }
    }

    /// Places of the copies of descriptor block `number`, at most so many.
    pub fn descriptor_copies(&self, number: u64, most: usize) -> Vec<u64> {
        if self.is_meta(number) {
            let in_block = self.descriptors_in_block();
            let first = number.saturating_mul(in_block);
            let groups = [first + 1, first + in_block - 1].into_iter().filter(|group| *group < self.groups());
            return groups.map(|group| self.group_start(group) + u64::from(self.has_copy(group))).take(most).collect();
        }
        self.copy_groups().map(|group| self.group_start(group) + 1 + number).take(most).collect()
    }

    /// Blocks at the start of a group that hold superblock and descriptors: the first block behind them.
    pub fn head_end(&self, group: u64) -> u64 {
        let has_copy = self.has_copy(group);
        let number = group / self.descriptors_in_block();
        let blocks = if self.is_meta(number) {
            let place = group % self.descriptors_in_block();
            let holds_descriptors = place <= 1 || place == self.descriptors_in_block() - 1;
            u64::from(has_copy) + u64::from(holds_descriptors)
        } else if has_copy {
            let descriptors = self.first_meta_block.unwrap_or(u64::MAX).min(self.descriptor_blocks());
            1 + descriptors + self.reserved_descriptor_blocks
        } else {
            0
        };
        let start = if group == 0 { self.own_block() } else { self.group_start(group) };
        start.saturating_add(blocks).min(self.group_end(group))
    }
}
