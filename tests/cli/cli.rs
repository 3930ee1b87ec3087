//! The program as its users meet it: exit codes, refusals, output that programs can read, nothing overwritten.

use crate::common;

use serde_json::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Bench {
        Bench { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn fixture(&self, name: &str) -> PathBuf {
        let path = self.path(&format!("{name}.img"));
        if !path.exists() {
            fs::write(&path, common::fixture(name)).unwrap();
        }
        path
    }

    fn run(&self, words: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        command.args(words).current_dir(self.folder.path()).env_clear();
        command.output().unwrap()
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn stdout(output: &Output) -> String {
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout.clone()).unwrap()
}

/// Exit code and message, which must be one sentence on one line that names the program.
fn refusal(output: &Output) -> (i32, String) {
    let message = String::from_utf8(output.stderr.clone()).unwrap();
    assert!(output.stdout.is_empty(), "{output:?}");
    assert!(message.starts_with("gleaner: ") && message.trim_end().lines().count() == 1, "{message}");
    (output.status.code().unwrap(), message)
}

#[test]
fn sources_that_cannot_be_read_are_refused_with_the_reason() {
    let bench = Bench::new();
    fs::write(bench.path("empty.img"), b"").unwrap();
    fs::create_dir(bench.path("folder")).unwrap();
    for command in ["survey", "folders", "files"] {
        let missing = refusal(&bench.run(&[command, "no-such.img"]));
        assert_eq!(missing.0, 3);
        assert!(missing.1.contains("no-such.img") && missing.1.contains("no such file"), "{}", missing.1);
        let folder = refusal(&bench.run(&[command, "folder"]));
        assert!(folder.0 == 3 && folder.1.contains("folder, not an image file"), "{}", folder.1);
        let empty = refusal(&bench.run(&[command, "empty.img"]));
        assert!(empty.0 == 3 && empty.1.contains("empty"), "{}", empty.1);
        let device = refusal(&bench.run(&[command, "/dev/null"]));
        assert!(device.0 == 3 && device.1.contains("character device"), "{}", device.1);
    }
    let sector = refusal(&bench.run(&["survey", "empty.img", "--sector-size", "500"]));
    assert!(sector.0 == 2 && sector.1.contains("power of two"), "{}", sector.1);
}

#[test]
fn a_source_without_permission_is_refused() {
    use std::os::unix::fs::PermissionsExt;
    use std::os::unix::process::CommandExt;
    let bench = Bench::new();
    let path = bench.path("closed.img");
    fs::write(&path, [0; 4096]).unwrap();
    fs::set_permissions(&path, fs::Permissions::from_mode(0o000)).unwrap();
    fs::set_permissions(bench.folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    // The superuser may read everything, so the program runs as nobody (uid 65534 on Debian).
    let program = bench.path("gleaner");
    fs::copy(env!("CARGO_BIN_EXE_gleaner"), &program).unwrap();
    let mut command = Command::new(&program);
    command.args(["survey", text(&path)]);
    if fs::metadata(&path).is_ok_and(|_| fs::File::open(&path).is_ok()) {
        command.uid(65_534).gid(65_534);
    }
    let (code, message) = refusal(&command.output().unwrap());
    assert!(code == 3 && message.contains("no permission"), "{message}");
}

#[test]
fn garbage_and_truncation_give_an_answer_and_a_code() {
    let bench = Bench::new();
    // A fixed generator (a xorshift), so that the same noise is met each time.
    let mut state = 0x2545_F491_4F6C_DD1D_u64;
    let noise: Vec<u8> = std::iter::repeat_with(|| {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        state.to_le_bytes()[3]
    })
    .take(1 << 20)
    .collect();
    fs::write(bench.path("noise.img"), &noise).unwrap();
    fs::write(bench.path("tiny.img"), &noise[..100]).unwrap();
    fs::write(bench.path("blank.img"), vec![0; 1 << 20]).unwrap();
    for name in ["noise.img", "tiny.img", "blank.img"] {
        let survey = bench.run(&["survey", name]);
        assert_eq!(survey.status.code(), Some(7), "{name}: {survey:?}");
        assert!(String::from_utf8_lossy(&survey.stdout).contains("RECOMMENDATION"), "{name}");
        let plan = bench.run(&["plan", name, "-o", &format!("{name}.plan")]);
        assert_eq!(plan.status.code(), Some(7), "{name}: {plan:?}");
    }

    let whole = common::fixture("ntfs-rich");
    fs::write(bench.path("cut.img"), &whole[..whole.len() / 2]).unwrap();
    let cut = bench.run(&["survey", "cut.img", "--json"]);
    let report: Value = serde_json::from_str(&stdout(&cut)).unwrap();
    let findings = report["findings"].as_array().unwrap();
    assert!(findings.iter().any(|f| f["severity"] != "note"), "half a volume must not look sound: {findings:?}");
}

#[test]
fn nothing_is_overwritten_and_the_source_stays_as_it_is() {
    let bench = Bench::new();
    let image = bench.fixture("fat16");
    let before = fs::read(&image).unwrap();
    fs::write(bench.path("precious"), b"keep me").unwrap();
    for words in [
        vec!["plan", text(&image), "-o", "precious"],
        vec!["plan", text(&image), "-o", text(&image)],
        vec!["survey", text(&image), "--trace", "precious"],
    ] {
        let (code, message) = refusal(&bench.run(&words));
        assert!(code == 5 && message.contains("exists already"), "{words:?}: {message}");
    }
    let (code, message) = refusal(&bench.run(&["files", text(&image), "--trace", text(&image)]));
    assert!(code == 8 && message.contains("lies on the drive that is to be read"), "{message}");
    stdout(&bench.run(&["plan", text(&image), "-o", "plan"]));
    let (code, _) = refusal(&bench.run(&["export", "plan", "--as", "csv", "-o", "precious"]));
    assert_eq!(code, 5);
    assert_eq!(fs::read(bench.path("precious")).unwrap(), b"keep me");
    assert!(fs::read(&image).unwrap() == before, "the source was changed");
}

#[test]
fn plans_and_patterns_that_cannot_be_used_are_refused() {
    let bench = Bench::new();
    let image = bench.fixture("fat16");
    fs::write(bench.path("not-a-plan"), b"{\"format\":\"something else\"}").unwrap();
    let (code, message) = refusal(&bench.run(&["export", "not-a-plan", "--as", "csv"]));
    assert!(code == 6, "{message}");
    let (code, message) = refusal(&bench.run(&["export", "no-plan", "--as", "csv"]));
    assert!(code == 6 && message.contains("no-plan"), "{message}");
    let (code, message) = refusal(&bench.run(&["plan", text(&image), "--want", "a/[", "-o", "p"]));
    assert!(code == 2 && message.contains("a/["), "{message}");
    let (code, message) = refusal(&bench.run(&["plan", text(&image), "--volume", "9", "-o", "p"]));
    assert!(code == 2 && message.contains("1 (from byte 0)"), "{message}");
    let both = ["plan", text(&image), "--also", "deleted", "--without", "deleted", "-o", "p"];
    let (code, message) = refusal(&bench.run(&both));
    assert!(code == 2 && message.contains("deleted"), "{message}");
    assert!(!bench.path("p").exists());
}

/// Opening a pipe waits until somebody opens its other end, which nobody here does.
#[test]
fn a_pipe_in_place_of_a_file_is_refused_at_once() {
    let bench = Bench::new();
    let image = bench.fixture("fat16");
    let case = bench.path("case");
    let code = |words: &[&str]| {
        let mut command = Command::new("timeout");
        command.args(["60", env!("CARGO_BIN_EXE_gleaner")]).args(words).current_dir(bench.folder.path());
        let ended = command.output().unwrap();
        let message = String::from_utf8(ended.stderr).unwrap();
        (ended.status.code().unwrap(), message)
    };
    stdout(&bench.run(&["survey", text(&image), "--case", "case"]));
    stdout(&bench.run(&["plan", "--case", "case"]));
    stdout(&bench.run(&["copy", text(&image), "--case", "case", "--quiet"]));
    let pipe = |path: &Path| {
        rustix::fs::mknodat(rustix::fs::CWD, path, rustix::fs::FileType::Fifo, 0o600.into(), 0).unwrap();
    };
    pipe(&bench.path("pipe"));
    for (words, expected) in [
        (&["survey", "pipe"][..], 3),
        (&["export", "pipe", "--as", "csv"], 6),
        (&["simulate", "pipe"], 6),
        (&["survey", text(&image), "--drive", "pipe"], 2),
        (&["survey", text(&image), "--case", "pipe"], 8),
    ] {
        let (found, message) = code(words);
        assert!(found == expected && message.contains("pipe"), "{words:?}: {found}: {message}");
    }
    for (name, words, expected) in [
        ("case.json", &["audit", "--case", "case"][..], 8),
        ("journal", &["audit", "--case", "case"], 8),
        ("image.raw", &["audit", "--case", "case"], 8),
        ("record.jsonl", &["record", "--case", "case"], 8),
        // The answer is given all the same, with the complaint.
        ("record.jsonl", &["audit", "--case", "case"], 0),
        ("plan.jsonl", &["audit", "--case", "case"], 6),
        ("history.jsonl", &["copy", text(&image), "--case", "case"], 5),
        ("record.seal", &["record", "--case", "case", "--check"], 0),
        ("model.json", &["plan", text(&image), "--case", "case"], 8),
    ] {
        let (path, kept) = (case.join(name), case.join("kept"));
        let is_there = path.exists();
        if is_there {
            fs::rename(&path, &kept).unwrap();
        }
        pipe(&path);
        let (found, message) = code(words);
        assert!(found == expected, "{name}, {words:?}: {found}: {message}");
        assert!(name == "record.seal" || message.contains("a pipe, not a regular file"), "{name}: {message}");
        fs::remove_file(&path).unwrap();
        if is_there {
            fs::rename(&kept, &path).unwrap();
        }
    }
}

#[test]
fn every_answer_can_be_read_by_programs() {
    let bench = Bench::new();
    let image = bench.fixture("drive-gpt");
    let survey: Value = serde_json::from_str(&stdout(&bench.run(&["survey", text(&image), "--json"]))).unwrap();
    assert_eq!(survey["scheme"], "gpt");
    assert_eq!(survey["reading"]["repeated_bytes"], 0);
    let classes: u64 = survey["classes"].as_array().unwrap().iter().map(|c| c["bytes"].as_u64().unwrap()).sum();
    assert_eq!(classes, survey["source"]["bytes"].as_u64().unwrap(), "every byte has one class");
    let scopes: Vec<u64> = survey["scopes"].as_array().unwrap().iter().map(|s| s["bytes"].as_u64().unwrap()).collect();
    assert!(scopes.is_sorted() && scopes.len() == 5);
    assert_eq!(*scopes.last().unwrap(), classes);

    let folders: Value = serde_json::from_str(&stdout(&bench.run(&["folders", text(&image), "--json"]))).unwrap();
    assert_eq!(folders[0]["path"], "/");

    let plan: Value =
        serde_json::from_str(&stdout(&bench.run(&["plan", text(&image), "-o", "plan", "--json"]))).unwrap();
    let passes: u64 = plan["passes"].as_array().unwrap().iter().map(|p| p["bytes"].as_u64().unwrap()).sum();
    assert_eq!(plan["bytes"].as_u64(), Some(passes));
    let export = bench.run(&["export", "plan", "--as", "csv", "-o", "plan.csv", "--json"]);
    let export: Value = serde_json::from_str(&stdout(&export)).unwrap();
    assert_eq!(export["bytes"].as_u64().unwrap(), fs::metadata(bench.path("plan.csv")).unwrap().len());
    let csv = fs::read_to_string(bench.path("plan.csv")).unwrap();
    assert!(csv.starts_with("start_byte,length_bytes,pass,class\n"));
    let sum: u64 = csv.lines().skip(1).map(|l| l.split(',').nth(1).unwrap().parse::<u64>().unwrap()).sum();
    assert_eq!(sum, passes);
}

/// The same list as the reference parsers give, through the program: absolute places on a drive with two volumes.
#[test]
fn files_lists_what_the_reference_parsers_list() {
    let compared: usize = ["drive-gpt", "drive-mbr-extended", "drive-usb-4k-table"].map(compare_files).iter().sum();
    assert!(compared > 100, "only {compared} files compared");
}

fn compare_files(drive: &str) -> usize {
    let bench = Bench::new();
    let image = bench.fixture(drive);
    let listed = stdout(&bench.run(&["files", text(&image)]));
    let lines: Vec<Value> = listed.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let mut compared = 0;
    for volume in common::answers(drive)["volumes"].as_array().unwrap() {
        let start = volume["volume_start"].as_u64().unwrap();
        let plain = |f: &&Value| f["deleted"] == false && f["kind"] == "file" && f["attribute"].is_null();
        for file in volume["files"].as_array().unwrap().iter().filter(plain) {
            let Some(path) = file["path"].as_str() else { continue };
            let same = |line: &&Value| {
                let others = line["other_paths"].as_array();
                let named = line["path"] == path || others.is_some_and(|list| list.iter().any(|p| p == path));
                line["volume"] == start && named && line["stream"] == file["stream"] && line["attribute"].is_null()
            };
            let found = lines.iter().find(same);
            let expected: Vec<(u64, u64)> = file["extents"]
                .as_array()
                .unwrap()
                .iter()
                .map(|e| (start + e[0].as_u64().unwrap(), e[1].as_u64().unwrap()))
                .collect();
            let Some(found) = found else {
                // A record without unnamed content has no line of its own for it.
                assert!(expected.is_empty(), "{path} {:?} is not listed", file["stream"]);
                continue;
            };
            // The reference joins extents that touch across a hole; so must the comparison.
            let mut got: Vec<(u64, u64)> = Vec::new();
            for extent in found["extents"].as_array().unwrap() {
                let (at, bytes) = (extent[0].as_u64().unwrap(), extent[1].as_u64().unwrap());
                match got.last_mut() {
                    Some(last) if last.0 + last.1 == at => last.1 += bytes,
                    _ => got.push((at, bytes)),
                }
            }
            assert_eq!(got, expected, "{path}");
            assert_eq!(found["size"], file["size"], "{path}");
            compared += 1;
        }
    }
    compared
}

#[test]
fn the_trace_holds_every_request() {
    let bench = Bench::new();
    let image = bench.fixture("ntfs-cluster-8k");
    let report: Value =
        serde_json::from_str(&stdout(&bench.run(&["survey", text(&image), "--json", "--trace", "trace.csv"]))).unwrap();
    let trace = fs::read_to_string(bench.path("trace.csv")).unwrap();
    let mut lines = trace.lines();
    assert_eq!(lines.next(), Some("offset,length,outcome,microseconds"));
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    assert_eq!(rows.len() as u64, report["reading"]["requests"].as_u64().unwrap());
    let bytes: u64 = rows.iter().map(|row| row[1].parse::<u64>().unwrap()).sum();
    assert_eq!(bytes, report["reading"]["bytes"].as_u64().unwrap());
    assert!(rows.iter().all(|row| row.len() == 4 && row[2] == "read" && row[3].parse::<u64>().is_ok()));
}

#[test]
fn the_same_bytes_give_the_same_plan() {
    let bench = Bench::new();
    let image = bench.fixture("drive-mbr-extended");
    for plan in ["one", "two"] {
        stdout(&bench.run(&["plan", text(&image), "--want", "*.txt", "-o", plan]));
    }
    assert!(fs::read(bench.path("one")).unwrap() == fs::read(bench.path("two")).unwrap());
}

#[test]
fn the_demos_drive_is_what_others_read() {
    let bench = Bench::new();
    stdout(&bench.run(&["demo", "--keep", "kept"]));
    // The demo's own drive, checked by the partition program and by a file-system parser of others.
    let drive = fs::read(bench.path("kept/demo-drive.img")).unwrap();
    let fat =
        fatfs::FileSystem::new(ReadOnly(std::io::Cursor::new(&drive[(1 + 64 + 16) << 20..])), fatfs::FsOptions::new())
            .unwrap();
    let names: Vec<String> = fat.root_dir().iter().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(names.len(), 7, "{names:?}");
}

/// The fatfs crate wants to write; this takes nothing.
struct ReadOnly<'d>(std::io::Cursor<&'d [u8]>);

impl std::io::Read for ReadOnly<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> std::io::Result<usize> {
        self.0.read(buffer)
    }
}

impl std::io::Write for ReadOnly<'_> {
    fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
        Err(std::io::ErrorKind::PermissionDenied.into())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl std::io::Seek for ReadOnly<'_> {
    fn seek(&mut self, to: std::io::SeekFrom) -> std::io::Result<u64> {
        self.0.seek(to)
    }
}
