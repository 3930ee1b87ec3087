//! The newest checkpoint that is sound, and whether a newer one may have been lost.

use super::container::Container;
use super::object::{Header, kind};
use super::space_manager::SpaceManager;
use super::superblock::{Ring, Superblock};
use crate::base::fields::{u16_at, u32_at, u64_at};
use crate::source::SourceLost;

/// Most blocks that a descriptor area may have to be searched: 64 MiB with blocks of 4 KiB, where macOS and mkapfs use some hundred.
const MOST_DESCRIPTORS: u32 = 1 << 14;

/// Most bytes of it that are kept in memory.
const MOST_KEPT: u64 = 4 << 20;

/// Most bytes of a space manager: that of 100 TB with blocks of 4 KiB has some 10 KiB.
const MOST_MANAGER_BYTES: u64 = 1 << 20;

/// Bytes in front of a checkpoint map's entries, and of each entry (`checkpoint_mapping_t`).
const ENTRIES_AT: usize = 40;
const ENTRY_BYTES: usize = 40;

/// Flag of a checkpoint's last map.
const LAST_MAP: u32 = 1;

/// A block of the descriptor area.
enum Slot {
    /// Not read, or its checksum does not hold.
    Damaged,
    /// Zeros: not used yet.
    Blank,
    /// A superblock.
    Superblock(Box<Superblock>),
    /// A checkpoint map.
    Map { transaction: u64, is_last: bool, managers: Vec<Mapping> },
    /// Another object whose checksum holds.
    Other { transaction: u64 },
}

/// Where an object of a checkpoint lies in the data area.
#[derive(Clone, Copy)]
struct Mapping {
    bytes: u64,
    id: u64,
    block: u64,
}

/// A checkpoint whose superblock, maps and space manager are sound.
pub(super) struct Checkpoint {
    pub superblock: Superblock,
    pub manager: SpaceManager,
    /// Whether its object map is sound, which leads to the volumes.
    pub has_object_map: bool,
    /// Whether a newer checkpoint may have been there.
    pub newer: Option<Newer>,
    /// Space managers that are left of newer checkpoints, with their transactions.
    pub newer_managers: Vec<(u64, SpaceManager)>,
}

/// A checkpoint that is lost, or may be.
#[derive(Clone, Copy)]
pub(super) struct Newer {
    /// How that is known.
    pub why: &'static str,
    /// Its transaction, where something of it is left.
    pub transaction: Option<u64>,
}

/// The descriptor area as it was read.
pub(super) struct Descriptors {
    ring: Ring,
    slots: Vec<Slot>,
}

impl Descriptors {
    /// Reads the descriptor area; `None` when it is longer than any that is in use.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn read(container: &Container<'_>, ring: Ring) -> Result<Option<Descriptors>, SourceLost> {
        if ring.blocks > MOST_DESCRIPTORS || ring.first.checked_add(u64::from(ring.blocks)).is_none() {
            return Ok(None);
        }
        // Where no checkpoint is sound, others may want to read here.
        if u64::from(ring.blocks) * container.block_bytes <= MOST_KEPT {
            container.keep(ring.first, ring.blocks.into())?;
        }
        let mut slots: Vec<Slot> = (0..ring.blocks).map(|_| Slot::Damaged).collect();
        let wanted = (0..ring.blocks).map(|index| (ring.first + u64::from(index), index)).collect();
        container.read_each("checkpoints", wanted, |index, block| {
            slots[index as usize] = block.map_or(Slot::Damaged, Slot::of);
        })?;
        Ok(Some(Descriptors { ring, slots }))
    }

    /// The newest sound checkpoint of the container with this identifier.
    ///
    /// # Errors
    /// [`SourceLost`] when the device is gone.
    pub fn newest(&self, container: &Container<'_>, head: &Superblock) -> Result<Option<Checkpoint>, SourceLost> {
        let mut candidates: Vec<(u32, &Superblock)> = Vec::new();
        for (index, slot) in (0..).zip(&self.slots) {
            if let Slot::Superblock(superblock) = slot
                && superblock.uuid == head.uuid
                && superblock.block_bytes == head.block_bytes
            {
                candidates.push((index, superblock));
            }
        }
        candidates.sort_by_key(|(index, superblock)| std::cmp::Reverse((superblock.transaction, *index)));
        let newest = candidates.iter().map(|(_, superblock)| superblock.transaction).max().unwrap_or(0);
        let newest = newest.max(head.transaction);
        // Without its object map a checkpoint has no volumes: an older one may have to stand in for it. The marks are right all
        // the same, and used where no checkpoint has its map.
        let mut without_map = None;
        for (index, superblock) in candidates {
            let Some(manager) = self.manager_of(container, index, superblock)? else { continue };
            let newer = if superblock.transaction < newest {
                let why = "a newer one is there, and part of it is damaged";
                Some(Newer { why, transaction: Some(newest) })
            } else {
                self.may_hold_newer(superblock)
            };
            let newer_managers = match newer {
                Some(_) => self.managers_after(container, superblock)?,
                None => Vec::new(),
            };
            let has_object_map = has_object_map(container, superblock)?;
            let superblock = superblock.clone();
            let checkpoint = Checkpoint { superblock, manager, has_object_map, newer, newer_managers };
            if has_object_map {
                return Ok(Some(checkpoint));
            }
            without_map = without_map.or(Some(checkpoint));
        }
        Ok(without_map)
    }

    /// The space manager of the checkpoint that ends with the superblock at `index`, if that and what leads to it are sound.
    fn manager_of(
        &self,
        container: &Container<'_>,
        index: u32,
        superblock: &Superblock,
    ) -> Result<Option<SpaceManager>, SourceLost> {
        let maps = superblock.count.saturating_sub(1);
        let ends_here = self.ring.block(superblock.from, maps) == self.ring.block(index, 0);
        if maps == 0 || maps >= self.ring.blocks || !ends_here || superblock.descriptors != Some(self.ring) {
            return Ok(None);
        }
        let mut found = None;
        for number in 0..maps {
            let Some(Slot::Map { transaction, is_last, managers }) = self.slot(superblock.from, number) else {
                return Ok(None);
            };
            if *transaction != superblock.transaction || *is_last != (number + 1 == maps) {
                return Ok(None);
            }
            found = found.or(managers.iter().find(|mapping| mapping.id == superblock.space_manager).copied());
        }
        match found {
            Some(mapping) => manager_at(container, superblock, mapping, superblock.transaction),
            None => Ok(None),
        }
    }

    /// Sound space managers of transactions after that of `superblock`, by the maps that are left of them.
    fn managers_after(
        &self,
        container: &Container<'_>,
        superblock: &Superblock,
    ) -> Result<Vec<(u64, SpaceManager)>, SourceLost> {
        let mut found = Vec::new();
        for slot in &self.slots {
            let Slot::Map { transaction, managers, .. } = slot else { continue };
            if *transaction <= superblock.transaction {
                continue;
            }
            let Some(mapping) = managers.iter().find(|mapping| mapping.id == superblock.space_manager) else {
                continue;
            };
            let manager = manager_at(container, superblock, *mapping, *transaction)?;
            found.extend(manager.map(|manager| (*transaction, manager)));
        }
        Ok(found)
    }

    fn slot(&self, index: u32, further: u32) -> Option<&Slot> {
        let block = self.ring.block(index, further)?;
        self.slots.get(usize::try_from(block - self.ring.first).ok()?)
    }

    /// Whether a checkpoint after this one may have stood where the next one begins, and be lost. Where an older object still
    /// stands, none was written.
    fn may_hold_newer(&self, superblock: &Superblock) -> Option<Newer> {
        const WHY: &str = "the place of the next one is damaged, so that a newer one may be lost";
        // The first checkpoint ever begins the ring; until that is full, what follows the newest is blank.
        let is_first_round = self.slots.first().is_some_and(|slot| slot.transaction() == Some(1));
        if is_first_round && matches!(self.slot(superblock.next, 0), Some(Slot::Blank)) {
            return None;
        }
        let mut begun = None;
        for further in 0..self.ring.blocks {
            let Some(slot) = self.slot(superblock.next, further) else { break };
            match slot.transaction() {
                Some(transaction) if transaction <= superblock.transaction => return None,
                // Begun: its superblock, behind the last map, decides.
                Some(transaction) if matches!(slot, Slot::Map { .. }) => begun = Some(transaction),
                _ => break,
            }
        }
        Some(Newer { why: WHY, transaction: begun })
    }
}

impl Slot {
    fn of(block: &[u8]) -> Slot {
        let Some(header) = Header::of(block) else {
            return if block.iter().all(|byte| *byte == 0) { Slot::Blank } else { Slot::Damaged };
        };
        let transaction = header.transaction;
        match header.kind {
            kind::SUPERBLOCK => match Superblock::parse(block) {
                Some(superblock) => Slot::Superblock(Box::new(superblock)),
                None => Slot::Other { transaction },
            },
            kind::CHECKPOINT_MAP => {
                let (entries, _) = block[ENTRIES_AT..].as_chunks::<ENTRY_BYTES>();
                let count = usize::try_from(u32_at(block, 36)).unwrap_or(usize::MAX);
                let managers = entries.iter().take(count).filter_map(|entry| Mapping::of_manager(entry));
                let is_last = u32_at(block, 32) & LAST_MAP != 0;
                Slot::Map { transaction, is_last, managers: managers.collect() }
            }
            _ => Slot::Other { transaction },
        }
    }

    fn transaction(&self) -> Option<u64> {
        match self {
            Slot::Damaged | Slot::Blank => None,
            Slot::Superblock(superblock) => Some(superblock.transaction),
            Slot::Map { transaction, .. } | Slot::Other { transaction } => Some(*transaction),
        }
    }
}

impl Mapping {
    fn of_manager(entry: &[u8]) -> Option<Mapping> {
        let is_manager = u16_at(entry, 0) == kind::SPACE_MANAGER;
        is_manager.then(|| Mapping {
            bytes: u64::from(u32_at(entry, 8)),
            id: u64_at(entry, 24),
            block: u64_at(entry, 32),
        })
    }
}

/// Whether the container's object map is sound.
fn has_object_map(container: &Container<'_>, superblock: &Superblock) -> Result<bool, SourceLost> {
    let block = container.read(superblock.object_map)?;
    let header = block.as_deref().and_then(Header::of);
    Ok(header.is_some_and(|header| {
        (header.kind, header.id) == (kind::OBJECT_MAP, superblock.object_map)
            && header.transaction <= superblock.transaction
    }))
}

/// The space manager at a place of the data area, if it is sound and of this transaction.
fn manager_at(
    container: &Container<'_>,
    superblock: &Superblock,
    mapping: Mapping,
    transaction: u64,
) -> Result<Option<SpaceManager>, SourceLost> {
    let Some(data) = superblock.data else { return Ok(None) };
    let Some(object) = read_object(container, data, mapping)? else { return Ok(None) };
    let wanted = Header { id: mapping.id, transaction, kind: kind::SPACE_MANAGER };
    let is_wanted = Header::of(&object) == Some(wanted);
    Ok(is_wanted.then(|| SpaceManager::parse(&object, container.block_bytes, superblock.blocks)).flatten())
}

/// An object of the data area: consecutive blocks, which go on at the area's start behind its end.
fn read_object(container: &Container<'_>, data: Ring, mapping: Mapping) -> Result<Option<Vec<u8>>, SourceLost> {
    let blocks = mapping.bytes / container.block_bytes;
    let index = mapping.block.checked_sub(data.first).and_then(|index| u32::try_from(index).ok());
    let whole =
        mapping.bytes.is_multiple_of(container.block_bytes) && (1..=MOST_MANAGER_BYTES).contains(&mapping.bytes);
    let (Some(index), true, true) = (index, whole, blocks <= u64::from(data.blocks)) else { return Ok(None) };
    let mut object = Vec::new();
    for further in (0..).take(usize::try_from(blocks).unwrap_or(0)) {
        let Some(place) = data.block(index, further) else { return Ok(None) };
        let Some(block) = container.read(place)? else { return Ok(None) };
        object.extend(block);
    }
    Ok(Some(object))
}
