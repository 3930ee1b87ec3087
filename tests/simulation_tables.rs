//! The tables of docs/simulation.md. Measurements over whole drives, for a release build: scripts/simulation-tables runs
//! them and writes the page. What must hold of them is asserted here as well, so that a page that is published holds it.

#![allow(clippy::cast_precision_loss, reason = "shares and times need no 53 bits")]

#[path = "support/class_maps.rs"]
mod class_maps;
#[path = "support/layouts.rs"]
mod layouts;

use gleaner::base::extent::Extent;
use gleaner::base::finding::Findings;
use gleaner::base::human;
use gleaner::plan::{BridgeRule, Plan, PlanRequest, Scope, Sweeps, build};
use gleaner::simulate::{
    Assumptions, Law, Piece, Pieces, Played, Simulation, Start, Way, least_seconds, play, play_observed,
    share_expected, simulate,
};
use gleaner::survey::allocation::Class;
use layouts::{Kind, Layout, kinds};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::time::Instant;

const REQUEST: u64 = 1 << 20;

fn request(kind: &Kind) -> PlanRequest {
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::from_model(&kind.model(), kind.drive_bytes);
    request.wants = vec!["/Documents/**".to_owned(), "*.xlsx".to_owned()];
    request
}

fn planned(layout: &Layout, request: &PlanRequest) -> Plan {
    class_maps::plan(&layout.map, request)
}

fn simulated(kind: &Kind, plan: &Plan, law: Option<Law>) -> Simulation {
    simulate(Pieces::of_plan(plan), &Assumptions { model: kind.model(), request_bytes: REQUEST, law, bad_head: None })
}

fn row(out: &mut String, cells: &[String]) {
    writeln!(out, "| {} |", cells.join(" | ")).unwrap();
}

fn heading(out: &mut String, cells: &[&str]) {
    row(out, &cells.iter().map(|cell| (*cell).to_owned()).collect::<Vec<_>>());
    writeln!(out, "|---|{}", "---:|".repeat(cells.len() - 1)).unwrap();
}

fn share(played: &Played, class: Class) -> f64 {
    played.of(class).map_or(0.0, |of| of.expected_bytes / of.bytes)
}

fn median(mut list: Vec<f64>) -> f64 {
    list.sort_by(f64::total_cmp);
    list[list.len() / 2]
}

fn optional(value: Option<f64>, digits: usize) -> String {
    value.map_or("–".to_owned(), |value| format!("{value:.digits$}"))
}

/// Replaces what stands between `<!-- name -->` and `<!-- end -->` in the page, when asked to.
fn publish(name: &str, table: &str) {
    println!("{name}\n{table}");
    if std::env::var_os("GLEANER_WRITE_DOCS").is_none() {
        return;
    }
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/simulation.md");
    let page = std::fs::read_to_string(path).unwrap();
    let mark = format!("<!-- {name} -->\n");
    let from = page.find(&mark).unwrap_or_else(|| panic!("no {mark} in the page")) + mark.len();
    let to = from + page[from..].find("<!-- end -->").expect("an end");
    std::fs::write(path, format!("{}{table}{}", &page[..from], &page[to..])).unwrap();
}

/// A kind whose folders' own clusters are read with what lies in them, and the same with all of them as structure.
fn both(kind: &Kind) -> [(Layout, Simulation, Plan); 2] {
    [kind.clone(), kind.clone().folders_first()].map(|kind| {
        let layout = kind.layout(false, true);
        let plan = planned(&layout, &request(&kind));
        let played = simulated(&kind, &plan, None);
        (layout, played, plan)
    })
}

/// What reading the wanted files needs: tables, their own records, the folders that lead to them, and their content; ascending.
fn needed(layout: &Layout, plan: &Plan) -> Pieces {
    let mut pieces = Pieces::of_plan(plan);
    let class = |piece: &Piece| pieces.passes[piece.pass()].class;
    let structure = pieces.list.iter().find(|piece| class(piece) == Class::Structure).map_or(0, Piece::pass);
    let pass = u32::try_from(structure).unwrap();
    let mut list: Vec<Piece> =
        layout.wanted_records.iter().map(|record| Piece::new(record.aligned_to(512), pass, false)).collect();
    let is_needed = |piece: &&Piece| !piece.is_gap() && matches!(class(piece), Class::Tables | Class::Wanted);
    list.extend(pieces.list.iter().filter(is_needed));
    list.sort_unstable();
    pieces.list = list;
    pieces
}

// To reach: the wanted folders within 1.05 times the least, on the server share in 30 minutes, none later than with all folders first,
// and the whole plan never longer.
#[test]
#[ignore = "a measurement over whole drives: scripts/simulation-tables"]
fn time_to_each_class_beside_the_least_possible() {
    let mut out = String::new();
    heading(
        &mut out,
        &[
            "layout",
            "pieces",
            "planned",
            "structure after",
            "all folders first",
            "wanted after",
            "all folders first",
            "least possible",
            "ratio",
            "one sweep",
            "all after",
            "all folders first",
        ],
    );
    let mut worst = 0.0_f64;
    for kind in kinds() {
        let [(layout, played, plan), (_, before, _)] = both(&kind);
        let last = played.plan.classes.last().unwrap().class;
        let after = |played: &Simulation, class| played.plan.prefix_after(class).unwrap();
        let needed = needed(&layout, &plan);
        let extents = needed.list.iter().map(|piece| piece.extent);
        let least = least_seconds(&kind.model(), kind.drive_bytes, REQUEST, Start::FirstByte, extents);
        let ratio = after(&played, Class::Wanted) / least;
        assert!(ratio >= 1.0, "{}: {ratio}: the bound is none", kind.name);
        // What one sweep over what is needed would take, the best order that is known when nothing has to come first.
        let one = play(&needed, &kind.model(), REQUEST, Law::None, Way::Bridging(needed.gap_bytes)).seconds;
        let mut cells = vec![kind.name.to_owned(), human::count(plan.extent_count()), human::bytes(plan.bytes())];
        for class in [Class::Structure, Class::Wanted] {
            cells.extend([&played, &before].map(|played| human::seconds(after(played, class))));
        }
        cells.extend([human::seconds(least), format!("{ratio:.3}"), format!("{:.3}", one / least)]);
        cells.extend([&played, &before].map(|played| human::seconds(after(played, last))));
        for class in [Class::Wanted, last] {
            let (now, then) = (after(&played, class), after(&before, class));
            assert!(now <= then * 1.001, "{}: {class} after {now}, before {then}", kind.name);
        }
        if kind.name.starts_with("server share") {
            assert!(after(&played, Class::Wanted) <= 30.0 * 60.0);
        }
        worst = worst.max(ratio);
        row(&mut out, &cells);
    }
    writeln!(out, "\nWorst ratio for the wanted folders: {worst:.3}.").unwrap();
    publish("bound", &out);
}

/// The most wanted bytes that any policy can expect to have safe on a drive whose life has no memory, with mean `mean_life`.
///
/// Moves are dropped, so that a byte takes what its place's rate gives. A file's bytes count only with its own record. Until the drive dies a
/// policy learns nothing about when, so one that adapts does no better than a fixed order. A record alone brings nothing, so
/// record and content belong together (Sidney 1975, Horn 1972: what must come first joins what makes it worth most), and such
/// parts are best read by worth over 1 - e^(-time / mean life) (Rothkopf 1966). A part counts whole when it is begun, which
/// is more than can be. From memory, but for the hint in Agnetis et al. 2009.
fn most_expected(kind: &Kind, layout: &Layout, mean_life: f64) -> f64 {
    let model = kind.model();
    let seconds = |extent: Extent| model.transfer_seconds(extent, kind.drive_bytes);
    let mut files: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
    for piece in &layout.wanted {
        let (bytes, took) = files.entry(piece.file).or_default();
        *bytes += layouts::to_f64(piece.extent.bytes);
        *took += seconds(piece.extent);
    }
    assert_eq!(files.len(), layout.wanted_records.len());
    let of_record = |((_, (bytes, took)), record): ((u32, (f64, f64)), &Extent)| (bytes, took + seconds(*record));
    let mut parts: Vec<(f64, f64)> = files.into_iter().zip(&layout.wanted_records).map(of_record).collect();
    let index = |(bytes, took): &(f64, f64)| bytes / -(-took / mean_life).exp_m1();
    parts.sort_by(|a, b| index(b).total_cmp(&index(a)));
    let mut clock = 0.0;
    let mut expected = 0.0;
    for (bytes, took) in parts {
        expected += bytes * f64::exp(-clock / mean_life);
        clock += took;
    }
    expected
}

/// The wanted bytes that a plan can expect to have safe, of files whose content and folders are (records come before them all).
fn wanted_safe(kind: &Kind, layout: &Layout, pieces: &Pieces, law: Law) -> f64 {
    let mut done: BTreeMap<u32, (f64, f64)> = BTreeMap::new();
    play_observed(pieces, &kind.model(), REQUEST, law, Way::AsListed, |piece, began, ended| {
        let first = layout.wanted.partition_point(|of| of.extent.end() <= piece.extent.start.0);
        for of in layout.wanted[first..].iter().take_while(|of| of.extent.start.0 < piece.extent.end()) {
            let (until, from) = (of.extent.end().min(piece.extent.end()), of.extent.start.0.max(piece.extent.start.0));
            let share = layouts::to_f64(until - piece.extent.start.0) / layouts::to_f64(piece.extent.bytes);
            let slot = done.entry(of.file).or_default();
            *slot = (slot.0.max(began + (ended - began) * share), slot.1 + layouts::to_f64(until - from));
        }
    });
    done.into_values().map(|(at, bytes)| bytes * law.survival(at)).sum()
}

#[test]
#[ignore = "a measurement over whole drives: scripts/simulation-tables"]
fn wanted_bytes_safe_beside_the_most_that_any_policy_can_expect() {
    let mut out = String::new();
    heading(
        &mut out,
        &["layout", "mean life", "whole wanted files", "all folders first", "no policy has more than", "of that"],
    );
    for kind in kinds() {
        let [(layout, played, plan), (before_layout, _, before_plan)] = both(&kind);
        let mean_life_seconds = played.whole_drive.seconds / 2.0;
        let law = Law::Steady { mean_life_seconds };
        let most = most_expected(&kind, &layout, mean_life_seconds);
        let all: f64 = layout.wanted.iter().map(|piece| layouts::to_f64(piece.extent.bytes)).sum();
        let now = wanted_safe(&kind, &layout, &Pieces::of_plan(&plan), law);
        let before = wanted_safe(&kind, &before_layout, &Pieces::of_plan(&before_plan), law);
        assert!(now <= most, "{}: {now} of at most {most}: the bound is none", kind.name);
        row(
            &mut out,
            &[
                kind.name.to_owned(),
                human::seconds(mean_life_seconds),
                human::share(now / all),
                human::share(before / all),
                human::share(most / all),
                format!("{:.3}", now / most),
            ],
        );
    }
    publish("policies", &out);
}

#[test]
#[ignore = "a measurement over whole drives: scripts/simulation-tables"]
fn expected_bytes_safe_when_the_drive_dies() {
    let mut out = String::new();
    let mut gains: [Vec<f64>; 4] = Default::default();
    for (number, reading) in ["the whole drive", "what is planned"].into_iter().enumerate() {
        writeln!(out, "Mean life: half the time that {reading} takes front to back.\n").unwrap();
        heading(
            &mut out,
            &[
                "layout",
                "wanted, of what is planned",
                "mean life",
                "this plan",
                "in place",
                "whole drive",
                "gain",
                "gain with structure",
                "most possible",
            ],
        );
        for kind in kinds() {
            let layout = kind.layout(false, false);
            let plan = planned(&layout, &request(&kind));
            let pieces = Pieces::of_plan(&plan);
            let mut sorted = pieces.clone();
            sorted.list.sort_unstable();
            let way = if number == 0 { Way::WholeDrive } else { Way::Bridging(sorted.gap_bytes) };
            let whole = play(&sorted, &kind.model(), REQUEST, Law::None, way).seconds;
            let mean_life_seconds = whole / 2.0;
            let played = simulated(&kind, &plan, Some(Law::Steady { mean_life_seconds }));
            let gain = played.gain(Class::Wanted).unwrap();
            let with = played.gain_with_structure(Class::Wanted);
            gains[number * 2].push(gain);
            gains[number * 2 + 1].push(with.unwrap());
            let all: f64 = played.plan.classes.iter().map(|of| of.bytes).sum();
            let wanted = played.plan.of(Class::Wanted).unwrap().bytes / all;
            row(
                &mut out,
                &[
                    kind.name.to_owned(),
                    human::share(wanted),
                    human::seconds(mean_life_seconds),
                    human::share(share(&played.plan, Class::Wanted)),
                    human::share(share(&played.planned_in_place, Class::Wanted)),
                    human::share(share(&played.whole_drive, Class::Wanted)),
                    format!("{gain:.2}"),
                    optional(with, 2),
                    format!("{:.2}", 1.0 / share(&played.planned_in_place, Class::Wanted)),
                ],
            );
        }
        writeln!(
            out,
            "\nMedian gain: {:.2}; with structure {:.2}.\n",
            median(gains[number * 2].clone()),
            median(gains[number * 2 + 1].clone())
        )
        .unwrap();
    }
    publish("expected", &out);
    let mut out = String::new();
    heading(&mut out, &["wanted, of all folders", "this plan", "in place", "gain", "gain with structure"]);
    for wanted in [0.02, 0.05, 0.10, 0.20, 0.40, 0.80] {
        let kind = kinds().remove(1).wanting(wanted);
        let plan = planned(&kind.layout(false, false), &request(&kind));
        let mut sorted = Pieces::of_plan(&plan);
        sorted.list.sort_unstable();
        let in_place = play(&sorted, &kind.model(), REQUEST, Law::None, Way::Bridging(sorted.gap_bytes)).seconds;
        let played = simulated(&kind, &plan, Some(Law::Steady { mean_life_seconds: in_place / 2.0 }));
        row(
            &mut out,
            &[
                human::share(wanted),
                human::share(share(&played.plan, Class::Wanted)),
                human::share(share(&played.planned_in_place, Class::Wanted)),
                optional(played.gain(Class::Wanted), 2),
                optional(played.gain_with_structure(Class::Wanted), 2),
            ],
        );
    }
    publish("wanted-share", &out);
}

/// Files of class `files` that are expected to be whole when the drive dies, and all there are.
fn files_safe(kind: &Kind, layout: &Layout, pieces: &Pieces, law: Law) -> f64 {
    let mut done = vec![0.0_f64; layout.files as usize];
    play_observed(pieces, &kind.model(), REQUEST, law, Way::AsListed, |piece, began, ended| {
        let first = layout.pieces.partition_point(|of| of.extent.end() <= piece.extent.start.0);
        for of in &layout.pieces[first..] {
            if of.extent.start.0 >= piece.extent.end() {
                break;
            }
            let within = (of.extent.end().min(piece.extent.end()) - piece.extent.start.0) as f64;
            let at = began + (ended - began) * within / piece.extent.bytes as f64;
            let slot = &mut done[of.file as usize];
            *slot = slot.max(at);
        }
    });
    done.into_iter().filter(|at| *at > 0.0).map(|at| law.survival(at)).sum()
}

/// What an order comes to.
struct Outcome {
    wanted_after: f64,
    all_after: f64,
    wanted: f64,
    other: f64,
    files: f64,
}

fn outcome(kind: &Kind, layout: &Layout, pieces: &Pieces, law: Law) -> Outcome {
    let played = play(pieces, &kind.model(), REQUEST, law, Way::AsListed);
    Outcome {
        wanted_after: played.prefix_after(Class::Wanted).unwrap(),
        all_after: played.seconds,
        wanted: played.of(Class::Wanted).unwrap().expected_bytes,
        other: played.of(Class::Files).unwrap().expected_bytes,
        files: files_safe(kind, layout, pieces, law),
    }
}

/// Every second pass from its far end, where that end is nearer to the head than the other.
fn serpentine(pieces: &Pieces) -> Pieces {
    let mut list = Vec::with_capacity(pieces.list.len());
    let mut at = 0;
    for pass in pieces.list.chunk_by(|a, b| a.pass() == b.pass()) {
        let (first, last) = (pass[0].extent, pass[pass.len() - 1].extent);
        if last.end().abs_diff(at) < first.start.0.abs_diff(at) {
            let goes: Vec<_> = pass.chunk_by(|a, b| a.extent.end() == b.extent.start.0).collect();
            list.extend(goes.into_iter().rev().flatten());
            at = first.end();
        } else {
            list.extend(pass);
            at = last.end();
        }
    }
    Pieces { list, ..pieces.clone() }
}

#[test]
#[ignore = "a measurement over whole drives: scripts/simulation-tables"]
fn orders_against_the_plain_one() {
    let mut out = String::new();
    heading(
        &mut out,
        &["layout", "order", "wanted after", "all after", "wanted bytes safe", "other bytes safe", "other files safe"],
    );
    let mut wins: Vec<(&str, usize)> = Vec::new();
    for kind in kinds() {
        let plain_layout = kind.layout(false, true);
        let banded = kind.layout(true, true);
        let plain_pieces = Pieces::of_plan(&planned(&plain_layout, &request(&kind)));
        let mut sorted = plain_pieces.clone();
        sorted.list.sort_unstable();
        let whole = play(&sorted, &kind.model(), REQUEST, Law::None, Way::WholeDrive).seconds;
        let law = Law::Steady { mean_life_seconds: whole / 2.0 };
        let plain = outcome(&kind, &plain_layout, &plain_pieces, law);
        let mut orders = vec![("plain", &plain_layout, plain_pieces.clone())];
        let mut picking = request(&kind);
        picking.order.pick_up = true;
        orders.push(("--pick-up", &plain_layout, Pieces::of_plan(&planned(&plain_layout, &picking))));
        let mut preferring = request(&kind);
        preferring.order.prefer = gleaner::survey::allocation::Prefer::Files;
        orders.push(("--prefer files", &banded, Pieces::of_plan(&planned(&banded, &preferring))));
        orders.push(("serpentine", &plain_layout, serpentine(&plain_pieces)));
        for (name, layout, pieces) in orders {
            let got = outcome(&kind, layout, &pieces, law);
            // Against the plain order; in thousandths, as some differences are small.
            let change = |ours: f64, theirs: f64| format!("{:+.3} %", (ours / theirs - 1.0) * 100.0);
            let (wanted, other, files) = if name == "plain" {
                (
                    human::share(got.wanted / sum(&pieces, Class::Wanted)),
                    human::share(got.other / sum(&pieces, Class::Files)),
                    human::count(layouts::whole(got.files)),
                )
            } else {
                (change(got.wanted, plain.wanted), change(got.other, plain.other), change(got.files, plain.files))
            };
            let (wanted_after, all_after) = if name == "plain" {
                (human::seconds(got.wanted_after), human::seconds(got.all_after))
            } else {
                (change(got.wanted_after, plain.wanted_after), change(got.all_after, plain.all_after))
            };
            row(&mut out, &[kind.name.to_owned(), name.to_owned(), wanted_after, all_after, wanted, other, files]);
            let not_worse = got.wanted >= plain.wanted
                && got.other >= plain.other
                && got.files >= plain.files
                && got.all_after <= plain.all_after;
            match wins.iter_mut().find(|(order, _)| *order == name) {
                Some((_, count)) => *count += usize::from(not_worse),
                None => wins.push((name, usize::from(not_worse))),
            }
        }
    }
    writeln!(out).unwrap();
    for (name, count) in wins.iter().skip(1) {
        writeln!(
            out,
            "- `{name}` costs neither time in all nor bytes or files expected safe on {count} of {} layouts.",
            kinds().len()
        )
        .unwrap();
    }
    publish("orders", &out);
}

fn sum(pieces: &Pieces, class: Class) -> f64 {
    let own = pieces.list.iter().filter(|piece| !piece.is_gap() && pieces.passes[piece.pass()].class == class);
    own.map(|piece| piece.extent.bytes as f64).sum()
}

/// Resident memory in MiB: the peak since `clear_refs`. From proc(5).
fn peak_mib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmHWM:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1024
}

// Required: planning 20 million extents, under 20 s and 2 GiB, growth near linear.
#[test]
#[ignore = "a measurement over whole drives: scripts/simulation-tables"]
fn planning_at_scale() {
    let mut out = String::new();
    heading(
        &mut out,
        &["files", "drive", "runs of the map", "extents of the plan", "planned in", "peak memory", "simulated in"],
    );
    for files in [1_250_000, 2_500_000, 5_000_000, 10_000_000, 20_000_000] {
        let kind = layouts::large(files);
        let layout = kind.layout(false, false);
        std::fs::write("/proc/self/clear_refs", "5").unwrap();
        let mut request = request(&kind);
        request.bridge = BridgeRule::OFF;
        let began = Instant::now();
        let source = class_maps::source(kind.drive_bytes);
        let plan = build(&Sweeps::new(&layout.map), &request, source, class_maps::volumes(), &Findings::new()).unwrap();
        let took = began.elapsed();
        let peak = peak_mib();
        let runs = layout.map.runs().len() as u64;
        drop(layout);
        let extents = plan.extent_count();
        let pieces = Pieces::of_plan(&plan);
        drop(plan);
        let began = Instant::now();
        let played =
            simulate(pieces, &Assumptions { model: kind.model(), request_bytes: REQUEST, law: None, bad_head: None });
        let simulating = began.elapsed();
        assert!(played.over_bound(Class::Wanted).unwrap() >= 1.0);
        row(
            &mut out,
            &[
                human::count(u64::from(files)),
                human::bytes(kind.drive_bytes),
                human::count(runs),
                human::count(extents),
                format!("{:.1} s", took.as_secs_f64()),
                format!("{peak} MiB"),
                format!("{:.1} s", simulating.as_secs_f64()),
            ],
        );
        assert!(took.as_secs() < 20 && peak < 2048, "{took:?}, {peak} MiB");
    }
    publish("scale", &out);
}

// Source: (m/T)(1 - e^(-T/m)), the mean of e^(-t/m) over 0 to T; m = T/2 gives (1 - e^-2)/2 = 0.432, m = T/0.9 gives 0.659.
#[test]
fn what_is_possible_at_all() {
    assert!((share_expected(2.0, 1.0) - 0.4323).abs() < 1e-4);
    // Where 45 % of a drive is in use and the mean life is half the whole drive's time, 0.9 mean lives read all of it.
    assert!((share_expected(0.9, 1.0) - 0.6594).abs() < 1e-4);
}
