//! Drives with a table and a container, and the fixture that the damage table and the fuzz targets use.

use crate::answers_of_volume;
use crate::built::{Built, Shape};
use crate::overlay::Sound;
use crate::shapes::write;
use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use std::io::Read;
use std::path::Path;
use std::process::Command;

/// Where the container begins on such a drive.
pub const BASE: u64 = 1 << 20;

/// A drive with a GPT and one partition that holds the container.
pub fn in_partition(container: &Sound) -> Sound {
    let partition = Extent::between(BASE, BASE + container.bytes);
    let mut drive = Sound::blank(partition.end() + BASE, SectorSize::S512);
    put_table(&mut drive, partition);
    container.written().for_each(|(at, sector)| drive.put(BASE + at, sector));
    drive
}

/// A table that sfdisk wrote, with one partition.
fn put_table(sound: &mut Sound, partition: Extent) {
    let folder = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let image = folder.path().join("table");
    std::fs::File::create(&image).unwrap().set_len(sound.bytes).unwrap();
    let script = format!(
        "label: gpt\nlabel-id: {0}1\nstart={1}, size={2}, uuid={0}2, type={TYPE}\n",
        "6E1F2A00-5F7B-4C0A-9C2D-00000000000",
        partition.start.0 / 512,
        partition.bytes / 512
    );
    let shell = "printf '%s' \"$1\" | PATH=\"$PATH:/usr/sbin:/sbin\" sfdisk --quiet \"$2\"";
    let done = Command::new("bash").args(["-c", shell, "table", &script]).arg(&image).status();
    assert!(done.expect("bash").success());
    let mut file = std::fs::File::open(&image).unwrap();
    for at in [0, partition.end()] {
        let mut bytes = vec![0; usize::try_from(BASE).unwrap()];
        std::io::Seek::seek(&mut file, std::io::SeekFrom::Start(at)).unwrap();
        file.read_exact(&mut bytes).unwrap();
        sound.put(at, &bytes);
    }
}

/// An APFS container, in the GUID notation of the UEFI specification.
const TYPE: &str = "7C3457EF-0000-11AA-AA11-00306543ECAC";

/// Writes `testdata/drive-apfs`: three checkpoints that each add a file. Run by hand, as `testdata/README.md` says.
#[test]
#[ignore = "writes a fixture"]
fn make_drive_apfs() {
    let files = [(10_000, 300), (33_000, 200), (20_000, 150)];
    let list: Vec<&[(u64, u64)]> = (1..=files.len()).map(|count| &files[..count]).collect();
    let built = Built::with(Shape::new(4096, 40_000), &list);
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("testdata");
    let temporary = tempfile::tempdir_in(env!("CARGO_TARGET_TMPDIR")).unwrap();
    let image = temporary.path().join("drive-apfs.img");
    write(&in_partition(&built.drive), &image);
    let answers = answers_of_volume(&image, BASE, built.drive.bytes);
    std::fs::write(folder.join("drive-apfs.answers.json"), format!("{{\"volumes\":[{}]}}\n", answers.trim_end()))
        .unwrap();
    let shell = "zstd -19 -q -f \"$1\" -o \"$2/drive-apfs.img.zst\" && PATH=\"$PATH:/usr/sbin:/sbin\" sfdisk --json \"$1\" \
                 | sed 's|\"[^\"]*drive-apfs.img|\"drive-apfs.img|' >\"$2/drive-apfs.table.json\"";
    let done = Command::new("bash").args(["-c", shell, "fixture"]).arg(&image).arg(&folder).status();
    assert!(done.expect("bash").success());
}
