//! Exports, by what the programs that follow them do: the shell script is run, the table is read by the kernel's rules.

use crate::class_maps;

use class_maps::{SECTOR, class_map, map_of, plan, request, size, source, volumes, written};
use gleaner::base::extent::{Extent, ExtentSet};
use gleaner::base::finding::Findings;
use gleaner::plan::export::{DeviceMapper, ExportError, Form, Rest, csv, dd, device_mapper, export_to_new_file};
use gleaner::plan::{BridgeRule, Fingerprint, Plan, PlanRequest, Scope, Sweeps, build};
use gleaner::survey::allocation::{Class, ClassMap};
use proptest::prelude::*;
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn text<E>(form: impl FnOnce(&Plan, &mut Vec<u8>) -> Result<(), E>, plan: &Plan) -> Result<String, E> {
    let mut out = Vec::new();
    form(plan, &mut out)?;
    Ok(String::from_utf8(out).unwrap())
}

/// What any pass of a plan reads.
fn read_by(plan: &Plan) -> ExtentSet {
    plan.passes.iter().flat_map(|pass| pass.extents().iter().copied()).collect()
}

// ---- CSV ----

// Required: "header exactly `start_byte,length_bytes,pass,class`, in reading order".
#[test]
fn csv_has_the_header_and_the_reading_order() {
    let map =
        map_of(&[(1, Class::Tables), (4, Class::Files), (2, Class::Structure), (4, Class::Files), (9, Class::Free)]);
    let mut request = PlanRequest::new(Scope::Files);
    request.bridge = BridgeRule::OFF;
    let expected = "start_byte,length_bytes,pass,class\n\
                    0,512,1,tables\n\
                    2560,1024,2,structure\n\
                    512,2048,3,files\n\
                    3584,2048,3,files\n";
    assert_eq!(text(csv, &plan(&map, &request)).unwrap(), expected);
}

// ---- device mapper ----

fn table(plan: &Plan, options: &DeviceMapper) -> Result<String, ExportError> {
    text(|plan, out| device_mapper(plan, out, options), plan)
}

// Source: Linux Documentation/admin-guide/device-mapper: "0 2048 linear /dev/loop0 0", then "2048 4096 error", then
// "6144 2048 linear /dev/loop0 6144".
#[test]
fn table_lines_of_the_kernels_documentation() {
    let map = map_of(&[(2048, Class::Files), (4096, Class::Free), (2048, Class::Bulk)]);
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    let plan = plan(&map, &request);
    let options = DeviceMapper { device: Some("/dev/loop0".to_owned()), rest: Rest::Error };
    let lines = "0 2048 linear /dev/loop0 0\n2048 4096 error\n6144 2048 linear /dev/loop0 6144\n";
    assert_eq!(table(&plan, &options).unwrap(), lines);
    let by_default = lines.replace("/dev/loop0", "/dev/sdx").replace("error", "zero");
    assert_eq!(table(&plan, &DeviceMapper::default()).unwrap(), by_default);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    // Source: Linux Documentation/admin-guide/device-mapper: a line is start, length, target, arguments, in sectors of
    // 512 bytes; that lines follow each other without gap from 0 is from memory.
    #[test]
    fn a_table_covers_the_drive_and_maps_just_what_is_planned(map in class_map(0..60, 12), request in request(20)) {
        let plan = plan(&map, &request);
        let mut at = 0;
        let mut linear = ExtentSet::new();
        let mut last = "";
        let lines = table(&plan, &DeviceMapper { device: Some("8:16".to_owned()), rest: Rest::Zero }).unwrap();
        for line in lines.lines() {
            let fields: Vec<&str> = line.split(' ').collect();
            let (start, count): (u64, u64) = (fields[0].parse().unwrap(), fields[1].parse().unwrap());
            prop_assert_eq!(start, at);
            prop_assert!(count > 0 && fields[2] != last);
            match fields[2] {
                "linear" => {
                    prop_assert_eq!(&fields[3..], ["8:16", fields[0]]);
                    linear.insert(Extent::new(start * 512, count * 512).unwrap());
                }
                other => prop_assert_eq!((other, fields.len()), ("zero", 3)),
            }
            at += count;
            last = fields[2];
        }
        prop_assert_eq!(at * 512, size(&map));
        prop_assert_eq!(linear, read_by(&plan));
    }
}

#[test]
fn what_a_table_cannot_say_is_refused() {
    let map = map_of(&[(1, Class::Tables)]);
    let good = plan(&map, &PlanRequest::new(Scope::Whole));
    for device in ["/dev/my drive", "", "/dev/a\nb", r"/dev/a\b"] {
        let options = DeviceMapper { device: Some(device.to_owned()), rest: Rest::Zero };
        let refused = table(&good, &options).unwrap_err();
        assert!(matches!(&refused, ExportError::DeviceName { device: named } if named == device));
    }
    let odd = odd_plan(&PlanRequest::new(Scope::Whole), 1000, Fingerprint::of([]));
    let refused = table(&odd, &DeviceMapper::default()).unwrap_err();
    assert!(refused.to_string().ends_with("lengthen the image to 1024 bytes"), "{refused}");
}

/// The plan of a drive whose last sector is cut short.
fn odd_plan(request: &PlanRequest, bytes: u64, fingerprint: Fingerprint) -> Plan {
    let run = |from: u64, to: u64, class| gleaner::survey::allocation::ClassRun {
        extent: Extent::between(from, to),
        class,
        lane: 0,
        area: 0,
    };
    let map = ClassMap::from_runs([run(0, 512, Class::Tables), run(512, bytes, Class::Files)]);
    let source = gleaner::plan::PlanSource { fingerprint, ..source(bytes) };
    build(&Sweeps::new(&map), request, source, volumes(), &Findings::new()).unwrap()
}

// ---- dd ----

/// A folder with a source, a plan for it, and the plan's script.
struct Bench {
    folder: tempfile::TempDir,
    content: Vec<u8>,
    plan: Plan,
}

impl Bench {
    /// A plan for random content; its tables are what the fingerprint is of.
    fn new(map: &ClassMap, request: &PlanRequest) -> Bench {
        let content = noise(size(map));
        let tables = map.runs().iter().filter(|run| run.class == Class::Tables);
        let parts: Vec<(Extent, &[u8])> = tables.map(|run| (run.extent, slice(&content, run.extent))).collect();
        let source = gleaner::plan::PlanSource { fingerprint: Fingerprint::of(parts), ..source(size(map)) };
        let plan = build(&Sweeps::new(map), request, source, volumes(), &Findings::new()).unwrap();
        Bench::with(content, plan)
    }

    fn with(content: Vec<u8>, plan: Plan) -> Bench {
        let bench = Bench { folder: tempfile::tempdir().unwrap(), content, plan };
        std::fs::write(bench.path("drive with 'odd' name"), &bench.content).unwrap();
        std::fs::write(bench.path("script"), text(dd, &bench.plan).unwrap()).unwrap();
        bench
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn command(&self, shell: &str) -> Command {
        let mut command = Command::new(shell);
        command.arg(self.path("script")).current_dir(&self.folder);
        command
    }

    fn run_with(&self, shell: &str, change: impl FnOnce(&mut Command)) -> Output {
        let mut command = self.command(shell);
        command.args(["drive with 'odd' name", "copy $x"]);
        change(&mut command);
        command.output().unwrap()
    }

    fn run(&self) -> Output {
        self.run_with("sh", |_| {})
    }

    /// What the copy must be: the planned bytes, but for those of `lost`, and zeros.
    fn expected(&self, lost: &[Extent]) -> Vec<u8> {
        let mut expected = vec![0; self.content.len()];
        for extent in read_by(&self.plan).extents() {
            range_mut(&mut expected, *extent).copy_from_slice(slice(&self.content, *extent));
        }
        for extent in lost {
            range_mut(&mut expected, *extent).fill(0);
        }
        expected
    }

    fn copy(&self) -> Vec<u8> {
        std::fs::read(self.path("copy $x")).unwrap()
    }

    /// Puts a `dd` before the system's that fails where `bad` says, as dd does at an unreadable sector, and counts.
    fn fake_dd(&self, bad: Extent, failure: &str) -> String {
        let tools = self.path("tools");
        std::fs::create_dir_all(&tools).unwrap();
        let real = Command::new("sh").args(["-c", "command -v dd"]).output().unwrap().stdout;
        let real = String::from_utf8(real).unwrap();
        let script = FAKE_DD
            .replace("REAL", real.trim())
            .replace("BAD_START", &bad.start.0.to_string())
            .replace("BAD_END", &bad.end().to_string())
            .replace("FAILURE", failure);
        std::fs::write(tools.join("dd"), script).unwrap();
        std::fs::set_permissions(tools.join("dd"), PermissionsExt::from_mode(0o755)).unwrap();
        format!("{}:{}", tools.display(), std::env::var("PATH").unwrap())
    }
}

/// Stops at the first block that touches the bad place, after copying those before it.
const FAKE_DD: &str = r#"#!/bin/sh
for operand; do
    case $operand in
    bs=*) bs=${operand#bs=} ;;
    skip=*) skip=${operand#skip=} ;;
    count=*) count=${operand#count=} ;;
    of=*) of=${operand#of=} ;;
    esac
done
case "$*" in
*conv=notrunc*) ;;
*) exec REAL "$@" ;;
esac
first=$((BAD_START / bs))
last=$(((BAD_END - 1) / bs))
[ "$first" -ge "$skip" ] || first=$skip
if [ "$last" -lt "$skip" ] || [ "$first" -ge $((skip + count)) ]; then
    exec REAL "$@"
fi
before=$((first - skip))
if [ "$before" -gt 0 ]; then
    REAL "$1" "$2" "$3" "$4" "$5" count=$before conv=notrunc 2>/dev/null
fi
FAILURE
"#;

const UNREADABLE: &str = r#"printf 'dd: error reading: Input/output error\n%s+0 records in\n%s+0 records out\n' "$before" "$before" >&2; exit 1"#;

fn noise(bytes: u64) -> Vec<u8> {
    // xorshift64: never zero for whole blocks, the same in every run.
    let mut state = 0x9E37_79B9_7F4A_7C15_u64;
    let mut content = Vec::new();
    while (content.len() as u64) < bytes {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        content.extend(state.to_le_bytes());
    }
    content.truncate(usize::try_from(bytes).unwrap());
    content
}

fn bounds(extent: Extent) -> std::ops::Range<usize> {
    usize::try_from(extent.start.0).unwrap()..usize::try_from(extent.end()).unwrap()
}

fn slice(content: &[u8], extent: Extent) -> &[u8] {
    &content[bounds(extent)]
}

fn range_mut(content: &mut [u8], extent: Extent) -> &mut [u8] {
    &mut content[bounds(extent)]
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

fn installed(program: &str) -> bool {
    Command::new(program).arg("--version").output().is_ok()
}

/// Four MiB with extents that begin and end on, before and behind multiples of 1 MiB.
fn wide_map() -> ClassMap {
    map_of(&[
        (1, Class::Tables),
        (62, Class::Outside),
        (8, Class::Structure),
        (4057, Class::Files),
        (100, Class::Free),
        (1948, Class::Files),
        (9, Class::Bulk),
        (2000, Class::Free),
        (7, Class::Tables),
    ])
}

fn allocated() -> PlanRequest {
    let mut request = PlanRequest::new(Scope::Allocated);
    request.bridge = BridgeRule::OFF;
    request
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    // Source: the plan itself; the copy is made by the shell and by dd.
    #[test]
    fn the_script_copies_just_what_is_planned(map in class_map(1..14, 3000), request in request(400)) {
        let bench = Bench::new(&map, &request);
        let output = bench.run();
        prop_assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        prop_assert!(bench.copy() == bench.expected(&[]));
        prop_assert!(!bench.path("copy $x.failed").exists());
        prop_assert!(std::fs::read(bench.path("drive with 'odd' name")).unwrap() == bench.content);
    }
}

#[test]
fn the_script_runs_in_other_shells_and_unread_ranges_take_no_room() {
    for shell in ["dash", "bash", "ksh", "mksh", "zsh"].into_iter().filter(|shell| installed(shell) || *shell == "dash")
    {
        let bench = Bench::new(&wide_map(), &allocated());
        let output = bench.run_with(shell, |_| {});
        assert_eq!(output.status.code(), Some(0), "{shell}: {}", said(&output));
        assert!(bench.copy() == bench.expected(&[]), "{shell}");
        assert!(said(&output).contains("pass 1: tables, 4096 bytes in 2 extents"), "{}", said(&output));
    }
    let map = map_of(&[(8, Class::Files), (40_000, Class::Free), (8, Class::Files)]);
    let bench = Bench::new(&map, &allocated());
    assert!(bench.run().status.success());
    let metadata = std::fs::metadata(bench.path("copy $x")).unwrap();
    assert_eq!(metadata.len(), size(&map));
    assert!(metadata.blocks() * 512 < 1 << 20, "{} blocks", metadata.blocks());
}

// Source: POSIX shell grammar as dash -n sees it, and the rules of shellcheck -s sh.
#[test]
fn the_script_is_sound_to_the_shells_own_judges() {
    let mut request = request_with_odd_pattern();
    request.scope = Scope::Whole;
    let run = |from: u64, to: u64, class, lane| gleaner::survey::allocation::ClassRun {
        extent: Extent::between(from * SECTOR, to * SECTOR),
        class,
        lane,
        area: 0,
    };
    let map =
        ClassMap::from_runs([run(0, 1, Class::Tables, 0), run(1, 9, Class::Wanted, 0), run(9, 20, Class::Free, 0)]);
    let bench = Bench::new(&map, &request);
    let checked = Command::new("sh").arg("-n").arg(bench.path("script")).output().unwrap();
    assert!(checked.status.success(), "{}", said(&checked));
    if installed("shellcheck") {
        // SC2016 warns that nothing expands in single quotes: here that is what they are for.
        let checked =
            Command::new("shellcheck").args(["-s", "sh", "-e", "SC2016"]).arg(bench.path("script")).output().unwrap();
        assert!(checked.status.success(), "{}", said(&checked));
    }
    let output = bench.run();
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(said(&output).contains("it's \"odd\"\u{FFFD}\u{FFFD}$(touch x) `touch y`"), "{}", said(&output));
    assert!(!bench.path("x").exists() && !bench.path("y").exists());
}

fn request_with_odd_pattern() -> PlanRequest {
    PlanRequest { wants: vec!["it's \"odd\"\n\u{1b}$(touch x) `touch y`".to_owned()], ..allocated() }
}

#[test]
fn a_source_that_ends_within_a_sector_is_copied_to_its_end() {
    for bytes in [1_000, 1_049_000, 2_097_153] {
        let content = noise(bytes);
        let print = Fingerprint::of([(Extent::between(0, 512), &content[..512])]);
        let bench = Bench::with(content, odd_plan(&allocated(), bytes, print));
        let output = bench.run();
        assert_eq!(output.status.code(), Some(0), "{}", said(&output));
        assert!(bench.copy() == bench.expected(&[]));
    }
}

#[test]
fn a_source_or_destination_other_than_the_plans_is_refused_and_left_alone() {
    let bench = Bench::new(&wide_map(), &allocated());
    let refused = |change: &dyn Fn(&mut Command), end: &str| {
        let output = bench.run_with("sh", |command| change(command));
        assert_eq!(output.status.code(), Some(2), "{end}: {}", said(&output));
        assert!(said(&output).contains(end), "{}", said(&output));
    };
    let operands = |source: &'static str, destination: &'static str| {
        move |command: &mut Command| {
            let script = command.get_args().next().unwrap().to_owned();
            let folder = command.get_current_dir().unwrap().to_owned();
            *command = Command::new("sh");
            command.arg(script).args([source, destination]).current_dir(folder);
        }
    };
    let drive = "drive with 'odd' name";
    std::fs::write(bench.path("short"), &bench.content[..4096]).unwrap();
    let mut other = bench.content.clone();
    other[5] ^= 1;
    std::fs::write(bench.path("other"), &other).unwrap();
    std::fs::write(bench.path("taken"), "something").unwrap();
    std::os::unix::fs::symlink("nowhere", bench.path("link")).unwrap();
    std::fs::hard_link(bench.path(drive), bench.path("same")).unwrap();
    refused(&operands("missing", "copy"), "there is no such file or device");
    refused(&operands(".", "copy"), "is neither a regular file nor a block device");
    refused(&operands("/dev/null", "copy"), "is neither a regular file nor a block device");
    refused(&operands("short", "copy"), "has 4096 bytes, but the plan was made for a drive of 4194304");
    refused(&operands("other", "copy"), "its tables and boot sectors are not those that the plan was made for");
    refused(&operands(drive, "taken"), "exists already and is not empty");
    refused(&operands(drive, "."), "exists and is not a regular file");
    refused(&operands(drive, "/dev/null"), "exists and is not a regular file");
    refused(&operands(drive, "link"), "is a link to nowhere");
    refused(&operands(drive, "same"), "is the source itself");
    refused(&operands(drive, drive), "is the source itself");
    refused(&operands(drive, "no/folder/copy"), "there is no such folder");
    refused(
        &|command| {
            command.arg("third");
        },
        "usage: sh",
    );
    refused(
        &|command| {
            command.env("START_AT", "x");
        },
        "START_AT is 'x', not a number",
    );
    refused(
        &|command| {
            command.env("START_AT", "99");
        },
        "START_AT is 99, but the plan has 6 extents",
    );
    refused(
        &|command| {
            command.env("START_AT", "1");
        },
        "there is no unfinished copy to go on with",
    );
    std::fs::write(bench.path("copy $x.failed"), "").unwrap();
    refused(&|_| {}, "copy $x.failed: exists already");
    assert!(!bench.path("copy").exists() && !bench.path("copy $x").exists() && !bench.path("nowhere").exists());
    assert_eq!(std::fs::read_to_string(bench.path("taken")).unwrap(), "something");
    assert!(std::fs::read(bench.path(drive)).unwrap() == bench.content);
    // An empty file may be the destination, and a drive that has got worse may be copied on demand.
    std::fs::remove_file(bench.path("copy $x.failed")).unwrap();
    std::fs::write(bench.path("copy $x"), "").unwrap();
    std::fs::write(bench.path(drive), &other).unwrap();
    let output = bench.run_with("sh", |command| {
        command.env("FINGERPRINT", "skip");
    });
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
}

#[test]
fn too_little_room_is_refused_before_anything_is_written() {
    let bench = Bench::new(&wide_map(), &allocated());
    // The system's df, with a free space of 100 KiB.
    let tools = bench.path("tools");
    std::fs::create_dir(&tools).unwrap();
    let df = "#!/bin/sh\necho 'Filesystem 1024-blocks Used Available Capacity Mounted on'\necho 'fs with blank 9000 8900 100 99% /a b'\n";
    std::fs::write(tools.join("df"), df).unwrap();
    std::fs::set_permissions(tools.join("df"), PermissionsExt::from_mode(0o755)).unwrap();
    let path = format!("{}:{}", tools.display(), std::env::var("PATH").unwrap());
    let output = bench.run_with("sh", |command| {
        command.env("PATH", path);
    });
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("has room for 100 KiB, but "), "{}", said(&output));
    assert!(!bench.path("copy $x").exists());
}

// Source: POSIX dd, STDERR: "records in" and "records out" count the blocks that were read and written before the error.
#[test]
fn an_unreadable_place_is_listed_and_all_around_it_copied() {
    let bench = Bench::new(&wide_map(), &allocated());
    // One sector in the middle of the second MiB, which the script copies as one block.
    let bad = Extent::new((1 << 20) + 5120, 512).unwrap();
    let path = bench.fake_dd(bad, UNREADABLE);
    let output = bench.run_with("sh", |command| {
        command.env("PATH", &path);
    });
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let list = std::fs::read_to_string(bench.path("copy $x.failed")).unwrap();
    let lost = listed(&list);
    assert!(lost.iter().any(|extent| extent.contains(&bad)));
    assert!(lost.iter().map(|e| e.bytes).sum::<u64>() <= 1 << 20, "{list}");
    assert!(bench.copy() == bench.expected(&lost));
    assert!(said(&output).contains("1048576 of them (blocks that failed: 1)"), "{}", said(&output));
    // The same at the end of an extent that is not aligned: only small blocks are lost.
    let bench = Bench::new(&wide_map(), &allocated());
    let bad = Extent::new(71 * 512, 1024).unwrap();
    let path = bench.fake_dd(bad, UNREADABLE);
    let output = bench.run_with("sh", |command| {
        command.env("PATH", &path);
    });
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    let lost = listed(&std::fs::read_to_string(bench.path("copy $x.failed")).unwrap());
    assert_eq!(lost, [Extent::new(71 * 512, 512).unwrap(), Extent::new(72 * 512, 512).unwrap()]);
    assert!(bench.copy() == bench.expected(&lost));
}

fn listed(list: &str) -> Vec<Extent> {
    let mut lines = list.lines();
    assert_eq!(lines.next(), Some("start_byte,length_bytes"));
    let extent = |line: &str| {
        let (start, bytes) = line.split_once(',').unwrap();
        Extent::new(start.parse().unwrap(), bytes.parse().unwrap()).unwrap()
    };
    lines.map(extent).collect()
}

#[test]
fn a_full_destination_stops_the_script_and_it_goes_on_from_there() {
    let bench = Bench::new(&wide_map(), &allocated());
    let full = r#"printf 'dd: error writing: No space left on device\n%s+0 records in\n%s+0 records out\n' "$((before + 1))" "$before" >&2; exit 1"#;
    // The second extent of `files`.
    let place = Extent::new(4300 * 512, 512).unwrap();
    let path = bench.fake_dd(place, full);
    let output = bench.run_with("sh", |command| {
        command.env("PATH", &path);
    });
    assert_eq!(output.status.code(), Some(3), "{}", said(&output));
    assert!(said(&output).contains("To go on: START_AT=4 sh "), "{}", said(&output));
    assert!(!bench.path("copy $x.failed").exists());
    let output = bench.run();
    assert_eq!(output.status.code(), Some(2), "an unfinished copy is not begun again by accident: {}", said(&output));
    let output = bench.run_with("sh", |command| {
        command.env("START_AT", "4");
    });
    assert_eq!(output.status.code(), Some(0), "{}", said(&output));
    assert!(!said(&output).contains("pass 1"), "{}", said(&output));
    assert!(bench.copy() == bench.expected(&[]));
}

#[test]
fn a_dd_that_copies_too_little_is_run_for_the_rest() {
    let bench = Bench::new(&wide_map(), &allocated());
    let short = r#"printf '%s+0 records in\n%s+0 records out\n' "$before" "$before" >&2; [ "$before" -gt 0 ]; exit"#;
    // Within the last of the first extent's whole MiB, so that blocks come before it; then nothing at all comes.
    let bad = Extent::new(1 << 20, 1).unwrap();
    let path = bench.fake_dd(bad, short);
    let output = bench.run_with("sh", |command| {
        command.env("PATH", &path);
    });
    let lost = listed(&std::fs::read_to_string(bench.path("copy $x.failed")).unwrap());
    assert_eq!(output.status.code(), Some(1), "{}", said(&output));
    assert_eq!(lost, [Extent::new(1 << 20, 1 << 20).unwrap()]);
    assert!(bench.copy() == bench.expected(&lost));
}

// ---- files ----

#[test]
fn an_export_is_whole_or_not_there() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let print = Fingerprint::of([(Extent::between(0, 512), &[7; 512][..])]);
    let mut content = written(&odd_plan(&PlanRequest::new(Scope::Whole), 1024, print));
    std::fs::write(path("plan"), &content).unwrap();
    let forms = [("csv", Form::Csv), ("dd", Form::Dd), ("table", Form::DeviceMapper(DeviceMapper::default()))];
    for (name, form) in &forms {
        export_to_new_file(&path("plan"), form, &path(name)).unwrap();
        let before = std::fs::read(path(name)).unwrap();
        let again = export_to_new_file(&path("plan"), form, &path(name)).unwrap_err();
        assert!(again.to_string().contains("exists already and is left as it is"), "{again}");
        assert_eq!(std::fs::read(path(name)).unwrap(), before);
    }
    // Broken only behind the last extent, when nearly all has been written.
    content.truncate(content.len() - 3);
    std::fs::write(path("broken"), &content).unwrap();
    for (name, form) in &forms {
        let name = format!("{name} of broken");
        let error = export_to_new_file(&path("broken"), form, &path(&name)).unwrap_err();
        assert!(matches!(error, ExportError::Plan(_)), "{error}");
        assert!(!Path::new(&path(&name)).exists());
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 5);
}
