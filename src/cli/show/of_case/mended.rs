//! What was put right in a case, as text.

use crate::base::human;
use crate::cli::show::line;
use crate::copy::mend::MendReport;

/// What was put right, what the case holds, and what lies beside it.
pub fn mended(report: &MendReport) -> String {
    let mut text = String::new();
    if !report.mended.case_file && report.mended.journal.is_none() {
        say!(&mut text, "MEND  the case is sound; nothing was changed");
    } else {
        say!(&mut text, "MEND  the case can be worked on again");
    }
    if report.mended.case_file {
        say!(&mut text, "  case.json was written anew");
    }
    if let Some(journal) = &report.mended.journal {
        let salvaged = &journal.salvaged;
        say!(&mut text, "  {}", &journal.fault);
        say!(
            &mut text,
            "  {} were taken over into {}; {} could not be; {} stays as it is",
            human::counted(salvaged.kept, "record", "records"),
            &journal.file,
            human::count(salvaged.lost),
            &journal.damaged
        );
        if salvaged.lost_withdrawals > 0 {
            say!(
                &mut text,
                "  {} lost among them marked bytes as not of the drive: all chunks of that kind are read again",
                human::counted(salvaged.lost_withdrawals, "record", "records")
            );
        }
    }
    say!(
        &mut text,
        "  {} safe, {} skipped, {} unreadable; the rest is not read yet",
        human::bytes(report.held_bytes),
        human::bytes(report.skipped_bytes),
        human::bytes(report.unreadable_bytes)
    );
    match &report.plan {
        Some(plan) => say!(&mut text, "  current plan: {}", plan),
        None => say!(&mut text, "  there is no plan yet: `gleaner plan --case` makes one"),
    }
    text.push_str(&leftovers(&report.leftovers));
    text
}

/// Files in a case's folder that are no part of it.
pub fn leftovers(files: &[std::path::PathBuf]) -> String {
    let mut text = String::new();
    for file in files {
        say!(
            &mut text,
            "  {} is no part of the case: an interrupted run or an earlier form left it; remove it if you do not need it",
            &file.display().to_string()
        );
    }
    text
}
