//! $MFT's own bitmap: one bit for each file record, the lowest bit of the first byte for record 0; 1 means in use.
//!
//! Only records that are all zero need it. Windows leaves records zero until a file needs them, with their bits clear;
//! other formatters write a header into each. So zeros alone tell nothing: with the bit clear the record was never used,
//! with the bit set it was lost. Source for the bitmap: Linux fs/ntfs/layout.h (words on `FILE_MFT`); for what Windows
//! leaves: volumes that it formatted (`testdata/README.md`, samples).

use super::table_map::TableMap;
use crate::base::finding::{Code, Finding, Findings};
use crate::filesystem::bits::Scan;
use crate::filesystem::ntfs::bitmap::{self, BitmapPlace};
use crate::filesystem::ntfs::findings as found;
use crate::filesystem::ntfs::volume::Volume;
use crate::filesystem::{ClusterRun, ClusterSet};
use crate::source::SourceLost;

/// How many bits are doubted for one that is wrong: those in its 4 KiB, a physical sector of the larger kind.
const DOUBTED_BITS: u64 = 4096 * 8;

/// Record numbers in runs. The arithmetic of sets is that of clusters, so their set serves.
#[derive(Default)]
pub struct RecordRuns(Vec<ClusterRun>);

impl RecordRuns {
    pub fn add(&mut self, number: u32) {
        match self.0.last_mut() {
            Some(last) if last.end() == u64::from(number) => last.count += 1,
            _ => self.0.push(ClusterRun::new(u64::from(number), 1)),
        }
    }

    fn into_set(self) -> ClusterSet {
        self.0.into_iter().collect()
    }
}

/// What the records themselves showed.
#[derive(Default)]
pub struct Seen {
    /// All zero.
    pub blank: RecordRuns,
    /// Sound and in use.
    pub in_use: RecordRuns,
}

/// What became of the records that are all zero.
#[derive(Default)]
pub struct BlankRecords {
    /// Marked as in use: lost.
    pub lost: u64,
    /// Of which the bitmap cannot tell.
    pub unproven: u64,
}

/// Judges the records that are all zero. Reads the bitmap only if there are any.
pub fn check_blank_records(
    volume: &Volume<'_>,
    map: &TableMap,
    place: BitmapPlace,
    seen: Seen,
    findings: &mut Findings,
) -> Result<BlankRecords, SourceLost> {
    let blank = seen.blank.into_set();
    if blank.is_empty() {
        return Ok(BlankRecords::default());
    }
    let records = map.length / volume.boot.record_bytes;
    let mut scan = Scan::new(records);
    match place {
        BitmapPlace::Lost => {}
        BitmapPlace::Resident(bytes) => scan.feed(&bytes),
        BitmapPlace::Clusters { layout, valid, size } => {
            let wanted = records.div_ceil(8).min(size);
            scan.read(&volume.window, &bitmap::parts(volume, &layout, wanted.min(valid)))?;
            // What was never written reads as zero.
            if valid < wanted {
                scan.skip_to(valid.saturating_mul(8));
                scan.clear_to(wanted.saturating_mul(8));
            }
        }
    }
    scan.skip_to(records);
    let marks = scan.finish();
    let contradicted = seen.in_use.into_set().without(&marks.allocated).without(&marks.unknown);
    if let Some(first) = contradicted.runs().first() {
        let sentence = format!(
            "$MFT's bitmap calls {} free that {} in use, the first is record {}; near them it was not believed.",
            counted(contradicted.count()),
            if contradicted.count() == 1 { "is" } else { "are" },
            first.first.0
        );
        findings.push(on_drive(volume, map, &found::TABLE_BITMAP_WRONG, *first, sentence));
    }
    let doubted: ClusterSet = contradicted.runs().iter().map(|run| with_neighbours(*run)).collect();
    let lost = blank.intersection(&marks.allocated);
    let unproven = blank.without(&marks.allocated).intersection(&marks.unknown.union(&doubted));
    for run in lost.runs() {
        let sentence = format!(
            "{} {} all zero, although $MFT's bitmap marks {} as in use.",
            found::records(run.first.0, run.count),
            if run.count == 1 { "is" } else { "are" },
            if run.count == 1 { "it" } else { "them" }
        );
        findings.push(on_drive(volume, map, &found::RECORDS_BLANK, *run, sentence));
    }
    for run in unproven.runs() {
        let sentence = format!(
            "{} {} all zero, and $MFT's bitmap cannot tell whether {} ever used.",
            found::records(run.first.0, run.count),
            if run.count == 1 { "is" } else { "are" },
            if run.count == 1 { "it was" } else { "they were" }
        );
        findings.push(on_drive(volume, map, &found::RECORDS_UNPROVEN, *run, sentence));
    }
    Ok(BlankRecords { lost: lost.count(), unproven: unproven.count() })
}

/// All record numbers whose bits share 4 KiB of the bitmap with those of a run.
fn with_neighbours(run: ClusterRun) -> ClusterRun {
    let from = run.first.0 / DOUBTED_BITS * DOUBTED_BITS;
    ClusterRun::new(from, run.end().next_multiple_of(DOUBTED_BITS) - from)
}

fn on_drive(volume: &Volume<'_>, map: &TableMap, code: &'static Code, run: ClusterRun, sentence: String) -> Finding {
    match map.place(run.first.0 * volume.boot.record_bytes) {
        Some(place) => Finding::at(code, place, sentence),
        None => Finding::general(code, sentence),
    }
}

fn counted(records: u64) -> String {
    if records == 1 { "1 file record".to_owned() } else { format!("{records} file records") }
}
