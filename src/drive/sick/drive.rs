//! The drive itself: one request after the other, each with its time and its outcome.

use super::ailment::{Ailment, Ailments, Course, Prospect};
use super::content::Content;
use super::geometry::{Geometry, HeadOrder, Zone};
use super::heat::{Heat, Warmth};
use super::log::{Outcome, Request};
use crate::base::chance::draw;
use crate::base::clock::{Clock, Moment};
use crate::base::extent::Extent;
use crate::base::units::{ByteOffset, SectorSize};
use crate::drive::model::{DriveModel, to_f64};
use crate::source::{DriveDetails, ReadError, Source, SourceIdentity, SourceKind};
use rustix::io::Errno;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// What a drive is like.
#[derive(Clone)]
pub struct DriveSpec {
    /// Its zones, from the first byte on.
    pub zones: Vec<Zone>,
    /// In which order its heads take turns.
    pub order: HeadOrder,
    /// Seeks, the turn, what a request costs, what the interface lets through, and the time of a failed read. The rates
    /// are those of the zones.
    pub model: DriveModel,
    /// Logical sector.
    pub logical_sector: SectorSize,
    /// Physical sector: the least that can be bad.
    pub physical_sector: SectorSize,
    /// What is wrong with it.
    pub ailments: Vec<Ailment>,
    /// How warm it becomes.
    pub heat: Heat,
    /// Whatever happens by chance follows from it.
    pub seed: u64,
    /// What it holds.
    pub content: Content,
}

/// A simulated drive. Clones are the same drive.
#[derive(Clone)]
pub struct SickDrive {
    inner: Arc<Inner>,
}

struct Inner {
    spec: DriveSpec,
    identity: SourceIdentity,
    geometry: Geometry,
    fastest: f64,
    ailments: Ailments,
    clock: Clock,
    state: Mutex<State>,
}

struct State {
    /// The byte at which the head stands.
    at: u64,
    course: Course,
    /// Failed reads since power on.
    failures: u64,
    gone: bool,
    warmth: Warmth,
    log: Vec<Request>,
}

/// How long the kernel takes to say that there is no drive.
const GONE_TAKES: Duration = Duration::from_millis(1);

impl SickDrive {
    /// A drive as `spec` has it, just powered on, its head at the first byte and its clock at zero.
    pub fn new(spec: DriveSpec) -> SickDrive {
        let geometry = Geometry::new(spec.zones.clone(), spec.order);
        let ailments =
            Ailments::new(&spec.ailments, &geometry, spec.model.turn_ms, spec.physical_sector.bytes(), spec.seed);
        let identity = SourceIdentity {
            path: "simulated".into(),
            kind: SourceKind::BlockDevice,
            bytes: geometry.bytes(),
            logical_sector: spec.logical_sector,
            physical_sector: spec.physical_sector,
            model: Some("simulated drive".to_owned()),
            serial: Some(format!("{:016X}", spec.seed)),
            details: DriveDetails::default(),
        };
        let state = State {
            at: 0,
            course: Course::default(),
            failures: 0,
            gone: false,
            warmth: Warmth::at_first(&spec.heat),
            log: Vec::new(),
        };
        let fastest = geometry.zones().map(|(_, rate)| rate).fold(0.0, f64::max).min(spec.model.interface_rate);
        let clock = Clock::simulated();
        SickDrive {
            inner: Arc::new(Inner { spec, identity, geometry, fastest, ailments, clock, state: Mutex::new(state) }),
        }
    }

    /// The same drive as it was when new.
    #[must_use]
    pub fn twin(&self) -> SickDrive {
        SickDrive::new(self.inner.spec.clone())
    }

    /// Every request that was made of it, in order.
    pub fn log(&self) -> Vec<Request> {
        self.inner.state().log.clone()
    }

    /// What its sensor shows, in degrees Celsius.
    pub fn celsius(&self) -> f64 {
        self.inner.state().warmth.celsius(&self.inner.spec.heat, self.inner.clock.now())
    }

    /// Takes its power away and gives it back, which takes `time`. A drive that has died stays dead.
    pub fn power_cycle(&self, time: Duration) {
        self.inner.clock.sleep(time);
        let mut state = self.inner.state();
        (state.gone, state.failures, state.at) = (false, 0, 0);
    }

    /// What it holds.
    pub fn content(&self) -> &Content {
        &self.inner.spec.content
    }

    /// Where its bytes lie: for the oracle, and for those who draw it.
    pub fn geometry(&self) -> &Geometry {
        &self.inner.geometry
    }

    /// Lets a request happen: the time passes, the log has it.
    pub(super) fn serve(&self, extent: Extent) -> Outcome {
        self.inner.serve(extent)
    }

    /// What is to be expected of a range now.
    pub(super) fn prospects(&self, extent: Extent) -> Vec<(Extent, Prospect)> {
        let inner = &self.inner;
        inner.ailments.prospects(&inner.state().course, &inner.geometry, extent, inner.clock.now().0)
    }

    /// All that may be lost in time although it can be read at first.
    pub(super) fn threatened(&self) -> Option<Extent> {
        self.inner.ailments.threatened()
    }

    /// Seconds for reading `extent` where the head stands before it already, were nothing to fail.
    pub(super) fn transfer_seconds(&self, extent: Extent) -> f64 {
        self.inner.transfer_seconds(extent)
    }

    /// The parts of an extent with the rate at which each passes under the head.
    pub(super) fn rates(&self, extent: Extent) -> impl Iterator<Item = (Extent, f64)> {
        self.inner.spans(extent).map(|(part, rate, _)| (part, rate))
    }

    pub(super) fn failed_seconds(&self) -> f64 {
        self.inner.spec.model.failed_seconds
    }
}

impl Inner {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn is_gone(&self, state: &State) -> bool {
        state.gone || self.ailments.dying.is_some_and(|after| self.clock.now().0 >= after)
    }

    fn serve(&self, extent: Extent) -> Outcome {
        let began = self.clock.now();
        let mut state = self.state();
        let failed_at = self.ailments.first_failure(&state.course, &self.geometry, extent, began.0);
        let (outcome, took) =
            if self.is_gone(&state) { (Outcome::Gone, GONE_TAKES) } else { self.work(&mut state, extent, failed_at) };
        self.clock.sleep(took);
        let ended = Moment(began.0 + took);
        let heat = &self.spec.heat;
        match outcome {
            Outcome::Delivered => state.warmth.work(heat, heat.reading, began, ended),
            Outcome::Failed => state.warmth.work(heat, heat.failing, began, ended),
            Outcome::Gone => {}
        }
        state.log.push(Request { extent, began, took, outcome });
        outcome
    }

    fn work(&self, state: &mut State, extent: Extent, failed_at: Option<u64>) -> (Outcome, Duration) {
        let model = &self.spec.model;
        let seconds = self.move_seconds(state.at, extent.start.0) + model.request_ms / 1000.0;
        let number = state.course.reads;
        state.course.reads += 1;
        let hangs = self
            .ailments
            .hanging
            .filter(|(once_in, _)| draw(self.spec.seed, u64::MAX, number) * to_f64(*once_in) < 1.0);
        let waits = -(1.0 - draw(self.spec.seed, u64::MAX - 1, number)).ln();
        let hung = hangs.map_or(Duration::ZERO, |(_, time)| time) + self.ailments.uneven.mul_f64(waits);
        let Some(at) = failed_at else {
            state.at = extent.end();
            return (Outcome::Delivered, hung + duration(seconds + self.transfer_seconds(extent)));
        };
        state.at = at;
        state.failures += 1;
        self.ailments.failed(&mut state.course, &self.geometry, extent, at, self.clock.now().0);
        state.gone = self.ailments.vanishing.is_some_and(|failures| state.failures >= failures);
        (Outcome::Failed, hung + duration(seconds + model.failed_seconds))
    }

    /// Seconds until the head stands before byte `to`: nothing when it does and the band goes on, else a seek over the
    /// distance between the tracks and half a turn, or what passing over the bytes takes when that is shorter.
    fn move_seconds(&self, at: u64, to: u64) -> f64 {
        if at == to {
            let begins_band = to > 0 && self.geometry.band_at(to).extent.start.0 == to;
            return if begins_band { self.switch_seconds(to) } else { 0.0 };
        }
        let radius = |byte: u64| self.geometry.radius(byte.min(self.identity.bytes.saturating_sub(1)));
        let model = &self.spec.model;
        let seek = (model.seek.milliseconds((radius(at) - radius(to)).abs()) + model.turn_ms / 2.0) / 1000.0;
        if to > at && to_f64(to - at) < seek * self.fastest {
            seek.min(self.pass_seconds(Extent::between(at, to)))
        } else {
            seek
        }
    }

    /// Seconds for the bytes to pass under the head, without what makes reading them slower.
    fn pass_seconds(&self, extent: Extent) -> f64 {
        self.spans(extent).map(|(part, rate, switch)| switch + to_f64(part.bytes) / rate).sum()
    }

    fn transfer_seconds(&self, extent: Extent) -> f64 {
        let slower: f64 = self
            .ailments
            .speeds(&self.geometry, extent)
            .into_iter()
            .filter(|(_, slowness)| *slowness > 1.0)
            .map(|(part, slowness)| (slowness - 1.0) * self.plain_seconds(part))
            .sum();
        self.pass_seconds(extent) + slower
    }

    fn plain_seconds(&self, extent: Extent) -> f64 {
        self.spans(extent).map(|(part, rate, _)| to_f64(part.bytes) / rate).sum()
    }

    /// The parts of an extent on one band each, with the rate there and the seconds for coming to it from the band before.
    fn spans(&self, extent: Extent) -> impl Iterator<Item = (Extent, f64, f64)> {
        self.geometry.bands(extent).map(move |band| {
            let part = band.extent.intersection(&extent).expect("a band of the extent");
            let rate = self.geometry.rate(band.zone).min(self.spec.model.interface_rate);
            let is_new = part.start == band.extent.start && part.start.0 > extent.start.0;
            (part, rate, if is_new { self.switch_seconds(part.start.0) } else { 0.0 })
        })
    }

    /// Seconds from the last byte of a band to the first of the next: another head, and the way between the two tracks.
    /// No half a turn, for the next band begins where it then stands (track skew).
    fn switch_seconds(&self, first: u64) -> f64 {
        let way = (self.geometry.radius(first - 1) - self.geometry.radius(first)).abs();
        self.spec.model.seek.milliseconds(way) / 1000.0
    }
}

fn duration(seconds: f64) -> Duration {
    Duration::try_from_secs_f64(seconds).unwrap_or(Duration::MAX)
}

impl Source for SickDrive {
    fn identity(&self) -> &SourceIdentity {
        &self.inner.identity
    }

    fn read_at(&self, start: ByteOffset, buffer: &mut [u8]) -> Result<(), ReadError> {
        let extent = Extent::between(start.0, start.0.saturating_add(buffer.len() as u64));
        match self.inner.serve(extent) {
            Outcome::Delivered => self.inner.spec.content.fill(start, buffer),
            Outcome::Failed => Err(ReadError::Unreadable(io::Error::from(Errno::IO))),
            Outcome::Gone => Err(ReadError::Gone(io::Error::from(Errno::NODEV))),
        }
    }

    fn is_present(&self) -> bool {
        !self.inner.is_gone(&self.inner.state())
    }

    fn clock(&self) -> Clock {
        self.inner.clock.clone()
    }
}
