//! The report's pages in a browser: no violation of axe-core's rules (which follow WCAG 2), no error, nothing loaded; light, dark and as
//! wide as a phone. On paper the client's page is short. `scripts/check-pages` says what is wrong; `scripts/setup` installs what it needs, and without that the
//! test fails.

use crate::cases;

use cases::{copy, ends_with, gleaner, passes};
use gleaner::base::extent::Extent;
use gleaner::case::{Access, Case};
use gleaner::source::{CopyStore, Failure, RangeMark};
use std::path::Path;
use std::process::Command;

#[test]
fn browsers_find_nothing_wrong_with_the_report() {
    let folder = tempfile::tempdir().unwrap();
    let (drive, case) = (folder.path().join("drive.img"), folder.path().join("case"));
    gleaner::demo::make_drive(&drive).unwrap();
    cases::survey_and_plan(&drive, &case, &["--want", "/Surveys"]);
    // With something of every kind in it: damaged files, notes, a copy, a sum.
    {
        let open = Case::open(&case, Access::Work).unwrap();
        for pass in passes(&case).iter().filter(|pass| pass["class"] == "files") {
            let start = pass["extents"][0][0].as_u64().unwrap();
            let extent = Extent::new(start, 4096).unwrap();
            open.store().mark(RangeMark::Unreadable { extent, tries: 1, failure: Failure::default() }).unwrap();
        }
        open.store().commit().unwrap();
    }
    copy(10, &drive, &case, &[]);
    let mut note = Command::new(env!("CARGO_BIN_EXE_gleaner"));
    ends_with(
        0,
        note.args(["note", "--case"]).arg(&case).args(["--on", "spin-up", "--field", "current=0.65", "No clicking"]),
    );
    let sound = folder.path().join("sound");
    cases::survey_and_plan(&drive, &sound, &["--want", "/Surveys"]);
    copy(0, &drive, &sound, &[]);
    let pages = [("bench", &case), ("client", &case), ("client", &sound)].map(|(audience, case)| {
        let page = case.join(format!("for-{audience}.html"));
        ends_with(0, gleaner("report", case).args(["--hash", "--for", audience, "-o"]).arg(&page));
        page
    });
    let check = Path::new(env!("CARGO_MANIFEST_DIR")).join("scripts/check-pages");
    let output = Command::new(check).args(&pages).output().unwrap();
    let said = [output.stdout, output.stderr].map(|bytes| String::from_utf8_lossy(&bytes).into_owned()).concat();
    assert!(output.status.success(), "{said}");
    assert_eq!(said.matches(" 0 violated").count(), 9, "{said}");
    let prints = format!("{} prints on 2 sheets of A4", pages[2].display());
    assert!(said.contains(&prints), "{said}");
}
