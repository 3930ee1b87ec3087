//! An audit as CSV.

use crate::allocation::DriveMap;
use crate::audit::{AuditSummary, FileAudit, Truth, audit};
use crate::text::csv_field;
use std::io::{self, Write};

/// Writes a line a file: `volume,path,stream,size,state,damaged_bytes,waiting_bytes,not_planned_bytes,damaged_ranges,unread_tail_bytes`. Text fields are
/// as [`csv_field`] writes them; ranges are `start+length` in bytes of the file, separated by blanks.
///
/// # Errors
/// What `out` gives.
pub fn audit_csv(drive: &DriveMap, truth: &Truth<'_>, out: &mut impl Write) -> io::Result<AuditSummary> {
    writeln!(
        out,
        "volume,path,stream,size,state,damaged_bytes,waiting_bytes,not_planned_bytes,damaged_ranges,unread_tail_bytes"
    )?;
    audit(drive, truth, |file| line(file, out))
}

fn line(file: &FileAudit, out: &mut impl Write) -> io::Result<()> {
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
