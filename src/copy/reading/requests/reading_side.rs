//! The reading side of a copy: one request at a time, with everything that must be looked at between two.

use super::heat::Heat;
use super::stop::{SoFar, StopRules};
use super::writer::{BUFFERS_BYTES, WriterHandle};
use crate::base::clock::Moment;
use crate::base::extent::Extent;
use crate::copy::reading::early_end::EarlyEnd;
use crate::copy::reading::observed::check::{CheckFigures, DriveCheck};
use crate::copy::reading::told::event::{Difficulties, Health, PassProgress, Progress, Stage, TimeLeft, TroubleKind};
use crate::copy::reading::told::plan_counts::{Counts, PlanCounts};
use crate::copy::reading::told::progress::{EasyPace, Pace};
use crate::copy::reading::told::regions::Regions;
use crate::copy::reading::{ClassOutcome, Controls, CopyOptions, CopyOutcome, End, Event};
use crate::plan::PassHeader;
use crate::source::kernel::LoggedRequest;
use crate::source::{CopyStore, Failure, RangeMark, Reader, Skip};
use crate::survey::allocation::Class;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// How a request went.
pub(in crate::copy::reading) enum Answer {
    /// The bytes are on their way into the store; `slow` when they took longer than `CopyOptions::slow` allows.
    Arrived { took: Duration, slow: bool },
    /// They could not be read; `named` is where the drive stopped, if that is known.
    Failed { took: Duration, failure: Failure, named: Option<u64> },
}

/// Counts that make up the outcome.
pub(in crate::copy::reading) struct Figures {
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

/// What first reading of a pass has come to.
struct OpenPass {
    progress: PassProgress,
    arrived_bytes: u64,
    skipped_bytes: u64,
}

/// The state of a copy on its reading side.
pub(in crate::copy::reading) struct ReadingSide<'r> {
    reader: &'r Reader,
    store: &'r dyn CopyStore,
    options: &'r CopyOptions,
    controls: Controls<'r>,
    writer: WriterHandle,
    figures: Figures,
    check: DriveCheck<'r>,
    /// Bytes that were durable when this copy began.
    safe_before: Option<u64>,
    /// Bytes that had arrived when the destination's room was looked at last.
    room_seen_at: u64,
    began: Moment,
    stop_rules: StopRules,
    pace: Pace,
    easy: EasyPace,
    /// Seeks to what is not read yet.
    seeks_left: u64,
    /// The last request followed the one before it.
    onward: bool,
    /// Time that failed requests took.
    failed_time: Duration,
    difficult: Difficulties,
    told_difficult: Option<Duration>,
    /// The plan's bytes as they stand, what is on its way included.
    counts: Counts,
    class: Class,
    /// The byte behind the last request.
    at: u64,
    /// The pass in first reading.
    pass: Option<OpenPass>,
    /// What is read now is read around a failure, whatever its class: the pass in first reading does not count it.
    pub(in crate::copy::reading) is_aside: bool,
    /// What the next hour of retries is expected to bring; `None` in first reading.
    next_hour: Option<f64>,
    heat: Heat,
}

/// A request during which the kernel reset the drive took this long at least: its shortest time limit is one second.
const RESETS_TAKE: Duration = Duration::from_secs(1);

/// Difficulties are added up for ten seconds or a twentieth of the time gone, so that a day of them is told in some 140 lines.
const TELL_DIFFICULT: Duration = Duration::from_secs(10);
const TELL_DIFFICULT_SHARE: u32 = 20;

/// No time is told for skipped ranges beyond a day: the copy ends by itself when they bring too little.
const LONGEST_DIFFICULT: f64 = 86_400.0;

/// How often a pause looks whether it was stopped.
const LOOK_FOR_STOP_EVERY: Duration = Duration::from_millis(50);

/// From where to where, how, and since when.
#[derive(Clone, Copy)]
pub(in crate::copy::reading) struct CopyTask<'r> {
    pub(in crate::copy::reading) reader: &'r Reader,
    pub(in crate::copy::reading) store: &'r dyn CopyStore,
    pub(in crate::copy::reading) options: &'r CopyOptions,
    pub(in crate::copy::reading) began: Moment,
}

impl<'r> ReadingSide<'r> {
    pub(in crate::copy::reading) fn new(
        task: CopyTask<'r>,
        controls: Controls<'r>,
        writer: WriterHandle,
        before: &PlanCounts,
    ) -> ReadingSide<'r> {
        let CopyTask { reader, store, options, began } = task;
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
        ReadingSide {
            reader,
            store,
            options,
            controls,
            writer,
            figures,
            check: DriveCheck::new(reader, store, &before.held),
            safe_before: store.safe_bytes(),
            room_seen_at: 0,
            began,
            stop_rules: StopRules::default(),
            pace: Pace::default(),
            easy: EasyPace::default(),
            seeks_left: before.whole().unread_ranges,
            onward: false,
            failed_time: Duration::ZERO,
            difficult: Difficulties::default(),
            told_difficult: None,
            counts: before.whole(),
            class: Class::Tables,
            at: 0,
            pass: None,
            is_aside: false,
            next_hour: None,
            heat: Heat::default(),
        }
    }

    pub(in crate::copy::reading) fn options(&self) -> &'r CopyOptions {
        self.options
    }

    pub(in crate::copy::reading) fn store(&self) -> &'r dyn CopyStore {
        self.store
    }

    /// The drive's physical sector, in bytes: the smallest request, and the unit of what is unreadable.
    pub(in crate::copy::reading) fn unit(&self) -> u64 {
        self.figures.unit
    }

    /// Time since the start without pauses.
    pub(in crate::copy::reading) fn working_time(&self) -> Duration {
        self.since(self.began).saturating_sub(self.figures.paused)
    }

    fn since(&self, earlier: Moment) -> Duration {
        self.reader.clock().since(earlier)
    }

    /// Ends the reading side; the writer notices, commits and ends too.
    pub(in crate::copy::reading) fn leave(mut self) -> Figures {
        self.figures.checks = self.check.figures();
        self.figures
    }

    /// Before the first request, if there is one: does the drive still give what it gave in earlier runs?
    pub(in crate::copy::reading) fn check_first(&mut self) -> Result<(), EarlyEnd> {
        if self.left() == 0 { Ok(()) } else { self.check.check_content(0) }
    }

    /// Planned bytes that are neither copied nor unreadable.
    fn left(&self) -> u64 {
        self.counts.planned_bytes.saturating_sub(self.counts.copied_bytes + self.counts.unreadable_bytes)
    }

    /// However the copy ended: is what it brought the drive's own, and what is to be remembered?
    pub(in crate::copy::reading) fn settle_end<T>(&mut self, ended: Result<T, EarlyEnd>) -> Result<T, EarlyEnd> {
        let checked = match &ended {
            Ok(_) | Err(EarlyEnd::Stopped(_) | EarlyEnd::NoRoom { .. }) => {
                let arrived = self.figures.arrived;
                if arrived > 0 { self.check.check_content(arrived) } else { Ok(()) }
            }
            _ => Ok(()),
        };
        // That the drive gives other bytes matters more than that it is gone now.
        let ended = match checked {
            Err(halt @ EarlyEnd::Changed { .. }) => Err(halt),
            _ => ended,
        };
        self.tell_difficult(Duration::ZERO);
        if let Err(EarlyEnd::Silent { marks, .. } | EarlyEnd::Changed { marks, .. }) = &ended {
            // If the writer has ended, its error is the news.
            let _ = marks.iter().try_for_each(|mark| self.writer.mark(*mark));
        }
        ended
    }

    /// Decides what was left open until the drive answers.
    pub(in crate::copy::reading) fn decide(&mut self) -> Result<(), EarlyEnd> {
        let decided = self.check.decide(self.figures.arrived)?;
        self.remember(decided)
    }

    fn remember(&mut self, decided: Vec<RangeMark>) -> Result<(), EarlyEnd> {
        for mark in decided {
            let extent = mark.extent();
            self.writer.mark(mark)?;
            self.counts.skipped_bytes = self.counts.skipped_bytes.saturating_sub(extent.bytes);
            self.counts.unreadable_bytes += extent.bytes;
            self.difficult.unreadable_bytes += extent.bytes;
            self.tell(&Event::Unreadable { extent });
        }
        Ok(())
    }

    pub(in crate::copy::reading) fn begin_class(&mut self, class: Class) {
        self.class = class;
    }

    /// Requests that were made, failed ones among them.
    pub(in crate::copy::reading) fn requests(&self) -> u64 {
        self.figures.requests
    }

    /// Requests that failed.
    pub(in crate::copy::reading) fn failed(&self) -> u64 {
        self.figures.failed.iter().sum()
    }

    /// A request was slow.
    pub(in crate::copy::reading) fn count_slow(&mut self) {
        self.figures.slow += 1;
        self.difficult.slow_requests += 1;
    }

    /// A request in first reading arrived as easily as others.
    pub(in crate::copy::reading) fn read_easily(&mut self, extent: Extent, took: Duration) {
        self.easy.saw(extent.bytes, self.onward, took);
    }

    /// What the next hour of retries is expected to bring, in bytes of class `files`.
    pub(in crate::copy::reading) fn expect_next_hour(&mut self, next_hour: f64) {
        self.next_hour = Some(next_hour);
    }

    /// Waits until the store knows all that happened.
    pub(in crate::copy::reading) fn settle(&mut self) -> Result<(), EarlyEnd> {
        self.writer.commit()?;
        self.writer.settle()
    }

    /// One request. `was_skipped` says in which state its bytes are now.
    pub(in crate::copy::reading) fn attempt(&mut self, extent: Extent, was_skipped: bool) -> Result<Answer, EarlyEnd> {
        self.check_stop()?;
        self.check_room()?;
        self.pause_while_hot()?;
        let spacing = TELL_DIFFICULT.max(self.working_time() / TELL_DIFFICULT_SHARE);
        self.tell_difficult(spacing);
        let mut buffer = self.writer.buffer()?;
        let count = usize::try_from(extent.bytes).expect("a request is at most 16 MiB");
        self.figures.requests += 1;
        self.onward = extent.start.0 == self.at;
        if !self.onward && !was_skipped {
            self.seeks_left = self.seeks_left.saturating_sub(1);
        }
        self.at = extent.end();
        let checks = self.check.figures();
        if let Some(log) = &mut self.controls.request_log {
            log.before_request();
        }
        let attempt = self.reader.attempt(extent, &mut buffer.bytes_mut()[..count])?;
        let logged = self.logged(extent, attempt.failure.is_some() || attempt.took >= RESETS_TAKE);
        let answer = match attempt.failure {
            None => {
                // Asked before the buffer goes, told after it: what is kept may be withdrawn, never the other way round.
                let checked = self.check.succeeded(extent, &buffer.bytes()[..count], self.figures.arrived);
                self.writer.keep(extent, buffer)?;
                self.arrived(extent, was_skipped);
                self.remember(checked?)?;
                let slow = self.options.slow.is_some_and(|limit| attempt.took > limit);
                Answer::Arrived { took: attempt.took, slow }
            }
            Some(failure) => {
                self.writer.give_back(buffer);
                self.figures.failed[self.class as usize] += 1;
                self.figures.regions.failed(extent);
                self.count_failed(extent, was_skipped, attempt.took);
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
        let failed_after = failed.then_some(attempt.took);
        if failed {
            let now = self.check.figures();
            self.difficult.checks += now.requests - checks.requests;
            self.difficult.failed_checks += now.failed_requests - checks.failed_requests;
        }
        self.difficult.retries += u64::from(was_skipped);
        self.stop_rules.saw(&self.options.stop_after, failed_after, self.working_time(), self.figures.arrived);
        self.tell_progress();
        Ok(answer)
    }

    fn count_failed(&mut self, extent: Extent, was_skipped: bool, took: Duration) {
        self.failed_time += took;
        let difficult = &mut self.difficult;
        let all = difficult.extent.unwrap_or(extent);
        let all = Extent::between(all.start.0.min(extent.start.0), all.end().max(extent.end()));
        difficult.extent = Some(all);
        difficult.lba = all.start.0 / self.reader.identity().logical_sector.bytes();
        *if was_skipped { &mut difficult.failed_retries } else { &mut difficult.failed_requests } += 1;
        difficult.seconds += took.as_secs_f64();
    }

    /// Tells what was difficult, unless that was done less than `spacing` ago.
    fn tell_difficult(&mut self, spacing: Duration) {
        let now = self.working_time();
        let is_due = self.told_difficult.is_none_or(|told| now.saturating_sub(told) >= spacing);
        let is_any = Difficulties { skipped_bytes: 0, ..self.difficult } != Difficulties::default();
        if is_due && is_any {
            self.told_difficult = Some(now);
            let difficult = std::mem::take(&mut self.difficult);
            self.tell(&Event::Difficult(difficult));
        }
    }

    /// What was logged of a request, where anything may have been.
    fn logged(&mut self, extent: Extent, is_due: bool) -> LoggedRequest {
        let Some(log) = self.controls.request_log.as_mut().filter(|_| is_due) else { return LoggedRequest::default() };
        let logged = log.after_request(extent);
        self.figures.resets += logged.resets;
        self.stop_rules.saw_resets(logged.resets, self.working_time());
        logged
    }

    fn arrived(&mut self, extent: Extent, was_skipped: bool) {
        self.figures.arrived += extent.bytes;
        self.counts.copied_bytes += extent.bytes;
        if was_skipped {
            self.counts.skipped_bytes = self.counts.skipped_bytes.saturating_sub(extent.bytes);
            self.difficult.retried_bytes += extent.bytes;
        } else if let Some(pass) = self.open_pass() {
            pass.progress.copied_bytes += extent.bytes;
            pass.arrived_bytes += extent.bytes;
        }
    }

    /// The pass that what is read now counts to.
    fn open_pass(&mut self) -> Option<&mut OpenPass> {
        self.pass.as_mut().filter(|_| !self.is_aside)
    }

    /// Skips a range that was not read yet.
    pub(in crate::copy::reading) fn skip(
        &mut self,
        extent: Extent,
        why: Skip,
        failure: Failure,
    ) -> Result<(), EarlyEnd> {
        self.writer.mark(RangeMark::Skipped { extent, why, failure })?;
        if let Some(pass) = self.open_pass() {
            pass.skipped_bytes += extent.bytes;
        }
        self.counts.skipped_bytes += extent.bytes;
        self.difficult.skipped_bytes += extent.bytes;
        Ok(())
    }

    /// A request for a range failed; `was_skipped` says in which state its bytes are now.
    pub(in crate::copy::reading) fn mark_failed(
        &mut self,
        extent: Extent,
        failure: Failure,
        was_skipped: bool,
    ) -> Result<(), EarlyEnd> {
        if was_skipped {
            self.writer.mark(RangeMark::Skipped { extent, why: Skip::Failed, failure })
        } else {
            self.skip(extent, Skip::Failed, failure)
        }
    }

    /// A skipped range has failed alone so many times.
    pub(in crate::copy::reading) fn unreadable(
        &mut self,
        extent: Extent,
        tries: u32,
        failure: Failure,
    ) -> Result<(), EarlyEnd> {
        let tries = u16::try_from(tries).unwrap_or(u16::MAX);
        let decided = self.check.unreadable(RangeMark::Unreadable { extent, tries, failure }, failure);
        self.remember(decided.into_iter().collect())
    }

    pub(in crate::copy::reading) fn begin_pass(&mut self, pass: &PassHeader) {
        self.next_hour = None;
        let progress = PassProgress { number: pass.number, class: pass.class, bytes: pass.bytes, copied_bytes: 0 };
        self.pass = Some(OpenPass { progress, arrived_bytes: 0, skipped_bytes: 0 });
        self.tell(&Event::PassBegun {
            number: pass.number,
            class: pass.class,
            pattern: pass.pattern.clone(),
            bytes: pass.bytes,
        });
    }

    /// First reading of a pass came to bytes that the store holds.
    pub(in crate::copy::reading) fn held_before(&mut self, bytes: u64) {
        if let Some(pass) = self.open_pass() {
            pass.progress.copied_bytes += bytes;
        }
    }

    pub(in crate::copy::reading) fn end_pass(&mut self) -> Result<(), EarlyEnd> {
        // What is told at the end of a pass counts what is safe.
        self.settle()?;
        self.tell_difficult(TELL_DIFFICULT);
        if let Some(pass) = self.pass.take() {
            self.tell(&Event::PassEnded {
                number: pass.progress.number,
                arrived_bytes: pass.arrived_bytes,
                deferred_bytes: pass.skipped_bytes,
            });
        }
        Ok(())
    }

    pub(in crate::copy::reading) fn announce_start(&mut self, before: &PlanCounts) {
        let whole = before.whole();
        self.tell(&Event::Begun {
            plan_bytes: whole.planned_bytes,
            copied_bytes: whole.copied_bytes,
            deferred_bytes: whole.skipped_bytes,
            unreadable_bytes: whole.unreadable_bytes,
        });
    }

    pub(in crate::copy::reading) fn announce_trouble(
        &mut self,
        extent: Extent,
        kind: TroubleKind,
        took: Duration,
        jump_bytes: u64,
    ) {
        self.tell(&Event::Trouble { extent, kind, seconds: took.as_secs_f64(), jump_bytes });
    }

    pub(in crate::copy::reading) fn announce_stage(&mut self, stage: Stage) {
        self.tell_difficult(TELL_DIFFICULT);
        self.tell(&Event::StageBegun { stage });
    }

    fn tell(&mut self, event: &Event) {
        (self.controls.events)(event);
    }

    fn tell_progress(&mut self) {
        if !self.pace.is_due(self.working_time(), self.figures.arrived) {
            return;
        }
        let not_safe_yet = self.not_safe_yet();
        let safe = |pass: PassProgress| PassProgress {
            // What is not safe yet belongs to this pass: each ends when all of it is.
            copied_bytes: pass.copied_bytes.saturating_sub(not_safe_yet),
            ..pass
        };
        let progress = Progress {
            pass: self.pass.as_ref().map(|pass| safe(pass.progress)),
            class: self.class,
            at: self.at,
            plan_bytes: self.counts.planned_bytes,
            copied_bytes: self.counts.copied_bytes.saturating_sub(not_safe_yet),
            deferred_bytes: self.counts.skipped_bytes,
            unreadable_bytes: self.counts.unreadable_bytes,
            arrived_bytes: self.figures.arrived,
            rate: self.pace.rate(),
            seconds: self.since(self.began).as_secs_f64(),
            left: self.time_left(),
            next_hour_bytes: self.next_hour,
            failed_requests: self.failed(),
            health: self.health(),
        };
        self.tell(&Event::Progress(progress));
    }

    fn time_left(&self) -> TimeLeft {
        let difficult = self.counts.skipped_bytes;
        let unread = self.left().saturating_sub(difficult);
        // Each sector alone, at every try.
        let requests = difficult.div_ceil(self.unit()) * u64::from(self.options.retries + 1);
        #[allow(clippy::cast_precision_loss, reason = "an estimate needs no 53 bits")]
        let each = (self.failed() > 0).then(|| self.failed_time.as_secs_f64() / self.failed() as f64);
        #[allow(clippy::cast_precision_loss, reason = "an estimate needs no 53 bits")]
        let difficult_seconds = if difficult == 0 { Some(0.0) } else { each.map(|each| each * requests as f64) };
        TimeLeft {
            seconds_left: self.easy.seconds_for(unread, self.seeks_left),
            difficult_seconds: difficult_seconds.filter(|seconds| *seconds <= LONGEST_DIFFICULT),
        }
    }

    fn health(&mut self) -> Health {
        let (failed_last_minute, failing_seconds, resets) = self.stop_rules.last_minute(self.working_time());
        Health {
            failed_last_minute,
            failing_seconds,
            resets_last_minute: self.controls.request_log.is_some().then_some(resets),
            celsius: self.heat.celsius(),
            is_warm: self.heat.is_warm(self.options),
        }
    }

    /// What has arrived in this copy and is not durable yet: on its way to the store, or not committed there.
    fn not_safe_yet(&self) -> u64 {
        let (Some(before), Some(now)) = (self.safe_before, self.store.safe_bytes()) else { return 0 };
        (before + self.figures.arrived).saturating_sub(now)
    }

    /// Room for what is on its way and what is next, looked at now and then: what has arrived must never find the
    /// destination full.
    fn check_room(&mut self) -> Result<(), EarlyEnd> {
        if self.figures.arrived > 0 && self.figures.arrived - self.room_seen_at < BUFFERS_BYTES / 2 {
            return Ok(());
        }
        self.room_seen_at = self.figures.arrived;
        let needed = self.left().min(2 * BUFFERS_BYTES);
        match self.store.room().filter(|room| *room < needed) {
            Some(room) => Err(EarlyEnd::NoRoom { room }),
            None => Ok(()),
        }
    }

    fn check_stop(&self) -> Result<(), EarlyEnd> {
        let so_far = SoFar {
            is_asked: self.controls.stop.load(Ordering::Relaxed),
            time: self.since(self.began),
            working_time: self.working_time(),
            bytes: self.figures.arrived,
            errors: self.failed(),
            resets: self.figures.resets,
        };
        self.stop_rules.reached(&self.options.stop_after, &so_far).map_or(Ok(()), |why| Err(EarlyEnd::Stopped(why)))
    }

    /// Takes the temperature now and then; when the drive is hot, waits until it has cooled.
    fn pause_while_hot(&mut self) -> Result<(), EarlyEnd> {
        if !self.take_temperature_if_due() {
            return Ok(());
        }
        let Some((celsius, until_celsius)) = self.heat.hot(self.options) else { return Ok(()) };
        self.tell(&Event::Paused { celsius, until_celsius });
        let began = self.reader.clock().now();
        let cooled = self.wait_until_cool(until_celsius);
        self.figures.paused += self.since(began);
        self.tell(&Event::Resumed { celsius: self.heat.celsius(), seconds: self.since(began).as_secs_f64() });
        cooled
    }

    fn wait_until_cool(&mut self, until: f64) -> Result<(), EarlyEnd> {
        loop {
            self.reader.clock().sleep(LOOK_FOR_STOP_EVERY.min(self.options.temperature_every));
            self.check_stop()?;
            if self.take_temperature_if_due() && self.heat.has_cooled(until) {
                return Ok(());
            }
        }
    }

    /// Takes the temperature, if it is time to and there is a thermometer.
    fn take_temperature_if_due(&mut self) -> bool {
        let now = self.reader.clock().now();
        let is_due = self.heat.is_due(self.options, |taken| now.since(taken));
        let Some(thermometer) = self.controls.thermometer.as_mut().filter(|_| is_due) else { return false };
        self.heat.took(thermometer(), now);
        true
    }
}

impl Figures {
    pub(in crate::copy::reading) fn into_outcome(
        self,
        end: End,
        tally: &PlanCounts,
        store: &dyn CopyStore,
        took: Duration,
    ) -> CopyOutcome {
        let class = |class: Class| {
            let counts = tally.of(class);
            ClassOutcome {
                class,
                planned_bytes: counts.planned_bytes,
                copied_bytes: counts.copied_bytes,
                deferred_bytes: counts.skipped_bytes,
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
