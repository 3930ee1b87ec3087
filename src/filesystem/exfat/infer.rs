//! The geometry of a volume whose boot regions are both lost, from its root folder, up-case table and FAT.
//!
//! The root folder gives cluster, length and checksum of the up-case table, and cluster and length of the allocation
//! bitmap (specification 7.1, 7.2). The up-case table itself can be told by its first letters and that checksum, so its
//! place is certain; each cluster size then gives one start of the clusters. The right one leaves as many clusters up to
//! the volume's end as the bitmap has bits, puts the root folder on a whole cluster, and has chains in the FAT that are
//! as long as bitmap and table ask for.
//!
//! Budget: [`HEAD_BYTES`] from the start; and only if a FAT was seen there, at most [`FAR_SIZES`] ranges of
//! [`FAR_BYTES`] where the clusters of a large volume would start, and for each of at most [`MOST_CANDIDATES`] candidates
//! some sectors of FAT and bitmap.

use super::boot::sector::ExFatBoot;
use super::entry::{self, Item, Special};
use super::up_case;
use crate::base::fields::u32_at;
use crate::filesystem::folder_content::Content;
use crate::filesystem::folder_tree::ContentPlace;
use crate::filesystem::infer::{BoundedReader, Choice, HEAD_BYTES, SECTOR, choose};
use crate::source::{SourceLost, Window};
use std::collections::{BTreeMap, BTreeSet};

/// Cluster sizes that are tried where the clusters may start behind the head.
const FAR_SIZES: usize = 6;
/// Looked through for each of them: the bitmap's end, the up-case table and the root folder stand there one behind the
/// other when formatters made them (common practice, no source).
const FAR_BYTES: u64 = 8 << 20;
/// Traces of one kind that are taken note of, and geometries that are judged.
const MOST_TRACES: usize = 32;
const MOST_CANDIDATES: usize = 256;
/// Folders and files of the root folder that are checked.
const SAMPLES: usize = 48;
/// Chains are followed this far.
const CHAIN_STEPS: u64 = 256;
/// A FAT's first two entries (4.1.1, 4.1.2).
const FAT_HEAD: [u8; 8] = [0xF8, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF];
/// The first letters of every up-case table: none of them changes (7.2.5).
const UP_CASE_HEAD: [u8; 10] = [0, 0, 1, 0, 2, 0, 3, 0, 4, 0];
/// The largest up-case table: two bytes for each of 65,536 letters.
const MOST_UP_CASE: u64 = 65_536 * 2;

/// A geometry to be checked, in bytes of the volume.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
struct ExFatCandidate {
    fat: u64,
    heap: u64,
    cluster_bytes: u64,
    clusters: u32,
    root: u32,
    /// Cluster and length of bitmap and up-case table.
    bitmap: (u32, u64),
    up_case: (u32, u64),
}

impl ExFatCandidate {
    fn place(&self, cluster: u32) -> Option<u64> {
        let index = cluster.checked_sub(2).filter(|n| *n < self.clusters)?;
        Some(self.heap + u64::from(index) * self.cluster_bytes)
    }
}

/// A geometry that was checked.
#[derive(Debug)]
pub(super) struct InferredExFat {
    pub boot: ExFatBoot,
    /// What supports it.
    pub evidence: String,
    /// What should be there too and is not.
    pub lacking: Vec<String>,
}

impl InferredExFat {
    pub fn in_words(&self) -> String {
        format!(
            "exFAT with clusters of {} bytes from byte {} of the volume on ({})",
            self.boot.cluster_bytes(),
            self.boot.heap_start(),
            self.evidence
        )
    }
}

/// The geometry that fits, or all that do when it is not one alone.
pub(super) fn infer(window: &Window<'_>) -> Result<Choice<InferredExFat>, SourceLost> {
    let reader = BoundedReader::new(window);
    let traces = Traces::find(&reader)?;
    let mut fitting: BTreeMap<(u64, u64), InferredExFat> = BTreeMap::new();
    for candidate in traces.candidates(&reader)? {
        if let Some(geometry) = check_candidate(&reader, &candidate)? {
            fitting.entry((candidate.heap, candidate.cluster_bytes)).or_insert(geometry);
        }
    }
    Ok(choose(fitting.into_values().collect(), |one| one.lacking.is_empty()))
}

/// A better boot sector than a damaged one: the one geometry that fits without a flaw, if it differs.
pub(super) fn instead_of(window: &Window<'_>, used: &ExFatBoot) -> Result<Option<ExFatBoot>, SourceLost> {
    let Ok(Some(inferred)) = infer(window)? else { return Ok(None) };
    let boot = inferred.boot;
    let places = |boot: &ExFatBoot| {
        (boot.fat_start(0), boot.heap_start(), boot.cluster_bytes(), boot.cluster_count, boot.root_cluster)
    };
    let better = inferred.lacking.is_empty() && places(&boot) != places(used);
    Ok(better.then_some(ExFatBoot { serial: used.serial, ..boot }))
}

/// What was seen of the volume.
#[derive(Default)]
struct Traces {
    fats: Vec<u64>,
    up_cases: Vec<u64>,
    /// What may be root folders, with their bitmap and up-case table.
    roots: Vec<(u64, Special, Special)>,
}

impl Traces {
    fn find(reader: &BoundedReader<'_>) -> Result<Traces, SourceLost> {
        let mut traces = Traces::default();
        traces.search(reader, 0, HEAD_BYTES)?;
        let held = reader.window.extent().bytes;
        let Some(&fat) = traces.fats.first().filter(|_| traces.roots.is_empty() || traces.up_cases.is_empty()) else {
            return Ok(traces);
        };
        // Sizes by the volume's length: the customary one first (Microsoft's default cluster sizes, from memory), then
        // the next ones.
        let usual: u32 = if held <= 256 << 20 {
            12
        } else if held <= 32 << 30 {
            15
        } else {
            17
        };
        for shift in [usual, usual + 1, usual - 1, usual + 2, usual - 2, usual + 3].into_iter().take(FAR_SIZES) {
            let clusters = held >> shift;
            let bitmap = clusters.div_ceil(8).next_multiple_of(1 << shift);
            let from = (fat + 4 * clusters + bitmap).saturating_sub(FAR_BYTES / 8);
            if from + FAR_BYTES > HEAD_BYTES && from < held {
                traces.search(reader, from.max(HEAD_BYTES), from + FAR_BYTES)?;
            }
        }
        Ok(traces)
    }

    fn search(&mut self, reader: &BoundedReader<'_>, from: u64, to: u64) -> Result<(), SourceLost> {
        reader.sectors(from, to, |at, bytes| {
            if bytes.starts_with(&FAT_HEAD) && at > 0 && self.fats.len() < MOST_TRACES {
                self.fats.push(at);
            }
            if bytes.starts_with(&UP_CASE_HEAD) && self.up_cases.len() < MOST_TRACES {
                self.up_cases.push(at);
            }
            if self.roots.len() < MOST_TRACES
                && let Some((bitmap, up_case)) = root_entries(reader, at, &bytes[..512])
            {
                self.roots.push((at, bitmap, up_case));
            }
        })
    }

    fn candidates(&self, reader: &BoundedReader<'_>) -> Result<BTreeSet<ExFatCandidate>, SourceLost> {
        let held = reader.window.extent().bytes;
        let mut candidates = BTreeSet::new();
        for (root_at, bitmap, special) in &self.roots {
            for table_at in &self.up_cases {
                let stored = reader.bytes(*table_at, special.bytes)?;
                if stored.is_none_or(|bytes| up_case::checksum(0, &bytes) != special.checksum) {
                    continue;
                }
                for shift in 9..=25u32 {
                    let cluster_bytes = 1u64 << shift;
                    let before = u64::from(special.first_cluster - 2) << shift;
                    let Some(heap) = table_at.checked_sub(before).filter(|heap| *heap < *root_at || heap == root_at)
                    else {
                        continue;
                    };
                    let clusters = (held - heap) / cluster_bytes;
                    let offset = root_at - heap;
                    let bits = clusters.div_ceil(8) == bitmap.bytes;
                    let Some(clusters) = u32::try_from(clusters).ok().filter(|n| bits && *n <= u32::MAX - 10) else {
                        continue;
                    };
                    let Ok(root) = u32::try_from(offset / cluster_bytes + 2) else { continue };
                    if !offset.is_multiple_of(cluster_bytes) {
                        continue;
                    }
                    for fat in self.fats.iter().filter(|fat| **fat + 4 * (u64::from(clusters) + 2) <= heap) {
                        let candidate = ExFatCandidate {
                            fat: *fat,
                            heap,
                            cluster_bytes,
                            clusters,
                            root,
                            bitmap: (bitmap.first_cluster, bitmap.bytes),
                            up_case: (special.first_cluster, special.bytes),
                        };
                        if candidates.len() < MOST_CANDIDATES {
                            candidates.insert(candidate);
                        }
                    }
                }
            }
        }
        Ok(candidates)
    }
}

/// The entries of bitmap and up-case table, if a sector starts like a root folder: with these two among its first, and
/// nothing but a label or unused entries before them.
fn root_entries(reader: &BoundedReader<'_>, at: u64, sector: &[u8]) -> Option<(Special, Special)> {
    if !matches!(sector[0], 0x81..=0x83 | 0x01..=0x03 | 0xA0 | 0x20) {
        return None;
    }
    let extent = reader.window.locate(at, SECTOR)?;
    let content =
        Content { extents: vec![extent], bytes: sector.to_vec(), unreadable: crate::base::extent::ExtentSet::new() };
    let (mut bitmaps, mut up_case) = (Vec::new(), None);
    entry::scan(&content, |item| match item {
        Item::Bitmap(special) => bitmaps.push(special),
        Item::UpCase(special) => up_case = up_case.or(Some(special)),
        _ => {}
    });
    let up_case = up_case.filter(|s| s.first_cluster >= 2 && (10..=MOST_UP_CASE).contains(&s.bytes))?;
    // With two FATs and two bitmaps the flags in the lost boot sector say which are in use: that is not guessed.
    match bitmaps.as_slice() {
        [one] if one.first_cluster >= 2 && one.bytes > 0 && !one.second => Some((*one, up_case)),
        _ => None,
    }
}

/// Checks a candidate; `None` when it does not hold.
fn check_candidate(
    reader: &BoundedReader<'_>,
    candidate: &ExFatCandidate,
) -> Result<Option<InferredExFat>, SourceLost> {
    let mut checks = StructureChecks::default();
    checks.check_system_chains(reader, candidate)?;
    for cluster in [candidate.root, candidate.bitmap.0, candidate.up_case.0] {
        checks.check_mark(reader, candidate, cluster)?;
    }
    let Some(contents) = root_contents(reader, candidate)? else { return Ok(None) };
    for content in contents {
        checks.check_content(reader, candidate, content)?;
    }
    let StructureChecks { right, marked, unmarked, files, odd, mut lacking } = checks;
    let wrong = unmarked + odd;
    if right < 2 || wrong * 8 > marked + files || marked == 0 {
        return Ok(None);
    }
    if wrong > 0 {
        lacking.push(format!("{wrong} clusters or chains of the root folder's files are not as they should be"));
    }
    let evidence = format!(
        "FAT at byte {}, root folder at cluster {}; the up-case table has its checksum, the bitmap has a bit for each of {} \
         clusters and marks {marked} of {} clusters looked at; {files} files' chains are as long as computed",
        candidate.fat,
        candidate.root,
        candidate.clusters,
        marked + unmarked
    );
    Ok(Some(InferredExFat { boot: boot_of(reader, candidate), evidence, lacking }))
}

/// Where the files and folders that the root folder names lie, at most [`SAMPLES`] of them; `None` when it is not there.
fn root_contents(
    reader: &BoundedReader<'_>,
    candidate: &ExFatCandidate,
) -> Result<Option<Vec<ContentPlace>>, SourceLost> {
    let Some(place) = candidate.place(candidate.root) else { return Ok(None) };
    let root_bytes = candidate.cluster_bytes.min(64 << 10);
    let Some(block) = reader.window.read(place, root_bytes)? else { return Ok(None) };
    let content = Content { extents: vec![block.extent], bytes: block.bytes, unreadable: block.unreadable };
    let mut contents = Vec::new();
    entry::scan(&content, |item| match item {
        Item::Entry(entry) if !entry.deleted && entry.sound && contents.len() < SAMPLES => contents.push(entry.content),
        _ => {}
    });
    contents.retain(|content| content.size > 0);
    Ok(Some(contents))
}

/// What the volume's structures say to a candidate.
#[derive(Default)]
struct StructureChecks {
    /// Chains of the volume's own structures that are as they should be.
    right: u64,
    /// Clusters in use that the bitmap marks, and those that it does not.
    marked: u64,
    unmarked: u64,
    /// Files whose chains are as long as computed, and files that are not as they should be.
    files: u64,
    odd: u64,
    lacking: Vec<String>,
}

impl StructureChecks {
    /// The chains of bitmap, up-case table and root folder.
    fn check_system_chains(
        &mut self,
        reader: &BoundedReader<'_>,
        candidate: &ExFatCandidate,
    ) -> Result<(), SourceLost> {
        for (name, (cluster, bytes)) in [("bitmap", candidate.bitmap), ("up-case table", candidate.up_case)] {
            let wanted = bytes.div_ceil(candidate.cluster_bytes);
            match chain_length(reader, candidate, cluster)? {
                None => self.lacking.push(format!("the chain of the {name} was not read")),
                Some(length) if length == wanted.min(CHAIN_STEPS) => self.right += 1,
                Some(length) => {
                    self.lacking.push(format!("the chain of the {name} has {length} clusters instead of {wanted}"));
                }
            }
        }
        match chain_length(reader, candidate, candidate.root)? {
            None => self.lacking.push("the chain of the root folder was not read".to_owned()),
            Some(0) => self.lacking.push("the chain of the root folder is broken".to_owned()),
            Some(_) => self.right += 1,
        }
        Ok(())
    }

    /// Whether the bitmap marks a cluster that is in use.
    fn check_mark(
        &mut self,
        reader: &BoundedReader<'_>,
        candidate: &ExFatCandidate,
        cluster: u32,
    ) -> Result<(), SourceLost> {
        match is_allocated(reader, candidate, cluster)? {
            Some(true) => self.marked += 1,
            Some(false) => self.unmarked += 1,
            None => {}
        }
        Ok(())
    }

    /// The clusters of a file or folder.
    fn check_content(
        &mut self,
        reader: &BoundedReader<'_>,
        candidate: &ExFatCandidate,
        held: ContentPlace,
    ) -> Result<(), SourceLost> {
        self.check_mark(reader, candidate, held.first_cluster)?;
        let wanted = held.size.div_ceil(candidate.cluster_bytes);
        if held.contiguous {
            // The last cluster must be marked in use as well.
            let last = u64::from(held.first_cluster) + wanted - 1;
            match u32::try_from(last) {
                Ok(last) => self.check_mark(reader, candidate, last)?,
                Err(_) => self.odd += 1,
            }
            return Ok(());
        }
        match chain_length(reader, candidate, held.first_cluster)? {
            Some(length) if length == wanted.min(CHAIN_STEPS) => self.files += 1,
            Some(_) => self.odd += 1,
            None => {}
        }
        Ok(())
    }
}

/// Whether the bitmap marks a cluster; `Some(false)` for one that the volume does not have.
fn is_allocated(
    reader: &BoundedReader<'_>,
    candidate: &ExFatCandidate,
    cluster: u32,
) -> Result<Option<bool>, SourceLost> {
    let Some(index) = cluster.checked_sub(2).filter(|n| *n < candidate.clusters) else { return Ok(Some(false)) };
    let Some(start) = candidate.place(candidate.bitmap.0) else { return Ok(Some(false)) };
    // The bitmap is in one piece where its chain is (checked for its length alone); farther bits are not asked for.
    let byte = u64::from(index / 8);
    if byte >= candidate.cluster_bytes {
        return Ok(None);
    }
    let sector = reader.bytes(start + byte / SECTOR * SECTOR, SECTOR)?;
    let inside = usize::try_from(byte % SECTOR).expect("within a sector");
    Ok(sector.map(|bytes| bytes[inside] >> (index % 8) & 1 != 0))
}

/// The length of a chain, at most [`CHAIN_STEPS`]; 0 where it is broken; `None` where the FAT cannot be read.
fn chain_length(reader: &BoundedReader<'_>, candidate: &ExFatCandidate, first: u32) -> Result<Option<u64>, SourceLost> {
    let mut at = first;
    for steps in 1..=CHAIN_STEPS {
        if candidate.place(at).is_none() {
            return Ok(Some(0));
        }
        let byte = u64::from(at) * 4;
        let Some(sector) = reader.bytes(candidate.fat + byte / SECTOR * SECTOR, SECTOR)? else { return Ok(None) };
        let next = u32_at(&sector, usize::try_from(byte % SECTOR).expect("within a sector"));
        if next == u32::MAX {
            return Ok(Some(steps));
        }
        at = next;
    }
    Ok(Some(CHAIN_STEPS))
}

fn boot_of(reader: &BoundedReader<'_>, candidate: &ExFatCandidate) -> ExFatBoot {
    ExFatBoot {
        sector_bytes: SECTOR,
        sectors_per_cluster: candidate.cluster_bytes / SECTOR,
        total_sectors: reader.window.extent().bytes / SECTOR,
        fat_offset: candidate.fat / SECTOR,
        fat_sectors: (4 * (u64::from(candidate.clusters) + 2)).div_ceil(SECTOR),
        fat_count: 1,
        heap_offset: candidate.heap / SECTOR,
        cluster_count: candidate.clusters,
        root_cluster: candidate.root,
        serial: 0,
        revision: (1, 0),
        oddities: Vec::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::base::extent::Extent;
    use crate::base::units::SectorSize;
    use crate::source::{MemorySource, Reader};

    /// An entry of a root folder. Source: the specification, 7.1 and 7.2 (offsets from memory): first cluster at byte 20, length
    /// at byte 24.
    fn entry(kind: u8, flags: u8, first_cluster: u32, bytes: u64) -> [u8; 32] {
        let mut entry = [0; 32];
        (entry[0], entry[1]) = (kind, flags);
        entry[20..24].copy_from_slice(&first_cluster.to_le_bytes());
        entry[24..].copy_from_slice(&bytes.to_le_bytes());
        entry
    }

    /// What a sector with these entries at its start is taken for: cluster and length of bitmap and up-case table.
    fn told(entries: &[[u8; 32]]) -> Option<[(u32, u64); 2]> {
        let mut sector = entries.concat();
        sector.resize(512, 0);
        let reader = Reader::new(Box::new(MemorySource::new(vec![0; 4096], SectorSize::S512)), None);
        let window = Window::new(&reader, Extent::between(0, 4096));
        let found = root_entries(&BoundedReader::new(&window), 512, &sector)?;
        Some(<[Special; 2]>::from(found).map(|special| (special.first_cluster, special.bytes)))
    }

    #[test]
    fn a_root_folder_begins_with_one_bitmap_and_an_up_case_table_of_a_possible_length() {
        let (bitmap, up_case) = (entry(0x81, 0, 2, 1), entry(0x82, 0, 3, 5836));
        let expected = Some([(2, 1), (3, 5836)]);
        assert_eq!(told(&[bitmap, up_case]), expected);
        let (label, unused) = (entry(0x83, 3, 0, 0), entry(0x03, 0, 0, 0));
        assert_eq!(told(&[label, bitmap, up_case]), expected);
        assert_eq!(told(&[unused, up_case, bitmap]), expected);
        // Two bytes for each of the 65,536 letters that there are, and the ten bytes by which a table is recognised.
        for (bytes, is_possible) in [(9, false), (10, true), (131_072, true), (131_073, false)] {
            let told = told(&[bitmap, entry(0x82, 0, 3, bytes)]);
            assert_eq!(told, is_possible.then_some([(2, 1), (3, bytes)]), "{bytes}");
        }
        let (no_cluster, empty, second) = (entry(0x81, 0, 1, 1), entry(0x81, 0, 2, 0), entry(0x81, 1, 2, 1));
        let others = [
            vec![bitmap],
            vec![up_case],
            vec![no_cluster, up_case],
            vec![empty, up_case],
            vec![second, up_case],
            vec![bitmap, second, up_case],
            vec![bitmap, entry(0x82, 0, 1, 5836)],
            vec![entry(0x85, 0, 0, 0), bitmap, up_case],
        ];
        for entries in others {
            assert_eq!(told(&entries), None, "{entries:?}");
        }
    }

    /// Source: the specification, 2 and 7.4.4: clusters are numbered from 2 to ClusterCount + 1.
    #[test]
    fn clusters_are_numbered_from_two() {
        let (bitmap, up_case) = ((2, 1), (3, 5836));
        let candidate =
            ExFatCandidate { fat: 512, heap: 4096, cluster_bytes: 512, clusters: 5, root: 4, bitmap, up_case };
        let places = [0, 1, 2, 3, 6, 7].map(|cluster| candidate.place(cluster));
        assert_eq!(places, [None, None, Some(4096), Some(4608), Some(6144), None]);
    }
}
