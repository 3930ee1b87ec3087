//! Changing the form of a case's image.

use super::{Drive, files};
use crate::cases::{
    check_claims, check_image, complains_with, copy, description, ends_with, gleaner, planned, survey_and_plan,
};
use crate::witness::{WitnessedDevice, run};
use gleaner::extent::Extent;
use std::fs;
use std::process::Command;

/// Unreadable places have the fill that the case names in either form.
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
    copy(10, sick.path(), &case, &["--as", "vhdx"]);
    assert_eq!((description(&case)["image"].as_str(), description(&case)["fill"].as_u64()), (Some("vhdx"), Some(0xEE)));
    // By an independent reader: the VHDX has what the raw image, which stays, has.
    let raw = drive.at("converted.raw");
    run(Command::new("qemu-img").args(["convert", "-O", "raw"]).arg(case.join("image.vhdx")).arg(&raw));
    let (converted, before) = (fs::read(&raw).expect("it"), fs::read(case.join("image.raw")).expect("the old image"));
    assert!(converted == before, "the two forms differ");
    let at = usize::try_from(place).unwrap();
    assert!(converted[at..at + 512].iter().all(|byte| *byte == 0xEE));
    check_claims(&case, &drive.bytes);
}

/// A file that stands where the new image would go is somebody's; the old image is the technician's to remove.
#[test]
fn nothing_is_removed_when_the_form_changes() {
    let drive = Drive::new();
    let case = drive.case();
    survey_and_plan(&drive.path(), &case, &[]);
    copy(0, &drive.path(), &case, &[]);
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
    run(Command::new("mount").args(["-t", "tmpfs", "-o", "size=170m", "gleaner-test"]).arg(&disk));
    let case = disk.join("case");
    let outcome = std::panic::catch_unwind(|| {
        survey_and_plan(&drive.path(), &case, &["--scope", "whole"]);
        copy(0, &drive.path(), &case, &[]);
        let before = files(&case);
        let complaint = complains_with(5, gleaner("copy", &case).arg(drive.path()).args(["--as", "vhdx"]));
        assert!(complaint.contains("nothing was changed"), "{complaint}");
        assert!(files(&case) == before);
        copy(0, &drive.path(), &case, &[]);
    });
    run(Command::new("umount").arg(&disk));
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic));
}
