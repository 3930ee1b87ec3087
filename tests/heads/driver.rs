//! A policy that needs a map of heads: planned places in order, where the map says that they can be read; elsewhere later.

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::ByteOffset;
use gleaner::drive::heads::{HeadFinder, Observed};
use gleaner::drive::sick::{Geometry, SickDrive};
use gleaner::source::{ReadError, Source};
use std::time::Duration;

pub const MIB: u64 = 1 << 20;

/// Whatever can be read from, for the policy.
pub trait Drive {
    /// Whether a read succeeded, and how long it took.
    fn read(&mut self, extent: Extent) -> (bool, Duration);
}

/// A drive of which one head reads nothing, without a clock: quick.
pub struct DeadHead {
    pub geometry: Geometry,
    pub dead: usize,
}

impl DeadHead {
    /// What the other heads hold of a plan, in bytes.
    pub fn healthy(&self, plan: &[Extent]) -> u64 {
        let of = |extent: &Extent| {
            let bands = self.geometry.bands(*extent).filter(|band| band.head != self.dead);
            bands.filter_map(|band| band.extent.intersection(extent)).map(|part| part.bytes).sum::<u64>()
        };
        plan.iter().map(of).sum()
    }
}

impl Drive for DeadHead {
    fn read(&mut self, extent: Extent) -> (bool, Duration) {
        (self.geometry.bands(extent).all(|band| band.head != self.dead), Duration::ZERO)
    }
}

/// A simulated drive on its clock. It has its power back at once when it vanishes.
pub struct Sick {
    pub drive: SickDrive,
    pub buffer: Vec<u8>,
}

impl Drive for Sick {
    fn read(&mut self, extent: Extent) -> (bool, Duration) {
        let clock = self.drive.clock();
        loop {
            let began = clock.now();
            let bytes = usize::try_from(extent.bytes).unwrap();
            let read = self.drive.read_at(extent.start, &mut self.buffer[..bytes]);
            if let Err(ReadError::Gone(_)) = read {
                self.drive.power_cycle(Duration::ZERO);
                continue;
            }
            return (read.is_ok(), clock.now().0 - began.0);
        }
    }
}

/// What following the policy came to.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Played {
    pub reads: u64,
    pub failed: u64,
    pub bytes: u64,
    /// Failed reads before a map was there for the first time, if ever.
    pub map_after: Option<u64>,
    /// The same for a map that says a head over the whole drive.
    pub whole_head_after: Option<u64>,
    /// Planned bytes that waited for a later pass because of the map.
    pub waited: u64,
}

/// When the policy stops.
#[derive(Clone, Copy)]
pub struct Limits {
    pub bytes: u64,
    pub failed: u64,
}

/// Reads a plan in passes, each with more risk than the one before. After a failure outside of a known band it jumps, twice
/// as far each time. The second pass also reads into the middle of a suspect band in each 32nd of the drive: a wrong band is
/// found out in no other way.
pub fn follow(drive: &mut dyn Drive, finder: &mut HeadFinder, plan: &[Extent], limits: Limits) -> Played {
    let mut played = Played::default();
    let mut done = ExtentSet::new();
    let drive_bytes = plan.last().map_or(0, Extent::end);
    for (number, limit) in [0.15, 0.15, 0.5, 0.9, 2.0, 2.0, 2.0].into_iter().enumerate() {
        let left: Vec<Extent> = plan.iter().flat_map(|extent| done.missing_from(*extent)).collect();
        let (mut behind, mut jump, mut next_probe) = (0, MIB, 0);
        for extent in left {
            let mut at = extent.start.0.max(behind);
            while at < extent.end() {
                if let Some(map) = finder.map()
                    && map.risk(ByteOffset(at)) > limit
                {
                    let next = map.next_change(ByteOffset(at)).0.min(extent.end());
                    if number == 1 && at >= next_probe {
                        next_probe = at + drive_bytes / 32;
                        at = ((at + (next - at) / 2) / MIB * MIB).max(at);
                    } else {
                        played.waited += if number == 0 { next - at } else { 0 };
                        at = next;
                        continue;
                    }
                }
                let request = Extent::between(at, extent.end().min((at / MIB + 1) * MIB));
                let (ok, took) = drive.read(request);
                finder.observe(&Observed { extent: request, failed: !ok, slow: false, took });
                played.reads += 1;
                at = request.end();
                if ok {
                    played.bytes += request.bytes;
                    done.insert(request);
                    jump = (jump / 2).max(MIB);
                } else {
                    played.failed += 1;
                    if finder.map().is_none_or(|map| map.risk(ByteOffset(at)) <= limit) {
                        behind = at + jump;
                        at = behind;
                        jump *= 2;
                    }
                }
                if let Some(map) = finder.map() {
                    played.map_after.get_or_insert(played.failed);
                    if map.is_whole_head() {
                        played.whole_head_after.get_or_insert(played.failed);
                    }
                }
                if played.bytes >= limits.bytes || played.failed >= limits.failed {
                    return played;
                }
            }
        }
    }
    played
}
