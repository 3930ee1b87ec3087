//! A POSIX shell script that copies a plan's extents with `dd`.
//!
//! What the script does is in `dd_script.sh`; here its figures and its list of extents are written around that. An
//! extent is one short line, because a plan can have millions.

use crate::base::extent::Extent;
use crate::base::text::is_plain;
use crate::plan::Plan;
use std::io::{self, Write};

/// The part that is the same for every plan.
const SCRIPT: &str = include_str!("dd_script.sh");

/// The unit that file systems give out room in at the destination, in bytes: an extent may touch one more at each end.
const ROOM_UNIT: u64 = 4096;

/// Writes a script that copies a plan's extents.
///
/// # Errors
/// What `out` gives.
pub fn dd(plan: &Plan, out: &mut impl Write) -> io::Result<()> {
    let source = &plan.header.source;
    // Extents are given to the script in the source's logical sectors.
    let unit = source.logical_sector;
    let room = plan.bytes().saturating_add(plan.extent_count().saturating_mul(2 * ROOM_UNIT));
    writeln!(out, "#!/bin/sh")?;
    writeln!(out, "# The figures of the plan.")?;
    writeln!(out, "source_bytes={}", source.bytes)?;
    writeln!(out, "unit={unit}")?;
    writeln!(out, "plan_bytes={}", plan.bytes())?;
    writeln!(out, "plan_extents={}", plan.extent_count())?;
    writeln!(out, "room_kib={}", room.min(source.bytes).div_ceil(1024))?;
    writeln!(out, "fingerprint='{} {}'", source.fingerprint.posix_cksum, source.fingerprint.bytes)?;
    writeln!(out, "fingerprint_extents() {{\n:")?;
    source.fingerprint.extents.iter().try_for_each(|extent| line(out, 'f', *extent, unit))?;
    writeln!(out, "}}")?;
    out.write_all(SCRIPT.as_bytes())?;
    for pass in &plan.passes {
        let header = &pass.header;
        let pattern = quoted(header.pattern.as_deref().unwrap_or(""));
        let (number, class) = (header.number, header.class.name());
        writeln!(out, "p {number} {class} {} {} {pattern}", header.bytes, header.extent_count)?;
        pass.extents().iter().try_for_each(|extent| line(out, 'r', *extent, unit))?;
    }
    writeln!(out, "finish")
}

fn line(out: &mut impl Write, function: char, extent: Extent, unit: u64) -> io::Result<()> {
    writeln!(out, "{function} {} {}", extent.start.0 / unit, extent.bytes.div_ceil(unit))
}

/// One word to the shell, whatever is in it. What is not plain, and could play tricks with a terminal when the
/// script prints the word, is replaced.
fn quoted(text: &str) -> String {
    let harmless: String = text.chars().map(|c| if is_plain(c) { c } else { '\u{FFFD}' }).collect();
    format!("'{}'", harmless.replace('\'', r"'\''"))
}
