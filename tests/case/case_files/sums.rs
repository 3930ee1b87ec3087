//! A checksum of the image counts for the image that it was taken of.

use super::Drive;
use crate::cases::{copy, ends_with, gleaner, signal, start_copy, survey_and_plan, wait_until_arrived};
use crate::witness::{Behaviour, WitnessedDevice};
use std::fs;
use std::path::Path;
use std::time::Duration;

const OUT_OF_DATE: &str = "out of date";

fn report(case: &Path) -> String {
    let page = case.with_file_name(format!("report-{}.html", fs::read_dir(case.parent().unwrap()).unwrap().count()));
    ends_with(0, gleaner("report", case).arg("-o").arg(&page));
    fs::read_to_string(page).expect("the report")
}

/// A copy that is killed before it has claimed anything, a pace, a survey and a plan can all have written to the image.
#[test]
fn whatever_writes_to_the_image_makes_its_checksum_out_of_date() {
    let drive = Drive::new();
    let delay = Some(Duration::from_millis(30));
    let device = WitnessedDevice::behaving(&drive.bytes, &Behaviour { delay, ..Behaviour::default() });
    let case = device.file("case");
    let verify = || ends_with(0, &mut gleaner("verify", &case));
    survey_and_plan(device.path(), &case, &["--scope", "whole"]);
    verify();
    assert!(!report(&case).contains(OUT_OF_DATE), "nothing was written since");
    // Looking changes nothing.
    ends_with(0, &mut gleaner("audit", &case));
    assert!(!report(&case).contains(OUT_OF_DATE));

    let mut running = start_copy(device.path(), &case, &["--request", "64"]);
    let events = wait_until_arrived(&mut running, 1 << 20);
    signal(&running, "-KILL");
    running.wait().expect("its end");
    drop(events);
    assert!(report(&case).contains(OUT_OF_DATE), "after a killed copy");
    verify();
    assert!(!last_is_out_of_date(&report(&case)));

    ends_with(0, gleaner("pace", &case).arg(device.path()));
    assert!(last_is_out_of_date(&report(&case)), "after a pace");
    verify();
    copy(0, device.path(), &case, &[]);
    assert!(last_is_out_of_date(&report(&case)), "after a copy");
    verify();
    assert!(!last_is_out_of_date(&report(&case)));
}

/// Whether the report says of the latest checksum that it does not count any more.
fn last_is_out_of_date(page: &str) -> bool {
    page.contains("its checksum is out of date")
}
