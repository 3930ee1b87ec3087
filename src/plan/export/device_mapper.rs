//! A table for the kernel's device mapper: a device of the drive's size on which only planned bytes reach the drive.

use super::ExportError;
use crate::base::extent::Extent;
use crate::base::text::is_plain;
use crate::plan::Plan;
use std::io::{self, Write};

/// The unit of device-mapper tables, whatever the drive's own sectors are (Linux
/// Documentation/admin-guide/device-mapper).
const SECTOR: u64 = 512;

/// What reading an unplanned place gives.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, clap::ValueEnum)]
pub enum Rest {
    /// Reads as zero.
    #[default]
    Zero,
    /// Reading fails.
    Error,
}

impl Rest {
    /// The name of the kernel's target.
    pub fn target(self) -> &'static str {
        match self {
            Rest::Zero => "zero",
            Rest::Error => "error",
        }
    }
}

/// How a table is written.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct DeviceMapper {
    /// The device that planned bytes are read from, as a path or MAJOR:MINOR; `None` for the path in the plan.
    pub device: Option<String>,
    /// What the rest of the drive reads as.
    pub rest: Rest,
}

/// Writes a table that covers the whole drive: what any pass reads is `linear`, the rest as chosen. The order of the
/// passes is lost, for a mapped device has none.
///
/// # Errors
/// [`ExportError`] when the device's name or the drive's size does not fit a table, or when
/// `out` fails.
pub fn device_mapper(plan: &Plan, out: &mut impl Write, options: &DeviceMapper) -> Result<(), ExportError> {
    let source = &plan.header.source;
    let device = options.device.as_ref().unwrap_or(&source.path);
    if device.is_empty() || device.contains(|c: char| c.is_whitespace() || !is_plain(c) || c == '\\') {
        return Err(ExportError::DeviceName { device: device.clone() });
    }
    if !source.bytes.is_multiple_of(SECTOR) {
        return Err(ExportError::PartialSector { bytes: source.bytes, whole: source.bytes.next_multiple_of(SECTOR) });
    }
    let mut at = 0;
    for extent in touching_merged(plan.ascending()) {
        rest_line(out, Extent::between(at, extent.start.0), options.rest)?;
        linear_line(out, extent, device)?;
        at = extent.end();
    }
    Ok(rest_line(out, Extent::between(at, source.bytes), options.rest)?)
}

fn linear_line(out: &mut impl Write, extent: Extent, device: &str) -> io::Result<()> {
    let (start, count) = (extent.start.0 / SECTOR, extent.bytes / SECTOR);
    writeln!(out, "{start} {count} linear {device} {start}")
}

fn rest_line(out: &mut impl Write, extent: Extent, rest: Rest) -> io::Result<()> {
    if extent.is_empty() {
        return Ok(());
    }
    writeln!(out, "{} {} {}", extent.start.0 / SECTOR, extent.bytes / SECTOR, rest.target())
}

/// Extents of different passes often touch; one line serves them all.
fn touching_merged(extents: impl Iterator<Item = Extent>) -> impl Iterator<Item = Extent> {
    let mut extents = extents.peekable();
    std::iter::from_fn(move || {
        let mut merged = extents.next()?;
        while let Some(next) = extents.next_if(|next| next.start.0 == merged.end()) {
            merged.bytes += next.bytes;
        }
        Some(merged)
    })
}
