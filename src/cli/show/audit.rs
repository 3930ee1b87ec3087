//! An audit as text.

use super::line;
use crate::audit::{AuditSummary, FileAudit, FileState};
use crate::cli::table::{Column, table};
use crate::human;

/// An audit: the sums, the folders down to a depth, and the first damaged and lost files.
pub fn audit(summary: &AuditSummary, bad: &[FileAudit], depth: u32) -> String {
    let of = |state| bad.iter().filter(move |file| file.state == state);
    use Column::{Left, Right};
    let mut text = String::new();
    let t = &summary.totals;
    say!(&mut text, "AUDIT  {} files and named streams", human::count(t.files()));
    summary.wanted.iter().for_each(|count| say!(&mut text, "  {}", &count.sentence()));
    let rows = [
        ("whole", t.whole, t.whole_bytes),
        ("damaged", t.damaged, t.damaged_bytes),
        ("lost", t.lost, t.lost_bytes),
        ("not yet read", t.not_yet_read, t.not_yet_read_bytes),
        ("not planned", t.not_planned, t.not_planned_bytes),
    ];
    let rows = rows.map(|(state, files, bytes)| vec![state.to_owned(), human::count(files), human::bytes(bytes)]);
    text.push_str(&table(&[Left("state"), Right("files"), Right("bytes")], rows));
    if summary.unread_tails > 0 {
        say!(
            &mut text,
            "{} {} clusters behind the data that was ever written; {} of them were not read, and read as zero",
            human::counted(summary.unread_tails, "file", "files"),
            if summary.unread_tails == 1 { "has" } else { "have" },
            human::bytes(summary.unread_tail_bytes)
        );
    }
    if summary.unreadable_bytes > 0 {
        say!(&mut text, "unreadable: {} of what was planned", human::bytes(summary.unreadable_bytes));
    }
    say!(&mut text, "");
    let level = |path: &str| if path == "/" { 0 } else { path.matches('/').count() };
    let shown = usize::try_from(depth).unwrap_or(usize::MAX);
    for volume in summary.folders.chunk_by(|a, b| a.volume == b.volume) {
        say!(&mut text, "VOLUME at byte {}", volume[0].volume);
        let rows = volume.iter().filter(|f| level(&f.path) <= shown).map(|f| {
            vec![
                f.path.clone(),
                human::count(f.tally.whole),
                human::count(f.tally.damaged),
                human::count(f.tally.lost),
                human::count(f.tally.not_yet_read),
                human::count(f.tally.not_planned),
                human::bytes(f.tally.whole_bytes),
            ]
        });
        let columns = [
            Left("folder"),
            Right("whole"),
            Right("damaged"),
            Right("lost"),
            Right("not yet read"),
            Right("not planned"),
            Right("bytes whole"),
        ];
        text.push_str(&table(&columns, rows));
        say!(&mut text, "");
    }
    if t.damaged > 0 {
        say!(&mut text, "DAMAGED FILES");
        for file in of(FileState::Damaged) {
            let lost: u64 = file.damaged.iter().map(|range| range[1]).sum();
            let stream = file.stream.as_ref().map_or(String::new(), |s| format!(" (stream {})", s));
            let what = if file.run_list_incomplete && lost == 0 {
                "part of its run list is missing".to_owned()
            } else {
                format!("{} of {} lost in {} places", human::bytes(lost), human::bytes(file.size), file.damaged.len())
            };
            say!(&mut text, "  {}{stream}: {what}", &file.path);
        }
        more(&mut text, t.damaged, of(FileState::Damaged).count());
    }
    if t.lost > 0 {
        say!(&mut text, "LOST FILES: their folders name them, their own records are unreadable or damaged");
        for file in of(FileState::Lost) {
            say!(&mut text, "  {}: {}", &file.path, human::bytes(file.size));
        }
        more(&mut text, t.lost, of(FileState::Lost).count());
    }
    for folder in &summary.unreadable_indexes {
        say!(
            &mut text,
            "  the entries of {} could not all be read ({} lost): files may be missing from it without a trace",
            &folder.path,
            human::bytes(folder.bytes)
        );
    }
    for folder in &summary.lost_folders {
        say!(
            &mut text,
            "  the record of the folder {} was not read: what lies in it is listed under {}",
            &folder.path,
            &folder.known_as
        );
    }
    left_over(&mut text, summary);
    text
}

fn more(text: &mut String, all: u64, shown: usize) {
    if all > shown as u64 {
        say!(text, "  … and {} more; --csv FILE lists them all", human::count(all - shown as u64));
    }
}

fn left_over(text: &mut String, summary: &AuditSummary) {
    const SHOWN: usize = 20;
    let names = &summary.left_over_names;
    if names.is_empty() {
        return;
    }
    say!(text, "");
    say!(
        text,
        "NAMES IN UNUSED SPACE OF FOLDERS: their records were not read; most are of deleted files, or older names of files that exist"
    );
    for name in names.iter().take(SHOWN) {
        say!(text, "  {}: {}", &name.path, human::bytes(name.size));
    }
    let all = names.len() as u64 + summary.left_over_unlisted;
    if all > SHOWN as u64 {
        say!(text, "  … and {} more; --json lists them", human::count(all - SHOWN as u64));
    }
}
