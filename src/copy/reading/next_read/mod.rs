//! Who decides the next read. [`follow_all`] chooses the class; `first` its next request, and what is skipped; `retries`
//! which skipped range is retried and by which step, by `worth` over cost; `every_sector` what is left, sector by sector.
//!
//! `jump` says how far to go when a read fails. A request that failed is narrowed down by the steps of `worth`, until it is one sector
//! alone (`Engine::enter_failed`); sector by sector `request_sizes` does it. That little is left which is worth its time is decided
//! in [`work`] and `Retries::work`. All of them make their requests through the [`Engine`], which learns from the answers.

mod engine;
mod every_sector;
mod first;
mod jump;
mod request_sizes;
mod retries;
mod worth;

use super::early_end::EarlyEnd;
use super::plan_walk;
use super::requests::reading_side::ReadingSide;
use super::told::event::Stage;
use super::told::plan_counts::PlanCounts;
use crate::plan::Plan;
use crate::survey::allocation::Class;
use engine::Engine;
use every_sector::every_sector;
use first::{ClassReading, FirstReading, Limits, Reads};
use retries::Retries;
use worth::LEAST_AN_HOUR;

/// Failed requests of a class before it can be left; twice as many each time.
const ENOUGH_FAILED: u64 = 6;

/// What is expected of a class counts as much as so many failed requests of it.
const EXPECTED_FAILURES: f64 = 2.0;

/// First reading, retries of skipped ranges, and the same for what lies outside of files. Gives what the next hour would bring when
/// something is left.
pub(super) fn follow_all(
    plan: &Plan,
    reading: &mut ReadingSide<'_>,
    before: &PlanCounts,
) -> Result<Option<f64>, EarlyEnd> {
    reading.announce_start(before);
    reading.check_first()?;
    let options = reading.options();
    let mut engine = Engine::new(plan, reading);
    let mut first = FirstReading::new(engine.reading.options().slow.is_some());
    let through = if options.structure_only.is_some() { Class::Structure } else { Class::Outside };
    let mut next_hour = 0.0;
    let parts = [Class::Tables..=Class::Unclaimed, Class::Deleted..=Class::Outside];
    for part in parts {
        let classes = Class::ALL.into_iter().filter(|class| part.contains(class) && *class <= through);
        let classes: Vec<Class> = classes.filter(|class| before.of(*class).planned_bytes > 0).collect();
        let Some(last) = classes.last() else { continue };
        engine.last = *last;
        if *last > Class::Unclaimed {
            engine.enter_earlier_skips()?;
        }
        read_first(&mut engine, &mut first, &classes)?;
        next_hour = work(&mut engine, Stage::Worth, 0.0)?;
        if options.structure_only.is_none() && engine.has_difficult() {
            Retries::new(&mut engine, false)?.settle()?;
        }
    }
    if options.structure_only.is_some() || !engine.has_difficult() {
        return Ok(None);
    }
    if options.to_the_end {
        engine.reading.announce_stage(Stage::EverySector);
        every_sector(&mut engine, false)?;
        // What may have stopped the drive comes when nothing else is left to lose.
        every_sector(&mut engine, true)?;
    } else if engine.has_suspects() {
        next_hour = work(&mut engine, Stage::Suspects, 0.0)?;
        Retries::new(&mut engine, true)?.settle()?;
    }
    Ok(Some(next_hour))
}

/// A class in first reading.
struct OpenClass {
    class: Class,
    /// The worth that it brought and the seconds that it took.
    brought: (f64, f64),
    begun: bool,
    /// Something was left only because it may lie under a bad head.
    left_risky: bool,
    /// Failed requests after which it may be left again.
    after: u64,
}

impl OpenClass {
    fn new(class: Class) -> OpenClass {
        OpenClass { class, brought: (0.0, 0.0), begun: false, left_risky: false, after: ENOUGH_FAILED }
    }

    /// What it brought and what is expected of it, and the seconds of both.
    fn so_far(&self, engine: &Engine<'_, '_>) -> (f64, f64) {
        let (worth, seconds) = engine.expected(self.class, EXPECTED_FAILURES);
        (worth + self.brought.0, seconds + self.brought.1)
    }

    /// Worth a second.
    fn rate(&self, engine: &Engine<'_, '_>) -> f64 {
        let (worth, seconds) = self.so_far(engine);
        worth / seconds
    }

    /// Reads it, and what was left of it only for a bad head; gives it back when it was left before its end.
    fn read(
        self,
        engine: &mut Engine<'_, '_>,
        first: &mut FirstReading,
        limits: Limits,
    ) -> Result<Option<OpenClass>, EarlyEnd> {
        let plan = engine.plan;
        let mut reading = ClassReading::new(engine, first, self.class, Reads::New, limits);
        plan_walk::follow(plan, Some(self.class), &mut reading)?;
        let (mut left, left_risky) = (reading.left, reading.left_risky || self.left_risky);
        if left.is_none() && left_risky {
            engine.reading.settle()?;
            let mut reading = ClassReading::new(engine, first, self.class, Reads::Risky, limits);
            plan_walk::follow(plan, Some(self.class), &mut reading)?;
            left = reading.left;
        }
        Ok(left.map(|(worth, seconds)| OpenClass {
            brought: (self.brought.0 + worth, self.brought.1 + seconds),
            begun: true,
            left_risky,
            after: self.after * 2,
            ..self
        }))
    }
}

/// The class that is read next: the first that was not begun, and when all were, the one that brings most for its time.
fn next_class(open: &[OpenClass], engine: &Engine<'_, '_>) -> usize {
    let by_rate = |one: &usize, other: &usize| open[*one].rate(engine).total_cmp(&open[*other].rate(engine));
    let new = open.iter().position(|class| !class.begun);
    new.or((0..open.len()).max_by(by_rate)).expect("not empty")
}

/// First reading of some classes in their order. One in which too much fails is left for the next; when all were begun,
/// whatever brings most for its time goes on, skipped ranges among them.
fn read_first(engine: &mut Engine<'_, '_>, first: &mut FirstReading, classes: &[Class]) -> Result<(), EarlyEnd> {
    // Easily read structure first, for two in three of the tries.
    let most_failed = engine.reading.options().structure_only.map(|most| most - most / 3);
    let mut open: Vec<OpenClass> = classes.iter().map(|class| OpenClass::new(*class)).collect();
    while !open.is_empty() && most_failed.is_none_or(|most| engine.reading.failed() < most) {
        let index = next_class(&open, engine);
        let class = open.remove(index);
        let others = open.iter().map(|class| class.rate(engine)).fold(0.0, f64::max);
        let (before, own) = (class.so_far(engine), class.rate(engine));
        if class.begun {
            work(engine, Stage::Worth, own)?;
        }
        let limits = Limits { before, rate: others, after: class.after, failed: most_failed };
        if let Some(left) = class.read(engine, first, limits)? {
            open.insert(index, left);
        }
    }
    // A range that an earlier run found unreadable has nothing to try, and gaps near it are left all the same.
    if !engine.has_difficult() && !first.left_a_gap {
        return Ok(());
    }
    // What was left of gaps is known to the store only now.
    engine.reading.settle()?;
    for class in classes {
        let limits = Limits { failed: most_failed, ..Limits::default() };
        let plan = engine.plan;
        plan_walk::follow(plan, Some(*class), &mut ClassReading::new(engine, first, *class, Reads::Gaps, limits))?;
    }
    Ok(())
}

/// Retries skipped ranges of the classes that are read by now, while they bring more than `least` worth a second.
fn work(engine: &mut Engine<'_, '_>, stage: Stage, least: f64) -> Result<f64, EarlyEnd> {
    if !engine.has_difficult() {
        return Ok(0.0);
    }
    engine.reading.announce_stage(stage);
    let most_failed = engine.reading.options().structure_only;
    Retries::new(engine, stage == Stage::Suspects)?.work(least.max(LEAST_AN_HOUR / 3600.0), most_failed)
}
