//! A real block device that vanishes while it is open. Needs root and loop devices.

use gleaner::base::extent::Extent;
use gleaner::source::{Reader, SourceLost, open};
use std::path::{Path, PathBuf};
use std::process::Command;

fn run(program: &str, arguments: &[&str]) -> String {
    let output = Command::new(program).args(arguments).output().unwrap_or_else(|error| panic!("{program}: {error}"));
    let text = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{program} {arguments:?}: {text} (these tests need root and loop devices)");
    String::from_utf8(output.stdout).unwrap().trim().to_owned()
}

struct Loop(PathBuf);

impl Drop for Loop {
    fn drop(&mut self) {
        run("losetup", &["--detach", self.0.to_str().unwrap()]);
    }
}

// The kernel takes a removed drive's size away while it is still open; a loop device's size is taken away the same way
// when its file shrinks (losetup(8), --set-capacity).
#[test]
fn a_device_that_lost_its_size_is_gone_and_not_bad() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("drive.img");
    let file = std::fs::File::create_new(&path).unwrap();
    file.set_len(8 << 20).unwrap();
    let device = Loop(run("losetup", &["--find", "--show", "--read-only", path.to_str().unwrap()]).into());
    let reader = Reader::new(open(Path::new(&device.0), None).unwrap(), None);
    let mut buffer = gleaner::source::AlignedBuffer::new(4096);
    let place = Extent::new(6 << 20, 4096).unwrap();
    assert!(reader.attempt(place, buffer.bytes_mut()).unwrap().failure.is_none());
    file.set_len(0).unwrap();
    run("losetup", &["--set-capacity", device.0.to_str().unwrap()]);
    match reader.attempt(place, buffer.bytes_mut()) {
        Err(SourceLost::Gone { extent, .. }) => assert_eq!(extent, place),
        other => panic!("{other:?}"),
    }
}
