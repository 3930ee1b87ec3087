//! A POSIX shell script that copies a plan's extents with `dd`.
//!
//! What the script does is in `dd_script.sh`; here its figures and its list of extents are written around that. An
//! extent is one short line, because a plan can have millions.

use super::ExportError;
use crate::extent::Extent;
use crate::plan::{PassHeader, PlanHeader, PlanVisitor, stream_plan};
use crate::text::is_plain;
use std::io::{self, Read, Write};

/// The part that is the same for every plan.
const SCRIPT: &str = include_str!("dd_script.sh");

/// The unit that file systems give out room in at the destination, in bytes: an extent may touch one more at each end.
const ROOM_UNIT: u64 = 4096;

/// Writes a script that copies a plan's extents.
///
/// # Errors
/// [`ExportError`] when the plan is not sound, found out at its end at the latest, or when `out` fails.
pub fn dd(plan: impl Read, out: &mut impl Write) -> Result<(), ExportError> {
    let mut script = Script { out, unit: 512 };
    stream_plan(plan, &mut script)?;
    Ok(writeln!(script.out, "finish")?)
}

struct Script<'o, W> {
    out: &'o mut W,
    /// The source's logical sector: the unit in which extents are given to the script.
    unit: u64,
}

impl<W: Write> Script<'_, W> {
    fn line(&mut self, function: char, extent: Extent) -> io::Result<()> {
        writeln!(self.out, "{function} {} {}", extent.start.0 / self.unit, extent.bytes.div_ceil(self.unit))
    }
}

impl<W: Write> PlanVisitor for Script<'_, W> {
    type Error = io::Error;

    fn header(&mut self, header: &PlanHeader) -> io::Result<()> {
        let source = &header.source;
        self.unit = source.logical_sector;
        let room = header.bytes().saturating_add(header.extent_count().saturating_mul(2 * ROOM_UNIT));
        writeln!(self.out, "#!/bin/sh")?;
        writeln!(self.out, "# The figures of the plan.")?;
        writeln!(self.out, "source_bytes={}", source.bytes)?;
        writeln!(self.out, "unit={}", self.unit)?;
        writeln!(self.out, "plan_bytes={}", header.bytes())?;
        writeln!(self.out, "plan_extents={}", header.extent_count())?;
        writeln!(self.out, "room_kib={}", room.min(source.bytes).div_ceil(1024))?;
        writeln!(self.out, "fingerprint='{} {}'", source.fingerprint.posix_cksum, source.fingerprint.bytes)?;
        writeln!(self.out, "fingerprint_extents() {{\n:")?;
        for extent in &source.fingerprint.extents {
            self.line('f', *extent)?;
        }
        writeln!(self.out, "}}")?;
        self.out.write_all(SCRIPT.as_bytes())
    }

    fn pass(&mut self, pass: &PassHeader) -> io::Result<()> {
        let pattern = quoted(pass.pattern.as_deref().unwrap_or(""));
        writeln!(self.out, "p {} {} {} {} {pattern}", pass.number, pass.class.name(), pass.bytes, pass.extent_count)
    }

    fn extent(&mut self, extent: Extent) -> io::Result<()> {
        self.line('r', extent)
    }
}

/// One word to the shell, whatever is in it. What is not plain, and could play tricks with a terminal when the
/// script prints the word, is replaced.
fn quoted(text: &str) -> String {
    let harmless: String = text.chars().map(|c| if is_plain(c) { c } else { '\u{FFFD}' }).collect();
    format!("'{}'", harmless.replace('\'', r"'\''"))
}
