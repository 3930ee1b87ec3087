//! Choosing the form of a case's image before its copy begins.

use super::{Drive, files};
use crate::cases::{
    check_claims, check_image, complains_with, copy, description, ends_with, gleaner, planned, survey_and_plan,
};
use crate::witness::{WitnessedDevice, run};
use gleaner::base::extent::Extent;
use std::fs;
use std::process::Command;

/// Unreadable places have the fill that the case names in a copy of either form that is handed over.
#[test]
fn the_fill_goes_along() {
    let drive = Drive::new();
    let plan_of = |case: &std::path::Path| crate::cases::plan(case, |class| class == "files");
    survey_and_plan(&drive.path(), &drive.case(), &[]);
    let place = plan_of(&drive.case()).extents()[0].start.0;
    let bad = Extent::new(place, 512).unwrap();
    let sick = WitnessedDevice::with_unreadable(&drive.bytes, &[bad]);
    let case = drive.at("sick");
    survey_and_plan(sick.path(), &case, &[]);
    copy(10, sick.path(), &case, &["--fill", "0xEE"]);
    let image = fs::read(case.join("image.raw")).expect("the case's image");
    let at = usize::try_from(place).unwrap();
    assert!(image[at..at + 512].iter().all(|byte| *byte == 0xEE));
    for form in ["raw", "vhdx"] {
        let out = drive.at(form);
        ends_with(10, gleaner("hand-over", &case).args(["--as", form, "--to"]).arg(&out));
        // By an independent reader: the copy has what the case's image has.
        let raw = drive.at(&format!("{form}.raw"));
        run(Command::new("qemu-img").args(["convert", "-f", form, "-O", "raw"]).arg(&out).arg(&raw));
        assert!(fs::read(&raw).expect("it") == image, "{form} differs");
    }
    check_claims(&case, &drive.bytes);
}

/// A file that stands where the new image would go is somebody's; the old image is the technician's to remove.
#[test]
fn nothing_is_removed_when_the_form_changes() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    fs::write(case.join("image.vhdx"), "somebody else's").expect("room");
    let before = files(&case);
    let text = ends_with(0, gleaner("copy", &case).arg(drive.path()).args(["--as", "vhdx", "--json"]));
    assert!(text.contains("complete"));
    assert_eq!(description(&case)["image_file"], "image-2.vhdx");
    let after = files(&case);
    for name in ["image.vhdx", "image.raw"] {
        assert!(after[&case.join(name)] == before[&case.join(name)], "{name}");
    }
    check_image(&case, &drive.bytes, &planned(&case));
    // And both are named, so that they can be removed.
    let mut again = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    let output = again.args(["copy", "--case"]).arg(&case).arg(drive.path()).output().expect("gleaner");
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    for name in ["case/image.vhdx ", "case/image.raw "] {
        assert!(told.contains(name) && told.contains("is no part of the case"), "{told}");
    }
}

/// Where there is no room for the new image, that is said before anything is written.
#[test]
fn without_room_the_form_stays() {
    let drive = Drive::new();
    let disk = drive.at("disk");
    fs::create_dir(&disk).expect("a folder");
    run(Command::new("mount").args(["-t", "tmpfs", "-o", "size=96m", "gleaner-test"]).arg(&disk));
    let case = disk.join("case");
    let outcome = std::panic::catch_unwind(|| {
        survey_and_plan(&drive.path(), &case, &[]);
        // All but 64 KiB of the room goes to somebody else.
        let room = run(Command::new("df").args(["--output=avail", "--block-size=1K"]).arg(&disk));
        let room: usize = room.lines().last().unwrap().trim().parse().expect("a number");
        fs::write(disk.join("other"), vec![1; (room - 64) << 10]).expect("room");
        let before = files(&case);
        let complaint = complains_with(5, gleaner("copy", &case).arg(drive.path()).args(["--as", "vhdx"]));
        assert!(complaint.contains("nothing was changed"), "{complaint}");
        assert!(files(&case) == before);
        let out = disk.join("out.raw");
        let complaint = complains_with(5, gleaner("hand-over", &case).args(["--as", "raw", "--to"]).arg(&out));
        assert!(complaint.contains("nothing was written") && !out.exists(), "{complaint}");
        fs::remove_file(disk.join("other")).expect("it");
        copy(0, &drive.path(), &case, &["--as", "vhdx"]);
    });
    run(Command::new("umount").arg(&disk));
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
}
