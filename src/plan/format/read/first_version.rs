//! Plans of version 1: one JSON object, read by the lines on which it was always written.

use super::lines::{HEADER, LINE, Lines};
use super::{Fault, Growing, PlanReadError};
use crate::plan::{PassHeader, Plan, PlanHeader};
use serde::Deserialize;
use std::io::BufRead;

/// The file's first line.
pub(super) const FIRST_LINE: &[u8] = b"{\"format\":\"gleaner-plan\",\"version\":1,";

/// An extent with the gaps in it.
#[derive(Deserialize)]
struct Span(u64, u64, #[serde(default)] Vec<(u64, u64)>);

fn other<R: BufRead>(lines: &Lines<R>) -> PlanReadError {
    lines.fault(Fault::Line)
}

/// The header, whose lines end where the passes begin.
pub(super) fn header<R: BufRead>(lines: &mut Lines<R>) -> Result<PlanHeader, PlanReadError> {
    let mut text = Vec::new();
    loop {
        if !lines.advance(LINE)? {
            return Err(lines.fault(Fault::Short));
        }
        let line = lines.line();
        if line == b"\"passes\":[" {
            break;
        }
        text.extend_from_slice(line);
        text.push(b'\n');
        if text.len() as u64 > HEADER {
            return Err(lines.fault(Fault::TooLong));
        }
    }
    let inner = text.strip_prefix(b"\"header\":").and_then(|text| text.strip_suffix(b",\n"));
    lines.json(inner.ok_or_else(|| other(lines))?)
}

/// What stands behind the first line.
pub(super) fn plan<R: BufRead>(lines: &mut Lines<R>) -> Result<Plan, PlanReadError> {
    let mut plan = Growing::new(header(lines)?).map_err(|fault| lines.fault(fault))?;
    loop {
        if !lines.advance(HEADER)? {
            return Err(lines.fault(Fault::Short));
        }
        let line = lines.line();
        let item = line.strip_suffix(b",").unwrap_or(line);
        let grown = match (item.first(), item) {
            (_, b"]}") if plan.is_in_pass() => plan.end_pass(),
            (_, b"]}") => break,
            (_, b"\"extents\":[") => continue,
            (Some(b'{'), _) => {
                let pass: PassHeader = lines.json(&[item, b"}".as_slice()].concat())?;
                plan.pass(pass)
            }
            (Some(b'['), _) => {
                let Span(start, bytes, gaps) = lines.json(item)?;
                plan.extent(start, bytes).and_then(|()| gaps.iter().try_for_each(|gap| plan.gap(gap.0, gap.1)))
            }
            _ => return Err(other(lines)),
        };
        grown.map_err(|fault| lines.fault(fault))?;
    }
    match lines.advance(LINE)? {
        false => plan.finish().map_err(|fault| PlanReadError::Invalid { line: None, fault }),
        true => Err(other(lines)),
    }
}
