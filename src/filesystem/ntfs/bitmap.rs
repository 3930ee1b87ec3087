//! $Bitmap: one bit for each cluster, the lowest bit of the first byte for cluster 0; 1 means in use.
//!
//! Source: Linux fs/ntfs/layout.h (words on `FILE_Bitmap`) and fs/ntfs3/bitmap.c.

use super::findings as found;
use super::structure::runlist::Run;
use super::volume::Volume;
use crate::base::extent::Extent;
use crate::base::finding::{Finding, Findings};
use crate::filesystem::bits::{BitmapMarks, Scan};
use crate::source::SourceLost;

/// Where the bitmap is.
pub(super) enum BitmapPlace {
    /// Not known.
    Lost,
    /// In the file record (tiny volumes).
    Resident(Vec<u8>),
    /// In clusters: its runs, how many bytes of it were ever written, and how many it has.
    Clusters { layout: Vec<Run>, valid: u64, size: u64 },
}

/// Reads the bitmap.
pub(super) fn read(
    volume: &Volume<'_>,
    place: BitmapPlace,
    findings: &mut Findings,
) -> Result<BitmapMarks, SourceLost> {
    let clusters = volume.geometry.cluster_count;
    let mut scan = Scan::new(clusters);
    match place {
        BitmapPlace::Lost => {
            scan.skip_to(clusters);
            let sentence = format!("The record of $Bitmap is lost: the marks of all {clusters} clusters are unknown.");
            findings.push(Finding::general(&found::BITMAP_LOST, sentence));
            return Ok(scan.finish());
        }
        BitmapPlace::Resident(bytes) => scan.feed(&bytes),
        BitmapPlace::Clusters { layout, valid, .. } => {
            let parts = parts(volume, &layout, clusters.div_ceil(8).min(valid));
            scan.read(&volume.window, &parts)?;
        }
    }
    scan.skip_to(clusters);
    let marks = scan.finish();
    if !marks.unknown.is_empty() {
        let sentence = format!(
            "The marks of {} of {clusters} clusters were not read, the first is {}.",
            marks.unknown.count(),
            marks.unknown.runs()[0].first
        );
        findings.push(Finding::general(&found::BITMAP_PARTLY, sentence));
    }
    Ok(marks)
}

/// The first `wanted` bytes of the bitmap: byte of the bitmap and place, in order; holes and what is not on the drive
/// left out.
pub(super) fn parts(volume: &Volume<'_>, layout: &[Run], wanted: u64) -> Vec<(u64, Extent)> {
    let mut parts = Vec::new();
    let mut byte = 0u64;
    for &(place, count) in layout {
        if byte >= wanted {
            break;
        }
        if let Some(extent) = place.and_then(|first| volume.extent(first, count)) {
            parts.push((byte, Extent { bytes: extent.bytes.min(wanted - byte), ..extent }));
        }
        byte = byte.saturating_add(count.saturating_mul(volume.boot.cluster_bytes));
    }
    parts
}
