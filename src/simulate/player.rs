//! A head with a clock.

use crate::base::extent::Extent;
use crate::drive::model::{DriveModel, Head, to_f64};

/// Reads on a model, and lets time pass.
pub struct Player<'m> {
    model: &'m DriveModel,
    head: Head,
    /// Seconds since the start.
    pub clock: f64,
    request_bytes: u64,
    /// What requests add to each byte of what is being read in one go.
    request_seconds_per_byte: f64,
    bad: Option<Extent>,
}

/// A range read, and when.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Span {
    /// When its first byte arrived.
    pub began: f64,
    /// When its last byte had.
    pub ended: f64,
    /// Its length in bytes.
    pub bytes: u64,
    /// Whether it yielded nothing.
    pub lost: bool,
}

impl<'m> Player<'m> {
    /// A head at the drive's first byte.
    pub fn new(model: &'m DriveModel, drive_bytes: u64, request_bytes: u64, bad: Option<Extent>) -> Player<'m> {
        Player {
            model,
            head: Head { at: 0, drive_bytes },
            clock: 0.0,
            request_bytes: request_bytes.max(1),
            request_seconds_per_byte: 0.0,
            bad,
        }
    }

    /// Goes to where something is read in one go.
    pub fn enter(&mut self, whole: Extent) {
        self.clock += self.model.move_seconds(self.head, whole.start.0);
        self.head.at = whole.start.0;
        let requests = whole.bytes.div_ceil(self.request_bytes);
        let seconds = to_f64(requests) * self.model.request_ms / 1000.0;
        self.request_seconds_per_byte = seconds / to_f64(whole.bytes.max(1));
    }

    /// Reads on until byte `to`, in up to three ranges: before, in and behind the bad region.
    pub fn through(&mut self, to: u64, mut done: impl FnMut(Span)) {
        let Some(bad) = self.bad.and_then(|bad| bad.intersection(&Extent::between(self.head.at, to))) else {
            return self.sound(to, &mut done);
        };
        self.sound(bad.start.0, &mut done);
        let began = self.clock;
        // Every request fails that touches the region; one that lies partly outside is made again for that part.
        self.clock += to_f64(bad.bytes.div_ceil(self.request_bytes)) * self.model.failed_seconds;
        self.head.at = bad.end();
        done(Span { began, ended: self.clock, bytes: bad.bytes, lost: true });
        self.sound(to, &mut done);
    }

    fn sound(&mut self, to: u64, done: &mut impl FnMut(Span)) {
        let extent = Extent::between(self.head.at, to);
        if extent.is_empty() {
            return;
        }
        let began = self.clock;
        self.clock += self.model.transfer_seconds(extent, self.head.drive_bytes)
            + to_f64(extent.bytes) * self.request_seconds_per_byte;
        self.head.at = to;
        done(Span { began, ended: self.clock, bytes: extent.bytes, lost: false });
    }
}
