//! The verdict on whether what a drive gives is consistent: on sound drives, damaged ones, drives that stop answering, and drives that
//! answer with garbage.
//!
//! Sources: the volumes were made by formatters and drivers that share no code with gleaner (`testdata/README.md`); what is done to them
//! here is what a drive with wrong translation, wrong adaptive data or an unfilled buffer does (common practice, no source).

mod budget;
mod encrypted;
mod garbage;
mod partly;
mod sound;
mod unread;

use gleaner::base::extent::Extent;
use gleaner::base::units::SectorSize;
use gleaner::source::{MemorySource, Reader, Source};
use gleaner::survey::allocation::{DriveMap, read_drive};
use gleaner::survey::coherence::{BUDGET, Check, Coherence, Outcome, Verdict, judge};

/// A drive that was surveyed, and the verdict.
struct Judged {
    coherence: Coherence,
    drive: DriveMap,
    /// Requests made by survey and verdict.
    requests: u64,
}

impl Judged {
    fn of(source: MemorySource) -> Judged {
        Judged::of_source(Box::new(source))
    }

    fn of_source(source: Box<dyn Source>) -> Judged {
        let reader = Reader::new(source, None);
        let drive = read_drive(&reader).unwrap();
        // Finding lost volumes may return to a place; judging never does.
        let before = reader.totals().repeated_bytes;
        let coherence = judge(&drive, &reader).unwrap();
        assert_eq!(reader.totals().repeated_bytes, before, "bytes were requested twice");
        assert!(
            coherence.read.bytes <= BUDGET.bytes && coherence.read.requests <= BUDGET.requests,
            "{:?}",
            coherence.read
        );
        Judged { coherence, drive, requests: reader.totals().requests }
    }

    fn image(image: Vec<u8>) -> Judged {
        Judged::of(MemorySource::new(image, SectorSize::S512))
    }

    fn verdict(&self) -> Verdict {
        self.coherence.verdict
    }

    fn outcome(&self, check: Check) -> Outcome {
        let mut lines = self.coherence.evidence.iter().filter(|line| line.check == check);
        lines.next().map_or(Outcome::NotApplicable, |line| line.outcome)
    }

    fn figures(&self, check: Check) -> &str {
        let mut lines = self.coherence.evidence.iter().filter(|line| line.check == check);
        lines.next().map_or("", |line| &line.figures)
    }

    /// All of it as text, for when an assertion fails.
    fn told(&self) -> String {
        let lines: Vec<String> =
            self.coherence.evidence.iter().map(|e| format!("{:?} {:?}: {}", e.check, e.outcome, e.figures)).collect();
        format!("{:?}: {}\n{}", self.verdict(), self.coherence.sentence, lines.join("\n"))
    }
}

fn extent(start: u64, bytes: u64) -> Extent {
    Extent::new(start, bytes).unwrap()
}

/// SplitMix64 (Steele, Lea, Flood 2014; from memory).
fn noise(seed: u64) -> impl Iterator<Item = u64> {
    let mut state = seed;
    std::iter::repeat_with(move || {
        state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    })
}

fn random_bytes(seed: u64, bytes: usize) -> Vec<u8> {
    noise(seed).flat_map(u64::to_le_bytes).take(bytes).collect()
}
