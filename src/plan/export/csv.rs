//! Comma-separated values: an extent a line, in reading order.

use crate::plan::Plan;
use std::io::{self, Write};

/// The first line.
const HEADER: &str = "start_byte,length_bytes,pass,class";

/// Writes a plan's extents as CSV. No field needs quoting: three are numbers, and class names are single words.
///
/// # Errors
/// What `out` gives.
pub fn csv(plan: &Plan, out: &mut impl Write) -> io::Result<()> {
    writeln!(out, "{HEADER}")?;
    for pass in &plan.passes {
        let (number, class) = (pass.header.number, pass.header.class.name());
        for extent in pass.extents() {
            writeln!(out, "{},{},{number},{class}", extent.start.0, extent.bytes)?;
        }
    }
    Ok(())
}
