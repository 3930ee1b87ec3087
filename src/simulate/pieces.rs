//! A plan as a list of ranges, each of one pass and planned for one reason.

use crate::allocation::Class;
use crate::extent::Extent;
use crate::model::to_f64;
use crate::plan::{PassHeader, Plan, PlanHeader, PlanReadError, PlanVisitor, stream_plan};
use std::convert::Infallible;
use std::io::Read;

/// A range that a pass reads, wholly asked for or wholly a gap read through: 24 bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Piece {
    /// Where it lies.
    pub extent: Extent,
    tag: u32,
}

const GAP: u32 = 1 << 31;

impl Piece {
    /// A piece of the pass of index `pass` (below 2^31).
    pub fn new(extent: Extent, pass: u32, is_gap: bool) -> Piece {
        Piece { extent, tag: pass | if is_gap { GAP } else { 0 } }
    }

    /// Index of its pass.
    pub fn pass(&self) -> usize {
        (self.tag & !GAP) as usize
    }

    /// Whether it is read only because that is cheaper than a seek.
    pub fn is_gap(&self) -> bool {
        self.tag & GAP != 0
    }
}

/// A pass without its extents.
#[derive(Clone, PartialEq, Debug)]
pub struct PassShape {
    /// Its number, from 1.
    pub number: u32,
    /// The class it reads.
    pub class: Class,
    /// The pattern it serves, for `wanted`.
    pub pattern: Option<String>,
    /// Bytes it reads.
    pub bytes: u64,
    /// How much of its gaps is of each class and asked for, as a share of all its gap bytes. A plan says this of a pass
    /// as a whole, so each gap is taken to be the pass's mean.
    pub gap_mix: [f64; Class::ALL.len()],
}

/// All that a plan reads.
#[derive(Clone, PartialEq, Debug)]
pub struct Pieces {
    /// Bytes of the drive.
    pub drive_bytes: u64,
    /// The largest gap that is read through.
    pub gap_bytes: u64,
    /// The passes.
    pub passes: Vec<PassShape>,
    /// The pieces, in reading order. Pieces that touch and follow one another are read in one go.
    pub list: Vec<Piece>,
}

impl Pieces {
    /// Of a plan in memory.
    pub fn of_plan(plan: &Plan) -> Pieces {
        let mut recorder = Recorder::default();
        let Ok(()) = recorder.header(&plan.header);
        for pass in &plan.passes {
            let Ok(()) = recorder.pass(&pass.header);
            for planned in pass.planned() {
                let Ok(()) = recorder.extent(planned.extent);
                for gap in planned.gaps {
                    let Ok(()) = recorder.gap(*gap);
                }
            }
        }
        recorder.finish()
    }

    /// Of a plan file: 24 bytes an extent and 48 a gap. Buffer `input`.
    ///
    /// # Errors
    /// [`PlanReadError`] when the file is no sound plan.
    pub fn read(input: impl Read) -> Result<Pieces, PlanReadError> {
        let mut recorder = Recorder::default();
        stream_plan(input, &mut recorder)?;
        Ok(recorder.finish())
    }
}

#[derive(Default)]
struct Recorder {
    drive_bytes: u64,
    gap_bytes: u64,
    /// For each class the share of its bridged bytes that were requested.
    asked: [f64; Class::ALL.len()],
    passes: Vec<PassShape>,
    list: Vec<Piece>,
    /// What of the extent last met was not listed yet: how it is divided is known only when its gaps are.
    rest: Option<Extent>,
}

impl Recorder {
    fn number(&self) -> u32 {
        u32::try_from(self.passes.len()).expect("a plan has fewer than 10 x 65536 passes") - 1
    }

    fn push(&mut self, extent: Extent, is_gap: bool) {
        if !extent.is_empty() {
            self.list.push(Piece::new(extent, self.number(), is_gap));
        }
    }

    fn close(&mut self) {
        if let Some(rest) = self.rest.take() {
            self.push(rest, false);
        }
    }

    fn finish(mut self) -> Pieces {
        self.close();
        Pieces { drive_bytes: self.drive_bytes, gap_bytes: self.gap_bytes, passes: self.passes, list: self.list }
    }
}

impl PlanVisitor for Recorder {
    type Error = Infallible;

    fn header(&mut self, header: &PlanHeader) -> Result<(), Infallible> {
        self.drive_bytes = header.source.bytes;
        self.gap_bytes = header.bridge.gap_bytes;
        for total in header.totals.iter().filter(|total| total.bridged_bytes > 0) {
            let unasked = to_f64(total.unasked_bytes) / to_f64(total.bridged_bytes);
            self.asked[total.class as usize] = 1.0 - unasked;
        }
        Ok(())
    }

    fn pass(&mut self, pass: &PassHeader) -> Result<(), Infallible> {
        self.close();
        let mut gap_mix = [0.0; Class::ALL.len()];
        for held in &pass.bridged {
            let class = held.class as usize;
            gap_mix[class] = super::share(to_f64(held.bytes) * self.asked[class], pass.bridged_bytes);
        }
        self.passes.push(PassShape {
            number: pass.number,
            class: pass.class,
            pattern: pass.pattern.clone(),
            bytes: pass.bytes,
            gap_mix,
        });
        Ok(())
    }

    fn extent(&mut self, extent: Extent) -> Result<(), Infallible> {
        self.close();
        self.rest = Some(extent);
        Ok(())
    }

    fn gap(&mut self, gap: Extent) -> Result<(), Infallible> {
        let rest = self.rest.take().expect("a gap comes behind its extent");
        self.push(Extent::between(rest.start.0, gap.start.0), false);
        self.push(gap, true);
        self.rest = Some(Extent::between(gap.end(), rest.end()));
        Ok(())
    }
}
