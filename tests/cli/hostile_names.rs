//! Names on a drive that are made for those who read them: for the terminal, the spreadsheet, the browser, the person. The volume is
//! made by mkntfs and written through ntfs-3g; every command shows it, and nothing of that may act on anything. Needs root and FUSE.

use gleaner::base::extent::Extent;
use serde_json::Value;
use std::collections::BTreeSet;
use std::ffi::OsString;
use std::fs::{self, File};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::{FileExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output};
use std::time::{Duration, Instant};

/// Names as bytes of UTF-8; the last two hold halves of UTF-16 pairs, coded as ntfs-3g codes them.
const NAMES: [&[u8]; 22] = [
    b"\x1b]0;title\x07\x1b[31mred.txt",
    "\u{9b}2J\u{90}device\u{9c}.txt".as_bytes(),
    b"del\x7fete.txt",
    b"line\nbreak\r.txt",
    b"tab\tulator.txt",
    "turned \u{202E}txt.exe".as_bytes(),
    "isolated \u{2066}a\u{2069}\u{200F}\u{61C}.txt".as_bytes(),
    "zero\u{200B}width\u{2060}\u{FEFF}\u{AD}.txt".as_bytes(),
    "line\u{2028}and\u{2029}paragraph.txt".as_bytes(),
    "tag\u{E0041}\u{FE0F}\u{180E}.txt".as_bytes(),
    b"=HYPERLINK(\"fernhollow.invalid\")",
    b"+1+1",
    b"-2+3",
    b"@SUM(1)",
    b"a;=1+1;\"b\",c",
    b"'quoted'",
    b"back\\slash\\u{41}",
    b"<script>alert(1)&amp;",
    "plain Été 植物.txt".as_bytes(),
    "می\u{200C}خواهم.txt".as_bytes(),
    b"half \xED\xA0\x80.txt",
    b"half \xED\xA0\x81.txt",
];

/// What must not reach anybody as it is, beside control characters: those of the names above.
const HIDDEN: [char; 18] = [
    '\u{202E}',
    '\u{2066}',
    '\u{2069}',
    '\u{200F}',
    '\u{61C}',
    '\u{200B}',
    '\u{2060}',
    '\u{FEFF}',
    '\u{AD}',
    '\u{2028}',
    '\u{2029}',
    '\u{E0041}',
    '\u{FE0F}',
    '\u{180E}',
    '\u{10D800}',
    '\u{10D801}',
    '\u{200C}',
    '\u{FFFE}',
];

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    /// A volume with a folder for each name, and a file of that name, a named stream of another, and a deleted one.
    fn new() -> Bench {
        let bench = Bench { folder: tempfile::tempdir().expect("a temporary folder") };
        let (volume, mount) = (bench.at("volume.img"), bench.at("mount"));
        File::create_new(&volume).and_then(|file| file.set_len(24 << 20)).expect("a sparse file");
        let run = |program: &mut Command| {
            let ended = program.output().unwrap_or_else(|e| panic!("{program:?}: {e}; scripts/setup installs it"));
            assert!(ended.status.success(), "{program:?}: {}", String::from_utf8_lossy(&ended.stderr));
        };
        run(Command::new("mkntfs").args(["--quick", "--force", "--label", "\u{1b}[7m\u{202E}fern"]).arg(&volume));
        fs::create_dir(&mount).expect("a folder");
        let mounted = Mounted::new(&volume, &mount);
        for (number, name) in NAMES.iter().enumerate() {
            let folder = mount.join(OsString::from_vec([b"in ", &name[..]].concat()));
            fs::create_dir(&folder).unwrap_or_else(|e| panic!("{folder:?}: {e}"));
            let file = folder.join(OsString::from_vec(name.to_vec()));
            fs::write(&file, vec![b'0'; 1000 * (number + 1)]).unwrap_or_else(|e| panic!("{file:?}: {e}"));
            if std::str::from_utf8(name).is_ok() && !name.contains(&b'\\') {
                let stream = OsString::from_vec([b"user.s ", &name[..name.len().min(40)]].concat());
                let mut setfattr = Command::new("setfattr");
                setfattr.arg("-n").arg(&stream).args(["-v", "content"]).arg(&file);
                run(&mut setfattr);
            }
            let deleted = folder.join(OsString::from_vec([b"gone ", &name[..]].concat()));
            fs::write(&deleted, b"gone").unwrap_or_else(|e| panic!("{deleted:?}: {e}"));
            fs::remove_file(&deleted).expect("removed");
        }
        drop(mounted);
        bench
    }

    fn at(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs the program; what it printed on both outputs, which is checked.
    fn gleaner(&self, codes: &[i32], words: &[&str]) -> (String, String) {
        let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        let Output { status, stdout, stderr } = program.args(words).current_dir(self.folder.path()).output().unwrap();
        let [out, err] = [stdout, stderr].map(|bytes| String::from_utf8(bytes).expect("UTF-8"));
        assert!(codes.contains(&status.code().unwrap()), "{words:?} ended with {status}: {err}");
        check(&out, &format!("{words:?}, standard output"));
        check(&err, &format!("{words:?}, standard error"));
        (out, err)
    }
}

/// A volume mounted by ntfs-3g, which has ended, and written all, when this is dropped.
struct Mounted<'m> {
    driver: Child,
    at: &'m Path,
}

impl<'m> Mounted<'m> {
    fn new(volume: &Path, at: &'m Path) -> Mounted<'m> {
        let mut driver = Command::new("ntfs-3g");
        driver.args(["-o", "no_detach,streams_interface=xattr"]).arg(volume).arg(at);
        let mounted = Mounted { driver: driver.spawn().expect("ntfs-3g; scripts/setup installs it"), at };
        let (device, began) = (|path: &Path| fs::metadata(path).expect("a folder").dev(), Instant::now());
        while device(at) == device(at.parent().expect("a folder")) {
            assert!(began.elapsed() < Duration::from_secs(30), "nothing is mounted");
            std::thread::sleep(Duration::from_millis(20));
        }
        mounted
    }
}

impl Drop for Mounted<'_> {
    fn drop(&mut self) {
        let _ = Command::new("fusermount3").arg("-u").arg(self.at).status();
        let _ = self.driver.wait();
    }
}

/// No control character but the end of a line, none that hides or turns.
fn check(text: &str, what: &str) {
    let bad = |c: &char| (c.is_control() && *c != '\n') || HIDDEN.contains(c);
    if let Some(bad) = text.chars().find(bad) {
        let line = text.lines().find(|line| line.contains(bad)).unwrap_or_default();
        panic!("{what}: {bad:?} in {line:?}");
    }
}

fn check_file(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    check(&text, &path.display().to_string());
    text
}

#[test]
fn nothing_acts_on_its_reader_and_nothing_is_lost() {
    let bench = Bench::new();
    bench.gleaner(&[0], &["survey", "volume.img", "--case", "case"]);
    let (survey, _) = bench.gleaner(&[0], &["survey", "--case", "case", "--json"]);
    let survey: Value = serde_json::from_str(&survey).expect("JSON");
    assert_eq!(survey["areas"][0]["volume"]["label"], "\u{1b}[7m\u{202E}fern");
    bench.gleaner(&[0], &["folders", "--case", "case", "--depth", "9"]);
    bench.gleaner(&[0], &["folders", "--case", "case", "--depth", "9", "--json"]);
    let (list, _) = bench.gleaner(&[0], &["files", "--case", "case"]);
    names_are_all_there(&list);

    let want = ["plan", "--case", "case", "--want", "*\u{202E}*", "--want", "*\u{1b}*", "--scope", "files"];
    let (text, _) = bench.gleaner(&[0], &want);
    assert!(text.contains("\\u{202e}"), "{text}");
    bench.gleaner(&[0], &[&want[..], &["--json"]].concat());
    let plan = check_file(&bench.at("case/plan.jsonl"));
    assert!(plan.contains("\\u202e") && plan.contains("\\u001b"));
    for form in ["csv", "dd", "device-mapper"] {
        bench.gleaner(&[0], &["export", "case/plan.jsonl", "--as", form]);
    }
    bench.gleaner(&[0], &["simulate", "case/plan.jsonl", "--svg", "plan.svg"]);
    bench.gleaner(&[0], &["simulate", "case/plan.jsonl", "--json"]);
    check_file(&bench.at("plan.svg"));

    // Before copying, so that files are not yet read and have their places named.
    bench.gleaner(&[0], &["audit", "--case", "case", "--depth", "9"]);
    bench.gleaner(&[0, 10], &["take", "--case", "case", "/", "--to", "early"]);
    let (_, events) = bench.gleaner(&[0], &["copy", "volume.img", "--case", "case", "--json"]);
    assert!(events.contains("\\u202e"), "the pattern of a pass: {events}");
    damage(&bench);
    bench.gleaner(&[0, 10], &["audit", "--case", "case", "--depth", "9", "--csv", "audit.csv"]);
    bench.gleaner(&[0, 10], &["audit", "--case", "case", "--json"]);
    spreadsheet(&check_file(&bench.at("audit.csv")));
    bench.gleaner(&[10], &["verify", "--case", "case"]);
    bench.gleaner(&[10], &["verify", "--case", "case", "--json"]);

    bench.gleaner(&[0], &["take", "--case", "case", "/", "--to", "taken"]);
    bench.gleaner(&[0], &["take", "--case", "case", "/", "--to", "taken again", "--json"]);
    for folder in ["early", "taken", "taken again"] {
        let written = below(&bench.at(folder));
        assert!(written.len() >= 2 * NAMES.len(), "{folder}: {} names", written.len());
        for path in &written {
            let path = path.to_str().expect("UTF-8");
            // A non-joiner between letters of its script belongs to the name.
            check(&path.replace("می\u{200C}خ", ""), &format!("{folder}: {path:?}"));
        }
    }
    below(&bench.at("early")).iter().filter(|path| path.to_string_lossy().ends_with(".missing.json")).for_each(
        |path| {
            check_file(&bench.at("early").join(path));
        },
    );

    bench.gleaner(&[0], &["note", "--case", "case", "=1+1 \u{1b}[2J\u{202E}"]);
    bench.gleaner(&[0], &["note", "--case", "case", "--on", "arrival", "--field", "noise=-1;+2", "@x"]);
    bench.gleaner(&[0], &["record", "--case", "case"]);
    bench.gleaner(&[0], &["record", "--case", "case", "--json"]);
    let (csv, _) = bench.gleaner(&[0], &["record", "--case", "case", "--csv"]);
    spreadsheet(&csv);
    check_file(&bench.at("case/record.jsonl"));
    bench.gleaner(&[0], &["report", "--case", "case"]);
    bench.gleaner(&[0], &["report", "--case", "case", "--for", "client", "--json"]);
    for name in ["report.html", "report-client.html"] {
        let page = check_file(&bench.at("case").join(name));
        assert!(!page.contains("<script>alert"), "{name}");
    }
    spreadsheet(&check_file(&bench.at("case/report-files.csv")));

    // Errors that name what was typed.
    for words in [
        &["survey", "no \u{1b}[2J\u{202E}such.img"][..],
        &["plan", "volume.img", "--want", "[\u{1b}[2J\u{9b}", "-o", "p"],
        &["survey", "volume.img", "--case", "taken"],
        &["simulate", "case/plan.jsonl", "--drive", "no\u{202E}such"],
        &["take", "--case", "case", "/", "--to", "taken"],
    ] {
        let (_, told) = bench.gleaner(&[2, 3, 5, 8], words);
        assert_eq!(told.lines().count(), 1, "{told:?}");
    }
    // A shell puts names in place of `*`.
    bench.gleaner(&[2], &["survey", "volume.img", "\u{1b}]0;title\u{7}.txt"]);
    bench.gleaner(&[2], &["survey", "volume.img", "--rate", "\u{9b}2J\u{202E}"]);
}

/// Changes a file's content in the image, so that verifying names whose it is.
fn damage(bench: &Bench) {
    let image = File::options().read(true).write(true).open(bench.at("case/image.raw")).expect("the image");
    let files = fs::read(bench.at("volume.img")).expect("the volume");
    let place =
        files.windows(4096).position(|window| window.iter().all(|byte| *byte == b'0')).expect("a file's content");
    let place = Extent::new(place as u64, 1).unwrap();
    image.write_all_at(b"1", place.start.0).expect("written");
}

fn below(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let mut waiting = vec![PathBuf::new()];
    while let Some(next) = waiting.pop() {
        for entry in fs::read_dir(folder.join(&next)).expect("a folder") {
            let entry = entry.expect("an entry");
            let path = next.join(entry.file_name());
            if entry.file_type().expect("a kind").is_dir() {
                waiting.push(path.clone());
            }
            found.push(path);
        }
    }
    found
}

/// What Python's reader of JSON finds in the list, against the names that were made. A half of a pair stands 0x100000 higher
/// (docs/formats/files.md).
fn names_are_all_there(list: &str) {
    let script = "import json, sys\n\
        def half(c): return chr(ord(c) - 0x100000) if 0x10D800 <= ord(c) <= 0x10DFFF else c\n\
        for line in sys.stdin:\n    \
            entry = json.loads(line)\n    \
            path = entry.get('path') or ''\n    \
            if path.startswith('/in '): print(''.join(map(half, path)).encode('utf-8', 'surrogatepass').hex())";
    let mut python = Command::new("python3");
    python.args(["-c", script]).stdin(std::process::Stdio::piped()).stdout(std::process::Stdio::piped());
    let mut running = python.spawn().expect("python3");
    std::io::Write::write_all(&mut running.stdin.take().unwrap(), list.as_bytes()).expect("read");
    let printed = String::from_utf8(running.wait_with_output().expect("its end").stdout).expect("UTF-8");
    let found: BTreeSet<Vec<u8>> = printed.lines().map(|line| hex::decode(line).expect("hexadecimal")).collect();
    for name in NAMES {
        let path = [b"/in ", name, b"/", name].concat();
        assert!(
            found.contains(&path),
            "{:?} is not listed",
            OsString::from_vec(path).as_bytes().escape_ascii().to_string()
        );
    }
}

/// By Python's reader of CSV, with commas and with semicolons as separators: no cell starts a formula (OWASP, "CSV Injection";
/// from memory). Numbers of ours are no formulas.
fn spreadsheet(csv: &str) {
    let script = "import csv, sys\n\
        text = sys.stdin.read()\n\
        for separator in ',;':\n    \
            for row in csv.reader(text.splitlines(), delimiter=separator):\n        \
                for cell in row:\n            \
                    if cell[:1] in '=+-@\\t\\r' and cell[:1]: sys.exit(repr(cell))";
    let mut python = Command::new("python3");
    python.args(["-c", script]).stdin(std::process::Stdio::piped()).stderr(std::process::Stdio::piped());
    let mut running = python.spawn().expect("python3");
    std::io::Write::write_all(&mut running.stdin.take().unwrap(), csv.as_bytes()).expect("read");
    let ended = running.wait_with_output().expect("its end");
    assert!(ended.status.success(), "a formula: {}", String::from_utf8_lossy(&ended.stderr));
}
