//! Comma-separated values: an extent a line, in reading order.

use super::ExportError;
use crate::allocation::Class;
use crate::extent::Extent;
use crate::plan::{PassHeader, PlanHeader, PlanVisitor, stream_plan};
use std::io::{self, Read, Write};

/// The first line.
const HEADER: &str = "start_byte,length_bytes,pass,class";

/// Writes a plan's extents as CSV. No field needs quoting: three are numbers, and class names are single words.
///
/// # Errors
/// [`ExportError`] when the plan is not sound, found out at its end at the latest, or when `out` fails.
pub fn csv(plan: impl Read, out: &mut impl Write) -> Result<(), ExportError> {
    let mut lines = Lines { out, pass: 0, class: Class::Tables };
    Ok(stream_plan(plan, &mut lines)?)
}

struct Lines<'o, W> {
    out: &'o mut W,
    pass: u32,
    class: Class,
}

impl<W: Write> PlanVisitor for Lines<'_, W> {
    type Error = io::Error;

    fn header(&mut self, _header: &PlanHeader) -> io::Result<()> {
        writeln!(self.out, "{HEADER}")
    }

    fn pass(&mut self, pass: &PassHeader) -> io::Result<()> {
        (self.pass, self.class) = (pass.number, pass.class);
        Ok(())
    }

    fn extent(&mut self, extent: Extent) -> io::Result<()> {
        writeln!(self.out, "{},{},{},{}", extent.start.0, extent.bytes, self.pass, self.class.name())
    }
}
