//! Whether a header can be true, and whether what follows agrees with it.

use super::Fault;
use crate::base::extent::Extent;
use crate::base::units::SectorSize;
use crate::plan::{ClassBytes, LARGEST, PassHeader, PlanHeader, PlanSource, classes};
use crate::survey::allocation::Class;
use std::collections::BTreeSet;

/// What the passes are checked against, and what was counted so far.
pub(super) struct Checker {
    size: u64,
    sector: u64,
    gap_limit: u64,
    /// Whether gaps may lie at an extent's ends: what was picked up on the way.
    gaps_at_ends: bool,
    wants: Vec<String>,
    taken: BTreeSet<Class>,
    pass: Option<PassHeader>,
    extent: Option<Extent>,
    gap_end: u64,
    count: Counts,
    /// Extents of each class's passes, and bridged bytes of each class, over the whole plan.
    extents: [u64; Class::ALL.len()],
    bridged: [u64; Class::ALL.len()],
    bytes: u64,
}

#[derive(Default)]
struct Counts {
    extents: u64,
    bytes: u64,
    bridged: u64,
}

fn same(what: impl FnOnce() -> String, stated: u64, counted: u64) -> Result<(), Fault> {
    if stated == counted { Ok(()) } else { Err(Fault::Count { what: what(), stated, counted }) }
}

/// An extent that lies on the drive and on its sectors. The drive's last sector may be cut short.
fn sound_extent(start: u64, bytes: u64, size: u64, sector: u64) -> Result<Extent, Fault> {
    let extent = Extent::new(start, bytes).filter(|e| e.end() <= size);
    let extent = extent.ok_or(Fault::BeyondEnd { start, bytes, size })?;
    if extent.is_empty() {
        return Err(Fault::Empty(start));
    }
    let ends_well = extent.end().is_multiple_of(sector) || extent.end() == size;
    if !start.is_multiple_of(sector) || !ends_well {
        return Err(Fault::Unaligned { extent, sector });
    }
    Ok(extent)
}

fn check_source(source: &PlanSource) -> Result<(), Fault> {
    if source.bytes > LARGEST {
        return Err(Fault::TooLarge { what: "the source's size", value: source.bytes });
    }
    for (which, bytes) in [("logical", source.logical_sector), ("physical", source.physical_sector)] {
        SectorSize::new(bytes).ok_or(Fault::SectorSize { which, bytes })?;
    }
    let print = &source.fingerprint;
    let is_digit = |b: &u8| b.is_ascii_digit() || (b'a'..=b'f').contains(b);
    if print.sha256.len() != 64 || !print.sha256.as_bytes().iter().all(is_digit) {
        return Err(Fault::Fingerprint("sha256 must be 64 lower-case hexadecimal digits"));
    }
    let mut end = 0;
    for (index, extent) in print.extents.iter().enumerate() {
        sound_extent(extent.start.0, extent.bytes, source.bytes, source.logical_sector)?;
        if index > 0 && extent.start.0 <= end {
            return Err(Fault::Fingerprint("its extents must ascend with a gap between each two"));
        }
        end = extent.end();
    }
    if print.extents.iter().map(|e| e.bytes).sum::<u64>() != print.bytes {
        return Err(Fault::Fingerprint("its bytes are not the sum of its extents"));
    }
    Ok(())
}

impl Checker {
    pub(super) fn new(header: &PlanHeader) -> Result<Checker, Fault> {
        check_source(&header.source)?;
        let impossible = |error: crate::plan::ScopeError| Fault::Header(error.to_string());
        let taken = classes(header.scope, &header.also, &header.without).map_err(impossible)?;
        let checker = Checker {
            size: header.source.bytes,
            sector: header.source.logical_sector,
            gap_limit: header.bridge.gap_bytes,
            gaps_at_ends: header.order.pick_up,
            wants: header.wants.clone(),
            taken,
            pass: None,
            extent: None,
            gap_end: 0,
            count: Counts::default(),
            extents: [0; Class::ALL.len()],
            bridged: [0; Class::ALL.len()],
            bytes: 0,
        };
        checker.check_totals(header)?;
        Ok(checker)
    }

    /// The totals must hold every class once and add up to the drive, and what is left out must follow from them.
    fn check_totals(&self, header: &PlanHeader) -> Result<(), Fault> {
        if !header.totals.iter().map(|t| t.class).eq(Class::ALL) {
            return Err(Fault::Header("the totals must list the nine classes in order".to_owned()));
        }
        let sum = |of: fn(&crate::plan::ClassTotals) -> u64| {
            header.totals.iter().map(of).try_fold(0_u64, u64::checked_add).unwrap_or(u64::MAX)
        };
        same(|| "bytes of all classes on the drive".to_owned(), self.size, sum(|t| t.bytes_on_drive))?;
        for total in &header.totals {
            let class = total.class;
            let fits = total.unasked_bytes <= total.bridged_bytes
                && total.planned_bytes.checked_add(total.unasked_bytes).is_some_and(|b| b <= total.bytes_on_drive)
                && total.bridged_bytes <= total.bytes_on_drive;
            if !fits || (total.planned_bytes > 0 && !self.taken.contains(&class)) {
                return Err(Fault::Header(format!("the totals of `{class}` cannot all be true")));
            }
            let left_out = header.left_out.iter().filter(|l| l.class == class).map(|l| l.bytes);
            let left_out = left_out.fold(0, u64::saturating_add);
            let counted = total.bytes_on_drive - total.planned_bytes - total.unasked_bytes;
            same(|| format!("bytes of `{class}` left out"), left_out, counted)?;
        }
        Ok(())
    }

    pub(super) fn pass(&mut self, pass: PassHeader) -> Result<(), Fault> {
        let place = |p: &PassHeader| (p.class, p.lane);
        let before = self.pass.as_ref();
        let number = before.map_or(Some(1), |b| b.number.checked_add(1));
        if number != Some(pass.number) || before.is_some_and(|b| place(b) >= place(&pass)) {
            return Err(Fault::PassOrder { number: pass.number, class: pass.class, lane: pass.lane });
        }
        if !self.taken.contains(&pass.class) {
            return Err(Fault::PassOutOfScope { number: pass.number, class: pass.class });
        }
        let pattern = self.wants.get(usize::from(pass.lane)).filter(|_| pass.class == Class::Wanted);
        if pattern != pass.pattern.as_ref() || (pass.class == Class::Wanted && pattern.is_none()) {
            return Err(Fault::PassPattern { number: pass.number });
        }
        for ClassBytes { class, bytes } in &pass.bridged {
            let held = &mut self.bridged[*class as usize];
            *held = held.saturating_add(*bytes);
        }
        self.count = Counts::default();
        self.extent = None;
        self.pass = Some(pass);
        Ok(())
    }

    pub(super) fn extent(&mut self, start: u64, bytes: u64) -> Result<Extent, Fault> {
        let extent = sound_extent(start, bytes, self.size, self.sector)?;
        if let Some(before) = self.extent.filter(|before| before.end() >= start) {
            return Err(Fault::Descends { extent, before_end: before.end() });
        }
        self.count.extents += 1;
        self.count.bytes += bytes;
        // Each byte is read once, so more bytes than the drive has mean an overlap: seen here, it bounds the list in
        // which overlaps are looked for.
        self.bytes += bytes;
        if self.bytes > self.size {
            let what = || "bytes of the drive that the passes read".to_owned();
            return same(what, self.size, self.bytes).map(|()| extent);
        }
        self.extent = Some(extent);
        self.gap_end = start;
        Ok(extent)
    }

    pub(super) fn gap(&mut self, start: u64, bytes: u64) -> Result<Extent, Fault> {
        let gap = sound_extent(start, bytes, self.size, self.sector)?;
        let within = self.extent.is_some_and(|extent| {
            let first = start == extent.start.0 && self.gaps_at_ends;
            let last = gap.end() == extent.end() && self.gaps_at_ends;
            let apart = start > self.gap_end || (first && self.gap_end == start);
            apart && (gap.end() < extent.end() || last) && gap.bytes < extent.bytes
        });
        if !within {
            return Err(Fault::GapOutside { gap });
        }
        if bytes > self.gap_limit {
            return Err(Fault::GapTooLong { gap, limit: self.gap_limit });
        }
        self.gap_end = gap.end();
        self.count.bridged += bytes;
        Ok(gap)
    }

    pub(super) fn end_pass(&mut self) -> Result<(), Fault> {
        let Some(pass) = &self.pass else { return Ok(()) };
        let number = pass.number;
        same(|| format!("extents of pass {number}"), pass.extent_count, self.count.extents)?;
        same(|| format!("bytes of pass {number}"), pass.bytes, self.count.bytes)?;
        same(|| format!("bridged bytes of pass {number}"), pass.bridged_bytes, self.count.bridged)?;
        let by_class = pass.bridged.iter().map(|b| b.bytes).fold(0, u64::saturating_add);
        same(|| format!("bridged bytes of pass {number} by class"), by_class, self.count.bridged)?;
        if self.count.extents == 0 {
            return Err(Fault::Header(format!("pass {number} reads nothing")));
        }
        self.extents[pass.class as usize] += self.count.extents;
        Ok(())
    }

    pub(super) fn end(&self, header: &PlanHeader) -> Result<(), Fault> {
        for total in &header.totals {
            let class = total.class;
            same(|| format!("extents of `{class}`"), total.extents, self.extents[class as usize])?;
            same(|| format!("bridged bytes of `{class}`"), total.bridged_bytes, self.bridged[class as usize])?;
        }
        same(|| "bytes of all passes".to_owned(), header.bytes(), self.bytes)
    }
}
