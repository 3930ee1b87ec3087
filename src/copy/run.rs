//! The reading side of a copy: one request at a time, with everything that must be looked at between two.

use super::check::{CheckFigures, DriveCheck};
use super::event::{PassProgress, Progress, Stage, TroubleKind};
use super::halt::Halt;
use super::outcome::StopReason;
use super::progress::Pace;
use super::regions::Regions;
use super::stop::StopRules;
use super::tally::{Counts, Tally};
use super::writer::{BUFFERS_BYTES, Desk};
use super::{ClassOutcome, Controls, CopyOptions, CopyOutcome, End, Event};
use crate::allocation::Class;
use crate::clock::Moment;
use crate::extent::Extent;
use crate::plan::PassHeader;
use crate::source::kernel::LoggedRequest;
use crate::source::{Failure, Mark, Reader, Skip, Store};
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How a request went.
pub(super) enum Answer {
    /// The bytes are on their way into the store; `slow` when they took longer than allowed.
    Arrived { took: Duration, slow: bool },
    /// They could not be read; `named` is where the drive stopped, if that is known.
    Failed { took: Duration, failure: Failure, named: Option<u64> },
}

/// Counts that make up the outcome.
pub(super) struct Figures {
    requests: u64,
    failed: [u64; Class::ALL.len()],
    resets: u64,
    slow: u64,
    arrived: u64,
    paused: Duration,
    checks: CheckFigures,
    regions: Regions,
    unit: u64,
}

/// The state of a copy on its reading side.
pub(super) struct Run<'r> {
    reader: &'r Reader,
    store: &'r dyn Store,
    options: &'r CopyOptions,
    controls: Controls<'r>,
    desk: Desk,
    figures: Figures,
    check: DriveCheck<'r>,
    /// Bytes that were durable when this copy began.
    safe_before: Option<u64>,
    /// Bytes that had arrived when the destination's room was looked at last.
    room_seen_at: u64,
    began: Moment,
    stop_rules: StopRules,
    pace: Pace,
    /// The plan's bytes as they stand, what is on its way included.
    counts: Counts,
    class: Class,
    /// The byte behind the last request.
    at: u64,
    /// The pass being swept, with what had arrived and was skipped when it began.
    pass: Option<(PassProgress, u64, u64)>,
    put_off: u64,
    /// What the next hour over difficult places is expected to bring; `None` in first reading.
    next_hour: Option<f64>,
    celsius: Option<f64>,
    asked_temperature: Option<Moment>,
}

/// A request during which the kernel reset the drive took this long at least: its shortest time limit is one second.
const RESETS_TAKE: Duration = Duration::from_secs(1);

/// How often a pause looks whether it was stopped.
const NAP: Duration = Duration::from_millis(50);

impl<'r> Run<'r> {
    pub(super) fn new(
        reader: &'r Reader,
        store: &'r dyn Store,
        options: &'r CopyOptions,
        controls: Controls<'r>,
        desk: Desk,
        before: &Tally,
        began: Moment,
    ) -> Run<'r> {
        let identity = reader.identity();
        let figures = Figures {
            resets: 0,
            requests: 0,
            failed: [0; Class::ALL.len()],
            slow: 0,
            arrived: 0,
            paused: Duration::ZERO,
            checks: CheckFigures::default(),
            regions: Regions::default(),
            unit: identity.physical_sector.bytes(),
        };
        Run {
            reader,
            store,
            options,
            controls,
            desk,
            figures,
            check: DriveCheck::new(reader, store, &before.held),
            safe_before: store.safe_bytes(),
            room_seen_at: 0,
            began,
            stop_rules: StopRules::default(),
            pace: Pace::default(),
            counts: before.whole(),
            class: Class::Tables,
            at: 0,
            pass: None,
            put_off: 0,
            next_hour: None,
            celsius: None,
            asked_temperature: None,
        }
    }

    pub(super) fn options(&self) -> &'r CopyOptions {
        self.options
    }

    pub(super) fn store(&self) -> &'r dyn Store {
        self.store
    }

    /// The drive's physical sector, in bytes: the smallest request, and what is given up.
    pub(super) fn unit(&self) -> u64 {
        self.figures.unit
    }

    /// Time since the start without pauses.
    pub(super) fn working_time(&self) -> Duration {
        self.since(self.began).saturating_sub(self.figures.paused)
    }

    fn since(&self, earlier: Moment) -> Duration {
        self.reader.clock().since(earlier)
    }

    /// Ends the reading side; the writer notices, commits and ends too.
    pub(super) fn leave(mut self) -> Figures {
        self.figures.checks = self.check.figures();
        self.figures
    }

    /// Before the first request, if there is one: does the drive still give what it gave in earlier runs?
    pub(super) fn check_first(&mut self) -> Result<(), Halt> {
        if self.left() == 0 { Ok(()) } else { self.check.check_content(0) }
    }

    /// Planned bytes that are neither copied nor unreadable.
    fn left(&self) -> u64 {
        self.counts.planned_bytes.saturating_sub(self.counts.copied_bytes + self.counts.unreadable_bytes)
    }

    /// However the copy ended: is what it brought the drive's own, and what is to be remembered?
    pub(super) fn settle_end<T>(&mut self, ended: Result<T, Halt>) -> Result<T, Halt> {
        let checked = match &ended {
            Ok(_) | Err(Halt::Stopped(_) | Halt::NoRoom { .. }) => {
                let arrived = self.figures.arrived;
                if arrived > 0 { self.check.check_content(arrived) } else { Ok(()) }
            }
            _ => Ok(()),
        };
        // That the drive gives other bytes is the graver news; that it is gone now takes nothing back.
        let ended = match checked {
            Err(halt @ Halt::Changed { .. }) => Err(halt),
            _ => ended,
        };
        if let Err(Halt::Silent { marks, .. } | Halt::Changed { marks, .. }) = &ended {
            // If the writer has ended, its error is the news.
            let _ = marks.iter().try_for_each(|mark| self.desk.mark(*mark));
        }
        ended
    }

    /// Decides what waits for the drive to answer.
    pub(super) fn decide(&mut self) -> Result<(), Halt> {
        let decided = self.check.decide(self.figures.arrived)?;
        self.remember(decided)
    }

    fn remember(&mut self, decided: Vec<Mark>) -> Result<(), Halt> {
        for mark in decided {
            let extent = mark.extent();
            self.desk.mark(mark)?;
            self.counts.deferred_bytes = self.counts.deferred_bytes.saturating_sub(extent.bytes);
            self.counts.unreadable_bytes += extent.bytes;
            self.tell(&Event::Unreadable { extent });
        }
        Ok(())
    }

    pub(super) fn begin_class(&mut self, class: Class) {
        self.class = class;
    }

    /// Requests that failed.
    pub(super) fn failed(&self) -> u64 {
        self.figures.failed.iter().sum()
    }

    /// A request was slow.
    pub(super) fn count_slow(&mut self) {
        self.figures.slow += 1;
    }

    /// What the next hour over difficult places is expected to bring, in bytes of class `files`.
    pub(super) fn expect_next_hour(&mut self, next_hour: f64) {
        self.next_hour = Some(next_hour);
    }

    /// Waits until the store knows all that happened.
    pub(super) fn settle(&mut self) -> Result<(), Halt> {
        self.desk.commit()?;
        self.desk.settle()
    }

    /// One request. `was_deferred` says in which state its bytes are now.
    pub(super) fn attempt(&mut self, extent: Extent, was_deferred: bool) -> Result<Answer, Halt> {
        self.check_stop()?;
        self.check_room()?;
        self.mind_the_heat()?;
        let mut buffer = self.desk.buffer()?;
        let count = usize::try_from(extent.bytes).expect("a request is at most 16 MiB");
        self.figures.requests += 1;
        self.at = extent.end();
        if let Some(log) = &mut self.controls.request_log {
            log.before_request();
        }
        let attempt = self.reader.attempt(extent, &mut buffer.bytes_mut()[..count])?;
        let logged = self.logged(extent, attempt.failure.is_some() || attempt.took >= RESETS_TAKE);
        let answer = match attempt.failure {
            None => {
                // Asked before the buffer goes, told after it: what is kept may be withdrawn, never the other way round.
                let checked = self.check.succeeded(extent, &buffer.bytes()[..count], self.figures.arrived);
                self.desk.keep(extent, buffer)?;
                self.arrived(extent, was_deferred);
                self.remember(checked?)?;
                let slow = self.options.slow.is_some_and(|limit| attempt.took > limit);
                Answer::Arrived { took: attempt.took, slow }
            }
            Some(failure) => {
                self.desk.give_back(buffer);
                self.figures.failed[self.class as usize] += 1;
                self.figures.regions.failed(extent);
                // The start means no more than that nothing is known, and what lies outside is about another request.
                let named = logged
                    .failed_place
                    .map(|place| place.0)
                    .filter(|place| extent.start.0 < *place && *place < extent.end());
                let decided = self.check.failed(extent, failure, self.figures.arrived)?;
                self.remember(decided)?;
                Answer::Failed { took: attempt.took, failure, named }
            }
        };
        let failed = matches!(answer, Answer::Failed { .. });
        self.stop_rules.saw(&self.options.stop_after, failed, self.working_time(), self.figures.arrived);
        self.tell_progress();
        Ok(answer)
    }

    /// What was logged of a request, where anything may have been.
    fn logged(&mut self, extent: Extent, is_due: bool) -> LoggedRequest {
        let Some(log) = self.controls.request_log.as_mut().filter(|_| is_due) else { return LoggedRequest::default() };
        let logged = log.after_request(extent);
        self.figures.resets += logged.resets;
        logged
    }

    fn arrived(&mut self, extent: Extent, was_deferred: bool) {
        self.figures.arrived += extent.bytes;
        self.counts.copied_bytes += extent.bytes;
        if was_deferred {
            self.counts.deferred_bytes = self.counts.deferred_bytes.saturating_sub(extent.bytes);
        } else {
            self.passed_over(extent.bytes);
        }
    }

    /// Skips a place that was not read yet.
    pub(super) fn skip(&mut self, extent: Extent, why: Skip, failure: Failure) -> Result<(), Halt> {
        self.desk.mark(Mark::Skipped { extent, why, failure })?;
        self.put_off += extent.bytes;
        self.counts.deferred_bytes += extent.bytes;
        self.passed_over(extent.bytes);
        Ok(())
    }

    /// A request for a place failed; `was_skipped` says in which state its bytes are now.
    pub(super) fn mark_failed(&mut self, extent: Extent, failure: Failure, was_skipped: bool) -> Result<(), Halt> {
        if was_skipped {
            self.desk.mark(Mark::Skipped { extent, why: Skip::Failed, failure })
        } else {
            self.skip(extent, Skip::Failed, failure)
        }
    }

    /// A skipped place has failed alone so many times.
    pub(super) fn unreadable(&mut self, extent: Extent, tries: u32, failure: Failure) -> Result<(), Halt> {
        let tries = u16::try_from(tries).unwrap_or(u16::MAX);
        let decided = self.check.unreadable(Mark::Unreadable { extent, tries, failure }, failure);
        self.remember(decided.into_iter().collect())
    }

    pub(super) fn begin_pass(&mut self, pass: &PassHeader) {
        self.next_hour = None;
        let progress = PassProgress { number: pass.number, class: pass.class, bytes: pass.bytes, done_bytes: 0 };
        self.pass = Some((progress, self.figures.arrived, self.put_off));
        self.tell(&Event::PassBegun {
            number: pass.number,
            class: pass.class,
            pattern: pass.pattern.clone(),
            bytes: pass.bytes,
        });
    }

    /// The sweep has come so much further in its pass.
    pub(super) fn passed_over(&mut self, bytes: u64) {
        if let Some((pass, ..)) = &mut self.pass {
            pass.done_bytes += bytes;
        }
    }

    pub(super) fn end_pass(&mut self) -> Result<(), Halt> {
        // What is told at the end of a pass counts what is safe.
        self.settle()?;
        if let Some((pass, arrived, put_off)) = self.pass.take() {
            self.tell(&Event::PassEnded {
                number: pass.number,
                arrived_bytes: self.figures.arrived - arrived,
                deferred_bytes: self.put_off - put_off,
            });
        }
        Ok(())
    }

    pub(super) fn announce_start(&mut self, before: &Tally) {
        let whole = before.whole();
        self.tell(&Event::Begun {
            plan_bytes: whole.planned_bytes,
            copied_bytes: whole.copied_bytes,
            deferred_bytes: whole.deferred_bytes,
            unreadable_bytes: whole.unreadable_bytes,
        });
    }

    pub(super) fn announce_trouble(&mut self, extent: Extent, kind: TroubleKind, took: Duration, jump_bytes: u64) {
        self.tell(&Event::Trouble { extent, kind, seconds: took.as_secs_f64(), jump_bytes });
    }

    pub(super) fn announce_stage(&mut self, stage: Stage) {
        self.tell(&Event::StageBegun { stage });
    }

    fn tell(&mut self, event: &Event) {
        (self.controls.events)(event);
    }

    fn tell_progress(&mut self) {
        if !self.pace.is_due(self.working_time(), self.figures.arrived) {
            return;
        }
        let left = self.left();
        let rate = self.pace.rate();
        #[allow(clippy::cast_precision_loss, reason = "an estimate needs no 53 bits")]
        let seconds_left = rate.filter(|rate| *rate > 0.0).map(|rate| left as f64 / rate);
        let progress = Progress {
            pass: self.pass.as_ref().map(|(pass, ..)| *pass),
            class: self.class,
            at: self.at,
            plan_bytes: self.counts.planned_bytes,
            copied_bytes: self.counts.copied_bytes.saturating_sub(self.not_safe_yet()),
            deferred_bytes: self.counts.deferred_bytes,
            unreadable_bytes: self.counts.unreadable_bytes,
            arrived_bytes: self.figures.arrived,
            rate,
            seconds: self.since(self.began).as_secs_f64(),
            seconds_left,
            next_hour_bytes: self.next_hour,
            failed_requests: self.figures.failed.iter().sum(),
            celsius: self.celsius,
        };
        self.tell(&Event::Progress(progress));
    }

    /// What has arrived in this copy and is not durable yet: on its way to the store, or not committed there.
    fn not_safe_yet(&self) -> u64 {
        let (Some(before), Some(now)) = (self.safe_before, self.store.safe_bytes()) else { return 0 };
        (before + self.figures.arrived).saturating_sub(now)
    }

    /// Room for what is on its way and what is next, looked at now and then: what has arrived must never find the
    /// destination full.
    fn check_room(&mut self) -> Result<(), Halt> {
        if self.figures.arrived > 0 && self.figures.arrived - self.room_seen_at < BUFFERS_BYTES / 2 {
            return Ok(());
        }
        self.room_seen_at = self.figures.arrived;
        let needed = self.left().min(2 * BUFFERS_BYTES);
        match self.store.room().filter(|room| *room < needed) {
            Some(room) => Err(Halt::NoRoom { room }),
            None => Ok(()),
        }
    }

    fn check_stop(&self) -> Result<(), Halt> {
        let limits = &self.options.stop_after;
        let reached = |limit: Option<u64>, now: u64| limit.is_some_and(|limit| now >= limit);
        let reason = if self.controls.stop.load(Ordering::Relaxed) {
            StopReason::Asked
        } else if limits.time.is_some_and(|limit| self.since(self.began) >= limit) {
            StopReason::Time
        } else if reached(limits.bytes, self.figures.arrived) {
            StopReason::Bytes
        } else if reached(limits.errors, self.figures.failed.iter().sum()) {
            StopReason::Errors
        } else if reached(limits.resets, self.figures.resets) {
            StopReason::Resets
        } else {
            let reached = self.stop_rules.reached(limits, self.working_time());
            return reached.map_or(Ok(()), |reason| Err(Halt::Stopped(reason)));
        };
        Err(Halt::Stopped(reason))
    }

    /// Asks for the temperature now and then; when it is too high, waits until the drive has cooled.
    fn mind_the_heat(&mut self) -> Result<(), Halt> {
        let Some(celsius) = self.temperature_if_due() else { return Ok(()) };
        if celsius <= self.options.warm_limit {
            return Ok(());
        }
        let until = self.options.warm_limit - CopyOptions::COOLING;
        self.tell(&Event::Paused { celsius, until_celsius: until });
        let began = self.reader.clock().now();
        let cooled = self.wait_until_cool(until);
        self.figures.paused += self.since(began);
        self.tell(&Event::Resumed { celsius: self.celsius, seconds: self.since(began).as_secs_f64() });
        cooled
    }

    fn wait_until_cool(&mut self, until: f64) -> Result<(), Halt> {
        loop {
            self.reader.clock().sleep(NAP.min(self.options.temperature_every));
            self.check_stop()?;
            let is_due = self.asked_temperature.is_none_or(|at| self.since(at) >= self.options.temperature_every);
            // A sensor that no longer answers must not hold the copy for ever.
            if is_due && self.temperature_if_due().is_none_or(|celsius| celsius <= until) {
                return Ok(());
            }
        }
    }

    /// The temperature, if it is time to ask and there is one.
    fn temperature_if_due(&mut self) -> Option<f64> {
        let now = self.reader.clock().now();
        let thermometer = self.controls.thermometer.as_mut()?;
        if self.asked_temperature.is_some_and(|at| now.since(at) < self.options.temperature_every) {
            return None;
        }
        self.asked_temperature = Some(now);
        self.celsius = thermometer();
        self.celsius
    }
}

impl Figures {
    pub(super) fn into_outcome(self, end: End, tally: &Tally, store: &dyn Store, took: Duration) -> CopyOutcome {
        let class = |class: Class| {
            let counts = tally.of(class);
            ClassOutcome {
                class,
                planned_bytes: counts.planned_bytes,
                copied_bytes: counts.copied_bytes,
                deferred_bytes: counts.deferred_bytes,
                unreadable_bytes: counts.unreadable_bytes,
                failed_requests: self.failed[class as usize],
            }
        };
        CopyOutcome {
            end,
            classes: Class::ALL.into_iter().map(class).filter(|class| class.planned_bytes > 0).collect(),
            requests: self.requests,
            failed_requests: self.failed.iter().sum(),
            slow_requests: self.slow,
            resets: self.resets,
            arrived_bytes: self.arrived,
            bad_regions: self.regions.list(store, self.unit),
            failed_requests_unlisted: self.regions.unlisted(),
            seconds: took.as_secs_f64(),
            paused_seconds: self.paused.as_secs_f64(),
            checks: self.checks,
        }
    }
}
