//! Reading a plan file into memory, checked as a whole.
//!
//! Nothing in the file is trusted. Sizes are checked before they are used, a line has a bounded length, and no more extents are
//! kept than the drive has room for.

mod check;
mod fault;
mod first_version;
mod lines;

pub use fault::{Fault, PlanReadError};

use crate::base::regular_file;
use crate::plan::{FORMAT, Pass, PassHeader, Plan, PlanHeader, VERSION};
use check::Checker;
use lines::{HEADER, LINE, Lines};
use serde::Deserialize;
use std::fs::File;
use std::io::{BufRead, BufReader, Read};
use std::path::Path;

/// The first line.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct First {
    format: String,
    version: u64,
    header: PlanHeader,
}

/// What a first line of any version begins with.
#[derive(Deserialize)]
struct Kind {
    format: String,
    version: u64,
}

/// The line of a pass.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PassLine {
    pass: PassHeader,
}

/// The line of a gap.
#[derive(Deserialize)]
struct GapLine(Gap, u64, u64);

#[derive(Deserialize)]
enum Gap {
    #[serde(rename = "gap")]
    Gap,
}

fn open(path: &Path) -> Result<BufReader<File>, PlanReadError> {
    let failed = |error| PlanReadError::Open { path: path.to_path_buf(), error };
    Ok(BufReader::with_capacity(1 << 18, regular_file::open(path).map_err(failed)?))
}

/// Reads a plan file into memory and checks it: 16 bytes an extent and 16 a gap.
///
/// # Errors
/// [`PlanReadError`] when it cannot be read, or is no sound plan.
pub fn load_plan(path: &Path) -> Result<Plan, PlanReadError> {
    read(open(path)?)
}

/// Reads a plan file's header alone. What comes behind it is neither read nor checked.
///
/// # Errors
/// [`PlanReadError`] when it cannot be read, or the header is not sound.
pub fn load_plan_header(path: &Path) -> Result<PlanHeader, PlanReadError> {
    let mut lines = Lines::new(open(path)?);
    let header = match first(&mut lines)? {
        Some(header) => header,
        None => first_version::header(&mut lines)?,
    };
    Checker::new(&header).map(|_| ()).map_err(|fault| lines.fault(fault))?;
    Ok(header)
}

/// As [`load_plan`], from anywhere.
///
/// # Errors
/// [`PlanReadError`].
pub fn read_plan(input: impl Read) -> Result<Plan, PlanReadError> {
    read(BufReader::new(input))
}

/// The header in the first line; `None` when a plan of version 1 follows.
fn first<R: BufRead>(lines: &mut Lines<R>) -> Result<Option<PlanHeader>, PlanReadError> {
    lines.advance(HEADER)?;
    let text = lines.line();
    if text == first_version::FIRST_LINE {
        return Ok(None);
    }
    if !text.starts_with(format!("{{\"format\":\"{FORMAT}\"").as_bytes()) {
        return Err(lines.fault(Fault::NotAPlan));
    }
    // What is no header of this version may be one of a later version.
    let (kind, header) = match lines.json(text) {
        Ok(First { format, version, header }) => (Kind { format, version }, Ok(Some(header))),
        Err(error) => (lines.json(text)?, Err(error)),
    };
    if kind.format != FORMAT {
        return Err(lines.fault(Fault::NotAPlan));
    }
    if kind.version != VERSION {
        return Err(lines.fault(Fault::Version { found: kind.version }));
    }
    header
}

fn read(input: impl BufRead) -> Result<Plan, PlanReadError> {
    let mut lines = Lines::new(input);
    let Some(header) = first(&mut lines)? else { return first_version::plan(&mut lines) };
    let mut plan = Growing::new(header).map_err(|fault| lines.fault(fault))?;
    while lines.advance(LINE)? {
        let line = lines.line();
        let grown = if line.starts_with(b"[\"") {
            let GapLine(Gap::Gap, start, bytes) = lines.json(line)?;
            plan.gap(start, bytes)
        } else if line.starts_with(b"[") {
            let (start, bytes) = lines.json(line)?;
            plan.extent(start, bytes)
        } else {
            let PassLine { pass } = lines.json(line)?;
            plan.pass(pass)
        };
        grown.map_err(|fault| lines.fault(fault))?;
    }
    plan.finish().map_err(|fault| PlanReadError::Invalid { line: None, fault })
}

/// A plan as it is read, checked line by line.
struct Growing {
    checker: Checker,
    plan: Plan,
    is_in_pass: bool,
}

impl Growing {
    fn new(header: PlanHeader) -> Result<Growing, Fault> {
        let checker = Checker::new(&header)?;
        Ok(Growing { checker, plan: Plan { header, passes: Vec::new() }, is_in_pass: false })
    }

    fn is_in_pass(&self) -> bool {
        self.is_in_pass
    }

    /// Begins a pass; the one before it has ended.
    fn pass(&mut self, header: PassHeader) -> Result<(), Fault> {
        self.end_pass()?;
        self.checker.pass(header.clone())?;
        self.is_in_pass = true;
        self.plan.passes.push(Pass { header, extents: Vec::new(), gaps: Vec::new() });
        Ok(())
    }

    fn current(&mut self) -> Result<&mut Pass, Fault> {
        self.plan.passes.last_mut().filter(|_| self.is_in_pass).ok_or(Fault::Line)
    }

    fn extent(&mut self, start: u64, bytes: u64) -> Result<(), Fault> {
        self.current()?;
        let extent = self.checker.extent(start, bytes)?;
        self.current()?.extents.push(extent);
        Ok(())
    }

    fn gap(&mut self, start: u64, bytes: u64) -> Result<(), Fault> {
        self.current()?;
        let gap = self.checker.gap(start, bytes)?;
        self.current()?.gaps.push(gap);
        Ok(())
    }

    /// Ends the pass that is being read, if one is.
    fn end_pass(&mut self) -> Result<(), Fault> {
        if !self.is_in_pass {
            return Ok(());
        }
        self.is_in_pass = false;
        if let Some(pass) = self.plan.passes.last_mut() {
            pass.extents.shrink_to_fit();
            pass.gaps.shrink_to_fit();
        }
        self.checker.end_pass()
    }

    fn finish(mut self) -> Result<Plan, Fault> {
        self.end_pass()?;
        self.checker.end(&self.plan.header)?;
        match self.plan.find_overlap() {
            Some((first, second)) => Err(Fault::PassesOverlap { first, second }),
            None => Ok(self.plan),
        }
    }
}
