//! What is told while a sick drive is copied: what is safe and nothing else, times that mean something, and difficulties added up.

use super::class_maps::{SECTOR, map_of, plan};
use super::scripted::Log;
use super::{Bench, sectors};
use gleaner::copy::reading::{Controls, CopyOptions, CopyOutcome, Difficulties, Event, Progress, copy};
use gleaner::plan::{PlanRequest, Scope, read_plan};
use gleaner::source::CopyStore;
use gleaner::survey::allocation::Class;
use std::sync::Arc;
use std::time::Duration;

/// 128 KiB in a millisecond: what a scripted drive gives.
const BYTES_A_SECOND: f64 = 256.0 * 512.0 * 1000.0;

fn options() -> CopyOptions {
    CopyOptions { request_bytes: 256 * SECTOR, ..CopyOptions::default() }
}

/// 51 MB of files, the sectors of a place unreadable.
fn bench(start: u64, count: u64) -> Bench {
    let bench = Bench::new(&plan(&map_of(&[(100_000, Class::Files)]), &PlanRequest::new(Scope::Allocated)), 512);
    bench.script(|script| script.bad = [sectors(start, count)].into_iter().collect());
    bench
}

fn reports(bench: &Bench) -> impl Iterator<Item = &Progress> {
    bench.events.iter().filter_map(|event| match event {
        Event::Progress(progress) => Some(progress),
        _ => None,
    })
}

fn difficulties(bench: &Bench) -> Vec<Difficulties> {
    let difficult = bench.events.iter().filter_map(|event| match event {
        Event::Difficult(difficult) => Some(*difficult),
        _ => None,
    });
    difficult.collect()
}

/// Two fifths of the drive are passed and not read: neither the plan nor the pass shows them as done, at any moment.
#[test]
fn only_what_is_durable_counts() {
    let bench = bench(20_000, 40_000);
    // Slow enough that most requests are told of.
    bench.script(|script| script.slow = Some(([sectors(0, 100_000)].into_iter().collect(), Duration::from_millis(99))));
    let mut passes = 0;
    let mut listen = |event: &Event| {
        if let Event::Progress(progress) = event {
            let durable = bench.store.durable_bytes();
            assert!(progress.copied_bytes <= durable, "{} of {durable}", progress.copied_bytes);
            let in_pass = progress.pass.map(|pass| pass.copied_bytes);
            assert!(in_pass.is_none_or(|bytes| bytes <= durable), "{in_pass:?} of {durable}");
            passes += usize::from(in_pass.is_some_and(|bytes| bytes > 0) && progress.deferred_bytes > 0);
            // As a case's store does now and then.
            bench.store.commit().unwrap();
        }
    };
    let controls = Controls { stop: &bench.stop, thermometer: None, request_log: None, events: &mut listen };
    copy(&read_plan(bench.plan.as_slice()).unwrap(), &bench.reader, &bench.store, &options(), controls).unwrap();
    assert!(passes > 0, "no moment was looked at");
}

/// A failed read takes 7,000 times as long as another one. It makes what reads easily no slower.
#[test]
fn the_time_left_is_that_of_easy_reads_and_difficult_places_are_apart() {
    for (count, longest) in [(40_000, None), (100, Some(2.0 * 7.1 * 512.0))] {
        let mut bench = bench(20_000, count);
        bench.copy(&options()).unwrap();
        let first_reading =
            || reports(&bench).filter(|progress| progress.pass.is_some() && progress.failed_requests > 0);
        assert!(first_reading().count() > 0);
        for progress in first_reading() {
            let unread = progress.plan_bytes - progress.copied_bytes - progress.deferred_bytes;
            let easy = progress.left.seconds_left.expect("50 MB tell a rate");
            assert!(easy <= 1.1 * unread as f64 / BYTES_A_SECOND, "{easy} s for {unread}");
        }
        let last = first_reading().last().unwrap();
        match longest {
            None => assert_eq!(last.left.difficult_seconds, None, "more than a day is not known"),
            Some(longest) => {
                let told = last.left.difficult_seconds.expect("a few sectors");
                assert!(told > 0.0 && told <= longest, "{told} of {longest}");
            }
        }
        let sentence = last.left.sentence(last.deferred_bytes);
        assert!(sentence.contains(" for what reads easily; skipped ranges (") || sentence.starts_with("nothing left"));
    }
}

#[test]
fn whether_it_is_safe_to_go_on_is_told_by_the_last_minute() {
    let mut bench = bench(20_000, 4000);
    let log = Log { script: Arc::clone(&bench.script), moved: 0, resets: 1 };
    bench.copy(&options()).unwrap();
    assert!(reports(&bench).all(|progress| progress.health.resets_last_minute.is_none()), "there is no log");
    let mut bench = self::bench(20_000, 4000);
    bench.request_log = Some(log);
    bench.copy_with(&options(), Some(Box::new(|| Some(53.0)))).unwrap();
    let answers: Vec<String> = reports(&bench).map(|progress| progress.health.sentence()).collect();
    assert!(answers[0].starts_with("yes, but") && answers[0].ends_with("warm at 53 °C"), "{}", answers[0]);
    assert!(answers.iter().any(|answer| answer.starts_with("better stop")), "{answers:?}");
    for progress in reports(&bench) {
        let health = progress.health;
        // Seven seconds each.
        assert!(health.failed_last_minute <= 9 && health.failed_last_minute <= progress.failed_requests, "{health:?}");
        assert!((health.failing_seconds - 7.001 * health.failed_last_minute as f64).abs() < 7.0, "{health:?}");
    }
}

fn sum(all: &[Difficulties], of: impl Fn(&Difficulties) -> u64) -> u64 {
    all.iter().map(of).sum()
}

/// A thousand failed reads are a few lines, and nothing is missing from them.
#[test]
fn failures_and_retries_are_added_up_in_few_lines() {
    let mut bench = bench(20_000, 400);
    bench.script(|script| script.says_little = true);
    let to_the_end = CopyOptions { to_the_end: true, ..options() };
    let CopyOutcome { failed_requests, seconds, arrived_bytes, classes, .. } = bench.copy(&to_the_end).unwrap();
    let all = difficulties(&bench);
    assert!(failed_requests > 800, "{failed_requests}");
    let most = 3.0 + seconds.min(200.0) / 10.0 + 20.0 * (seconds / 200.0).max(1.0).ln();
    assert!((3.0..=most).contains(&(all.len() as f64)), "{} lines in {seconds} s", all.len());
    assert_eq!(sum(&all, |one| one.failed_requests + one.failed_retries), failed_requests);
    assert_eq!(sum(&all, |one| one.unreadable_bytes), classes[0].unreadable_bytes);
    let skipped = sum(&all, |one| one.skipped_bytes);
    assert_eq!(sum(&all, |one| one.retried_bytes) + classes[0].unreadable_bytes, skipped);
    assert!(skipped < arrived_bytes && sum(&all, |one| one.checks) > 0);
    for one in &all {
        let place = one.extent.filter(|_| one.failed_requests + one.failed_retries > 0);
        assert!(
            place.is_none_or(
                |place| one.lba == place.start.0 / 512 && place.intersection(&sectors(20_000, 400)).is_some()
            )
        );
        assert!(Event::Difficult(*one).sentence().is_some_and(|sentence| !sentence.starts_with([';', ' '])));
    }
}
