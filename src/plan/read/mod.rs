//! Reading a plan file without building a tree of it: extents are handed over as they are met.
//!
//! Nothing in the file is trusted. Sizes are checked before they are used, and a [budget](Budget) bounds what can be
//! collected between two extents, so that memory does not grow with a hostile file's strings.

mod budget;
mod check;
mod fault;
mod walk;

pub use fault::{Fault, PlanReadError, StreamError};

use super::{Pass, PassHeader, Plan, PlanHeader};
use crate::extent::Extent;
use crate::regular_file;
use budget::Budget;
use std::convert::Infallible;
use std::fs::File;
use std::io::{BufReader, Read};
use std::path::Path;
use walk::Walk;

/// Receives a plan as it is read: the header, then each pass, each followed by its extents, each followed by its gaps.
/// What arrives is checked; only whether two passes overlap is known no sooner than at the end.
pub trait PlanVisitor {
    /// Why the visitor may want to stop.
    type Error;
    /// Everything but the passes.
    fn header(&mut self, _header: &PlanHeader) -> Result<(), Self::Error> {
        Ok(())
    }
    /// A pass starts.
    fn pass(&mut self, _pass: &PassHeader) -> Result<(), Self::Error> {
        Ok(())
    }
    /// An extent of the pass, ascending.
    fn extent(&mut self, extent: Extent) -> Result<(), Self::Error>;
    /// A part of that extent that is read only because that is cheaper than a seek.
    fn gap(&mut self, _gap: Extent) -> Result<(), Self::Error> {
        Ok(())
    }
}

/// Opens a plan file for [`read_plan`] or [`stream_plan`].
///
/// # Errors
/// [`PlanReadError::Open`].
pub fn open_plan(path: &Path) -> Result<BufReader<File>, PlanReadError> {
    let open = |error| PlanReadError::Open { path: path.to_path_buf(), error };
    Ok(BufReader::with_capacity(1 << 18, regular_file::open(path).map_err(open)?))
}

/// Reads and checks a plan, handing it to `visitor` as it is met. Keeps 16 bytes an extent, to find passes that
/// overlap. Buffer `input`.
///
/// # Errors
/// [`StreamError::Plan`] when the file is no sound plan; [`StreamError::Visitor`] when the visitor stops.
pub fn stream_plan<V: PlanVisitor>(input: impl Read, visitor: &mut V) -> Result<(), StreamError<V::Error>> {
    let mut claims = Claims { visitor, extents: Vec::new() };
    walk_plan(input, &mut claims)?;
    let mut extents = claims.extents;
    extents.sort_unstable();
    let overlap = extents.windows(2).find(|pair| pair[0].end() > pair[1].start.0);
    overlap.map_or(Ok(()), |pair| Err(overlapping(pair[0], pair[1]).into()))
}

/// As [`stream_plan`], in memory for the header alone: whether two passes overlap is not found out. For a caller that keeps
/// account of what was read and cannot be made to read twice. Buffer `input`.
///
/// # Errors
/// [`StreamError::Plan`] when the file is no sound plan; [`StreamError::Visitor`] when the visitor stops.
pub fn follow_plan<V: PlanVisitor>(input: impl Read, visitor: &mut V) -> Result<(), StreamError<V::Error>> {
    walk_plan(input, visitor)
}

/// Reads and checks a plan into memory: 16 bytes an extent and 16 a gap. Buffer `input`.
///
/// # Errors
/// [`PlanReadError`] when the file is no sound plan.
pub fn read_plan(input: impl Read) -> Result<Plan, PlanReadError> {
    let mut collector = Collector { header: None, passes: Vec::new() };
    walk_plan(input, &mut collector)?;
    let header = collector.header.expect("a plan without a header is an error");
    let plan = Plan { header, passes: collector.passes };
    match plan.find_overlap() {
        Some((first, second)) => Err(overlapping(first, second)),
        None => Ok(plan),
    }
}

/// Reads a plan's header alone. What comes behind it is neither read nor checked. Buffer `input`.
///
/// # Errors
/// [`PlanReadError`] when the header is not sound.
pub fn read_plan_header(input: impl Read) -> Result<PlanHeader, PlanReadError> {
    struct First;
    impl PlanVisitor for First {
        type Error = Box<PlanHeader>;
        fn header(&mut self, header: &PlanHeader) -> Result<(), Self::Error> {
            Err(Box::new(header.clone()))
        }
        fn extent(&mut self, _: Extent) -> Result<(), Self::Error> {
            Ok(())
        }
    }
    match walk_plan(input, &mut First) {
        Err(StreamError::Visitor(header)) => Ok(*header),
        Err(StreamError::Plan(error)) => Err(error),
        Ok(()) => unreachable!("a sound plan has a header, and the visitor stops there"),
    }
}

fn overlapping(first: Extent, second: Extent) -> PlanReadError {
    PlanReadError::Invalid { line: None, fault: Fault::PassesOverlap { first, second } }
}

fn walk_plan<V: PlanVisitor>(input: impl Read, visitor: &mut V) -> Result<(), StreamError<V::Error>> {
    let budget = Budget::new();
    let mut walk = Walk::new(visitor, &budget);
    let mut json = serde_json::Deserializer::from_reader(budget.limit(input));
    let outcome = walk.whole(&mut json).and_then(|()| json.end());
    match outcome {
        Ok(()) => Ok(()),
        Err(error) => Err(walk.explain(&error, budget.is_used_up())),
    }
}

/// Passes everything on and keeps the extents.
struct Claims<'v, V> {
    visitor: &'v mut V,
    extents: Vec<Extent>,
}

impl<V: PlanVisitor> PlanVisitor for Claims<'_, V> {
    type Error = V::Error;

    fn header(&mut self, header: &PlanHeader) -> Result<(), V::Error> {
        self.visitor.header(header)
    }

    fn pass(&mut self, pass: &PassHeader) -> Result<(), V::Error> {
        self.visitor.pass(pass)
    }

    fn extent(&mut self, extent: Extent) -> Result<(), V::Error> {
        self.extents.push(extent);
        self.visitor.extent(extent)
    }

    fn gap(&mut self, gap: Extent) -> Result<(), V::Error> {
        self.visitor.gap(gap)
    }
}

struct Collector {
    header: Option<PlanHeader>,
    passes: Vec<Pass>,
}

impl PlanVisitor for Collector {
    type Error = Infallible;

    fn header(&mut self, header: &PlanHeader) -> Result<(), Infallible> {
        self.header = Some(header.clone());
        Ok(())
    }

    fn pass(&mut self, pass: &PassHeader) -> Result<(), Infallible> {
        self.passes.push(Pass { header: pass.clone(), extents: Vec::new(), gaps: Vec::new() });
        Ok(())
    }

    fn extent(&mut self, extent: Extent) -> Result<(), Infallible> {
        self.passes.last_mut().expect("a pass comes before its extents").extents.push(extent);
        Ok(())
    }

    fn gap(&mut self, gap: Extent) -> Result<(), Infallible> {
        self.passes.last_mut().expect("a pass comes before its gaps").gaps.push(gap);
        Ok(())
    }
}
