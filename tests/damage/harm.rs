//! Random damage.

use crate::common::damaged::Random;
use crate::overlay::{Damaged, SECTOR};
use gleaner::base::extent::{Extent, ExtentSet};

/// Where damage is likely to change something.
pub struct Targets {
    /// Tables, boot sectors, and their copies.
    pub tables: Vec<Extent>,
    /// Whatever a survey of the sound drive reads.
    pub structure: ExtentSet,
    /// Bitmaps and FATs. What lies behind their last mark counts as well; it is not much.
    pub maps: Vec<Extent>,
}

impl Targets {
    /// A place: a quarter each among the tables and in the maps, the rest mostly in other structure.
    fn place(&self, bytes: u64, random: &mut Random) -> u64 {
        let place = match random.below(12) {
            0..3 => random.of(&self.tables),
            3..6 => random.of(&self.maps),
            6..8 => {
                let extent = random.of(self.structure.extents());
                Extent { bytes: extent.bytes.min(64 << 10), ..extent }
            }
            8..11 => {
                let mut at = random.below(self.structure.bytes());
                for extent in self.structure.extents() {
                    if at < extent.bytes {
                        return extent.start.0 + at;
                    }
                    at -= extent.bytes;
                }
                unreachable!("the extents add up to their sum")
            }
            _ => Extent::between(0, bytes),
        };
        place.start.0 + random.below(place.bytes)
    }
}

/// One to twenty damages; every sixteenth drive also ends early.
pub fn damage(drive: &mut Damaged, targets: &Targets, random: &mut Random) {
    let bytes = drive.bytes();
    // Few are told apart more easily than many, and leave more to be held to.
    let most = random.of(&[1, 2, 4, 20]);
    for _ in 0..=random.below(most) {
        let at = targets.place(bytes, random);
        let sector = at / SECTOR * SECTOR;
        let index = usize::try_from(at % SECTOR).unwrap();
        let mut held = drive.sector_at(sector);
        match random.below(9) {
            0 => held[index] ^= 1 << random.below(8),
            1 => held[index] = random.of(&[0, 1, 0x7F, 0x80, 0xE5, 0xFF]),
            2 => held = [0; 512],
            3 => held.iter_mut().for_each(|byte| *byte = random.below(256).to_le_bytes()[0]),
            4 => {
                let other = targets.place(bytes, random) / SECTOR * SECTOR;
                let bytes = drive.sector_at(other);
                drive.set_sector(other, held);
                held = bytes;
            }
            5 => {
                let count = random.below(16);
                for next in (sector..bytes.min(sector + count * SECTOR)).step_by(512) {
                    drive.set_sector(next, [0; 512]);
                }
            }
            6 => drive.lose(Extent::between(sector, (sector + SECTOR * (1 + random.below(64))).min(bytes))),
            _ => drive.lose(Extent::between(sector, sector + SECTOR)),
        }
        drive.set_sector(sector, held);
    }
    if random.below(16) == 0 {
        // Anywhere, or shortly before the end, where copies stand; a drive has whole sectors.
        let unit = 4096;
        let left = if random.below(2) == 0 { random.below(bytes) } else { bytes - random.below(bytes.min(128 << 10)) };
        drive.cut((left / unit).max(1) * unit);
    }
}
