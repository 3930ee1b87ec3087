//! A case as a test sees it: worked on by the program, then judged by its files and by the bytes of the drive.

#![allow(dead_code, reason = "each test program uses its own part of this")]

#[path = "plan_file.rs"]
mod plan_files;

use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::units::ByteOffset;
use gleaner::store::image::{ImageForm, open_read_only};
use gleaner::store::journal::{ChunkHash, JournalClaim, Ranges, read_claims};
pub use plan_files::plan_file;
use serde_json::Value;
use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

/// The program, asked to do something with a case.
pub fn gleaner(command: &str, case: &Path) -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    program.arg(command).arg("--case").arg(case).arg("--quiet");
    program
}

/// Runs it to its end, which must come with exit code `code`; what it printed.
pub fn ends_with(code: i32, program: &mut Command) -> String {
    let (printed, _) = both_ends_with(code, program);
    printed
}

/// As [`ends_with`], for what it complained.
pub fn complains_with(code: i32, program: &mut Command) -> String {
    let (_, complaint) = both_ends_with(code, program);
    complaint
}

fn both_ends_with(code: i32, program: &mut Command) -> (String, String) {
    let Output { status, stdout, stderr } = program.output().unwrap_or_else(|e| panic!("{program:?}: {e}"));
    let complaint = String::from_utf8_lossy(&stderr).into_owned();
    assert_eq!(status.code(), Some(code), "{program:?} ended with {status}: {complaint}");
    (String::from_utf8(stdout).expect("UTF-8"), complaint)
}

/// Surveys and plans: `survey --case`, then `plan --case` with `arguments`. The second needs no drive.
pub fn survey_and_plan(drive: &Path, case: &Path, arguments: &[&str]) {
    ends_with(0, gleaner("survey", case).arg(drive));
    ends_with(0, gleaner("plan", case).args(arguments));
}

/// Copies to the end; the outcome it prints.
pub fn copy(code: i32, drive: &Path, case: &Path, arguments: &[&str]) -> Value {
    let text = ends_with(code, gleaner("copy", case).arg(drive).arg("--json").args(arguments));
    serde_json::from_str(&text).expect("JSON")
}

/// What an audit says, file by file and in sum, as it is printed.
pub fn audit(code: i32, case: &Path) -> String {
    ends_with(code, gleaner("audit", case).arg("--json"))
}

/// Starts a copy whose events can be followed on its standard error.
pub fn start_copy(drive: &Path, case: &Path, arguments: &[&str]) -> Child {
    let mut program = gleaner("copy", case);
    program.arg(drive).arg("--json").args(arguments).stdout(Stdio::piped()).stderr(Stdio::piped());
    program.spawn().unwrap_or_else(|e| panic!("{program:?}: {e}"))
}

/// Every byte that the case's current plan reads, bridged gaps included.
pub fn planned(case: &Path) -> ExtentSet {
    plan(case, |_| true)
}

/// Every byte that the passes of some classes read.
pub fn plan(case: &Path, class: impl Fn(&str) -> bool) -> ExtentSet {
    let passes = passes(case);
    let chosen = passes.iter().filter(|pass| class(pass["class"].as_str().expect("a class")));
    let extents = chosen.flat_map(|pass| pass["extents"].as_array().expect("extents").iter());
    extents.map(|pair| Extent::new(pair[0].as_u64().unwrap(), pair[1].as_u64().unwrap()).unwrap()).collect()
}

/// The passes of the case's current plan.
pub fn passes(case: &Path) -> Vec<Value> {
    let plan = description(case)["plan"].as_str().expect("a plan").to_owned();
    let plan = plan_file(&case.join(plan));
    plan["passes"].as_array().expect("passes").clone()
}

/// `case.json`.
pub fn description(case: &Path) -> Value {
    serde_json::from_slice(&fs::read(case.join("case.json")).expect("case.json")).expect("JSON")
}

/// The places by which the case knows its drive.
pub fn identity_places(case: &Path) -> ExtentSet {
    let places = description(case)["identity_places"].as_array().expect("places").clone();
    let number = |place: &Value, key: &str| place[key].as_u64().expect("a number");
    places.iter().map(|place| Extent::new(number(place, "start"), number(place, "bytes")).unwrap()).collect()
}

/// The image's form and path.
pub fn image(case: &Path) -> (ImageForm, PathBuf) {
    let form = match description(case)["image"].as_str() {
        Some("raw") => ImageForm::Raw,
        Some("vhdx") => ImageForm::Vhdx,
        other => panic!("image form {other:?}"),
    };
    let name = description(case)["image_file"].as_str().map_or(form.file_name().to_owned(), str::to_owned);
    (form, case.join(name))
}

/// The path of the journal in force.
pub fn journal(case: &Path) -> PathBuf {
    case.join(description(case)["journal"].as_str().expect("a journal"))
}

/// All bytes of the image, as far as the drive goes.
pub fn image_bytes(case: &Path, drive_bytes: usize) -> Vec<u8> {
    let (form, path) = image(case);
    let mut bytes = vec![0; drive_bytes];
    open_read_only(&path, form).expect("the image").read_at(ByteOffset(0), &mut bytes).expect("the image's bytes");
    bytes
}

/// The part of the drive that an extent names.
pub fn part(drive: &[u8], extent: Extent) -> &[u8] {
    &drive[usize::try_from(extent.start.0).unwrap()..usize::try_from(extent.end()).unwrap()]
}

/// A journal's claims, compared with the drive and the image each time.
#[derive(Default)]
pub struct Claims {
    seen: Vec<JournalClaim>,
}

impl Claims {
    /// Reads the journal as it stands, and makes sure that
    /// - it begins with all that it said the last time: no claim is lost;
    /// - no byte is claimed to be copied twice: no claim is repeated;
    /// - every byte claimed to be copied is in the image as the drive has it, and the claim's hash is that of those bytes.
    ///
    /// What all claims come to.
    pub fn check(&mut self, case: &Path, drive: &[u8]) -> Ranges {
        let claims = read_claims(&journal(case)).expect("the journal");
        let claims: Vec<JournalClaim> = claims.map(|claim| claim.expect("a claim")).collect();
        assert!(claims.starts_with(&self.seen), "{}: claims were lost or changed", case.display());
        let (form, path) = image(case);
        let image = open_read_only(&path, form).expect("the image");
        let mut ranges = Ranges::new();
        let mut buffer = Vec::new();
        for (number, claim) in claims.iter().enumerate() {
            if let JournalClaim::Copied { extent, hash } = claim {
                let repeated = ranges.held(*extent);
                assert_eq!(repeated, [], "claim {number} repeats what was copied before");
                buffer.resize(usize::try_from(extent.bytes).unwrap(), 0);
                image.read_at(extent.start, &mut buffer).expect("the image's bytes");
                let expected = part(drive, *extent);
                assert!(buffer == expected, "claim {number}: {extent:?} is not in the image as the drive has it");
                if number >= self.seen.len() {
                    assert_eq!(*hash, ChunkHash::of(expected), "claim {number}: the hash is not that of {extent:?}");
                }
            }
            ranges.apply(claim);
        }
        self.seen = claims;
        ranges
    }

    /// Takes note of a journal of which a part was taken away on purpose.
    pub fn forget(&mut self) {
        self.seen.clear();
    }
}

/// As [`Claims::check`], once.
pub fn check_claims(case: &Path, drive: &[u8]) -> Ranges {
    Claims::default().check(case, drive)
}

/// Makes sure that the image has the drive's bytes in `held` and zeros everywhere else.
pub fn check_image(case: &Path, drive: &[u8], held: &ExtentSet) {
    let bytes = image_bytes(case, drive.len());
    for extent in held.extents() {
        assert!(part(&bytes, *extent) == part(drive, *extent), "{extent:?} is not as the drive has it");
    }
    for extent in held.missing_from(Extent::between(0, drive.len() as u64)) {
        assert!(part(&bytes, extent).iter().all(|byte| *byte == 0), "{extent:?} was never read but is not zero");
    }
}

/// The union of some extents.
pub fn set(extents: impl IntoIterator<Item = Extent>) -> ExtentSet {
    extents.into_iter().collect()
}

/// What of `extents` lies outside `within`.
pub fn outside(extents: &ExtentSet, within: &ExtentSet) -> Vec<Extent> {
    extents.extents().iter().flat_map(|extent| within.missing_from(*extent)).collect()
}

/// Reads a copy's events until `bytes` bytes have arrived in it; all of them must be JSON objects.
pub fn wait_until_arrived(copy: &mut Child, bytes: u64) -> BufReader<std::process::ChildStderr> {
    let mut events = BufReader::new(copy.stderr.take().expect("standard error"));
    loop {
        let mut line = String::new();
        assert_ne!(events.read_line(&mut line).expect("an event"), 0, "the copy ended before {bytes} bytes arrived");
        let event: Value = serde_json::from_str(&line).unwrap_or_else(|e| panic!("{line:?}: {e}"));
        if event["event"] == "progress" && event["arrived_bytes"].as_u64().expect("a number") >= bytes {
            return events;
        }
    }
}

/// Sends a signal to a running copy.
pub fn signal(copy: &Child, name: &str) {
    let sent = Command::new("kill").arg(name).arg(copy.id().to_string()).status().expect("kill");
    assert!(sent.success(), "{sent}");
}

/// How much more than usual is tried, for a run by hand: `GLEANER_CRASHES=N` (`scripts/crash-runs`).
pub fn crashes() -> u32 {
    std::env::var("GLEANER_CRASHES").ok().and_then(|text| text.parse().ok()).unwrap_or(1)
}
