//! What a drive gives to a reader that knows all that is wrong with it.
//!
//! The oracle reads a twin of the drive, in requests on the same multiples as a copy:
//!
//! 1. **What is easy**, class by class in the plan's order, each class in ascending passes as the plan has them. Of each
//!    request it reads the parts that answer at once and at full speed, cut exactly where a dead head, a damaged place, a
//!    slow or a weak one begins. What growing damage will take is read first in each class.
//! 2. **What is difficult**, again class by class, in each class what brings most bytes a second first: the requests that
//!    hold a bad sector lying alone (a scratch is many such), for which it pays one failed read for each such sector and
//!    then reads all around it; slow places; sectors that answer late and units of weak heads, for which it pays exactly
//!    the failures that they take.
//!
//! It never reads what a dead head or a damaged place holds. It rests when a copy would rest (above
//! [`Technician::hot_limit`]), takes the power off when the drive has vanished, and waits when the drive hangs.
//!
//! It keeps to the order of classes, so it is no strict bound: a strategy that leaves a class early has more of the next
//! one for a while. It is what a strategy is measured against; the strict bound is [`super::SpeedBound`].

use super::ailment::Prospect;
use super::drive::SickDrive;
use super::log::{Outcome, Request};
use crate::base::extent::Extent;
use crate::drive::model::to_f64;
use crate::source::Source;
use std::time::Duration;

/// How requests are made, and what a technician does meanwhile.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Technician {
    /// Requests are no longer than this, in bytes, and end on multiples of it.
    pub request_bytes: u64,
    /// Above this temperature in degrees Celsius nothing is read until it is `cooling` degrees lower.
    pub hot_limit: f64,
    /// How many degrees lower.
    pub cooling: f64,
    /// How long it takes to notice that a drive has vanished, and to give it its power back.
    pub power_cycle: Duration,
}

impl Default for Technician {
    /// As a copy has it; 5 minutes for a power cycle (common practice, no source).
    fn default() -> Technician {
        Technician { request_bytes: 1 << 20, hot_limit: 55.0, cooling: 3.0, power_cycle: Duration::from_secs(300) }
    }
}

/// How often the temperature is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// The log of the oracle's reading of `classes`, each a list of extents in reading order. It waits for a vanished drive, so the
/// drive must not be a dying one.
pub fn oracle(drive: &SickDrive, classes: &[Vec<Extent>], technician: &Technician) -> Vec<Request> {
    let twin = drive.twin();
    let mut reading = Reading { drive: &twin, technician, later: Vec::new(), class: 0, looked: Duration::MAX };
    for (class, extents) in classes.iter().enumerate() {
        reading.class = class;
        reading.easy(extents);
    }
    reading.difficult();
    twin.log()
}

/// A request that is difficult: its class, the bytes a second it will bring, and its parts.
struct Later {
    class: usize,
    rate: f64,
    parts: Vec<(Extent, Prospect)>,
}

struct Reading<'d> {
    drive: &'d SickDrive,
    technician: &'d Technician,
    later: Vec<Later>,
    class: usize,
    looked: Duration,
}

impl Reading<'_> {
    fn easy(&mut self, extents: &[Extent]) {
        let Some(threatened) = self.drive.threatened() else {
            return extents.iter().for_each(|extent| self.requests(*extent));
        };
        for extent in extents.iter().filter_map(|extent| extent.intersection(&threatened)) {
            self.requests(extent);
        }
        for extent in extents {
            self.requests(Extent::between(extent.start.0, extent.end().min(threatened.start.0)));
            self.requests(Extent::between(extent.start.0.max(threatened.end()), extent.end()));
        }
    }

    fn requests(&mut self, extent: Extent) {
        let size = self.technician.request_bytes;
        let mut at = extent.start.0;
        while at < extent.end() {
            let request = Extent::between(at, extent.end().min((at / size + 1) * size));
            self.request(request);
            at = request.end();
        }
    }

    fn request(&mut self, request: Extent) {
        let parts = self.drive.prospects(request);
        let is_easy = |prospect: &Prospect| match prospect {
            Prospect::Read { failures, slowness } => *failures == 0 && *slowness <= 1.0,
            Prospect::Dead => true,
            Prospect::Alone => false,
        };
        let meets_alone = parts.iter().any(|(_, prospect)| *prospect == Prospect::Alone);
        let mut later = Vec::new();
        for (part, prospect) in parts {
            // Where sectors lie alone, what is around them is known only once they were met.
            if meets_alone || !is_easy(&prospect) {
                later.push((part, prospect));
            } else if prospect != Prospect::Dead {
                self.serve(part);
            }
        }
        if !later.is_empty() {
            let rate = self.rate(&later);
            self.later.push(Later { class: self.class, rate, parts: later });
        }
    }

    /// Bytes a second.
    fn rate(&self, parts: &[(Extent, Prospect)]) -> f64 {
        let (mut bytes, mut seconds) = (0, 0.0);
        for (part, prospect) in parts {
            match prospect {
                Prospect::Read { failures, .. } => {
                    bytes += part.bytes;
                    seconds += self.drive.transfer_seconds(*part) + f64::from(*failures) * self.drive.failed_seconds();
                }
                Prospect::Alone => seconds += self.drive.failed_seconds(),
                Prospect::Dead => {}
            }
        }
        to_f64(bytes) / seconds
    }

    fn difficult(&mut self) {
        let mut later = std::mem::take(&mut self.later);
        // Stable, so that equals stay in the plan's order.
        later.sort_by(|a, b| a.class.cmp(&b.class).then(b.rate.total_cmp(&a.rate)));
        for part in later.into_iter().flat_map(|later| later.parts) {
            match part {
                (place, Prospect::Alone) => self.serve(place),
                (place, Prospect::Read { failures, .. }) => (0..=failures).for_each(|_| self.serve(place)),
                (_, Prospect::Dead) => {}
            }
        }
    }

    fn serve(&mut self, extent: Extent) {
        self.mind_the_heat();
        while self.drive.serve(extent) == Outcome::Gone {
            self.drive.power_cycle(self.technician.power_cycle);
        }
    }

    fn mind_the_heat(&mut self) {
        let clock = self.drive.clock();
        if self.looked != Duration::MAX && clock.now().0.saturating_sub(self.looked) < LOOK_EVERY {
            return;
        }
        if self.drive.celsius() > self.technician.hot_limit {
            while self.drive.celsius() > self.technician.hot_limit - self.technician.cooling {
                clock.sleep(LOOK_EVERY);
            }
        }
        self.looked = clock.now().0;
    }
}
