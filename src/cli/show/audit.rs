//! An audit as text.

use super::line;
use crate::audit::{AuditSummary, FileAudit};
use crate::cli::table::{Column, table};
use crate::human;

/// An audit: the sums, the folders down to a depth, and the first damaged files.
pub fn audit(summary: &AuditSummary, damaged: &[FileAudit], depth: u32) -> String {
    use Column::{Left, Right};
    let mut text = String::new();
    let t = &summary.totals;
    say!(&mut text, "AUDIT  {} files and named streams", human::count(t.files()));
    let rows = [
        ("whole", t.whole, t.whole_bytes),
        ("damaged", t.damaged, t.damaged_bytes),
        ("not yet read", t.not_yet_read, t.not_yet_read_bytes),
        ("not planned", t.not_planned, t.not_planned_bytes),
    ];
    let rows = rows.map(|(state, files, bytes)| vec![state.to_owned(), human::count(files), human::bytes(bytes)]);
    text.push_str(&table(&[Left("state"), Right("files"), Right("bytes")], rows));
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
                human::count(f.tally.not_yet_read),
                human::count(f.tally.not_planned),
                human::bytes(f.tally.whole_bytes),
            ]
        });
        let columns = [
            Left("folder"),
            Right("whole"),
            Right("damaged"),
            Right("not yet read"),
            Right("not planned"),
            Right("bytes whole"),
        ];
        text.push_str(&table(&columns, rows));
        say!(&mut text, "");
    }
    if !damaged.is_empty() {
        say!(&mut text, "DAMAGED FILES");
        for file in damaged {
            let lost: u64 = file.damaged.iter().map(|range| range[1]).sum();
            let stream = file.stream.as_ref().map_or(String::new(), |s| format!(" (stream {})", s));
            let what = if file.run_list_incomplete && lost == 0 {
                "part of its run list is missing".to_owned()
            } else {
                format!("{} of {} lost in {} places", human::bytes(lost), human::bytes(file.size), file.damaged.len())
            };
            say!(&mut text, "  {}{stream}: {what}", &file.path);
        }
        if t.damaged > damaged.len() as u64 {
            say!(
                &mut text,
                "  … and {} more; --csv FILE lists them all",
                human::count(t.damaged - damaged.len() as u64)
            );
        }
    }
    for folder in &summary.unreadable_indexes {
        say!(
            &mut text,
            "  the entries of {} could not all be read ({} lost): files may be missing from it without a trace",
            &folder.path,
            human::bytes(folder.bytes)
        );
    }
    text
}
