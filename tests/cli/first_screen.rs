//! The first screen of `survey` and what `plan` prints, in a terminal of 80 columns and without
//! one: what a new user needs is there, at most 20 lines of at most 80 columns.

use crate::common;
use crate::terminal;
use crate::unpack;
use crate::witness;

use gleaner::base::extent::Extent;
use serde_json::Value;
use std::fs;
use terminal::{Bench, COLUMNS, fits};
use witness::{Behaviour, WitnessedDevice};

const LINES: usize = 20;

impl Bench {
    fn fixture(&self, name: &str) -> String {
        fs::write(self.path("drive.img"), common::fixture(name)).unwrap();
        "drive.img".to_owned()
    }

    /// The first screen, which fits and is the same in a terminal and without.
    fn screen(&self, drive: &str) -> String {
        let words = format!("gleaner survey {drive}");
        let screen = self.in_terminal(&words, COLUMNS);
        assert_eq!(screen, self.piped(&format!("{words} --quiet")));
        assert!(screen.lines().count() <= LINES, "{} lines:\n{screen}", screen.lines().count());
        fits(&screen, COLUMNS);
        for part in ["VERDICT  ", "GO ON  ", "DRIVE  ", "TIME  ", "  all ", "FINDINGS  ", "RECOMMENDATION  ", "NEXT"] {
            assert!(screen.lines().any(|line| line.starts_with(part)), "{part} is missing:\n{screen}");
        }
        screen
    }

    /// A plan's text, which fits.
    fn plan(&self, words: &str, output: &str) -> String {
        let plan = self.in_terminal(&format!("gleaner plan {words} -o {output}"), COLUMNS);
        fits(&plan, COLUMNS);
        assert!(plan.starts_with("PLAN  reads "), "{plan}");
        plan
    }

    fn json(&self, words: &str) -> Value {
        serde_json::from_str(&self.piped(&format!("gleaner {words} --json"))).unwrap()
    }
}

/// The line of a volume, cut at its spaces.
fn volume<'s>(screen: &'s str, number: &str) -> Vec<&'s str> {
    let is_it = |line: &&str| {
        let words: Vec<&str> = line.split_whitespace().take(3).collect();
        words.first() == Some(&number) && words.last().is_some_and(|unit| ["kB", "MB", "GB"].contains(unit))
    };
    screen.lines().find(is_it).unwrap_or_else(|| panic!("no volume {number}:\n{screen}")).split_whitespace().collect()
}

#[test]
fn the_demo_drive_is_answered_on_one_screen() {
    let bench = Bench::new();
    gleaner::demo::make_drive(&bench.path("drive.img")).unwrap();
    let screen = bench.screen("drive.img");
    assert!(screen.starts_with("VERDICT  data is consistent\n"), "{screen}");
    assert!(screen.contains("\nGO ON  yes. No read has failed so far.\n"), "{screen}");
    let survey = bench.json("survey drive.img");
    let of = |name: &str| {
        let scopes = survey["scopes"].as_array().unwrap();
        scopes.iter().find(|scope| scope["scope"] == name).unwrap()["seconds"].as_f64().unwrap()
    };
    for (line, scope) in [("used", "allocated"), ("all", "whole")] {
        let time = format!("in about {} (", gleaner::base::human::seconds(of(scope)));
        let line = screen.lines().find(|l| l.trim_start().starts_with(line) && l.contains("MB in about"));
        assert!(line.is_some_and(|l| l.contains(&time)), "{time}\n{screen}");
    }
    // What is used is more than the volumes' own sums: gaps are read through.
    let used = survey["scopes"].as_array().unwrap().iter().find(|scope| scope["scope"] == "allocated").unwrap();
    let gaps = gleaner::base::human::bytes(used["unasked_bytes"].as_u64().unwrap());
    assert!(screen.contains(&format!(", {gaps} of it in gaps\n")), "{screen}");
    assert!(screen.contains(&format!("first, from {} on", gleaner::base::human::seconds(of("structure")))), "{screen}");
    assert_eq!(
        volume(&screen, "1"),
        ["1", "67.1", "MB", "NTFS", "Fernhollow", "Data", "35.1", "MB", "(52", "%)", "no"]
    );
    assert!(screen.ends_with(
        "NEXT  make the plan; its screen then shows the command for `copy`\n  gleaner folders drive.img --pick |\n    gleaner plan drive.img --case case --want-from -\n"
    ));
    bench.plan("drive.img --want /Surveys", "plan");
}

/// Figures by `testdata`'s reference parsers: the same volumes, labels and places.
#[test]
fn every_volume_of_a_drive_has_its_line() {
    for name in ["drive-gpt", "drive-windows-gpt", "drive-mbr-extended"] {
        let bench = Bench::new();
        let drive = bench.fixture(name);
        let screen = bench.screen(&drive);
        let survey = bench.json(&format!("survey {drive}"));
        let volumes = common::answers(name)["volumes"].as_array().unwrap().clone();
        assert!(volumes.len() >= 2);
        for of_reference in volumes {
            let is_it = |area: &&Value| area["start"] == of_reference["volume_start"];
            let area = survey["areas"].as_array().unwrap().iter().find(is_it).unwrap();
            let line = volume(&screen, &area["number"].to_string()).join(" ");
            assert!(line.contains(area["volume"]["file_system"].as_str().unwrap()), "{line}");
            assert!(line.contains(area["volume"]["label"].as_str().unwrap()) && line.ends_with(" no"), "{line}");
        }
        bench.plan(&drive, "plan");
    }
}

/// Users with long names, as `--want` for each: the table has one line a pass, its numbers are whole, and a long pattern is cut.
#[test]
fn a_plan_for_several_users_fits() {
    let bench = Bench::new();
    let drive = bench.fixture("drive-windows-gpt");
    bench.screen(&drive);
    let long = "/Users/{ida,nobody of this name but a long one}/**";
    let plan = bench.plan(&format!("{drive} --want /Users/tom --want '{long}'"), "plan");
    let summary = bench.json(&format!("plan {drive} --want /Users/tom --want '{long}' -o again"));
    let passes = summary["passes"].as_array().unwrap();
    assert!(passes.iter().any(|pass| pass["pattern"] == long), "{summary}");
    for pass in passes {
        let line = plan.lines().find(|line| line.split_whitespace().next() == Some(&pass["number"].to_string()));
        let bytes = gleaner::base::human::bytes(pass["bytes"].as_u64().unwrap());
        let line = line.unwrap_or_else(|| panic!("{pass}\n{plan}"));
        assert!(line.contains(&bytes), "{bytes} is not in {line}");
        assert_eq!(line.contains('…'), pass["pattern"] == long, "{line}");
    }
    let plan = bench.in_terminal(&format!("gleaner plan {drive} --want '{long}' -o wide"), 120);
    fits(&plan, 120);
    assert!(plan.contains(long), "a wider terminal shows it whole:\n{plan}");
}

#[test]
fn of_many_volumes_the_largest_are_listed() {
    let bench = Bench::new();
    let partitions: String =
        (1..=11).map(|number| format!("size={}MiB, name=\"Shelf {number} of a long name\"\n", 4 + number)).collect();
    fs::write(bench.path("table"), format!("label: gpt\n{partitions}")).unwrap();
    bench.piped("truncate -s 150M drive.img && /usr/sbin/sfdisk -q drive.img <table");
    let screen = bench.screen("drive.img");
    for number in ["11", "10", "9", "8", "7"] {
        assert!(volume(&screen, number).join(" ").contains("not known"), "{screen}");
    }
    assert!(screen.contains("\n  and 6 smaller: --full\n"), "{screen}");
    let full = bench.in_terminal("gleaner survey drive.img --full", COLUMNS);
    assert!((1..=11).all(|number| full.contains(&format!("Shelf {number} of"))), "{full}");
}

/// Half of the drive is missing.
#[test]
fn a_damaged_drive_shows_its_most_severe_findings() {
    let bench = Bench::new();
    let whole = common::fixture("drive-gpt");
    fs::write(bench.path("drive.img"), &whole[..whole.len() / 2]).unwrap();
    let screen = bench.screen("drive.img");
    assert!(screen.starts_with("VERDICT  consistent, partly damaged\n"), "{screen}");
    let survey = bench.json("survey drive.img");
    let findings = survey["findings"].as_array().unwrap();
    let damage = findings.iter().filter(|finding| finding["severity"] == "damage").count();
    assert!(screen.contains(&format!("FINDINGS  {} (damage {damage}", findings.len())), "{screen}");
    let listed = screen.lines().filter(|line| line.starts_with("  damage   ") || line.starts_with("  caution  "));
    assert!(listed.count() >= 2, "the second finding is not shown:\n{screen}");
    bench.plan("drive.img", "plan");
}

/// No sector of the volumes can be read.
#[test]
fn a_drive_that_cannot_be_read_says_stop() {
    let bench = Bench::new();
    let image = common::fixture("drive-gpt");
    let bad = Extent::between(1 << 20, image.len() as u64 - (1 << 20));
    let drive = WitnessedDevice::behaving(&image, &Behaviour { unreadable: vec![bad], ..Behaviour::default() });
    let screen = bench.screen(drive.path().to_str().unwrap());
    assert!(screen.starts_with("VERDICT  structure was not read\n"), "{screen}");
    assert!(screen.contains("\nGO ON  no. ") && screen.contains(" failed in this run."), "{screen}");
    assert!(
        screen.contains("\nRECOMMENDATION  Stop for now. ") && screen.contains("\nNEXT  no command yet"),
        "{screen}"
    );
    // One that reads, but for a place in what lists the files.
    let bad = Extent::between(0x40_0000, 0x40_2000);
    let drive = WitnessedDevice::behaving(&image, &Behaviour { unreadable: vec![bad], ..Behaviour::default() });
    bench.screen(drive.path().to_str().unwrap());
    bench.plan(drive.path().to_str().unwrap(), "plan");
}

#[test]
fn an_encrypted_volume_is_shown_as_such() {
    let Some(folder) = unpack::folder("an_encrypted_volume_is_shown_as_such") else { return };
    let bench = Bench::new();
    let images = unpack::unpack(&folder.join("cryptsetup-bitlk-images.tar.xz"), bench.folder.path());
    assert!(images.len() > 15);
    for (_, image) in images.iter().take(3) {
        let screen = bench.screen(image.strip_prefix(bench.folder.path()).unwrap().to_str().unwrap());
        assert!(screen.starts_with("VERDICT  encrypted\n"), "{screen}");
        assert!(volume(&screen, "1").join(" ").ends_with("not known yes"), "{screen}");
        fs::remove_file(image).unwrap();
    }
}

/// Details are for `--full`, which fits as well.
#[test]
fn the_full_survey_fits_and_has_what_the_screen_leaves_out() {
    let bench = Bench::new();
    let drive = bench.fixture("drive-mbr-extended");
    let full = bench.in_terminal(&format!("gleaner survey {drive} --full"), COLUMNS);
    fits(&full, COLUMNS);
    assert_eq!(full, bench.piped(&format!("gleaner survey {drive} --full --quiet")));
    for part in ["AREAS", "VOLUME 6  ", "COST OF READING  ", "RECOMMENDATION  ", "no read has failed so far", "NEXT"] {
        assert!(full.contains(part), "{part} is missing:\n{full}");
    }
    assert!(full.lines().count() > 60);
}

/// A file system that is recognised and not read: little can be checked, so a person looks first.
#[test]
fn where_little_can_be_checked_a_person_looks_first() {
    let bench = Bench::new();
    let drive = bench.fixture("foreign-jfs");
    let screen = bench.screen(&drive);
    assert!(screen.contains("\nGO ON  after a look at a few sectors and at the drive's label. "), "{screen}");
    assert_eq!(volume(&screen, "1")[3], "JFS");
    assert!(screen.ends_with("  gleaner plan drive.img --case case --scope whole\n"), "{screen}");
}
