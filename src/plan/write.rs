//! Writing a plan file, extent by extent.

use super::{FORMAT, Pass, Plan, PlannedExtent, VERSION};
use crate::text::{json, json_pretty};
use std::io::{self, Write};

/// Writes a plan as JSON: one object, the header before the passes, one extent a line. Buffer `out`; for a file use
/// [`crate::new_file::write_new`].
///
/// # Errors
/// What `out` gives.
pub fn write_plan(plan: &Plan, out: &mut impl Write) -> io::Result<()> {
    write!(out, "{{\"format\":\"{FORMAT}\",\"version\":{VERSION},\n\"header\":")?;
    out.write_all(json_pretty(&plan.header)?.as_bytes())?;
    out.write_all(b",\n\"passes\":[")?;
    for (index, pass) in plan.passes.iter().enumerate() {
        out.write_all(if index == 0 { b"\n" } else { b",\n" })?;
        write_pass(pass, out)?;
    }
    out.write_all(b"\n]}\n")
}

fn write_pass(pass: &Pass, out: &mut impl Write) -> io::Result<()> {
    let header = json(&pass.header)?;
    let fields = header.strip_suffix('}').expect("a struct is written as an object");
    write!(out, "{fields},\n\"extents\":[")?;
    for (index, planned) in pass.planned().enumerate() {
        out.write_all(if index == 0 { b"\n" } else { b",\n" })?;
        write_extent(&planned, out)?;
    }
    out.write_all(b"\n]}")
}

fn write_extent(planned: &PlannedExtent<'_>, out: &mut impl Write) -> io::Result<()> {
    write!(out, "[{},{}", planned.extent.start.0, planned.extent.bytes)?;
    for (index, gap) in planned.gaps.iter().enumerate() {
        out.write_all(if index == 0 { b",[" } else { b"," })?;
        write!(out, "[{},{}]", gap.start.0, gap.bytes)?;
    }
    out.write_all(if planned.gaps.is_empty() { b"]" } else { b"]]" })
}
