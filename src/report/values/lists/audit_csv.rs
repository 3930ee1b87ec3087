//! An audit as CSV.

use crate::base::text::csv_field;
use crate::results::audit::{AuditSummary, FileAudit, Truth, audit};
use crate::survey::allocation::{DriveMap, Patterns};
use std::io::{self, Write};

/// The first line of the list.
pub const AUDIT_CSV_HEAD: &str =
    "volume,path,stream,size,state,damaged_bytes,waiting_bytes,not_planned_bytes,damaged_ranges,unread_tail_bytes";

/// Writes a line for each file, behind [`AUDIT_CSV_HEAD`]. Text fields are as [`csv_field`] writes them; ranges are `start+length` in
/// bytes of the file, separated by blanks.
///
/// # Errors
/// What `out` gives.
pub fn audit_csv(drive: &DriveMap, truth: &Truth<'_>, out: &mut impl Write) -> io::Result<AuditSummary> {
    writeln!(out, "{AUDIT_CSV_HEAD}")?;
    audit(drive, truth, &Patterns::default(), |file| audit_csv_line(file, out))
}

/// Writes a file's line.
///
/// # Errors
/// What `out` gives.
pub fn audit_csv_line(file: &FileAudit, out: &mut impl Write) -> io::Result<()> {
    let sum = |list: &[[u64; 2]]| list.iter().map(|range| range[1]).sum::<u64>();
    let ranges: Vec<String> = file.damaged.iter().map(|[start, bytes]| format!("{start}+{bytes}")).collect();
    writeln!(
        out,
        "{},{},{},{},{},{},{},{},{},{}",
        file.volume,
        csv_field(&file.path),
        csv_field(file.stream.as_deref().unwrap_or("")),
        file.size,
        file.state.name(),
        sum(&file.damaged),
        sum(&file.waiting),
        sum(&file.not_planned),
        ranges.join(" "),
        file.unread_tail
    )
}
