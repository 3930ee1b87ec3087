//! The geometry of a volume whose boot sector (and, on FAT32, its backup) is lost, from the FATs and the folders.
//!
//! A FAT starts with the media byte and marks; the distance to its second copy is its size. Folders carry their own
//! cluster number in their entry ".": two of them at known places give cluster size and start of the clusters. What
//! follows from that is checked against the root folder: the folders it names must stand at the places computed, and
//! files' chains must be as long as their sizes ask for.
//!
//! Source of the marks and of the type by number of clusters: "FAT: General Overview of On-Disk Format", Microsoft, 1.03.
//!
//! Budget: [`HEAD_BYTES`] from the start; and only if a FAT was seen there, at most [`SIZES`] ranges of
//! [`PROBE_BYTES`] where its second copy would be, and for each of at most [`MOST_CANDIDATES`] candidates the root folder's
//! first 64 KiB at most, [`SAMPLES`] folders and files of it and the FAT sectors these need.

use super::boot::sector::{Fat32, FatBoot, kind_by_cluster_count};
use super::folder::directory::{self, Item};
use super::table::Width;
use crate::base::extent::Extent;
use crate::base::fields::{u16_at, u32_at};
use crate::filesystem::FsKind;
use crate::filesystem::folder_content::Content;
use crate::filesystem::folder_tree::FolderEntry;
use crate::filesystem::infer::{BoundedReader, Choice, HEAD_BYTES, SECTOR, choose};
use crate::source::{SourceLost, Window};
use std::collections::{BTreeMap, BTreeSet};

/// Cluster sizes: 512 bytes to 256 KiB.
const SIZES: u32 = 10;
const SMALLEST_SHIFT: u32 = 9;
/// Looked through for the second copy of a large FAT, for each cluster size.
const PROBE_BYTES: u64 = 128 << 10;
/// Starts of FATs and folders that are taken note of.
const MOST_STARTS: usize = 64;
const MOST_FOLDERS: usize = 4096;
/// Geometries that are judged.
const MOST_CANDIDATES: usize = 512;
/// Folders and files of the root folder that are checked, each.
const SAMPLES: usize = 48;
/// Chains are followed this far.
const CHAIN_STEPS: u64 = 64;
/// A volume may end this much before its partition: a cylinder of 255 heads and 63 sectors.
pub(super) const SLACK_BYTES: u64 = 8 << 20;
/// Sizes of fixed root folders that formatters make, in entries (common practice, no source).
const ROOT_ENTRIES: [u64; 8] = [512, 224, 112, 240, 256, 1024, 128, 64];
/// The largest fixed root folder.
const MOST_ROOT_BYTES: u64 = 65_535 * 32;

/// A geometry to be checked. All in bytes of the volume.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct FatCandidate {
    pub width: u8,
    pub fat: u64,
    pub fat_bytes: u64,
    pub copies: u64,
    /// 0 for FAT32.
    pub root_bytes: u64,
    pub heap: u64,
    pub cluster_bytes: u64,
    pub clusters: u64,
}

impl FatCandidate {
    fn width(&self) -> Width {
        match self.width {
            12 => Width::Bits12,
            16 => Width::Bits16,
            _ => Width::Bits32,
        }
    }

    fn place(&self, cluster: u32) -> Option<u64> {
        let index = u64::from(cluster).checked_sub(2).filter(|n| *n < self.clusters)?;
        Some(self.heap + index * self.cluster_bytes)
    }
}

/// A geometry that was checked.
#[derive(Debug)]
pub(super) struct InferredFat {
    pub boot: FatBoot,
    /// What supports it.
    pub evidence: String,
    /// What should be there too and is not.
    pub lacking: Vec<String>,
    /// Whether something that is there contradicts it.
    contradicted: bool,
    /// Copies of the FAT, and how much agrees.
    pub points: (u64, u64),
    key: (u8, u64, u64),
}

impl InferredFat {
    pub fn in_words(&self) -> String {
        format!(
            "{} with clusters of {} bytes from byte {} of the volume on ({})",
            self.boot.kind.name(),
            self.boot.cluster_bytes(),
            self.boot.heap_start(),
            self.evidence
        )
    }
}

/// The geometry that fits, or all that do when it is not one alone.
pub(super) fn infer(window: &Window<'_>) -> Result<Choice<InferredFat>, SourceLost> {
    let reader = BoundedReader::new(window);
    let traces = Traces::find(&reader)?;
    let mut best: BTreeMap<(u8, u64, u64), InferredFat> = BTreeMap::new();
    for candidate in traces.candidates(&reader)? {
        if let Some(geometry) = check_candidate(&reader, &candidate, &traces)? {
            let held = best.get(&geometry.key).map(|held| held.points);
            if held.is_none_or(|held| geometry.points > held) {
                best.insert(geometry.key, geometry);
            }
        }
    }
    let whole = best.values().any(|one| one.lacking.is_empty());
    Ok(choose(best.into_values().collect(), |one| if whole { one.lacking.is_empty() } else { !one.contradicted }))
}

/// What was seen in the head of the volume.
#[derive(Default)]
pub(super) struct Traces {
    /// Where a FAT may start, with its width.
    starts: Vec<(u64, u8)>,
    /// Folders: place and own cluster by the entry ".", lower half alone, and with the upper one.
    folders: Vec<(u64, u32, u32)>,
}

/// The widths for which a sector can be the first of a FAT: entry 0 is the media byte filled up with ones, entry 1 an
/// end mark in which the two upper bits may be cleared (not for 12 bits).
pub(super) fn widths(bytes: &[u8]) -> Vec<u8> {
    let mut widths = Vec::new();
    if bytes.len() < 8 || !matches!(bytes[0], 0xF0 | 0xF8..=0xFF) || bytes[1] != 0xFF {
        return widths;
    }
    if bytes[2] == 0xFF
        && u32_at(bytes, 0) & 0x0FFF_FF00 == 0x0FFF_FF00
        && u32_at(bytes, 4) & 0x03FF_FFF8 == 0x03FF_FFF8
    {
        widths.push(32);
    }
    if u16_at(bytes, 2) & 0x3FF8 == 0x3FF8 {
        widths.push(16);
    }
    if bytes[2] == 0xFF {
        widths.push(12);
    }
    widths
}

/// A folder's own cluster by its first two entries, "." and "..": lower half alone, and with the upper one.
pub(super) fn own_cluster(bytes: &[u8]) -> Option<(u32, u32)> {
    let is_folder = |at: usize| bytes.get(at + 11).is_some_and(|attributes| attributes & 0x18 == 0x10);
    let named = bytes.starts_with(b".          ") && bytes.get(32..43) == Some(b"..         ".as_slice());
    (named && is_folder(0) && is_folder(32)).then(|| {
        let low = u32::from(u16_at(bytes, 26));
        (low, low | u32::from(u16_at(bytes, 20)) << 16)
    })
}

impl Traces {
    fn find(reader: &BoundedReader<'_>) -> Result<Traces, SourceLost> {
        let mut traces = Traces::default();
        reader.sectors(0, HEAD_BYTES, |at, bytes| {
            if at > 0 && traces.starts.len() < MOST_STARTS {
                traces.starts.extend(widths(&bytes[..512]).into_iter().map(|width| (at, width)));
            }
            if let Some((narrow, wide)) = own_cluster(&bytes[..512]).filter(|_| traces.folders.len() < MOST_FOLDERS) {
                traces.folders.push((at, narrow, wide));
            }
        })?;
        Ok(traces)
    }

    /// Starts of clusters that most folders agree on, for each cluster size.
    fn heaps(&self, wide: bool) -> Vec<(u64, u64)> {
        let mut heaps = Vec::new();
        for cluster in sizes() {
            let mut votes: BTreeMap<u64, BTreeSet<u32>> = BTreeMap::new();
            for (place, narrow, full) in &self.folders {
                let own = if wide { *full } else { *narrow };
                let before = u64::from(own).checked_sub(2).and_then(|n| n.checked_mul(cluster));
                if let Some(heap) = before.and_then(|before| place.checked_sub(before)) {
                    votes.entry(heap).or_default().insert(own);
                }
            }
            let mut list: Vec<(usize, u64)> = votes.into_iter().map(|(heap, own)| (own.len(), heap)).collect();
            list.sort_unstable_by(|a, b| b.cmp(a));
            heaps.extend(list.into_iter().take(4).map(|(_, heap)| (cluster, heap)));
        }
        heaps
    }

    fn candidates(&self, reader: &BoundedReader<'_>) -> Result<BTreeSet<FatCandidate>, SourceLost> {
        let held = reader.window.extent().bytes;
        let mut candidates = BTreeSet::new();
        let (narrow, wide) = (self.heaps(false), self.heaps(true));
        for &(start, width) in &self.starts {
            let heaps = if width == 32 { &wide } else { &narrow };
            for fat_bytes in self.distances(reader, start, width)? {
                let behind = start + 2 * fat_bytes;
                for cluster_bytes in sizes() {
                    let base = FatCandidate {
                        width,
                        fat: start,
                        fat_bytes,
                        copies: 2,
                        root_bytes: 0,
                        heap: behind,
                        cluster_bytes,
                        clusters: 0,
                    };
                    if width == 32 {
                        add(&mut candidates, held, base);
                        continue;
                    }
                    let usual = ROOT_ENTRIES.iter().map(|entries| behind + entries * 32);
                    let told = heaps.iter().filter(|(size, _)| *size == cluster_bytes).map(|(_, heap)| *heap);
                    let told = told.filter(|heap| (behind + 1..=behind + MOST_ROOT_BYTES).contains(heap));
                    for heap in usual.chain(told) {
                        add(&mut candidates, held, FatCandidate { heap, root_bytes: heap - behind, ..base });
                    }
                }
            }
            // One copy alone: everything between it and the root folder or the clusters counts as its own.
            for &(cluster_bytes, heap) in heaps {
                let roots: &[u64] = if width == 32 { &[0] } else { &ROOT_ENTRIES };
                for root_bytes in roots.iter().map(|entries| entries * 32) {
                    let Some(fat_bytes) = heap.checked_sub(start + root_bytes).filter(|b| *b > 0) else { continue };
                    let one = FatCandidate {
                        width,
                        fat: start,
                        fat_bytes,
                        copies: 1,
                        root_bytes,
                        heap,
                        cluster_bytes,
                        clusters: 0,
                    };
                    add(&mut candidates, held, one);
                }
            }
        }
        Ok(candidates)
    }

    /// Distances from a FAT's start to where its second copy may start.
    fn distances(&self, reader: &BoundedReader<'_>, start: u64, width: u8) -> Result<BTreeSet<u64>, SourceLost> {
        let Some(first) = reader.bytes(start, SECTOR)? else { return Ok(BTreeSet::new()) };
        let mut distances = BTreeSet::new();
        for (other, _) in self.starts.iter().filter(|(other, w)| *w == width && *other > start) {
            if reader.bytes(*other, SECTOR)?.is_some_and(|bytes| bytes == first) {
                distances.insert(other - start);
            }
        }
        let held = reader.window.extent().bytes;
        for cluster in sizes().filter(|_| width == 32) {
            // F = 4 x clusters, clusters = (held - start - 2 F) / cluster.
            let clusters = (held.saturating_sub(start)) / (cluster + 8);
            let least = (4 * clusters) / SECTOR * SECTOR;
            let from = start + least.saturating_sub(PROBE_BYTES / 4);
            if from + PROBE_BYTES <= HEAD_BYTES || clusters > super::boot::sector::MOST_CLUSTERS || least > held / 4 {
                continue;
            }
            reader.sectors(from, from + PROBE_BYTES, |at, bytes| {
                if at > start && bytes[..512] == first[..] {
                    distances.insert(at - start);
                }
            })?;
        }
        Ok(distances)
    }
}

fn sizes() -> impl Iterator<Item = u64> {
    (0..SIZES).map(|n| 1u64 << (SMALLEST_SHIFT + n))
}

/// Adds a candidate whose FAT has room for the clusters there can be, and not much more.
fn add(candidates: &mut BTreeSet<FatCandidate>, held: u64, mut candidate: FatCandidate) {
    let width = candidate.width();
    let cluster = candidate.cluster_bytes;
    let Some(room) = held.checked_sub(candidate.heap).map(|bytes| bytes / cluster).filter(|n| *n > 0) else { return };
    let least = width.bytes_for((room.saturating_sub(SLACK_BYTES.min(held / 16) / cluster)) + 2);
    // Formatters round a FAT up to whole clusters, and some by a few sectors more (common practice, no source).
    let most = width.bytes_for(room + 2) + cluster.max(8 << 10);
    let most = if candidate.copies == 1 { 2 * most } else { most };
    if !(least..=most).contains(&candidate.fat_bytes) || candidates.len() >= MOST_CANDIDATES {
        return;
    }
    candidate.clusters = room.min(width.entries_in(candidate.fat_bytes).saturating_sub(2));
    let by_count = kind_by_cluster_count(candidate.clusters);
    if candidate.clusters > 0 && (candidate.width == 32 || Width::of(by_count) == width) && by_count_fits(&candidate) {
        candidates.insert(candidate);
    }
}

fn by_count_fits(candidate: &FatCandidate) -> bool {
    candidate.clusters <= super::boot::sector::MOST_CLUSTERS
        && candidate.heap.is_multiple_of(SECTOR)
        && candidate.fat_bytes.is_multiple_of(SECTOR)
}

/// Checks a candidate; `None` when it does not hold.
pub(super) fn check_candidate(
    reader: &BoundedReader<'_>,
    candidate: &FatCandidate,
    traces: &Traces,
) -> Result<Option<InferredFat>, SourceLost> {
    let wide = candidate.width == 32;
    let Some(entries) = root_entries(reader, candidate)? else { return Ok(None) };
    let mut checks = RootChecks::default();
    checks.check_folders(reader, candidate, &entries)?;
    if checks.wrong * 4 > checks.folders {
        return Ok(None);
    }
    checks.check_files(reader, candidate, &entries)?;
    let own = |folder: &(u64, u32, u32)| if wide { folder.2 } else { folder.1 };
    let agreeing = traces.folders.iter().filter(|f| candidate.place(own(f)) == Some(f.0)).count();
    let right = checks.folders + checks.chains;
    if right < 3 || checks.wrong * 8 > right || checks.folders + agreeing as u64 == 0 {
        return Ok(None);
    }
    let mut lacking = Vec::new();
    if checks.wrong > 0 {
        lacking.push(format!("{} folders and files of the root folder are not as they should be", checks.wrong));
    }
    match against_copy(reader, candidate)? {
        CopyState::Equal => {}
        CopyState::Lacking(what) => lacking.push(what),
        CopyState::NoCopy => return Ok(None),
    }
    let evidence = format!(
        "FAT at byte {}; {} of the root folder's folders and {} of its files' chains are as computed, and {agreeing} folders \
         near the start stand where their own numbers say",
        candidate.fat, checks.folders, checks.chains
    );
    Ok(Some(InferredFat {
        boot: boot_of(reader, candidate)?,
        evidence,
        lacking,
        contradicted: checks.wrong > 0,
        points: (candidate.copies, right),
        key: (candidate.width, candidate.heap, candidate.cluster_bytes),
    }))
}

/// The entries where a candidate puts the root folder; `None` when no root folder stands there.
fn root_entries(reader: &BoundedReader<'_>, candidate: &FatCandidate) -> Result<Option<Vec<FolderEntry>>, SourceLost> {
    let wide = candidate.width == 32;
    let (root_at, root_bytes) = if wide {
        (candidate.heap, candidate.cluster_bytes.min(64 << 10))
    } else {
        (candidate.heap - candidate.root_bytes, candidate.root_bytes)
    };
    let Some(block) = reader.window.read(root_at, root_bytes)? else { return Ok(None) };
    let content = Content { extents: vec![block.extent], bytes: block.bytes, unreadable: block.unreadable };
    let mut entries = Vec::new();
    let mut dots = false;
    let passed = directory::scan(&content, wide, |item| match item {
        Item::Entry(entry) if !entry.deleted => entries.push(entry),
        Item::Itself(_) | Item::Above(_) => dots = true,
        _ => {}
    });
    // A root folder has no entries for itself and its parent.
    let is_root = !dots && !entries.is_empty() && passed.implausible * 8 <= entries.len() as u64;
    Ok(is_root.then_some(entries))
}

/// What the folders and files of the root folder say to a candidate.
#[derive(Default)]
struct RootChecks {
    folders: u64,
    chains: u64,
    wrong: u64,
}

impl RootChecks {
    /// Whether folders stand where the candidate puts them, by the cluster number in their own entry ".".
    fn check_folders(
        &mut self,
        reader: &BoundedReader<'_>,
        candidate: &FatCandidate,
        entries: &[FolderEntry],
    ) -> Result<(), SourceLost> {
        for folder in entries.iter().filter(|e| e.is_folder).take(SAMPLES) {
            let Some(place) = candidate.place(folder.content.first_cluster) else {
                self.wrong += 1;
                continue;
            };
            let Some(bytes) = reader.bytes(place, SECTOR)? else { continue };
            match own_cluster(&bytes).map(|(narrow, full)| if candidate.width == 32 { full } else { narrow }) {
                Some(own) if own == folder.content.first_cluster => self.folders += 1,
                _ => self.wrong += 1,
            }
        }
        Ok(())
    }

    /// Whether files' chains are as long as their sizes.
    fn check_files(
        &mut self,
        reader: &BoundedReader<'_>,
        candidate: &FatCandidate,
        entries: &[FolderEntry],
    ) -> Result<(), SourceLost> {
        for file in entries.iter().filter(|e| !e.is_folder && e.content.size > 0).take(SAMPLES) {
            let wanted = file.content.size.div_ceil(candidate.cluster_bytes);
            match chain_length(reader, candidate, file.content.first_cluster)? {
                None => {}
                // One cluster fits every size of clusters that is large enough: it says nothing for any.
                Some(1) if wanted == 1 => {}
                Some(has) if has == wanted.min(CHAIN_STEPS) => self.chains += 1,
                Some(_) => self.wrong += 1,
            }
        }
        Ok(())
    }
}

/// What the second copy of the FAT says to the first.
enum CopyState {
    Equal,
    /// It is missing or differs, as the sentence says.
    Lacking(String),
    /// What stands there is no copy.
    NoCopy,
}

fn against_copy(reader: &BoundedReader<'_>, candidate: &FatCandidate) -> Result<CopyState, SourceLost> {
    if candidate.copies == 1 {
        return Ok(CopyState::Lacking("only one copy of the FAT was found".to_owned()));
    }
    let (equal, compared) = equal_sectors(reader, candidate)?;
    Ok(if equal == compared {
        CopyState::Equal
    } else if equal * 2 < compared {
        CopyState::NoCopy
    } else {
        let differing = compared - equal;
        CopyState::Lacking(format!("{differing} of {compared} sectors of the FAT compared differ from its copy's"))
    })
}

/// The length of a chain, at most [`CHAIN_STEPS`]; 0 where it is broken; `None` where the FAT cannot be read.
fn chain_length(reader: &BoundedReader<'_>, candidate: &FatCandidate, first: u32) -> Result<Option<u64>, SourceLost> {
    let width = candidate.width();
    let end_mark = match width {
        Width::Bits12 => 0xFF8,
        Width::Bits16 => 0xFFF8,
        Width::Bits32 => 0x0FFF_FFF8,
    };
    let mut at = first;
    for steps in 1..=CHAIN_STEPS {
        if candidate.place(at).is_none() {
            return Ok(Some(0));
        }
        let place = width.place(at);
        // One sector, or two where an entry of 12 bits straddles them.
        let from = place.start / SECTOR * SECTOR;
        let bytes = place.end.next_multiple_of(SECTOR) - from;
        let Some(sector) = reader.bytes(candidate.fat + from, bytes)? else { return Ok(None) };
        let inside = usize::try_from(place.start - from).expect("within two sectors");
        let raw = match width {
            Width::Bits12 if at % 2 == 1 => u32::from(u16_at(&sector, inside)) >> 4,
            Width::Bits12 => u32::from(u16_at(&sector, inside)) & 0xFFF,
            Width::Bits16 => u32::from(u16_at(&sector, inside)),
            Width::Bits32 => u32_at(&sector, inside) & 0x0FFF_FFFF,
        };
        if raw >= end_mark {
            return Ok(Some(steps));
        }
        at = raw;
    }
    Ok(Some(CHAIN_STEPS))
}

/// How many of the FAT's sectors equal their copy's, and how many were compared: the first 64 KiB of each.
fn equal_sectors(reader: &BoundedReader<'_>, candidate: &FatCandidate) -> Result<(u64, u64), SourceLost> {
    let (mut equal, mut compared) = (0, 0);
    let needed = candidate.width().bytes_for(candidate.clusters + 2).min(candidate.fat_bytes);
    let bytes = (64 << 10).min(needed.next_multiple_of(SECTOR));
    let ours = reader.window.read(candidate.fat, bytes)?;
    let theirs = reader.window.read(candidate.fat + candidate.fat_bytes, bytes)?;
    let (Some(ours), Some(theirs)) = (ours, theirs) else { return Ok((0, 1)) };
    for part in Extent::between(0, bytes).pieces(SECTOR) {
        let at = |block: &crate::source::Block| {
            let start = block.extent.start.0;
            block.has_read(Extent::between(start + part.start.0, start + part.end()))
        };
        let range = usize::try_from(part.start.0).expect("within 64 KiB")..usize::try_from(part.end()).expect("same");
        if at(&ours) && at(&theirs) {
            compared += 1;
            equal += u64::from(ours.bytes[range.clone()] == theirs.bytes[range]);
        }
    }
    Ok((equal, compared))
}

fn boot_of(reader: &BoundedReader<'_>, candidate: &FatCandidate) -> Result<FatBoot, SourceLost> {
    let wide = candidate.width == 32;
    let mut sector_bytes = SECTOR;
    let mut fs_info_sector = None;
    for size in [512, 1024, 2048, 4096].into_iter().filter(|size| wide && candidate.fat.is_multiple_of(*size)) {
        // FSInfo, where it usually stands, gives the sector size away.
        let marked = reader.bytes(size, SECTOR)?.is_some_and(|bytes| bytes.starts_with(b"RRaA"));
        let whole = [candidate.fat_bytes, candidate.cluster_bytes].iter().all(|bytes| bytes.is_multiple_of(size));
        if marked && whole {
            (sector_bytes, fs_info_sector) = (size, Some(1));
            break;
        }
    }
    let media = reader.bytes(candidate.fat, SECTOR)?.map_or(0xF8, |bytes| bytes[0]);
    let by_count = kind_by_cluster_count(candidate.clusters);
    Ok(FatBoot {
        kind: if wide { FsKind::Fat32 } else { by_count },
        sector_bytes,
        sectors_per_cluster: candidate.cluster_bytes / sector_bytes,
        reserved_sectors: candidate.fat / sector_bytes,
        fat_count: candidate.copies,
        fat_sectors: candidate.fat_bytes / sector_bytes,
        root_entries: candidate.root_bytes / 32,
        total_sectors: reader.window.extent().bytes / sector_bytes,
        cluster_count: candidate.clusters,
        media,
        fat32: wide.then_some(Fat32 { active_only: None, root_cluster: 2, fs_info_sector, backup_sector: None }),
        serial: None,
        label: None,
        dirty: false,
        contradicted: wide && by_count != FsKind::Fat32,
        oddities: Vec::new(),
    })
}
