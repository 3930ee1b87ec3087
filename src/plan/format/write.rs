//! Writing a plan file, line by line.

use crate::base::text::json;
use crate::plan::{FORMAT, PassHeader, Plan, PlanHeader, VERSION};
use serde::Serialize;
use std::io::{self, Write};

#[derive(Serialize)]
struct FirstLine<'p> {
    format: &'static str,
    version: u64,
    header: &'p PlanHeader,
}

#[derive(Serialize)]
struct PassLine<'p> {
    pass: &'p PassHeader,
}

/// Writes a plan as JSON Lines: the header, then each pass, each with its extents behind it. Buffer `out`; for a file use
/// [`crate::base::new_file::write_new`].
///
/// # Errors
/// What `out` gives.
pub fn write_plan(plan: &Plan, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "{}", json(&FirstLine { format: FORMAT, version: VERSION, header: &plan.header })?)?;
    for pass in &plan.passes {
        writeln!(out, "{}", json(&PassLine { pass: &pass.header })?)?;
        for planned in pass.planned() {
            writeln!(out, "[{},{}]", planned.extent.start.0, planned.extent.bytes)?;
            for gap in planned.gaps {
                writeln!(out, "[\"gap\",{},{}]", gap.start.0, gap.bytes)?;
            }
        }
    }
    Ok(())
}
