//! What every command prints, in a terminal of 80 columns and without one: no line is wider, and figures are not cut. Once for the
//! demo's drive, once for a drive with places that cannot be read. Needs root, FUSE and loop devices.

use crate::common;
use crate::terminal;
use crate::witness;

use gleaner::base::extent::Extent;
use std::fs;
use terminal::{Bench, COLUMNS, fits};
use witness::{Behaviour, WitnessedDevice};

/// Prints in a terminal and without one; `{}` in the words stands for a name that is new each time.
fn both(bench: &Bench, words: &str) -> String {
    let terminal = bench.in_terminal(&format!("gleaner {}", words.replace("{}", "terminal")), COLUMNS);
    let piped = bench.piped(&format!("gleaner {} 2>errors", words.replace("{}", "piped")));
    assert!(!terminal.is_empty() && !piped.is_empty(), "{words} prints nothing");
    for text in [&terminal, &piped] {
        let wide: Vec<&str> =
            text.lines().filter(|line| unicode_width::UnicodeWidthStr::width(*line) > COLUMNS).collect();
        assert!(wide.is_empty(), "{words}: wider than {COLUMNS} columns: {wide:#?}");
    }
    piped
}

/// Everything that can be said of a drive and of a case of it, where the plan wants `want` and the audit then has files of `sort`.
fn everything(bench: &Bench, drive: &str, want: &str, sort: &str) {
    // A command to paste is never divided within a word, so this has to fit behind `--case`.
    let case = "a-case-whose-name-is-long-enough-to-make-lines-wide";
    both(bench, &format!("survey {drive} --case {case}"));
    both(bench, &format!("survey --case {case} --full"));
    let folders = both(bench, &format!("folders --case {case} --depth 6"));
    assert!(folders.contains("on the drive") && folders.contains("fragments"), "{folders}");
    both(bench, &format!("plan --case {case} --want '{want}'"));
    both(bench, &format!("simulate --case {case}"));
    both(bench, &format!("simulate --case {case} --full --mean-life 1"));
    both(bench, &format!("audit --case {case}"));
    both(bench, &format!("pace --case {case} {drive}"));
    both(bench, &format!("copy --case {case} {drive}"));
    let audit = both(bench, &format!("audit --case {case} --only damaged,lost,complete --depth 6"));
    assert!(audit.contains(sort), "{audit}");
    both(bench, &format!("audit --case {case}"));
    both(bench, &format!("verify --case {case} {drive} --read-again 1"));
    both(bench, &format!("take --case {case} --to taken-{{}} '/**'"));
    both(bench, &format!("report --case {case}"));
    both(bench, &format!("report --case {case} --for client"));
    both(bench, &format!("hand-over --case {case} --as raw --to image-{{}}.img"));
    fs::copy(bench.path("image-piped.img"), bench.path("differs.img")).unwrap();
    bench.piped("printf differs | dd of=differs.img conv=notrunc bs=1 seek=70000 status=none");
    both(bench, &format!("hand-over --case {case} --check differs.img"));
    both(
        bench,
        &format!(
            "note --case {case} --on arrival --field 'condition=bent connector, and a label that came off' 'The client says that it fell from a table.'"
        ),
    );
    both(bench, &format!("record --case {case}"));
    both(bench, &format!("record --case {case} --check"));
    both(bench, &format!("record --case {case} --for client"));
    both(bench, &format!("mend --case {case}"));
    bench.piped(&format!("gleaner plan {drive} -o plan --quiet"));
    both(bench, "export plan --as dd --output exported-to-a-file-with-quite-a-long-name-for-each-of-the-two-{}.sh");
}

#[test]
fn the_demo_drive() {
    let bench = Bench::new();
    gleaner::demo::make_drive(&bench.path("drive.img")).unwrap();
    everything(&bench, "drive.img", "/Surveys", "COMPLETE FILES");
    both(&bench, "drives");
}

#[test]
fn a_drive_with_damaged_files() {
    let image = common::fixture("ntfs-rich");
    let ranges = (8..image.len() as u64 >> 18).step_by(5);
    let unreadable = ranges.map(|quarter| Extent::new(quarter << 18, 16 << 10).unwrap()).collect();
    let drive = WitnessedDevice::behaving(&image, &Behaviour { unreadable, ..Behaviour::default() });
    let bench = Bench::new();
    everything(&bench, drive.path().to_str().unwrap(), "/**", "DAMAGED FILES");
    fits(&bench.in_terminal("gleaner --help", COLUMNS), COLUMNS);
}
