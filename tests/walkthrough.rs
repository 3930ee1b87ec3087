//! The bench guide and the README's quick start, done as they say: the commands are taken out of the pages' `console` blocks, run
//! by a shell in an empty folder, and what they print is held against what the pages show; all that the guide's commands
//! print is held against `tests/walkthrough/transcript.txt`. When a change is meant: `GLEANER_WRITE_DOCS=1 cargo test --test walkthrough`
//! writes the transcript anew, and the diff shows what users will see.

#[path = "walkthrough/page.rs"]
mod page;
#[path = "walkthrough/same.rs"]
mod same;

use page::Step;
use std::fmt::Write;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// What a step printed to its standard output, and its exit code.
fn run(step: &Step, folder: &Path) -> (String, i32) {
    let programs = Path::new(env!("CARGO_BIN_EXE_gleaner")).parent().unwrap();
    let mut shell = Command::new("sh");
    shell.args(["-c", &step.command]).current_dir(folder).env_clear();
    shell
        .env("PATH", format!("{}:/usr/bin:/bin", programs.display()))
        .env("LC_ALL", "C.UTF-8")
        .env("TZ", "UTC")
        .env("USER", "bench");
    let output = shell.output().unwrap();
    let printed = String::from_utf8(output.stdout).unwrap();
    let code = output.status.code().expect("an exit code");
    assert_eq!(
        code,
        step.code,
        "line {}: `{}` ended with {code}\n{printed}{}",
        step.line,
        step.command,
        String::from_utf8_lossy(&output.stderr)
    );
    (printed, code)
}

/// Does what a page says, in `folder`; returns the transcript.
fn walk(page: &str, folder: &Path) -> String {
    let text = fs::read_to_string(root().join(page)).unwrap();
    let steps = page::steps(&text);
    assert!(steps.len() >= 4, "{page}: only {} commands found: this test no longer sees them", steps.len());
    let mut transcript = String::new();
    for step in &steps {
        let (printed, code) = run(step, folder);
        let printed = same::settled(&printed);
        if let Err(missing) = page::shows(&step.shown, &printed) {
            panic!("{page}, line {}: `{}` does not print\n{missing}\nbut\n{printed}", step.line, step.command);
        }
        let printed = if step.varies { "(figures vary)" } else { &printed };
        write!(transcript, "$ {}\n{}\n? {code}\n\n", step.command, printed.trim_end()).unwrap();
    }
    transcript
}

/// That the case's image is correct, told by others: an independent tool turns it into plain bytes, which are held against
/// the demo drive's wherever the plan (as exported for other tools) says.
fn image_is_correct(folder: &Path, image: &str) {
    let plain = folder.join("plain.img");
    let converted = Command::new("qemu-img")
        .args(["convert", "-O", "raw"])
        .arg(folder.join("case").join(image))
        .arg(&plain)
        .status()
        .unwrap();
    assert!(converted.success());
    let (drive, copy) = (fs::read(folder.join("demo/demo-drive.img")).unwrap(), fs::read(&plain).unwrap());
    assert_eq!(drive.len(), copy.len());
    let export = Step {
        line: 0,
        command: "gleaner export case/plan.jsonl --as csv".to_owned(),
        code: 0,
        varies: false,
        shown: vec![],
    };
    let csv = run(&export, folder).0;
    let mut held = 0;
    for line in csv.lines().skip_while(|line| !line.starts_with(|c: char| c.is_ascii_digit())) {
        let fields: Vec<&str> = line.split(',').collect();
        let (start, length) = (fields[0].parse::<usize>().unwrap(), fields[1].parse::<usize>().unwrap());
        assert!(drive[start..start + length] == copy[start..start + length], "{length} bytes at {start} differ");
        held += length;
    }
    assert!(held > 50_000_000, "the plan has only {held} bytes");
}

#[test]
fn the_bench_guide_does_what_it_says() {
    let folder = tempfile::tempdir().unwrap();
    let transcript = walk("docs/bench-guide.md", folder.path());
    image_is_correct(folder.path(), "image.vhdx");

    let path: PathBuf = root().join("tests/walkthrough/transcript.txt");
    if std::env::var_os("GLEANER_WRITE_DOCS").is_some() {
        fs::write(&path, &transcript).unwrap();
    }
    let written = fs::read_to_string(&path).unwrap_or_default();
    for (number, (is, was)) in transcript.lines().zip(written.lines()).enumerate() {
        assert_eq!(is, was, "transcript line {}: GLEANER_WRITE_DOCS=1 cargo test --test walkthrough", number + 1);
    }
    assert_eq!(
        transcript.lines().count(),
        written.lines().count(),
        "GLEANER_WRITE_DOCS=1 cargo test --test walkthrough"
    );
}

#[test]
fn the_quick_start_does_what_it_says() {
    let folder = tempfile::tempdir().unwrap();
    walk("README.md", folder.path());
    image_is_correct(folder.path(), "image.raw");
}
