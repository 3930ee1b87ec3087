//! The tables: many drives by seed, and the named ones.

use crate::layouts::kinds;
use crate::play::{BASELINE, PRODUCT, Strategy, play};
use crate::scene::Scene;
use crate::score::{self, Belongings, Safe};
use crate::tables::{Spread, heading, publish, row};
use crate::volume::Volume;
use crate::{named, survey};
use gleaner::base::human;
use gleaner::drive::sick::{DriveSpec, Illness, Outcome, Request, SickDrive, Technician, oracle};
use std::fmt::Write;
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// Moments in quarters of the oracle's time.
const QUARTERS: [u32; 6] = [1, 2, 4, 6, 8, 16];
const STRATEGIES: [Strategy; 2] = [BASELINE, PRODUCT];

/// What one drive came to.
struct Played {
    number: u64,
    illness: Illness,
    oracle: [Safe; QUARTERS.len()],
    strategies: Vec<[Safe; QUARTERS.len()]>,
    /// Whether both strategies made the same requests.
    same: bool,
}

impl Played {
    /// What is safe at each moment, on one line.
    fn line(&self) -> String {
        let mib = |safe: &[Safe; QUARTERS.len()]| safe.map(|safe| safe.bytes >> 20);
        let [baseline, product] = [0, 1].map(|index| mib(&self.strategies[index]));
        let (number, illness, oracle) = (self.number, self.illness.name(), mib(&self.oracle));
        format!("drive {number} ({illness}): {product:?} MiB, baseline {baseline:?}, oracle {oracle:?}")
    }
}

fn number_from(name: &str, usual: u64) -> u64 {
    std::env::var(name).map_or(usual, |text| text.parse().unwrap_or_else(|_| panic!("{name}={text} is no number")))
}

fn safe(log: &[Request], own: &Belongings, moments: [Duration; QUARTERS.len()]) -> [Safe; QUARTERS.len()] {
    score::at_moments(log, own, &moments).try_into().expect("one for each moment")
}

fn one(number: u64, illness: Illness, spec: DriveSpec, scene: &Scene) -> Played {
    let drive = SickDrive::new(spec);
    let own = &scene.belongings;
    let best = oracle(&drive, &scene.classes, &Technician::default());
    let end = best.last().map_or(Duration::from_secs(1), |last| last.ended().0);
    let moments = QUARTERS.map(|quarters| end * quarters / 4);
    score::assert_within_bound(&best, &drive, own, "oracle");
    let logs = STRATEGIES.map(|strategy| {
        let log = play(&drive, &scene.plan, strategy, moments[QUARTERS.len() - 1]);
        score::assert_within_bound(&log, &drive, own, strategy.name);
        log
    });
    Played {
        number,
        illness,
        oracle: safe(&best, own, moments),
        strategies: logs.iter().map(|log| safe(log, own, moments)).collect(),
        same: logs[0] == logs[1],
    }
}

/// Drives of all kinds of illness in turn on all layouts in turn, two at a time.
fn all(drives: u64, first_seed: u64) -> Vec<Played> {
    let done = Mutex::new(Vec::new());
    for (index, kind) in (0..).zip(kinds()) {
        // A quarter of a terabyte each: what a day's copy of the real ones would be takes a quarter of it.
        let times = u32::try_from((kind.drive_bytes / 250_000_000_000).max(1)).expect("a few");
        let kind = kind.smaller(times);
        let scene = Scene::of(&kind);
        let illness = |number: u64| usize::try_from(number).expect("few") % Illness::ALL.len();
        // Every illness comes to every layout.
        let chosen = std::env::var("GLEANER_ILLNESS").ok();
        let is_chosen =
            |number: &u64| chosen.as_deref().is_none_or(|name| Illness::ALL[illness(*number)].name() == name);
        let on_this = |number: &u64| {
            is_chosen(number) && (number / Illness::ALL.len() as u64 + illness(*number) as u64) % 7 == index
        };
        let numbers = Mutex::new((0..drives).filter(on_this));
        std::thread::scope(|scope| {
            for _ in 0..2 {
                scope.spawn(|| {
                    loop {
                        let next = numbers.lock().unwrap().next();
                        let Some(number) = next else { return };
                        let illness = Illness::ALL[illness(number)];
                        let spec = illness.draw(&kind.model(), kind.drive_bytes, first_seed + number);
                        let began = Instant::now();
                        let played = one(number, illness, spec, &scene);
                        eprintln!("{} in {:.0?}", played.line(), began.elapsed());
                        done.lock().unwrap().push(played);
                    }
                });
            }
        });
    }
    let mut all = done.into_inner().unwrap();
    all.sort_by_key(|played| played.number);
    all
}

/// The share of what the oracle has in the end. On a drive that gives nothing, every strategy has all of it.
fn share(of: u64, all: u64) -> f64 {
    if all == 0 { 1.0 } else { of as f64 / all as f64 }
}

fn spread(drives: &[&Played], value: impl Fn(&Played) -> f64) -> Spread {
    Spread::of(drives.iter().map(|played| value(played)).collect())
}

const LAST: usize = QUARTERS.len() - 1;

fn table_of(drives: &[&Played]) -> String {
    let mut out = String::new();
    let mut cells = vec!["time".to_owned(), "oracle: bytes".to_owned(), "files".to_owned()];
    for strategy in STRATEGIES {
        cells.extend([format!("{}: failed reads", strategy.name), "bytes".to_owned(), "files".to_owned()]);
    }
    heading(&mut out, &cells.iter().map(String::as_str).collect::<Vec<_>>());
    for (at, quarters) in QUARTERS.into_iter().enumerate() {
        let bytes = |safe: &[Safe; QUARTERS.len()], played: &Played| share(safe[at].bytes, played.oracle[LAST].bytes);
        let files = |safe: &[Safe; QUARTERS.len()], played: &Played| share(safe[at].files, played.oracle[LAST].files);
        let mut cells = vec![
            format!("{} T", f64::from(quarters) / 4.0),
            spread(drives, |played| bytes(&played.oracle, played)).shares(),
            spread(drives, |played| files(&played.oracle, played)).shares(),
        ];
        for index in 0..STRATEGIES.len() {
            let failed = spread(drives, |played| played.strategies[index][at].failed as f64);
            cells.extend([
                format!("{:.0}", failed.median),
                spread(drives, |played| bytes(&played.strategies[index], played)).shares(),
                spread(drives, |played| files(&played.strategies[index], played)).shares(),
            ]);
        }
        row(&mut out, &cells);
    }
    out
}

/// Drives on which the product has more than 5 % less than the baseline at some moment.
fn worse(all: &[Played]) -> usize {
    let is_worse = |played: &&Played| {
        (0..QUARTERS.len()).any(|at| {
            let [baseline, product] = [0, 1].map(|index| played.strategies[index][at].bytes as f64);
            product < baseline * 0.95
        })
    };
    let worse: Vec<&Played> = all.iter().filter(is_worse).collect();
    for played in &worse {
        println!("worse on {}", played.line());
    }
    worse.len()
}

/// By how much a strategy was ahead of the oracle at most, as a share of all there was.
fn lead(all: &[Played], index: usize) -> f64 {
    let ahead = |played: &Played, at: usize| {
        share(played.strategies[index][at].bytes, played.oracle[LAST].bytes)
            - share(played.oracle[at].bytes, played.oracle[LAST].bytes)
    };
    all.iter().flat_map(|played| (0..QUARTERS.len()).map(move |at| ahead(played, at))).fold(0.0, f64::max)
}

#[test]
#[ignore = "a measurement over many drives: scripts/sick-drives"]
fn drives_of_every_illness() {
    let (drives, first_seed) = (number_from("GLEANER_DRIVES", 200), number_from("GLEANER_FIRST_SEED", 0));
    let began = Instant::now();
    let all = all(drives, first_seed);
    println!("{drives} drives from seed {first_seed} in {:.0?}", began.elapsed());
    let mut out = String::new();
    writeln!(out, "{drives} drives, seeds {first_seed} to {}.\n", first_seed + drives - 1).unwrap();
    writeln!(out, "{}", table_of(&all.iter().collect::<Vec<_>>())).unwrap();
    let same = all.iter().filter(|played| played.same).count();
    writeln!(out, "- Both strategies made the same requests on {same} of {drives} drives.").unwrap();
    writeln!(
        out,
        "- {} has more than 5 % less than the baseline at some moment on {} drives.",
        PRODUCT.name,
        worse(&all)
    )
    .unwrap();
    for (index, strategy) in STRATEGIES.iter().enumerate() {
        let lead = human::share(lead(&all, index));
        writeln!(out, "- {} is ahead of the oracle by {lead} of all bytes at most.", strategy.name).unwrap();
    }
    publish("all", &out);
    let mut out = String::new();
    for illness in Illness::ALL {
        let drives: Vec<&Played> = all.iter().filter(|played| played.illness == illness).collect();
        if !drives.is_empty() {
            writeln!(out, "### {}\n\n{} drives.\n\n{}", capital(illness.name()), drives.len(), table_of(&drives))
                .unwrap();
        }
    }
    publish("illnesses", &out);
}

fn capital(text: &str) -> String {
    let (first, rest) = text.split_at(1);
    first.to_uppercase() + rest
}

/// A named drive with how long it is played, and how many failed reads are promised for 95 % of its bytes.
struct Named<'n> {
    name: String,
    spec: DriveSpec,
    best: Vec<Request>,
    own: &'n Belongings,
    failures: u64,
}

impl Named<'_> {
    fn rows(&self, out: &mut String, logs: [(&str, Vec<Request>); 2], until: Duration) {
        let all = score::at_moments(&self.best, self.own, &[Duration::MAX])[0].bytes;
        let drive = SickDrive::new(self.spec.clone());
        score::assert_within_bound(&self.best, &drive, self.own, "oracle");
        for (who, log) in std::iter::once(("oracle", self.best.clone())).chain(logs) {
            score::assert_within_bound(&log, &drive, self.own, who);
            let until_safe = |part: u64| {
                let bytes = u64::try_from(u128::from(all) * u128::from(part) / 100).expect("a share");
                score::when_safe(&log, self.own, bytes).map_or_else(
                    || format!("not in {}", human::seconds(until.as_secs_f64())),
                    |(time, failed)| format!("{} failed, {}", human::count(failed), human::seconds(time.as_secs_f64())),
                )
            };
            let in_all = log.iter().filter(|request| request.outcome == Outcome::Failed).count();
            row(
                out,
                &[
                    self.name.clone(),
                    who.to_owned(),
                    until_safe(50),
                    until_safe(95),
                    human::count(self.failures),
                    human::share(share(score::after_failures(&log, self.own, self.failures), all)),
                    human::count(in_all as u64),
                ],
            );
        }
    }
}

fn on_plan(out: &mut String, name: String, spec: DriveSpec, scene: &Scene, failures: u64) {
    let drive = SickDrive::new(spec.clone());
    let best = oracle(&drive, &scene.classes, &Technician::default());
    // Two days: what is not safe by then is not counted.
    let until = Duration::from_secs(48 * 3600);
    let logs = STRATEGIES.map(|strategy| {
        let began = Instant::now();
        let log = play(&drive, &scene.plan, strategy, until);
        println!("{name}: {} played {} requests in {:.1?}", strategy.name, log.len(), began.elapsed());
        (strategy.name, log)
    });
    Named { name, spec, best, own: &scene.belongings, failures }.rows(out, logs, until);
}

fn on_volume(out: &mut String, name: &str, (spec, volume): (DriveSpec, std::sync::Arc<Volume>), failures: u64) {
    let own = survey::belongings(&volume);
    let best = oracle(&SickDrive::new(spec.clone()), &survey::healthy_classes(&spec), &Technician::default());
    let until = Duration::from_secs(12 * 3600);
    let logs = [
        (BASELINE.name, survey::baseline(&spec, until)),
        (PRODUCT.name, survey::product(&spec, until, Technician::default().request_bytes)),
    ];
    Named { name: name.to_owned(), spec, best, own: &own, failures }.rows(out, logs, until);
}

#[test]
#[ignore = "a measurement over large drives: scripts/sick-drives"]
fn surveys_of_named_drives() {
    let mut out = String::new();
    heading(&mut out, &["drive", "failed reads", "requests", "time", "verdict"]);
    let dead_head = ("4.3 GB, one of four heads dead", named::small_volume().0);
    let dead_table = ("32 GB, the first 40 MB of the file table dead", named::dead_table().0);
    let sound = ("32 GB, sound", DriveSpec { ailments: Vec::new(), ..dead_table.1.clone() });
    for (name, spec) in [dead_head, dead_table, sound] {
        let (log, verdict) = survey::alone(&spec);
        let time = log.last().map_or(0.0, |last| last.ended().0.as_secs_f64());
        let failed = log.iter().filter(|request| request.outcome == Outcome::Failed).count() as u64;
        let cells = [human::count(failed), human::count(log.len() as u64), human::seconds(time), verdict];
        row(&mut out, &[vec![name.to_owned()], cells.to_vec()].concat());
    }
    publish("surveys", &out);
}

#[test]
#[ignore = "a measurement over large drives: scripts/sick-drives"]
fn named_drives() {
    let began = Instant::now();
    let mut out = String::new();
    heading(
        &mut out,
        &[
            "drive",
            "who",
            "half is safe after",
            "95 % are safe after",
            "failed reads to reach it",
            "safe by then",
            "failed reads in all",
        ],
    );
    on_volume(&mut out, "4.3 GB, NTFS, one of four heads dead, survey included", named::small_volume(), 150);
    on_volume(
        &mut out,
        "32 GB, NTFS, the first 40 MB of the file table dead, survey included",
        named::dead_table(),
        100,
    );
    let scene = named::random_plan();
    for (mib, failures) in [(16, 800), (64, 500), (128, 400), (256, 300)] {
        let name = format!("1 TB, one of four heads dead, bands of {mib} MiB");
        on_plan(&mut out, name, named::dead_head(mib), &scene, failures);
    }
    on_plan(&mut out, "1 TB, a hundred bad sectors".to_owned(), named::hundred_sectors(&scene), &scene, 300);
    println!("named drives in {:.0?}", began.elapsed());
    publish("named", &out);
}
