//! Volumes and drives as Windows leaves them: healthy ones must be called sound, with no finding worse than a note.

mod answers;
use crate::common;
use crate::unpack;
mod reserved;
mod samples;
mod second_reader;

use gleaner::base::extent::Extent;
use gleaner::base::finding::Severity;
use gleaner::base::units::SectorSize;
use gleaner::source::{MemorySource, ReadTotals, Reader, Source};
use gleaner::survey::allocation::{Choices, Class, ClassMap, DriveMap, classify, read_drive};
use gleaner::survey::coherence::{Coherence, judge};

/// A drive that was surveyed, and the verdict.
struct Survey {
    drive: DriveMap,
    coherence: Coherence,
    classes: ClassMap,
    totals: ReadTotals,
}

impl Survey {
    fn of(source: Box<dyn Source>) -> Survey {
        let reader = Reader::new(source, None);
        let drive = read_drive(&reader).expect("the source stays");
        let coherence = judge(&drive, &reader).expect("the source stays");
        let classes = classify(&drive, &Choices::default());
        Survey { drive, coherence, classes, totals: reader.totals() }
    }

    fn image(image: Vec<u8>) -> Survey {
        Survey::of(Box::new(MemorySource::new(image, SectorSize::S512)))
    }

    /// Code and sentence of every finding of this severity or a worse one.
    fn findings(&self, least: Severity) -> Vec<(&'static str, String)> {
        let mut all = self.coherence.findings.clone();
        all.append(self.drive.all_findings());
        let told = all.kept().iter().filter(|finding| finding.code.severity >= least);
        told.map(|finding| (finding.code.id, finding.sentence.clone())).collect()
    }

    /// Bytes of `extent` that are of a class.
    fn bytes_of(&self, class: Class, extent: Extent) -> u64 {
        let runs = self.classes.runs().iter().filter(|run| run.class == class);
        runs.filter_map(|run| run.extent.intersection(&extent)).map(|part| part.bytes).sum()
    }
}
