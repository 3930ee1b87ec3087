//! Ten thousand random damages over all fixtures: no panic, no run over five seconds, memory within a formula, and
//! nothing missing from a plan without an excuse (see [`crate::describe`]).
//!
//! `cargo test` does [`USUAL`] of them, some 40 seconds on two cores; `GLEANER_DAMAGES=10000` does as many as it says.

use crate::common::damaged::Random;
use crate::describe::{Describer, Harm};
use crate::fixture::{ALL, Fixture};
use crate::harm::{self, Targets};
use crate::overlay::Damaged;
use crate::survey::{Survey, survey};
use gleaner::base::extent::{Extent, ExtentSet};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Damages in a usual run.
const USUAL: u64 = 10_000;

const LONGEST: Duration = Duration::from_secs(5);

/// Most memory that a survey and its plan may hold at once, in bytes, for `read` bytes that the survey read or left: three
/// request buffers of 1 MiB with as much for copies, and what catalog, cluster sets and plan make of that structure.
fn memory_allowed(read: u64) -> u64 {
    (6 << 20) + 6 * read
}

/// How many bytes may be requested twice: those of volumes that lie over each other, for each is read by itself; and what
/// was read to find out what a volume is, before it was read as that.
fn repeats_allowed(survey: &Survey) -> u64 {
    let mut seen = ExtentSet::new();
    let mut shared = 0;
    for area in survey.drive.areas.iter().filter(|area| area.content.is_some()) {
        shared += seen.bytes_within(area.area.extent);
        seen.insert(area.area.extent);
    }
    shared + (64 << 10)
}

struct Tally {
    runs: u64,
    missing: u64,
    /// Runs that asked for bytes twice, and the most of them.
    repeats: (u64, u64),
    longest: Duration,
    /// Most memory in relation to what is allowed: held, read.
    fullest: (u64, u64),
}

pub fn targets(fixture: &Fixture, describers: &[Describer<'_>], sound: &Survey) -> Targets {
    let mut tables: Vec<Extent> = fixture.tables.concat();
    for (_, volume) in sound.drive.volumes() {
        tables.extend(volume.fixed.iter().map(|(extent, _)| Extent { bytes: extent.bytes.min(8192), ..*extent }));
        // The first records of $MFT, or the first folders.
        let structure = sound.asked.intersection(volume.extent);
        tables.extend(structure.iter().take(4).map(|extent| Extent { bytes: extent.bytes.min(16 << 10), ..*extent }));
    }
    for volume in fixture.volumes.iter().filter(|volume| volume.is_mapped()) {
        let names = volume.answer["places"].as_object().unwrap().keys().filter(|name| *name != "map");
        tables.extend(names.flat_map(|name| volume.named(name)));
    }
    Targets { tables, structure: sound.asked.clone(), maps: describers.iter().flat_map(Describer::maps).collect() }
}

/// Damages the drive by the seed.
pub fn harmed(fixture: &Fixture, targets: &Targets, seed: u64) -> Damaged {
    let mut random = Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
    let mut drive = Damaged::new(&fixture.sound);
    harm::damage(&mut drive, targets, &mut random);
    drive
}

fn run(
    fixture: &Fixture,
    describers: &[Describer<'_>],
    targets: &Targets,
    seed: u64,
    tally: &mut Tally,
) -> Result<(), String> {
    let drive = harmed(fixture, targets, seed);
    let (end, harm) = (drive.bytes(), Harm::of(&drive));
    let began = Instant::now();
    let mut outcome = None;
    let memory = allocation_counter::measure(|| outcome = Some(std::panic::catch_unwind(|| survey(drive))));
    let took = began.elapsed();
    let Some(Ok(survey)) = outcome else { return Err("panics".to_owned()) };
    if took > LONGEST {
        return Err(format!("takes {took:?}"));
    }
    let harm = harm.and_left(&survey.left);
    let read = survey.totals.bytes + survey.left.bytes();
    if memory.bytes_max > memory_allowed(read) {
        return Err(format!(
            "holds {} bytes where {} are allowed for {read} read",
            memory.bytes_max,
            memory_allowed(read)
        ));
    }
    if survey.totals.repeated_bytes > repeats_allowed(&survey) {
        return Err(format!("{} bytes were requested twice", survey.totals.repeated_bytes));
    }
    tally.runs += 1;
    let repeated = survey.totals.repeated_bytes;
    tally.repeats = (tally.repeats.0 + u64::from(repeated > 0), tally.repeats.1.max(repeated));
    tally.longest = tally.longest.max(took);
    let (held, of) = tally.fullest;
    if u128::from(memory.bytes_max) * u128::from(memory_allowed(of))
        >= u128::from(held) * u128::from(memory_allowed(read))
    {
        tally.fullest = (memory.bytes_max, read);
    }
    let mut any_missing = false;
    for (volume, describer) in fixture.volumes.iter().zip(describers) {
        let still_there = Extent::between(0, end / volume.cluster * volume.cluster);
        let in_use = volume.in_use.intersection(still_there);
        for missing in in_use.iter().flat_map(|extent| survey.planned.missing_from(*extent)) {
            any_missing = true;
            let mut last = Ok(());
            // Marks of neighbours stand in the same sector and their files are mostly the same.
            for place in missing.pieces(volume.cluster) {
                let cluster = volume.cluster_of(place.start.0);
                last =
                    describer.excuse(cluster, &harm).map_err(|why| format!("cluster {cluster} is missing, but {why}"));
                if last.is_err() {
                    break;
                }
            }
            last?;
        }
    }
    tally.missing += u64::from(any_missing);
    Ok(())
}

fn run_fixture(index: usize, times: u64) -> (Tally, Vec<String>) {
    let (name, sector) = ALL[index];
    let fixture = Fixture::load(name, sector);
    let sound = survey(Damaged::new(&fixture.sound));
    let describers: Vec<Describer<'_>> = fixture.volumes.iter().map(|v| Describer::new(&fixture, v)).collect();
    let targets = targets(&fixture, &describers, &sound);
    let mut tally = Tally { runs: 0, missing: 0, repeats: (0, 0), longest: Duration::ZERO, fullest: (0, 0) };
    let mut failures = Vec::new();
    for round in 0..times {
        let seed = round << 8 | index as u64;
        if let Err(why) = run(&fixture, &describers, &targets, seed, &mut tally) {
            failures.push(format!("{name}, seed {seed}: {why}"));
        }
    }
    (tally, failures)
}

#[test]
fn nothing_in_use_is_lost_without_an_excuse() {
    let all: u64 = std::env::var("GLEANER_DAMAGES").map_or(USUAL, |text| text.parse().expect("a number"));
    let only = std::env::var("GLEANER_DAMAGES_OF").ok();
    let wanted = |index: &usize| only.as_ref().is_none_or(|name| ALL[*index].0.contains(name.as_str()));
    // The largest last to be taken first.
    let queue: Mutex<Vec<usize>> = Mutex::new((0..ALL.len()).filter(wanted).collect());
    let results = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for _ in 0..2 {
            scope.spawn(|| {
                loop {
                    let Some(index) = queue.lock().unwrap().pop() else { break };
                    let result = run_fixture(index, all.div_ceil(ALL.len() as u64));
                    results.lock().unwrap().push((index, result));
                }
            });
        }
    });
    let mut results = results.into_inner().unwrap();
    results.sort_by_key(|(index, _)| *index);
    let mut failures = Vec::new();
    for (index, (tally, failed)) in results {
        let Tally { runs, missing, repeats: (repeats, most), longest, fullest: (held, read) } = tally;
        println!(
            "{:<28} {runs:>5} runs, {missing:>4} with something missing, {repeats:>3} asked twice for up to {most:>7}, longest {longest:>9.3?}, fullest {held:>10} for {read:>9} read, {} failures",
            ALL[index].0,
            failed.len()
        );
        failures.extend(failed);
    }
    assert!(failures.is_empty(), "{} failures:\n{}", failures.len(), failures.join("\n"));
}

/// The statement must be one that can fail: a plan of nothing has no excuse on a sound volume.
#[test]
fn a_missing_cluster_of_a_sound_volume_has_no_excuse() {
    for (name, sector) in [ALL[3], ALL[11], ALL[13], ALL[16], ALL[26], ALL[27], ALL[28]] {
        let fixture = Fixture::load(name, sector);
        let volume = &fixture.volumes[0];
        let describer = Describer::new(&fixture, volume);
        let harm = Harm::of(&Damaged::new(&fixture.sound));
        for place in volume.in_use.extents() {
            assert!(describer.excuse(volume.cluster_of(place.start.0), &harm).is_err(), "{name} {place:?}");
        }
    }
}

/// Shows one of the random damages, to look into: `GLEANER_DAMAGE=fat16,44042 cargo test --test damage tell -- --ignored --nocapture`.
#[test]
#[ignore = "for people"]
fn tell() {
    let text = std::env::var("GLEANER_DAMAGE").expect("GLEANER_DAMAGE=NAME,SEED");
    let (name, seed) = text.split_once(',').expect("a name, a comma, a seed");
    let index = ALL.iter().position(|(known, _)| *known == name).expect("a fixture's name");
    let fixture = Fixture::load(ALL[index].0, ALL[index].1);
    let sound = survey(Damaged::new(&fixture.sound));
    let describers: Vec<Describer<'_>> = fixture.volumes.iter().map(|v| Describer::new(&fixture, v)).collect();
    let drive = harmed(&fixture, &targets(&fixture, &describers, &sound), seed.parse().expect("a number"));
    let harm = Harm::of(&drive);
    println!("{} bytes of {}\naltered {:?}\nlost {:?}", drive.bytes(), fixture.sound.bytes, harm.altered, harm.lost);
    let survey = survey(drive);
    let harm = harm.and_left(&survey.left);
    for finding in survey.drive.all_findings().kept() {
        println!("{} {}: {}", finding.code.severity, finding.code.id, finding.sentence);
    }
    println!("{:?}", survey.totals);
    for (volume, describer) in fixture.volumes.iter().zip(&describers) {
        for missing in volume.in_use.extents().iter().flat_map(|extent| survey.planned.missing_from(*extent)) {
            let cluster = volume.cluster_of(missing.start.0);
            println!("missing {missing:?}, cluster {cluster}: {:?}", describer.excuse(cluster, &harm));
        }
    }
}
