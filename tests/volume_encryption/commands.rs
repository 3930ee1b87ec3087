//! The program with an encrypted drive and its key, from the survey to the report.

use super::encrypted::{Lock, MASTER_KEY, recovery_password};
use super::{PASSWORD, prepared};
use serde_json::Value;
use std::collections::BTreeMap;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

const RECOVERY: [u8; 16] = [0x1B; 16];

struct Bench {
    folder: tempfile::TempDir,
    image: Vec<u8>,
    plain: Vec<u8>,
}

impl Bench {
    fn new() -> Bench {
        let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
        let (plain, mut recipe) = prepared("ntfs-rich", 0x8004);
        recipe.locks.push(Lock::Recovery(RECOVERY));
        let image = recipe.encrypt(&plain);
        let bench = Bench { folder, image, plain: recipe.plain_of(&plain) };
        bench.write("drive.img", &bench.image);
        bench.write("plain.img", &bench.plain);
        bench.write("password", format!("{PASSWORD}\n").as_bytes());
        bench.write("recovery", recovery_password(RECOVERY).as_bytes());
        bench.write("wrong", b"Blueberry 42\n");
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, bytes: &[u8]) {
        fs::write(self.path(name), bytes).unwrap();
    }

    fn run(&self, words: &str) -> Output {
        self.run_with(words, b"")
    }

    fn run_with(&self, words: &str, input: &[u8]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_gleaner"));
        command.args(words.split(' ')).current_dir(self.folder.path()).env_clear();
        let pipes = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = pipes.spawn().unwrap();
        child.stdin.take().unwrap().write_all(input).unwrap();
        child.wait_with_output().unwrap()
    }

    fn done(&self, words: &str) -> String {
        let output = self.run(words);
        assert!(output.status.success(), "{words}: {output:?}");
        String::from_utf8(output.stdout).unwrap()
    }

    fn json(&self, words: &str) -> Value {
        serde_json::from_str(&self.done(words)).unwrap()
    }
}

/// Every file below a folder with its content.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut all = BTreeMap::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all.extend(files(&path));
        } else {
            all.insert(path.clone(), fs::read(&path).unwrap());
        }
    }
    all
}

fn relative(all: BTreeMap<PathBuf, Vec<u8>>, folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    all.into_iter().map(|(path, bytes)| (path.strip_prefix(folder).unwrap().to_owned(), bytes)).collect()
}

fn holds(bytes: &[u8], what: &[u8]) -> bool {
    bytes.windows(what.len()).any(|window| window == what)
}

#[test]
fn every_command_works_with_the_key_and_none_keeps_it() {
    let bench = Bench::new();
    for (drive, case, key) in [("drive.img", "case", " --key password"), ("plain.img", "other", "")] {
        bench.done(&format!("survey {drive} --case {case} -q{key}"));
        bench.done(&format!("plan --case {case} -q --bridge 0 --want /Users/**{key}"));
        let copied = bench.json(&format!("copy {drive} --case {case} --json{key}"));
        assert_eq!(copied["damaged_files"]["damaged"], 0);
        bench.done(&format!("take --case {case} /Users /Photos --to taken-{case}{key}"));
    }
    let (own, theirs) = (bench.path("taken-case"), bench.path("taken-other"));
    let (own, theirs) = (relative(files(&own), &own), relative(files(&theirs), &theirs));
    let lists = |all: &BTreeMap<PathBuf, Vec<u8>>| all.keys().cloned().collect::<Vec<_>>();
    assert_eq!(lists(&own), lists(&theirs));
    assert!(own.len() > 10 && own == theirs, "what is taken is what the plain volume gives");

    // Another key of the same volume is as good.
    let summary = |case: &str, key: &str| {
        let text = bench.done(&format!("audit --case {case} --json -q{key}"));
        let last = text.lines().last().unwrap().to_owned();
        let value: Value = serde_json::from_str(&last).unwrap();
        value["totals"].clone()
    };
    assert_eq!(summary("case", " --key recovery"), summary("other", ""));
    let files_of = |case: &str, key: &str| bench.done(&format!("folders --case {case} --json -q{key}"));
    assert_eq!(files_of("case", " --key recovery"), files_of("other", "").replace("plain.img", "drive.img"));
    let verified = bench.json("verify --case case --json -q --key password");
    let opinions = verified["structure"]["opinions"].as_array().or(verified["opinions"].as_array()).unwrap().clone();
    let plain = bench.json("verify --case other --json -q");
    let theirs = plain["structure"]["opinions"].as_array().or(plain["opinions"].as_array()).unwrap().clone();
    assert_eq!(opinions.len(), 1);
    for (own, theirs) in opinions.iter().zip(&theirs) {
        for field in ["verdict", "files", "folders", "contents_compared", "bytes_compared", "unexplained"] {
            assert_eq!(own[field], theirs[field], "{field}");
        }
    }
    bench.done("report --case case -q --key password");
    bench.done("hand-over --case case --as raw --to handed.img -q --key recovery");

    // The image holds the sectors as they are on the drive.
    let image = fs::read(bench.path("handed.img")).unwrap();
    let same = image
        .chunks(512)
        .zip(bench.image.chunks(512))
        .all(|(ours, drive)| ours == drive || ours.iter().all(|b| *b == 0));
    assert!(same && image.len() == bench.image.len());

    let wide: Vec<u8> = PASSWORD.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let digits = recovery_password(RECOVERY);
    let secrets = [PASSWORD.as_bytes(), &wide, digits.as_bytes(), &RECOVERY, &MASTER_KEY];
    // A sector of a file's content, as it reads once it is decrypted.
    let content = own.values().find(|bytes| bytes.len() > 8192 && bytes[4096] != bytes[4097]).unwrap();
    let sector = &content[4096..4608];
    assert!(holds(&bench.plain, sector));
    for (path, bytes) in files(&bench.path("case")) {
        assert!(secrets.iter().all(|secret| !holds(&bytes, secret)), "{} holds a key", path.display());
        assert!(!holds(&bytes, sector), "{} holds plain content", path.display());
    }
    let record = bench.done("record --case case --json");
    assert!(record.contains("--key") && !record.contains(PASSWORD), "{record}");
}

#[test]
fn a_wrong_key_is_an_error_before_anything_is_copied() {
    let bench = Bench::new();
    let refused = |words: &str| {
        let output = bench.run(words);
        assert_eq!(output.status.code(), Some(11), "{words}: {output:?}");
        assert!(output.stdout.is_empty());
        let message = String::from_utf8(output.stderr).unwrap();
        assert!(!message.contains("Blueberry"), "{message}");
        message
    };
    let message = refused("survey drive.img -q --key wrong");
    assert!(message.contains("key 1 opens none") && message.contains("user password, recovery password"), "{message}");
    assert!(refused("survey drive.img -q --key password --key wrong").contains("key 2 opens none"));
    assert!(refused("survey plain.img -q --key password").contains("leave --key out"));
    let mistyped = recovery_password(RECOVERY).replacen(&recovery_password(RECOVERY)[..6], "123456", 1);
    bench.write("wrong", mistyped.as_bytes());
    assert!(refused("survey drive.img -q --key wrong").contains("group 1 of the recovery password is mistyped"));
    bench.done("survey drive.img --case case -q --key password");
    bench.done("plan --case case -q --key password");
    let before = fs::read(bench.path("case/journal")).ok();
    refused("plan --case case -q --key wrong");
    refused("copy drive.img --case case -q --key wrong");
    assert_eq!(fs::read(bench.path("case/journal")).ok(), before);
    bench.done("copy drive.img --case case -q");
    for command in
        ["audit --case case -q", "take --case case /Users --to x", "verify --case case -q", "report --case case -q"]
    {
        refused(&format!("{command} --key wrong"));
    }
    let missing = bench.run("survey drive.img -q --key nowhere");
    assert_eq!(missing.status.code(), Some(2), "{missing:?}");
}

#[test]
fn a_key_can_be_handed_over_on_standard_input() {
    let bench = Bench::new();
    let output = bench.run_with("survey drive.img --json -q --key -", recovery_password(RECOVERY).as_bytes());
    assert!(output.status.success(), "{output:?}");
    let survey: Value = serde_json::from_slice(&output.stdout).unwrap();
    let text = survey.to_string();
    assert!(text.contains("volume-opened") && text.contains("opened by recovery password"), "{text}");
}
