//! Drives that fail while they are written, and runs that are ended: nothing may take such a drive for a copy.

use crate::cases::{complains_with, ends_with, signal};
use crate::hand_over::{Bench, recognised};
use crate::witness::{Behaviour, WitnessedDevice, Writes};
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};

fn writable(bytes: usize, writes: Writes) -> WitnessedDevice {
    WitnessedDevice::behaving(&vec![0; bytes], &Behaviour { writes: Some(writes), ..Behaviour::default() })
}

fn start(bench: &Bench, target: &WitnessedDevice) -> Child {
    let mut program = bench.onto_device(target.path(), &target.file("shown.img"));
    let child = program.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().expect("gleaner");
    let began = Instant::now();
    while target.writes() < 6 {
        assert!(began.elapsed() < Duration::from_secs(60), "nothing is written");
        std::thread::sleep(Duration::from_millis(5));
    }
    child
}

/// Source: nbdkit-error-filter(1); what is recognised, by blkid(8).
#[test]
fn a_drive_that_stops_taking_writes() {
    let bench = Bench::copied("ntfs-cluster-8k");
    let target = writable(bench.drive.len(), Writes::After(Duration::from_millis(20)));
    let child = start(&bench, &target);
    target.refuse_writes();
    let output = child.wait_with_output().unwrap();
    let complaint = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(5), "{complaint}");
    assert!(complaint.contains("cannot be written at byte") && complaint.contains("no tables"), "{complaint}");
    assert_eq!(recognised(target.path()), "");
    assert!(!bench.has_list());
}

/// Killed, and stopped in good order; then begun again.
#[test]
fn a_run_that_is_ended_leaves_no_tables() {
    let bench = Bench::copied("ntfs-cluster-8k");
    let target = writable(bench.drive.len(), Writes::After(Duration::from_millis(20)));
    for (name, code) in [("-KILL", None), ("-INT", Some(9))] {
        let writes = target.writes();
        let mut program = bench.onto_device(target.path(), &target.file("shown.img"));
        program.arg("--overwrite").stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = program.spawn().expect("gleaner");
        let began = Instant::now();
        while target.writes() < writes + 6 {
            assert!(began.elapsed() < Duration::from_secs(60), "nothing is written");
            std::thread::sleep(Duration::from_millis(5));
        }
        signal(&child, name);
        assert_eq!(child.wait().unwrap().code(), code, "{name}");
        assert_eq!(recognised(target.path()), "", "{name}");
        assert!(!bench.has_list());
    }
    // The boot sector and its copy stood there when it is whole; so the looks above could have seen something.
    ends_with(0, bench.onto_device(target.path(), &target.file("shown.img")).arg("--overwrite"));
    assert!(recognised(target.path()).contains("ntfs"));
    ends_with(0, bench.hand_over().arg("--check").arg(target.path()));
}

/// A drive that says that it has written: what is read back tells.
#[test]
fn a_drive_that_keeps_nothing() {
    let bench = Bench::copied("fat16");
    let target = writable(bench.drive.len(), Writes::Forgotten);
    let mut program = bench.onto_device(target.path(), &target.file("shown.img"));
    let complaint = complains_with(10, &mut program);
    assert!(complaint.contains("what was read back differs"), "{complaint}");
    assert!(!bench.has_list());
}
